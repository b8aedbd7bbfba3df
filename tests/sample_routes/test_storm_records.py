"""The season's records tell the story that the sample county was given, and hang together."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import points

from spreadplan import runs

REPO = Path(__file__).resolve().parents[2]
COUNTY = REPO / "sample_routes" / "county"
TRUTH = Path(__file__).resolve().parent / "truth"
STORMS = sorted(folder.name for folder in (COUNTY / "storms").iterdir())
LOST_TICKETS = {("2026-12-31-year-end-snow", "TC-109"), ("2027-01-16-long-snow", "TC-105")}
LOCAL_PLANE = "EPSG:32615"


def read(name: str, storm: str = "") -> pd.DataFrame:
    return pd.read_csv((COUNTY / "storms" / storm if storm else COUNTY) / f"{name}.csv")


def of_all_storms(name: str) -> pd.DataFrame:
    return pd.concat([read(name, storm).assign(storm=storm) for storm in STORMS])


@pytest.fixture(scope="module")
def trucks() -> pd.DataFrame:
    return pd.read_csv(TRUTH / "trucks.csv")


def test_twelve_storms_in_few_bytes():
    assert len(STORMS) == 12
    assert all((COUNTY / "storms" / storm / "telemetry").is_dir() for storm in STORMS)
    assert sum(p.stat().st_size for p in COUNTY.rglob("*") if p.is_file()) < 6_000_000


def test_what_was_loaded_and_not_brought_back_was_spread(trucks: pd.DataFrame):
    kept = trucks["true_loads_lb"] - trucks["true_returns_lb"] - trucks["true_lb"]
    assert kept.abs().max() < 25  # lb: a hopper may run out within its last yards


def test_tickets_differ_from_the_truth_by_the_scale_only(trucks: pd.DataFrame):
    keys = ["storm", "truck_id", "material"]
    for name, column in (("loads", "true_loads_lb"), ("returns", "true_returns_lb")):
        written = of_all_storms(name).groupby(keys)["net_lb"].agg(["sum", "count"])
        both = trucks.set_index(keys).join(written, how="left").fillna(0.0)
        off = (both["sum"] - both[column]).abs() / np.sqrt(np.maximum(both["count"], 1))
        lost = np.array([key[:2] in LOST_TICKETS for key in both.index])
        if name == "loads":
            assert (off[lost] > 2000).all()
            assert lost.sum() == len(LOST_TICKETS)
            off = off[~lost]
        assert off.max() < 200  # lb, four standard deviations of the coarsest scale
        assert off.max() > 0


def test_one_truck_drifts_one_is_true_and_one_was_repaired(trucks: pd.DataFrame):
    salt = trucks[trucks["material"] == "rock_salt"]
    ratio = (
        salt.assign(ratio=salt["true_lb"] / salt["reported_lb"])
        .pivot(index="storm", columns="truck_id", values="ratio")
        .sort_index()
    )
    assert ratio["TC-101"].mean() == pytest.approx(1.0, abs=0.02)
    assert ratio["TC-103"].iloc[-3:].mean() > 1.15
    days = (pd.to_datetime(ratio.index.str[:10]) - pd.Timestamp("2026-12-10")).days
    slope = np.polyfit(days[3:], ratio["TC-103"].iloc[3:], 1)[0]
    assert slope == pytest.approx(0.0017, abs=0.0007)  # about 0.14 % of the counts a day
    assert ratio["TC-102"].iloc[:3].max() < 0.92
    assert ratio["TC-102"].iloc[3:].mean() == pytest.approx(1.0, abs=0.03)


def test_only_the_unrecorded_truckloads_are_missing_in_the_books():
    """From one count of a pile to the next: the books against what was counted."""
    lines, counts = [], read("stock_counts").sort_values("counted_at")
    moves = [
        (of_all_storms("loads"), "loaded_at", "net_lb", -1 / 2000),
        (of_all_storms("returns"), "returned_at", "net_lb", 1 / 2000),
        (read("deliveries"), "delivered_at", "net_ton", 1.0),
    ]
    solid = counts[counts["material"] != "salt_brine"]
    for (yard, material), pile in solid.groupby(["yard_id", "material"]):
        for first, then in zip(pile[:-1].itertuples(), pile[1:].itertuples(), strict=True):
            expected = first.on_hand_ton
            for table, at, mass, sign in moves:
                here = table[(table["yard_id"] == yard) & (table["material"] == material)]
                since = (here[at] > first.counted_at) & (here[at] <= then.counted_at)
                expected += sign * here.loc[since, mass].sum()
            spread = float(np.hypot(first.on_hand_u_ton, then.on_hand_u_ton))
            lines.append(
                (yard, material, then.counted_at[:10], then.on_hand_ton - expected, spread)
            )
    found = pd.DataFrame(lines, columns=["yard", "material", "at", "off_ton", "u_ton"])
    off = found["off_ton"].abs() > 3 * found["u_ton"]
    assert found[off][["yard", "material", "at"]].values.tolist() == [
        ["EAST", "rock_salt", "2027-01-25"]
    ]
    unrecorded = pd.read_csv(TRUTH / "unrecorded_deliveries.csv")["net_ton"].sum()
    assert found.loc[off, "off_ton"].iloc[0] == pytest.approx(unrecorded, abs=13)  # three u


def routes_in_metres() -> gpd.GeoDataFrame:
    return gpd.read_file(COUNTY / "routes.geojson").set_index("segment_id").to_crs(LOCAL_PLANE)


def test_the_lake_shore_gets_more_than_the_land_behind_it():
    """The plan lowers the rate by the shore to 0.6; TC-108's driver raises it instead."""
    roads = routes_in_metres()
    areas = gpd.read_file(COUNTY / "sensitive_areas.geojson").to_crs(LOCAL_PLANE)
    shore = areas.set_index("area_id").geometry["SA2"]
    mine = roads[roads["route_id"] == "R08"]
    lane_miles = mine.length / 1609.344 * mine["lanes"]
    inside = mine.geometry.intersection(shore).length / mine.length
    truth = pd.read_parquet(TRUTH / "segments.parquet")
    mass = truth[truth["truck_id"] == "TC-108"].groupby("segment_id")["true_lb"].sum()
    rate = mass.reindex(mine.index) / lane_miles
    assert (inside > 0.95).sum() >= 3
    assert rate[inside > 0.95].mean() > 1.1 * rate[inside < 0.05].mean()


