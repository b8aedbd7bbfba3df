"""What the rows of tests say together with what was measured, of solids and of liquids alike."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

import pandas as pd

from spreadplan.errors import Problem
from spreadplan.frames import lines
from spreadplan.schema.tables import TABLES

Tables = Mapping[str, pd.DataFrame]
Names = Mapping[str, str]

LEAST_RUN_S: Final = 5.0
"""A shorter run is no test: a slip of the pen. Common practice, no source."""


def tests_without_weighing(tables: Tables, names: Names) -> Iterator[Problem]:
    """A test that nothing was weighed or caught for."""
    for tests, found, done in (
        ("discharge_tests", "weighings", "weighed"),
        ("liquid_tests", "catches", "caught"),
    ):
        if tests not in tables or found not in names:
            continue
        known = set(tables[found]["test_id"]) if found in tables else set()
        for line in lines(tables[tests][~tables[tests]["test_id"].isin(known)]):
            yield Problem(
                file=names[tests],
                row=line.row,
                column="test_id",
                what=f'nothing was {done} for test "{line.test_id}"',
                remedy=f"add its rows to {TABLES[found].file}; it does not count until then",
                fatal=False,
            )


def runs_of_no_time(tables: Tables, names: Names) -> Iterator[Problem]:
    """A test of a few seconds: minutes typed as seconds, or a slipped digit."""
    for name in ("discharge_tests", "liquid_tests"):
        if name not in tables:
            continue
        for line in lines(tables[name][tables[name]["duration_s"] < LEAST_RUN_S]):
            yield Problem(
                file=names[name],
                row=line.row,
                column="duration",
                what=f"a run of {line.duration_s:g} s measures nothing",
                remedy="check the unit: a test runs for at least a minute, which is 60 s",
                fatal=False,
            )


TEST_RULES: Final = (tests_without_weighing, runs_of_no_time)
