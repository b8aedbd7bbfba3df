"""Single steps of the work, with plain arrays and frames: nothing is read or written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

if TYPE_CHECKING:
    import geopandas as gpd

    from spreadplan.calibration.curve import Curve

MINUTES_PER_HOUR = 60.0
USUAL_SPEED_MPH = 25.0
"""Spreading speed where none is given. Common practice, no source."""


def fit_discharge_curve(
    feeder_pct: ArrayLike, discharge_lb_per_min: ArrayLike, discharge_u_lb_per_min: ArrayLike
) -> Curve | None:
    """Fit the simplest discharge curve that tests at one gate support.

    Parameters
    ----------
    feeder_pct : feeder output of each test, percent, > 0, shape (n,).
    discharge_lb_per_min : what came out, lb/min, shape (n,).
    discharge_u_lb_per_min : its standard uncertainty from weighing and timing, >= 0, shape (n,).

    Returns
    -------
    A curve with ``discharge(feeder_pct)``, ``interval(feeder_pct, confidence)``, ``kind`` and
    ``choice``; None where nothing came out.

    Raises
    ------
    ValueError : shapes differ, or a value is not possible.

    Source: weighted least squares, JCGM 100:2008, H.3; the guide's page of the method.

    >>> curve = fit_discharge_curve([20, 60, 100], [120, 362, 598], [2, 3, 4])
    >>> curve.kind, round(float(curve.discharge(50.0)))
    ('proportional', 300)
    """
    from spreadplan.calibration.curve import fit_curve

    output, discharge, u = (
        np.asarray(one, dtype=float)
        for one in (feeder_pct, discharge_lb_per_min, discharge_u_lb_per_min)
    )
    if not (output.shape == discharge.shape == u.shape and output.ndim == 1 and output.size):
        raise ValueError("the three must have one shape (n,), n > 0")
    finite = np.isfinite(output + discharge + u).all()
    if not (finite and np.all(output > 0.0) and np.all(u >= 0.0)):
        raise ValueError("outputs must be above 0, uncertainties at least 0, all of them finite")
    return fit_curve(output, discharge, u)


@dataclass(frozen=True)
class FeederSetting:
    """A setting that gives a rate.

    feeder_pct : feeder output, percent; NaN where full output gives less.
    discharge_lb_per_min : the discharge that the rate needs.
    rate_lo_lb_per_lane_mile, rate_hi_lb_per_lane_mile : 95 % interval of the mean rate.
    max_speed_mph : the fastest that full output serves.
    """

    feeder_pct: float
    discharge_lb_per_min: float
    rate_lo_lb_per_lane_mile: float
    rate_hi_lb_per_lane_mile: float
    max_speed_mph: float


def setting_for_rate(
    curve: Curve, rate_lb_per_lane_mile: float, speed_mph: float, lanes: float = 1.0
) -> FeederSetting:
    """The feeder output that gives a rate at a speed.

    Parameters
    ----------
    curve : as `fit_discharge_curve` returns it.
    rate_lb_per_lane_mile : target rate, > 0.
    speed_mph : spreading speed, > 0.
    lanes : lanes treated in one pass, > 0.

    Returns
    -------
    The setting; a suggestion, never an order.

    Raises
    ------
    ValueError : a value is not above 0.

    Source: q = r L v / 60, the definition of the rate.

    >>> curve = fit_discharge_curve([20, 60, 100], [120, 362, 598], [2, 3, 4])
    >>> setting = setting_for_rate(curve, rate_lb_per_lane_mile=200.0, speed_mph=30.0, lanes=2.0)
    >>> setting.discharge_lb_per_min, round(setting.feeder_pct)
    (200.0, 33)
    """
    if not min(rate_lb_per_lane_mile, speed_mph, lanes) > 0.0:
        raise ValueError("rate, speed and lanes must be above 0")
    lane_miles_per_min = lanes * speed_mph / MINUTES_PER_HOUR
    need = rate_lb_per_lane_mile * lane_miles_per_min
    output = float(curve.feeder_for(np.asarray(need)))
    low, high = curve.interval(np.asarray(output), 0.95)
    most = float(curve.discharge(np.asarray(100.0)))
    return FeederSetting(
        output,
        need,
        float(low) / lane_miles_per_min,
        float(high) / lane_miles_per_min,
        most / (rate_lb_per_lane_mile * lanes) * MINUTES_PER_HOUR,
    )


def match_positions(
    routes: gpd.GeoDataFrame, records: pd.DataFrame, own_routes: frozenset[str] = frozenset()
) -> pd.DataFrame:
    """Where one truck drove: the segment and direction of each record.

    Parameters
    ----------
    routes : route_id, segment_id, LineStrings in longitude and latitude; two_way (whether it may
        be driven against the drawn direction; True by default), speed_mph (usual speed; 25 by
        default).
    records : of one truck, in order of time: time (timezone-aware), lon, lat; speed_mph and
        heading_deg where known.
    own_routes : routes that the truck is assigned to, preferred where positions cannot decide.

    Returns
    -------
    On the index of ``records``: route_id, segment_id ("" off the network), along (driven as drawn),
    offset_m (from the line).

    Raises
    ------
    ValueError : times decrease.

    Source: hidden Markov map matching after Newson and Krumm, ACM SIGSPATIAL GIS 2009.
    """
    from spreadplan.matching.network import build_network
    from spreadplan.matching.trace import match_trace
    from spreadplan.units import METRES_PER_MILE

    usual = {"two_way": True, "speed_mph": USUAL_SPEED_MPH}
    routes = routes.assign(**{name: one for name, one in usual.items() if name not in routes})
    routes = routes.reset_index(drop=True)
    network = build_network(routes)
    x_m, y_m = network.plane.project(
        records["lon"].to_numpy(dtype=float), records["lat"].to_numpy(dtype=float)
    )
    unknown = np.full(len(records), np.nan)
    # arrays of our own: for those that nobody may write to all kernels would be compiled once more
    speed_mph, heading_deg = (
        records[name].to_numpy(dtype=np.float64, copy=True) if name in records else unknown
        for name in ("speed_mph", "heading_deg")
    )
    since = records["time"] - pd.Timestamp(0, tz="UTC")
    time_s = np.array(since.dt.total_seconds(), dtype=np.float64)
    speed_mps = speed_mph * METRES_PER_MILE / 3600.0
    match = match_trace(network, time_s, x_m, y_m, speed_mps, heading_deg, own_routes)
    on_it = match.row >= 0
    at = np.maximum(match.row, 0)
    names = {
        name: np.where(on_it, routes[name].to_numpy(dtype=object)[at], "")
        for name in ("route_id", "segment_id")
    }
    places = {"along": match.along & on_it, "offset_m": match.offset_m}
    return pd.DataFrame(names | places, index=records.index)


def truck_ratios(
    reported: pd.DataFrame,
    loads: pd.DataFrame,
    returns: pd.DataFrame,
    storm: str,
    calibration_pct: float = 5.0,
) -> pd.DataFrame:
    """Ratio of true to reported mass of each truck and material of a storm.

    Parameters
    ----------
    reported : storm, truck_id, material, reported_lb, of all storms of the season; known_share
        (share of the time in which records tell something; 1 by default).
    loads : storm, truck_id, material, loaded_at, net_lb, scale_division_lb (NaN: not known).
    returns : storm, truck_id, material, returned_at, net_lb.
    storm : the storm asked for.
    calibration_pct : an error below this needs no new test, percent.

    Returns
    -------
    truck_id, material, ratio, ratio_lo, ratio_hi (95 %), verdict, advice and more, as in
    `use_trucks.csv`.

    Source: the guide's page of the method, "use".
    """
    from spreadplan.reconcile.true_mass import mass_ratios

    if "known_share" not in reported:
        reported = reported.assign(known_share=1.0)
    return mass_ratios(reported, loads, returns, storm, calibration_pct)


def verdicts(
    applied_lb: ArrayLike,
    applied_u_lb: ArrayLike,
    planned_lb: ArrayLike,
    *,
    over_pct: float = 10.0,
    under_pct: float = 10.0,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Is it too much, by a decision rule with a guard band?

    Parameters
    ----------
    applied_lb : best estimate of the true mass, lb, shape (n,).
    applied_u_lb : its standard uncertainty, >= 0, shape (n,).
    planned_lb : planned mass, lb; NaN: none, shape (n,).
    over_pct, under_pct : tolerances, percent of the plan.
    confidence : probability needed for a verdict without "probably", 0.5 to 1.

    Returns
    -------
    verdict, p_over, p_under, reason; a row for each.

    Source: JCGM 106:2012, 7.2 and 8.3.

    >>> verdicts([130.0, 112.0, 100.0], [5.0, 5.0, 5.0], [100.0, 100.0, 100.0])["verdict"].tolist()
    ['over', 'probably_over', 'within']
    """
    from spreadplan.reconcile.verdicts import DecisionRule, judge

    applied, u, planned = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(one, float)) for one in (applied_lb, applied_u_lb, planned_lb))
    )
    known: Mapping[str, Any] = {
        "applied_lb": applied,
        "applied_u_lb": u,
        "planned_lb": planned,
        "allowed_lb": planned * (1.0 + over_pct / 100.0),
        "least_lb": planned * (1.0 - under_pct / 100.0),
        "coverage": 1.0,
        "contested": False,
        "too_short": False,
        "applications": 1.0,
        "rounds_planned": 1.0,
    }
    return judge(pd.DataFrame(known), DecisionRule(over_pct, under_pct, confidence))
