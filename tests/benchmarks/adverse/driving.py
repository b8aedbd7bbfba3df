"""A storm as it happens: trucks load, drive their routes and spread, second by second.

Each truck treats a route of its own, out on one lane and back on the other, as often as the storm
has rounds. The truth is kept for each segment, load and truck, apart from what is reported. Units:
lb, s, m; a round's seconds lie between two loadings of the plan, not of the hopper.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import pyproj
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.benchmarks.adverse.machines import County, Floats, Truck

MPS_PER_MPH = 0.44704
SPEED_MPH = 25.0
SEGMENTS = 8
TURN_S = 20
LOADING_S = 480
IDLE_S = 90
RUN_MEMORY_S = 300.0
LEFT_TO_START = 1.15
"""A driver who looks into his hopper starts a round with so much of what it needs."""
MONTH_S = 30.0 * 86400.0
LEAST_LOAD_LB = 200.0
BUCKET_LB = 1500.0
"""What a bucket is said to hold."""
PLANE = pyproj.Proj(proj="aeqd", lat_0=46.0, lon_0=-94.0, datum="WGS84")


@dataclass(frozen=True)
class Road:
    """A route as one line: points (n, 2) in m, their distance, the ends of its segments in m."""

    route_id: str
    xy_m: Floats
    at_m: Floats
    ends_m: Floats

    def segment_lines(self) -> list[list[tuple[float, float]]]:
        """Each segment as longitudes and latitudes."""
        lines = []
        starts = np.concatenate([[0.0], self.ends_m[:-1]])
        for low, high in zip(starts, self.ends_m, strict=True):
            mine = (self.at_m >= low - 1e-6) & (self.at_m <= high + 1e-6)
            lon, lat = PLANE(self.xy_m[mine, 0], self.xy_m[mine, 1], inverse=True)
            lines.append(list(zip(lon.tolist(), lat.tolist(), strict=True)))
        return lines


def make_road(rng: np.random.Generator, number: int) -> Road:
    """A winding route of segments of 0.2 to 0.8 miles, away from the yard."""
    heading = 2.0 * np.pi * number / 5.0
    points = [np.array([200.0 * np.cos(heading), 200.0 * np.sin(heading)])]
    ends = []
    for _ in range(SEGMENTS):
        length = rng.uniform(0.2, 0.8) * 1609.344
        heading += rng.choice([0.0, 0.5, -0.5, 1.0, -1.0]) * rng.uniform(0.5, 1.0)
        heading += 0.4 * np.sin(2.0 * np.pi * number / 5.0 - heading)  # bends back outward
        for bend in rng.normal(0.0, 0.15, 4):
            step = length / 4.0 * np.array([np.cos(heading + bend), np.sin(heading + bend)])
            points.append(points[-1] + step)
        ends.append(len(points) - 1)
    xy = np.array(points)
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    return Road(f"R{number + 1}", xy, at, at[np.array(ends)])


@dataclass
class Drive:
    """What one truck did in a storm.

    second : time_s (since 1970), x_m, y_m, heading_deg, speed_mps, spreading, reported_lb (total).
    true_lb, shown_lb, planned_true_lb : by segment; what fell, what the controller counted there,
        and what the plan's settings put down in this storm, without the driver's own ideas or an
        empty hopper.
    loads : time_s, true net mass, lb, and buckets (0: not loaded by buckets), in order of time.
    returned : time_s and true net mass, lb. left_lb : stays in the hopper.
    """

    truck: Truck
    second: dict[str, NDArray[np.float64]]
    true_lb: Floats
    shown_lb: Floats
    planned_true_lb: Floats
    loads: list[tuple[float, float, int]]
    returned: tuple[float, float] | None
    left_lb: float
    reported_lb: float = 0.0
    empty_lb: float = 0.0


@dataclass(frozen=True)
class Settings:
    """What the cab card says of one truck and round, by segment; shape (SEGMENTS,) each.

    rate_lb_per_m : of each pass, as planned; feeder_pct; shown_lb_per_min : what the controller
        believes to put out there; number : mass per count that the plan was made with.
    """

    rate_lb_per_m: Floats
    feeder_pct: Floats
    shown_lb_per_min: Floats
    number: float


@dataclass
class Hopper:
    """What is in each truck between storms, lb."""

    left_lb: dict[str, float] = field(default_factory=dict)


def drive(
    county: County,
    truck: Truck,
    road: Road,
    rounds: list[Settings],
    start_s: float,
    first_s: float,
    wet: float,
    hopper: Hopper,
) -> Drive:
    """One truck's storm. ``first_s`` : the day of the tests; ``wet`` : departure by moisture."""
    rng, odd = county.rng, county.odd
    common = 1.0 + wet + rng.normal(0.0, truck.sd("day"))
    common *= 1.0 + truck.wear_per_month * (start_s - first_s) / MONTH_S
    ideas = np.array([_idea(rng) for _ in range(SEGMENTS)])
    made = Drive(truck, {}, *np.zeros((3, SEGMENTS)), [], None, 0.0)
    content = hopper.left_lb.get(truck.truck_id, 0.0)
    filling, now, total = 1.0, start_s, 0.0
    blocks = [_standing(road, start_s - IDLE_S, IDLE_S, 0.0)]
    for number, plan in enumerate(rounds):
        need = 2.0 * float(plan.rate_lb_per_m @ np.diff(road.ends_m, prepend=0.0))
        careless = rng.uniform() < odd.runs_empty_share
        enough = need * (rng.uniform(*odd.runs_empty_at) if careless else LEFT_TO_START)
        if number == 0 or content < enough:
            net, buckets = _load(county, truck, content, enough)
            if net > 0.0:
                made.loads.append((now + 0.5 * LOADING_S, net, buckets))
                content += net
                filling = 1.0 + rng.normal(0.0, truck.sd("filling"))
            blocks.append(_standing(road, now, LOADING_S, total))
            now += LOADING_S
        block, true, planned, shown, empty = _round(
            county, truck, road, plan, now, common * filling, ideas, content, total
        )
        blocks.append(block)
        made.true_lb += true
        made.shown_lb += shown
        made.planned_true_lb += planned
        content, made.empty_lb = content - float(true.sum()), made.empty_lb + empty
        now, total = now + len(block["time_s"]), total + float(shown.sum())
    blocks.append(_standing(road, now, IDLE_S, total))
    made.second = {name: np.concatenate([one[name] for one in blocks]) for name in blocks[0]}
    made.reported_lb, made.left_lb = total, 0.0
    if rng.uniform() < odd.carry_share:
        made.left_lb = content
    elif content > 0.0 and rng.uniform() >= odd.unwritten_return_share:
        made.returned = (now + IDLE_S, content)
    hopper.left_lb[truck.truck_id] = made.left_lb
    return made


