"""A discrete-event simulation that drives a plan again from its files alone.

Plain Python over CSV and GeoJSON; it imports nothing of the program. Every row of
``plan_clock.csv`` is an order to a driver. What it takes (minutes, salt, where it ends) is worked
out from the inputs and ``plan_segments.csv``, and compared with what the row says.
"""

from __future__ import annotations

import csv
import json
import math
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from tests.clock.plain_roads import PlainRoads, Spot, miles

#: moments are written to the second: an end and a beginning may each be half a second off
SECOND = 1.01 / 60.0
TOUCH_MI = 0.05


def read(path: Path) -> list[dict[str, str]]:
    if not path.exists():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def local(text: str) -> datetime:
    """A moment of the inputs, which are written in the workspace's own time."""
    return datetime.fromisoformat(text).replace(tzinfo=ZoneInfo("America/Chicago"))


@dataclass
class Part:
    """A part of a segment on a run: as the plan says it is to be driven."""

    line: int
    minutes: float
    lb: float
    ends: tuple[Spot, Spot]
    two_way: bool
    passes: int
    treated_at: str
    done: float = 0.0

    @property
    def leave(self) -> Spot:
        return self.ends[0] if self.two_way and self.passes % 2 == 0 else self.ends[1]

    def spot(self, roads: PlainRoads) -> Spot:
        """Where the truck stands when so much of the part is done."""
        driven = self.done * self.passes
        whole = min(math.floor(driven + 1e-12), self.passes)
        share = driven - whole
        if whole == self.passes:
            return self.leave
        start, end = self.ends
        back = self.two_way and whole % 2 == 1
        at = (
            end.at - share * (end.at - start.at) if back else start.at + share * (end.at - start.at)
        )
        return roads.spot(start.line, at)


@dataclass
class World:
    """A workspace and the results of a plan, as files."""

    folder: Path
    storm: str
    starts: dict[str, datetime]
    clock: list[dict[str, str]] = field(init=False)
    faults: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        results = self.folder / "results" / self.storm
        self.clock = read(results / "plan_clock.csv")
        self.runs = {
            (row["application"], row["route_id"]): row for row in read(results / "plan_routes.csv")
        }
        self.trucks = {row["truck_id"]: row for row in read(self.folder / "trucks.csv")}
        self.shifts = [
            (row["truck_id"], *(local(row[name]) for name in ("from", "to")))
            for row in read(self.folder / "shifts.csv")
        ]
        collection = json.loads((self.folder / "routes.geojson").read_text(encoding="utf-8"))
        lines = [
            [tuple(xy) for xy in one["geometry"]["coordinates"]] for one in collection["features"]
        ]
        facts = [one["properties"] for one in collection["features"]]
        self.number = {(f["route_id"], f["segment_id"]): n for n, f in enumerate(facts)}
        self.two_way = [bool(fact.get("two_way", True)) for fact in facts]
        self.roads = PlainRoads(lines, self.two_way)
        self.yards = {
            row["yard_id"]: self.roads.beside((float(row["lon"]), float(row["lat"])))
            for row in read(self.folder / "yards.csv")
        }
        self.reload = {
            row["yard_id"]: float(row.get("reload_min") or 10.0)
            for row in read(self.folder / "yards.csv")
        }
        self.parts: dict[tuple[str, str], list[Part]] = {}
        for row in read(results / "plan_segments.csv"):
            line = self.number[row["route_id"], row["segment_id"]]
            ends = tuple(self.roads.spot(line, float(row[name])) for name in ("from_mi", "to_mi"))
            passes = int(float(row["passes"]))
            part = Part(
                line,
                float(row["length_mi"]) * passes / float(row["speed_mph"]) * 60.0,
                float(row["mass_lb"] or 0.0),
                ends,
                self.two_way[line],
                passes,
                row["treated_at"],
            )
            self.parts.setdefault((row["application"], row["route_id"]), []).append(part)

    def gap(self, before: Part, after: Part) -> float:
        """Way between two parts of a route that do not touch; 0 where they do."""
        outs = [before.ends[1], *([before.ends[0]] if before.two_way else [])]
        intos = [after.ends[0], *([after.ends[1]] if after.two_way else [])]
        away, out, into = min(
            ((miles(o.point, i.point), o, i) for i in intos for o in outs), key=lambda one: one[0]
        )
        return self.roads.way(out, into) if away > TOUCH_MI else 0.0


