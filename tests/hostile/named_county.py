"""A county whose every name is given by the test: trucks, routes, roads, yards, notes, tickets."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterable, Sequence

import pandas as pd

from tests.hostile.small_county import Files

TRUCKS = 6
NAMES_NEEDED = 9 * TRUCKS + 12
START = pd.Timestamp("2026-12-01T04:10:00-06:00")


class Names:
    """Gives each thing its name, the same whenever it is asked for."""

    def __init__(self, words: Sequence[str]) -> None:
        self._words = iter(words)
        self._given: dict[tuple[str, int], str] = {}

    def __call__(self, kind: str, number: int = 0) -> str:
        if (kind, number) not in self._given:
            self._given[kind, number] = next(self._words)
        return self._given[kind, number]

    def __contains__(self, word: object) -> bool:
        return word in self._given.values()

    def all(self, kind: str) -> list[str]:
        """Every name of a kind."""
        return [name for (one, _), name in self._given.items() if one == kind]


def _csv(header: str, rows: Iterable[Sequence[object]]) -> bytes:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([header.split(","), *rows])
    return out.getvalue().encode()


def _each(row: Callable[[int], Sequence[object]]) -> list[Sequence[object]]:
    return [row(number) for number in range(TRUCKS)]


def _toml(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def named_county(names: Names, storm: str) -> Files:
    """Files of a county of `TRUCKS` trucks with a route each; odd trucks are closed loop."""
    salt, sand, yard = names("material"), names("material", 1), names("yard")
    tables = {
        "materials.csv": _csv(
            "material,kind,chloride_fraction,chemical",
            [(salt, "solid", 0.588, "NaCl"), (sand, "solid", 0.1, "none")],
        ),
        "trucks.csv": _csv(
            "truck_id,control,feeder,capacity_lb,gate_positions_in",
            _each(
                lambda n: (
                    names("truck", n),
                    ("open_loop", "closed_loop")[n % 2],
                    "auger",
                    14000,
                    2,
                )
            ),
        ),
        "discharge_tests.csv": _csv(
            "test_id,truck_id,material,performed_at,gate_in,feeder_pct,duration_s,sensor_counts,"
            "voided_by",
            [
                *_each(
                    lambda n: (
                        names("test", n),
                        names("truck", n),
                        salt,
                        "2026-10-20T09:00",
                        2,
                        90,
                        60,
                        1200,
                        "",
                    )
                ),
                (
                    names("test", 99),
                    names("truck", 0),
                    salt,
                    "2026-10-20T10:00",
                    2,
                    40,
                    60,
                    600,
                    names("reason"),
                ),
            ],
        ),
        "weighings.csv": _csv(
            "test_id,method,gross_lb,tare_lb",
            [
                *_each(lambda n: (names("test", n), "direct", 600 + n, "")),
                (names("test", 99), "direct", 290, ""),
            ],
        ),
        "changes.csv": _csv(
            "truck_id,changed_at,what,note",
            _each(lambda n: (names("truck", n), "2026-10-01", "gate", names("note", n))),
        ),
        "assignments.csv": _csv(
            "route_id,truck_id,yard_id,material",
            _each(lambda n: (names("route", n), names("truck", n), yard, salt)),
        ),
        "yards.csv": _csv("yard_id,lon,lat", [(yard, -94, 46)]),
        "stock_counts.csv": _csv(
            "yard_id,material,counted_at,on_hand_ton", [(yard, salt, "2026-11-01", 3)]
        ),
        "budgets.csv": _csv(
            "season,scope,scope_id,material,budget_ton",
            [
                (names("season"), "agency", "", salt, 20),
                (names("season"), "yard", yard, salt, 2),
                (names("season"), "route", names("route", 0), salt, 1),
            ],
        ),
        "deliveries.csv": _csv(
            "ticket_id,yard_id,material,delivered_at,net_ton",
            [(names("delivery"), yard, salt, "2026-11-05", 24.6)],
        ),
        f"storms/{storm}/forecast.csv": _csv(
            "zone,start,end,event,pavement_temp_f,trend,precipitation_in,application",
            _each(
                lambda n: (
                    names("zone", n),
                    "2026-12-01T04:00",
                    "2026-12-01T10:00",
                    names("event"),
                    25,
                    names("trend"),
                    0.05,
                    names("round"),
                )
            ),
        ),
        f"storms/{storm}/loads.csv": _csv(
            "ticket_id,truck_id,yard_id,loaded_at,material,net_lb",
            _each(
                lambda n: (
                    names("load", n),
                    names("truck", n),
                    yard,
                    "2026-12-01T03:30",
                    salt,
                    3000,
                )
            ),
        ),
    }
    return {
        "workspace.toml": f'[workspace]\nname = {_toml(names("county"))}\nunits = "us"\n'
        'timezone = "America/Chicago"\nseason_start = 2026-10-01\n'
        "season_end = 2027-04-30\n".encode(),
        "policy.toml": f"[[rate]]\nevent = {_toml(names('event'))}\nmaterial = {_toml(salt)}\n"
        f"rate_lb_per_lane_mile = [150, 250]\nsource = {_toml(names('source'))}\n".encode(),
        **tables,
        "routes.geojson": json.dumps(_routes(names)).encode(),
        "sensitive_areas.geojson": json.dumps(_areas(names)).encode(),
        f"storms/{storm}/telemetry/{storm}.csv": _telemetry(names, salt).encode(),
    }


def _line(number: int) -> list[list[float]]:
    return [[-94 + 0.02 * number, 46.0], [-94 + 0.02 * number, 46.04]]


def _routes(names: Names) -> dict[str, object]:
    return {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "geometry": {"type": "LineString", "coordinates": _line(n)},
                "properties": {
                    "route_id": names("route", n),
                    "segment_id": names("segment", n),
                    "lanes": 2,
                    "speed_mph": 25,
                    "service_class": names("class"),
                    "zone": names("zone", n),
                    "name": names("road", n),
                },
            }
            for n in range(TRUCKS)
        ],
    }


def _areas(names: Names) -> dict[str, object]:
    ring = [[-94.01, 46.01], [-93.95, 46.01], [-93.95, 46.03], [-94.01, 46.03], [-94.01, 46.01]]
    return {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "geometry": {"type": "Polygon", "coordinates": [ring]},
                "properties": {
                    "area_id": names("area"),
                    "name": names("area name"),
                    "kind": names("area kind"),
                    "rate_factor": 0.5,
                    "mean_flow_cfs": 3,
                    "chloride_limit_ton": 0.01,
                },
            }
        ],
    }


def _telemetry(names: Names, salt: str) -> str:
    rows = [
        {
            "truck_id": names("truck", n),
            "time": (START + pd.Timedelta(seconds=10 * step)).isoformat(),
            "lon": -94 + 0.02 * n,
            "lat": round(46 + 0.0015 * step, 6),
            "speed_mph": 25,
            "spreading": 1,
            "feed_total_lb": 20 * step,
            "material": salt,
        }
        for n in range(TRUCKS)
        for step in range(26)
    ]
    rows.append({**rows[0], "truck_id": names("stranger")})
    rows.append({**rows[0], "lon": names("no number")})
    return pd.DataFrame(rows).to_csv(index=False)
