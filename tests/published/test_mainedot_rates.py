"""MaineDOT Treatment Recommendations, Table A (appendix A of an ITS evaluation report, US National
Transportation Library, 14387), lb of salt per lane-mile, rows 1 to 4 as read: pavement temperature,
initial range, subsequent range.
"""

import pytest

from spreadplan.planning.applications import Condition
from spreadplan.planning.rates import policy_rate
from tests.planning.small_county import START, policy_rates
from tests.said import US

INF = float("inf")
TABLE_A = [
    (32, INF, (0, 150), (0, 150)),
    (28, 32, (150, 250), (100, 200)),
    (20, 28, (250, 350), (200, 300)),
    (15, 20, (350, 450), (300, 400)),
]
ROWS = list(
    policy_rates(
        *[
            {
                "event": "snow",
                "pavement_temp_min_f": low,
                "pavement_temp_max_f": high,
                "phase": phase,
                "rate_low_lb_per_lane_mile": ends[0],
                "rate_high_lb_per_lane_mile": ends[1],
                "source": "MaineDOT Table A",
            }
            for low, high, initial, later in TABLE_A
            for phase, ends in (("initial", initial), ("subsequent", later))
        ]
    ).itertuples(index=False)
)


def rate(temp_f, phase, pick):
    condition = Condition(
        zone="*",
        event="snow",
        pavement_temp_f=temp_f,
        trend="",
        precipitation_in=0.1,
        start=START,
        end=START,
    )
    found, findings = policy_rate(ROWS, condition, "", "salt", phase, pick)
    assert findings == []
    return found


@pytest.mark.parametrize(
    ("temp_f", "initial", "subsequent"),
    [
        (35, (0, 75, 150), (0, 75, 150)),
        # at a border the colder row holds
        (32, (150, 200, 250), (100, 150, 200)),
        (30, (150, 200, 250), (100, 150, 200)),
        (28, (250, 300, 350), (200, 250, 300)),
        (22, (250, 300, 350), (200, 250, 300)),
        (20, (350, 400, 450), (300, 350, 400)),
        (15, (350, 400, 450), (300, 350, 400)),
    ],
)
def test_ranges_stay_ranges_and_the_planner_picks(temp_f, initial, subsequent):
    for phase, expected in (("initial", initial), ("subsequent", subsequent)):
        picked = tuple(
            rate(temp_f, phase, pick).lb_per_lane_mile for pick in ("low", "middle", "high")
        )
        assert picked == expected


def test_the_source_travels_with_the_rate():
    source = rate(30, "initial", "middle").source
    assert US.say(source) == (
        "policy row 3: MaineDOT Table A; middle of 150 to 250 lb/lane-mile, initial"
    )


def test_below_the_table_there_is_no_rate():
    found = rate(14.9, "initial", "low")
    assert found.lb_per_lane_mile != found.lb_per_lane_mile, "a rate was made up"
    assert US.say_all(found.note) == (
        "no rate: the policy has no row for snow at 14.9 °F, salt, initial"
    )
