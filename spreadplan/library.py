"""The commands' work from Python: a workspace, and what is found out about it. Nothing is written.

Quantities are in inside units, which every column names: pounds, miles, inches, minutes. What a
result prints and shows is in the units of the workspace.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from html import escape
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from spreadplan.errors import Problem
from spreadplan.runs.checking import PER_STORM
from spreadplan.runs.options import GENERAL, Options
from spreadplan.workspace import Workspace, read_workspace
from spreadplan.workspace.load import known_storm, storm_names

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from spreadplan.calibration import Calibration, DischargeModel
    from spreadplan.planning import StormPlan
    from spreadplan.reports.figure import Drawing
    from spreadplan.runs.reconciling import Reconciled
    from spreadplan.runs.seasons import SeasonRun
    from spreadplan.schema.policy import Pick
    from spreadplan.views.setting import Setting

FRAME_PX = 700


@dataclass(frozen=True, eq=False)
class Result(ABC):
    """What was found out: tables, a text to print, a page for a notebook, a plot.

    Attributes
    ----------
    tables : name of the result file -> its table, columns as the guide's page of results says.
    said : what the command would have said.
    cautions : what is odd in the input but usable.
    """

    tables: Mapping[str, pd.DataFrame]
    said: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    @abstractmethod
    def page(self) -> str:
        """The report, a whole HTML page."""

    @abstractmethod
    def _drawing(self) -> Drawing | None:
        """The chart that says most."""

    def plot(self) -> Figure | None:
        """The chart that says most, as a matplotlib figure; None where there is nothing to draw."""
        drawing = self._drawing()
        return None if drawing is None else drawing.figure

    def __str__(self) -> str:
        sizes = [f"{name}: {len(frame)} rows" for name, frame in self.tables.items()]
        return "\n".join([*self.said, *self.cautions, *sizes])

    def _repr_html_(self) -> str:
        """The report in a frame of its own, so that its style stays in it."""
        page = escape(self.page(), quote=True)
        return f'<iframe srcdoc="{page}" width="100%" height="{FRAME_PX}"></iframe>'


@dataclass(frozen=True, eq=False)
class CalibrationResult(Result):
    """Discharge models of a fleet; ``models`` by truck_id, material and gate_in."""

    workspace: Workspace = field(kw_only=True)
    calibration: Calibration = field(kw_only=True)
    truck_id: str = field(kw_only=True, default="")

    @property
    def models(self) -> Mapping[tuple[str, str, float], DischargeModel]:
        """The discharge models."""
        return self.calibration.models

    def of(self, truck_id: str) -> CalibrationResult:
        """The same for one truck. Raises KeyError where there is none of that name."""
        if truck_id not in set(self.workspace.table("trucks")["truck_id"]):
            raise KeyError(truck_id)
        own = {name: frame[frame["truck_id"] == truck_id] for name, frame in self.tables.items()}
        return CalibrationResult(
            own, workspace=self.workspace, calibration=self.calibration, truck_id=truck_id
        )

    def page(self) -> str:
        """The certificate of the truck, or those of all, one after the other."""
        from spreadplan.reports.certificate import certificates

        table = self.workspace.table
        trucks = table("trucks")
        if self.truck_id:
            trucks = trucks[trucks["truck_id"] == self.truck_id]
        made = certificates(
            self.calibration,
            trucks,
            table("changes"),
            self.workspace.policy,
            _setting(self.workspace),
        )
        return "\n".join(page for _, page in made)

    def _drawing(self) -> Drawing | None:
        from spreadplan.reports.charts import discharge_curves

        models = [m for m in self.models.values() if self.truck_id in ("", m.truck_id)]
        tests = self.tables["tests"]
        if not models and tests.empty:
            return None
        if not self.truck_id:  # one truck at a time has room
            first = models[0].truck_id if models else str(tests["truck_id"].iloc[0])
            return self.of(first)._drawing()
        return discharge_curves(models, tests, _setting(self.workspace).voice)


@dataclass(frozen=True, eq=False)
class PlanResult(Result):
    """The plan of a storm."""

    workspace: Workspace = field(kw_only=True)
    calibration: Calibration = field(kw_only=True)
    plan: StormPlan = field(kw_only=True)

    @cached_property
    def _pages(self) -> Mapping[str, str]:
        from spreadplan.runs.planning import plan_pages

        return dict(plan_pages(self.workspace, self.calibration, self.plan))

    def page(self) -> str:
        """The plan report."""
        return self._pages[f"{self.plan.storm}/plan_report"]

    @property
    def cards(self) -> Mapping[str, str]:
        """Name -> cab card, a whole HTML page."""
        return {
            name.rpartition("/")[2]: page
            for name, page in self._pages.items()
            if "/cab_cards/" in name
        }

    def _drawing(self) -> Drawing | None:
        from spreadplan.reports.plan_report import need_chart

        return need_chart(self.plan, _setting(self.workspace).voice)


@dataclass(frozen=True, eq=False)
class UseResult(Result):
    """What went where in a storm, against the plan."""

    storm: str = field(kw_only=True)
    found: Reconciled = field(kw_only=True)

    def page(self) -> str:
        """The usage report."""
        from spreadplan.runs.reconciling import report_page

        return report_page(self.storm, self.found)

    def _drawing(self) -> Drawing | None:
        from spreadplan.reports.use_charts import route_chart
        from spreadplan.reports.use_report import by_departure

        workspace = self.found.workspace
        policy, voice = workspace.policy, _setting(workspace).voice
        routes = by_departure(self.tables["use_routes"])
        return route_chart(routes, policy.over_pct, policy.under_pct, voice)


@dataclass(frozen=True, eq=False)
class SeasonResult(Result):
    """The accounts of a season."""

    found: SeasonRun = field(kw_only=True)

    def page(self) -> str:
        """The season report."""
        from spreadplan.reports.season_report import season_report
        from spreadplan.runs.seasons import season_view

        return season_report(season_view(self.found), _setting(self.found.workspace))

    def _drawing(self) -> Drawing | None:
        from spreadplan.reports.season_charts import burn_down_chart

        voice = _setting(self.found.workspace).voice
        result = self.found.result
        return burn_down_chart(result.burn_down, result.budget, voice)


class OpenWorkspace:
    """A workspace to work with; every method reads its files as they are then."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __repr__(self) -> str:
        return f"OpenWorkspace({str(self.folder)!r})"

    @property
    def storms(self) -> list[str]:
        """The storms, in order of name."""
        return storm_names(self.folder)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Every table of the workspace itself, in inside units. Raises BadInput."""
        found = read_workspace(self.folder, required=(), optional=[*GENERAL, "policy"])
        return dict(found.tables)

    def problems(self) -> list[Problem]:
        """Everything that is wrong or odd in the tables; telemetry is looked at by `reconcile`."""
        found = read_workspace(
            self.folder,
            required=(),
            optional=[*GENERAL, "policy"],
            storms=dict.fromkeys(self.storms, PER_STORM),
            leave_out=True,
        )
        return [*found.left_out, *found.cautions]

    def calibrate(self, as_of: str | None = None) -> CalibrationResult:
        """Discharge models with uncertainty.

        Parameters
        ----------
        as_of : the day for which tests are judged, ``2026-12-15``; today by default.

        Raises
        ------
        BadInput : the files have problems.
        """
        from spreadplan.runs.calibrating import calibration_tables, read_fleet

        workspace, calibration = read_fleet(self.folder, as_of)
        return CalibrationResult(
            _in_words(workspace, calibration_tables(calibration)),
            cautions=_cautions(workspace),
            workspace=workspace,
            calibration=calibration,
        )

    def plan(self, storm: str, pick: Pick | None = None) -> PlanResult:
        """Settings, material and loads for a storm.

        Parameters
        ----------
        storm : one of `storms`.
        pick : which end of the policy's ranges, ``low``, ``middle``, ``high``, or ``by_round`` (the
            middle in the first round, the low end later); as the storm's `plan.toml` says by
            default.

        Raises
        ------
        BadInput : the files have problems, or there is no such storm.
        """
        from spreadplan.runs.planning import compute_plan, plan_tables

        known_storm(self.folder, storm)
        workspace, fleet, plan = compute_plan(self.folder, storm, Options(), pick)
        return PlanResult(
            _in_words(workspace, plan_tables(plan)),
            cautions=_cautions(workspace),
            workspace=workspace,
            calibration=fleet,
            plan=plan,
        )

    def reconcile(self, storm: str) -> UseResult:
        """What went where in a storm, against its plan.

        Parameters
        ----------
        storm : one of `storms`, with telemetry.

        Raises
        ------
        BadInput : the files have problems, or there is no such storm.
        """
        from spreadplan.runs.reconciling import compute_use, use_tables

        said: list[str] = []
        found = compute_use(self.folder, storm, Options(caution=said.append))
        tables = _in_words(found.workspace, use_tables(found))
        return UseResult(tables, cautions=tuple(said), storm=storm, found=found)

    def season(self, as_of: str | None = None) -> SeasonResult:
        """Budgets, forecast, chloride and over-application of the season.

        Parameters
        ----------
        as_of : the day up to which the season is counted; today by default.

        Raises
        ------
        BadInput : the files have problems, or the workspace names no season.
        """
        from spreadplan.runs.seasons import compute_season, season_tables

        said: list[str] = []
        options = Options(say=said.append, caution=said.append)
        found = compute_season(self.folder, options, as_of)
        tables = _in_words(found.workspace, season_tables(found))
        return SeasonResult(tables, cautions=tuple(said), found=found)


def open_workspace(folder: str | PathLike[str]) -> OpenWorkspace:
    """Open a workspace.

    Parameters
    ----------
    folder : its folder, with `workspace.toml`.

    Returns
    -------
    A workspace, whose methods do the commands' work and write nothing.

    Raises
    ------
    BadInput : there is no workspace.
    """
    path = Path(folder)
    read_workspace(path, required=())
    return OpenWorkspace(path)


def _cautions(workspace: Workspace) -> tuple[str, ...]:
    return tuple(f"caution: {one}" for one in workspace.cautions)


def _in_words(workspace: Workspace, tables: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Tables with their sentences as their files have them."""
    voice = _setting(workspace).voice
    return {name: voice.table(frame) for name, frame in tables.items()}


def _setting(workspace: Workspace) -> Setting:
    from spreadplan.views.setting import setting_of

    return setting_of(workspace.settings, workspace.table("materials"))