@pytest.mark.parametrize("storm", ["2026-11-28-light-snow", "2027-02-04-night-snow"])
def test_positions_lie_by_the_segment_that_the_truth_names(storm: str):
    roads = routes_in_metres().geometry
    written = pd.read_parquet(COUNTY / "storms" / storm / "telemetry" / "fleet.parquet")
    truth = pd.read_parquet(TRUTH / f"positions_{storm}.parquet")
    assert len(written) == len(truth)
    assert (written["truck_id"] == truth["truck_id"]).all()
    assert (written["time"].astype("int64") // 10**3 == truth["time_s"]).all()
    on = (truth["segment_id"] != "").to_numpy()
    where = gpd.GeoSeries(points(written["lon"], written["lat"]), crs=4326).to_crs(LOCAL_PLANE)
    away = where[on].distance(
        gpd.GeoSeries(roads[truth["segment_id"][on]].to_numpy(), where.index[on], crs=LOCAL_PLANE)
    )
    assert 2.0 < away.median() < 5.0  # m
    assert 0.0005 < (away > 30).mean() < 0.004  # outliers


def test_running_totals_rise_to_what_the_controllers_counted(trucks: pd.DataFrame):
    """Every fall of a total is one of the resets; what lies between two fixes there is lost."""
    for storm in STORMS:
        folder = COUNTY / "storms" / storm / "telemetry"
        files = sorted(folder.glob("*.parquet")) or sorted(folder.glob("*.csv"))
        fixes = (
            pd.read_parquet(files[0]) if files[0].suffix == ".parquet" else pd.read_csv(files[0])
        )
        reported = trucks[trucks["storm"] == storm].groupby("truck_id")["reported_lb"].sum()
        for truck_id, mine in fixes.groupby("truck_id"):
            steps = mine.sort_values("time", kind="stable")["feed_total_lb"].diff().dropna()
            assert (steps < 0).sum() <= 2
            counted = steps[steps > 0].sum()
            assert counted == pytest.approx(reported[truck_id], rel=0.002, abs=30), (
                storm,
                truck_id,
            )


def test_no_truck_is_recorded_twice_at_one_time_outside_the_mixed_storm():
    for storm in STORMS:
        folder = COUNTY / "storms" / storm / "telemetry"
        for file in folder.glob("fleet.*"):
            fixes = pd.read_parquet(file) if file.suffix == ".parquet" else pd.read_csv(file)
            assert not fixes.duplicated(["truck_id", "time"]).any(), file
            assert fixes["truck_id"].nunique() == 9


@pytest.mark.slow
@pytest.mark.parametrize("storm", ["2026-12-08-cold-snow", "2027-01-07-deep-cold"])
def test_the_cards_in_the_cabs_are_still_much_like_the_plan(storm: str):
    """Where this fails, the plan has changed for good: run storm_cards.py and make_county.py."""
    quiet = runs.Options(lambda text: None, lambda text: None, runs.no_progress)
    _, _, plan = runs.compute_plan(COUNTY, storm, quiet)
    cards = pd.read_parquet(REPO / "sample_routes" / "cab_cards.parquet")
    keys = ["application", "segment_id", "part"]
    both = cards[cards["storm"] == storm].merge(plan.segments, on=keys, suffixes=("", "_now"))
    assert len(both) == len(plan.segments)
    rate = both["target_rate_lb_per_lane_mile"] - both["target_rate_lb_per_lane_mile_now"]
    assert (rate.abs() < 1).mean() > 0.99
    served = both[both["gate_in"].notna() & both["gate_in_now"].notna()]
    assert len(served) > 0.4 * len(both)
    now = served["feeder_pct_now"] / served["feeder_pct"]
    same = served["gate_in"] == served["gate_in_now"]
    assert (same & now.between(0.85, 1.18)).mean() > 0.85


YEAR_END = "2026-12-31-year-end-snow"
BROKE_DOWN = pd.Timestamp("2026-12-31T20:40", tz="America/Chicago")


def test_a_truck_breaks_down_and_its_records_end_there():
    log = read("log", YEAR_END)
    row = log[log["what"] == "truck_out"].iloc[0]
    assert len(log[log["what"] == "truck_out"]) == 1
    assert row["truck_id"] == "TC-101"
    assert pd.Timestamp(row["time"]).tz_localize("America/Chicago") == BROKE_DOWN
    fixes = pd.read_parquet(COUNTY / "storms" / YEAR_END / "telemetry" / "closed_loop.parquet")
    last = fixes.groupby("truck_id")["time"].max()
    assert BROKE_DOWN - pd.Timedelta("2min") < last["TC-101"] < BROKE_DOWN
    assert last.drop("TC-101").min() > BROKE_DOWN + pd.Timedelta("2h")
    loads = read("loads", YEAR_END)
    mine = pd.to_datetime(loads.loc[loads["truck_id"] == "TC-101", "loaded_at"])
    assert (mine.dt.tz_localize("America/Chicago") < BROKE_DOWN).all()


def test_another_truck_makes_what_the_broken_one_had_left():
    """Each segment of its two routes is treated in both rounds; few of them by both trucks."""
    truth = pd.read_parquet(TRUTH / "segments.parquet")
    here = truth[(truth["storm"] == YEAR_END) & (truth["true_lb"] > 0)]
    routes = gpd.read_file(COUNTY / "routes.geojson").set_index("segment_id")["route_id"]
    here = here.assign(route_id=here["segment_id"].map(routes))
    theirs = here[here["route_id"].isin(["R01", "R12"])]
    wanted = set(routes.index[routes.isin(["R01", "R12"])])
    by = {(a, t): set(g["segment_id"]) for (a, t), g in theirs.groupby(["application", "truck_id"])}
    assert by["1", "TC-101"] | by["1", "TC-102"] == wanted
    assert len(by["1", "TC-101"] & by["1", "TC-102"]) <= 1
    assert set(routes[list(by["1", "TC-102"])]) == {"R12"}
    assert by["2", "TC-102"] == wanted
    assert ("2", "TC-101") not in by


def test_the_second_forecast_is_colder():
    rows = read("forecast", YEAR_END)
    first, second = sorted(rows["issued_at"].unique())
    assert second < "2026-12-31T21:00"
    keys = ["zone", "application"]
    both = rows[rows["issued_at"] == second].merge(
        rows[rows["issued_at"] == first], on=keys, suffixes=("", "_before")
    )
    assert len(both) == 2
    assert (both["pavement_temp_f"] < both["pavement_temp_f_before"]).all()