@dataclass
class Truck:
    """A truck that carries out its orders."""

    world: World
    name: str
    spot: Spot | None = None
    yard: str = ""
    hopper: float = 0.0
    material: str = ""
    loaded: float = 0.0
    spread: float = 0.0
    emptied: float = 0.0
    #: the part at whose end it stands
    at_end_of: tuple[str, str, int] | None = None

    def fault(self, row: dict[str, str], what: str) -> None:
        self.world.faults.append(f"{self.name} row {row['sequence']} {row['activity']}: {what}")

    def drive(self) -> None:
        world = self.world
        rows = [row for row in world.clock if row["truck_id"] == self.name]
        own = world.trucks[self.name]
        self.speed = float(own.get("travel_speed_mph") or 30.0)
        self.capacity = float(own["capacity_lb"])
        first = world.runs[rows[0]["application"], rows[0]["route_id"]]
        self.home = own.get("home_yard_id") or first["yard_id"]
        self.yard, self.spot = self.home, world.yards[self.home]
        before = None
        for place, row in enumerate(rows):
            if int(row["sequence"]) != place + 1:
                self.fault(row, "is out of order")
            if before is not None and before["end"] != row["start"]:
                self.fault(row, f"does not begin when the row before ends: {before['end']}")
            self.order(row, rows[place + 1 :])
            before = row
        if self.yard != self.home:
            self.fault(rows[-1], "does not end at home")
        balance = self.loaded - self.spread - self.emptied - self.hopper
        if abs(balance) > 0.01:
            self.fault(rows[-1], f"salt from nowhere: {balance}")

    def order(self, row: dict[str, str], after: list[dict[str, str]]) -> None:
        start, end = (datetime.fromisoformat(row[name]) for name in ("start", "end"))
        minutes = (end - start).total_seconds() / 60.0
        if abs(minutes - float(row["minutes"])) > 1e-3:
            self.fault(row, "minutes are not end less start")
        if row["activity"] != "wait":
            self.staffed(row, start, end)
        getattr(self, f"_{row['activity']}")(row, after, minutes, start)

    def staffed(self, row: dict[str, str], start: datetime, end: datetime) -> None:
        if not self.world.shifts:
            return
        covered = start
        for truck, begin, until in sorted(self.world.shifts, key=lambda one: one[1]):
            if truck == self.name and begin <= covered:
                covered = max(covered, until)
        if (end - covered).total_seconds() > 1.0:
            self.fault(row, f"nobody is there to drive until {end}")

    def _load(self, row: dict[str, str], _after: object, minutes: float, _start: datetime) -> None:
        run, lb = self.world.runs[row["application"], row["route_id"]], float(row["lb"])
        if self.yard != run["yard_id"]:
            self.fault(row, f"stands at {self.yard or 'a road'}, not at {run['yard_id']}")
        elif abs(minutes - self.world.reload[self.yard]) > SECOND:
            self.fault(row, f"takes {self.world.reload[self.yard]} min there, not {minutes}")
        if lb < 0.0:
            if abs(self.hopper + lb) > 0.01:
                self.fault(row, f"empties {-lb} of {self.hopper} lb")
            self.emptied, self.hopper = self.emptied - lb, 0.0
            return
        if self.hopper > 0.01 and self.material != run["material"]:
            self.fault(row, f"{run['material']} on top of {self.material}")
        self.material, self.hopper, self.loaded = (
            run["material"],
            self.hopper + lb,
            self.loaded + lb,
        )
        if self.hopper > self.capacity * (1 + 1e-6):
            self.fault(row, f"{self.hopper} lb in a hopper of {self.capacity}")

    def _travel(
        self, row: dict[str, str], after: list[dict[str, str]], minutes: float, start: datetime
    ) -> None:
        then = next((one for one in after if one["activity"] in ("load", "spread")), None)
        rests = bool(after) and after[0]["activity"] == "wait" and bool(self.world.shifts)
        goals: list[tuple[str, Spot]] = []
        gap = math.nan
        if then is None or rests or (after and after[0]["activity"] == "travel"):
            goals.append((self.home, self.world.yards[self.home]))
        if then is not None and then["activity"] == "load":
            yard = self.world.runs[then["application"], then["route_id"]]["yard_id"]
            goals.append((yard, self.world.yards[yard]))
        if then is not None and then["activity"] == "spread":
            if start < self.world.starts[then["application"]] and not rests:
                self.fault(row, "leaves before its application begins")
            parts = self.world.parts[then["application"], then["route_id"]]
            place = next(n for n, part in enumerate(parts) if part.done < 1.0 - 1e-9)
            goals.append(("", parts[place].spot(self.world.roads)))
            if self.at_end_of == (then["application"], then["route_id"], place - 1):
                gap = self.world.gap(parts[place - 1], parts[place])
        ways = [self.world.roads.way(self.spot, goal) for _, goal in goals]
        if not math.isnan(gap):
            ways[-1] = gap
        off = [abs(way / self.speed * 60.0 - minutes) for way in ways]
        best = min(range(len(off)), key=off.__getitem__)
        if off[best] > SECOND + 0.002 * minutes:
            self.fault(row, f"takes {[way / self.speed * 60.0 for way in ways]} min, not {minutes}")
        self.yard, self.spot = goals[best]
        self.at_end_of = None

    def _spread(self, row: dict[str, str], _after: object, minutes: float, start: datetime) -> None:
        key = (row["application"], row["route_id"])
        if self.world.runs[key]["truck_id"] != self.name:
            self.fault(row, "spreads on another truck's route")
        if start < self.world.starts[row["application"]]:
            self.fault(row, "spreads before its application begins")
        if self.material != self.world.runs[key]["material"]:
            self.fault(row, f"spreads {self.material}")
        said = float(row["lb"])
        left, lb, now = minutes, said, start.timestamp() / 60.0
        parts = self.world.parts[key]
        for place, part in enumerate(parts):
            if part.done >= 1.0:
                continue
            # salt is exact where moments are rounded, so it says how far the truck gets
            rest = 1.0 - part.done
            share = min(rest, lb / part.lb) if part.lb > 0.0 else rest
            if share <= 0.0 or share * part.minutes > left + 2 * SECOND:
                break
            whole = (rest - share) * max(part.lb, 1.0) < 0.001
            part.done = 1.0 if whole else part.done + share
            lb, left = lb - share * part.lb, left - share * part.minutes
            now += share * part.minutes
            self.spot, self.yard = part.spot(self.world.roads), ""
            if not whole:
                break
            self.at_end_of = (*key, place)
            self._compare(row, part, now)
            if place + 1 < len(parts) and self.world.gap(part, parts[place + 1]) > 0.001:
                break
        if abs(left) > 2 * SECOND:
            self.fault(row, f"{left} min are left over")
        if abs(lb) > 0.01:
            self.fault(row, f"{lb} lb are left over")
        self.hopper, self.spread = self.hopper - said, self.spread + said
        if self.hopper < -0.01:
            self.fault(row, f"spreads {-self.hopper} lb that it does not have")

    def _compare(self, row: dict[str, str], part: Part, now: float) -> None:
        treated = part.treated_at and datetime.fromisoformat(part.treated_at).timestamp() / 60.0
        if not treated or abs(treated - now) > 3 * SECOND:
            self.fault(row, f"a part is done at {now}, the plan has {treated or 'never'}")

    def _wait(
        self, row: dict[str, str], after: list[dict[str, str]], minutes: float, _start: datetime
    ) -> None:
        """Only for a round that has not begun, or where a shift ended."""
        begins = self.world.starts[row["application"]]
        end = datetime.fromisoformat(row["end"])
        shift = any(begin == end for truck, begin, _ in self.world.shifts if truck == self.name)
        if abs((end - begins).total_seconds()) > 1.0 and not shift:
            self.fault(row, f"waits {minutes} min for nothing")


def simulate(folder: Path, storm: str, starts: dict[str, datetime]) -> World:
    """Drive the plan of a storm again; what does not fit is in ``faults``."""
    world = World(folder, storm, starts)
    for name in dict.fromkeys(row["truck_id"] for row in world.clock):
        Truck(world, name).drive()
    return world
