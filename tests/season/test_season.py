"""The season as a whole."""

from __future__ import annotations

from dataclasses import fields

import pandas as pd
import pytest

from spreadplan.schema.policy import Policy
from spreadplan.season import Season, SeasonInputs, work_out_season
from tests.said import US
from tests.season.season_tables import (
    END,
    START,
    areas,
    assignments,
    materials,
    routes,
    season_days,
    storm,
)

pytestmark = pytest.mark.slow

DAYS = ("2026-11-20", "2026-12-01", "2026-12-09", "2026-12-20")


def inputs(**changes):
    usual = {
        "season": Season(
            name="2026-27", start=START, end=END, as_of=pd.Timestamp("2026-12-31T00:00Z")
        ),
        "storms": season_days(*DAYS),
        "routes": routes(),
        "assignments": assignments(),
        "materials": materials(),
        "policy": Policy(),
        "sensitive_areas": areas(),
        "budgets": pd.DataFrame(
            {
                "season": "2026-27",
                "scope": ["agency", "route"],
                "scope_id": ["*", "R1"],
                "material": "salt",
                "budget_lb": [30_000.0, 60_000.0],
            }
        ),
    }
    return SeasonInputs(**(usual | changes))


def test_tables_tell_the_same_story():
    found = work_out_season(inputs())
    tons = found.use["applied_lb"].sum() / 2000.0
    for table in (found.by_storm, found.by_route, found.by_yard, found.by_truck):
        assert table["used_ton"].sum() == pytest.approx(tons)
    agency = found.chloride[(found.chloride["scope"] == "agency") & (found.chloride["storm"] == "")]
    assert agency["chloride_lb"].iloc[0] == pytest.approx(0.6 * tons * 2000.0)
    assert found.budget["used_ton"].iloc[0] == pytest.approx(tons)
    assert len(found.severity) == 4
    assert len(found.evidence) == 4


def test_findings_name_what_matters_with_the_worst_first():
    found = US.table(work_out_season(inputs()).findings)
    assert found["severity"].iloc[0] == "problem"
    subjects = set(found["subject"])
    assert {"budget agency, salt", "over-application", "area S1 Well"} <= subjects
    assert "water W1 Creek" in subjects


def test_a_storm_counted_as_planned_is_said():
    storms = [*season_days(*DAYS[:3]), storm("later", "2026-12-20", source="planned")]
    found = US.table(work_out_season(inputs(storms=storms)).findings)
    assert any("later: no telemetry" in what for what in found["what"])


def test_a_season_without_storms_or_areas_still_has_every_table():
    found = work_out_season(inputs(storms=[], sensitive_areas=None))
    for one in fields(found):
        assert getattr(found, one.name) is not None
    assert found.budget["used_ton"].tolist() == [0.0, 0.0]
    assert found.budget["verdict"].tolist() == ["not known", "not known"]
