import math

import numpy as np
import pandas as pd
import pytest

from spreadplan.planning.geometry import distance_mi
from spreadplan.planning.loads import MOST_LOADS, load_counts
from tests.planning.small_county import NAN, county, frame, line_route, rates, trucks
from tests.said import plan_storm


def one_route(capacity_lb=10000.0, tank_gal=NAN, prewet=0.0, reload_min=12.0, segments=None):
    """R1 of four segments, 2 lanes, at 1,000 lb per lane-mile: about 1,925 lb a segment."""
    return plan_storm(
        county(
            routes=line_route(
                segments or [{"route_id": "R1", "segment_id": name} for name in "abcd"]
            ),
            assignments=frame(
                "route_id truck_id yard_id material prewet_gal_per_ton",
                ("R1", "T1", "Y1", "salt", prewet),
            ),
            trucks=trucks(
                ("T1", "closed_loop", "auger", capacity_lb, tank_gal, 0.0, 100.0, 1.0, (3.0,), NAN)
            ),
            models={},
            rates=rates(("*", "1", 1000.0, NAN, NAN)),
            yards=frame("yard_id lon lat reload_min", ("Y1", -94.0, 46.0, reload_min)),
        )
    )


def test_counting_loads():
    mass = np.array([0.0, 1.0, 10000.0, 10000.0001, 20000.0 * (1 + 1e-12), NAN, 5.0])
    full = np.array([10000.0] * 6 + [NAN])
    assert list(load_counts(mass, full)) == [0, 1, 1, 2, 2, 0, 1]


def test_where_the_hopper_runs_out():
    plan = one_route(capacity_lb=3000.0)
    miles = plan.segments["length_mi"].iloc[0]
    per_mile = 2000.0
    assert plan.routes["mass_lb"].iloc[0] == pytest.approx(4 * miles * per_mile)
    assert plan.routes["loads"].iloc[0] == 3
    assert list(plan.reloads["load"]) == [2, 3]
    assert list(plan.reloads["segment_id"]) == ["b", "d"]
    into = [1.5 - miles, 3.0 - 3 * miles]
    assert plan.reloads["miles_into_segment"].to_numpy() == pytest.approx(into)
    # 46th parallel: a segment is 0.02 degrees
    lon = [-93.98 + 0.02 * into[0] / miles, -93.94 + 0.02 * into[1] / miles]
    assert plan.reloads["lon"].to_numpy() == pytest.approx(lon, abs=1e-6)


def test_the_second_pass_of_a_two_way_segment_comes_back():
    plan = one_route(
        capacity_lb=3000.0,
        segments=[
            {"route_id": "R1", "segment_id": "a", "lanes": 4.0, "passes": 2, "degrees": 0.02}
        ],
    )
    miles = plan.segments["length_mi"].iloc[0]
    stop = plan.reloads.iloc[0]
    # 2,000 lb a mile in each pass: 1.5 mi of driving is the whole first pass and some of the second
    assert stop["pass"] == 2
    assert stop["miles_into_segment"] == pytest.approx(miles - (1.5 - miles))
    one_way = one_route(
        capacity_lb=3000.0,
        segments=[
            {"route_id": "R1", "segment_id": "a", "lanes": 4.0, "passes": 2, "two_way": False}
        ],
    )
    assert one_way.reloads["miles_into_segment"].iloc[0] == pytest.approx(1.5 - miles)


def test_minutes():
    plan = one_route(capacity_lb=3000.0)
    route = plan.routes.iloc[0]
    miles = plan.segments["length_mi"].iloc[0]
    assert route["spreading_minutes"] == pytest.approx(4 * miles / 30 * 60)
    assert route["reload_minutes"] == 24.0
    stops = distance_mi(-94.0, 46.0, plan.reloads["lon"], plan.reloads["lat"])
    home = distance_mi(-94.0, 46.0, -93.92, 46.0)
    # the route itself leads there and back: no detour
    assert route["travel_minutes"] == pytest.approx(
        (2 * stops.sum() + float(home)) / 30 * 60, rel=1e-6
    )
    assert route["minutes"] == pytest.approx(
        route["spreading_minutes"] + route["reload_minutes"] + route["travel_minutes"]
    )
    assert one_route(3000.0, reload_min=NAN).routes["reload_minutes"].iloc[0] == 20.0


def test_an_even_number_of_passes_ends_where_it_began():
    back = one_route(segments=[{"route_id": "R1", "segment_id": "a", "passes": 2}])
    assert back.routes["travel_minutes"].iloc[0] == pytest.approx(0.0, abs=1e-9)


def test_a_small_prewet_tank_makes_more_loads():
    # 10 gal a ton and 10 gal: the tank lasts for a ton, 7,700 lb need four
    plan = one_route(tank_gal=10.0, prewet=10.0)
    assert plan.routes["load_lb"].iloc[0] == 2000.0
    assert plan.routes["loads"].iloc[0] == 4
    assert plan.routes["prewet_gal"].iloc[0] == pytest.approx(
        10 * plan.routes["mass_lb"].iloc[0] / 2000
    )
    assert plan.findings["what"].str.contains("runs dry before the hopper").any()
    roomy = one_route(tank_gal=50.0, prewet=10.0)
    assert roomy.routes["loads"].iloc[0] == 1
    assert not roomy.findings["what"].str.contains("tank").any()


def test_prewetting_without_a_tank_is_reported():
    plan = one_route(prewet=10.0)
    assert plan.routes["loads"].iloc[0] == 1
    assert plan.findings["what"].str.contains("no prewet tank is known").any()


def test_nothing_to_spread_takes_no_time():
    plan = plan_storm(county(rates=rates(("*", "1", 0.0, NAN, NAN))))
    assert set(plan.segments["status"]) == {"untreated"}
    assert set(plan.routes["status"]) == {"untreated"}
    assert list(plan.routes["loads"]) == [0, 0]
    assert list(plan.routes["minutes"]) == [0.0, 0.0]
    assert list(plan.segments["mass_lb"]) == [0.0] * 3
    assert isinstance(plan.reloads, pd.DataFrame)
    assert plan.reloads.empty


@pytest.mark.slow
def test_loads_without_end_are_counted_and_named_but_not_placed():
    """A hopper of 12 lb: hundreds of thousands of loads, each with a place, would never end."""
    plan = one_route(capacity_lb=0.001)
    route = plan.routes.iloc[0]
    assert route["loads"] == int(np.ceil(route["mass_lb"] / 0.001))
    assert plan.reloads.empty
    assert math.isnan(route["minutes"])
    said = plan.findings[plan.findings["what"].str.contains("no run-out points")]
    assert list(said["severity"]) == ["problem"]
    assert "check capacity_lb" in said["remedy"].iloc[0]
    tank = one_route(tank_gal=1e-6, prewet=10.0)
    assert tank.routes["loads"].iloc[0] > MOST_LOADS
    assert tank.reloads.empty
    usual = one_route(capacity_lb=1000.0)
    assert 1 < usual.routes["loads"].iloc[0] <= MOST_LOADS
    assert len(usual.reloads) == usual.routes["loads"].iloc[0] - 1


def test_no_number_of_loads_is_too_large_to_count():
    assert load_counts(np.array([1e9]), np.array([1e-300])).tolist() == [10**9]
