"""The county's nine trucks, how their spreaders truly behave, and the shop's discharge tests.

The true curves are hidden from spreadplan: they make the tests here, and a simulator of a storm
can ask for them through `true_discharge_lb_per_min`, `true_counts_per_min` and
`true_lb_per_count`. All numbers are invented.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

RUN_TO_RUN = 0.025  # relative standard deviation of what one run discharges
CURVE_SOFTNESS_PCT = 3.0  # how gently a curve bends into saturation
WEAR_STARTS = datetime(2026, 10, 1)


@dataclass(frozen=True)
class Spreader:
    """The hidden truth about one truck's feeder.

    Discharge grows from `start_pct` of feeder output, by `slope_lb_min_pct_in` lb/min per point of
    output and inch of gate, until `knee_pct`, where it levels off. `sand_factor` is what the
    sand-salt mix weighs in the same volume. `slip_per_pct` is the share of fill lost per point of
    output above 35 %, `wear_limit` the share that wear takes in the end, after WEAR_STARTS, until
    the feeder is `renewed`. From `loosens` on the sensor misses ever more of its counts, each day
    `missed_per_day` more.
    """

    slope_lb_min_pct_in: float
    start_pct: float
    knee_pct: float
    counts_min_pct: float = math.nan
    slip_per_pct: float = 0.0
    wear_limit: float = 0.0
    sand_factor: float = 1.27
    renewed: datetime = datetime.max
    loosens: datetime = datetime.max
    missed_per_day: float = 0.0


SPREADERS = {
    "TC-101": Spreader(2.20, 4.0, 96, counts_min_pct=9.5),
    "TC-102": Spreader(2.15, 5.0, 92, counts_min_pct=8.0, wear_limit=0.30,
                       renewed=datetime(2026, 12, 14)),
    "TC-103": Spreader(1.95, 6.0, 95, counts_min_pct=11.0, slip_per_pct=0.0042,
                       loosens=datetime(2026, 12, 10), missed_per_day=0.0014),
    "TC-104": Spreader(1.75, 5.5, 94, counts_min_pct=10.0),
    "TC-105": Spreader(2.35, 7.5, 84),
    "TC-106": Spreader(1.70, 6.5, 88),
    "TC-107": Spreader(2.10, 8.0, 90),
    "TC-108": Spreader(2.00, 7.0, 86),
    "TC-109": Spreader(1.30, 6.0, 80),
}  # fmt: skip

TRUCK_COLUMNS = (
    "truck_id",
    "control",
    "feeder",
    "capacity_lb",
    "prewet_tank_gal",
    "min_feeder_pct",
    "max_feeder_pct",
    "control_step_pct",
    "gate_positions_in",
    "max_spread_lanes",
    "travel_speed_mph",
    "home_yard_id",
)
TRUCKS = (
    ("TC-101", "closed_loop", "conveyor", 24000, 180, 8, 100, 1, "2;3;4", 3, 40, "CENTRAL"),
    ("TC-102", "closed_loop", "conveyor", 24000, 180, 8, 100, 1, "2;3;4", 3, 40, "CENTRAL"),
    ("TC-103", "closed_loop", "auger", 18000, 120, 10, 100, 1, "3", 2, 35, "CENTRAL"),
    ("TC-104", "closed_loop", "auger", 20000, 120, 10, 100, 1, "3;5", 2, 35, "EAST"),
    ("TC-105", "open_loop", "conveyor", 22000, None, 10, 100, 5, "2;3", 2, 35, "LAKES"),
    ("TC-106", "open_loop", "auger", 18000, None, 10, 100, 10, "3", 2, 35, "CENTRAL"),
    ("TC-107", "open_loop", "conveyor", 20000, None, 10, 100, 5, "2;3", 2, 35, "LAKES"),
    ("TC-108", "open_loop", "conveyor", 18000, None, 10, 100, 5, "2;3.5", 2, 30, "LAKES"),
    ("TC-109", "open_loop", "auger", 12000, None, 10, 100, 5, "2.5", 2, 30, "CENTRAL"),
)


@dataclass(frozen=True)
class Session:
    """Runs that the shop made one after another: each output in turn, `repeats` times over.

    `faults` multiplies the discharge of single runs, counted from 0: a hopper that bridged.
    `voids` says why a run, counted from 0, no longer counts.
    """

    truck_id: str
    begins: str
    material: str
    gate_in: float
    outputs_pct: tuple[float, ...]
    seconds: float
    method: str  # container, counted (equal containers), vehicle_scale, direct
    repeats: int = 1
    rpm: int = 1300
    faults: dict[int, float] = field(default_factory=dict)
    voids: dict[int, str] = field(default_factory=dict)


SALT, SAND = "rock_salt", "sand_salt"
SESSIONS = (
    # TC-101: a well tested closed loop truck
    Session("TC-101", "2026-10-06T08:40", SALT, 3, (37, 20, 60), 180, "vehicle_scale", 2),
    Session("TC-101", "2026-10-06T13:10", SALT, 4, (38,), 150, "vehicle_scale", 3),
    Session("TC-101", "2026-11-16T09:00", SALT, 3, (37,), 180, "vehicle_scale", 2),
    # TC-102: its mass per count falls as the conveyor wears
    Session("TC-102", "2026-10-07T08:30", SALT, 3, (38,), 90, "direct", 3),
    Session("TC-102", "2026-10-07T10:40", SALT, 4, (38,), 90, "direct", 2),
    Session("TC-102", "2026-11-17T08:30", SALT, 3, (38,), 90, "direct", 2),
    # TC-103: slips at high output
    Session("TC-103", "2026-10-08T09:00", SALT, 3, (20, 38, 60, 85), 75, "direct", 2),
    # TC-104: two materials, each at the gate it's used with
    Session("TC-104", "2026-10-09T08:45", SALT, 3, (36, 60), 60, "container", 2, rpm=1350),
    Session("TC-104", "2026-10-09T11:30", SAND, 3, (37, 55), 60, "container", 2, rpm=1350),
    Session("TC-104", "2026-10-12T09:00", SAND, 5, (37,), 60, "container", 1, rpm=1100),
    # TC-105: an open loop truck with a full curve at both gates, one run below its start
    Session("TC-105", "2026-10-13T08:15", SALT, 2, (5, 15, 30, 45, 60, 80, 100), 60, "container"),
    Session("TC-105", "2026-10-14T08:15", SALT, 3, (15, 30, 45, 60, 80, 100), 60, "counted"),
    # TC-106: last season's tests only
    Session("TC-106", "2025-10-28T09:30", SALT, 3, (30, 60, 100), 60, "container"),
    # TC-107: tested before its motor was replaced, once since
    Session("TC-107", "2026-10-15T09:00", SALT, 2, (30, 60, 100), 60, "container"),
    Session("TC-107", "2026-10-15T10:30", SALT, 3, (30, 60, 100), 60, "container"),
    Session("TC-107", "2026-11-12T14:20", SALT, 3, (60,), 45, "container"),
    # TC-108: runs that contradict each other, one voided
    Session("TC-108", "2026-10-19T08:30", SAND, 3.5, (25, 50, 75, 100), 60, "counted", rpm=1250,
            faults={1: 1.38, 2: 0.62}),
    Session("TC-108", "2026-10-19T11:00", SAND, 2, (50, 100), 60, "container", rpm=1250,
            faults={1: 0.35}, voids={1: "hopper ran empty during the run"}),
    Session("TC-108", "2026-11-09T09:15", SAND, 2, (30, 70), 60, "container", rpm=1250),
    # TC-109: tested, gate then rebuilt, tested again
    Session("TC-109", "2026-10-20T09:00", SALT, 2.5, (40, 70, 100), 60, "container"),
    Session("TC-109", "2026-11-18T09:00", SALT, 2.5, (20, 40, 60, 80, 100), 60, "container"),
    # TC-102 again, after its conveyor was renewed
    Session("TC-102", "2026-12-15T08:30", SALT, 3, (20, 38, 60), 90, "direct"),
    Session("TC-102", "2026-12-15T10:10", SALT, 4, (38,), 90, "direct"),
)  # fmt: skip

CHANGES = (
    ("TC-106", "2026-09-15T10:00", "feeder", "auger flighting replaced in the summer service"),
    ("TC-101", "2026-09-30T15:00", "sensor", "count sensor replaced before the season's tests"),
    ("TC-105", "2026-11-02T11:00", "sensor", "ground speed display repaired; feeder not touched"),
    ("TC-107", "2026-11-10T16:00", "hydraulics", "feeder motor replaced"),
    ("TC-109", "2026-11-12T13:30", "gate", "gate guide straightened, position marks repainted"),
    ("TC-102", "2026-11-19T09:00", "material", "salt from the new stockpile, finer grading"),
    ("TC-102", "2026-12-14T10:30", "feeder", "worn conveyor chain and bars renewed"),
)


def true_discharge_lb_per_min(
    truck_id: str, material: str, gate_in: float, feeder_pct: float, when: datetime
) -> float:
    """What the spreader truly discharges on average at a setting, in lb/min.

    `when` is local time without an offset. `feeder_pct` is 0 to 100.
    """
    spreader = SPREADERS[truck_id]
    full = spreader.slope_lb_min_pct_in * gate_in * _effective_pct(spreader, feeder_pct)
    return full * _fill(spreader, material, feeder_pct, when)


def true_counts_per_min(truck_id: str, feeder_pct: float) -> float:
    """Sensor counts per minute of a closed loop truck at a feeder output (NaN for open loop)."""
    spreader = SPREADERS[truck_id]
    return spreader.counts_min_pct * _effective_pct(spreader, feeder_pct)


def true_lb_per_count(
    truck_id: str, material: str, gate_in: float, feeder_pct: float, when: datetime
) -> float:
    """Mass per sensor count of a closed loop truck, in lb (NaN for open loop)."""
    spreader = SPREADERS[truck_id]
    full = spreader.slope_lb_min_pct_in * gate_in / spreader.counts_min_pct
    return full * _fill(spreader, material, feeder_pct, when)


def missed_counts(truck_id: str, when: datetime) -> float:
    """Share of its counts that a truck's sensor misses: none until its mount works loose."""
    spreader = SPREADERS[truck_id]
    return spreader.missed_per_day * max(0.0, (when - spreader.loosens) / timedelta(days=1))


