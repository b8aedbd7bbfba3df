"""From legs to a moving truck: where it is at every moment, and what has left its hopper.

Metres, seconds and pounds throughout.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from county_shapes import METRES_PER_MILE, Points
from county_trucks import RUN_TO_RUN
from numpy.typing import NDArray
from scipy.signal import lfilter
from storm_drives import Leg
from storm_trucks import Truck

MPH = METRES_PER_MILE / 3600.0  # m/s
STEP_M = 8.0
SLOWEST_M_S = 0.6
BRAKING_M_S2 = 0.8
TURN_M_S, TURN_ABOUT_M_S = 12 * MPH, 4 * MPH
SPEED_SPREAD, SPEED_MEMORY_M = 0.05, 350.0
FLOW_SPREAD, FLOW_MEMORY_S = 0.05, 30.0


@dataclass(frozen=True, eq=False)
class Track:
    """A shift, interval by interval, shape (n,), and the n + 1 moments between them.

    `at` are seconds from the start, `place` metres (n + 1, 2), `speed` m/s. `true_lb` and
    `reported_lb` are what left the hopper in each interval, and what the controller counted.
    """

    at: Points
    place: Points
    speed: Points
    leg: NDArray[np.int64]
    true_lb: Points
    reported_lb: Points
    spreading: NDArray[np.bool_]


def until(track: Track, seconds: float) -> Track:
    """The part of a shift before a moment."""
    count = int(np.searchsorted(track.at, seconds))
    return Track(
        track.at[: count + 1],
        track.place[: count + 1],
        track.speed[: count + 1],
        track.leg[:count],
        track.true_lb[:count],
        track.reported_lb[:count],
        track.spreading[:count],
    )


def drive(
    legs: list[Leg], truck: Truck, load_factor: Points, piles: bool, rng: np.random.Generator
) -> Track:
    """Drive the legs, each beginning where the last one ended.

    `load_factor`, one value a leg, is how much more than its mean the feeder gives from the load
    on board. With `piles` an open loop feeder runs on while the truck stands.
    """
    place, leg = _stations(legs)
    ds = np.hypot(*np.diff(place, axis=0).T)
    speed = _speeds(legs, place, leg, ds, rng)
    dt = 2.0 * ds / (speed[:-1] + speed[1:])
    standing = np.zeros(len(ds), dtype=bool)
    waits = np.array([one.wait_s for one in legs])
    last = np.searchsorted(leg, np.arange(len(legs)), side="right")  # after each leg's intervals
    stops = np.flatnonzero(waits > 0)
    dt = np.insert(dt, last[stops], waits[stops])
    standing = np.insert(standing, last[stops], True)
    leg = np.insert(leg, last[stops], stops)
    place = np.insert(place, last[stops], place[last[stops]], axis=0)
    speed = np.insert(speed, last[stops], 0.0)
    moving = np.where(standing, 0.0, np.append(ds, 0.0)[_source(standing)] / np.maximum(dt, 1e-9))
    true, reported = _flows(legs, truck, leg, moving, piles)
    spreading = reported > 0
    noise = _noise(dt, FLOW_SPREAD, FLOW_MEMORY_S, rng)
    true = true * (1.0 + noise) * load_factor[leg]
    at = np.concatenate([[0.0], np.cumsum(dt)])
    return Track(at, place, speed, leg, true * dt / 60.0, reported * dt / 60.0, spreading)


def _source(standing: NDArray[np.bool_]) -> NDArray[np.int64]:
    """For each interval, its number before the stops were put in."""
    return np.cumsum(~standing) - 1


def _stations(legs: list[Leg]) -> tuple[Points, NDArray[np.int64]]:
    """Places a few metres apart along all legs, and the leg of each interval between them."""
    places, owners = [legs[0].points[:1]], []
    for number, one in enumerate(legs):
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(one.points, axis=0).T))])
        count = max(1, int(np.ceil(along[-1] / STEP_M)))
        stations = np.linspace(0.0, along[-1], count + 1)[1:]
        places.append(np.column_stack([np.interp(stations, along, axis) for axis in one.points.T]))
        owners.append(np.full(count, number))
    return np.concatenate(places), np.concatenate(owners)


def _speeds(
    legs: list[Leg], place: Points, leg: NDArray[np.int64], ds: Points, rng: np.random.Generator
) -> Points:
    """Speed at every station: what the driver aims at, as far as turns, stops and brakes allow."""
    aimed = np.array([one.speed_mph * MPH for one in legs])[leg]
    aimed *= 1.0 + rng.normal(0.0, 0.02) + _noise(ds, SPEED_SPREAD, SPEED_MEMORY_M, rng)
    most = np.minimum(np.append(aimed, aimed[-1]), np.insert(aimed, 0, aimed[0]))
    ahead = np.diff(place, axis=0)
    turn = np.abs(np.angle(_complex(ahead[1:]) * np.conj(_complex(ahead[:-1]))))
    sharp, about = np.radians(50.0), np.radians(150.0)
    most[1:-1] = np.where(turn > sharp, np.minimum(most[1:-1], TURN_M_S), most[1:-1])
    most[1:-1] = np.where(turn > about, np.minimum(most[1:-1], TURN_ABOUT_M_S), most[1:-1])
    waits = np.array([one.wait_s for one in legs])[leg] > 0
    ends = np.append(np.diff(leg) > 0, True)
    most[1:][waits & ends] = SLOWEST_M_S
    most[[0, -1]] = SLOWEST_M_S
    climb = 2.0 * BRAKING_M_S2 * np.concatenate([[0.0], np.cumsum(ds)])
    square = np.minimum.accumulate(most**2 - climb) + climb
    square = np.minimum.accumulate((square + climb)[::-1])[::-1] - climb
    return np.maximum(np.sqrt(np.maximum(square, 0.0)), SLOWEST_M_S)


def _complex(vectors: Points) -> NDArray[np.complex128]:
    return vectors[:, 0] + 1j * vectors[:, 1]


def _flows(
    legs: list[Leg], truck: Truck, leg: NDArray[np.int64], moving: Points, piles: bool
) -> tuple[Points, Points]:
    """True mean and reported discharge of every interval, lb/min."""
    true, reported = np.zeros(len(leg)), np.zeros(len(leg))
    settings = dict.fromkeys(one.setting for one in legs)
    numbers = {setting: number for number, setting in enumerate(settings)}
    dialled = np.array([numbers[one.setting] for one in legs])[leg]
    for setting, number in numbers.items():
        mine = np.flatnonzero(dialled == number)
        if setting is not None:
            if not truck.closed_loop and not piles:
                mine = mine[moving[mine] > 0]
            true[mine], reported[mine] = truck.rates(setting, moving[mine] / MPH)
    return true, reported


def _noise(steps: Points, spread: float, memory: float, rng: np.random.Generator) -> Points:
    """Correlated noise, one value for each step of a given size, its mean 0."""
    white = rng.normal(0.0, spread, len(steps))
    typical = max(float(np.median(steps)), 1e-6)
    keep = float(np.exp(-typical / memory))
    result: Points = lfilter([np.sqrt(1.0 - keep**2)], [1.0, -keep], white)
    return result


def load_factors(loads_before_leg: NDArray[np.int64], rng: np.random.Generator) -> Points:
    """For each leg, how much more than its mean the feeder gives from the load on board."""
    each = 1.0 + rng.normal(0.0, RUN_TO_RUN, int(loads_before_leg.max()) + 1)
    return each[loads_before_leg]
