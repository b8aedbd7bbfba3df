"""Numbers that can be read and cannot be meant: refused, or said to be odd."""

from __future__ import annotations

import pytest

from spreadplan.errors import BadInput
from spreadplan.workspace import read_workspace
from tests.conftest import FILES
from tests.workspace.test_bad_input import edit, problems, read

POLICY = '[[rate]]\nevent = "snow"\nmaterial = "salt"\nsource = "table"\n{}\n[tolerance]\n{}\n'
RATE = "rate_lb_per_lane_mile"
FORECAST, RATES, LOADS = (f"storms/s1/{name}.csv" for name in ("forecast", "rates", "loads"))


def policy(rate=f"{RATE} = 250", tolerance=""):
    return {"policy.toml": POLICY.format(rate, tolerance)}


def hour_by_hour(days):
    rows = [
        f"*,2026-12-{day:02d}T{hour:02d}:00,2026-12-{day:02d}T{hour:02d}:30,snow,25\n"
        for day in range(1, days + 1)
        for hour in range(24)
    ]
    return {FORECAST: "".join(["zone,start,end,event,pavement_temp_f\n", *rows])}


GATES = ";".join(str(n / 100) for n in range(100, 200))
BEYOND = [
    (edit("trucks.csv", "14000", "12"), "trucks.csv:2:capacity_lb", "it must be at least 500"),
    (
        edit("trucks.csv", "14000", "24.000"),
        "trucks.csv:2:capacity_lb",
        "write 24000 if thousands are meant, the point is for decimals",
    ),
    (
        edit("trucks.csv", "2;3,5", "2;3,1e-9"),
        "trucks.csv:2:control_step_pct",
        "it must be at least 0.1",
    ),
    (
        edit("trucks.csv", "2;3,5", f"{GATES},5"),
        "trucks.csv:2:gate_positions_in",
        "lists 100 values; list at most 50",
    ),
    (edit(RATES, "*,1,200", "*,1,5001"), f"{RATES}:2:{RATE}", "at most 5,000 lb per lane mile"),
    (
        {RATES: "route_id,application,rate_g_per_m2\n*,1,450\n"},
        f"{RATES}:2:rate_g_per_m2",
        "at most 400 g per m2",
    ),
    (
        {RATES: "route_id,application,rate_l_per_lane_km\n*,1,1200\n"},
        f"{RATES}:2:rate_l_per_lane_km",
        "at most 1,176 l per lane km",
    ),
    (policy(f"{RATE} = 1e50"), f"policy.toml:1:rate.{RATE}", "1e+50 is not possible here"),
    (
        policy("rate_lb_per_two_lane_mile = [100, 25000]"),
        "policy.toml:1:rate.rate_lb_per_two_lane_mile",
        "at most 10,000 lb per two lane mile",
    ),
    (
        policy(f"pavement_temp_min_f = 2000\n{RATE} = 250"),
        "policy.toml:1:rate.pavement_temp_min_f",
        "2000 is no pavement temperature",
    ),
    (
        policy(tolerance="confidence = 95"),
        "policy.toml:0:tolerance.confidence",
        "give a number from 0.5 to 0.9999; 95 percent are 0.95",
    ),
    (
        hour_by_hour(6),
        f"{FORECAST}:2:application",
        "makes 144 rounds of spreading, more than 100; name the round of each row",
    ),
]


@pytest.mark.parametrize(("changes", "place", "words"), BEYOND)
def test_what_no_spreader_and_no_storm_has_is_refused(workspace, changes, place, words):
    (said,) = [str(problem) for problem in problems(workspace(changes))]
    assert said.startswith(f"{place}: ")
    assert words in said


TESTS, SHARES = FILES["discharge_tests.csv"], "write percent of full output: 100 for the share 1"
GROUPED = "check the unit, and that no point groups the thousands"
ODD = [
    (
        edit("discharge_tests.csv", "2,100,60,", "2,100,1,"),
        "discharge_tests.csv:2:duration",
        "a run of 1 s measures nothing",
    ),
    (
        {"discharge_tests.csv": TESTS.replace("2,100,60", "2,1,60").replace("2,50,60", "2,0.5,60")},
        "discharge_tests.csv:2:feeder_pct",
        SHARES,
    ),
    (
        {
            "trucks.csv": FILES["trucks.csv"]
            .replace("_step_pct", "_step_pct,max_feeder_pct")
            .replace("2;3,5", "2;3,5,1")
            .replace("3,1\n", "3,1,100\n")
        },
        "trucks.csv:2:max_feeder_pct",
        SHARES,
    ),
    (edit("weighings.csv", "30000,29400", "30.000,29.400"), "weighings.csv:2:gross", GROUPED),
    (
        {
            LOADS: "ticket_id,truck_id,yard_id,loaded_at,material,net_lb\n"
            "L1,T1,Y1,2026-12-01T04:10,salt,13.800\n"
        },
        f"{LOADS}:2:net",
        GROUPED,
    ),
    (
        edit(RATES, "*,1,200", "*,1,2500"),
        f"{RATES}:2:{RATE}",
        "2500 is more than is usual anywhere, 2,000 lb per lane mile",
    ),
    (policy(f"{RATE} = [500, 2500]"), f"policy.toml:1:rate.{RATE}", "more than is usual anywhere"),
    (
        policy(tolerance="over_pct = 0.15"),
        "policy.toml:0:tolerance.over_pct",
        "write 15 if 15 percent are meant",
    ),
]


@pytest.mark.slow
@pytest.mark.parametrize(("changes", "place", "words"), ODD)
def test_what_is_hardly_meant_draws_one_caution(workspace, changes, place, words):
    usual = set(map(str, read(workspace()).cautions))
    (said,) = [str(one) for one in read(workspace(changes)).cautions if str(one) not in usual]
    assert said.startswith(f"{place}: ")
    assert words in said


@pytest.mark.slow
@pytest.mark.parametrize(
    "changes",
    [
        edit("trucks.csv", "14000", "500"),
        edit("trucks.csv", "2;3,5", "2;3,0.1"),
        edit("discharge_tests.csv", "2,100,60,", "2,100,5,"),
        edit(RATES, "*,1,200", "*,1,2000"),
        edit("discharge_tests.csv", "2,50,60", "2,0.5,60"),  # its other test is at 100 %
        policy("pavement_temp_min_f = -inf\nrate_lb_per_lane_mile = 2000"),
        hour_by_hour(4),
    ],
)
def test_what_just_can_be_is_taken_without_a_word(workspace, changes):
    usual = set(map(str, read(workspace()).cautions))
    assert {str(one) for one in read(workspace(changes)).cautions} <= usual


def test_another_problem_of_the_settings_makes_no_record_one_of_the_future(workspace):
    """The day that the workspace names still holds: its records lie before it."""
    folder = workspace(
        {
            "workspace.toml": FILES["workspace.toml"].replace('units = "us"', "units = 7")
            + "as_of = 2099-01-01\n",
            "stock_counts.csv": FILES["stock_counts.csv"].replace("2026-11-01", "2090-11-01"),
        }
    )
    with pytest.raises(BadInput) as caught:
        read_workspace(folder, required=["trucks"], optional=["stock_counts"])
    assert [one.column for one in caught.value.problems] == ["workspace.units"]
