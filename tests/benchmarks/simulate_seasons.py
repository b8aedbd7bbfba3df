"""Seeded seasons of whole fleets with known truth, for `coverage_of_truth`.

Nothing here is taken from spreadplan's own assumptions: every spread below is drawn anew for each
fleet from a range, and the truth is kept apart from what the fleet's people and machines write
down. Units: lb, minutes, miles, percent of feeder output.

A fleet has 6 to 10 trucks, open or closed loop, one route of 7 segments each.

- Discharge: proportional (40 %), with a start-up threshold of 1 to 10 points (40 %), or levelling
  off at 60 to 85 % besides (20 %). A quarter of the closed loops slip at high output.
- Scatter: 1 to 6 % by fleet (even in the logarithm), by truck within a factor of about 1.25; in one
  fleet of ten one truck scatters three times as much. A test is a short run and has all of it; of a
  run on the road a share (0 to 1 by fleet) is common to the run, the rest new on each segment.
- Truck and storm (moisture, wear): 0.5 to 3 % by fleet. A fifth of the trucks drift by a few
  percent over the season.
- Tests: 1 to 8 by truck, containers (1 lb divisions) or vehicle scale (20 lb), read to the
  division, scale off by 0.1 %, run timed by hand within 0.3 s.
- Controllers: the number of the calibration, or in three of ten an older one, off by about 5 %.
- Drivers: most keep the plan; of 20 segments about one gets 1.15 to 1.7 times and one 0.5 to 0.85
  times it; in half the trucks the rate isn't lowered inside sensitive areas.
- Tickets: each load 15 % about the truck's usual one, read to 20 lb. Rest in the hopper: returned
  with a ticket (70 %), or left there (15 %), or the last load was made to end empty (15 %).
  A load ticket is missing in 3 % of a truck's storms, in 1.5 % one is written twice. Six of ten
  fleets weigh in all storms, the others in a third of them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from spreadplan.matching.network import Network
from spreadplan.schema.policy import Policy
from spreadplan.schema.telemetry import SourceFile, TruckRecords

Floats = NDArray[np.float64]

SEASON_START = pd.Timestamp("2026-11-01T00:00", tz="UTC")
SEASON_END = pd.Timestamp("2027-04-01T00:00", tz="UTC")
TESTED_AT = pd.Timestamp("2026-10-15T15:00", tz="UTC")
SEGMENTS = 7
MATERIAL = "salt"
YARDS = ("Y1", "Y2")
MONTH = pd.Timedelta(days=30)


@dataclass(frozen=True)
class TrueTruck:
    """What a truck really does."""

    truck_id: str
    closed_loop: bool
    slope: float
    start_pct: float
    saturation_pct: float
    lb_per_count: float
    slip: float
    scatter: float
    drift_per_month: float
    old_number: float  # what the controller's number is over the calibration's; 1: up to date
    keeps_rate_in_areas: bool
    load_lb: float
    tests: int

    def discharge(self, feeder_pct: Floats) -> Floats:
        """True mean discharge at an output, lb/min."""
        working = np.minimum(feeder_pct, self.saturation_pct) - self.start_pct
        return self.slope * np.maximum(working, 0.0)

    def per_count(self, feeder_pct: Floats) -> Floats:
        """True mean mass per count at an output, lb."""
        return self.lb_per_count * (1.0 - self.slip * np.maximum(feeder_pct - 50.0, 0.0) / 50.0)

    def drifted(self, moment: pd.Timestamp) -> float:
        """True output over that on the day of the tests."""
        return 1.0 + self.drift_per_month * float((moment - TESTED_AT) / MONTH)


@dataclass
class Fleet:
    """A county: what is true of it, and the tables that its people filled in.

    peaked : its storms come mostly in midwinter, else at a steady rate.
    """

    rng: np.random.Generator
    scatter: float
    run_share: float
    storm_sd: float
    ticket_share: float
    peaked: bool
    trucks: list[TrueTruck]
    chloride: float
    tables: dict[str, pd.DataFrame] = field(default_factory=dict)

    @property
    def policy(self) -> Policy:
        """Tolerances of 10 %, confidence of 95 %."""
        return Policy(sensitive_factor=0.8)


def make_fleet(seed: int, scatter: float | None = None) -> Fleet:
    """Draw a fleet; ``scatter`` fixes what its scatter is, else 1 to 6 %."""
    rng = np.random.default_rng([2027, seed])
    drawn = float(np.exp(rng.uniform(np.log(0.01), np.log(0.06))))
    fleet = Fleet(
        rng, scatter or drawn, float(rng.uniform()), float(rng.uniform(0.005, 0.03)),
        1.0 if rng.uniform() < 0.6 else 0.33, bool(rng.uniform() < 0.5), [],
        float(35.45 / 58.44 * rng.uniform(0.95, 1.0) * (1.0 - rng.uniform(0.0, 0.02))),
    )  # fmt: skip
    count = int(rng.integers(6, 11))
    wild = int(rng.integers(count)) if rng.uniform() < 0.1 else -1
    fleet.trucks = [_truck(fleet, number, number == wild) for number in range(count)]
    fleet.tables = _tables(fleet)
    return fleet


def _truck(fleet: Fleet, number: int, wild: bool) -> TrueTruck:
    rng = fleet.rng
    form = rng.choice(3, p=[0.4, 0.4, 0.2])
    return TrueTruck(
        truck_id=f"T{number + 1}",
        closed_loop=bool(rng.uniform() < 0.5),
        slope=float(rng.uniform(1.5, 3.5)),
        start_pct=0.0 if form == 0 else float(rng.uniform(1.0, 10.0)),
        saturation_pct=float(rng.uniform(60.0, 85.0)) if form == 2 else np.inf,
        lb_per_count=float(rng.uniform(0.2, 0.5)),
        slip=float(rng.uniform(0.0, 0.06)) if rng.uniform() < 0.25 else 0.0,
        scatter=fleet.scatter * float(np.exp(rng.normal(0.0, 0.22))) * (3.0 if wild else 1.0),
        drift_per_month=float(rng.normal(0.0, 0.01)) if rng.uniform() < 0.2 else 0.0,
        old_number=float(np.exp(rng.normal(0.0, 0.05))) if rng.uniform() < 0.3 else 1.0,
        keeps_rate_in_areas=bool(rng.uniform() < 0.5),
        load_lb=float(rng.uniform(7000.0, 14000.0)),
        tests=int(rng.integers(1, 9)),
    )


def table(columns: str, rows: list[tuple[object, ...]]) -> pd.DataFrame:
    """A table of the workspace, with the source row."""
    frame = pd.DataFrame(rows, columns=columns.split())
    return frame.assign(row=np.arange(len(frame)) + 2)


def _tables(fleet: Fleet) -> dict[str, pd.DataFrame]:
    names = [truck.truck_id for truck in fleet.trucks]
    tests, weighings = _tests(fleet)
    nan = np.nan
    return {
        "trucks": table(
            "truck_id control feeder capacity_lb prewet_tank_gal min_feeder_pct max_feeder_pct "
            "control_step_pct gate_positions_in max_spread_lanes",
            [
                (
                    one.truck_id,
                    "closed_loop" if one.closed_loop else "open_loop",
                    "auger",
                    16000.0,
                    nan,
                    5.0,
                    100.0,
                    1.0,
                    (3.0,),
                    nan,
                )
                for one in fleet.trucks
            ],
        ),
        "materials": table(
            "material kind bulk_density_lb_ft3 density_lb_gal chloride_fraction moisture_pct "
            "cost_per_ton cost_per_gal chemical",
            [(MATERIAL, "solid", 75.0, nan, nan, nan, 80.0, nan, "NaCl")],
        ),
        "yards": table("yard_id lon lat reload_min", [(one, -94.0, 46.0, 12.0) for one in YARDS]),
        "assignments": table(
            "route_id truck_id yard_id material prewet_gal_per_ton",
            [(f"R{name}", name, YARDS[n % 2], MATERIAL, 0.0) for n, name in enumerate(names)],
        ),
        "changes": table("truck_id changed_at what note", []).astype(
            {"changed_at": "datetime64[ns, UTC]"}
        ),
        "tests": tests,
        "weighings": weighings,
        "routes": _routes(fleet),
        "areas": _areas(fleet),
    }


def _tests(fleet: Fleet) -> tuple[pd.DataFrame, pd.DataFrame]:
    tests: list[tuple[object, ...]] = []
    weighings: list[tuple[object, ...]] = []
    rng = fleet.rng
    span = {"container": rng.normal(0.0, 0.001), "vehicle_scale": rng.normal(0.0, 0.001)}
    for truck in fleet.trucks:
        method = "container" if rng.uniform() < 0.6 else "vehicle_scale"
        minutes = rng.uniform(1.0, 2.0) if method == "container" else rng.uniform(3.0, 5.0)
        for number, output in enumerate(_outputs(rng, truck)):
            test_id = f"{truck.truck_id}-{number}"
            exact = (
                truck.discharge(np.array(output)) * minutes * (1.0 + rng.normal(0, truck.scatter))
            )
            exact = max(float(exact), 0.0)
            # the feeder turned so often; how much each count carried is what scatters
            turned = truck.discharge(np.array(output)) * minutes
            counts = float(np.floor(turned / truck.per_count(np.array(output)) + rng.uniform()))
            tests.append(
                (
                    test_id,
                    truck.truck_id,
                    MATERIAL,
                    TESTED_AT + pd.Timedelta(minutes=10 * number),
                    3.0,
                    output,
                    round(60.0 * minutes + rng.normal(0.0, 0.3), 1),
                    counts if truck.closed_loop else np.nan,
                    np.nan,
                    np.nan,
                    False,
                    "",
                )
            )
            weighings += _weighed(rng, test_id, method, exact * (1.0 + span[method]))
    columns = (
        "test_id truck_id material performed_at gate_in feeder_pct duration_s sensor_counts "
        "duration_u_s engine_rpm spinner_on voided_by"
    )
    return (
        table(columns, tests).astype({"performed_at": "datetime64[ns, UTC]"}),
        table("test_id method gross_lb tare_lb count scale_division_lb", weighings),
    )


def _outputs(rng: np.random.Generator, truck: TrueTruck) -> list[float]:
    """Outputs of a truck's tests: spread, but of few tests all at one; closed loops about 38 %."""
    if truck.closed_loop and rng.uniform() < 0.6:
        return [float(one) for one in np.round(rng.uniform(33.0, 42.0, truck.tests))]
    if truck.tests == 1:
        return [float(rng.choice([50.0, 70.0, 100.0]))]
    low, high = rng.choice([20.0, 30.0]), rng.choice([80.0, 100.0])
    levels = np.round(np.linspace(low, high, min(truck.tests, 5)))
    return [float(one) for one in np.resize(levels, truck.tests)]


