"""Tickets, true masses, verdicts and stock of a storm, worked out again in plain Python.

Masses in lb. Rules: JCGM 106:2012, 7.2 and 8.3 (conformance probability, guard bands); JCGM
100:2008, 5.1.2 and 5.2.2 (independent and common errors).
"""

from __future__ import annotations

import math
import tomllib
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from statistics import NormalDist
from typing import Any
from zoneinfo import ZoneInfo

from tests.differential.reconcile_oracle import (
    JOINT_M,
    MASS_LB,
    OFF,
    Place,
    Segment,
    Storm,
    quantity,
    renames_of,
    rows_of,
    segments_of,
    sums,
)
from tests.differential.reconcile_ratio import (
    RUN_REL,
    Known,
    Slip,
    know,
    this_storm,
    ticket_variance,
)

Z = NormalDist().inv_cdf(0.975)
PHI = NormalDist().cdf
DIVISION_LB = 20.0
LEAST_COVERAGE = 0.8


@dataclass
class Ticket:
    """A load or a return."""

    storm: str
    truck: str
    yard: str
    material: str
    at: float
    net: float
    division: float


@dataclass
class Ratio:
    """ln ratio of this storm with its uncertainties, and what the season says."""

    reported: float
    slip: Slip | None
    season: Known
    middle: float
    u: float
    fleet_u: float


@dataclass
class Row:
    """A row of use_segments or use_routes."""

    reported: float = 0.0
    applied: float = 0.0
    common_fleet: float = 0.0
    common_truck: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    own2: float = 0.0
    passes: float = 0.0
    planned: float | None = None
    allowed: float | None = None
    least: float | None = None
    coverage: float = 0.0
    may_lie_lb: float = 0.0

    @property
    def u(self) -> float:
        return math.sqrt(
            self.common_fleet**2 + sum(v**2 for v in self.common_truck.values()) + self.own2
        )


def seconds(text: str, zone: ZoneInfo) -> float:
    moment = datetime.fromisoformat(text)
    return (moment if moment.tzinfo else moment.replace(tzinfo=zone)).astimezone(UTC).timestamp()


def zone_of(folder: Path) -> ZoneInfo:
    return ZoneInfo(tomllib.loads((folder / "workspace.toml").read_text())["workspace"]["timezone"])


def tickets_of(folder: Path, name: str, moment: str) -> list[Ticket]:
    """Load or return tickets of all storms."""
    zone, renames = zone_of(folder), renames_of(folder, name)
    found = []
    for path in sorted((folder / "storms").iterdir()):
        for row in rows_of(path / f"{name}.csv"):
            net, factor = quantity(row, "net", MASS_LB, renames)
            found.append(
                Ticket(
                    path.name,
                    row["truck_id"],
                    row["yard_id"],
                    row["material"],
                    seconds(row[moment], zone),
                    float(net) * factor,
                    float(row.get("scale_division_lb") or DIVISION_LB),
                )
            )
    return found


def ratios(folder: Path, storms: dict[str, Storm], storm: str) -> dict[tuple[str, str], Ratio]:
    """Ratio of every truck and material heard in a storm."""
    loads = tickets_of(folder, "loads", "loaded_at")
    returns = tickets_of(folder, "returns", "returned_at")
    reported = {
        (name, *key): mass
        for name, one in storms.items()
        for key, mass in sums(one.places, 3, 2).items()
    }
    result = {}
    for material in sorted({key[2] for key in reported}):
        slips = []
        keys = {key for key in reported if key[2] == material}
        keys |= {
            (t.storm, t.truck, t.material) for t in [*loads, *returns] if t.material == material
        }
        for key in sorted(keys):
            slips.append(slip_of(key, reported.get(key, 0.0), loads, returns, folder, storm))
        known = know(slips)
        for slip in slips:
            if slip.storm == storm and (storm, slip.truck, material) in reported:
                middle, u, fleet_u = this_storm(known[slip.truck], slip, storm)
                result[slip.truck, material] = Ratio(
                    slip.reported, slip, known[slip.truck], middle, u, fleet_u
                )
    return result


def slip_of(
    key: tuple[str, str, str],
    reported: float,
    loads: list[Ticket],
    returns: list[Ticket],
    folder: Path,
    storm: str,
) -> Slip:
    """The tickets of one storm, truck and material side by side with the report."""
    name, truck, material = key
    out = [t for t in loads if (t.storm, t.truck, t.material) == key]
    back = [t for t in returns if (t.storm, t.truck, t.material) == key]
    last = max(out, key=lambda t: t.at, default=None)
    left = 0.0
    if last is not None and not any(t.at >= last.at for t in back):
        left = last.net
    same = [t.net for t in loads if (t.truck, t.material) == (truck, material)]
    u = math.sqrt(sum(ticket_variance(t.division) for t in [*out, *back]))
    called = truck if not worked_on(folder, truck, name, storm) else f"{truck} before or after"
    return Slip(
        called,
        reported,
        [t.net for t in out],
        sum(t.net for t in back),
        u,
        left,
        sum(same) / len(same) if same else 0.0,
        name,
        emptied=any(last is None or t.at >= last.at for t in back),
        largest=max(same, default=0.0),
        began=min((t.at for t in [*loads, *returns] if t.storm == name), default=math.inf),
    )


