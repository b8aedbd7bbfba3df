"""One row for each application of each part of each segment, with the rate to aim at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spreadplan.planning.applications import (
    Application,
    Condition,
    applications_of,
    conditions_of,
    labelled_forecast,
)
from spreadplan.planning.assigned import assigned, in_round
from spreadplan.planning.frames import together
from spreadplan.planning.geometry import split_at_areas
from spreadplan.planning.rates import base_rates, lower_in_areas, rate_on_lane, width_factor
from spreadplan.planning.wetting import Made, wetted_rates, with_wetting
from spreadplan.remarks import Finding, Remark, remark
from spreadplan.schema.policy import Pick, Policy

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Objects = NDArray[np.object_]


@dataclass(frozen=True, kw_only=True)
class RateInputs:
    """What the rates depend on, as the workspace holds it."""

    assignments: pd.DataFrame
    forecast: pd.DataFrame
    rates: pd.DataFrame
    policy: Policy
    sensitive_areas: gpd.GeoDataFrame | None
    materials: pd.DataFrame
    pick: Pick


def parts_of(routes: gpd.GeoDataFrame, areas: gpd.GeoDataFrame | None) -> gpd.GeoDataFrame:
    """Segments in driving order, cut at sensitive areas.

    A route is driven in the order of ``sequence``, where that is missing in the order of the file.
    Adds to the columns of `split_at_areas`: area_id (ids joined by "; "), lane_miles,
    lanes_per_pass.
    """
    order = routes.sort_values(["route_id", "sequence", "row"], kind="stable")
    parts = split_at_areas(order.drop(columns="row"), areas)
    parts["area_id"] = parts["area_ids"].map("; ".join)
    parts["lane_miles"] = parts["length_mi"] * parts["lanes"]
    parts["lanes_per_pass"] = parts["lanes"] / parts["passes"]
    return parts


def target_rows(
    parts: gpd.GeoDataFrame, storm: RateInputs
) -> tuple[gpd.GeoDataFrame, list[Application], list[Finding]]:
    """Every part in every application with its target rate, in order of application.

    Adds to the parts: who treats them and with what (`assigned.assigned`), how wet
    (`wetting.with_wetting`), application, phase, event, pavement_temp_f, precipitation_in, plow,
    target_rate_lb_per_lane_mile (NaN: none), cap_lb_per_lane_mile, rate_source, note, run (number
    of the application of a route) and discharge_lb_per_min (needed).
    """
    forecast, made = labelled_forecast(storm.forecast), Made.of(storm.materials)
    applications = applications_of(forecast, storm.rates)
    zones = [str(zone) for zone in parts["zone"].drop_duplicates()]
    conditions, findings = conditions_of(forecast, zones, applications)
    frames = []
    labels = [application.label for application in applications]
    for application in applications:
        who = in_round(storm.assignments, application.label, labels)
        mine = with_wetting(assigned(parts, who), made)
        base, found = base_rates(
            mine, application, storm.rates, storm.policy, conditions, storm.pick
        )
        targets, of_wetting = _with_targets(mine, base, storm)
        findings += found + of_wetting
        frames.append(
            targets.assign(
                application=application.label,
                phase=application.phase,
                **_weather(mine["zone"], application, conditions),
            )
        )
    if not frames:
        nobody = with_wetting(assigned(parts, storm.assignments.iloc[:0]), made)
        frames = [
            _with_targets(nobody, _no_base(nobody), storm)[0]
            .iloc[:0]
            .assign(
                application="",
                phase="",
                event="",
                pavement_temp_f=np.nan,
                precipitation_in=np.nan,
                plow=None,
            )
        ]
    rows = pd.concat(frames, ignore_index=True) if len(frames) > 1 else frames[0]
    rows["run"] = rows.groupby(["application", "route_id"], sort=False).ngroup()
    rows["discharge_lb_per_min"] = (
        rows["target_rate_lb_per_lane_mile"] * rows["lanes_per_pass"] * rows["speed_mph"] / 60.0
    )
    return rows, applications, findings


def targeted(
    pieces: pd.DataFrame,
    application: Application,
    conditions: dict[tuple[str, str], Condition],
    storm: RateInputs,
) -> tuple[pd.DataFrame, list[Finding]]:
    """Pieces that are no route, with the rate that the policy has for them.

    Parameters
    ----------
    pieces : route_id, zone, service_class, material, lane_width_ft, area_id, area_ids and what
        `wetting.with_wetting` adds; shape (n,).
    conditions : the weather of each zone and application label.

    Returns
    -------
    Them with target_rate_lb_per_lane_mile (NaN: none), cap_lb_per_lane_mile, rate_source and note,
    and findings. The planner's own rates are of routes and do not count.
    """
    none = storm.rates.iloc[:0]
    base, found = base_rates(pieces, application, none, storm.policy, conditions, storm.pick)
    rows, of_wetting = _with_targets(pieces, base, storm)
    return rows, found + of_wetting


def _no_base(parts: pd.DataFrame) -> pd.DataFrame:
    blank = {"lb_per_lane_mile": np.nan, "g_per_m2": np.nan, "gal_per_lane_mile": np.nan}
    nothing = [()] * len(parts)
    texts = dict.fromkeys(("source", "note", "wetting"), nothing)
    return pd.DataFrame({**blank, **texts, "wetting_included": False}, index=parts.index)


def _weather(
    zones: pd.Series, application: Application, conditions: dict[tuple[str, str], Condition]
) -> dict[str, Any]:
    """Event, temperature, water and plowing of each zone; "", NaN, None where not stated."""
    codes, names = pd.factorize(zones)
    unknown = Condition(
        zone="",
        event="",
        pavement_temp_f=np.nan,
        trend="",
        precipitation_in=np.nan,
        start=pd.NaT,
        end=pd.NaT,
    )
    found = [conditions.get((str(name), application.label), unknown) for name in names]
    return {
        "event": np.array([one.event for one in found], dtype=object)[codes],
        "pavement_temp_f": np.array([one.pavement_temp_f for one in found])[codes],
        "precipitation_in": np.array([one.precipitation_in for one in found])[codes],
        "plow": np.array([one.plow for one in found], dtype=object)[codes],
    }


def _with_targets(
    parts: gpd.GeoDataFrame, base: pd.DataFrame, storm: RateInputs
) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """The parts with target rate, cap, source and the notes on how the rate came about."""
    base, of_wetting, findings = wetted_rates(base, parts, storm.policy)
    width = parts["lane_width_ft"].to_numpy(dtype=float)
    density = (
        parts["material"]
        .map(dict(zip(storm.materials["material"], storm.materials["density_lb_gal"], strict=True)))
        .to_numpy(dtype=float)
    )
    rate = rate_on_lane(base, width, density, storm.policy)
    sensitive = lower_in_areas(
        rate,
        parts["area_ids"],
        storm.sensitive_areas,
        storm.policy,
        parts["counted_lb_per_lb"].to_numpy(dtype=float),
    )
    note = base["note"].to_numpy(dtype=object).copy()
    gallons = base["gal_per_lane_mile"].notna().to_numpy() & np.isnan(rate)
    note[gallons] = together([(remark("no_density"),)] * int(gallons.sum()))
    note += together(of_wetting)
    kind = parts["material"].map(
        dict(zip(storm.materials["material"], storm.materials["kind"], strict=True))
    )
    by_mass = base[["lb_per_lane_mile", "g_per_m2"]].notna().any(axis=1)
    solution = (by_mass & (kind == "liquid")).to_numpy()
    _add_note(note, solution, [remark("of_solution")] * int(solution.sum()))
    factor = width_factor(width, storm.policy)
    scaled = (factor != 1.0) & base["g_per_m2"].isna().to_numpy() & ~np.isnan(rate)
    _add_note(note, scaled, _scaled_note(width, factor, scaled))
    _add_note(note, sensitive.lowered, _lowered_note(parts, rate, width, sensitive.lowered))
    return parts.assign(
        target_rate_lb_per_lane_mile=sensitive.rate_lb_per_lane_mile,
        cap_lb_per_lane_mile=sensitive.cap_lb_per_lane_mile,
        rate_source=base["source"].to_numpy(),
        note=note,
    ), findings


def _add_note(notes: Objects, where: Bools, added: list[Remark]) -> None:
    """Append a remark to each of the notes where the mask holds, in place."""
    notes[where] += together([(one,) for one in added])


def _scaled_note(width: Floats, factor: Floats, where: Bools) -> list[Remark]:
    return [
        remark("for_lane_width", share=float(share), width_ft=float(feet))
        for share, feet in zip(factor[where], width[where], strict=True)
    ]


def _lowered_note(parts: pd.DataFrame, rate: Floats, width: Floats, where: Bools) -> list[Remark]:
    return [
        remark("lowered_in_area", area=area, before_lb_per_lane_mile=(float(before), float(feet)))
        for area, before, feet in zip(
            parts["area_id"].to_numpy()[where], rate[where], width[where], strict=True
        )
    ]


def rates_of(
    pieces: pd.DataFrame,
    application: Application,
    conditions: dict[tuple[str, str], Condition],
    storm: RateInputs,
) -> tuple[Floats, Objects]:
    """The rate that each piece of road would get in some weather.

    Parameters
    ----------
    pieces : rows as `target_rows` returns them, of one application; shape (n,).
    application : the round of spreading.
    conditions : the weather of each zone and application label.
    storm : what rates are chosen from.

    Returns
    -------
    Rate, lb per lane-mile, and where it comes from; each of shape (n,). NaN and () without a rate.
    """
    base, _ = base_rates(pieces, application, storm.rates, storm.policy, conditions, storm.pick)
    aimed, _ = _with_targets(pieces, base, storm)
    rate = aimed["target_rate_lb_per_lane_mile"].to_numpy(dtype=float)
    return rate, aimed["rate_source"].to_numpy(dtype=object)