def _effective_pct(spreader: Spreader, feeder_pct: float) -> float:
    """Points of output that move material: none up to the start, fewer and fewer past the knee."""
    turning = max(0.0, feeder_pct - spreader.start_pct)
    room = spreader.knee_pct - spreader.start_pct
    over = float(np.logaddexp(0.0, (turning - room) / CURVE_SOFTNESS_PCT)) * CURVE_SOFTNESS_PCT
    return max(0.0, turning - over)


def _fill(spreader: Spreader, material: str, feeder_pct: float, when: datetime) -> float:
    """How full the feeder runs, relative to dry salt at low output on a fresh conveyor."""
    days = max(0.0, (when - WEAR_STARTS) / timedelta(days=1))
    if when >= spreader.renewed:
        days = 0.0
    worn = 1.0 - spreader.wear_limit * (1.0 - math.exp(-days / 60.0))
    slipped = 1.0 - spreader.slip_per_pct * max(0.0, feeder_pct - 35.0)
    return worn * slipped * (spreader.sand_factor if material == SAND else 1.0)


def truck_table() -> pd.DataFrame:
    """trucks.csv"""
    return pd.DataFrame(TRUCKS, columns=list(TRUCK_COLUMNS))


def shift_table() -> pd.DataFrame:
    """shifts.csv: two crews for the highways and the county roads, one for the towns.

    Written down for the year-end snow alone; in the other storms nobody keeps such a list.
    """
    evening, night = (
        ("2026-12-31T16:00", "2027-01-01T00:00"),
        ("2027-01-01T00:00", "2027-01-01T08:00"),
    )
    one_crew = ("2026-12-31T16:00", "2027-01-01T02:00")
    rows = [
        (truck[0], *shift)
        for truck in TRUCKS
        for shift in ((one_crew,) if truck[0] in ("TC-108", "TC-109") else (evening, night))
    ]
    return pd.DataFrame(rows, columns=["truck_id", "from", "to"])