def _weighed(
    rng: np.random.Generator, test_id: str, method: str, mass_lb: float
) -> list[tuple[object, ...]]:
    """Readings that make up a mass: bins of up to 400 lb, or the truck before and after."""
    if method == "vehicle_scale":
        before = rng.uniform(30000.0, 40000.0)
        gross, tare = (20.0 * round(one / 20.0) for one in (before, before - mass_lb))
        return [(test_id, method, gross, tare, 1, 20.0)]
    bins = max(int(np.ceil(mass_lb / 400.0)), 1)
    found: list[tuple[object, ...]] = []
    for share in rng.dirichlet(np.full(bins, 50.0)):
        tare = rng.uniform(30.0, 60.0)
        found.append(
            (test_id, method, float(round(tare + share * mass_lb)), float(round(tare)), 1, 1.0)
        )
    return found


def _routes(fleet: Fleet) -> gpd.GeoDataFrame:
    rows = []
    for number, truck in enumerate(fleet.trucks):
        lon, lat = -94.0, 46.0 + 0.05 * number
        for place in range(SEGMENTS):
            end = lon + float(fleet.rng.uniform(0.01, 0.03))
            rows.append(
                {
                    "route_id": f"R{truck.truck_id}",
                    "segment_id": f"{truck.truck_id}.{place}",
                    "lanes": 2.0,
                    "lane_width_ft": 12.0,
                    "passes": 2,
                    "speed_mph": 25.0,
                    "service_class": "A",
                    "zone": "",
                    "two_way": True,
                    "name": "",
                    "sequence": float(place),
                    "row": len(rows) + 1,
                    "geometry": shapely.LineString([(lon, lat), (end, lat)]),
                }
            )
            lon = end
    return gpd.GeoDataFrame(rows, crs=4326)


