"""Read a workspace: every table that a command needs, and every problem in one go."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from spreadplan.errors import BadInput, Problem, few
from spreadplan.materials import with_parts
from spreadplan.places import can_be_a_name
from spreadplan.schema.columns import Table
from spreadplan.schema.material_tables import BLENDS
from spreadplan.schema.policy import Pick, Policy
from spreadplan.schema.tables import TABLES
from spreadplan.workspace.csvfile import read_csv
from spreadplan.workspace.gallons import in_pounds
from spreadplan.workspace.issued import IssuedPlan, read_issues, with_present_names
from spreadplan.workspace.operations import newest_forecast, policy_classes
from spreadplan.workspace.parse import Rename, Source, parse_table
from spreadplan.workspace.policyfile import read_policy
from spreadplan.workspace.references import (
    RULES,
    dates_to_come,
    policy_materials,
    tickets_of_two_storms,
    zones,
)
from spreadplan.workspace.strays import stray_files
from spreadplan.workspace.tickets import MOIST, at_own_moisture, with_bucket_masses
from spreadplan.workspace.tomlfiles import (
    Settings,
    read_pick,
    read_renames,
    read_settings,
)
from spreadplan.workspace.whole_files import find_vector, readable_name, stands_there

#: Only tables with places need what reads and knows them, which is slow to import.
PLACED = {"routes", "yards", "sensitive_areas"}

__all__ = ["Settings", "Workspace", "known_storm", "read_workspace", "storm_names"]

#: Results that are no storm's are in folders of these names.
TAKEN_NAMES = ("calibration", "season")
PLAN_FILE: Final = "plan.toml"
"""In a storm's folder: how it is planned."""


@dataclass(frozen=True, kw_only=True)
class Workspace:
    """Validated tables in the inside units.

    Attributes
    ----------
    tables : table name → frame; a table whose file is absent has no entry.
    storms : storm → tables of that storm's folder.
    picks : storm → which end of the policy's ranges it is planned with, from its `plan.toml`.
    issued : storm → its plans as they were issued, in order, where they were asked for.
    renames : table → our column → its name in the files, from `columns.toml`.
    cautions : what is odd but usable.
    left_out : what is wrong with the rows that were left out, where that was asked for.
    absent : files that a part of the work would have used and that are not there.
    files : table → name of the file that was read for it, or its usual name.
    """

    folder: Path
    settings: Settings
    policy: Policy
    tables: Mapping[str, pd.DataFrame]
    storms: Mapping[str, Mapping[str, pd.DataFrame]] = field(default_factory=dict)
    renames: Mapping[str, Mapping[str, Rename]] = field(default_factory=dict)
    cautions: tuple[Problem, ...] = ()
    absent: tuple[str, ...] = ()
    files: Mapping[str, str] = field(default_factory=dict)
    left_out: tuple[Problem, ...] = ()
    picks: Mapping[str, Pick] = field(default_factory=dict)
    issued: Mapping[str, tuple[IssuedPlan, ...]] = field(default_factory=dict)

    def table(self, name: str, storm: str = "") -> pd.DataFrame:
        """A table, or an empty one with its columns where the file is absent."""
        frame = (self.storms.get(storm, {}) if storm else self.tables).get(name)
        return _empty_table(name).copy() if frame is None else frame

    def forecast(self, storm: str, at: pd.Timestamp | None = None) -> pd.DataFrame:
        """The forecast of a storm that counts at a time, see `operations.newest_forecast`."""
        return newest_forecast(self.table("forecast", storm), at)


@cache
def _empty_table(name: str) -> pd.DataFrame:
    """A table without rows, with its columns in their types."""
    table = TABLES[name]
    cells = pd.DataFrame(
        {name: [] for name in (next(iter(column.spellings())) for column in table.columns)},
        dtype=object,
    )
    if table.rate:
        cells["rate_lb_per_lane_mile"] = pd.Series([], dtype=object)
    source = Source(table.file, 1, np.zeros(0, dtype=int), ZoneInfo("UTC"))
    frame, _ = parse_table(cells, table, source, {})
    if table.vector:
        import geopandas as gpd

        frame = gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries([], crs="EPSG:4326"))
    return frame


