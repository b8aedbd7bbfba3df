"""Prewetting liquid put down against what was set, by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from spreadplan.reconcile.liquid import liquid_of_trucks, with_liquid
from spreadplan.schema.policy import Policy
from tests.planning.small_county import NAN, frame
from tests.season.season_tables import materials

ASSIGNED = frame(
    "route_id truck_id yard_id material prewet_gal_per_ton prewet_material",
    ("R1", "T1", "Y1", "salt", 10.0, "brine"),
    ("R2", "T2", "Y1", "salt", 0.0, ""),
    ("R3", "T3", "Y1", "brine", 0.0, ""),
)


def parts(*rows: tuple[str, str, str, float, float, float]) -> pd.DataFrame:
    """Rows of route, truck, material, reported, applied and liquid as the records tell it."""
    columns = ["route_id", "truck_id", "material", "reported_lb", "applied_lb", "liquid_gal"]
    return pd.DataFrame(list(rows), columns=columns)


def judged(told_gal: float, route: str = "R1", truck: str = "T1") -> pd.Series:
    rows = with_liquid(
        parts((route, truck, "salt", 8000.0, 10000.0, told_gal)), "s1", ASSIGNED, materials()
    )
    return liquid_of_trucks(rows, Policy()).loc[(truck, "salt")]


def test_what_was_told_counts_and_else_what_was_assigned():
    """Salt holds 0.6 / 0.6066 of chemical; brine 10 lb/gal and 0.14 / 0.6066."""
    rows = with_liquid(
        parts(
            ("R1", "T1", "salt", 8000.0, 10000.0, 20.0),
            ("R1", "T9", "salt", 8000.0, 10000.0, NAN),
            ("R3", "T3", "brine", 100.0, 100.0, 7.0),
        ),
        "s1",
        ASSIGNED,
        materials(),
    )
    assert rows["prewet_gal"].tolist() == [20.0, 50.0, 0.0]
    assert rows["prewet_told"].tolist() == [True, False, False]
    salt, liquid = 0.6 / 0.6066 * 10000.0, 10.0 * 0.14 / 0.6066
    wanted = [salt + 20.0 * liquid, salt + 50.0 * liquid, 100.0 * 0.14 / 0.6066]
    assert rows["chemical_lb"].tolist() == pytest.approx(wanted, rel=1e-4)


@pytest.mark.parametrize(
    ("told_gal", "verdict"),
    [
        (0.0, "dry"),
        (3.9, "dry"),
        (20.0, "too_little"),
        (36.5, "as_set"),
        (43.5, "as_set"),
        (60.0, "too_much"),
        (NAN, "not_told"),
    ],
)
def test_the_liquid_is_judged_by_what_the_controller_reported(told_gal, verdict):
    """8,000 lb as reported at 10 gal/ton are 40 gal, whatever the true mass; within 10 %."""
    found = judged(told_gal)
    assert found["prewet_set_gal"] == pytest.approx(40.0)
    assert found["prewet_verdict"] == verdict


def test_liquid_that_nobody_set():
    assert judged(NAN, "R2", "T2")["prewet_verdict"] == "not_set"
    assert judged(0.0, "R2", "T2")["prewet_verdict"] == "not_set"
    assert judged(30.0, "R2", "T2")["prewet_verdict"] == "too_much"
    assert np.isnan(judged(NAN, "R2", "T2")["prewet_gal"])
