"""The whole of `calibrate` and `plan` against a second, slow computation of its own.

The second computation reads the same files with the standard library alone, works in decimals, and
shares no line with the program; see `plan_calibration`, `plan_storm` and `plan_compare`. Set
PLAN_WORKSPACES to try more than the usual number of drawn workspaces.
"""

from __future__ import annotations

import csv
import math
import os
import shutil
from collections.abc import Sequence
from pathlib import Path

import pytest
from pyproj import Geod
from scipy import special, stats

from spreadplan.resources import resource
from tests.differential.plan_compare import Outcome, compare_calibration, compare_plan, rows_of
from tests.differential.plan_files import Files
from tests.differential.plan_numbers import fisher_factor, geodesic_m, student_factor
from tests.differential.plan_pooling import digamma, trigamma
from tests.differential.plan_program import write_results
from tests.differential.plan_storm import rounds_of, start_of
from tests.differential.random_workspace import STORM, write_workspace

DRAWN = int(os.environ.get("PLAN_WORKSPACES", "4"))
PICKS = ("by_round", "middle", "low", "high")


def compared(folder: Path, storm: str, pick: str = "middle") -> Outcome:
    """Run the program and the second computation on a workspace."""
    out = Outcome()
    as_of = write_results(folder, storm, pick)
    start = start_of(rounds_of(Files(folder), storm))
    out.same(storm, "start", start, as_of)
    models = compare_calibration(folder, as_of, out)
    compare_plan(folder, storm, models, out, pick)
    return out


def agrees(out: Outcome) -> None:
    assert not out.faults, "\n".join(out.faults[:20])


@pytest.mark.parametrize("seed", range(DRAWN))
def test_a_drawn_workspace(tmp_path, seed):
    folder = write_workspace(tmp_path, seed)
    agrees(compared(folder, STORM, PICKS[seed % 4]))


def test_the_sample_county(tmp_path):
    folder = tmp_path / "county"
    shutil.copytree(resource("sample_routes") / "county", folder)
    out = compared(folder, "2026-12-31-year-end-snow")
    agrees(out)
    assert out.cells["segments.mass_hi_lb"] > 700
    assert out.cells["yards.needed_hi_ton"] == 5


@pytest.mark.parametrize(
    ("file", "column"),
    [
        ("s1/plan_segments.csv", "mass_lb"),
        ("s1/plan_segments.csv", "mass_hi_lb"),
        ("s1/plan_routes.csv", "mass_lo_lb"),
        ("s1/plan_routes.csv", "minutes"),
        ("s1/plan_yards.csv", "needed_hi_ton"),
        ("calibration/models.csv", "slope_u_lb_per_min_per_pct"),
        ("calibration/tests.csv", "net_u_lb"),
    ],
)
def test_a_changed_cell_is_seen(drawn, file, column):
    """One number in a million, in any file: the comparison must not be blind to it."""
    folder, models, as_of = drawn
    path = folder / "results" / file
    text = path.read_text()
    rows = rows_of(path)
    place = next(n for n, row in enumerate(rows) if row[column] not in ("", "0"))
    changed = {**rows[place], column: repr(float(rows[place][column]) * 1.000001)}
    rows[place] = changed
    _write(path, rows)
    try:
        out = Outcome()
        if file.startswith("calibration"):
            compare_calibration(folder, as_of, out)
        else:
            compare_plan(folder, STORM, models, out)
        assert len(out.faults) == 1
        assert column in out.faults[0]
    finally:
        path.write_text(text)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    """A drawn workspace with its results, and the models worked out here."""
    folder = write_workspace(tmp_path_factory.mktemp("drawn"), 3)
    as_of = write_results(folder, STORM)
    models = compare_calibration(folder, as_of, out := Outcome())
    compare_plan(folder, STORM, models, out)
    agrees(out)
    return folder, models, as_of


def _write(path: Path, rows: Sequence[dict[str, str]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as lines:
        writer = csv.DictWriter(lines, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def test_the_geodesic_of_its_own():
    # Karney's series through pyproj: over a driveway, a road, a town and a county
    karney = Geod(ellps="WGS84")
    for step in (1e-5, 1e-3, 0.05, 0.5):
        start, end = (-94.0, 46.0), (-94.0 + step, 46.0 - 0.7 * step)
        expected = karney.inv(*start, *end)[2]
        assert geodesic_m(start, end) == pytest.approx(expected, rel=1e-9, abs=1e-8)


def test_the_quantiles_of_its_own():
    for dof in (1.0, 2.84, 4.0, 10.0, 50.5):
        assert float(student_factor(dof)) == pytest.approx(stats.t.ppf(0.975, dof), rel=1e-10)
        assert fisher_factor(2.0, dof) == pytest.approx(stats.f.ppf(0.95, 2.0, dof), rel=1e-10)
    assert float(student_factor(math.inf)) == pytest.approx(stats.norm.ppf(0.975), rel=1e-12)


def test_the_polygammas_of_its_own():
    for x in (0.02, 0.5, 2.0, 11.9, 80.0):
        assert digamma(x) == pytest.approx(special.digamma(x), rel=1e-12)
        assert trigamma(x) == pytest.approx(special.polygamma(1, x), rel=1e-12)
