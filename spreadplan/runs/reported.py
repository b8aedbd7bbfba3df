"""What the trucks' records report as released in a storm that is not itself reconciled."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

import pandas as pd

from spreadplan.matching.network import Network
from spreadplan.reconcile.increments import Increments, released_by
from spreadplan.reconcile.set_rates import tells_set_rates_only
from spreadplan.reconcile.use import TruckUse, stacked
from spreadplan.runs.calibrating import assignments_of
from spreadplan.runs.crews import TruckTask
from spreadplan.runs.in_force import home_routes, usual_of
from spreadplan.runs.kept import KeptResult, keep_result, take_result
from spreadplan.runs.storm_digest import storm_digest, telemetry_state
from spreadplan.schema.telemetry import TruckRecords
from spreadplan.telemetry.scan import scan_telemetry
from spreadplan.workspace import Workspace

TOLD: Final = ("known", "usable", "step_lb", "spread_s", "set_rate")
"""What `with_silent` asks for, truck by truck."""


def reported_mass(workspace: Workspace, storm: str, network: Network) -> pd.DataFrame:
    """Reported mass of each truck and material in a storm.

    Nothing is matched but trucks that tell set rates alone: those by the lanes they drove along.
    Read again only where what it depends on has changed, see `kept`.
    """
    said: Mapping[str, Any] = {"rows": [], **{name: {} for name in TOLD}}
    if (workspace.folder / f"storms/{storm}/telemetry").is_dir():
        usual = usual_materials(workspace, storm)
        depends = {"usual": usual, "densities": densities(workspace)}
        digest = storm_digest(workspace, storm, "reported", depends)
        said = _once(workspace, storm, digest, None)
        if any(said["set_rate"].values()):
            depends, routes = way_depends_on(workspace, storm), workspace.tables["routes"]
            digest = storm_digest(workspace, storm, "reported by the way", depends, [routes])
            said = _once(workspace, storm, digest, network)
    sums = pd.DataFrame(said["rows"], columns=["truck_id", "material", "reported_lb"])
    return with_silent(sums, *(said[name] for name in TOLD))


def _once(
    workspace: Workspace, storm: str, digest: str, network: Network | None
) -> Mapping[str, Any]:
    """What the records say, from what was kept where nothing has changed."""
    kept = take_result(digest)
    if kept is not None:
        return kept.facts
    before = telemetry_state(workspace, storm)
    said = _said(workspace, storm, network)
    if telemetry_state(workspace, storm) == before:
        keep_result(digest, KeptResult(said))
    return said


def _said(workspace: Workspace, storm: str, network: Network | None) -> dict[str, Any]:
    """What the records say: rows of truck, material and lb, and `TOLD`.

    network : where it is given, trucks that tell set rates alone are followed on it.
    """
    rows: list[tuple[str, str, float]] = []
    told: dict[str, dict[str, Any]] = {name: {} for name in TOLD}
    task = tasks_of(workspace, storm)
    with scan_telemetry(
        workspace.folder / f"storms/{storm}/telemetry",
        trucks=set(workspace.table("trucks")["truck_id"]),
        renames=workspace.renames.get("telemetry", {}),
        timezone=workspace.settings.timezone,
        shown=f"storms/{storm}/telemetry/",
    ) as files:
        for records in files.by_truck():
            truck = records.truck_id
            told["set_rate"][truck] = tells_set_rates_only(records)
            job = task(records)
            use: TruckUse | Increments
            if network is not None and told["set_rate"][truck]:
                use = job.done(network)
                whole = stacked([use.segments]).groupby("material")["reported_lb"].sum()
                rows += [(truck, str(name), float(mass)) for name, mass in whole.items()]
            else:
                use = released_by(records, job.usual_material, job.lb_per_gal)
                for code in set(use.material.tolist()):
                    name = records.materials[code] if code >= 0 else job.usual_material
                    rows.append((truck, name, float(use.mass_lb[use.material == code].sum())))
            told["known"][truck] = use.known_share
            told["step_lb"][truck], told["spread_s"][truck] = use.step_lb, use.spread_s
        return {"rows": rows, **told, "usable": dict(files.usable)}


def with_silent(
    reported: pd.DataFrame,
    known: Mapping[str, float],
    usable: Mapping[str, float],
    step_lb: Mapping[str, float],
    spread_s: Mapping[str, float],
    set_rate: Mapping[str, bool],
) -> pd.DataFrame:
    """Reported mass with a row of none for each truck whose records say nothing, or none is usable.

    ``known``, ``usable`` : truck → share of its time, and of its records, that tell something;
    ``step_lb`` : step of its total where that is coarse; ``spread_s`` : its time with the spreader
    on, s; ``set_rate`` : whether it tells set rates alone.
    """
    silent = [truck for truck in {**known, **usable} if truck not in set(reported["truck_id"])]
    nothing = pd.DataFrame({"truck_id": silent, "material": "", "reported_lb": 0.0})
    rows = pd.concat([reported, nothing.astype({"truck_id": object})], ignore_index=True)
    truck = rows["truck_id"]
    minutes = truck.map(spread_s).astype(float) / 60.0
    whole_lb = rows.groupby("truck_id")["reported_lb"].transform("sum")
    return rows.assign(
        output_lb_per_min=whole_lb / minutes.where(minutes > 0.0),
        known_share=truck.map(known).astype(float),
        usable_share=truck.map(usable).fillna(1.0),
        step_lb=truck.map(step_lb).astype(float).fillna(0.0),
        set_rate=truck.map(set_rate).eq(True),
    )


def tasks_of(workspace: Workspace, storm: str) -> Callable[[TruckRecords], TruckTask]:
    """What is to be known of a truck to follow it through a storm, from its records."""
    routes, usual = home_routes(workspace, storm), usual_materials(workspace, storm)
    density = densities(workspace)

    def task(records: TruckRecords) -> TruckTask:
        truck = records.truck_id
        return TruckTask(records, routes.get(truck, frozenset()), usual[truck], density)

    return task


def densities(workspace: Workspace) -> dict[str, float]:
    """Mass of a gallon of each liquid, lb."""
    materials = workspace.table("materials")
    liquid = materials[materials["kind"] == "liquid"]
    return {
        str(name): float(one)
        for name, one in zip(liquid["material"], liquid["density_lb_gal"], strict=True)
    }


def way_depends_on(workspace: Workspace, storm: str) -> dict[str, Any]:
    """What the way of a storm's trucks, and what they released on it, depends on beside roads."""
    return {
        "routes": {truck: sorted(own) for truck, own in home_routes(workspace, storm).items()},
        "usual": usual_materials(workspace, storm),
        "materials": sorted(workspace.table("materials")["material"]),
        "densities": densities(workspace),
    }


def usual_materials(workspace: Workspace, storm: str) -> dict[str, str]:
    """What each truck spreads where its records don't say: that of its routes, or the fleet's."""
    everywhere = assignments_of(workspace, storm)["material"].mode().iloc[0]
    planned = usual_of(workspace, storm)
    of_truck = planned.groupby("truck_id")["material"].agg(lambda names: names.mode().iloc[0])
    trucks = workspace.table("trucks")["truck_id"]
    return {truck: str(of_truck.get(truck, everywhere)) for truck in trucks}