def storm_names(folder: Path) -> list[str]:
    """The storms of a workspace, in order of name."""
    storms = folder / "storms"
    if not storms.is_dir():
        return []
    return sorted(
        entry.name
        for entry in storms.iterdir()
        if entry.is_dir() and not entry.name.startswith(".")
    )


def known_storm(folder: Path, storm: str) -> None:
    """Raise BadInput for what is not the name of a storm here; results are kept under that name."""
    _need_folder(folder)
    fault = _storm_fault(folder, storm)
    if fault:
        raise BadInput([fault])


def _storm_fault(folder: Path, storm: str) -> Problem | None:
    place = f"storms/{storm}/"
    names = storm_names(folder)
    if storm not in names:
        known = ", ".join(names) or "none"
        what, remedy = "is not a storm's folder", f"name one of the storms: {known}"
        return Problem(file=place, row=0, column="*", what=what, remedy=remedy)
    fault = (
        "its name cannot be written"
        if not (readable_name(storm) and can_be_a_name(storm))
        else "has the name of a folder of results"
        if storm.casefold() in TAKEN_NAMES
        else ""
    )
    remedy = "rename the storm's folder, as 2026-12-01-first-snow"
    return Problem(file=place, row=0, column="*", what=fault, remedy=remedy) if fault else None


def _need_folder(folder: Path) -> None:
    if not folder.is_dir():
        remedy = "name a workspace, or make one with: spreadplan new FOLDER"
        raise BadInput(
            [Problem(file=str(folder), row=0, column="*", what="is not a folder", remedy=remedy)]
        )


Without = Mapping[str, Collection[int] | None]
"""Rows of files that are left out, by file; None: the whole file."""


class _Reader:
    """Gathers tables and problems while files are read, one after the other."""

    def __init__(self, folder: Path, without: Without) -> None:
        self.folder = folder
        self.without = without
        self.problems: list[Problem] = []
        self.absent: list[str] = []
        self.picks: dict[str, Pick] = {}
        self.renames: dict[str, dict[str, Rename]] = {}
        self.settings = Settings(name="", units="us", timezone=ZoneInfo("UTC"))

    def missing(self, file: str, *, required: bool) -> None:
        if required:
            self.problems.append(
                Problem(file=file, row=0, column="*", what="file is missing", remedy=f"add {file}")
            )
        else:
            self.absent.append(file)

    def dates_to_come(
        self, tables: Mapping[str, pd.DataFrame], names: Mapping[str, str]
    ) -> Iterator[Problem]:
        """Cautions on records that lie in the future of the workspace's day."""
        return dates_to_come(tables, names, self.settings.today(), self.settings.timezone)

    def toml(self, policy_wanted: bool) -> Policy:
        path = self.folder / "workspace.toml"
        if stands_there(path):
            self.settings, faults = read_settings(path)
            self.problems += faults
        else:
            self.missing("workspace.toml", required=True)
        path = self.folder / "columns.toml"
        if stands_there(path):
            self.renames, faults = read_renames(path)
            self.problems += faults
        policy = Policy(reference_lane_width_ft=self.settings.lane_width_ft)
        path = self.folder / "policy.toml"
        if policy_wanted and stands_there(path):
            policy, faults = read_policy(path, self.settings.lane_width_ft)
            self.problems += faults
        elif policy_wanted:
            self.missing("policy.toml", required=False)
        return policy

    def pick(self, storm: str, folder: Path) -> None:
        """Which end of the policy's ranges a storm is planned with, where it says so."""
        path = folder / PLAN_FILE
        if stands_there(path):
            self.picks[storm], faults = read_pick(path, f"storms/{storm}/{PLAN_FILE}")
            self.problems += faults

    def table(self, table: Table, folder: Path, prefix: str, required: bool) -> pd.DataFrame | None:
        if table.vector:
            return self._vector(table, folder, required)
        file = prefix + table.file
        path = folder / table.file
        if file in self.without and self.without[file] is None:
            return None
        if not stands_there(path):
            self.missing(file, required=required)
            return None
        raw, faults = read_csv(path, file)
        self.problems += faults
        if raw is None:
            return None
        source = Source(file, 1, np.array(raw.rows, dtype=int), self.settings.timezone)
        return self._parsed(raw.cells, table, source)

    def _parsed(self, cells: pd.DataFrame, table: Table, source: Source) -> pd.DataFrame | None:
        try:
            frame, faults = parse_table(cells, table, source, self.renames.get(table.name, {}))
        except BadInput as error:
            self.problems += error.problems
            return None
        self.problems += faults
        rows = self.without.get(source.file)
        return self._without(frame, rows) if rows else frame

    @staticmethod
    def _without(frame: pd.DataFrame, rows: Collection[int]) -> pd.DataFrame:
        return frame[~frame["row"].isin(rows)].reset_index(drop=True)

    def _vector(self, table: Table, folder: Path, required: bool) -> pd.DataFrame | None:
        import geopandas as gpd

        from spreadplan.workspace import vector

        paths, usual = find_vector(folder, table)
        if len(paths) != 1:
            if paths:
                names = " and ".join(path.name for path in paths)
                self.problems.append(
                    Problem(
                        file=usual,
                        row=0,
                        column="*",
                        what=f"stands there twice: {names}",
                        remedy="keep exactly one of them",
                    )
                )
            else:
                self.missing(usual, required=required)
            return None
        file = paths[0].name
        if file in self.without and self.without[file] is None:
            return None
        features, faults = vector.read_vector(paths[0], file)
        self.problems += faults
        if features is None:
            return None
        features, faults = vector.geometry_problems(features, table, file)
        self.problems += faults
        cells = pd.DataFrame(features.drop(columns="geometry")).reset_index(drop=True)
        if paths[0].suffix == ".shp":
            cells = cells.rename(columns=vector.short_shapefile_names(list(cells.columns), table))
        source = Source(file, 0, np.arange(1, len(cells) + 1), self.settings.timezone)
        frame = self._parsed(cells, table, source)
        if frame is None:
            return None
        if frame.empty:
            self.problems.append(
                Problem(
                    file=file,
                    row=0,
                    column="*",
                    what="has no feature",
                    remedy=f"draw at least one {table.vector}",
                )
            )
        places = frame["row"].to_numpy(dtype=int) - 1
        geometry = features.geometry.reset_index(drop=True).iloc[places].reset_index(drop=True)
        located: pd.DataFrame = gpd.GeoDataFrame(frame, geometry=geometry, crs=vector.WGS84)
        return located