def worked_on(folder: Path, truck: str, name: str, storm: str) -> bool:
    """Whether work on the truck lies between two storms."""
    zone = zone_of(folder)
    starts = [
        seconds(rows_of(folder / "storms" / one / "rates.csv")[0]["start"], zone)
        for one in (name, storm)
    ]
    return any(
        row["truck_id"] == truck
        and row["what"] in {"gate", "feeder", "hydraulics", "sensor"}
        and min(starts) < seconds(row["changed_at"], zone) < max(starts)
        for row in rows_of(folder / "changes.csv")
    )


def runs_of(passes: float, per_application: float) -> float:
    """How many runs there were, never less than one: passes of one application are of one run."""
    return max(passes / per_application, 1.0)


def add_part(
    row: Row,
    place: Place,
    truck: str,
    ratio: Ratio,
    segment: Segment | None,
    usual_lb: float,
    run_rel: float,
) -> None:
    """Add what a truck put on a segment, with its uncertainty; ``run_rel`` from run to run."""
    factor = math.exp(ratio.middle)
    applied = place.lb * factor
    passes = place.driven_m / segment.length if segment else 0.0
    own2 = 0.0
    if segment and place.driven_m > 0:
        per_m = place.moving_lb / place.driven_m
        joints = JOINT_M * per_m * math.sqrt(2 * max(passes, 1.0))
        own2 += (min(joints, place.moving_lb) * factor) ** 2
        own2 += 2 * passes * (0.1 * usual_lb * factor) ** 2
    runs = runs_of(passes, segment.passes) if segment else 1.0
    own2 += (run_rel * applied) ** 2 / runs
    row.reported += place.lb
    row.applied += applied
    row.common_fleet += applied * ratio.fleet_u
    row.common_truck[truck] += applied * math.sqrt(max(ratio.u**2 - ratio.fleet_u**2, 0.0))
    row.own2 += own2
    row.passes += passes


def scatter_of_runs(folder: Path) -> dict[tuple[str, str], float]:
    """Relative run-to-run scatter of each truck, as calibration found it: largest of its gates."""
    found: dict[tuple[str, str], float] = defaultdict(lambda: RUN_REL)
    for row in rows_of(folder / "results" / "calibration" / "models.csv"):
        key = (row["truck_id"], row["material"])
        found[key] = max(found.get(key, 0.0), float(row["repeatability_pct"]) / 100)
    return found


def use_rows(
    folder: Path, storm: str, use: Storm, known: dict[tuple[str, str], Ratio]
) -> dict[tuple[str, str, str], Row]:
    """use_segments.csv: route, segment, material → row."""
    roads = {(s.route, s.name): s for s in segments_of(folder)}
    rows: dict[tuple[str, str, str], Row] = defaultdict(Row)
    run_rel = scatter_of_runs(folder)
    for (route, name, material, truck), place in use.places.items():
        if place.lb > 0:
            usual = use.usual_lb[truck]
            row = rows[route or OFF, name, material]
            ratio, segment = known[truck, material], roads.get((route, name))
            add_part(row, place, truck, ratio, segment, usual, run_rel[truck, material])
    add_plan(folder, storm, roads, rows)
    for (route, name, material), row in rows.items():
        if (route, name) not in roads:
            continue
        # road n is truck n's, and every plan is for salt: sand counts as salt by another name
        truck = f"T{route[1:]}"
        lost = [
            use.lost[truck, one] * math.exp(known[truck, one].middle)
            for one in ("salt", "sand")
            if use.lost.get((truck, one), 0.0) > 0
        ]
        here = rows[route, name, "sand"].applied if (route, name, "sand") in rows else 0.0
        if material == "salt":
            row.may_lie_lb = sum(lost) + here
        rounds = len(rows_of(folder / "storms" / storm / "rates.csv"))
        expected = rounds * roads[route, name].passes * roads[route, name].length
        row.coverage = max(min(use.driven[route, name] / expected, 1.0), use.heard.get(truck, 0.0))
    return rows


