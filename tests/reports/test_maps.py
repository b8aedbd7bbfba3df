from __future__ import annotations

from itertools import combinations, pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from mpl_toolkits.axes_grid1.anchored_artists import AnchoredSizeBar

from spreadplan.reports.figure import house_style, panels
from spreadplan.reports.map_parts import (
    ABOVE,
    BESIDE,
    Anchor,
    Label,
    along,
    as_seen,
    frame_of,
    longest_each,
    place_labels,
    scale_bar,
)
from spreadplan.reports.maps import rate_classes
from spreadplan.reports.text_width import width_pt
from spreadplan.views.display import Display


def squares(values: np.ndarray, weight: np.ndarray, cuts: tuple[int, ...]) -> float:
    ends = [0, *cuts, len(values)]
    total = 0.0
    for start, end in pairwise(ends):
        part, mass = values[start:end], weight[start:end]
        total += float(np.sum(mass * (part - np.average(part, weights=mass)) ** 2))
    return total


def squares_of(values: np.ndarray, weight: np.ndarray, lowest: np.ndarray) -> float:
    return squares(values, weight, tuple(np.searchsorted(values, low) for low in lowest[1:]))


@pytest.mark.slow
@settings(deadline=None)
@given(
    st.lists(st.integers(0, 4), min_size=6, max_size=60),
    st.integers(0, 1000),
)
def test_rates_that_lie_together_share_a_class_and_no_others_do(groups, seed):
    """Groups of 20 lb per lane-mile, 80 apart, of whatever length of road."""
    draw = np.random.default_rng(seed)
    rates = 100.0 + 100.0 * np.array(groups) + draw.integers(0, 20, len(groups))
    lowest = rate_classes(rates, draw.uniform(1.0, 3.0, len(rates)), 5)
    if len(np.unique(rates)) <= 5:
        assert lowest.tolist() == np.unique(rates).tolist()
        return
    number = np.searchsorted(lowest, rates, side="right") - 1
    for group in set(groups):
        mine = number[np.array(groups) == group]
        others = number[np.array(groups) != group]
        assert not set(mine) & set(others)


@pytest.mark.slow
def test_classes_are_nearly_the_best_of_all_groupings():
    """All groupings tried, W. D. Fisher, On grouping for maximum homogeneity, J. Am. Stat. Assoc.
    53 (1958): the least sum of squares within groups.
    """
    draw = np.random.default_rng(3)
    ratios = []
    for _ in range(60):
        values = np.sort(draw.choice(np.arange(60.0, 800.0), 12, replace=False))
        weight = draw.lognormal(0.0, 1.0, len(values))
        best = min(squares(values, weight, cut) for cut in combinations(range(1, 12), 4))
        ratios.append(squares_of(values, weight, rate_classes(values, weight)) / best)
    assert np.median(ratios) < 1.05
    assert max(ratios) < 2.0


def test_a_rate_of_much_of_the_network_is_kept_apart():
    rates = np.array([100.0, 200.0, 220.0, 400.0, 440.0, 800.0])
    assert 220.0 in rate_classes(rates, np.array([1.0, 50.0, 50.0, 1.0, 1.0, 1.0]))
    assert 440.0 in rate_classes(rates, np.array([1.0, 1.0, 1.0, 50.0, 50.0, 1.0]))
    assert 220.0 not in rate_classes(rates, np.array([1.0, 1.0, 1.0, 50.0, 50.0, 1.0]))


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("miles", [0.03, 0.7, 12.0, 430.0])
def test_the_scale_bar_is_as_long_as_it_says(units, miles):
    shown = Display(units, ZoneInfo("UTC"))
    with house_style():
        figure, (ax,) = panels(1, 7.5, 4.0, 1)
        ax.set_aspect("equal")
        frame_of(ax, np.array([0.0, 0.0, miles, miles / 2.0]))
        scale_bar(ax, shown)
        figure.canvas.draw()
        (bar,) = (one for one in ax.artists if isinstance(one, AnchoredSizeBar))
        (drawn,) = bar.size_bar.get_children()
    number, unit = bar.txt_label.get_text().split(" ")[:2]
    assert unit == shown.unit("distance")
    assert drawn.get_width() == pytest.approx(
        float(number) / shown.value(1.0, "distance"), rel=1e-6
    )
    assert number.strip("0.")[0] in "125"
    assert 0.1 < drawn.get_width() / miles < 0.4


