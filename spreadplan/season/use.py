"""What a season used: the storms' masses in one table, and sums that know what is common.

The error of a truck's ratio of true to reported mass is the same on all its segments and in all
storms, so it adds up; part of it is even common to all trucks with the material, and part is of one
storm alone. The rest differs from segment to segment and averages out. Masses in lb.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.metrology import Z95
from spreadplan.planning.assigned import of_use
from spreadplan.planning.wetting import Made

Floats = NDArray[np.float64]

LAYERS: Final[Mapping[str, tuple[str, ...]]] = {
    "fleet_u_lb": ("material",),
    "truck_u_lb": ("truck_id", "material"),
    "storm_u_lb": ("storm", "truck_id", "material"),
    "own_u_lb": (),
}
"""Columns of standard uncertainty and what each is common to; () is independent row by row."""

"""Coverage factor of a two-sided 95 % interval, normal errors."""

SEGMENT_KEYS: Final = ["route_id", "segment_id", "material"]
PLANNED: Final = "planned"
MEASURED: Final = "measured"
USE_TYPES: Final[Mapping[str, str]] = {
    "storm": "object",
    "start": "datetime64[ns, UTC]",
    **dict.fromkeys(("source", *SEGMENT_KEYS[:2], "truck_id", "yard_id", "material"), "object"),
    **dict.fromkeys(("lane_miles", "treated_lane_miles"), "float64"),
    **dict.fromkeys(
        ("reported_lb", "applied_lb", "without_ticket_lb", "unseen_lb", *LAYERS), "float64"
    ),
    "as_prewet": "bool",
}
"""Columns of the season's masses with their types, in their order. ``as_prewet`` : liquid that was
put onto a solid, as rows of its own, without lane-miles: those are the solid's."""

LIQUID_METER_U: Final = 0.05
"""Relative standard uncertainty of the liquid that a truck's records tell, common to the truck.
Common practice, no source."""


@dataclass(frozen=True, eq=False, kw_only=True)
class StormOfSeason:
    """One storm of the season.

    Attributes
    ----------
    storm : its name. start, end : when, in UTC.
    rounds : rounds of spreading (applications) of the storm, as planned.
    parts : true mass of each truck on each segment, as `reconcile.storm.StormUse` has it; with
        `planned_storm` what the plan says.
    segments : one row for each route, segment and material: lane_miles (one application),
        applications, applied_lb, applied_u_lb, planned_lb, allowed_lb, rounds_planned, verdict,
        p_over, reason, unseen_lb; as reconcile judged them. Of a planned storm verdict is "" and
        p_over NaN.
    forecast : the storm's weather, as the workspace holds it.
    source : "measured" (reconciled telemetry) or "planned" (no telemetry: the plan stands in).
    """

    storm: str
    start: pd.Timestamp
    end: pd.Timestamp
    rounds: int
    parts: pd.DataFrame
    segments: pd.DataFrame
    forecast: pd.DataFrame
    source: str = MEASURED