def _areas(fleet: Fleet) -> gpd.GeoDataFrame:
    """On every other route an area over a part of the way, with a factor or a greatest rate."""
    rows = []
    for number in range(0, len(fleet.trucks), 2):
        west, lat = -94.0 + float(fleet.rng.uniform(0.01, 0.05)), 46.0 + 0.05 * number
        rows.append(
            {
                "area_id": f"A{number}",
                "name": f"Well {number}",
                "kind": "wellhead",
                "max_rate_lb_per_lane_mile": 200.0 if number % 4 else np.nan,
                "rate_factor": 0.8,
                "chloride_limit_lb": np.nan,
                "mean_flow_cfs": np.nan,
                "low_flow_cfs": np.nan,
                "background_mg_l": np.nan,
                "geometry": shapely.box(west, lat - 0.01, west + 0.03, lat + 0.01),
            }
        )
    return gpd.GeoDataFrame(rows, crs=4326)


@dataclass(frozen=True)
class TrueStorm:
    """When a storm starts, how many rounds it needs and at which rate."""

    name: str
    start: pd.Timestamp
    rounds: int
    rate_lb_per_lane_mile: float

    @property
    def end(self) -> pd.Timestamp:
        """Three hours a round."""
        return self.start + pd.Timedelta(hours=3 * self.rounds)


