"""True mass on each segment, with everything that is uncertain in it.

The ratio of a truck is one number for all its segments, so its error doesn't average out over a
route; part of it, the mean of the fleet, is even common to all trucks, and part of it is of the
storm alone, new in the next. Where the mass fell (the
matching), when it fell within an interval between records (the timing) and the feeder's run-to-run
scatter differ from segment to segment and do. Mass taken from one segment by the matching goes to
its neighbour: counted here as independent, which makes a sum look less certain than it is, never
more. Masses in lb.

Method: JCGM 100:2008 (GUM), 5.1.2 and 5.2.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from spreadplan.calibration.assumptions import REPEATABILITY_REL
from spreadplan.planning.material import mass_interval
from spreadplan.reconcile.periods import TREND_SIGNIFICANCE
from spreadplan.reconcile.ratio_model import Floats

OFF_ROUTE: Final = "off_route"
SEGMENT_KEYS: Final = ["route_id", "segment_id", "material"]

EDGE_U: Final = 0.1
"""Standard uncertainty of where within an interval its mass fell, as a share of that mass, at each
end of a segment. Common practice, no source."""


def timing_u_lb(interval_lb: Floats, passes: Floats) -> Floats:
    """Standard uncertainty from the intervals that reach over both ends of a segment.

    Parameters
    ----------
    interval_lb : reported mass of a usual interval between two records, shape (n,).
    passes : how often the segment was passed while spreading, shape (n,).
    """
    result: Floats = EDGE_U * interval_lb * np.sqrt(2.0 * passes)
    return result


def applied_parts(use: pd.DataFrame, ratios: pd.DataFrame) -> pd.DataFrame:
    """True mass of each truck on each segment, with the parts of its uncertainty.

    Parameters
    ----------
    use : route_id, segment_id, material, truck_id, reported_lb, passes, matching_u_lb, timing_u_lb
        (standard uncertainties of the reported mass); one row each. Where the passes of one
        application are of one run, ``rounds`` tells how many runs there were: what differs from
        run to run is the same in all passes of one. ``setting_u`` is the relative standard
        uncertainty of how the ratio at the segment's setting differs from the truck's mean,
        ``run_u`` the truck's relative run-to-run scatter (else `REPEATABILITY_REL`).
    ratios : as `true_mass.mass_ratios` returns them.

    Returns
    -------
    ``use`` with applied_lb, fleet_u_lb (common to all trucks with the material), truck_u_lb (common
    to all segments of the truck), storm_u_lb (common to them in this storm) and own_u_lb
    (independent).

    Raises
    ------
    ValueError : a truck and material without a ratio.
    """
    keys = ["truck_id", "material"]
    known = ratios[[*keys, "ratio", "ratio_u", "ratio_fleet_u", "ratio_storm_u"]]
    parts = use.merge(known, on=keys, how="left", validate="many_to_one")
    without = parts["ratio"].isna()
    if without.any():
        truck, material = parts.loc[without, keys].iloc[0]
        raise ValueError(f"truck {truck} has no ratio for {material}")
    ratio = parts.pop("ratio")
    u, fleet_u, storm_u = (parts.pop(f"ratio_{name}") for name in ("u", "fleet_u", "storm_u"))
    moved, moved_u = _by_output(parts, ratios)
    applied = (parts["reported_lb"] * ratio + moved).clip(lower=0.0)
    runs = parts.get("rounds", parts["passes"]).clip(lower=1.0)
    own = (
        (ratio * parts["matching_u_lb"]) ** 2
        + (ratio * parts["timing_u_lb"]) ** 2
        + (parts.get("run_u", REPEATABILITY_REL) * applied) ** 2 / runs
        + (parts.get("setting_u", 0.0) * applied) ** 2
        + moved_u**2
    )
    return parts.assign(
        applied_lb=applied,
        fleet_u_lb=applied * fleet_u,
        truck_u_lb=applied * np.sqrt((u**2 - fleet_u**2 - storm_u**2).clip(lower=0.0)),
        storm_u_lb=applied * storm_u,
        own_u_lb=np.sqrt(own),
    )


def _by_output(parts: pd.DataFrame, ratios: pd.DataFrame) -> tuple[pd.Series[float], ...]:
    """What a truck puts down more on a segment than its ratio says, and its uncertainty, lb.

    A truck whose ratio follows its output (see `periods.with_curve`) puts down slope * reported
    mass - offset * minutes: more where its output was above that of the storm, less where below.
    Over the storm nothing is added.
    """
    nothing = pd.Series(0.0, parts.index)
    if not {"spread_s"} <= set(parts.columns) or not {"curve_p"} <= set(ratios.columns):
        return nothing, nothing
    keys = ["truck_id", "material"]
    ends = [f"{what}_{end}" for what in ("ratio_at", "output") for end in ("low", "high")]
    ends = [name + "_lb_per_min" if name.startswith("output") else name for name in ends]
    own = parts[keys].merge(ratios[[*keys, *ends, "curve_p", "curve_u"]], on=keys, how="left")
    own.index = parts.index
    apart = 1.0 / own["output_high_lb_per_min"] - 1.0 / own["output_low_lb_per_min"]
    slope = (own["ratio_at_high"] - own["ratio_at_low"]) / apart
    slope = slope.where(own["curve_p"] < TREND_SIGNIFICANCE, 0.0).fillna(0.0)
    minutes = parts["spread_s"] / 60.0
    of_truck = [parts[key] for key in keys]
    whole_lb = parts["reported_lb"].groupby(of_truck).transform("sum")
    per_lb = minutes.groupby(of_truck).transform("sum") / whole_lb.where(whole_lb > 0.0)
    moved = slope * (minutes - parts["reported_lb"] * per_lb).fillna(0.0)
    return moved, moved * own["curve_u"].fillna(0.0)


def summed_applied(parts: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Sums over groups, common errors kept common.

    Parameters
    ----------
    parts : as `applied_parts` returns them, with the columns of ``by``.
    by : names of the columns that make a group.

    Returns
    -------
    DataFrame with index ``by``, sorted: reported_lb, applied_lb, applied_u_lb (standard
    uncertainty), applied_lo_lb, applied_hi_lb (95 %).

    Source: JCGM 100:2008, 5.2.
    """
    names = ["reported_lb", "applied_lb", "fleet_u_lb", "truck_u_lb", "storm_u_lb"]
    fleet_keys = list(dict.fromkeys([*by, "material"]))
    truck_keys = list(dict.fromkeys([*fleet_keys, "truck_id"]))
    work = parts.assign(variance=parts["own_u_lb"] ** 2)
    trucks = work.groupby(truck_keys, sort=True)[[*names, "variance"]].sum()
    trucks["variance"] += trucks["truck_u_lb"] ** 2 + trucks["storm_u_lb"] ** 2
    fleets = trucks.groupby(level=fleet_keys, sort=True).sum()
    fleets["variance"] += fleets["fleet_u_lb"] ** 2
    total = fleets.groupby(level=by, sort=True)[["reported_lb", "applied_lb", "variance"]].sum()
    u_lb = np.sqrt(total.pop("variance").to_numpy(dtype=float))
    found = mass_interval(
        total["applied_lb"].to_numpy(dtype=float), u_lb, np.full(len(total), np.inf)
    )
    return total.assign(applied_u_lb=u_lb, applied_lo_lb=found.lo_lb, applied_hi_lb=found.hi_lb)


