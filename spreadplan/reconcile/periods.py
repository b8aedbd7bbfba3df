"""Which storms of a truck may be pooled, and whether its ratio of true to reported mass drifts.

A truck's ratio is one number only as long as nobody worked on it or calibrated it anew: storms
before and after belong to different periods.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd

from spreadplan.calibration.assumptions import PRIOR_DOF, REPEATABILITY_REL
from spreadplan.calibration.fit import LineFit, fit_line
from spreadplan.frames import lines
from spreadplan.metrology import Z95, coverage_factor, holm, two_sided_p

VOIDING: Final = ("gate", "feeder", "hydraulics", "sensor")
TREND_SIGNIFICANCE: Final = 0.05
"""Drifts are said only where chance would make any so strong in the whole fleet less often."""
TREND_STORMS: Final = 5
"""Fewer storms with tickets tell nothing of a drift."""
DAYS_PER_MONTH: Final = 30.0
FOLLOWED: Final = ("ratio", "ratio_lo", "ratio_hi", "ratio_u", "ratio_fleet_u")
"""What is the line's where a drift is followed."""


def in_periods(
    frame: pd.DataFrame,
    tests: pd.DataFrame,
    changes: pd.DataFrame,
    starts: Mapping[str, pd.Timestamp],
    storm: str,
) -> pd.DataFrame:
    """Reports or tickets in which a truck of another period goes by another name.

    Parameters
    ----------
    frame : storm, truck_id, material and more; all storms.
    tests : truck_id, material, performed_at, voided_by.
    changes : truck_id, changed_at, what.
    starts : start of each storm.
    storm : the storm whose period keeps the truck's own name.

    Returns
    -------
    ``frame`` with truck_id changed where work on the truck or a test lies between that storm and
    the one asked for. Such rows still tell how trucks of the fleet differ.
    """
    work = changes[changes["what"].isin(VOIDING)]
    counted = tests[tests["voided_by"] == ""]
    trucks = set(frame["truck_id"])
    by_truck: dict[str, list[pd.Timestamp]] = {truck: [] for truck in trucks}
    for table, moment in ((work, "changed_at"), (counted, "performed_at")):
        for truck, at in zip(table["truck_id"], table[moment], strict=True):
            by_truck.setdefault(truck, []).append(at)

    def period(truck: str, name: str) -> int:
        return sum(moment <= starts[name] for moment in by_truck[truck])

    here = {truck: period(truck, storm) for truck in trucks}
    names = [
        row.truck_id
        if (there := period(row.truck_id, row.storm)) == here[row.truck_id]
        else f"{row.truck_id} (period {there})"
        for row in lines(frame)
    ]
    return frame.assign(truck_id=np.array(names, dtype=object))


def with_trend(
    table: pd.DataFrame, tickets: pd.DataFrame, starts: Mapping[str, pd.Timestamp], storm: str
) -> pd.DataFrame:
    """Ratios that follow a truck's drift where its storms show one.

    Parameters
    ----------
    table : truck_id, material, ratio, ratio_lo, ratio_hi, ratio_u, ratio_fleet_u of one storm.
    tickets : as `tickets.storm_tickets` returns them, all storms.
    starts : start of each storm.
    storm : the storm asked for.

    Returns
    -------
    ``table`` with trend_pct_per_month and trend_p (NaN: too few storms); trend_p is the
    probability that chance makes any drift so strong among the trucks (`calibration.fit.holm`).
    Where it is significant, the ratio and its interval are those of a straight line of ln ratio
    over time at this storm.
    """
    net = tickets["loaded_lb"] - tickets["returned_lb"]
    whole = (tickets["loads"] > 0) & (tickets["unreturned_lb"] == 0.0)
    told = tickets["comparable"] & (tickets["reported_lb"] > 0.0)
    usable = tickets[whole & told & (net > 0.0)]
    of_truck = dict(iter(usable.groupby(["truck_id", "material"])))
    lines_found = [
        _line(of_truck.get((row.truck_id, row.material)), starts, storm) for row in lines(table)
    ]
    p = holm(np.array([np.nan if line is None else _slope_p(line) for line in lines_found]))
    rows = [
        _follow(row, line, chance)
        for (_, row), line, chance in zip(table.iterrows(), lines_found, p, strict=True)
    ]
    changed = pd.DataFrame(rows, index=table.index)
    return table.assign(**{name: changed[name] for name in changed.columns})


def _line(
    mine: pd.DataFrame | None, starts: Mapping[str, pd.Timestamp], storm: str
) -> LineFit | None:
    """ln ratio of a truck as a line in months from the storm asked for; None: too few storms."""
    if mine is None or len(mine) < TREND_STORMS:
        return None
    months = np.array(
        [
            (starts[name] - starts[storm]) / pd.Timedelta(days=DAYS_PER_MONTH)
            for name in mine["storm"]
        ]
    )
    net = (mine["loaded_lb"] - mine["returned_lb"]).to_numpy(dtype=float)
    relative_u = np.hypot(mine["ticket_u_lb"].to_numpy(dtype=float) / net, REPEATABILITY_REL)
    log_ratio = np.log(net / mine["reported_lb"].to_numpy(dtype=float))
    return fit_line(months, log_ratio, relative_u, PRIOR_DOF)


def _slope_p(line: LineFit) -> float:
    """Probability of so strong a slope of one truck by chance, two-sided."""
    return float(two_sided_p(line.slope / line.slope_u, line.dof))


def _follow(row: pd.Series, line: LineFit | None, p: float) -> dict[str, float]:
    kept = {name: float(row[name]) for name in FOLLOWED}
    if line is None:
        return {**kept, "trend_pct_per_month": np.nan, "trend_p": np.nan}
    trend = {"trend_pct_per_month": 100.0 * float(np.expm1(line.slope)), "trend_p": float(p)}
    if p >= TREND_SIGNIFICANCE:
        return {**kept, **trend}
    half = coverage_factor(line.dof) * line.intercept_u
    return {
        "ratio": float(np.exp(line.intercept)),
        "ratio_lo": float(np.exp(line.intercept - half)),
        "ratio_hi": float(np.exp(line.intercept + half)),
        # the wider of a normal interval's half and its own, so that sums keep their coverage
        "ratio_u": half / Z95,
        "ratio_fleet_u": 0.0,  # its own line, nothing of the fleet's
        **trend,
    }