def draw_storms(fleet: Fleet) -> list[TrueStorm]:
    """The storms of a season: 6 to 12 expected, rounds and rates drawn; see `Fleet.peaked`."""
    rng = fleet.rng
    count = int(rng.poisson(rng.uniform(6.0, 12.0)))
    share = rng.beta(2.0, 2.0, count) if fleet.peaked else rng.uniform(size=count)
    return [
        TrueStorm(
            f"s{number:02d}",
            (SEASON_START + (SEASON_END - SEASON_START) * float(at)).floor("min"),
            int(rng.choice([1, 2, 3, 4], p=[0.35, 0.35, 0.2, 0.1])),
            float(np.round(rng.uniform(150.0, 350.0))),
        )
        for number, at in enumerate(np.sort(share))
    ]


def forecast_of(storm: TrueStorm) -> pd.DataFrame:
    """One row for each round."""
    rows: list[tuple[object, ...]] = [
        (
            "*",
            storm.start + pd.Timedelta(hours=3 * n),
            storm.start + pd.Timedelta(hours=3 * n + 3),
            "light_snow",
            25.0,
            "",
            0.05,
            str(n + 1),
        )
        for n in range(storm.rounds)
    ]
    columns = "zone start end event pavement_temp_f trend precipitation_in application"
    return table(columns, rows).astype(
        {"start": "datetime64[ns, UTC]", "end": "datetime64[ns, UTC]"}
    )


def rates_of(storm: TrueStorm) -> pd.DataFrame:
    """The planner's own rate for all routes and rounds."""
    rows: list[tuple[object, ...]] = [
        ("*", str(n + 1), storm.rate_lb_per_lane_mile, np.nan, np.nan) for n in range(storm.rounds)
    ]
    columns = "route_id application rate_lb_per_lane_mile rate_g_per_m2 rate_gal_per_lane_mile"
    frame = table(columns, rows)
    return frame.assign(start=pd.Series(pd.NaT, frame.index).dt.tz_localize("UTC"))


def plan_truth(fleet: Fleet, rows: pd.DataFrame, lb_per_count: dict[str, float]) -> Floats:
    """What the trucks really put out at the settings of a plan, run-to-run scatter included.

    ``rows`` : the plan's segments. ``lb_per_count`` : the calibrated number of the closed loops,
    which they hold. A drift during the season isn't the plan's to know and is left out.
    """
    mean = np.zeros(len(rows))
    relative = scatter_of_rows(fleet, rows)
    for truck in fleet.trucks:
        mine = (rows["truck_id"] == truck.truck_id).to_numpy()
        some = rows[mine]
        output = some["feeder_pct"].to_numpy(dtype=float)
        if truck.closed_loop:
            number = lb_per_count[truck.truck_id]
            mean[mine] = some["mass_lb"] * truck.per_count(output) / number
        else:
            per_rate = some["lanes_per_pass"] * some["speed_mph"] / 60.0
            mean[mine] = truck.discharge(output) / per_rate * some["lane_miles"]
    return np.asarray(np.maximum(mean * (1.0 + relative), 0.0))


