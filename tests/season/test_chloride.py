"""Chloride of a season by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spreadplan.frames import lines
from spreadplan.materials import chloride_fraction
from spreadplan.schema.policy import Policy
from spreadplan.season.chloride import (
    area_shares,
    chloride_table,
    fractions,
    prewet_chloride_lb,
    without_chloride,
)
from spreadplan.season.use import season_use
from spreadplan.season.water import concentration_mg_l, load_lb, season_concentration
from tests.said import words
from tests.season.season_tables import (
    START,
    areas,
    assignments,
    materials,
    routes,
    storm,
)

NAN = float("nan")
STORMS = [storm("s1", "2026-12-01"), storm("s2", "2026-12-03")]


def material(**changes):
    row = dict(next(lines(materials()))._asdict()) | {"chloride_fraction": NAN} | changes
    return next(lines(pd.DataFrame([row])))


def table(**changes):
    use = season_use(STORMS, assignments())
    ground = areas(**changes)
    shares = area_shares(routes(), ground, Policy())
    return chloride_table(use, materials(), shares, ground, "2026-27", 0.95)


def test_a_stated_fraction_is_taken_as_it_is():
    found = chloride_fraction(material(chloride_fraction=0.588))
    assert (found.value, found.u) == (0.588, 0.0)


def test_purity_and_moisture_that_are_not_stated_are_ranges():
    stated = chloride_fraction(material(moisture_pct=2.0))
    assert stated.value == pytest.approx(0.6066 * 0.975 * 0.98, rel=1e-4)
    assert stated.u / stated.value == pytest.approx(0.05 / np.sqrt(12) / 0.975)
    silent = chloride_fraction(material(moisture_pct=NAN))
    assert silent.value == pytest.approx(0.6066 * 0.975 * 0.99, rel=1e-4)
    assert silent.u > stated.u


def test_what_cannot_be_known_is_not_guessed():
    assert chloride_fraction(material(chemical="none")).value == 0.0
    for other in ({"chemical": ""}, {"kind": "liquid"}, {"chemical": "CaCl2"}):
        found = chloride_fraction(material(**other))
        assert np.isnan(found.value)
        assert "state" in words(found.basis)


def test_season_and_storms_by_hand():
    """18,000 lb of salt at 0.6; R1 takes two thirds of it."""
    rows = table().set_index(["scope", "scope_id", "storm"])
    assert rows.loc[("agency", "", ""), "chloride_lb"] == pytest.approx(10_800.0)
    assert rows.loc[("agency", "", "s1"), "chloride_lb"] == pytest.approx(5400.0)
    assert rows.loc[("route", "R1", ""), "chloride_lb"] == pytest.approx(7200.0)
    u = 0.6 * np.sqrt((2 * 60) ** 2 + (2 * 180) ** 2 + 2 * (30**2 + 40**2))
    assert rows.loc[("route", "R1", ""), "chloride_u_lb"] == pytest.approx(u)
    assert rows.loc[("watershed", "W1", ""), "chloride_lb"] == pytest.approx(10_800.0)


def test_share_of_an_area_lies_between_the_two_readings():
    """S1 holds half of R1-a: half of its salt at one rate, a third if the rate was halved there."""
    shares = area_shares(routes(), areas(), Policy()).set_index("area_id")
    assert shares.loc["S1", "share"] == pytest.approx((1 / 2 + 1 / 3) / 2, rel=1e-3)
    assert shares.loc["S1", "share_u"] == pytest.approx((1 / 2 - 1 / 3) / np.sqrt(12), rel=1e-2)
    assert shares.loc["W1", "share"].tolist() == pytest.approx([1.0, 1.0, 1.0])
    rows = table().set_index(["scope_id", "storm"])
    assert rows.loc[("S1", ""), "chloride_lb"] == pytest.approx(0.6 * 8000 * 5 / 12, rel=1e-3)
    # the share of a segment is as unknown in every storm: it does not average out
    assert rows.loc[("S1", ""), "chloride_u_lb"] > 0.6 * 8000 * 0.04


def test_a_plan_tells_how_far_the_rate_was_to_be_lowered():
    """Of 400 lb planned on R1-a 100 lie in S1: a quarter at the least, half at one rate."""
    planned = pd.DataFrame(
        {
            "route_id": "R1",
            "segment_id": "a",
            "area_id": ["", "S1; W1"],
            "mass_lb": [300.0, 100.0],
        }
    )
    shares = area_shares(routes(), areas(), Policy(), planned).set_index("area_id")
    assert shares.loc["S1", "share"] == pytest.approx((1 / 2 + 1 / 4) / 2, rel=1e-3)
    assert shares.loc["S1", "share_u"] == pytest.approx((1 / 2 - 1 / 4) / np.sqrt(12), rel=1e-2)


@pytest.mark.slow
def test_verdict_on_a_seasons_limit():
    def season_row(limit):
        rows = table(chloride_limit_lb=[limit, NAN])
        return rows[(rows["scope_id"] == "S1") & (rows["storm"] == "")].iloc[0]

    assert season_row(1000.0)["verdict"] == "over"
    assert season_row(1950.0)["verdict"] == "probably_over"
    assert season_row(3000.0)["verdict"] == "within"
    assert 0.5 < season_row(1950.0)["p_over"] < 0.95
    rows = table()
    assert set(rows.loc[rows["scope"] == "watershed", "verdict"]) == {"no limit"}
    assert rows.loc[rows["storm"] != "", "limit_lb"].isna().all()


def test_a_material_without_chloride_is_named():
    bare = materials().assign(chloride_fraction=NAN, chemical="")
    use = season_use(STORMS, assignments())
    found = without_chloride(use, fractions(bare))
    assert found["material"].tolist() == ["salt"]
    assert found["used_ton"].tolist() == pytest.approx([9.0])
    shares = area_shares(routes(), areas(), Policy())
    assert len(chloride_table(use, bare, shares, areas(), "2026-27", 0.95)) == 0


def test_no_areas_leaves_agency_and_routes():
    use = season_use(STORMS, assignments())
    shares = area_shares(routes(), None, Policy())
    found = chloride_table(use, materials(), shares, None, "2026-27", 0.95)
    assert set(found["scope"]) == {"agency", "route"}


def test_prewetting_adds_about_one_percent():
    """R2: 3 tons in two storms, 10 gal a ton of brine of 10 lb/gal with 0.14 chloride."""
    use = season_use(STORMS, assignments())
    found = prewet_chloride_lb(use, assignments(), materials())
    assert found["route_id"].tolist() == ["R2"]
    assert found["prewet_gal"].tolist() == pytest.approx([30.0])
    assert found["chloride_lb"].tolist() == pytest.approx([42.0])
    two = pd.concat([materials(), materials().iloc[[2]].assign(material="other")])
    assert prewet_chloride_lb(use, assignments(), two)["chloride_lb"].isna().all()


def test_season_over_the_flow_of_its_days():
    found = season_concentration(table(), areas(), START, START + pd.Timedelta(days=50))
    assert found["area_id"].tolist() == ["W1"]
    assert load_lb(2.0, found["concentration_mg_l"].iloc[0], 50 * 24.0) == pytest.approx(10_800.0)


def test_no_flow_is_refused():
    with pytest.raises(ValueError, match="above 0"):
        concentration_mg_l(1.0, 0.0, 24.0)


@settings(max_examples=50, deadline=None)
@given(st.floats(0.01, 1e5), st.floats(0.01, 1e4), st.floats(0.5, 5000))
def test_load_and_concentration_undo_each_other(load, flow, hours):
    assert load_lb(flow, concentration_mg_l(load, flow, hours), hours) == pytest.approx(load)
