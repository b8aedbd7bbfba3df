"""Trucks of one storm, from a round of it on."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from spreadplan.planning.assigned import in_round, of_season, of_use, with_own

COLUMNS = ["route_id", "truck_id", "yard_id", "material", "prewet_gal_per_ton"]
LABELS = ["1", "2", "10"]


def general() -> pd.DataFrame:
    rows = [("R1", "T1", "Y1", "salt", 0.0), ("R2", "T2", "Y1", "salt", 10.0)]
    return pd.DataFrame(rows, columns=COLUMNS).assign(row=[2, 3])


def own(*rows: tuple[str, str, str]) -> pd.DataFrame:
    """Rows of route, truck, round."""
    full = [(route, truck, "Y9", "sand", 5.0, since) for route, truck, since in rows]
    return pd.DataFrame(full, columns=[*COLUMNS, "from_application"]).assign(row=0)


def trucks(assignments: pd.DataFrame, label: str) -> dict[str, str]:
    held = in_round(assignments, label, LABELS)
    assert held["route_id"].is_unique
    return dict(zip(held["route_id"], held["truck_id"], strict=True))


def test_without_rows_of_its_own_a_storm_has_the_general_ones():
    assert with_own(general(), own()) is not None
    assert trucks(with_own(general(), own()), "2") == {"R1": "T1", "R2": "T2"}


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ([("R1", "T5", "")], ["T5", "T5", "T5"]),
        ([("R1", "T5", "1")], ["T5", "T5", "T5"]),
        ([("R1", "T5", "2")], ["T1", "T5", "T5"]),
        ([("R1", "T5", "10")], ["T1", "T1", "T5"]),  # 10 comes after 2: rounds, not text
        ([("R1", "T6", "10"), ("R1", "T5", "2")], ["T1", "T5", "T6"]),  # in any order
        ([("R1", "T6", ""), ("R1", "T5", "2")], ["T6", "T5", "T5"]),
        ([("R1", "T6", "1"), ("R1", "T5", "")], ["T6", "T6", "T6"]),  # a named round is nearer
        ([("R1", "T5", "never")], ["T1", "T1", "T1"]),
    ],
)
def test_the_row_that_began_last_counts(rows, told):
    assignments = with_own(general(), own(*rows))
    assert [trucks(assignments, label)["R1"] for label in LABELS] == told
    assert {trucks(assignments, label)["R2"] for label in LABELS} == {"T2"}


def test_a_route_that_nobody_has_is_treated_from_its_round_on():
    assignments = with_own(general(), own(("R3", "T5", "2")))
    assert "R3" not in trucks(assignments, "1")
    assert trucks(assignments, "10")["R3"] == "T5"


def test_the_season_takes_the_row_of_the_truck_itself_then_that_of_the_storm():
    season = of_season(general(), {"s1": own(("R1", "T5", "2")), "s2": own()})
    used = pd.DataFrame(
        [
            ("s1", "R1", "T1"),
            ("s1", "R1", "T5"),
            ("s1", "R1", "T8"),
            ("s2", "R1", "T5"),
            ("s1", "R2", "T2"),
            ("s1", "off_route", "T1"),
        ],
        columns=["storm", "route_id", "truck_id"],
        index=[7, 3, 9, 1, 4, 5],
    )
    yards = of_use(season, used, "yard_id")
    assert yards.index.tolist() == used.index.tolist()
    assert yards.fillna("").tolist() == ["Y1", "Y9", "Y9", "Y1", "Y1", ""]
    prewet = of_use(season, used, "prewet_gal_per_ton").tolist()
    assert prewet[:5] == [0.0, 5.0, 5.0, 0.0, 10.0]
    assert math.isnan(prewet[5])
    plain = of_use(general(), used, "yard_id")
    assert plain.fillna("").tolist() == ["Y1"] * 5 + [""]
