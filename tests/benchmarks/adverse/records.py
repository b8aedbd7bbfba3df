"""What is written down of a storm: tickets of the yard, records of controller and receiver."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tests.benchmarks.adverse.driving import BUCKET_LB, MPS_PER_MPH, PLANE, Drive, faded
from tests.benchmarks.adverse.machines import County

DIVISION_LB = 20.0
SCALE_OFF_REL = 0.001
NOISE_MEMORY_S = 30.0
TRUCK_TARE_LB = 26000.0


def stamp(time_s: float | np.ndarray) -> object:
    """Moments as ISO 8601 in UTC, to a tenth of a second."""
    return np.datetime_as_string(
        (np.asarray(time_s) * 1000.0).round().astype("datetime64[ms]"), unit="ms"
    )


def tickets(
    county: County, drives: list[Drive], storm: str, yard_off: float
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """loads.csv and returns.csv of a storm; ``yard_off`` : the scale's own error, relative."""
    odd, rng = county.odd, county.rng
    loads: list[list[object]] = []
    returns: list[tuple[object, ...]] = []
    for made in drives:
        # the scale house and whoever takes the rest back look at different clocks
        off_s, back_off_s = 60.0 * odd.ticket_clock_min * rng.standard_normal(2)
        name = made.truck.truck_id
        for time_s, net, buckets in made.loads:
            written: tuple[float, float | str] = (_scaled(rng, net, yard_off), DIVISION_LB)
            if buckets:
                written = (BUCKET_LB * buckets, "")
            if rng.uniform() < odd.missing_share:
                continue
            copies = 2 if rng.uniform() < odd.twice_share else 1
            for _ in range(copies):
                loads.append(
                    [
                        f"{storm}-{len(loads)}",
                        name,
                        "Y1",
                        str(stamp(time_s + off_s)) + "Z",
                        "salt",
                        *written,
                    ]
                )
        if made.returned is not None:
            time_s, net = made.returned
            back = _scaled(rng, net, yard_off)
            if made.truck.bucket:
                back = 500.0 * round(net / 500.0)  # by eye
            returns.append(
                (name, "Y1", str(stamp(time_s + back_off_s)) + "Z", "salt", max(back, 0.0))
            )
    for place in range(len(loads)):
        if rng.uniform() < odd.swapped_share / 2.0:
            other = int(rng.integers(len(loads)))
            loads[place][1], loads[other][1] = loads[other][1], loads[place][1]
    return (
        pd.DataFrame(
            loads,
            columns=[
                "ticket_id",
                "truck_id",
                "yard_id",
                "loaded_at",
                "material",
                "net_lb",
                "scale_division_lb",
            ],
        ),
        pd.DataFrame(returns, columns=["truck_id", "yard_id", "returned_at", "material", "net_lb"]),
    )


def _scaled(rng: np.random.Generator, net_lb: float, off: float) -> float:
    """Difference of two readings of a vehicle scale."""
    tare = TRUCK_TARE_LB + rng.uniform(-500.0, 500.0)
    gross = (tare + net_lb) * (1.0 + off)
    return DIVISION_LB * (round(gross / DIVISION_LB) - round(tare * (1.0 + off) / DIVISION_LB))