def test_rates_that_are_missing_or_nothing_make_no_class():
    assert len(rate_classes(np.array([np.nan, 0.0]), np.ones(2))) == 0


def test_thousands_of_rates_make_five_classes():
    rates = np.random.default_rng(1).uniform(50, 900, 20_000)
    lowest = rate_classes(rates, np.ones(len(rates)))
    assert len(lowest) == 5
    assert np.all(np.diff(lowest) > 0)


def placed_in_turn(ax, labels, marks):
    """Where each label goes, one candidate after the other: text -> offset in points."""
    view = ax.get_window_extent()
    taken = []
    for mark in marks:
        for at in mark.anchors:
            x, y = ax.transData.transform((at.x, at.y))
            taken.append((x - 4.0, y - 4.0, x + 4.0, y + 4.0))
    found = {}
    for label in labels:
        width = width_pt(label.text, label.size, label.weight == "bold") + 2.0
        height = label.size * 1.15
        for at in label.anchors:
            for dx, dy in ABOVE if at.level else BESIDE:
                x, y = ax.transData.transform((at.x, at.y))
                left = x + dx * label.away - width * (1 - dx) / 2.0
                low = y + dy * label.away - height * (1 - dy) / 2.0
                box = left, low, left + width, low + height
                inside = view.x0 <= left and box[2] <= view.x1
                inside = inside and view.y0 <= low and box[3] <= view.y1
                free = not any(
                    left < a[2] and a[0] < box[2] and low < a[3] and a[1] < box[3] for a in taken
                )
                if label.text not in found and inside and free:
                    found[label.text] = (dx * label.away, dy * label.away)
                    taken.append(box)
    return found


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("marked", [True, False])
def test_a_label_takes_the_first_place_that_is_free(seed, marked):
    chance = np.random.default_rng(seed)
    labels = [
        Label(
            text=f"route {number}",
            anchors=tuple(
                Anchor(float(x), float(y), bool(x > y)) for x, y in chance.uniform(0.0, 1.0, (3, 2))
            ),
            colour="black",
            weight=("bold", "normal")[number % 2],
            size=7.0,
        )
        for number in range(40)
    ]
    marks = labels[:6] if marked else []
    with house_style():
        _, (ax,) = panels(1, 3.0, 2.0, 1)
        frame_of(ax, np.array([0.0, 0.0, 1.0, 1.0]))
        place_labels(ax, labels, marks)
        found = {text.get_text(): text.xyann for text in ax.texts}
        wanted = placed_in_turn(ax, labels, marks)
    assert 5 < len(wanted) < 40
    assert found == wanted


def test_the_longest_roads_of_each_name():
    length = [1.0, 3.0, 2.0, 3.0, 10.0]
    roads = shapely.linestrings([[(0.0, 0.0), (long, 0.0)] for long in length])
    found = longest_each(["b", "b", "b", "b", "a"], roads, most=2)
    assert list(found) == ["a", "b"]
    assert [road is roads[4] for road in found["a"]] == [True]
    assert [road is want for road, want in zip(found["b"], roads[[1, 3]], strict=True)] == [
        True,
        True,
    ]
    assert along(roads[1:2], (0.5,)) == (Anchor(1.5, 0.0, True),)


def test_a_road_too_small_to_see_still_has_a_place():
    """A loop of ten feet on a map of a hundred miles must not vanish, nor be drawn at NaN."""
    loop = shapely.Point(5.0, 7.0).buffer(0.001).exterior
    seen = as_seen(np.array([shapely.LineString(loop.coords)], dtype=object), 100.0)
    (anchor,) = along(seen, (0.5,))
    assert (anchor.x, anchor.y) == pytest.approx((5.0, 7.0), abs=0.01)
