"""Which storms of a truck may be pooled, and whether its ratio of true to reported mass drifts.

A truck's ratio is one number only as long as nobody worked on it or calibrated it anew: storms
before and after belong to different periods.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

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
"""Fewer storms with tickets tell nothing of a drift, or of a curve."""
OUTPUTS_APART: Final = 1.5
"""Greatest over least mean output of a truck's storms; nearer ones tell nothing of a curve. Common
practice, no source."""
DAYS_PER_MONTH: Final = 30.0
FOLLOWED: Final = ("ratio", "ratio_lo", "ratio_hi", "ratio_u", "ratio_fleet_u")
"""What is the line's where a drift or a curve is followed."""


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
    of_truck = _complete(tickets)
    lines_found = [
        None if mine is None else _line(mine, _months(mine, starts, storm))
        for mine in (of_truck.get((row.truck_id, row.material)) for row in lines(table))
    ]
    p = holm(np.array([np.nan if line is None else _slope_p(line) for line in lines_found]))
    rows = [
        _follow(row, line, chance)
        for (_, row), line, chance in zip(table.iterrows(), lines_found, p, strict=True)
    ]
    changed = pd.DataFrame(rows, index=table.index)
    return table.assign(**{name: changed[name] for name in changed.columns})


def with_curve(table: pd.DataFrame, tickets: pd.DataFrame, storm: str) -> pd.DataFrame:
    """Ratios that follow a truck's output where its storms show that they do.

    A feeder that starts to turn late, or whose pockets fill less the faster it turns, puts down
    true mass = slope * reported mass - offset * minutes: its ratio is a line in minutes per lb,
    over 1 / output. How much the slopes of a fleet differ beyond chance is estimated by moments,
    and each slope is drawn towards none accordingly.

    Parameters
    ----------
    table : truck_id, material, trend_p and `FOLLOWED` of one storm.
    tickets : as `tickets.storm_tickets` returns them, all storms.
    storm : the storm asked for.

    Returns
    -------
    ``table`` with output_low_lb_per_min and output_high_lb_per_min, the mean outputs that its
    storms reach from and to, ratio_at_low and ratio_at_high (NaN: too few storms, or all at much
    the same output), curve_u, the relative standard uncertainty of their difference, and curve_p,
    the probability that chance makes any curve so strong among the trucks. Where it is significant,
    and more so than a drift, the ratio and its interval are those at this storm's output.

    Source: empirical Bayes by moments, Gelman et al., Bayesian Data Analysis, 3rd ed., 2013, 5.4
    (from memory).
    """
    of_truck = _complete(tickets)
    now = tickets[tickets["storm"] == storm].set_index(["truck_id", "material"])
    inverse = 1.0 / now["output_lb_per_min"]
    keys = list(zip(table["truck_id"], table["material"], strict=True))
    curves = [_curve(of_truck.get(key), float(inverse.get(key, np.nan))) for key in keys]
    p = holm(np.array([np.nan if one is None else _slope_p(one[0]) for one in curves]))
    known = [line for line, _ in filter(None, curves)]
    extra = [line.slope**2 - line.slope_u**2 for line in known]
    between = max(float(np.mean(extra)), 0.0) if known else 0.0
    rows = [
        _at_output(row, curve, chance, between)
        for (_, row), curve, chance in zip(table.iterrows(), curves, p, strict=True)
    ]
    changed = pd.DataFrame(rows, index=table.index)
    return table.assign(**{name: changed[name] for name in changed.columns})


def _complete(tickets: pd.DataFrame) -> dict[Any, pd.DataFrame]:
    """Of each truck and material, the storms whose tickets tell what was put down."""
    net = tickets["loaded_lb"] - tickets["returned_lb"]
    whole = (tickets["loads"] > 0) & (tickets["unreturned_lb"] == 0.0)
    told = tickets["comparable"] & (tickets["reported_lb"] > 0.0)
    usable = tickets[whole & told & (net > 0.0)]
    return dict(iter(usable.groupby(["truck_id", "material"])))