def telemetry(county: County, made: Drive) -> pd.DataFrame:
    """The records of one truck in a storm."""
    odd, rng, second = county.odd, county.rng, made.second
    count = len(second["time_s"])
    noise = [faded(rng, count, NOISE_MEMORY_S) + 0.5 * rng.standard_normal(count) for _ in (0, 1)]
    scale = odd.noise_m / np.sqrt(2.5)
    lon, lat = PLANE(
        second["x_m"] + scale * noise[0], second["y_m"] + scale * noise[1], inverse=True
    )
    lon, lat = _frozen(county, lon, lat)
    fix = _has_fix(county, made)
    kept = np.arange(int(rng.integers(odd.interval_s)), count, odd.interval_s)
    kept = kept[~_silent(county, count)[kept]]
    shown = _shown_total(county, second)
    zeros = bool(rng.uniform() < 0.5)
    places = []
    for value in (lon, lat):
        text = np.char.mod(f"%.{odd.decimals}f", value[kept])
        places.append(np.where(fix[kept], text, "0" if zeros else ""))
    rate = np.diff(second["reported_lb"], prepend=0.0)[kept] * 60.0
    speed = np.abs(second["speed_mps"][kept] + rng.normal(0.0, 0.2, len(kept)))
    rows = {
        "truck_id": made.truck.truck_id,
        "time": np.char.add(stamp(second["time_s"][kept] + made_clock(county, made)), "Z"),
        "lon": places[0],
        "lat": places[1],
        "speed_mph": np.where(second["speed_mps"][kept] > 0.0, speed / MPS_PER_MPH, 0.0).round(1),
        "heading_deg": (
            (second["heading_deg"][kept] + rng.normal(0.0, 6.0, len(kept))) % 360.0
        ).round(1),
        "spreading": (second["spreading"][kept] > 0.0).astype(int),
    }
    if made.truck.rate_only:
        rows["feed_rate_lb_min"] = np.maximum(rate, 0.0).round(1)
    else:
        rows["feed_total_lb"] = shown[kept]
    return pd.DataFrame(rows)


def made_clock(county: County, made: Drive) -> float:
    """How far the truck's clock is ahead in this storm, s."""
    return float(county.rng.normal(0.0, county.odd.clock_s)) if county.odd.clock_s else 0.0


def _shown_total(county: County, second: dict[str, np.ndarray]) -> np.ndarray:
    """The running total as the controller sends it: in steps, now and then, set to zero."""
    odd, total = county.odd, second["reported_lb"].copy()
    if odd.reset_every_min > 0.0:
        at = np.cumsum(county.rng.exponential(60.0 * odd.reset_every_min, 400)).astype(int)
        base = np.zeros(len(total))
        for place in at[at < len(total)]:
            base[place:] = total[place]
        total = total - base
    else:
        total = total + county.rng.uniform(1000.0, 50000.0)
    if odd.hold_s > 0:
        seen = (np.arange(len(total)) // odd.hold_s) * odd.hold_s
        total = total[seen]
    return np.asarray(odd.step_lb * np.floor(total / odd.step_lb + 1e-9))


def _spells(county: County, count: int, ends: tuple[float, float]) -> np.ndarray:
    """Seconds that lie in a spell; so many begin in an hour."""
    marked = np.zeros(count, bool)
    if ends[1] <= 0.0:
        return marked
    for _ in range(county.rng.poisson(county.odd.spells_per_hour * count / 3600.0)):
        start = int(county.rng.integers(count))
        marked[start : start + int(county.between(ends))] = True
    return marked


def _has_fix(county: County, made: Drive) -> np.ndarray:
    """Whether the receiver knows where it is, each second."""
    odd, on = county.odd, np.flatnonzero(made.second["spreading"] > 0.0)
    count = len(made.second["time_s"])
    fix = ~_spells(county, count, odd.tunnel_s)
    if odd.cold_start_s[1] > 0.0:
        fix[: on[0] + int(county.between(odd.cold_start_s))] = False
    if odd.no_fix_at_end_s[1] > 0.0:
        fix[on[-1] - int(county.between(odd.no_fix_at_end_s)) :] = False
    return np.asarray(fix)


def _frozen(county: County, lon: np.ndarray, lat: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Positions of a receiver that goes on saying the last one for a while."""
    stuck = _spells(county, len(lon), county.odd.stuck_s)
    last = np.maximum.accumulate(np.where(stuck, 0, np.arange(len(lon))))
    return lon[last], lat[last]


def _silent(county: County, count: int) -> np.ndarray:
    """Seconds whose records never arrive."""
    odd, lost = county.odd, np.zeros(count, bool)
    if odd.lost_share > 0.0:
        mean_s = float(np.mean(odd.lost_s))
        for _ in range(county.rng.poisson(count * odd.lost_share / mean_s)):
            start = int(county.rng.integers(count))
            lost[start : start + int(county.between(odd.lost_s))] = True
    return lost
