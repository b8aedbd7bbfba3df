"""The program's answers about a season against its truth: one line for each answer."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any
from unittest import mock

import numpy as np
import pandas as pd

from spreadplan.calibration import Calibration
from spreadplan.metrology import coverage_factor
from spreadplan.reconcile.in_force import InForce
from spreadplan.reconcile.in_force import in_force as plans_in_force
from spreadplan.reconcile.use import stacked
from spreadplan.runs import in_force, reconciling, seasons
from spreadplan.runs.reconciling import (
    Followed,
    Reconciled,
    follow_storm,
    judge_storm,
    network_of,
    using_workspace,
)
from spreadplan.workspace import Workspace
from tests.benchmarks.adverse.county import QUIET, Played
from tests.benchmarks.adverse.machines import GATE_IN, County

TRUTHFUL_REL = 0.02
"""A truck whose true mass lies so close to what it reported is truthful."""
WRONG_REL = 0.15
"""One further off is wrong enough that it should be found."""
ACCUSED = ("reports too little", "reports too much")
EARLY = (1, 3)


@dataclass
class Answers:
    """Lines of question, held (1 or 0), error and half-width over the truth (NaN where none)."""

    lines: list[pd.DataFrame] = field(default_factory=list)

    def intervals(self, question: str, true: Any, said: Any, low: Any, high: Any) -> None:
        """Intervals against the truth; where the program gives none, held is NaN."""
        true, said, low, high = (np.asarray(one, dtype=float) for one in (true, said, low, high))
        slack = 1e-9 * np.abs(true)
        held = ((true >= low - slack) & (true <= high + slack)).astype(float)
        none = np.isnan(low) | np.isnan(high)
        size = np.where(true > 0.0, true, np.nan)
        self.lines.append(
            pd.DataFrame(
                {
                    "question": question,
                    "held": np.where(none, np.nan, held),
                    "error": (said - true) / size,
                    "half": (high - low) / 2.0 / size,
                }
            )
        )

    def shares(self, question: str, happened: Any) -> None:
        """How often something happened."""
        held = np.atleast_1d(np.asarray(happened, dtype=float))
        self.lines.append(
            pd.DataFrame(
                {
                    "question": question,
                    "held": held,
                    "error": np.nan,
                    "half": np.nan,
                }
            )
        )

    def errors(self, question: str, true: Any, said: Any) -> None:
        """Errors of what has no interval of its own."""
        true, said = (np.asarray(one, dtype=float) for one in (true, said))
        self.lines.append(
            pd.DataFrame(
                {
                    "question": question,
                    "held": np.nan,
                    "half": np.nan,
                    "error": (said - true) / np.where(true > 0.0, true, np.nan),
                }
            )
        )


def score_tests(county: County, calibration: Calibration) -> pd.DataFrame:
    """What the calibration alone says."""
    answers = Answers()
    _calibration(county, calibration, answers)
    return pd.concat(answers.lines, ignore_index=True)


def score(played: Played) -> pd.DataFrame:
    """All answers of one season but those of `score_tests`."""
    answers = Answers()
    _plans(played, answers)
    judged: dict[str, Reconciled] = {}
    calls: list[tuple[Any, ...]] = []

    def listening(*args: Any) -> Reconciled:
        made = judge_storm(*args)
        calls.append(args)
        judged[made_name(args)] = made
        return made

    # the plans were worked out when the cab cards were made, by the same function
    def known(workspace: Workspace, storm: str, *_: Any) -> InForce:
        version = in_force._of_files(workspace, played.plans[storm])
        return plans_in_force([version], in_force.NONE)

    with (
        mock.patch.object(seasons, "judge_storm", listening),
        mock.patch.object(reconciling, "plan_in_force", known),
    ):
        season = seasons.compute_season(played.folder, QUIET, as_of="2027-04-30")
        early = _early(played, calls)
    for args in calls[: len(played.storms)]:
        _records(played, args[1], answers)
    for storm in played.storms:
        _storm(played, storm, judged[storm], answers)
    _season(played, season, answers)
    _power(played, early | {len(played.storms): judged[played.storms[-1]]}, answers)
    return pd.concat(answers.lines, ignore_index=True)


def score_records(played: Played) -> pd.DataFrame:
    """What is made of the records alone: reported mass of trucks and segments."""
    answers = Answers()
    workspace = using_workspace(played.folder)
    network = network_of(workspace)
    for storm in played.storms:
        _records(played, follow_storm(workspace, storm, network, QUIET), answers)
    return pd.concat(answers.lines, ignore_index=True)


def _records(played: Played, followed: Followed, answers: Answers) -> None:
    use = stacked([one.segments for one in followed.trucks])
    truth = played.truth[played.truth["storm"] == followed.storm]
    for what, column in (("truck", "truck_id"), ("segment", "segment_id")):
        true = truth.groupby(column)["shown_lb"].sum()
        said = use.groupby(column)["reported_lb"].sum().reindex(true.index).fillna(0.0)
        answers.errors(f"reported mass of a {what}, as read", true, said)


def made_name(args: tuple[Any, ...]) -> str:
    """The storm of a call of `judge_storm`."""
    followed: Followed = args[1]
    return followed.storm


def _calibration(county: County, calibration: Calibration, answers: Answers) -> None:
    for truck in county.trucks:
        model = calibration.models[truck.truck_id, "salt", GATE_IN]
        tested = np.unique(np.array(model.tested_pct))
        grid = np.arange(10.0, 100.1, 5.0)
        grid = grid[~np.isin(grid, tested)]
        inside = (grid > tested[0]) & (grid < tested[-1])
        for name, at in (
            ("at tested outputs", tested),
            ("between them", grid[inside]),
            ("beyond them", grid[~inside]),
        ):
            if len(at) and not truck.closed_loop:
                low, high = model.interval(at)
                said = model.predict(at).discharge_lb_per_min
                answers.intervals(f"discharge, {name}", truck.discharge(at), said, low, high)
        if model.counts is not None:
            middle = np.array([np.mean(model.tested_pct)])
            value = model.counts.lb_per_count
            reach = (
                coverage_factor(model.counts.dof)
                * float(model.relative_u_per_count(middle)[0])
                * value
            )
            answers.intervals(
                "mass per count", truck.per_count(middle), [value], [value - reach], [value + reach]
            )


def _plans(played: Played, answers: Answers) -> None:
    """Mass of a segment in all rounds of a storm is what is known; the plan's rows are summed."""
    truth = played.truth.set_index(["storm", "segment_id"])["planned_true_lb"]
    for storm, plan in played.plans.items():
        rows = plan.segments[plan.segments["status"].isin(["ok", "extrapolated"])]
        whole = rows.groupby("segment_id")["mass_lb"].agg(["sum", "size"])
        half = ((rows["mass_hi_lb"] - rows["mass_lo_lb"]) / 2.0).groupby(rows["segment_id"]).mean()
        # of n rounds the calibration is common: the half-width of one round stands for the mean
        said = whole["sum"] / whole["size"]
        true = truth[storm].reindex(whole.index) / whole["size"]
        answers.intervals("planned mass, segment", true, said, said - half, said + half)


