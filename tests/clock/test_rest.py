"""The rest of a storm begins where the storm stands: its clock is followed again, row by row."""

from __future__ import annotations

import csv
from datetime import datetime
from pathlib import Path

import pandas as pd
import pytest

from spreadplan import cli
from spreadplan.errors import BadInput
from spreadplan.planning.rest_made import made_of
from spreadplan.reports.cab_card import _marks
from spreadplan.runs import issue, plan, plan_rest
from spreadplan.runs.rest_of_storm import rest_of_storm
from spreadplan.views.setting import voice_of
from spreadplan.views.words import TERMS
from tests.clock.small_storm import QUIET, write

AT = "2026-12-01T04:50"
CAPACITY = {"T1": 9000.0, "T2": 6000.0}
HEAD = "time,what,truck_id,route_id,application,value_lb,yard_id,material,note\n"
LOG = (
    HEAD + "2026-12-01T04:30,route_done,T2,R2,1,,,,\n"
    "2026-12-01T04:40,hopper,T2,,,2500,,salt,\n"
    "2026-12-01T04:45,stock,,,,40000,Y1,salt,\n"
    "2026-12-01T04:48,truck_out,T1,,,,,,hydraulics\n"
)


def storm(folder: Path, log: str = LOG, **files: str) -> Path:
    return write(folder, **{"storms__s1__log": log, **files})


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    place = storm(tmp_path_factory.mktemp("rest"))
    plan_rest(place, "s1", AT, QUIET)
    return place