def planned_storm(
    storm: str,
    start: pd.Timestamp,
    end: pd.Timestamp,
    plan_segments: pd.DataFrame,
    forecast: pd.DataFrame,
) -> StormOfSeason:
    """A storm without telemetry: it counts as its plan.

    Parameters
    ----------
    storm : its name.
    start, end : when, in UTC.
    plan_segments : the table, one row for each application of each part: application, route_id,
        segment_id, material, truck_id, lane_miles, mass_lb, mass_hi_lb. Rows without a mass are
        left out.
    forecast : the storm's weather, handed on as it is, see `StormOfSeason`.

    Returns
    -------
    StormOfSeason, masses in lb. All of the plan's uncertainty is taken as the truck's own, which
    makes sums look less certain than they are, never more. Reported mass is 0.
    """
    rows = plan_segments[plan_segments["mass_lb"].notna()]
    keys = [*SEGMENT_KEYS, "truck_id"]
    half = rows["mass_hi_lb"] - rows["mass_lb"]
    work = rows[keys].assign(applied_lb=rows["mass_lb"], truck_u_lb=half.fillna(0.0) / Z95)
    if "prewet_material" in rows:
        keys = [*keys, "prewet_material"]
        work = work.assign(prewet_gal=rows["prewet_gal"], prewet_material=rows["prewet_material"])
    parts = work.groupby(keys, sort=True).sum().reset_index().assign(prewet_told=False)
    nothing = ("reported_lb", "without_ticket_lb", "fleet_u_lb", "storm_u_lb", "own_u_lb")
    parts = parts.assign(**dict.fromkeys(nothing, 0.0))
    rounds = max(int(plan_segments["application"].nunique()), 1)
    treated = rows.groupby(SEGMENT_KEYS, sort=True)[["lane_miles", "mass_lb"]].sum()
    lane_miles = rows.groupby([*SEGMENT_KEYS, "application"])["lane_miles"].sum()
    one = lane_miles.groupby(level=SEGMENT_KEYS, sort=True).max()
    u_lb = parts.groupby(SEGMENT_KEYS, sort=True)["truck_u_lb"].sum()
    segments = pd.DataFrame(
        {
            "lane_miles": one,
            "applications": treated["lane_miles"] / one,
            "applied_lb": treated["mass_lb"],
            "applied_u_lb": u_lb,
            "planned_lb": treated["mass_lb"],
            "allowed_lb": np.nan,
            "rounds_planned": treated["lane_miles"] / one,
            "verdict": "",
            "p_over": np.nan,
            "reason": "",
            "unseen_lb": 0.0,
        }
    ).reset_index()
    return StormOfSeason(
        storm=storm,
        start=start,
        end=end,
        rounds=rounds,
        parts=parts,
        segments=segments,
        forecast=forecast,
        source=PLANNED,
    )


