"""Which inputs drive the intervals of `reconcile`: shares of variance for the sample county.

Run: ``python -m tests.benchmarks.sensitivity_use [STORM]``; prints three Markdown tables.

1. The ratio of true to reported mass of each truck (ratio_lo to ratio_hi), in ln: the variance is a
   sum, so each part is its share.
2. True mass (applied_lo_lb to applied_hi_lb) of a segment, a route and the whole storm: parts that
   are common to a truck or to its fleet add up linearly within it, all others by squares (JCGM
   100:2008, 5.1.2 and 5.2.2).
3. What would change: the 95 % half-width of the ratios with one input made better or worse.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any
from unittest import mock

import numpy as np
import pandas as pd
from scipy import stats

from spreadplan.reconcile import hoppers, ratio_model, this_storm, true_mass
from spreadplan.reconcile import storm as judged
from spreadplan.reconcile.storm import StormUse
from spreadplan.resources import resource
from spreadplan.runs.options import Options, no_progress
from spreadplan.runs.reconciling import compute_use

STORM = "2026-12-31-year-end-snow"
Z95 = float(stats.norm.ppf(0.975))

RATIO_PARTS = (
    "the truck's season: mean of the fleet",
    "the truck's season: its own tickets and scatter",
    "storm to storm",
    "scale division",
    "what is left in the hopper",
    "the scale's own error",
    "doubt whether the tickets are right",
)
MASS_PARTS = (
    "matching: where the joints lie",
    "timing: when in an interval",
    "run to run",
    "calibration at the setting",
    "ratio: common to the fleet",
    "ratio: the truck",
    "ratio: the truck in this storm",
)


def ratio_variances(season: pd.DataFrame, tickets: pd.DataFrame) -> pd.DataFrame:
    """Variance of ln ratio of this storm by part.

    Parameters
    ----------
    season : truck_id, material, ratio, ratio_u, ratio_fleet_u, p_missing, storm_sd, wrong_share,
        carried_lb and carried_u_lb of the season.
    tickets : of this storm, as `spreadplan.reconcile.tickets.storm_tickets` returns them.

    Returns
    -------
    `RATIO_PARTS`, shape (trucks, 7), indexed by truck and material.
    """
    keys = ["truck_id", "material"]
    own = season.merge(tickets, on=keys, how="left", suffixes=("_season", ""))
    paper = own["loaded_lb"] - own["returned_lb"]
    net = paper + own["carried_lb"]
    usable = (own["loads"] > 0) & (net > 0.0) & (own["reported_lb"] > 0.0)
    net = net.where(usable, 1.0)
    hopper = (own["carried_u_lb"] / net) ** 2
    division = (own["ticket_u_lb"].fillna(0.0) / net) ** 2
    scale = this_storm.SCALE_U_REL**2 + own["method_u"].fillna(0.0) ** 2
    said2 = division + hopper + scale
    apart = np.log(net / own["reported_lb"].where(usable, 1.0)) - np.log(own["ratio"])
    storm2, season2 = own["storm_sd"] ** 2, own["ratio_u"] ** 2
    spread = np.sqrt(storm2 + season2 + said2)
    wrong = own["wrong_share"]
    good = (1.0 - wrong) * stats.t.pdf(apart / spread, this_storm.SCATTER_DOF) / spread
    off = hoppers.WRONG_LOADS * own["typical_load_lb"].fillna(0.0) / paper.where(paper > 0.0)
    wide = np.hypot(spread, off.fillna(0.0))
    bad = wrong * stats.t.pdf(apart / wide, 4) / wide
    right = ((1.0 - own["p_missing"].fillna(0.0)) * good / (good + bad)).where(usable, 0.0)
    share = storm2 / (storm2 + said2)
    of_season = right * (1.0 - share) ** 2 + (1.0 - right)
    fleet2 = np.minimum(own["ratio_fleet_u"] ** 2, season2)
    tables = [
        of_season * fleet2,
        of_season * (season2 - fleet2),
        (1.0 - right) * storm2,
        right * share * division,
        right * share * hopper,
        right * share * scale,
        right * (1.0 - right) * (share * apart) ** 2,
    ]
    found = pd.concat(tables, axis=1, keys=RATIO_PARTS)
    found.index = pd.MultiIndex.from_frame(own[keys])
    return found


def mass_variances(parts: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Variance of true mass by part, lb², of each group of ``by``.

    ``parts`` : see `spreadplan.reconcile.applied.applied_parts`. Returns `MASS_PARTS`.
    """
    applied = parts["applied_lb"]
    ratio = (applied / parts["reported_lb"]).fillna(1.0)
    runs = parts["rounds"].clip(lower=1.0)
    own = parts.assign(
        matching=(ratio * parts["matching_u_lb"]) ** 2,
        timing=(ratio * parts["timing_u_lb"]) ** 2,
        runs=(parts["run_u"] * applied) ** 2 / runs,
        setting=(parts["setting_u"] * applied) ** 2,
    )
    columns = [own.groupby(by)[name].sum() for name in ("matching", "timing", "runs", "setting")]
    for name, common in (
        ("fleet_u_lb", ["material"]),
        ("truck_u_lb", ["truck_id", "material"]),
        ("storm_u_lb", ["truck_id", "material"]),
    ):
        sums = own.groupby(list(dict.fromkeys([*by, *common])))[name].sum() ** 2
        columns.append(sums.groupby(level=by).sum())
    return pd.concat(columns, axis=1, keys=MASS_PARTS)