def applied_by_segment(parts: pd.DataFrame, segments: pd.DataFrame) -> pd.DataFrame:
    """True mass and rate of each segment and material.

    Parameters
    ----------
    parts : as `applied_parts` returns them.
    segments : route_id, segment_id, lane_miles (one application), passes_per_application.

    Returns
    -------
    route_id, segment_id, material, passes, lane_miles, reported_lb, applied_lb, applied_u_lb,
    applied_lo_lb, applied_hi_lb, applications (passes made over passes of one application),
    applied_rate_lb_per_lane_mile (per application; NaN where nothing was passed or off the
    routes).
    """
    table = summed_applied(parts, SEGMENT_KEYS)
    table["passes"] = parts.groupby(SEGMENT_KEYS)["passes"].sum()
    keys = ["route_id", "segment_id"]
    known = segments[[*keys, "lane_miles", "passes_per_application"]]
    table = table.reset_index().merge(known, on=keys, how="left", validate="many_to_one")
    applications = table["passes"] / table["passes_per_application"]
    treated = (table["lane_miles"] * applications).where(lambda lane_miles: lane_miles > 0.0)
    table["applications"] = applications
    table["applied_rate_lb_per_lane_mile"] = table["applied_lb"] / treated
    return table[
        [
            *SEGMENT_KEYS,
            "passes",
            "lane_miles",
            "reported_lb",
            "applied_lb",
            "applied_u_lb",
            "applied_lo_lb",
            "applied_hi_lb",
            "applications",
            "applied_rate_lb_per_lane_mile",
        ]
    ]