def table(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / f"results/s1/{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def follow(rows: list[dict[str, str]], hopper: float, capacity: float) -> float:
    """Follow the rows of one truck from what lies in its hopper; what is left in the end."""
    before = None
    for row in rows:
        start, end = (datetime.fromisoformat(row[name]) for name in ("start", "end"))
        assert before is None or start == before, "a gap or an overlap"
        assert end >= start
        before, lb = end, float(row["lb"])
        if row["activity"] == "spread":
            assert lb <= hopper + 0.01, "salt from nowhere"
            hopper -= lb
        elif row["activity"] == "load":
            hopper += lb
        assert -0.01 <= hopper <= capacity + 0.01
    return hopper


def test_the_clock_begins_with_what_lies_in_the_hopper_and_not_before(folder):
    rows = table(folder, "plan_clock")
    assert {row["truck_id"] for row in rows} == {"T2"}
    first = datetime.fromisoformat(min(row["start"] for row in rows))
    assert first >= datetime.fromisoformat(f"{AT}-06:00")
    follow(rows, 2500.0, CAPACITY["T2"])


def test_the_hopper_counts(folder):
    """Followed from an empty hopper it would have to come from nowhere, or stay below full."""
    rows = table(folder, "plan_clock")
    loads = [row for row in rows if row["activity"] == "load"]
    assert float(loads[0]["lb"]) == pytest.approx(CAPACITY["T2"] - 2500.0, abs=0.1)


def test_what_is_done_is_not_treated_again_in_its_application(folder):
    planned = {(row["application"], row["route_id"]) for row in table(folder, "plan_segments")}
    assert ("1", "R2") not in planned
    assert {("1", "R3"), ("2", "R2")} <= planned
    assert ("1", "R2") not in {
        (row["application"], row["route_id"]) for row in table(folder, "plan_clock")
    }


def test_ways_out_are_side_by_side_with_doing_nothing_first(folder):
    options = table(folder, "plan_options")
    assert list(options[0]) == [
        "option",
        "late_lane_miles",
        "late_min",
        "untreated_lane_miles",
        "lb",
        "hours",
    ]
    assert options[0]["option"] == "as_assigned"
    # what the truck that is out had is left bare where nothing is done
    assert float(options[0]["untreated_lane_miles"]) > 0.0
    clock = table(folder, "plan_clock")
    spread = sum(float(row["lb"]) for row in clock if row["activity"] == "spread")
    taken = {row["option"]: row for row in options}
    assert spread in [pytest.approx(float(row["lb"]), rel=1e-4) for row in taken.values()]


def test_a_counted_yard_counts(folder):
    yard = next(
        row
        for row in table(folder, "plan_yards")
        if (row["yard_id"], row["material"]) == ("Y1", "salt")
    )
    assert float(yard["on_hand_ton"]) == pytest.approx(20.0)


def test_without_records_and_log_the_clock_of_the_plan_says_what_is_done(tmp_path):
    rest = rest_of_storm(storm(tmp_path, HEAD), "s1", "2026-12-01T06:30", QUIET)
    assert "known_by_the_clock" in set(rest.findings["code"])
    assert set(rest.trucks["known_by"]) == {"clock"}
    times = rest.plan_now.times
    due = times[(times["treated_at"] <= rest.at)]
    assert len(due)
    keys = ["application", "route_id", "segment_id"]
    left = set(rest.plan.segments[keys].itertuples(index=False, name=None))
    assert not left & set(due[keys].itertuples(index=False, name=None))
    whole = set(times[keys].itertuples(index=False, name=None))
    assert left < whole


def test_only_cards_that_differ_are_new_and_say_which_they_replace(tmp_path):
    folder = storm(tmp_path)
    issue(folder, "s1", QUIET, at="2026-12-01T03:00")
    made = issue(folder, "s1", QUIET, at=AT)
    assert made.number == 2
    rest = rest_of_storm(folder, "s1", "2026-12-01T04:55", QUIET)
    assert rest.in_force == 2
    assert not rest.cards["changed"].any(), "nothing happened since the issue"
    cards = [name for name in made.files if name.startswith("cab_cards/") and "html" in name]
    for name in cards:
        text = (folder / "storms/s1/issued/2" / name).read_text(encoding="utf-8")
        assert "issue 2, replaces the card of issue 1" in text
    before = rest_of_storm(folder, "s1", "2026-12-01T04:49", QUIET)
    assert before.in_force == 1
    assert len(cards) == int(before.cards["changed"].sum())


@pytest.mark.parametrize("at", ["2026-12-03T04:00", "soon", "2025-12-01T04:00"])
def test_a_time_outside_the_storm_is_one_clear_line(tmp_path, at, capsys):
    folder = storm(tmp_path)
    assert cli.main(["plan", str(folder), "s1", "--at", at, "--no-pdf"]) == 2
    said = [line for line in capsys.readouterr().err.splitlines() if "--at" in line]
    assert len(said) == 1
    assert not (folder / "results").exists() or not list((folder / "results").rglob("*.csv"))


def test_a_route_done_twice_and_an_unknown_way_out_are_refused(tmp_path):
    folder = storm(tmp_path, LOG + "2026-12-01T04:49,route_done,T2,R2,1,,,,\n")
    with pytest.raises(BadInput, match="done already in row 2"):
        rest_of_storm(folder, "s1", AT, QUIET)
    folder = storm(tmp_path / "b")
    with pytest.raises(BadInput, match="is no way out"):
        rest_of_storm(folder, "s1", AT, QUIET, "magic")


@pytest.mark.parametrize(("until", "said"), [("04:47", True), ("04:32", False)])
def test_a_truck_that_is_out_by_the_log_and_spreads_by_its_records(tmp_path, until, said):
    """The log is written by hand: some minutes after it are no contradiction."""
    log = HEAD + "2026-12-01T04:30,truck_out,T1,,,,,,hydraulics\n"
    times = pd.date_range("2026-12-01T04:10", f"2026-12-01T{until}", freq="20s")
    lons = [-94.0 + 0.0002 * at for at in range(len(times))]
    records = "truck_id,time,lon,lat,speed_mph,spreading,feed_total_lb\n" + "".join(
        f"T1,{time.isoformat()},{lon:.5f},46.0,20,1,{10 * at}\n"
        for at, (time, lon) in enumerate(zip(times, lons, strict=True))
    )
    folder = storm(tmp_path, log, storms__s1__telemetry__t1=records)
    rest = rest_of_storm(folder, "s1", AT, QUIET)
    found = rest.findings[rest.findings["code"] == "out_and_driving"]
    assert len(found) == said
    assert rest.known.rest.out == {"T1"}
    if said:
        page = merged_words(rest)
        assert "is out since 2026-12-01 04:30 by the log" in page
        assert "until 2026-12-01 04:47" in page
        assert "truck_back" in page


def merged_words(rest) -> str:
    """All that is said about the rest of a storm, in words."""
    voice = voice_of(rest.workspace.settings, rest.workspace.table("materials"))
    return "\n".join(voice.table(rest.findings).astype(str).agg(" ".join, axis=1))


def treated(*rows: tuple[str, str, float]) -> pd.DataFrame:
    zero = pd.Timestamp("2026-12-01T10:00Z").timestamp()
    frame = pd.DataFrame(rows, columns=["segment_id", "at", "passes"])
    return pd.DataFrame(
        {
            "route_id": "R",
            "segment_id": frame["segment_id"],
            "time_s": zero + 60.0 * frame["at"],
            "passes": frame["passes"],
            "truck_id": "T",
        }
    )


RUNS = pd.DataFrame(
    {
        "application": ["1", "2"],
        "route_id": "R",
        "truck_id": "T",
        "begins": pd.to_datetime(["2026-12-01T10:00Z", "2026-12-01T13:00Z"]),
        "planned_at": pd.to_datetime(["2026-12-01T11:00Z", "2026-12-01T13:10Z"]),
    }
)
SEGMENTS = pd.DataFrame({"route_id": "R", "segment_id": ["a", "b"], "passes": [1, 2]})


def test_a_late_run_stays_in_its_round_when_the_next_has_begun():
    made = made_of(treated(("a", 170, 1.0), ("b", 185, 2.0)), RUNS, SEGMENTS)
    assert list(made["application"]) == ["1", "1"]
    assert list(made["share"]) == [1.0, 1.0]


def test_what_is_treated_again_is_of_the_next_round_and_a_skipped_end_is_not_made_up():
    made = made_of(treated(("a", 60, 1.0), ("a", 195, 1.0), ("b", 200, 1.0)), RUNS, SEGMENTS)
    found = made.set_index(["application", "segment_id"])["share"].to_dict()
    assert found == {("1", "a"): 1.0, ("2", "a"): 1.0, ("2", "b"): 0.5}


def test_a_card_of_the_rest_has_the_landmarks_that_it_has_before_the_storm(tmp_path):
    """A route that is done in the first round, and crosses roads that are done, keeps its marks."""
    folder = storm(tmp_path, HEAD + "2026-12-01T04:30,route_done,T2,R2,1,,,,\n")
    yards = pd.read_csv(folder / "yards.csv")
    whole = rest_of_storm(storm(tmp_path / "whole", HEAD), "s1", "2026-12-01T03:00", QUIET)
    before = _marks(whole.plan, yards)
    after = _marks(rest_of_storm(folder, "s1", AT, QUIET).plan, yards)
    assert ("1", "R2") not in after
    assert len(before["2", "R2"])
    for run in (("2", "R2"), ("1", "R1")):
        pd.testing.assert_frame_equal(
            after[run].reset_index(drop=True), before[run].reset_index(drop=True)
        )


def test_nobody_gets_a_card_of_what_stays_with_a_truck_that_is_out(folder):
    rest = rest_of_storm(folder, "s1", AT, QUIET, "as_assigned")
    assert "T1" in set(rest.plan.segments["truck_id"])
    assert set(rest.cards["truck_id"]) == {"T2"}


def test_the_report_of_the_rest_sets_the_ways_out_side_by_side(folder, tmp_path):
    page = (folder / "results/s1/plan_report.html").read_text(encoding="utf-8")
    assert "Rest of the storm" in page
    assert "the rest of the storm as known at 2026-12-01 04:50" in page
    words = TERMS["rest_option"]
    options = table(folder, "plan_options")
    assert options
    for row in options:
        said = words[row["option"]].words
        assert said[0].upper() + said[1:] in page
    assert page.count("<td>taken</td>") == 1
    whole = write(tmp_path / "whole")
    plan(whole, "s1", QUIET)
    before = (whole / "results/s1/plan_report.html").read_text(encoding="utf-8")
    assert "Ways out" not in before
    assert "Storm plan" in before
