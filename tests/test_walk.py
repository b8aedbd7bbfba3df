"""The walk of one number through the program, in DEVELOPERS.md, with the figures it gives."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest

from tests.finished_county import COUNTY, STORM

GUIDE = Path(__file__).parents[1] / "DEVELOPERS.md"
STEPS = {
    "weighings.csv": {"test_id": "DT-020"},
    "tests.csv": {"test_id": "DT-020"},
    "models.csv": {"truck_id": "TC-103", "gate_in": 3.0},
    "plan_segments.csv": {"route_id": "R03", "segment_id": "MAIN-01", "application": 1},
    "plan_settings.csv": {"route_id": "R03", "application": 1, "stretch": 1},
}


def step_of(name: str) -> str:
    walk = GUIDE.read_text().partition("## One number")[2].partition("\n## ")[0]
    return " ".join(walk.partition(f"**`{name}`**")[2].partition("\n**")[0].split())


@pytest.mark.parametrize("name", STEPS)
def test_the_walk_gives_the_figures_of_the_sample_county(finished_county, name):
    where = {"weighings.csv": COUNTY, "tests.csv": finished_county / "results/calibration"}
    where["models.csv"] = where["tests.csv"]
    table = pd.read_csv(where.get(name, finished_county / "results" / STORM) / name)
    for column, value in STEPS[name].items():
        table = table[table[column] == value]
    assert len(table) == 1
    row = table.iloc[0]
    text = re.split(r" \d\. \*\*", step_of(name))[0]
    given = [one for one in re.findall(r"(\w+) (\d+(?:\.\d+)?)", text) if one[0] in table.columns]
    assert len(given) >= 3
    for column, figure in given:
        decimals = len(figure.partition(".")[2])
        assert f"{row[column]:.{decimals}f}" == figure, column