def read_workspace(
    folder: Path,
    *,
    required: Iterable[str],
    optional: Iterable[str] = (),
    storms: Mapping[str, Iterable[str]] | None = None,
    leave_out: bool = False,
    issued: bool = False,
) -> Workspace:
    """Read what a command needs and say everything that is wrong with it at once.

    Parameters
    ----------
    required, optional : names of `spreadplan.schema.tables.TABLES`; ``policy`` counts as one.
    storms : storm → names of the tables that are read from its folder where they are there.
    leave_out : leave rows with a problem out, and optional files that cannot be understood, and
        name them in ``left_out``: for looking at, never for results that are kept.
    issued : read the plans as they were issued for the storms as well.

    Raises
    ------
    BadInput : with every problem found, in the order of files and rows.
    """
    _need_folder(folder)
    wanted = _Wanted(
        tuple(required),
        tuple(optional),
        None if storms is None else {storm: (*names,) for storm, names in storms.items()},
        issued,
    )
    without: dict[str, set[int] | None] = {}
    left_out: list[Problem] = []
    while True:
        workspace, problems = _read(folder, wanted, without)
        fatal = [
            one
            for one in problems
            if one.fatal and one.row not in (without.get(one.file) or ()) and one not in left_out
        ]
        if not fatal:
            cautions = in_file_order(few(one for one in problems if not one.fatal))
            return replace(workspace, cautions=cautions, left_out=in_file_order(few(left_out)))
        if not (leave_out and _leave_out(fatal, workspace, wanted, without)):
            raise BadInput(in_file_order(few(problems)))
        left_out += fatal


@dataclass(frozen=True)
class _Wanted:
    """The tables to read; see `read_workspace`."""

    required: tuple[str, ...]
    optional: tuple[str, ...]
    storms: Mapping[str, tuple[str, ...]] | None
    issued: bool = False


