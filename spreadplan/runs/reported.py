"""What the trucks' records report as released in a storm that is not itself reconciled."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from spreadplan.reconcile.increments import interval_mass
from spreadplan.runs.calibrating import assignments_of
from spreadplan.runs.in_force import usual_of
from spreadplan.runs.kept import KeptResult, keep_result, take_result
from spreadplan.runs.storm_digest import storm_digest, telemetry_state
from spreadplan.telemetry.scan import scan_telemetry
from spreadplan.workspace import Workspace


def reported_mass(workspace: Workspace, storm: str) -> pd.DataFrame:
    """Reported mass of each truck and material in a storm; no matching.

    Read again only where what it depends on has changed, see `kept`.
    """
    said: Mapping[str, Any] = {"rows": [], "known": {}, "usable": {}, "step_lb": {}, "spread_s": {}}
    if (workspace.folder / f"storms/{storm}/telemetry").is_dir():
        usual = usual_materials(workspace, storm)
        digest = storm_digest(workspace, storm, "reported", {"usual": usual})
        kept = take_result(digest)
        if kept is not None:
            said = kept.facts
        else:
            before = telemetry_state(workspace, storm)
            said = _said(workspace, storm, usual)
            if telemetry_state(workspace, storm) == before:
                keep_result(digest, KeptResult(said))
    sums = pd.DataFrame(said["rows"], columns=["truck_id", "material", "reported_lb"])
    known = (said[name] for name in ("known", "usable", "step_lb", "spread_s"))
    return with_silent(sums, *known)


def _said(workspace: Workspace, storm: str, usual: Mapping[str, str]) -> dict[str, Any]:
    """What the records say: rows of truck, material and lb, and what `with_silent` asks for."""
    rows: list[tuple[str, str, float]] = []
    known: dict[str, float] = {}
    step_lb: dict[str, float] = {}
    spread_s: dict[str, float] = {}
    with scan_telemetry(
        workspace.folder / f"storms/{storm}/telemetry",
        trucks=set(workspace.table("trucks")["truck_id"]),
        renames=workspace.renames.get("telemetry", {}),
        timezone=workspace.settings.timezone,
        shown=f"storms/{storm}/telemetry/",
    ) as files:
        for records in files.by_truck():
            released = interval_mass(records)
            known[records.truck_id] = released.known_share
            step_lb[records.truck_id] = released.step_lb
            spread_s[records.truck_id] = released.spread_s
            for code in set(released.material.tolist()):
                name = records.materials[code] if code >= 0 else usual[records.truck_id]
                mass = float(released.mass_lb[released.material == code].sum())
                rows.append((records.truck_id, name, mass))
        return {
            "rows": rows,
            "known": known,
            "usable": dict(files.usable),
            "step_lb": step_lb,
            "spread_s": spread_s,
        }


def with_silent(
    reported: pd.DataFrame,
    known: Mapping[str, float],
    usable: Mapping[str, float],
    step_lb: Mapping[str, float],
    spread_s: Mapping[str, float],
) -> pd.DataFrame:
    """Reported mass with a row of none for each truck whose records say nothing, or none is usable.

    ``known``, ``usable`` : truck → share of its time, and of its records, that tell something;
    ``step_lb`` : step of its total where that is coarse; ``spread_s`` : its time with the spreader
    on, s.
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
    )


def usual_materials(workspace: Workspace, storm: str) -> dict[str, str]:
    """What each truck spreads where its records don't say: that of its routes, or the fleet's."""
    everywhere = assignments_of(workspace, storm)["material"].mode().iloc[0]
    planned = usual_of(workspace, storm)
    of_truck = planned.groupby("truck_id")["material"].agg(lambda names: names.mode().iloc[0])
    trucks = workspace.table("trucks")["truck_id"]
    return {truck: str(of_truck.get(truck, everywhere)) for truck in trucks}