def season_use(
    storms: Sequence[StormOfSeason],
    assignments: pd.DataFrame,
    materials: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """The masses of all storms in one table, in order of time.

    Parameters
    ----------
    assignments : route_id, truck_id, yard_id, with ``storm`` as `planning.assigned.of_season` has
        them; a route's material counts against its yard.
    materials : material, kind, density_lb_gal and what else `materials` asks for; None leaves
        prewetting liquids out.

    Returns
    -------
    The columns of `USE_TYPES`, one row for each storm, route, segment, material and truck.
    ``lane_miles`` are those of one application, ``treated_lane_miles`` those of all; both are
    shared between the trucks of a segment by mass, so that they add up, and 0 off the routes.
    ``yard_id`` is "" for a route without an assignment.
    """
    frames = [_storm_rows(one) for one in sorted(storms, key=lambda one: one.start)]
    if not frames:
        return _no_use()
    rows = pd.concat(frames, ignore_index=True).assign(as_prewet=False)
    if materials is not None and "prewet_material" in rows:
        rows = pd.concat([rows, _liquid_rows(rows, materials)], ignore_index=True)
    rows["yard_id"] = of_use(assignments, rows, "yard_id").fillna("").astype(object)
    return rows[list(USE_TYPES)]


def _no_use() -> pd.DataFrame:
    """The table of a season without storms: its columns, with their types."""
    return pd.DataFrame({name: pd.Series([], dtype=kind) for name, kind in USE_TYPES.items()})


def _liquid_rows(rows: pd.DataFrame, materials: pd.DataFrame) -> pd.DataFrame:
    """Named prewetting liquids as use of their own; doubt as the solid's where nobody metered it.

    Rows of no liquid, and of one whose density is not known, are left out.
    """
    density = Made.of(materials).density_lb_gal
    wet = rows[rows["prewet_material"].fillna("").astype(str) != ""]
    mass = wet["prewet_gal"] * wet["prewet_material"].map(density).astype(float)
    told = wet["prewet_told"].astype(bool)
    share = (mass / wet["applied_lb"].where(wet["applied_lb"] > 0.0)).fillna(0.0)
    layers = {name: (wet[name] * share).where(~told, 0.0) for name in LAYERS}
    layers["truck_u_lb"] = layers["truck_u_lb"].where(~told, LIQUID_METER_U * mass)
    none = dict.fromkeys(
        ("lane_miles", "treated_lane_miles", "without_ticket_lb", "unseen_lb"), 0.0
    )
    liquid = wet.assign(
        material=wet["prewet_material"],
        applied_lb=mass,
        reported_lb=mass.where(told, 0.0),
        as_prewet=True,
        **layers,
        **none,
    )
    return liquid[liquid["applied_lb"] > 0.0]


def _storm_rows(one: StormOfSeason) -> pd.DataFrame:
    rows = one.parts.merge(
        one.segments[[*SEGMENT_KEYS, "lane_miles", "applications", "unseen_lb"]],
        on=SEGMENT_KEYS,
        how="left",
        validate="many_to_one",
    )
    total = rows.groupby(SEGMENT_KEYS)["applied_lb"].transform("sum")
    trucks = rows.groupby(SEGMENT_KEYS)["applied_lb"].transform("size")
    share = (rows["applied_lb"] / total.where(total > 0.0)).fillna(1.0 / trucks)
    lane_miles = rows["lane_miles"].fillna(0.0) * share
    return rows.assign(
        storm=one.storm,
        start=one.start,
        source=one.source,
        lane_miles=lane_miles,
        treated_lane_miles=lane_miles * rows["applications"].fillna(0.0),
        unseen_lb=rows["unseen_lb"].fillna(0.0) * share,
    )


def layered_u(
    rows: pd.DataFrame, by: Sequence[str], layers: Mapping[str, Sequence[str]] = LAYERS
) -> pd.Series:
    """Standard uncertainty of sums over groups.

    Parameters
    ----------
    rows : the columns of ``by`` and of ``layers``; a NaN counts as 0.
    by : one column or more.
    layers : columns of standard uncertainty (they may be negative: the sign of an effect counts
        where it is common) and the columns that name what the error is common to. Within equal
        names the errors add up linearly, between them by squares.

    Returns
    -------
    Series with index ``by``, sorted.

    Source: JCGM 100:2008 (GUM), 5.1.2 and 5.2.2.
    """
    by = list(by)
    parts = []
    for name, common in layers.items():
        values = rows[name].fillna(0.0)
        if common:
            keys = list(dict.fromkeys([*by, *common]))
            values = values.groupby([rows[key] for key in keys], dropna=False, sort=True).sum()
            squares = (values**2).groupby(level=by, sort=True, dropna=False).sum()
        else:
            squares = (values**2).groupby([rows[key] for key in by], dropna=False, sort=True).sum()
        parts.append(squares)
    total: pd.Series = pd.concat(parts, axis=1).sum(axis=1) ** 0.5
    return total


def summed_use(use: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """Masses summed over groups with their uncertainty.

    Returns
    -------
    DataFrame with index ``by``, sorted: reported_lb, applied_lb, without_ticket_lb (part of it that
    rests on loads that no ticket names), applied_u_lb (standard),
    applied_lo_lb, applied_hi_lb (95 %, never below 0), treated_lane_miles, storms (how many put
    something down).
    """
    by = list(by)
    names = ["reported_lb", "applied_lb", "without_ticket_lb", "treated_lane_miles"]
    total = use.groupby(by, sort=True, dropna=False)[names].sum()
    total["applied_u_lb"] = layered_u(use, by)
    half = Z95 * total["applied_u_lb"]
    total["applied_lo_lb"] = (total["applied_lb"] - half).clip(lower=0.0)
    total["applied_hi_lb"] = total["applied_lb"] + half
    if "route_id" in by:
        # over all routes it is counted already, on the rows without a segment
        total["applied_hi_lb"] += use.groupby(by, sort=True, dropna=False)["unseen_lb"].sum()
    used = use[use["applied_lb"] > 0.0]
    storms = used.groupby(by, sort=True, dropna=False)["storm"].nunique()
    total["storms"] = storms.reindex(total.index, fill_value=0).astype(int)
    return total