def scatter_of_rows(fleet: Fleet, rows: pd.DataFrame) -> Floats:
    """Relative departure of each row from the truck's mean: of its run, and of its own.

    All parts of a segment in one round scatter together.
    """
    sd = rows["truck_id"].map({one.truck_id: one.scatter for one in fleet.trucks}).to_numpy(float)
    run = rows.groupby(["truck_id", "application"]).ngroup().to_numpy()
    piece = rows.groupby(["application", "segment_id"]).ngroup().to_numpy()
    of_run = fleet.rng.standard_normal(run.max(initial=0) + 1)[run]
    of_own = fleet.rng.standard_normal(piece.max(initial=0) + 1)[piece]
    own = 1.0 - fleet.run_share
    return np.asarray(sd * (np.sqrt(fleet.run_share) * of_run + np.sqrt(own) * of_own))


def spread(
    fleet: Fleet, storm: TrueStorm, rows: pd.DataFrame, lb_per_count: dict[str, float]
) -> pd.DataFrame:
    """What was reported and what truly lay on each row of the plan.

    Returns
    -------
    ``rows`` with reported_lb, true_lb and usual_true_lb (without what is of the storm and of the
    run: what the truck's own ratio would give).
    """
    rng = fleet.rng
    rows = rows[rows["mass_lb"].notna()].reset_index(drop=True)
    keys = rows["segment_id"].astype(str)
    unlike = {name: _driver(rng) for name in keys.unique()}
    asked = rows["mass_lb"].to_numpy(dtype=float) * keys.map(unlike).to_numpy(dtype=float)
    usual, reported = np.zeros(len(rows)), np.zeros(len(rows))
    scatter = scatter_of_rows(fleet, rows)
    for truck in fleet.trucks:
        mine = (rows["truck_id"] == truck.truck_id).to_numpy()
        some, wanted = rows[mine], asked[mine].copy()
        output = some["feeder_pct"].fillna(50.0).to_numpy(dtype=float)
        lowered = (some["area_id"] != "").to_numpy()
        if truck.keeps_rate_in_areas:
            target = some["target_rate_lb_per_lane_mile"].to_numpy(dtype=float)
            wanted[lowered] *= storm.rate_lb_per_lane_mile / target[lowered]
        if truck.closed_loop:
            per_lb = truck.per_count(output) / lb_per_count[truck.truck_id]
        else:
            with np.errstate(divide="ignore", invalid="ignore"):
                planned = some["achieved_rate_lb_per_lane_mile"] * (
                    some["lanes_per_pass"] * some["speed_mph"] / 60.0
                )
            per_lb = truck.discharge(output) / planned.to_numpy(dtype=float)
        # the controller shows what its own number says: an older one says more or less
        reported[mine] = wanted * truck.old_number
        of_storm = truck.drifted(storm.start)
        usual[mine] = wanted * per_lb * of_storm
    of_truck = {one.truck_id: rng.normal(0.0, fleet.storm_sd) for one in fleet.trucks}
    in_storm = rows["truck_id"].map(of_truck).to_numpy(dtype=float)
    true = np.maximum(usual * (1.0 + in_storm) * (1.0 + scatter), 0.0)
    return rows.assign(reported_lb=reported, usual_true_lb=usual, true_lb=true)


def _driver(rng: np.random.Generator) -> float:
    """How many times the plan a driver gives a segment in a storm."""
    kind = rng.uniform()
    if kind < 0.05:
        return float(rng.uniform(1.15, 1.7))
    return float(rng.uniform(0.5, 0.85)) if kind < 0.10 else 1.0


