"""Screening by hand: two readings, and no verdict where flow or background is not known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from spreadplan.frames import lines
from spreadplan.schema.policy import Policy
from spreadplan.season.chloride import area_shares, chloride_table, storm_loads
from spreadplan.season.use import season_use
from spreadplan.season.water import (
    ABOVE,
    AT_ONCE,
    BELOW,
    CRITERIA,
    NEAR,
    NOT_JUDGED,
    SPREAD,
    Criterion,
    screening_findings,
    screening_table,
)
from tests.said import said, words
from tests.season.season_tables import areas, assignments, materials, routes, storm

NAN = float("nan")
#: 28.316847 L in a cubic foot, 453,592.37 mg in a pound (NIST Handbook 44, appendix C)
MG_L_OF_LB_IN_CFS_HOUR = 453_592.37 / (28.316847 * 3600.0)
HOUR, DAY = Criterion("hour", 860.0, 1.0, "s"), Criterion("day", 860.0, 24.0, "s")
STORMS = [storm("s1", "2026-12-01"), storm("s2", "2026-12-03")]


def loads(*rows):
    """Rows of storm, lb and standard uncertainty in one area."""
    table = pd.DataFrame(list(rows), columns=["storm", "chloride_lb", "chloride_u_lb"])
    return table.assign(scope_id="W", name="Creek")


def creek(mean=NAN, low=NAN, background=NAN):
    return pd.DataFrame(
        {
            "area_id": ["W"],
            "name": ["Creek"],
            "mean_flow_cfs": [mean],
            "low_flow_cfs": [low],
            "background_mg_l": [background],
        }
    )


def times(**hours):
    """Storms a week apart that take so many hours."""
    made = []
    for number, (name, length) in enumerate(hours.items()):
        one = storm(name, f"2026-12-{1 + 7 * number:02d}")
        made.append(type(one)(**{**vars(one), "end": one.start + pd.Timedelta(hours=length)}))
    return made


def screened(area, rows, storms, criterion=HOUR):
    return screening_table(loads(*rows), area, storms, [criterion])


def one_storm(area, lb=708.0, u_lb=0.0, hours=10.0, criterion=HOUR):
    """A storm like the worst one of the sample county's bog: 708 lb in ten hours."""
    return screened(area, [("s1", lb, u_lb)], times(s1=hours), criterion).set_index("reading")


# --- the two readings --------------------------------------------------------------------------


def test_both_readings_stand_side_by_side_where_they_differ():
    """708 lb at 3.5 ft3/s: 90 mg/L over the ten hours of the storm, 900 mg/L within one."""
    found = one_storm(creek(mean=3.5))
    hour = 708.0 * MG_L_OF_LB_IN_CFS_HOUR / 3.5
    assert hour == pytest.approx(900.0, abs=1.0)
    assert found["concentration_mg_l"].to_dict() == pytest.approx(
        {SPREAD: hour / 10.0, AT_ONCE: hour}
    )
    assert found["window_h"].to_dict() == {SPREAD: 10.0, AT_ONCE: 1.0}
    assert found["share_of_limit"].to_dict() == pytest.approx(
        {SPREAD: hour / 8600.0, AT_ONCE: hour / 860.0}
    )


def test_one_row_where_the_storm_is_no_longer_than_the_averaging_time():
    found = one_storm(creek(mean=3.5), criterion=DAY)
    assert found.index.tolist() == [AT_ONCE]
    assert found["window_h"].tolist() == [24.0]


def test_each_reading_names_its_own_worst_storms():
    """More salt over a longer time: not the worst hour of the storm, but the most to go at once."""
    storms = times(short=5.0, long=20.0)
    found = screened(creek(mean=1.0), [("short", 500.0, 0.0), ("long", 900.0, 0.0)], storms)
    rows = found.set_index("reading")
    assert rows["storms"].to_dict() == {SPREAD: "short", AT_ONCE: "long"}
    assert rows.loc[AT_ONCE, "concentration_mg_l"] == pytest.approx(900.0 * MG_L_OF_LB_IN_CFS_HOUR)
    assert rows.loc[SPREAD, "concentration_mg_l"] == pytest.approx(100.0 * MG_L_OF_LB_IN_CFS_HOUR)


def test_storms_within_the_averaging_time_count_together():
    use = season_use(STORMS, assignments())
    ground = areas()
    shares = area_shares(routes(), ground, Policy())
    table = chloride_table(use, materials(), shares, ground, "2026-27", 0.95)
    found = screening_table(storm_loads(table), ground, STORMS)
    assert set(found["area_id"]) == {"W1"}  # the other area states no flow
    assert set(found["criterion"]) == {one.name for one in CRITERIA}
    chronic = found[found["criterion"] == "EPA, chronic"].iloc[0]
    assert chronic["storms"] == "s1; s2"
    assert chronic["load_lb"] == pytest.approx(10_800.0)
    level = 10_800.0 * MG_L_OF_LB_IN_CFS_HOUR / (2.0 * 96.0)
    assert chronic["concentration_mg_l"] == pytest.approx(level)
    acute = found[found["criterion"] == "EPA, acute"].set_index("reading")
    assert acute["load_lb"].to_dict() == pytest.approx({SPREAD: 5400.0, AT_ONCE: 5400.0})
    assert acute["window_h"].to_dict() == {SPREAD: 6.0, AT_ONCE: 1.0}
    assert all(one.averaging_h > 0 for one in CRITERIA)


