"""What is saved: by hand, and without counting twice."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from spreadplan.frames import lines
from spreadplan.materials import is_salt
from spreadplan.schema.policy import Policy
from spreadplan.season.chloride import area_shares
from spreadplan.season.savings import (
    ALREADY,
    AREAS,
    BORROWED,
    CALIBRATION,
    MEASURED,
    PREWETTING,
    TO_GAIN,
    savings,
)
from spreadplan.season.savings import PLANNED as NOT_MEASURED
from spreadplan.season.use import PLANNED, StormOfSeason, season_use
from tests.said import US
from tests.season.season_tables import areas, assignments, materials, routes, storm

NAN = float("nan")
STORMS = [storm("s1", "2026-12-01"), storm("s2", "2026-12-09")]


def judged(storms=STORMS):
    return pd.concat([one.segments.assign(storm=one.storm) for one in storms])


def planned(rate_in_area: float = 100.0) -> pd.DataFrame:
    """One round a storm on R1: 10 lane-miles at 200, 5 of an area at less."""
    return pd.DataFrame(
        {
            "storm": ["s1", "s1"],
            "application": "1",
            "route_id": "R1",
            "material": "salt",
            "area_id": ["", "S1"],
            "lane_miles": [10.0, 5.0],
            "target_rate_lb_per_lane_mile": [200.0, rate_in_area],
        }
    )


def by_material(storms=STORMS, plan=None, segments=None, goods=None, given=None):
    given = assignments() if given is None else given
    use = season_use(storms, given)
    ground = areas().iloc[:1]
    shares = area_shares(routes(), ground, Policy())
    rows = judged(storms) if segments is None else segments
    found = savings(use, rows, plan, shares, given, materials() if goods is None else goods)
    return found.set_index(["state", "practice", "material"])


def table(**changes):
    """Where there is only salt."""
    return by_material(**changes).droplevel("material")


def mixed() -> list[StormOfSeason]:
    """The same two storms with R1 on a mix of sand and salt instead of salt."""
    found = []
    for one in STORMS:
        changed = {
            name: frame.assign(material=frame["material"].where(frame["route_id"] != "R1", "mix"))
            for name, frame in (("parts", one.parts), ("segments", one.segments))
        }
        found.append(replace(one, **changed))
    return found


def with_mix(**cells) -> pd.DataFrame:
    """The materials and a mix with a quarter of salt in it."""
    mix = materials().iloc[[0]].assign(material="mix", chloride_fraction=0.145, cost_per_ton=38.0)
    return pd.concat([materials(), mix.assign(**cells)], ignore_index=True)


def test_calibrated_rates_by_hand():
    """T1 puts down 12,000 lb where it reports 10,800; T2 what it reports."""
    row = table().loc[(TO_GAIN, CALIBRATION)]
    assert row["saved_ton"] == pytest.approx(0.6, abs=0.02)
    # all of the uncertainty of the true mass
    u = np.sqrt(180**2 + 360**2 + 120**2 + 2 * 50**2) / 2000
    assert row["saved_hi_ton"] - row["saved_lo_ton"] == pytest.approx(2 * 1.96 * u, rel=0.05)
    assert row["money"] == pytest.approx(80.0 * row["saved_ton"])


def test_areas_count_only_what_calibration_leaves():
    """R1-a touches the area: reported 3,600 a storm, 3,000 allowed. Its true mass of 4,000 lies
    1,000 above, but 400 of that is the truck's error and was counted before."""
    rows = judged()
    rows.loc[rows["segment_id"] == "a", "allowed_lb"] = 3000.0
    assert table(segments=rows).loc[(TO_GAIN, AREAS), "saved_ton"] == pytest.approx(0.6, abs=0.005)
    assert table().loc[(TO_GAIN, AREAS), "saved_ton"] == pytest.approx(0.0)


def test_prewetting_counts_only_dry_routes_and_what_is_left():
    rows = judged()
    rows.loc[rows["segment_id"] == "a", "allowed_lb"] = 3000.0
    row = table(segments=rows).loc[(TO_GAIN, PREWETTING)]
    left = (10_800 - 1200) / 2000
    assert row["saved_ton"] == pytest.approx(0.25 * left, rel=0.01)
    assert row["saved_lo_ton"] == pytest.approx(0.2025 * left, rel=0.02)
    assert row["saved_hi_ton"] == pytest.approx(0.2975 * left, rel=0.02)


def test_steps_add_up_to_the_way_from_today_to_the_best():
    rows = judged()
    rows.loc[rows["segment_id"] == "a", "allowed_lb"] = 3000.0
    total = table(segments=rows).loc[TO_GAIN, "saved_ton"].sum()
    true, best = 18_000 / 2000, ((10_800 - 1200) * 0.75 + 6000) / 2000
    assert total == pytest.approx(true - best, abs=0.03)


def test_what_prewetting_saves_already():
    """R2 took 3 tons prewetted; dry it would have taken 3 / (1 - 0.2 ... 0.3)."""
    row = table().loc[(ALREADY, PREWETTING)]
    assert row["saved_ton"] == pytest.approx(3.0 * (np.log(0.8 / 0.7) / 0.1 - 1.0), rel=0.01)
    assert row["base_ton"] == pytest.approx(3.0, rel=0.01)


def test_what_lower_rates_save_already():
    """5 lane-miles at 100 less than the rest of the route: 500 lb, if the driver did lower it."""
    row = table(plan=planned()).loc[(ALREADY, AREAS)]
    assert row["saved_ton"] == pytest.approx(0.125, abs=0.005)
    assert row["saved_lo_ton"] == pytest.approx(0.025 * 0.25, abs=0.003)
    assert row["saved_hi_ton"] == pytest.approx(0.975 * 0.25, abs=0.003)
    assert (ALREADY, AREAS) not in table().index