@dataclass
class Tickets:
    """Tickets of one storm as written, and what is true of them.

    complete : trucks whose tickets are all there and right. drawn_lb : what truly left each yard
    less what came back. sound_yards : yards all of whose movements are on paper.
    """

    loads: list[tuple[object, ...]]
    returns: list[tuple[object, ...]]
    complete: set[str]
    drawn_lb: dict[str, float]
    sound_yards: set[str]


def weigh_loads(fleet: Fleet, storm: TrueStorm, true_lb: dict[str, float]) -> Tickets:
    """Load and return tickets for what each truck truly put down."""
    rng = fleet.rng
    found = Tickets([], [], set(), dict.fromkeys(YARDS, 0.0), set(YARDS))
    weighed = rng.uniform() < fleet.ticket_share
    yard_of = dict(
        zip(
            fleet.tables["assignments"]["truck_id"],
            fleet.tables["assignments"]["yard_id"],
            strict=True,
        )
    )
    for truck in fleet.trucks:
        need, yard = true_lb.get(truck.truck_id, 0.0), yard_of[truck.truck_id]
        if need <= 0.0:
            continue
        loads, rest = [], rng.choice(["returned", "left", "empty"], p=[0.70, 0.15, 0.15])
        while sum(loads) < need:
            size = truck.load_lb * (1.0 + rng.normal(0.0, 0.15))
            loads.append(float(np.clip(size, 2000.0, 16000.0)))
        if rest == "empty":
            loads[-1] -= sum(loads) - need
        left = sum(loads) - need
        found.drawn_lb[yard] += sum(loads) - (left if rest == "returned" else 0.0)
        if not weighed:
            found.sound_yards.discard(yard)
            continue
        written, odd = [_read(rng, one) for one in loads], rng.uniform()
        if odd < 0.03:
            written.pop(int(rng.integers(len(written))))
        elif odd < 0.045:
            written.append(written[-1])
        if odd < 0.045:
            found.sound_yards.discard(yard)
        elif rest == "returned":
            found.complete.add(truck.truck_id)
        for number, net in enumerate(written):
            moment = storm.start + (storm.end - storm.start) * (number / (len(loads) + 1))
            found.loads.append(
                (
                    f"{storm.name}-{truck.truck_id}-{number}",
                    truck.truck_id,
                    yard,
                    moment,
                    MATERIAL,
                    net,
                    20.0,
                    storm.name,
                )
            )
        if rest == "returned":
            found.returns.append(
                (truck.truck_id, yard, storm.end, MATERIAL, _read(rng, left), 20.0, storm.name)
            )
    return found


def _read(rng: np.random.Generator, mass_lb: float) -> float:
    """The difference of two readings of a vehicle scale in 20 lb divisions."""
    before = rng.uniform(20000.0, 30000.0)
    return 20.0 * round((before + mass_lb) / 20.0) - 20.0 * round(before / 20.0)


LOAD_COLUMNS = "ticket_id truck_id yard_id loaded_at material net_lb scale_division_lb storm"
RETURN_COLUMNS = "truck_id yard_id returned_at material net_lb scale_division_lb storm"


def ticket_table(columns: str, rows: list[tuple[object, ...]]) -> pd.DataFrame:
    """Tickets with their types, also where there are none."""
    frame = table(columns, rows)
    kinds = {name: "datetime64[ns, UTC]" for name in frame.columns if name.endswith("_at")}
    floats = {name: float for name in frame.columns if name.endswith("_lb")}
    return frame.astype(kinds | floats)


FIX_S = 5.0
NOISE_M = 5.0
NOISE_MEMORY_S = 30.0
MPS = 25.0 * 0.44704
TURN_S = 20.0


