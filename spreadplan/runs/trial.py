"""What a discharge test gives while it is still being typed in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from spreadplan.calibration import Calibration
from spreadplan.calibration.liquid_tests import liquid_results
from spreadplan.calibration.trial import RunTrial, try_run
from spreadplan.calibration.trucks import trucks_by_id
from spreadplan.errors import Problem
from spreadplan.schema.columns import Table
from spreadplan.schema.tables import TABLES
from spreadplan.workspace import Workspace
from spreadplan.workspace.parse import Source, parse_table

TYPED = "this test"


@dataclass(frozen=True)
class TestTrial:
    """``run`` is None where ``problems`` has a fatal one; their rows count from 1."""

    __test__ = False  # not a test, whatever its name

    run: RunTrial | None
    problems: tuple[Problem, ...]


def try_test(
    workspace: Workspace,
    fleet: Calibration,
    test: Mapping[str, str],
    weighings: Sequence[Mapping[str, str]],
) -> TestTrial:
    """Judge a discharge test that is not recorded yet.

    Parameters
    ----------
    workspace : with trucks, materials, changes and policy.
    fleet : the calibrations as they stand, which the run is held against.
    test : the cells of its row in discharge_tests.csv, by column name with any accepted unit.
        ``test_id`` may be left out.
    weighings : the cells of its rows in weighings.csv, likewise.
    """
    of_test, problems = _parsed([{**test, "test_id": TYPED}], "discharge_tests", workspace)
    of_weighings, faults = _parsed(
        [{**row, "test_id": TYPED} for row in weighings], "weighings", workspace
    )
    problems += faults
    trucks = trucks_by_id(workspace.table("trucks"))
    if of_test is not None and of_test["truck_id"].iloc[0] not in trucks:
        problems.append(
            Problem(
                file="discharge_tests.csv",
                row=1,
                column="truck_id",
                what="is not a truck here",
                remedy="choose a truck",
            )
        )
    if of_test is None or of_weighings is None or any(problem.fatal for problem in problems):
        return TestTrial(None, tuple(problems))
    policy = workspace.policy
    run = try_run(
        of_test,
        of_weighings,
        trucks,
        workspace.table("changes"),
        policy,
        policy.calibration_pct,
        fleet.tests,
        fleet.models,
    )
    return TestTrial(run, tuple(problems))


@dataclass(frozen=True)
class LiquidTrial:
    """A test of a liquid circuit that is not recorded yet.

    result : its row as `liquid_tests.liquid_results` gives it; None where ``problems`` has a fatal
    one. nozzles : its nozzles. The rows of problems count from 1.
    """

    result: Mapping[str, Any] | None
    nozzles: pd.DataFrame
    problems: tuple[Problem, ...]


def try_liquid(
    workspace: Workspace, test: Mapping[str, str], catches: Sequence[Mapping[str, str]]
) -> LiquidTrial:
    """Judge a test of a liquid circuit that is not recorded yet.

    Parameters
    ----------
    workspace : with trucks, changes and policy.
    test : the cells of its row in liquid_tests.csv, by column name with any accepted unit; with
        the truck_id of a truck. catches : the cells of its rows in catches.csv, likewise.
    """
    of_test, problems = _parsed([{**test, "test_id": TYPED}], "liquid_tests", workspace)
    of_catches, faults = _parsed(
        [{**row, "test_id": TYPED} for row in catches], "catches", workspace
    )
    problems += faults
    if of_test is None or of_catches is None or any(problem.fatal for problem in problems):
        return LiquidTrial(None, pd.DataFrame(), tuple(problems))
    results, nozzles = liquid_results(
        of_test,
        of_catches,
        trucks_by_id(workspace.table("trucks")),
        workspace.table("changes"),
        workspace.policy,
        pd.Timestamp(of_test["performed_at"].iloc[0]),
    )
    row = {str(name): value for name, value in results.iloc[0].items()}
    return LiquidTrial(row, nozzles, tuple(problems))


def _parsed(
    rows: Sequence[Mapping[str, str]], name: str, workspace: Workspace
) -> tuple[pd.DataFrame | None, list[Problem]]:
    table: Table = TABLES[name]
    if not rows:
        return None, [
            Problem(
                file=table.file,
                row=0,
                column="*",
                what="nothing is measured yet",
                remedy="weigh or measure the catch",
            )
        ]
    cells = pd.DataFrame(list(rows), dtype=object).fillna("")
    numbers = np.arange(1, len(rows) + 1)
    source = Source(table.file, 1, numbers, workspace.settings.timezone)
    frame, problems = parse_table(cells, table, source, {})
    problems = [replace(problem, row=max(problem.row, 1)) for problem in problems if problem.fatal]
    return (None if problems else frame), problems