def add_plan(
    folder: Path,
    storm: str,
    roads: dict[tuple[str, str], Segment],
    rows: dict[tuple[str, str, str], Row],
) -> None:
    """What was planned and is allowed: the planner's own rate, the policy's tolerance, the area."""
    rates = rows_of(folder / "storms" / storm / "rates.csv")
    total = sum(float(row["rate_lb_per_lane_mile"]) for row in rates)
    policy = tomllib.loads((folder / "policy.toml").read_text())["tolerance"]
    greatest = area_limit(folder)
    for (route, name), segment in roads.items():
        row = rows[route, name, "salt"]
        row.planned = total * segment.lane_miles
        row.allowed = row.planned * (1 + policy["over_pct"] / 100)
        row.least = row.planned * (1 - policy["under_pct"] / 100)
        if (route, name) == ("R2", "r2a"):
            most = greatest * segment.lane_miles * len(rates)
            row.allowed = min(row.allowed, most)
            if most < row.planned:
                row.planned = most
                row.least = most * (1 - policy["under_pct"] / 100)


def area_limit(folder: Path) -> float:
    import json

    text = (folder / "sensitive_areas.geojson").read_text()
    return float(json.loads(text)["features"][0]["properties"]["max_rate_lb_per_lane_mile"])


def verdict(row: Row, confidence: float) -> tuple[str, float | None]:
    """Verdict and P(over)."""
    if row.planned is None or row.allowed is None or row.least is None:
        return "unknown", None
    u = row.u
    over = 1 - PHI((row.allowed - row.applied) / u) if u else float(row.applied > row.allowed)
    under = PHI((row.least - row.applied) / u) if u else float(row.applied < row.least)
    vague = u > 0.5 * row.planned and max(over, under) < confidence
    heard_too = row.applied + (1 - row.coverage) * row.planned
    made_up = PHI((row.least - heard_too) / u) < 0.5 if u else heard_too >= row.least
    thin = (row.coverage < LEAST_COVERAGE and over < 0.5) or (under >= 0.5 and made_up)
    more = row.applied + row.may_lie_lb
    enough = PHI((row.least - more) / u) < 0.5 if u else more >= row.least
    if thin or vague or (under >= 0.5 and enough and row.may_lie_lb > 0.0):
        return "unknown", over
    for name, p in (("over", over), ("under", under)):
        if p >= confidence:
            return name, over
        if p >= 0.5:
            return f"probably_{name}", over
    return "within", over


def balance(folder: Path, start: float, end: float) -> dict[tuple[str, str], dict[str, Any]]:
    """Stock between the last count before a storm and the first after it, short tons."""
    zone = zone_of(folder)
    counts = [
        (
            row["yard_id"],
            row["material"],
            seconds(row["counted_at"], zone),
            float(row["on_hand_ton"]),
            float(row["on_hand_u_ton"]) if row["on_hand_u_ton"] else None,
        )
        for row in rows_of(folder / "stock_counts.csv")
    ]
    loads = tickets_of(folder, "loads", "loaded_at")
    returns = tickets_of(folder, "returns", "returned_at")
    deliveries = [
        (row["yard_id"], row["material"], seconds(row["delivered_at"], zone), float(row["net_ton"]))
        for row in rows_of(folder / "deliveries.csv")
    ]
    keys = {c[:2] for c in counts} | {(t.yard, t.material) for t in [*loads, *returns]}
    found = {}
    for key in sorted(keys):
        before = max(
            (c for c in counts if c[:2] == key and c[2] <= start), default=None, key=lambda c: c[2]
        )
        after = min(
            (c for c in counts if c[:2] == key and c[2] >= end), default=None, key=lambda c: c[2]
        )
        low, high = before[2] if before else start, after[2] if after else end

        def within(
            tickets: list[Ticket], key: Any = key, low: float = low, high: float = high
        ) -> list[Ticket]:
            return [t for t in tickets if (t.yard, t.material) == key and low < t.at <= high]

        out, back = within(loads), within(returns)
        came = [d[3] for d in deliveries if d[:2] == key and low < d[2] <= high]
        one: dict[str, Any] = {
            "delivered_ton": sum(came),
            "loaded_ton": sum(t.net for t in out) / 2000,
            "returned_ton": sum(t.net for t in back) / 2000,
        }
        if before:
            one["opening_ton"] = before[3]
            one["expected_ton"] = (
                before[3] + one["delivered_ton"] - one["loaded_ton"] + one["returned_ton"]
            )
            if after:
                one["counted_ton"] = after[3]
                one["difference_ton"] = after[3] - one["expected_ton"]
                piles = sum(
                    (c[4] if c[4] is not None else 0.05 * c[3]) ** 2 for c in (before, after)
                )
                slips = sum(ticket_variance(t.division) for t in [*out, *back]) / 2000**2
                slips += len(came) * ticket_variance(DIVISION_LB) / 2000**2
                u = math.sqrt(piles + slips)
                one["difference_u_ton"] = u
                gap = one["difference_ton"]
                one["verdict"] = (
                    "agrees"
                    if abs(gap) <= 2 * u
                    else "more used than recorded"
                    if gap < 0
                    else "more delivered than recorded"
                )
            else:
                one["verdict"] = "not counted yet"
        else:
            one["verdict"] = "no opening count"
        found[key] = one
    return found
