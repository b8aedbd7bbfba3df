"""What stands where on a cab card, and in which print."""

from __future__ import annotations

from itertools import pairwise
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spreadplan.reports.cab_layout import LEAST_STRIP_PT, PAGE_PT, Texts, arranged
from spreadplan.reports.sheet import _Word
from spreadplan.reports.strip_chart import fits, strip_drawing
from spreadplan.reports.text_width import width_pt
from spreadplan.views.cab_strip import strip_pieces
from spreadplan.views.display import Display
from spreadplan.views.strip import Strip, StripMark, StripPiece, marks_that_fit, spread_out

US = Display("us", ZoneInfo("UTC"))


def strip(pieces: int, dial: str = "42.5", held: str = "18–20", marks: int = 40) -> Strip:
    return Strip(
        pieces=tuple(
            StripPiece(
                at=0.7 * n,
                end=0.7 * (n + 1),
                mile=f"{0.7 * n:.1f}",
                dial=dial if n % 3 else "no setting",
                held=held,
                road=f"Old Military Road along the upper river, north side {n}",
                sensitive=n % 4 == 1,
                off=False,
                trouble=n % 3 == 0,
            )
            for n in range(pieces)
        ),
        marks=tuple(
            StripMark(0.7 * pieces * n / marks, f"County Road {n} and its frontage", "crossing")
            for n in range(marks)
        ),
        areas=((0.7, 1.4),),
        unit="mi",
        dial="set %",
        held="hold mph",
        alt="a strip",
    )


def words_of(drawn):
    (sheet,) = drawn.figure.artists
    return [one for one in sheet._drawn if isinstance(one, _Word)]


@pytest.mark.parametrize("pieces", [1, 2, 5, 9, 13, 20, 30, 45, 60])
@pytest.mark.parametrize("width", [552.0, 536.0])
def test_no_text_of_a_strip_lies_on_another_or_leaves_the_page(pieces, width):
    boxes = []
    for one in words_of(strip_drawing(strip(pieces), width, 330.0, "s")):
        wide = width_pt(one.text, one.size, one.bold)
        assert one.x >= -0.5
        assert one.x + wide <= width + 0.5, one.text
        assert one.y - 0.71 * one.size >= 0.0
        assert one.y <= 330.0
        boxes.append((one.x, one.x + wide, one.y - 0.71 * one.size, one.y, one.text))
    for a, b in ((a, b) for n, a in enumerate(boxes) for b in boxes[n + 1 :]):
        apart = a[1] <= b[0] + 0.5 or b[1] <= a[0] + 0.5 or a[3] <= b[2] + 0.5 or b[3] <= a[2] + 0.5
        assert apart, (a, b)


def test_up_to_twelve_changes_are_read_at_arms_length():
    for pieces in range(1, 14):
        size, columns = fits(strip(pieces, dial="45"), 536.0, LEAST_STRIP_PT)
        assert size.dial_pt >= 16.0
        assert size.held_pt >= 16.0
        assert size.side_pt >= 11.0
        assert columns == 1
    large, _ = fits(strip(3), 536.0, LEAST_STRIP_PT)
    assert large.dial_pt == 30.0


@given(
    wanted=st.lists(st.floats(0.0, 100.0), min_size=1, max_size=12).map(sorted),
    gap=st.floats(0.1, 20.0),
)
def test_labels_keep_their_order_and_distance(wanted, gap):
    places = spread_out(wanted, gap, 0.0, 100.0)
    room = 100.0 / max(len(wanted) - 1, 1)
    for before, after in pairwise(places):
        assert after - before >= min(gap, room) - 1e-6
    assert places[0] >= -1e-6
    assert places[-1] <= 100.0 + 1e-6
    if all(b - a >= gap for a, b in pairwise(wanted)):
        assert places == pytest.approx(wanted)


def test_crossings_give_way_to_what_matters_more():
    marks = [StripMark(float(n), f"c{n}", "crossing") for n in range(10)]
    marks += [StripMark(5.5, "load 1 ends about here", "reload"), StripMark(2.5, "S Well", "area")]
    kept = marks_that_fit(marks, 4, 10.0)
    assert [one.name for one in kept if one.kind != "crossing"] == [
        "S Well",
        "load 1 ends about here",
    ]
    assert [one.at for one in kept] == sorted(one.at for one in kept)
    assert len(kept) == 4


def texts(lines: int) -> Texts:
    return Texts(
        when="2026-12-01 04:00 to 05:00",
        start="mi 0 is where the run begins: Main Street.",
        told=("Spread 2 lanes in one pass, 24 ft.",) * lines,
        alarms=(),
        memory="",
        weather=("light snow",),
    )


@pytest.mark.parametrize("paper", list(PAGE_PT))
def test_texts_get_smaller_before_the_strip_does(paper):
    few, many = arranged(texts(3), 1, 4, paper), arranged(texts(16), 2, 5, paper)
    assert not few.tight
    assert many.tight
    assert few.strip_pt > many.strip_pt > 100.0


def stretch(to_mi: float, feeder: float, from_mi: float, **more: object) -> SimpleNamespace:
    return SimpleNamespace(
        **{
            "to_mi": to_mi,
            "from_mi": from_mi,
            "feeder_pct": feeder,
            "speed_mph": 25.0,
            "lanes_per_pass": 2.0,
            "status": "ok",
            "control": "open_loop",
            "area_id": "",
            "from_name": f"road {from_mi:g}",
            "from_segment_id": "s",
            "rate_to_set_lb_per_lane_mile": float("nan"),
            "flow_gal_per_min": float("nan"),
            "setting_gal_per_min": float("nan"),
            **more,
        }
    )


def test_the_speed_is_part_of_the_setting_of_an_open_loop():
    run = [stretch(1, 40, 0), stretch(2, 40, 1, speed_mph=30.0), stretch(3, 40, 2, area_id="S1")]
    pieces = strip_pieces(run, US)
    assert [(one.mile, one.held, one.sensitive) for one in pieces] == [
        ("0.0", "25", False),
        ("1.0", "30", False),
        ("2.0", "25", True),
    ]


def test_speeds_that_nobody_could_hold_are_named_together():
    run = [stretch(1, 40, 0), stretch(1.1, 40, 1, speed_mph=30.0), stretch(3, 40, 1.1)]
    assert [(one.dial, one.held) for one in strip_pieces(run, US)] == [("40", "25–30")]


def test_neighbours_of_a_closed_loop_with_one_rate_are_one_piece():
    closed = {"control": "closed_loop", "rate_to_set_lb_per_lane_mile": 200.0}
    run = [stretch(1, 40, 0, **closed), stretch(2, 40, 1, speed_mph=30.0, **closed)]
    assert [(one.dial, one.held) for one in strip_pieces(run, US)] == [("200", "25–30")]


def test_lanes_are_named_where_they_change():
    run = [stretch(1, 40, 0), stretch(2, 40, 1, lanes_per_pass=1.0)]
    assert [one.held for one in strip_pieces(run, US)] == ["25, 2\u00a0lanes", "25, 1\u00a0lane"]


def test_a_stretch_without_setting_says_so():
    run = [stretch(1, 0, 0, status="uncalibrated"), stretch(2, 0, 1, status="untreated")]
    assert [one.dial for one in strip_pieces(run, US)] == ["no setting", "off"]