@dataclass
class Overheard:
    """Arguments with which the storm's ratios were worked out."""

    ratios: tuple[Any, ...] = ()
    storm: list[tuple[pd.DataFrame, pd.DataFrame]] = field(default_factory=list)


@contextmanager
def overhearing(heard: Overheard) -> Iterator[None]:
    """Note what the ratios are worked out from while a storm is reconciled."""
    ratios, storm = judged.mass_ratios, true_mass.in_this_storm

    def noted_ratios(*args: Any) -> pd.DataFrame:
        heard.ratios = args
        return ratios(*args)

    def noted_storm(table: pd.DataFrame, tickets: pd.DataFrame) -> pd.DataFrame:
        heard.storm.append((table, tickets))
        return storm(table, tickets)

    with (
        mock.patch.object(judged, "mass_ratios", noted_ratios),
        mock.patch.object(true_mass, "in_this_storm", noted_storm),
    ):
        yield


def what_if(args: tuple[Any, ...]) -> dict[str, tuple[float, float]]:
    """Median 95 % half-width, percent, of this storm's ratio and the season's, case by case."""
    reported, loads, returns, storm, *rest = args
    fine = 0.01
    last = loads.sort_values("loaded_at").groupby(["storm", "truck_id", "material"]).tail(1)
    empty = last.assign(returned_at=last["loaded_at"] + pd.Timedelta(hours=12), net_lb=0.0)
    halves = [loads.assign(net_lb=loads["net_lb"] / 2.0, scale_division_lb=fine)] * 2
    storms = sorted(set(loads["storm"]))
    fewer = {name for name in storms if storms.index(name) % 2 == 0} | {storm}

    def widths(*inputs: pd.DataFrame) -> tuple[float, float]:
        table = true_mass.mass_ratios(*inputs, storm, *rest)
        both = [
            100.0 * (np.log(table[f"{name}_hi"]) - np.log(table[f"{name}_lo"])).median() / 2.0
            for name in ("ratio", "season")
        ]
        return both[0], both[1]

    cases = {
        "as it is": widths(reported, loads, returns),
        "scales that show 0.01 lb": widths(
            reported, loads.assign(scale_division_lb=fine), returns.assign(scale_division_lb=fine)
        ),
        "scales that show 100 lb": widths(
            reported, loads.assign(scale_division_lb=100.0), returns.assign(scale_division_lb=100.0)
        ),
        "every hopper known to be empty or weighed": widths(
            reported, loads, pd.concat([returns, empty[[*returns.columns.intersection(empty)]]])
        ),
        "twice as many loads, half as large": widths(
            reported, pd.concat(halves, ignore_index=True), returns
        ),
        "tickets of every other storm only": widths(
            reported, loads[loads["storm"].isin(fewer)], returns[returns["storm"].isin(fewer)]
        ),
    }
    with mock.patch.object(ratio_model, "MISSING_SHARES", {0.0: 1.0}):
        cases["no load ticket is ever missing"] = widths(reported, loads, returns)
    for factor in (0.5, 2.0):
        with mock.patch.object(
            ratio_model, "REPEATABILITY_REL", factor * ratio_model.REPEATABILITY_REL
        ):
            name = f"run-to-run scatter {factor:g} times"
            cases[name] = widths(reported, loads, returns)
    return cases


