"""Which changes of setting stand on which page, and in which print."""

from __future__ import annotations

from itertools import pairwise
from types import SimpleNamespace
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from spreadplan.reports.cab_card import _intervals
from spreadplan.reports.cab_layout import Needs, arrange
from spreadplan.views.display import Display

US = Display("us", ZoneInfo("UTC"))
needs = st.builds(Needs, st.just(1), st.integers(0, 200), st.integers(0, 3), st.integers(0, 9))


@given(st.lists(needs, min_size=1, max_size=5), st.sampled_from(["letter", "A4"]))
def test_no_change_is_ever_left_off(apart, paper):
    together = Needs(
        len(apart),
        max(one.changes for one in apart),
        max(one.speeds for one in apart),
        sum(one.lines for one in apart),
    )
    pages = arrange(together, apart, paper, 1)
    blocks = [together] if pages[0].together else apart
    for number, block in enumerate(blocks):
        mine = [page for page in pages if page.block == number]
        assert mine[0].first == 0
        assert mine[-1].last == block.changes
        assert all(one.last == after.first for one, after in pairwise(mine))


def test_few_changes_are_printed_larger_than_many():
    few, many = (arrange(Needs(1, n, 0, 2), [Needs(1, n, 0, 2)], "letter", 0) for n in (3, 25))
    assert few[0].size.row_pt > many[0].size.row_pt
    assert len(few) == len(many) == 1


def stretch(to_mi: float, feeder: float, from_mi: float, **more: object) -> SimpleNamespace:
    return SimpleNamespace(
        **{
            "to_mi": to_mi,
            "from_mi": from_mi,
            "feeder_pct": feeder,
            "speed_mph": 25.0,
            "status": "ok",
            "control": "open_loop",
            "area_id": "",
            "from_name": f"road {from_mi:g}",
            "from_segment_id": "s",
            "rate_to_set_lb_per_lane_mile": float("nan"),
            **more,
        }
    )


def test_a_line_begins_where_any_application_changes():
    one = [stretch(2, 40, 0), stretch(5, 50, 2)]
    other = [stretch(3, 20, 0), stretch(5, 30, 3)]
    changes = _intervals([one, other], US)
    assert [(change.mile, change.dials) for change in changes] == [
        ("0.0", ("40", "20")),
        ("2.0", ("50", "20")),
        ("3.0", ("50", "30")),
    ]
    assert changes[2].road == "road 3"


def test_neighbours_with_the_same_setting_are_one_line():
    run = [stretch(1, 40, 0), stretch(2, 40, 1, speed_mph=30.0), stretch(3, 40, 2, area_id="S1")]
    changes = _intervals([run], US)
    assert [(change.speed, change.sensitive) for change in changes] == [
        ("25–30", False),
        ("25", True),
    ]


def test_a_stretch_without_setting_says_so():
    run = [stretch(1, 0, 0, status="uncalibrated"), stretch(2, 0, 1, status="untreated")]
    assert [change.dials for change in _intervals([run], US)] == [("no setting",), ("off",)]
