"""What rows of the policy ask of the storm, and what rows of the forecast say of it."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from tests.workspace.test_bad_input import POLICY_ROW, problems, read

FORECAST = "storms/s1/forecast.csv"


def _row(workspace, more: str):
    return next(read(workspace({"policy.toml": POLICY_ROW + more})).policy.rates.itertuples())


def test_a_row_that_names_no_condition_is_open(workspace):
    row = _row(workspace, "")
    assert (row.surface, row.wetting, row.plow, row.wetting_included) == ((), (), None, False)
    assert all(map(math.isnan, (row.snow_depth_min_in, row.snow_depth_max_in, row.treatments)))


def test_conditions_of_a_row_are_kept(workspace):
    row = _row(
        workspace,
        'surface = ["wet", "damp"]\nwetting = "prewet"\nsnow_depth_min_in = 1\n'
        "snow_depth_max_mm = 50.8\ntreatments = 2\nplow = false\nwetting_included = true\n",
    )
    assert (row.surface, row.wetting) == (("damp", "wet"), ("prewet",))
    assert (row.snow_depth_min_in, row.snow_depth_max_in) == (1.0, pytest.approx(2.0))
    assert (row.treatments, row.plow, row.wetting_included) == (2.0, False, True)
    assert _row(workspace, 'treatments = "successive"\n').treatments == math.inf


@pytest.mark.parametrize(
    ("line", "key", "words"),
    [
        ('surface = "moist"', "surface", "use one of dry, damp, wet"),
        ("surface = []", "surface", "use one of"),
        ('wetting = ["prewet", 3]', "wetting", "use one of dry, pretreated, prewet, slurry"),
        ('snow_depth_max_in = "deep"', "snow_depth_max_in", "give a depth"),
        ("snow_depth_max_in = -1", "snow_depth_max_in", "give a depth"),
        ("snow_depth_max_in = 1\nsnow_depth_max_mm = 25", "snow_depth_max_in", "keep exactly one"),
        ("snow_depth_min_in = 3\nsnow_depth_max_in = 1", "snow_depth_max", "swap"),
        ("treatments = 0", "treatments", "whole number"),
        ("treatments = 1.5", "treatments", "whole number"),
        ("treatments = true", "treatments", "whole number"),
        ('treatments = "later"', "treatments", '"successive"'),
        ('plow = "yes"', "plow", "true or false"),
        ("wetting_included = 1", "wetting_included", "true or false"),
    ],
)
def test_a_wrong_condition_is_one_clear_line(workspace, line, key, words):
    found = problems(workspace({"policy.toml": POLICY_ROW + line + "\n"}))
    assert [(one.file, one.row, one.column) for one in found] == [("policy.toml", 1, f"rate.{key}")]
    assert words in found[0].remedy


def test_a_forecast_states_surface_snow_and_plowing(workspace):
    text = (
        "zone,start,end,event,pavement_temp_f,surface,snow_depth_mm,plow\n"
        "*,2026-12-01T04:00,2026-12-01T08:00,snow,25,wet,50.8,yes\n"
        "*,2026-12-01T08:00,2026-12-01T12:00,snow,25,,,\n"
    )
    rows = read(workspace({FORECAST: text})).storms["s1"]["forecast"]
    assert rows["surface"].tolist() == ["wet", ""]
    assert rows["snow_depth_in"].iloc[0] == pytest.approx(2.0)
    assert math.isnan(rows["snow_depth_in"].iloc[1])
    assert rows["plow"].iloc[0] is True
    assert pd.isna(rows["plow"].iloc[1])
    found = problems(workspace({FORECAST: text.replace("wet", "soggy")}))
    assert [(one.column, one.row) for one in found] == [("surface", 2)]
