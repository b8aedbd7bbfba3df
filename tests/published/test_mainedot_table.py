"""MaineDOT Treatment Recommendations, Table A (appendix A of an ITS evaluation report, US National
Transportation Library, 14387), rows 1 to 5 as read, entered in `policy.toml` with their surfaces
and actions, read back, and each found by a storm that states its conditions and by no other.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import pytest

from spreadplan.planning.applications import Condition
from spreadplan.planning.policy_rows import policy_rows
from tests.planning.small_county import START
from tests.workspace.test_bad_input import read

WET, COLD = ("wet", "slush", "snow"), ("dry", "snow")


class Row(NamedTuple):
    """Pavement in °F, trends, surfaces, initial action, lb per lane-mile first and later."""

    coldest: float
    warmest: float
    trends: tuple[str, ...]
    surface: tuple[str, ...]
    action: str
    first: tuple[int, int] | None
    later: tuple[int, int] | None


INF = math.inf
ANY = ("",)
AGAIN = "plow, reapply prewetted solid"
TABLE = (
    Row(
        32,
        INF,
        ("steady", "rising"),
        WET,
        "plow as needed and watch pavement temperature",
        (0, 150),
        (0, 150),
    ),
    Row(28, 32, ANY, WET, AGAIN, (150, 250), (100, 200)),
    Row(20, 28, ANY, WET, AGAIN, (250, 350), (200, 300)),
    Row(15, 20, ANY, WET, AGAIN, (350, 450), (300, 400)),
    Row(-INF, 15, ("steady", "falling"), COLD, "plow only", None, None),
)


def entered(number: int, row: Row) -> str:
    limits = "".join(
        f"pavement_temp_{end}_f = {limit}\n"
        for end, limit in (("min", row.coldest), ("max", row.warmest))
        if math.isfinite(limit)
    )
    common = (
        f'[[rate]]\nevent = "light_snow"\nmaterial = "*"\nsource = "row {number}"\n{limits}'
        f'surface = {list(row.surface)}\naction = "{row.action}"\n'
    )
    phases = {"initial": row.first, "subsequent": row.later} if row.first else {"": None}
    return "".join(
        common
        + (f'trend = "{trend}"\n' if trend else "")
        + (f'phase = "{phase}"\nrate_lb_per_lane_mile = {list(ends)}\n' if ends else "")
        for trend in row.trends
        for phase, ends in phases.items()
    )


POLICY = "".join(entered(number, row) for number, row in enumerate(TABLE, 1))


def test_the_table_comes_back_as_it_was_entered(workspace):
    rates = read(workspace({"policy.toml": POLICY})).policy.rates
    back = []
    for _, lines in rates.groupby("source", sort=False):
        ends = {
            line.phase: (int(line.rate_low_lb_per_lane_mile), int(line.rate_high_lb_per_lane_mile))
            for line in lines.itertuples()
            if line.basis
        }
        one = lines.iloc[0]
        trends = tuple(lines["trend"].drop_duplicates())
        limits = (one["pavement_temp_min_f"], one["pavement_temp_max_f"])
        first, later = ends.get("initial"), ends.get("subsequent")
        back.append(Row(*limits, trends, one["surface"], one["action"], first, later))
    assert tuple(back) == TABLE


@pytest.mark.parametrize("temp_f", [35.0, 32.0, 30.0, 28.0, 22.0, 20.0, 17.0, 15.0, 10.0])
def test_each_row_is_found_by_its_own_storms_alone(workspace, temp_f):
    rates = read(workspace({"policy.toml": POLICY})).policy.rates
    for surface in ("", "dry", "damp", "wet", "slush", "snow", "packed", "ice"):
        for trend in ("", "steady", "rising", "falling"):
            weather = Condition(
                zone="*",
                event="light_snow",
                pavement_temp_f=temp_f,
                trend=trend,
                precipitation_in=0.1,
                start=START,
                end=START,
                surface=surface,
            )
            # at a border the colder row holds
            meant = [
                f"row {number}"
                for number, row in enumerate(TABLE, 1)
                if row.coldest < temp_f <= row.warmest or (temp_f == row.coldest == 15)
                if surface in row.surface and (row.trends == ANY or trend in row.trends)
            ]
            # row 4 alone reaches 15 °F where row 5 does not hold
            meant = meant[-1:]
            for phase in ("initial", "subsequent"):
                held = policy_rows(rates.itertuples(), weather, "", "salt", phase)
                assert [row.source for row in held] == meant, (surface, trend, phase)