# --- what it is judged by ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("area", "lacking"),
    [
        (creek(mean=3.5), "at mean flow, on top of none: low flow and background are not known"),
        (creek(mean=3.5, low=1.0), "at low flow, on top of none: background is not known"),
        (
            creek(mean=3.5, background=20.0),
            "at mean flow, on top of the background: low flow is not known",
        ),
    ],
)
@pytest.mark.parametrize("lb", [1.0, 200.0, 708.0])
def test_nothing_is_called_below_without_low_flow_and_background(area, lacking, lb):
    found = one_storm(area, lb)
    assert set(found["screening"]) == {NOT_JUDGED}
    assert {words(one) for one in found["basis"]} == {lacking}


def test_what_is_above_even_at_mean_flow_on_top_of_none_is_called_so():
    """Low flow and background can only raise it: 7,080 lb are 900 mg/L for ten hours."""
    assert set(one_storm(creek(mean=3.5), 7080.0)["screening"]) == {ABOVE}


def test_low_flow_and_background_go_into_the_figures():
    found = one_storm(creek(mean=3.5, low=0.7, background=20.0))
    hour = 708.0 * MG_L_OF_LB_IN_CFS_HOUR / 0.7
    assert found["concentration_mg_l"].to_dict() == pytest.approx(
        {SPREAD: 20.0 + hour / 10.0, AT_ONCE: 20.0 + hour}
    )
    assert {words(one) for one in found["basis"]} == {"at low flow, on top of the background"}


def test_verdicts_of_a_water_that_is_known():
    known = creek(mean=9.0, low=3.5, background=0.0)
    assert set(one_storm(known, 500.0)["screening"]) == {BELOW}
    assert set(one_storm(known, 708.0)["screening"]) == {NEAR}  # only if all comes within the hour
    assert set(one_storm(known, 670.0)["screening"]) == {BELOW}  # 852 mg/L
    assert set(one_storm(known, 670.0, u_lb=10.0)["screening"]) == {NEAR}  # its upper end
    assert set(one_storm(known, 7080.0)["screening"]) == {ABOVE}
    assert set(one_storm(creek(low=3.5, background=861.0), 1.0)["screening"]) == {ABOVE}
    assert set(one_storm(creek(low=3.5, background=0.0), 500.0)["screening"]) == {BELOW}


def test_a_water_without_any_flow_is_left_out_and_that_is_said():
    found = screened(creek(background=5.0), [("s1", 708.0, 0.0)], times(s1=10.0))
    assert len(found) == 0
    (only,) = map(said, screening_findings(found))
    assert only.what == "no water was screened: no sensitive area states a flow"


def test_findings_give_both_figures_and_say_what_was_not_judged():
    found = screened(creek(mean=3.5), [("s1", 708.0, 0.0)], times(s1=10.0))
    (only,) = map(said, screening_findings(found))
    assert (only.severity, only.subject) == ("caution", "water W Creek")
    assert only.what == (
        "not judged: 90 mg/L spread over the storm (10 h), 900 mg/L all within the averaging time "
        "(1 h), against 860 mg/L (hour, 1 h average); at mean flow, on top of none: low flow and "
        "background are not known"
    )
    (quiet,) = map(said, screening_findings(one_storm(creek(mean=3.5), 10.0).reset_index()))
    assert (quiet.severity, quiet.subject) == ("note", "water")
    assert "W Creek" in quiet.what
    assert screening_findings(one_storm(creek(low=3.5, background=0.0), 10.0).reset_index()) == []


@pytest.mark.slow
def test_the_readings_are_the_same_rule_at_every_criterion():
    """Whatever the storms: within one averaging time is never less than spread over the storm."""
    rng = np.random.default_rng(7)
    storms = times(a=3.0, b=30.0, c=9.0, d=140.0)
    for _ in range(20):
        rows = [
            (one.storm, float(lb), 0.0)
            for one, lb in zip(storms, rng.uniform(1.0, 2000.0, 4), strict=True)
        ]
        for criterion in CRITERIA:
            found = screened(creek(mean=2.0), rows, storms, criterion)
            levels = {row.reading: row.concentration_mg_l for row in lines(found)}
            assert levels[AT_ONCE] == pytest.approx(
                max(lb for _, lb, _ in rows) * MG_L_OF_LB_IN_CFS_HOUR / 2 / criterion.averaging_h
            )
            assert levels.get(SPREAD, levels[AT_ONCE]) <= levels[AT_ONCE] * (1 + 1e-12)
            assert len(set(found["screening"])) == 1