def _storm(played: Played, storm: str, made: Reconciled, answers: Answers) -> None:
    truth = played.truth[played.truth["storm"] == storm]
    rows = made.use.segments[made.use.segments["segment_id"] != "off_route"]
    rows = rows.set_index("segment_id")
    true = truth.set_index("segment_id")["true_lb"]
    mine = rows.reindex(true.index)
    answers.intervals(
        "applied mass, segment",
        true,
        mine["applied_lb"],
        mine["applied_lo_lb"],
        mine["applied_hi_lb"],
    )
    routes = made.use.routes.set_index("route_id")
    sums = truth.groupby("route_id")["true_lb"].sum()
    routes = routes.reindex(sums.index)
    answers.intervals(
        "applied mass, route",
        sums,
        routes["applied_lb"],
        routes["applied_lo_lb"],
        routes["applied_hi_lb"],
    )
    allowed, least = mine["allowed_lb"], mine["least_lb"]
    for name, beyond in (("over", true > allowed), ("under", true < least)):
        known = np.isfinite(allowed)
        said = (mine["verdict"] == name) & known
        answers.shares(f"false `{name}`", ~beyond[said])
        answers.shares(f"missed `{name}`", ~said[beyond & known])
    answers.shares("verdict `unknown`", mine["verdict"].eq("unknown"))
    _ratios(played, [storm], made.use.trucks, "ratio of a truck, storm", "ratio", answers)
    _ratios(played, played.storms, made.use.trucks, "ratio of a truck, season", "season", answers)


def true_ratios(played: Played, storms: list[str], feeder: bool = True) -> pd.Series[float]:
    """True over reported mass of each truck in some storms.

    ``feeder`` : what its feeder puts down of what it counts while there is something in the hopper;
    else of all that was reported, also while the hopper was empty.
    """
    some = played.reported[played.reported["storm"].isin(storms)]
    sums = some.groupby("truck_id")[["true_lb", "empty_lb", "shown_lb"]].sum()
    turned = sums["true_lb"] + sums["empty_lb"] if feeder else sums["true_lb"]
    return turned / sums["shown_lb"]


def _ratios(
    played: Played,
    storms: list[str],
    trucks: pd.DataFrame,
    question: str,
    which: str,
    answers: Answers,
) -> None:
    table = trucks.set_index("truck_id")
    # a truck is judged by its feeder; a storm's mass is what fell
    true = true_ratios(played, storms, feeder=which == "season").reindex(table.index)
    middle = table["ratio"] if which == "ratio" else table["season_ratio"]
    answers.intervals(question, true, middle, table[f"{which}_lo"], table[f"{which}_hi"])


def _season(played: Played, season: seasons.SeasonRun, answers: Answers) -> None:
    routes = season.result.by_route.set_index("route_id")
    true = played.truth.groupby("route_id")["true_lb"].sum() / 2000.0
    routes = routes.reindex(true.index)
    answers.intervals(
        "used by a route, season",
        true,
        routes["used_ton"],
        routes["used_lo_ton"],
        routes["used_hi_ton"],
    )


def _early(played: Played, calls: list[tuple[Any, ...]]) -> dict[int, Reconciled]:
    """What was said after the first storms, by their number, with what was known then."""
    by_storm = {made_name(args): args for args in calls}
    found = {}
    for count in EARLY:
        seen = played.storms[:count]
        workspace, followed, network, reported = by_storm[seen[-1]]
        known = replace(workspace, storms={name: workspace.storms[name] for name in seen})
        some = reported[reported["storm"].isin(seen)]
        found[count] = judge_storm(known, followed, network, some)
    return found


def _power(played: Played, after: dict[int, Reconciled], answers: Answers) -> None:
    """Accusations after some storms."""
    for count, made in after.items():
        table = made.use.trucks.set_index("truck_id")
        true = true_ratios(played, played.storms[:count]).reindex(table.index)
        low = (table["verdict"] == ACCUSED[0]) & (true > 1.0)
        high = (table["verdict"] == ACCUSED[1]) & (true < 1.0)
        said = table["verdict"].isin(ACCUSED)
        far = np.abs(true - 1.0) > WRONG_REL
        answers.shares(f"truck off by 20 % found after {count}", (low | high)[far])
        near = np.abs(true - 1.0) < TRUTHFUL_REL
        answers.shares("truthful truck accused", said[near])