def test_two_runs_give_the_same_figures():
    pd.testing.assert_frame_equal(table(), table())


def test_planned_storms_save_nothing():
    storms = [storm("s1", "2026-12-01", source=PLANNED)]
    assert len(by_material(storms)) == 0


def test_a_truck_that_puts_down_too_little_will_use_more():
    less = [storm("s1", "2026-12-01")]
    less[0].parts["applied_lb"] = 0.9 * less[0].parts["reported_lb"]
    assert table(storms=less).loc[(TO_GAIN, CALIBRATION), "saved_ton"] < 0.0


# --- what a borrowed percentage is about, and what it costs --------------------------------------


def test_prewetting_saves_salt_and_not_the_sand_in_a_mix():
    found = by_material(mixed(), goods=with_mix())
    borrowed = found[found["known"] == BORROWED]
    assert set(borrowed.index.get_level_values("material")) == {"salt"}
    assert (TO_GAIN, PREWETTING, "mix") not in found.index
    # nor is a mix that is prewetted credited with what it "already" saved
    wet = assignments().assign(material=["mix", "salt"], prewet_gal_per_ton=[10.0, 10.0])
    again = by_material(mixed(), goods=with_mix(), given=wet)
    assert (ALREADY, PREWETTING, "mix") not in again.index
    assert again.loc[(ALREADY, PREWETTING, "salt"), "base_ton"] == pytest.approx(3.0, rel=0.01)


@pytest.mark.parametrize(
    ("cells", "salt"),
    [
        ({"chloride_fraction": NAN, "chemical": "NaCl"}, True),
        ({"chloride_fraction": 0.59, "chemical": ""}, True),
        ({"chloride_fraction": 0.3, "chemical": "NaCl"}, False),
        ({"chloride_fraction": NAN, "chemical": "none"}, False),
        ({"chloride_fraction": NAN, "chemical": ""}, False),
        ({"chloride_fraction": 0.5, "chemical": "CaCl2"}, False),
        ({"chloride_fraction": NAN, "chemical": "NaCl", "kind": "liquid"}, False),
    ],
)
def test_what_counts_as_salt(cells, salt):
    row = materials().iloc[[0]].assign(**cells)
    assert is_salt(next(lines(row))) is salt


def test_tons_of_different_materials_are_never_added_up():
    """R1's mix: 12,000 lb true against 10,800 lb reported; R2's salt: as reported."""
    found = by_material(mixed(), goods=with_mix())
    mix, salt = (found.loc[(TO_GAIN, CALIBRATION, name)] for name in ("mix", "salt"))
    assert mix["saved_ton"] == pytest.approx(0.6, abs=0.02)
    assert salt["saved_ton"] == pytest.approx(0.0, abs=0.02)
    assert (mix["base_ton"], salt["base_ton"]) == pytest.approx((6.0, 3.0), rel=0.01)
    assert mix["money"] == pytest.approx(38.0 * mix["saved_ton"])


def test_the_liquid_is_a_cost():
    """R1 dry: 5.4 tons reported, a quarter saved; 10 gal of brine at 0.50 on each ton left."""
    row = table().loc[(TO_GAIN, PREWETTING)]
    assert row["liquid_gal"] == pytest.approx(10.0 * 0.75 * 5.4, rel=0.01)
    assert row["money"] == pytest.approx(80.0 * row["saved_ton"] - 0.5 * row["liquid_gal"])
    already = table().loc[(ALREADY, PREWETTING)]
    assert already["liquid_gal"] == pytest.approx(30.0, rel=0.01)
    assert already["money"] == pytest.approx(80.0 * already["saved_ton"] - 15.0, rel=0.01)
    assert (table().loc[(TO_GAIN, CALIBRATION), ["liquid_gal"]] == 0.0).all()


def test_without_a_price_of_the_liquid_no_money_is_promised():
    unpriced = materials().assign(cost_per_gal=NAN)
    brine = materials().iloc[[2]].assign(material="other")
    two = pd.concat([materials(), brine], ignore_index=True)  # nobody records which of them
    for goods in (unpriced, two, materials().iloc[:2]):
        found = table(goods=goods)
        assert found.loc[(TO_GAIN, PREWETTING), ["money", "money_lo", "money_hi"]].isna().all()
        assert found.loc[(TO_GAIN, PREWETTING), "saved_ton"] > 0.0
        assert found.loc[(TO_GAIN, CALIBRATION), "money"] == pytest.approx(48.0, abs=2.0)


def test_an_agency_that_prewets_nothing_takes_a_published_rate_of_liquid():
    """MaineDOT Treatment Recommendations, Table A: 10 gal a ton."""
    dry = assignments().assign(prewet_gal_per_ton=0.0)
    row = by_material(given=dry).loc[(TO_GAIN, PREWETTING, "salt")]
    assert row["liquid_gal"] == pytest.approx(10.0 * (row["base_ton"] - row["saved_ton"]))
    assert "MaineDOT" in US.say(row["basis"])
    own = assignments().assign(prewet_gal_per_ton=[0.0, 7.0])
    row = by_material(given=own).loc[(TO_GAIN, PREWETTING, "salt")]
    assert row["liquid_gal"] == pytest.approx(7.0 * (row["base_ton"] - row["saved_ton"]))
    assert "7 gal/ton, as the prewetted routes are" in US.say(row["basis"])


def test_measured_and_borrowed_are_told_apart():
    known = table(plan=planned())["known"]
    assert known[(TO_GAIN, CALIBRATION)] == known[(TO_GAIN, AREAS)] == MEASURED
    assert known[(ALREADY, AREAS)] == NOT_MEASURED
    assert known[(TO_GAIN, PREWETTING)] == known[(ALREADY, PREWETTING)] == BORROWED