def _leave_out(
    fatal: Iterable[Problem],
    workspace: Workspace,
    wanted: _Wanted,
    without: dict[str, set[int] | None],
) -> bool:
    """Add what these problems make unusable to ``without``; False where the work cannot go on.

    A test whose weighings are not all sound has none: its mass would be too small.
    """
    needed = {workspace.files[name] for name in wanted.required if name in workspace.files}
    weighings = workspace.files.get("weighings", "")
    for problem in fatal:
        file, rows = problem.file, {problem.row}
        if file.endswith(("policy.toml", PLAN_FILE)) and problem.column != "*":
            continue  # the entry or the number was not taken anyhow
        if file == weighings:
            rows = _of_one_test(workspace.table("weighings"), problem.row)
        whole = problem.row <= (1 if file.endswith(".csv") else 0) or not rows
        taken = without.get(file, set())
        if (whole and file in needed) or file.endswith(".toml") or taken is None:
            return False
        if not whole and rows <= taken:
            return False
        without[file] = None if whole else taken | rows
    return True


def _of_one_test(weighings: pd.DataFrame, row: int) -> set[int]:
    """The rows that belong to the test of one row; none where that cannot be told."""
    test = weighings.loc[weighings["row"] == row, "test_id"]
    if test.empty or not test.iloc[0]:
        return set()
    return set(weighings.loc[weighings["test_id"] == test.iloc[0], "row"])


def _read(folder: Path, wanted: _Wanted, without: Without) -> tuple[Workspace, list[Problem]]:
    """The tables without some rows, and every problem of all of them."""
    required, optional = wanted.required, wanted.optional
    reader = _Reader(folder, without)
    policy = reader.toml("policy" in required + optional)
    tables, names = _general(reader, required, optional)
    if PLACED & tables.keys():
        reader.problems += _misplaced(tables, names, reader.settings.timezone)
    reader.problems += (problem for rule in RULES for problem in rule(tables, names))
    _weigh_liquids(reader, tables, names, tables.get("materials"))
    reader.problems += policy_materials(policy, tables, "policy.toml")
    reader.problems += policy_classes(policy, tables, "policy.toml")
    reader.problems += reader.dates_to_come(tables, names)
    of_storms = wanted.storms or {}
    by_storm = {
        storm: _read_storm(reader, storm, list(tables_wanted), tables, names)
        for storm, tables_wanted in of_storms.items()
    }
    reader.problems += tickets_of_two_storms(
        by_storm,
        {
            storm: {name: f"storms/{storm}/{TABLES[name].file}" for name in found}
            for storm, found in by_storm.items()
        },
    )
    reader.problems += _weights(tables, by_storm)
    issued = _issued(reader, of_storms, tables.get("routes")) if wanted.issued else {}
    reader.problems += stray_files(
        folder,
        _file_names([*required, *optional]),
        None
        if wanted.storms is None
        else {one: _file_names(names) for one, names in of_storms.items()},
    )
    workspace = Workspace(
        folder=folder,
        settings=reader.settings,
        policy=policy,
        tables=tables,
        storms=by_storm,
        renames=reader.renames,
        cautions=(),
        absent=tuple(reader.absent),
        files=names,
        left_out=(),
        picks=reader.picks,
        issued=issued,
    )
    return workspace, reader.problems


def _weights(
    tables: dict[str, pd.DataFrame], by_storm: Mapping[str, dict[str, pd.DataFrame]]
) -> Iterator[Problem]:
    """Bring masses, in place, to the materials' own moisture, and buckets to masses."""
    materials = tables.get("materials")
    for name in MOIST:
        if materials is not None and name in tables:
            tables[name] = at_own_moisture(name, tables[name], materials)
    yield from with_bucket_masses(
        by_storm, materials, lambda storm, name: f"storms/{storm}/{TABLES[name].file}"
    )


def _general(
    reader: _Reader, required: Collection[str], optional: Collection[str]
) -> tuple[dict[str, pd.DataFrame], dict[str, str]]:
    """The tables of the workspace itself, and the files that they were read from."""
    tables: dict[str, pd.DataFrame] = {}
    names = {"policy": "policy.toml"}
    for name, table in TABLES.items():
        wanted = name in required or name in optional
        if wanted and not table.per_storm and table is not BLENDS:
            found = find_vector(reader.folder, table)[0] if table.vector else []
            names[name] = found[0].name if found else table.file
            frame = reader.table(table, reader.folder, "", name in required)
            if frame is not None:
                tables[name] = frame
    if "materials" in tables:
        _read_blends(reader, tables, names)
    if "routes" in tables:
        tables["routes"] = _complete(tables["routes"], reader.settings.lane_width_ft)
    return tables, names


