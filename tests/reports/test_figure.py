"""A chart as an element of a page, on paper and on the screen."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.axes import Axes

from spreadplan.reports import figure
from spreadplan.reports.inline_svg import hover
from spreadplan.reports.text_width import width_pt

#: what would be taken for a tag, a style, a name or a number by who looks at the text alone.
ODD = '<b id="i"> url(#p) style="x:1" & \'1.23456\' $a$ --> R\u00fc <g></g>'


def drawing(name: str = "one", label: str = ODD, colour: str = figure.BLUE) -> figure.Drawing:
    """A panel with what makes names inside: clipped lines, markers, a hatch, a picture."""
    with figure.house_style():
        drawn, (ax,) = figure.panels(1, 3.0, 2.0, 1)
        ax.plot([0.0, 1.0], [1.0, 3.0], marker="o", color=colour, gid=hover(label))
        ax.bar([0.5], [2.0], hatch="///", facecolor=figure.FAINT)
        ax.imshow(np.eye(2), extent=(0.0, 0.2, 0.0, 0.2), aspect="auto")
        ax.set(xlim=(-0.5, 1.5), ylim=(-0.5, 4.0), title=label)
    return figure.Drawing(drawn, f"What it shows: {label}", name)


def parsed(svg: str) -> ElementTree.Element:
    return ElementTree.fromstring(svg)


def names(svg: str) -> set[str]:
    found = [one.get("id") for one in parsed(svg).iter() if one.get("id")]
    assert len(found) == len(set(found))
    return set(found)


def references(svg: str) -> set[str]:
    return set(re.findall(r'(?:url\(|href=")#([^")]+)', svg))


def test_names_inside_are_used_and_are_no_other_charts_names():
    one, other = drawing("one", "a").svg(), drawing("other", "a").svg()
    assert len(names(one)) >= 3
    assert names(one) == references(one)
    assert not names(one) & names(other)


def test_no_style_of_a_chart_spreads_over_the_page():
    svg = drawing(label="a").svg()
    assert "style" not in svg
    assert "<!--" not in svg
    assert "metadata" not in svg
    assert 'stroke="#1d5c96"' in svg


def test_texts_stay_as_they_are():
    root = parsed(drawing().svg())
    space = "{http://www.w3.org/2000/svg}"
    assert ODD in [one.text for one in root.iter(f"{space}text")]
    said = [one.text for one in root.iter(f"{space}title")]
    assert said == [f"What it shows: {ODD}", ODD]
    assert root.get("aria-label") == said[0]


def test_what_is_shown_under_the_mouse_belongs_to_its_point():
    space = "{http://www.w3.org/2000/svg}"
    group = next(
        one
        for one in parsed(drawing(label="test T1").svg()).iter(f"{space}g")
        if one.findtext(f"{space}title") == "test T1"
    )
    assert len(group.findall(f".//{space}use")) == 2


@pytest.mark.slow
def test_threads_that_draw_at_once_draw_what_one_alone_draws():
    """The style belongs to the process: two that set and take it back would mix theirs."""
    wanted = [drawing(f"n{number}", "a").svg() for number in range(8)]
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda number: drawing(f"n{number}", "a").svg(), range(8)))
    assert found == wanted


@pytest.mark.parametrize("name", ["one", "two"])
def test_a_chart_is_the_same_every_time(name):
    assert drawing(name).svg() == drawing(name).svg()


def test_text_keeps_its_width_in_any_font():
    """Who lacks the font of the reports has another: what stands side by side must not overlap."""
    with figure.house_style():
        drawn, (ax,) = figure.panels(1, 3.0, 2.0, 1)
        ax.text(0.1, 0.5, "127 to 200 lb/lane-mile", fontsize=7.0)
        ax.text(0.1, 0.2, "R08", fontsize=7.0)
    page = figure.Drawing(drawn, "Two texts", "two").svg()
    texts = parsed(page).iter("{http://www.w3.org/2000/svg}text")
    given = {one.text: one for one in texts}
    width = float(given["127 to 200 lb/lane-mile"].get("textLength", "nan"))
    assert width == pytest.approx(width_pt("127 to 200 lb/lane-mile", 7.0), abs=0.01)
    assert given["127 to 200 lb/lane-mile"].get("lengthAdjust") == "spacingAndGlyphs"
    assert given["R08"].get("textLength") is None


def test_a_chart_is_drawn_once(monkeypatch):
    """A pass over all of it for a layout that stands already would take as long again."""
    draw, drawn = Axes.draw, []
    monkeypatch.setattr(Axes, "draw", lambda ax, *of: drawn.append(ax) or draw(ax, *of))
    drawing().svg()
    assert len(drawn) == 1
