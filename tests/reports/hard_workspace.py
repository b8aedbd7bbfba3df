"""A small workspace with everything that makes a report hard to lay out.

Names as long as anybody would type, names that look like markup or like a template, a truck with
many tests and one with none, a route of one segment and one of sixty with six settings.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from spreadplan.calibration import Calibration, fit_fleet
from spreadplan.planning.plan import PlanInputs, StormPlan, plan_storm
from spreadplan.reports.cab_card import cab_cards
from spreadplan.reports.certificate import certificates, work_sheet
from spreadplan.reports.plan_report import PlanBackground, plan_report
from spreadplan.views.setting import Setting, setting_of
from spreadplan.workspace import Workspace, read_workspace

SCRIPT = "<script>alert(1)</script>"
TEMPLATE = "{{7*7}}{% raw %}"
LONG = "Averyverylongtrucknamewithoutanyspaceinit_0123456789_0123456789"
ROAD = "Old Military Road along the upper river, north side, & its <b>frontage</b>"
STORM = "s1"
TABLES = (
    "trucks",
    "materials",
    "discharge_tests",
    "weighings",
    "changes",
    "assignments",
    "routes",
    "yards",
    "stock_counts",
    "deliveries",
    "sensitive_areas",
)


@dataclass(frozen=True)
class Hard:
    """Everything that reports are made from."""

    workspace: Workspace
    calibration: Calibration
    plan: StormPlan
    setting: Setting


def hard(folder: Path, units: str = "us") -> Hard:
    """Write the workspace, read it, calibrate and plan."""
    write(folder, units)
    workspace = read_workspace(
        folder, required=TABLES, optional=["policy"], storms={STORM: ("forecast", "rates")}
    )
    table = workspace.table
    calibration = fit_fleet(
        table("discharge_tests"),
        table("weighings"),
        table("trucks"),
        table("materials"),
        table("changes"),
        table("assignments"),
        workspace.policy,
        pd.Timestamp("2026-12-01T23:00Z"),
    )
    plan = plan_storm(
        PlanInputs(
            storm=STORM,
            loads=table("loads", STORM),
            returns=table("returns", STORM),
            forecast=table("forecast", STORM),
            rates=table("rates", STORM),
            policy=workspace.policy,
            models=calibration.models,
            advice=calibration.advice,
            **{
                name: table(name)
                for name in (
                    "routes",
                    "assignments",
                    "trucks",
                    "materials",
                    "yards",
                    "stock_counts",
                    "deliveries",
                    "sensitive_areas",
                )
            },
        )
    )
    return Hard(workspace, calibration, plan, setting_of(workspace.settings))


def write(folder: Path, units: str) -> None:
    """Write the files of the workspace."""
    storm = folder / "storms" / STORM
    storm.mkdir(parents=True)
    toml = f'[workspace]\nname = "{SCRIPT} County"\nunits = "{units}"\n'
    (folder / "workspace.toml").write_text(toml + 'timezone = "America/Chicago"\n')
    for name, text in {**_trucks_and_tests(), **_yards()}.items():
        (folder / f"{name}.csv").write_text(text)
    (folder / "routes.geojson").write_text(json.dumps(_routes()))
    (folder / "sensitive_areas.geojson").write_text(json.dumps(_areas()))
    (storm / "rates.csv").write_text(
        "route_id,application,start,rate_lb_per_lane_mile\n"
        "*,1,2026-12-02T02:00,200\n*,2,2026-12-02T06:00,150\n*,3,2026-12-02T10:00,90\n"
    )
    (storm / "forecast.csv").write_text(
        "zone,start,end,event,pavement_temp_f,precipitation_in,application\n"
        "*,2026-12-02T02:00,2026-12-02T06:00,light_snow,24,0.05,1\n"
        "*,2026-12-02T06:00,2026-12-02T10:00,light_snow,20,0.08,2\n"
        "*,2026-12-02T10:00,2026-12-02T14:00,light_snow,9,0.02,3\n"
    )


def _trucks_and_tests() -> dict[str, str]:
    trucks = [
        "truck_id,control,feeder,capacity_lb,gate_positions_in,control_step_pct,max_spread_lanes",
        f"{LONG},open_loop,auger,9000,2;3;4,2.5,2",
        f'"{SCRIPT}",closed_loop,conveyor,24000,3,1,2',
        f'"{TEMPLATE}",open_loop,auger,12000,2,5,2',
        "never,open_loop,auger,12000,,5,2",
    ]
    tests = [
        "test_id,truck_id,material,performed_at,gate_in,feeder_pct,duration_s,sensor_counts,"
        "engine_rpm,voided_by"
    ]
    weighings = ["test_id,method,gross_lb,tare_lb,count,scale_division_lb"]

    def test(
        name: str,
        truck: str,
        gate: float,
        pct: float,
        net: float,
        counts: str = "",
        day: str = "2026-10-20",
        seconds: int = 60,
        void: str = "",
    ) -> None:
        tests.append(
            f'{name},"{truck}",salt,{day}T09:00,{gate},{pct},{seconds},{counts},1300,"{void}"'
        )
        weighings.append(f"{name},direct,{net},,,1")

    for number in range(25):
        gate, pct = (2, 3, 4)[number % 3], 20 + 10 * (number // 3)
        day = f"2026-10-{number + 1:02d}"
        test(f"A{number}", LONG, gate, pct, round(gate * pct * (1 + 0.01 * (number % 4))), day=day,
             seconds=60 if number % 2 else 45,
             void="the container was not empty, they say" if number % 6 == 5 else "")  # fmt: skip
    for number, (pct, net) in enumerate(((38, 205), (38, 199), (60, 330))):
        test(
            f"B{number}", SCRIPT, 3, pct, net, counts=str(300 * pct // 38), day=f"2026-10-2{number}"
        )
    test("C0", TEMPLATE, 2, 100, 400, void=SCRIPT)
    test("C1", TEMPLATE, 2, 100, 402)
    changes = f'truck_id,changed_at,what,note\n"{LONG}",2026-10-04,other,{TEMPLATE}\n'
    return {
        "trucks": "\n".join(trucks) + "\n",
        "discharge_tests": "\n".join(tests) + "\n",
        "weighings": "\n".join(weighings) + "\n",
        "changes": changes,
    }


def _yards() -> dict[str, str]:
    return {
        "materials": "material,kind,chloride_fraction,chemical\nsalt,solid,0.588,NaCl\n",
        "assignments": "route_id,truck_id,yard_id,material\n"
        f'../one,"{TEMPLATE}",Y,salt\nsixty,{LONG},Y,salt\n'
        f'"{SCRIPT}","{SCRIPT}","{SCRIPT}",salt\nuntested,never,Y,salt\n',
        "yards": f'yard_id,lon,lat,reload_min\nY,-94,46,10\n"{SCRIPT}",-94.1,46.02,10\n',
        "stock_counts": "yard_id,material,counted_at,on_hand_ton\nY,salt,2026-11-01,3\n",
        "deliveries": "ticket_id,yard_id,material,delivered_at,net_ton\nN1,Y,salt,2026-11-02,1\n",
    }


def _feature(properties: dict[str, object], kind: str, coordinates: object) -> dict[str, object]:
    geometry = {"type": kind, "coordinates": coordinates}
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def _routes() -> dict[str, object]:
    def road(
        route: str,
        number: int,
        start: tuple[float, float],
        end: tuple[float, float],
        speed: float,
        lanes: float = 2,
    ) -> dict[str, object]:
        return _feature(
            {
                "route_id": route,
                "segment_id": f"{route[:4]}-{number}",
                "lanes": lanes,
                "speed_mph": speed,
                "name": f"{ROAD} {number}",
            },
            "LineString",
            [list(start), list(end)],
        )

    features = [
        road("../one", 1, (-94.0, 46.0), (-94.0, 46.03), 25),
        road(SCRIPT, 1, (-94.1, 46.0), (-94.05, 46.03), 30),
        road(SCRIPT, 2, (-94.05, 46.03), (-94.05, 46.08), 20, 1),
        road("untested", 1, (-93.9, 46.1), (-93.85, 46.1), 25),
    ]
    for number in range(60):
        west = -94.0 + 0.004 * number
        speed = (14, 18, 22, 26, 30, 35)[number * 7 % 6 if number % 5 else 0]
        features.append(road("sixty", number, (west, 46.0), (west + 0.004, 46.0), speed))
    return {"type": "FeatureCollection", "features": features}


def _areas() -> dict[str, object]:
    square = [[-93.95, 45.99], [-93.93, 45.99], [-93.93, 46.01], [-93.95, 46.01], [-93.95, 45.99]]
    return {
        "type": "FeatureCollection",
        "features": [
            _feature(
                {"area_id": "S1", "name": f"Well {SCRIPT}", "kind": "well", "rate_factor": 0.5},
                "Polygon",
                [square],
            ),
        ],
    }


def pages_of(made: Hard) -> list[tuple[str, str]]:
    """Every report: name, HTML."""
    table, as_of = made.workspace.table, made.calibration.as_of
    background = PlanBackground(
        sensitive_areas=table("sensitive_areas"),
        yards=table("yards"),
        policy=made.workspace.policy,
        pick="middle",
    )
    found = certificates(
        made.calibration, table("trucks"), table("changes"), made.workspace.policy, made.setting
    )
    cards = cab_cards(made.plan, table("sensitive_areas"), made.setting, as_of)
    return [
        *((f"certificate_{truck}", page) for truck, page in found),
        ("work_sheet", work_sheet(made.setting, as_of)),
        ("plan", plan_report(made.plan, made.calibration, background, made.setting)),
        *((f"card_{name}", page) for name, page in cards),
    ]
