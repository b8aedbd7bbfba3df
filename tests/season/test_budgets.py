"""Budgets against use, by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from spreadplan.schema.results import RESULTS
from spreadplan.season.budgets import (
    Season,
    budget_table,
    material_burn_down,
    storm_table,
)
from spreadplan.season.use import season_use
from tests.said import US, words
from tests.season.season_tables import (
    END,
    START,
    assignments,
    materials,
    season_days,
    storm,
)

DAYS = ("2026-11-20", "2026-12-01", "2026-12-09", "2026-12-20")
AS_OF = pd.Timestamp("2026-12-31T00:00Z")


def season(as_of: pd.Timestamp = AS_OF) -> Season:
    return Season(name="2026-27", start=START, end=END, as_of=as_of)


def budgets(*rows: tuple[str, str, float]) -> pd.DataFrame:
    columns = ["scope", "scope_id", "budget_lb"]
    return pd.DataFrame(list(rows), columns=columns).assign(season="2026-27", material="salt")


def table(*rows: tuple[str, str, float], as_of: pd.Timestamp = AS_OF) -> pd.DataFrame:
    use = season_use(season_days(*DAYS), assignments())
    return budget_table(use, budgets(*rows), materials(), season(as_of))


def test_columns_begin_with_those_of_the_contract():
    assert list(table(("agency", "*", 1e6)).columns) == RESULTS["budget"].names


def test_use_of_each_scope_by_hand():
    """Sizes add up to 4.4, one storm of size 1 takes 9,000 lb, 6,000 of them on R1."""
    found = table(
        ("agency", "*", 1e6), ("yard", "Y1", 1e6), ("route", "R1", 1e6), ("route", "R9", 1e6)
    ).set_index(["scope", "scope_id"])
    assert found.loc[("agency", "*"), "used_ton"] == pytest.approx(4.4 * 4.5)
    assert found.loc[("agency", "*"), "reported_ton"] == pytest.approx(4.4 * 4.2)
    assert found.loc[("yard", "Y1"), "used_ton"] == pytest.approx(4.4 * 4.5)
    assert found.loc[("route", "R1"), "used_ton"] == pytest.approx(4.4 * 3.0)
    assert found.loc[("route", "R1"), "storms"] == 4
    assert found.loc[("route", "R9"), "used_ton"] == 0.0
    assert found.loc[("agency", "*"), "cost"] == pytest.approx(4.4 * 4.5 * 80.0)
    assert found.loc[("agency", "*"), "dry_ton"] == pytest.approx(4.4 * 4.5 * 0.98)
    # fleet 4.4 x 60 and truck 4.4 x 180 are common to all storms; 30 and 40 are not
    u = np.sqrt((4.4 * 60) ** 2 + (4.4 * 180) ** 2 + 4 * (30**2 + 40**2)) / 2000
    assert found.loc[("route", "R1"), "used_u_ton"] == pytest.approx(u)


def test_verdicts():
    rows = table(("agency", "*", 30_000.0), ("yard", "Y1", 60_000.0), ("route", "R1", 900_000.0))
    assert rows["verdict"].tolist() == ["over", "likely to run out", "within"]
    assert rows["p_over_now"].iloc[0] > 0.95
    assert (rows["forecast_ton"] > rows["used_ton"]).all()
    assert (rows["forecast_hi_ton"] > rows["forecast_ton"]).all()


def test_just_over_is_not_called_over_before_it_is_sure():
    use = season_use(season_days(*DAYS), assignments())
    used = use["applied_lb"].sum()
    found = table(("agency", "*", used - 100.0))
    assert found["verdict"].tolist() == ["likely to run out"]
    assert 0.5 < found["p_over_now"].iloc[0] < 0.95


def test_a_material_without_a_budget_is_still_listed():
    found = table(("yard", "Y1", 1e6)).set_index("scope")
    assert found.loc["agency", "verdict"] == "no budget"
    assert found.loc["agency", "used_ton"] == pytest.approx(4.4 * 4.5)


def test_budgets_of_other_seasons_are_left_out():
    use = season_use(season_days(*DAYS), assignments())
    old = budgets(("agency", "*", 1.0)).assign(season="2025-26")
    found = budget_table(use, old, materials(), season())
    assert found["verdict"].tolist() == ["no budget"]


def test_two_storms_leave_the_end_of_the_season_not_known():
    use = season_use(season_days(*DAYS[:2]), assignments())
    found = budget_table(use, budgets(("agency", "*", 1e6)), materials(), season())
    assert found["verdict"].tolist() == ["not known"]
    assert found["forecast_ton"].isna().all()
    assert "too few" in US.say_all(found["note"].iloc[0])


def test_at_the_end_of_the_season_only_use_counts():
    found = table(("agency", "*", 1e6), as_of=END)
    assert found["forecast_ton"].tolist() == pytest.approx(found["used_ton"].tolist())
    assert found["storms_to_come"].tolist() == [0.0]


def test_storm_table_rates_and_differences():
    use = season_use([storm("s1", "2026-12-01")], assignments())
    found = storm_table(use, materials(), ["route_id"]).set_index("route_id")
    assert found.loc["R1", "rate_lb_per_lane_mile"] == pytest.approx(6000.0 / 30.0)
    assert found.loc["R1", "difference_pct"] == pytest.approx(100.0 * (6000 / 5400 - 1))
    assert found.loc["R2", "difference_pct"] == pytest.approx(0.0)
    assert found.loc["R2", "cost"] == pytest.approx(120.0)
    assert found.loc["R1", "applications"] == pytest.approx(2.0)
    assert found.loc["R1", "ton_per_application"] == pytest.approx(1.5)
    two = season_use([storm("s1", "2026-12-01"), storm("s2", "2026-12-09")], assignments())
    both = storm_table(two, materials(), ["route_id"]).set_index("route_id")
    assert both.loc["R1", "ton_per_application"] == pytest.approx(1.5)


def test_burn_down_ends_at_the_budget_tables_forecast():
    use = season_use(season_days(*DAYS), assignments())
    course = material_burn_down(use, "salt", season(), steps=2)
    found = table(("agency", "*", 1e6))
    assert course["expected"].iloc[-1] == pytest.approx(found["forecast_ton"].iloc[0])
    assert course["hi"].iloc[-1] == pytest.approx(found["forecast_hi_ton"].iloc[0], rel=1e-3)


def test_what_no_ticket_names_is_said_beside_what_was_used():
    """Storm s2, of size 1: 1,500 of T1's 6,000 lb on R1; s3: all of T2's 3,000 lb on R2."""
    storms = [storm("s2", "2026-12-01"), storm("s3", "2026-12-09")]
    storms[0].parts["without_ticket_lb"] = [1000.0, 500.0, 0.0]
    storms[1].parts["without_ticket_lb"] = [0.0, 0.0, 3000.0]
    use = season_use(storms, assignments())
    wanted = budgets(("agency", "*", 1e6), ("route", "R1", 1e6), ("route", "R2", 1e6))
    found = budget_table(use, wanted, materials(), season()).set_index(["scope", "scope_id"])
    assert found["without_ticket_ton"].tolist() == pytest.approx([2.25, 0.75, 1.5])
    assert [words(one) for one in found["without_ticket"]] == [
        "T2 in s3; T1 in s2",
        "T1 in s2",
        "T2 in s3",
    ]
    assert storm_table(use, materials(), ["storm"])["without_ticket_ton"].tolist() == [0.75, 1.5]
