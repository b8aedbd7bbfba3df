"""Liquid that goes straight to the road: flow, setting and how well it is known.

A boom holds no gate: what its driver sets is a flow, or a rate that the control turns into one. A
truck's own tests say what to set for what is to come out; without them its liquid is known no
better than the salt of an untested truck. Flows in gal/min, rates in gal per lane-mile.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.calibration.liquid import LiquidKey, LiquidModel
from spreadplan.calibration.standing import run_uncertainty, too_uncertain
from spreadplan.planning.frames import places
from spreadplan.planning.serving import COMMON_U
from spreadplan.units import liquid_flow_gal_per_min

Floats = NDArray[np.float64]

LANE_SHARE: Final = 0.5
"""A boom that is short of another lane by less than this part of it covers it too: stream nozzles
are aimed outward. Common practice, no source."""


def with_flows(
    rows: pd.DataFrame, materials: pd.DataFrame, models: Mapping[LiquidKey, LiquidModel]
) -> pd.DataFrame:
    """Rows with what their liquid needs, and the settings that the boom's tests give.

    Parameters
    ----------
    rows : with what `serving.with_settings` adds, shape (n,); voided_by must speak of the boom.
    materials : material, kind, density_lb_gal.
    models : by truck, liquid and circuit.

    Returns
    -------
    The rows with is_liquid, rate_gal_per_lane_mile and flow_gal_per_min (NaN for solids), and
    setting_gal_per_min (NaN without a test of the boom). Of rows that a test of the boom serves
    also what `serving.UNSERVED` names.
    """
    liquid = materials[materials["kind"] == "liquid"].set_index("material")["density_lb_gal"]
    density = rows["material"].map(liquid).to_numpy(dtype=float)
    rate = rows["target_rate_lb_per_lane_mile"].to_numpy(dtype=float) / density
    flow = liquid_flow_gal_per_min(
        rate, rows["speed_mph"].to_numpy(dtype=float), rows["lanes_per_pass"].to_numpy(dtype=float)
    )
    out = {
        name: rows[name].to_numpy().copy()
        for name in (
            *COMMON_U,
            "relative_run_u",
            "dof",
            "modelled",
            "too_uncertain",
            "doubt",
            "extrapolated",
            "achieved_rate_lb_per_lane_mile",
            "own_rate_lb_per_lane_mile",
        )
    }
    setting = np.full(len(rows), np.nan)
    wanted = (flow > 0.0) & ~rows["modelled"].to_numpy(dtype=bool)
    wanted &= (rows["voided_by"] == "").to_numpy()
    at_work = np.flatnonzero(wanted)
    for (truck, material), some in places(
        rows.iloc[at_work][["truck_id", "material"]], ["truck_id", "material"]
    ).items():
        model = models.get((str(truck), str(material), "boom"))
        if model is None:
            continue
        at = at_work[some]
        found = model.setting_for(flow[at])
        doubtful = too_uncertain(found.relative_u, model.run_sd, model.dof)
        out["too_uncertain"][at] = doubtful
        out["doubt"][at] = run_uncertainty(found.relative_u, model.run_sd, model.dof)
        use = at[~doubtful]
        setting[use] = found.setting_gal_per_min[~doubtful]
        out["common_u_1"][use] = found.relative_u[~doubtful]
        out["relative_run_u"][use], out["dof"][use] = model.run_sd, model.dof
        out["extrapolated"][use], out["modelled"][use] = found.extrapolated[~doubtful], True
        target = rows["target_rate_lb_per_lane_mile"].to_numpy(dtype=float)[use]
        out["achieved_rate_lb_per_lane_mile"][use] = target
        out["own_rate_lb_per_lane_mile"][use] = target
    return rows.assign(
        **out,
        is_liquid=rows["material"].isin(liquid.index),
        rate_gal_per_lane_mile=rate,
        flow_gal_per_min=flow,
        setting_gal_per_min=setting,
    )


def boom_lanes(boom_width_ft: Floats, lane_width_ft: Floats) -> Floats:
    """Lanes that a boom covers at once, at least one; NaN where its width is not known.

    >>> boom_lanes(np.array([8.0, 12.0, 20.0]), np.array(12.0)).tolist()
    [1.0, 1.0, 2.0]
    """
    return np.maximum(np.floor(boom_width_ft / lane_width_ft + LANE_SHARE), 1.0)


def tank_lb(tank_gal: pd.Series[float], runs: pd.DataFrame) -> pd.Series[float]:
    """What the liquid tank of each run's truck holds; NaN for solids and without a tank.

    ``runs`` : mass_lb and liquid_gal of each run, on the index of ``tank_gal``.
    """
    density = (runs["mass_lb"] / runs["liquid_gal"]).where(runs["liquid_gal"] > 0.0)
    return tank_gal * density