def _load(county: County, truck: Truck, content: float, enough: float) -> tuple[float, int]:
    """True net mass of a load and its buckets: what fits, but never too little for a round."""
    rng = county.rng
    net = max(truck.load_lb * (1.0 + rng.normal(0.0, 0.1)), enough) - content
    if net < LEAST_LOAD_LB or not truck.bucket:
        return (net, 0) if net >= LEAST_LOAD_LB else (0.0, 0)
    # whole buckets, as full as this loader fills them
    one, filled, count = BUCKET_LB * (1.0 + truck.bucket_bias), 0.0, 0
    while filled < net - 0.5 * one or count == 0:
        filled += one * (1.0 + rng.normal(0.0, county.odd.bucket_scatter_rel))
        count += 1
    return filled, count


def _idea(rng: np.random.Generator) -> float:
    """How many times the plan a driver gives a segment in a storm."""
    kind = rng.uniform()
    if kind < 0.06:
        return float(rng.uniform(1.2, 1.7))
    return float(rng.uniform(0.5, 0.8)) if kind < 0.1 else 1.0


def _standing(road: Road, start_s: float, seconds: int, total: float) -> dict[str, Floats]:
    """The truck at its yard, 60 m before its route."""
    away = road.xy_m[0] - 60.0 * (road.xy_m[1] - road.xy_m[0]) / road.at_m[1]
    same = np.ones(seconds)
    return {
        "time_s": start_s + np.arange(seconds),
        "x_m": away[0] * same,
        "y_m": away[1] * same,
        "heading_deg": 0.0 * same,
        "speed_mps": 0.0 * same,
        "spreading": 0.0 * same,
        "reported_lb": total * same,
    }