def telemetry(
    fleet: Fleet, storm: TrueStorm, rows: pd.DataFrame, network: Network
) -> list[TruckRecords]:
    """What the trucks send: a fix each 5 s, 5 m from the truth, with the running total.

    Each round drives the route out and back, spreading evenly along each part of the plan.

    Parameters
    ----------
    rows : as `spread` returns them, with from_mi, to_mi and reported_lb.
    """
    found = []
    for truck_id, mine in rows.groupby("truck_id", sort=True):
        time_s, along_m, back, speed_mph, total, used = [], [], [], [], [], 0.0
        for number, (_, round_) in enumerate(mine.groupby("application", sort=True)):
            reach_m, mass_lb = _profile(network, round_)
            length = reach_m[-1]
            begins = storm.start.timestamp() + 3.0 * 3600.0 * number
            leg_s = length / MPS
            # from standing still before the first segment to standing still after the last
            late_s = fleet.rng.uniform(0.0, FIX_S)
            moment = np.arange(-FIX_S, 2.0 * leg_s + TURN_S + 2.0 * FIX_S, FIX_S) + late_s
            out = np.clip(moment * MPS, 0.0, length)
            home = np.clip((moment - leg_s - TURN_S) * MPS, 0.0, length)
            here = out - home
            half = mass_lb[-1] / 2.0
            put = np.interp(out, reach_m, mass_lb / 2.0)
            put += half - np.interp(length - home, reach_m, mass_lb / 2.0)
            time_s.append(begins + moment)
            along_m.append(here)
            back.append(moment > leg_s + TURN_S / 2.0)
            since = np.where(moment > leg_s + TURN_S / 2.0, moment - leg_s - TURN_S, moment)
            speed_mph.append(np.where((since > 0.0) & (since < leg_s), MPS / 0.44704, 0.0))
            total.append(used + put)
            used += mass_lb[-1]
        found.append(
            _records(
                fleet,
                network,
                str(truck_id),
                mine,
                [np.concatenate(one) for one in (time_s, along_m, back, speed_mph, total)],
            )
        )
    return found


def _profile(network: Network, round_: pd.DataFrame) -> tuple[Floats, Floats]:
    """Distance along the route, m, and mass put down by both passes up to there."""
    place = {name: n for n, name in enumerate(network.segment_id)}
    reach, mass = [0.0], [0.0]
    for segment_id, parts in round_.groupby("segment_id", sort=False):
        begin = reach[-1]
        whole = network.length_m[place[str(segment_id)]]
        ordered = parts.sort_values("from_mi")
        share = ordered["to_mi"].to_numpy(float) / float(ordered["to_mi"].iloc[-1])
        reach += list(begin + whole * share)
        mass += list(mass[-1] + np.cumsum(ordered["reported_lb"].to_numpy(float)))
    return np.array(reach), np.array(mass)


def _records(
    fleet: Fleet, network: Network, truck_id: str, mine: pd.DataFrame, columns: list[NDArray[Any]]
) -> TruckRecords:
    time_s, along_m, back, speed_mph, total = columns
    count = len(time_s)
    routes = fleet.tables["routes"]
    lines = routes[routes["route_id"] == mine["route_id"].iloc[0]].geometry
    west, lat = lines.iloc[0].coords[0]
    first_x, y = network.plane.project(np.array([west]), np.array([lat]))
    east, _ = lines.iloc[-1].coords[-1]
    last_x, _ = network.plane.project(np.array([east]), np.array([lat]))
    length = float(sum(network.length_m[np.isin(network.segment_id, mine["segment_id"])]))
    x_m = first_x + (last_x - first_x) * along_m / length
    fades = np.exp(-FIX_S / NOISE_MEMORY_S)
    noise = fleet.rng.standard_normal((2, 2, count))
    for n in range(1, count):
        noise[0, :, n] = fades * noise[0, :, n - 1] + np.sqrt(1 - fades**2) * noise[0, :, n]
    off = NOISE_M / 2.0 * (noise[0] + noise[1])
    lon, lat_noisy = network.plane.unproject(x_m + off[0], y + off[1])
    nothing = np.full(count, np.nan)
    return TruckRecords(
        truck_id=truck_id,
        time_s=time_s,
        lon=lon,
        lat=lat_noisy,
        speed_mph=speed_mph,
        heading_deg=np.where(back, 270.0, 90.0) + fleet.rng.normal(0.0, 5.0, count),
        spreading=np.ones(count, bool),
        feed_total_lb=total,
        feed_rate_lb_min=nothing,
        liquid_total_gal=nothing,
        material=np.full(count, -1),
        source_file=np.zeros(count, int),
        source_row=np.arange(count),
        materials=(),
        sources=(SourceFile("simulated"),),
    )