def change_table() -> pd.DataFrame:
    """changes.csv"""
    return pd.DataFrame(CHANGES, columns=["truck_id", "changed_at", "what", "note"])


def shop_tests(seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """discharge_tests.csv and weighings.csv, as the shop would have written them down."""
    rng = np.random.default_rng(seed)
    tests: list[dict[str, object]] = []
    weighings: list[dict[str, object]] = []
    for session in sorted(SESSIONS, key=lambda s: s.begins):
        outputs = session.outputs_pct * session.repeats
        for run, feeder_pct in enumerate(outputs):
            test_id = f"DT-{len(tests) + 1:03d}"
            test, net_lb = _run(rng, session, run, feeder_pct)
            tests.append({"test_id": test_id, **test})
            for row in _weigh(rng, net_lb, session.method):
                weighings.append({"test_id": test_id, **row})
    return pd.DataFrame(tests), pd.DataFrame(weighings)


def _run(
    rng: np.random.Generator, session: Session, run: int, feeder_pct: float
) -> tuple[dict[str, object], float]:
    """One run: what the technician writes down, and the mass that truly came out, in lb."""
    at = datetime.fromisoformat(session.begins) + timedelta(minutes=13 * run)
    where = session.truck_id, session.material, session.gate_in, feeder_pct, at
    noise = 1.0 + RUN_TO_RUN * rng.standard_normal()
    discharge = true_discharge_lb_per_min(*where) * noise * session.faults.get(run, 1.0)
    duration_s = round(session.seconds + float(rng.uniform(0.2, 2.4)), 1)
    counts = true_counts_per_min(session.truck_id, feeder_pct) * duration_s / 60.0
    written: dict[str, object] = {
        "truck_id": session.truck_id,
        "material": session.material,
        "performed_at": at.isoformat(timespec="minutes"),
        "gate_in": f"{session.gate_in:g}",
        "feeder_pct": f"{feeder_pct:g}",
        "duration_s": duration_s,
        "sensor_counts": "" if math.isnan(counts) else int(counts + rng.uniform()),
        "duration_u_s": 0.2 if session.method == "direct" else "",
        "engine_rpm": session.rpm + 10 * int(rng.integers(-3, 4)),
        "spinner_on": "true" if session.method == "vehicle_scale" else "false",
        "voided_by": session.voids.get(run, ""),
    }
    return written, discharge * duration_s / 60.0


def _weigh(rng: np.random.Generator, net_lb: float, method: str) -> list[dict[str, object]]:
    """The weighings of one run, read off a scale with its division."""
    if method == "vehicle_scale":
        before = float(rng.uniform(33000, 41000))
        return [_reading("vehicle_scale", before, before - net_lb, 1, 20.0)]
    if method == "direct":
        skip_lb = float(rng.uniform(212, 214))
        return [_reading("direct", skip_lb + net_lb, skip_lb, 1, 1.0)]
    tubs, tare_lb = max(1, math.ceil(net_lb / 70.0)), float(rng.uniform(6.0, 7.0))
    if method == "counted" and tubs > 2:
        level = 66.0 * (1.0 + 0.02 * rng.standard_normal(tubs - 1))
        last = max(0.0, net_lb - float(level.sum()))
        return [
            _reading("container", float(level[0]) + tare_lb, tare_lb, tubs - 1, 0.5),
            _reading("container", last + tare_lb, tare_lb, 1, 0.5),
        ]
    share = net_lb / tubs * (1.0 + 0.03 * rng.uniform(-1, 1, tubs))
    share *= net_lb / max(float(share.sum()), 1e-9)
    return [_reading("container", float(s) + tare_lb, tare_lb, 1, 0.5) for s in share]


def _reading(
    method: str, gross_lb: float, tare_lb: float, count: int, division_lb: float
) -> dict[str, object]:
    def read(mass_lb: float) -> str:
        return f"{round(mass_lb / division_lb) * division_lb:g}"

    return {
        "method": method,
        "gross_lb": read(gross_lb),
        "tare_lb": read(tare_lb),
        "count": count,
        "scale_division_lb": f"{division_lb:g}",
    }