def _way(rng: np.random.Generator, road: Road) -> tuple[Floats, Floats, Floats]:
    """Distance along the route, speed, and whether the truck is on its way back, each second."""
    length = float(road.at_m[-1])
    seconds = int(length / (SPEED_MPH * MPS_PER_MPH) * 1.6) + 120
    legs = []
    for _ in range(2):
        speed = SPEED_MPH * MPS_PER_MPH * (1.0 + 0.08 * faded(rng, seconds, 60.0))
        gone = np.cumsum(np.maximum(speed, 2.0))
        stop = int(rng.integers(30, 200)) if rng.uniform() < 0.5 else -1
        if 0 < stop < seconds:
            halt = int(rng.integers(5, 25))
            gone = np.concatenate([gone[:stop], np.full(halt, gone[stop - 1]), gone[stop:]])
        gone = gone[gone < length]
        legs.append(np.concatenate([gone, [length]]))
    out, home = legs
    at = np.concatenate([[0.0], out, np.full(TURN_S, length), length - home])
    back = np.concatenate([np.zeros(1 + len(out)), np.ones(TURN_S + len(home))])
    return at, np.abs(np.diff(at, prepend=0.0)), back


def faded(rng: np.random.Generator, count: int, memory_s: float) -> Floats:
    """Standard normal noise that fades over ``memory_s``, one value each second."""
    fade = float(np.exp(-1.0 / memory_s))
    fresh = np.sqrt(1.0 - fade**2) * rng.standard_normal(count)
    return np.asarray(lfilter([1.0], [1.0, -fade], fresh, zi=[fade * rng.standard_normal()])[0])


def _round(
    county: County,
    truck: Truck,
    road: Road,
    plan: Settings,
    start_s: float,
    common: float,
    ideas: Floats,
    content: float,
    total: float,
) -> tuple[dict[str, Floats], Floats, Floats, Floats, float]:
    """One round: its seconds; true, planned-true and shown mass by segment; mass not there."""
    rng = county.rng
    at, speed, back = _way(rng, road)
    place = np.minimum(
        np.searchsorted(road.ends_m, (at + (at - speed * (1 - 2 * back))) / 2.0), SEGMENTS - 1
    )
    moving = speed > 0.0
    departs = common * (1.0 + truck.sd("run") * faded(rng, len(at), RUN_MEMORY_S))
    if truck.closed_loop:
        # it holds counts per foot: number over mass per count is all that can be wrong
        wanted = plan.rate_lb_per_m * ideas
        shown_each = wanted[place] * speed
        per_number = truck.per_count(plan.feeder_pct) / plan.number
        flow = shown_each * (truck.number_error * per_number)[place]
        nominal = plan.rate_lb_per_m * per_number
    else:
        output = np.minimum(plan.feeder_pct * ideas, 100.0)
        shown_min = plan.shown_lb_per_min * output / plan.feeder_pct / truck.number_error
        shown_each = shown_min[place] / 60.0 * moving
        flow = truck.discharge(output)[place] / 60.0 * moving
        nominal = truck.discharge(plan.feeder_pct) / 60.0 / (SPEED_MPH * MPS_PER_MPH)
    true = np.maximum(flow * departs, 0.0)
    left = np.maximum(content - np.concatenate([[0.0], np.cumsum(true)[:-1]]), 0.0)
    fallen = np.minimum(true, left)
    of_segment = np.bincount(place, fallen, SEGMENTS)
    seconds = np.bincount(place[moving], minlength=SEGMENTS)
    mean = np.bincount(place[moving], departs[moving], SEGMENTS) / np.maximum(seconds, 1)
    planned = 2.0 * nominal * np.diff(road.ends_m, prepend=0.0) * mean
    x, y = (np.interp(at, road.at_m, road.xy_m[:, axis]) for axis in (0, 1))
    ahead = [np.interp(at + 3.0, road.at_m, road.xy_m[:, axis]) for axis in (0, 1)]
    heading = np.degrees(np.arctan2(ahead[0] - x, ahead[1] - y)) + 180.0 * back
    block = {
        "time_s": start_s + np.arange(len(at), dtype=float),
        "x_m": x,
        "y_m": y,
        "heading_deg": heading % 360.0,
        "speed_mps": speed,
        "spreading": moving.astype(float),
        "reported_lb": total + np.cumsum(shown_each),
    }
    of_shown = np.bincount(place, shown_each, SEGMENTS)
    return block, of_segment, planned, of_shown, float((true - fallen).sum())


def truth_table(drives: list[Drive], roads: list[Road], storm: str) -> pd.DataFrame:
    """storm, route_id, segment_id, truck_id, and the masses of `Drive`; one row a segment."""
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "storm": storm,
                    "route_id": road.route_id,
                    "segment_id": [f"{road.route_id}-{n + 1:02d}" for n in range(SEGMENTS)],
                    "truck_id": made.truck.truck_id,
                    "true_lb": made.true_lb,
                    "shown_lb": made.shown_lb,
                    "planned_true_lb": made.planned_true_lb,
                }
            )
            for made, road in zip(drives, roads, strict=True)
        ],
        ignore_index=True,
    )
