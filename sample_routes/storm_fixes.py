"""What a truck's recorder writes down of a shift: fixes with their errors, totals, flags."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pandas as pd
from county_shapes import METRES_PER_MILE, Points, to_lon_lat
from numpy.typing import NDArray
from scipy.signal import lfilter
from storm_drives import Leg
from storm_incidents import Incident
from storm_motion import MPH, Track

NOISE_M, NOISE_MEMORY_S, WHITE_M = 3.6, 45.0, 0.8  # of each coordinate
OUTLIER_SHARE, OUTLIER_M = 0.002, (40.0, 250.0)
DROPOUTS_PER_HOUR, DROPOUT_S = 1.2, 35.0
LATE_SHARE = 0.06  # of the fixes come a second late
RIGHT_OF_CENTRE_M = 1.7
TURNS_DEG = 3.5
LB_PER_TON = 2000.0
MOVING_M_S = 0.7


def fixes(
    track: Track,
    legs: list[Leg],
    two_way: NDArray[np.bool_],
    prewet_gal_per_ton: Points,
    begins_s: float,
    interval_s: int,
    happened: list[Incident],
    rng: np.random.Generator,
) -> pd.DataFrame:
    """One row for each fix of a shift.

    `two_way` says of each leg whether the truck keeps to the right of the line drawn, and
    `prewet_gal_per_ton` what is added on it. `begins_s` is the shift's start in seconds since 1970
    UTC. Columns: time_s, lon, lat, speed_mph, heading_deg, spreading, rate_lb_min, total_lb and
    liquid_gal (since the shift began), material, segment_id and along (the truth).
    """
    time_s = np.arange(np.ceil(track.at[0]), track.at[-1], interval_s)
    time_s += rng.uniform(size=len(time_s)) < LATE_SHARE
    time_s = time_s[_kept(time_s, happened, rng) & (time_s < track.at[-1])]
    here = np.searchsorted(track.at, time_s, side="right") - 1
    leg = track.leg[here]
    place = np.column_stack([np.interp(time_s, track.at, axis) for axis in track.place.T])
    ahead = _directions(legs, track)[here]
    right = np.column_stack([ahead[:, 1], -ahead[:, 0]])
    place += right * (RIGHT_OF_CENTRE_M * two_way[leg])[:, None]
    place += _errors(time_s, rng)
    speed = np.interp(time_s, track.at, track.speed)
    degrees = np.array(to_lon_lat(place / METRES_PER_MILE)).reshape(-1, 2)
    heading = np.degrees(np.arctan2(ahead[:, 0], ahead[:, 1]))
    heading = np.round(heading + rng.normal(0, TURNS_DEG, len(heading))) % 360
    total = np.concatenate([[0.0], np.cumsum(track.reported_lb)])
    liquid = np.cumsum(track.reported_lb * prewet_gal_per_ton[track.leg]) / LB_PER_TON
    rate = 60.0 * track.reported_lb / np.maximum(np.diff(track.at), 1e-9)
    loaded = pd.Series([legs[n].setting.material if legs[n].setting else None for n in leg])
    return pd.DataFrame(
        {
            "time_s": (begins_s + time_s).astype(np.int64),
            "lon": degrees[:, 0],
            "lat": degrees[:, 1],
            "speed_mph": np.round(np.maximum(speed / MPH + rng.normal(0, 0.2, len(speed)), 0), 1),
            "heading_deg": np.where(speed > MOVING_M_S, heading, np.nan),
            "spreading": track.spreading[here].astype(np.int8),
            "rate_lb_min": np.round(rate[here], 1),
            "total_lb": np.interp(time_s, track.at, total),
            "liquid_gal": np.round(np.interp(time_s, track.at, np.insert(liquid, 0, 0.0)), 1),
            "material": loaded.bfill().ffill().fillna(""),
            "segment_id": [legs[number].segment_id for number in leg],
            "along": [legs[number].along for number in leg],
        }
    )


def _kept(time_s: Points, happened: list[Incident], rng: np.random.Generator) -> NDArray[np.bool_]:
    """False while the recorder has no signal."""
    kept = np.ones(len(time_s), dtype=bool)
    hours = float(time_s[-1]) / 3600.0
    gaps = [
        (float(rng.uniform(0, time_s[-1])), float(rng.exponential(DROPOUT_S)) + 10.0)
        for _ in range(int(rng.poisson(DROPOUTS_PER_HOUR * hours)))
    ]
    gaps += [
        (0.4 * float(time_s[-1]), 60.0 * one.minutes) for one in happened if one.what == "silent"
    ]
    for start, length in gaps:
        kept &= (time_s < start) | (time_s > start + length)
    return kept


def _directions(legs: list[Leg], track: Track) -> Points:
    """Unit vector of travel in every interval; a standing truck keeps the one that it had."""
    step = np.diff(track.place, axis=0)
    length = np.hypot(*step.T)
    moved = np.maximum.accumulate(np.where(length > 1e-6, np.arange(len(length)), 0))
    step, length = step[moved], length[moved]
    result: Points = step / np.maximum(length, 1e-6)[:, None]
    return result


def _errors(time_s: Points, rng: np.random.Generator) -> Points:
    """Errors of the positions in metres, shape (n, 2): correlated, white, and outliers."""
    keep = float(np.exp(-np.median(np.diff(time_s)) / NOISE_MEMORY_S))
    slow = rng.normal(0.0, NOISE_M, (len(time_s), 2))
    slow = lfilter([np.sqrt(1 - keep**2)], [1.0, -keep], slow, axis=0)
    errors: Points = slow + rng.normal(0.0, WHITE_M, (len(time_s), 2))
    out = np.flatnonzero(rng.uniform(size=len(time_s)) < OUTLIER_SHARE)
    angle, reach = rng.uniform(0, 2 * np.pi, len(out)), rng.uniform(*OUTLIER_M, len(out))
    errors[out] += reach[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    return errors


def seconds(local: datetime) -> int:
    """Seconds since 1970 UTC of a local time in the county."""
    return int(pd.Timestamp(local).tz_localize("America/Chicago").timestamp())