def _months(mine: pd.DataFrame, starts: Mapping[str, pd.Timestamp], storm: str) -> np.ndarray:
    """Time of each row from the storm asked for, months."""
    month = pd.Timedelta(days=DAYS_PER_MONTH)
    return np.array([(starts[name] - starts[storm]) / month for name in mine["storm"]])


def _curve(mine: pd.DataFrame | None, here: float) -> tuple[LineFit, np.ndarray] | None:
    """ln ratio over 1 / output, from the output asked for, and both ends; None: nothing is told."""
    if mine is None or not np.isfinite(here):
        return None
    mine = mine[mine["output_lb_per_min"] > 0.0]
    if len(mine) < TREND_STORMS:
        return None
    output = mine["output_lb_per_min"].to_numpy(dtype=float)
    ends = np.array([output.min(), output.max()])
    if ends[1] < OUTPUTS_APART * ends[0]:
        return None
    ratio, relative_u = _said(mine)
    line = fit_line(1.0 / output - here, ratio, ratio * relative_u, PRIOR_DOF)
    return line, np.array([*ends, here, np.mean(1.0 / output)])


def _at_output(
    row: pd.Series, curve: tuple[LineFit, np.ndarray] | None, p: float, between: float
) -> dict[str, float]:
    kept = {name: float(row[name]) for name in FOLLOWED}
    if curve is None:
        ends = dict.fromkeys(("output_low_lb_per_min", "output_high_lb_per_min"), np.nan)
        nothing = dict.fromkeys(("ratio_at_low", "ratio_at_high", "curve_p", "curve_u"), np.nan)
        return {**kept, **ends, **nothing}
    line, (low, high, here, middle) = curve
    slope = line.slope * between / (between + line.slope_u**2)
    centre = line.intercept + line.slope * (middle - here)
    said = {
        "output_low_lb_per_min": low,
        "output_high_lb_per_min": high,
        "ratio_at_low": float(centre + slope * (1.0 / low - middle)),
        "ratio_at_high": float(centre + slope * (1.0 / high - middle)),
        "curve_p": float(p),
        "curve_u": float(line.slope_u / abs(line.slope)) if line.slope else np.nan,
    }
    drifts = float(row["trend_p"])
    if not p < TREND_SIGNIFICANCE or drifts <= p:
        return {**kept, **said}
    ratio = centre + slope * (here - middle)
    if ratio <= 0.0:
        return {**kept, **said}
    return {**_of_line(float(np.log(ratio)), line.intercept_u / ratio, line.dof), **said}


def _line(mine: pd.DataFrame, x: np.ndarray) -> LineFit | None:
    """ln ratio of a truck as a line, its intercept at the storm asked for; None: too few storms."""
    if len(mine) < TREND_STORMS:
        return None
    ratio, relative_u = _said(mine)
    return fit_line(x, np.log(ratio), relative_u, PRIOR_DOF)


def _said(mine: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Ratio that each storm's tickets say, and its relative standard uncertainty."""
    net = (mine["loaded_lb"] - mine["returned_lb"]).to_numpy(dtype=float)
    relative_u = np.hypot(mine["ticket_u_lb"].to_numpy(dtype=float) / net, REPEATABILITY_REL)
    return net / mine["reported_lb"].to_numpy(dtype=float), relative_u


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
    return {**_of_line(line.intercept, line.intercept_u, line.dof), **trend}


def _of_line(middle: float, u: float, dof: float) -> dict[str, float]:
    """`FOLLOWED` where ``middle`` is ln ratio at this storm, with its standard uncertainty."""
    half = coverage_factor(dof) * u
    return {
        "ratio": float(np.exp(middle)),
        "ratio_lo": float(np.exp(middle - half)),
        "ratio_hi": float(np.exp(middle + half)),
        # the wider of a normal interval's half and its own, so that sums keep their coverage
        "ratio_u": half / Z95,
        "ratio_fleet_u": 0.0,  # its own line, nothing of the fleet's
    }