def reconciled(storm: str) -> tuple[StormUse, Overheard]:
    """The sample county's storm; nothing is written."""
    heard = Overheard()
    quiet = Options(lambda _: None, lambda _: None, no_progress, pdf=False)
    with overhearing(heard):
        use = compute_use(resource("sample_routes") / "county", storm, quiet).use
    return use, heard


def shares_pct(table: pd.DataFrame) -> pd.DataFrame:
    """Each row's parts in percent of their sum."""
    return 100.0 * table.div(table.sum(axis=1), axis=0)


def print_table(head: list[str], rows: list[list[str]]) -> None:
    """A Markdown table."""
    print("| " + " | ".join(head) + " |")
    print("| --- " + "| ---: " * (len(head) - 1) + "|")
    for row in rows:
        print("| " + " | ".join(row) + " |")
    print()


def main() -> None:
    """Print the three tables."""
    name = sys.argv[1] if len(sys.argv) > 1 else STORM
    use, heard = reconciled(name)
    ratio = ratio_variances(*heard.storm[-1])
    percent = shares_pct(ratio)
    print(f"{name}: {len(ratio)} trucks, {len(use.parts)} rows of truck and segment\n")
    half = 100.0 * Z95 * np.sqrt(ratio.sum(axis=1))
    print_table(
        ["share of the variance of a truck's ratio, %", "mean", "least", "most"],
        [
            [part, *(f"{value:.1f}" for value in percent[part].agg(["mean", "min", "max"]))]
            for part in RATIO_PARTS
        ]
        + [["95 % half-width, %", f"{half.mean():.1f}", f"{half.min():.1f}", f"{half.max():.1f}"]],
    )
    on = use.parts[use.parts["segment_id"] != "off_route"].assign(all="all")
    levels = {
        "a segment": ["route_id", "segment_id", "material"],
        "a route": ["route_id", "material"],
        "the storm": ["all"],
    }
    columns, halves = [], []
    for by in levels.values():
        variances = mass_variances(on, by)
        mass = on.groupby(by)["applied_lb"].sum()
        kept = variances[mass > 0.0]
        columns.append(shares_pct(kept).mean())
        halves.append((100.0 * Z95 * np.sqrt(kept.sum(axis=1)) / mass[mass > 0.0]).median())
    print_table(
        ["share of the variance of true mass, % (mean)", *levels],
        [[part, *(f"{column[part]:.1f}" for column in columns)] for part in MASS_PARTS]
        + [["95 % half-width, % (median)", *(f"{value:.1f}" for value in halves)]],
    )
    print_table(
        ["95 % half-width of the ratio, % (median of the trucks)", "this storm", "season"],
        [
            [case, f"{now:.2f}", f"{year:.2f}"]
            for case, (now, year) in what_if(heard.ratios).items()
        ],
    )


if __name__ == "__main__":
    main()