def _read_blends(reader: _Reader, tables: dict[str, pd.DataFrame], names: dict[str, str]) -> None:
    """Blends go with the materials, whoever asks for those; who mixes nothing has no such file."""
    names[BLENDS.name] = BLENDS.file
    if stands_there(reader.folder / BLENDS.file):
        frame = reader.table(BLENDS, reader.folder, "", required=False)
        if frame is not None:
            tables[BLENDS.name] = frame
    blends = tables.get(BLENDS.name, _empty_table(BLENDS.name))
    tables["materials"] = with_parts(tables["materials"], blends)


def _weigh_liquids(
    reader: _Reader,
    tables: dict[str, pd.DataFrame],
    names: Mapping[str, str],
    materials: pd.DataFrame | None,
) -> None:
    """Volumes as masses, in place."""
    changed, problems = in_pounds(tables, names, materials)
    tables.update(changed)
    reader.problems += problems


def _issued(
    reader: _Reader, storms: Iterable[str], routes: pd.DataFrame | None
) -> dict[str, tuple[IssuedPlan, ...]]:
    """The plans as they were issued, storm by storm, with the present names of segments."""
    found = {}
    for storm in storms:
        read = read_issues(reader.folder, storm)
        reader.problems += read.problems
        plans = read.plans
        if routes is not None:
            folder = reader.folder / "storms" / storm
            plans = [with_present_names(plan, folder, routes) for plan in plans]
        found[storm] = tuple(plans)
    return found


def _misplaced(
    tables: dict[str, pd.DataFrame], names: Mapping[str, str], timezone: ZoneInfo
) -> list[Problem]:
    """What lies where it cannot, or twice."""
    from spreadplan.workspace.places import far_off
    from spreadplan.workspace.vector import same_line_cautions

    routes = tables.get("routes")
    twice = [] if routes is None else same_line_cautions(routes, names["routes"])
    return [*twice, *far_off(tables, names, timezone)]


def _file_names(tables: Iterable[str]) -> list[str]:
    """The usual names of the files of tables."""
    return ["policy.toml" if name == "policy" else TABLES[name].file for name in tables]


def in_file_order(problems: Iterable[Problem]) -> tuple[Problem, ...]:
    """Problems file by file as they were read, each file from top to bottom."""
    problems = list(problems)
    files = list(dict.fromkeys(problem.file for problem in problems))
    return tuple(sorted(problems, key=lambda problem: (files.index(problem.file), problem.row)))


def _complete(routes: pd.DataFrame, lane_width_ft: float) -> pd.DataFrame:
    """Segments without a sequence follow the order of the file; lanes are the reference lane."""
    position = routes.groupby("route_id").cumcount() + 1.0
    return routes.assign(
        sequence=routes["sequence"].fillna(position),
        lane_width_ft=routes["lane_width_ft"].fillna(lane_width_ft),
    )


def _read_storm(
    reader: _Reader,
    storm: str,
    wanted: Collection[str],
    tables: Mapping[str, pd.DataFrame],
    names: Mapping[str, str],
) -> dict[str, pd.DataFrame]:
    """The tables in a storm's folder, checked against the workspace's own."""
    prefix = f"storms/{storm}/"
    folder = reader.folder / "storms" / storm
    fault = _storm_fault(reader.folder, storm)
    if fault:
        reader.problems.append(fault)
        return {}
    reader.pick(storm, folder)
    found = {}
    for name, table in TABLES.items():
        if name in wanted:
            frame = reader.table(table, folder, prefix, required=False)
            if frame is not None:
                found[name] = frame
    own = {prefix + TABLES[name].file for name in found}
    file_names = {**names, **{name: prefix + TABLES[name].file for name in found}}
    for rule in RULES:
        for problem in rule({**tables, **found}, file_names):
            # the workspace's own tables were checked before; only zones speak of both
            if problem.file in own or rule is zones:
                reader.problems.append(problem)
    _weigh_liquids(reader, found, file_names, tables.get("materials"))
    reader.problems += reader.dates_to_come(found, file_names)
    return found
