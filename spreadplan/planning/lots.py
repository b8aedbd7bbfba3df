"""Parking lots, yards and walks: rates by area, mass and liquid, beside the roads.

A lot takes the rate of the policy's row for its class, as a lane of 12 ft would: 63.36 thousand
square feet are a lane-mile of it. Which gate and feeder give the rate is not worked out, the clock
leaves the lots out, and `rates.csv` speaks of routes alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from spreadplan.frames import lines
from spreadplan.planning.applications import Application, conditions_of, labelled_forecast
from spreadplan.planning.rows import RateInputs, targeted
from spreadplan.planning.wetting import Made, with_wetting
from spreadplan.remarks import Finding, remark
from spreadplan.schema.results import RESULTS
from spreadplan.units import FEET_PER_MILE, POUNDS_PER_TON, convert

#: the lane by which a rate per lane-mile is one per area
LANE_FT: Final = 12.0
FT2_PER_LANE_MILE: Final = LANE_FT * FEET_PER_MILE
#: 95 % of the mass of a truck that was never tested lies within this, as on roads
UNTESTED: Final = 0.40


def planned_lots(
    areas: pd.DataFrame,
    applications: Sequence[Application],
    storm: RateInputs,
    capacity_lb: Mapping[str, float],
) -> tuple[pd.DataFrame, list[Finding]]:
    """What each lot takes in each application, and what the planner should know of it.

    Parameters
    ----------
    areas : as in `areas.csv`: lot_id, name, area_ft2, truck_id, yard_id, material,
        prewet_gal_per_ton, prewet_material, service_class, zone.
    applications : the storm's rounds of spreading.
    storm : what rates depend on.
    capacity_lb : what each truck carries.

    Returns
    -------
    The table ``plan_areas`` (rates in lb or gal per 1,000 ft²; NaN without a rate), and findings.
    """
    made = Made.of(storm.materials)
    lots = with_wetting(
        areas.rename(columns={"lot_id": "route_id"}).assign(
            lane_width_ft=LANE_FT, area_id="", area_ids=pd.Series([()] * len(areas), areas.index)
        ),
        made,
    )
    zones = [str(zone) for zone in lots["zone"].drop_duplicates()]
    conditions, _ = conditions_of(labelled_forecast(storm.forecast), zones, applications)
    frames, findings = [], []
    for application in applications:
        some = []
        for service_class, mine in lots.groupby("service_class", sort=False):
            own = _of_class(storm, str(service_class))
            rows, found = targeted(mine, application, conditions, own)
            some.append(rows)
            findings += found
        rows = pd.concat(some).sort_index()
        frames.append(_amounts(rows, made, capacity_lb).assign(application=application.label))
    columns = RESULTS["plan_areas"].names
    table = pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=columns)
    return table[columns], findings + list(_findings(table))


def _of_class(storm: RateInputs, service_class: str) -> RateInputs:
    """With the policy's rows for a class of lots alone, where it has any: a road's row that states
    more of other things is none for a lot.
    """
    rates = storm.policy.rates
    own = rates[rates["service_class"].str.casefold() == service_class.casefold()]
    if not service_class or own.empty:
        return storm
    return replace(storm, policy=replace(storm.policy, rates=own))


def _amounts(rows: pd.DataFrame, made: Made, capacity_lb: Mapping[str, float]) -> pd.DataFrame:
    """Rates per area, mass, liquid and loads of lots with their target rates."""
    rate = rows["target_rate_lb_per_lane_mile"].to_numpy(dtype=float)
    mass = rate * rows["area_ft2"].to_numpy(dtype=float) / FT2_PER_LANE_MILE
    density = rows["material"].map(made.density_lb_gal).to_numpy(dtype=float)
    solid = rows["material"].map(made.solid).fillna(True).to_numpy(dtype=bool)
    per_1000 = rate / FT2_PER_LANE_MILE * 1000.0
    prewet = np.where(solid, rows["prewet_gal_per_ton"].to_numpy(dtype=float), 0.0)
    carries = rows["truck_id"].map(capacity_lb).to_numpy(dtype=float)
    return rows.rename(columns={"route_id": "lot_id"}).assign(
        rate_lb_per_1000_ft2=per_1000,
        rate_gal_per_1000_ft2=np.where(solid, np.nan, per_1000 / density),
        rate_g_per_m2=convert(per_1000, "pound/thousand_ft2", "gram/meter**2"),
        mass_lb=mass,
        mass_lo_lb=mass * (1.0 - UNTESTED),
        mass_hi_lb=mass * (1.0 + UNTESTED),
        chemical_lb=mass * rows["chemical_lb_per_lb"].to_numpy(dtype=float),
        liquid_gal=np.where(solid, 0.0, mass / density),
        prewet_gal=mass / POUNDS_PER_TON * prewet,
        loads=np.ceil(mass / carries),
    )


def _findings(table: pd.DataFrame) -> Iterator[Finding]:
    for row in lines(table[table["mass_lb"].isna()] if len(table) else table):
        yield Finding(
            "problem",
            remark("of_lot", lot=row.lot_id, application=row.application),
            row.note[0] if row.note else remark("lot_without_rate"),
            (remark("give_a_row_for_lots", service_class=row.service_class or "*"),),
        )
    if len(table) and table["mass_lb"].gt(0).any():
        yield Finding(
            "note", remark("of_lots"), remark("lots_have_no_setting"), (remark("set_by_maker"),)
        )


def with_lots(needed: pd.DataFrame, lots: pd.DataFrame, made: Made) -> pd.DataFrame:
    """What yards need, with what lots take of them.

    Parameters
    ----------
    needed : yard_id, material, mass_lb, mass_lo_lb, mass_hi_lb.
    lots : as `planned_lots` returns them.

    Returns
    -------
    The columns of ``needed``, sorted by yard and material, a named prewetting liquid included. Ends
    of intervals are added up, as if lots and roads erred together: the cautious reading.
    """
    if lots.empty:
        return needed
    wet = lots[(lots["prewet_material"] != "") & (lots["prewet_gal"] > 0)]
    density = wet["prewet_material"].map(made.density_lb_gal).to_numpy(dtype=float)
    gallons = wet["prewet_gal"].to_numpy(dtype=float)
    liquid = wet.assign(
        material=wet["prewet_material"],
        mass_lb=gallons * density,
        mass_lo_lb=gallons * density * (1.0 - UNTESTED),
        mass_hi_lb=gallons * density * (1.0 + UNTESTED),
    )
    columns = ["yard_id", "material", "mass_lb", "mass_lo_lb", "mass_hi_lb"]
    both = pd.concat([frame[columns] for frame in (needed, lots, liquid) if len(frame)])
    both = both[both["mass_lb"].notna()]
    return both.groupby(columns[:2], sort=True, as_index=False).sum()
