"""What the trucks did in a storm, worked out once for as long as its files stay the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Final

import numpy as np
import pandas as pd

from spreadplan.matching.network import Network
from spreadplan.reconcile.use import Columns, TruckUse, stacked
from spreadplan.runs.kept import KeptResult, keep_result, take_result
from spreadplan.runs.options import Options
from spreadplan.runs.reconciling import Followed, follow_storm, no_rows
from spreadplan.runs.reported import way_depends_on
from spreadplan.runs.storm_digest import storm_digest, telemetry_state
from spreadplan.workspace import Workspace

TABLES: Final = [
    one.name for one in fields(TruckUse) if one.type == "Columns" and one.name != "points"
]
TOLD: Final = ("usable", "rows_read", "rows_kept", "refused", "put_right")
PLAIN: Final = [one.name for one in fields(TruckUse) if one.name not in (*TABLES, "points")]


def followed_storm(
    workspace: Workspace, storm: str, network: Network, options: Options
) -> Followed:
    """What `follow_storm` gives, without points and refused rows.

    Where the storm's telemetry and all else that tells what it means are as they were, nothing is
    read or matched: the same comes from `kept`, with the same cautions.
    """
    folder = workspace.folder / f"storms/{storm}/telemetry"
    digest = _digest(workspace, storm) if folder.is_dir() else ""
    if digest and (kept := take_result(digest)) is not None:
        for said in kept.facts["cautions"]:
            options.caution(said)
        return _followed(storm, kept)
    before = telemetry_state(workspace, storm) if digest else []
    cautions: list[str] = []

    def caution(said: str) -> None:
        cautions.append(said)
        options.caution(said)

    whole = follow_storm(workspace, storm, network, replace(options, caution=caution))
    light = replace(
        whole,
        trucks=tuple(replace(use, points={}) for use in whole.trucks),
        quarantine=_no_rows(),
    )
    if digest and telemetry_state(workspace, storm) == before:
        keep_result(digest, _kept(light, cautions))
    return light


def _digest(workspace: Workspace, storm: str) -> str:
    """Of all that `follow_storm` is given."""
    depends = way_depends_on(workspace, storm)
    return storm_digest(workspace, storm, "followed", depends, [workspace.tables["routes"]])


def _kept(followed: Followed, cautions: Sequence[str]) -> KeptResult:
    """The rows of all trucks in one table of each kind, and how many belong to each."""
    trucks = followed.trucks
    facts = {
        "cautions": list(cautions),
        **{name: getattr(followed, name) for name in TOLD},
        "trucks": [{name: getattr(use, name) for name in PLAIN} for use in trucks],
        "rows": {name: [_length(getattr(use, name)) for use in trucks] for name in TABLES},
    }
    tables = {}
    for name in TABLES:
        table = stacked([getattr(use, name) for use in trucks])
        tables[name] = {str(column): table[column].to_numpy() for column in table}
    return KeptResult(facts, tables)


def _length(columns: Columns) -> int:
    return len(next(iter(columns.values()), ()))


def _followed(storm: str, kept: KeptResult) -> Followed:
    facts, rows = kept.facts, kept.facts["rows"]
    tables = zip(*(_parts(kept.tables[name], rows[name]) for name in TABLES), strict=True)
    trucks = tuple(
        TruckUse(points={}, **plain, **dict(zip(TABLES, own, strict=True)))
        for plain, own in zip(facts["trucks"], tables, strict=True)
    )
    told = {name: facts[name] for name in TOLD}
    return Followed(storm=storm, trucks=trucks, quarantine=_no_rows(), **told)


def _parts(columns: Columns, rows: Sequence[int]) -> list[Columns]:
    """A table of all trucks as one for each, with so many rows."""
    ends = np.cumsum(rows)
    starts = ends - rows
    return [
        {name: values[start:end] for name, values in columns.items()}
        for start, end in zip(starts, ends, strict=True)
    ]


def _no_rows() -> pd.DataFrame:
    return no_rows(["source_file", "reason"], [])
