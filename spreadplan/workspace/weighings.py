"""What discharge tests, weighings and trucks say together: each rule is one small function."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

import numpy as np
import pandas as pd

from spreadplan.errors import Problem
from spreadplan.frames import lines
from spreadplan.schema.tables import TABLES
from spreadplan.units import POUNDS_PER_KILOGRAM

Tables = Mapping[str, pd.DataFrame]
Names = Mapping[str, str]

#: Less is no discharge test, no truck on a scale, no load. They catch slips of the pen: common
#: practice, no source.
LEAST_RUN_S = 5.0
LIGHTEST_TRUCK_LB = 2e3
LIGHTEST_LOAD_LB = 100.0
FEWEST_AGAIN = 3
"""So many rows of one test that come again in one order are named."""
FEWEST_ROWS = 4
"""Of so many different rows not every one comes twice by chance."""


def _both(mass_lb: float) -> str:
    """A mass in both units, since a file may be in either."""
    return f"{mass_lb:g} lb ({mass_lb / POUNDS_PER_KILOGRAM:.4g} kg)"


def weighing_rows(tables: Tables, names: Names) -> Iterator[Problem]:
    """A tare above its gross, or a reading that needs a tare and has none."""
    if "weighings" not in tables:
        return
    for line in lines(tables["weighings"]):
        if line.gross_lb < line.tare_lb:
            yield Problem(
                file=names["weighings"],
                row=line.row,
                column="gross_lb",
                what=f"gross {_both(line.gross_lb)} is less than tare {_both(line.tare_lb)}",
                remedy="check whether the two were swapped",
            )
        elif np.isnan(line.tare_lb) and line.method == "vehicle_scale":
            yield Problem(
                file=names["weighings"],
                row=line.row,
                column="tare_lb",
                what="is empty for a truck scale",
                remedy="give the truck's weight after the run",
            )
        elif np.isnan(line.tare_lb) and line.method == "container":
            yield Problem(
                file=names["weighings"],
                row=line.row,
                column="tare_lb",
                what="container without a tare",
                remedy="the gross is taken as net; weigh the empty container",
                fatal=False,
            )


def weighings_twice(tables: Tables, names: Names) -> Iterator[Problem]:
    """Weighings that were pasted twice would count twice.

    Containers filled alike may weigh the same, so a single row that comes again says nothing. A
    truck is not weighed twice the same to a division, before and after a run; and rows of several
    tests do not come again in one order by chance.
    """
    if "weighings" not in tables:
        return
    weighed = tables["weighings"]
    values = weighed.drop(columns="row")
    codes = values.groupby(list(values.columns), dropna=False, sort=False).ngroup().to_numpy()
    row, test = weighed["row"].to_numpy(), weighed["test_id"].to_numpy()
    remedy = "keep one of the two; equal containers are written as one row with their count"
    blocks = list(_repeated_blocks(codes))
    for first, again, size in blocks:
        one_test = len(set(test[first : again + size])) == 1
        if one_test and size < FEWEST_AGAIN:
            continue
        what = (
            f"rows {row[again]} to {row[again + size - 1]} say the same as rows {row[first]} to "
            f"{row[first + size - 1]}: what was weighed counts twice"
        )
        yield Problem(
            file=names["weighings"],
            row=int(row[again]),
            column="*",
            what=what,
            remedy=remedy,
            fatal=not one_test,
        )
    inside = {at for _, again, size in blocks for at in range(again, again + size)}
    truck = (weighed["method"] == "vehicle_scale").to_numpy()
    counts = np.bincount(codes) if len(codes) else codes
    whole = len(counts) >= FEWEST_ROWS and counts.min() >= 2
    seen: dict[int, int] = {}
    for at, code in enumerate(codes.tolist()):
        before = seen.setdefault(code, int(row[at]))
        if before != row[at] and at not in inside and (truck[at] or whole):
            what = f"says the same as row {before}: what was weighed counts twice"
            yield Problem(
                file=names["weighings"], row=int(row[at]), column="*", what=what, remedy=remedy
            )


def _repeated_blocks(codes: np.ndarray) -> Iterator[tuple[int, int, int]]:
    """Stretches that come again: first place, place of the repetition, length of at least two.

    ``codes`` : of the rows, equal ones alike. A stretch begins with two rows that differ.
    """
    values = codes.tolist()
    places: dict[tuple[int, int], int] = {}
    at = 0
    while at + 1 < len(values):
        pair = (values[at], values[at + 1])
        first = places.setdefault(pair, at)
        size = 0
        if first < at and pair[0] != pair[1]:
            while first + size < at and at + size < len(values):
                if values[first + size] != values[at + size]:
                    break
                size += 1
        if size >= 2:
            yield first, at, size
        at += max(size, 1)


def tests_without_weighing(tables: Tables, names: Names) -> Iterator[Problem]:
    """A test that nothing was weighed or caught for."""
    for tests, found, done in (
        ("discharge_tests", "weighings", "weighed"),
        ("liquid_tests", "catches", "caught"),
    ):
        if tests not in tables or found not in names:
            continue
        known = set(tables[found]["test_id"]) if found in tables else set()
        for line in lines(tables[tests][~tables[tests]["test_id"].isin(known)]):
            yield Problem(
                file=names[tests],
                row=line.row,
                column="test_id",
                what=f'nothing was {done} for test "{line.test_id}"',
                remedy=f"add its rows to {TABLES[found].file}; it does not count until then",
                fatal=False,
            )


def tests_and_trucks(tables: Tables, names: Names) -> Iterator[Problem]:
    """Tests that do not fit the truck: a gate it does not have, a closed loop without counts."""
    if not {"discharge_tests", "trucks"} <= set(tables):
        return
    trucks = {truck.truck_id: truck for truck in lines(tables["trucks"])}
    for test in lines(tables["discharge_tests"]):
        if test.truck_id not in trucks:
            continue
        truck = trucks[test.truck_id]
        gates = truck.gate_positions_in
        if gates and not any(abs(gate - test.gate_in) < 0.01 for gate in gates):
            yield Problem(
                file=names["discharge_tests"],
                row=test.row,
                column="gate_in",
                what=f"truck {test.truck_id} has no gate position {test.gate_in:g} in",
                remedy=f"check it against {names['trucks']}",
                fatal=False,
            )
        if truck.control == "closed_loop" and np.isnan(test.sensor_counts):
            yield Problem(
                file=names["discharge_tests"],
                row=test.row,
                column="sensor_counts",
                what="closed-loop test without the sensor's counts",
                remedy="give the counts; without them the test gives no calibration number",
                fatal=False,
            )


def runs_of_no_time(tables: Tables, names: Names) -> Iterator[Problem]:
    """A test of a few seconds: minutes typed as seconds, or a slipped digit."""
    for name in ("discharge_tests", "liquid_tests"):
        if name not in tables:
            continue
        for line in lines(tables[name][tables[name]["duration_s"] < LEAST_RUN_S]):
            yield Problem(
                file=names[name],
                row=line.row,
                column="duration",
                what=f"a run of {line.duration_s:g} s measures nothing",
                remedy="check the unit: a test runs for at least a minute, which is 60 s",
                fatal=False,
            )


def shares_for_percent(tables: Tables, names: Names) -> Iterator[Problem]:
    """Feeder outputs given as shares, 0.4 for 40 percent."""
    given = (
        ("discharge_tests", "feeder_pct", "its tests were run at"),
        ("trucks", "max_feeder_pct", "its highest output is"),
    )
    for table, column, said in given:
        if table not in tables or not len(tables[table]):
            continue
        frame = tables[table]
        most = frame.groupby("truck_id", sort=False)[column].transform("max")
        first = frame.assign(most=most)[most <= 1].drop_duplicates("truck_id")
        for row in lines(first):
            highest = float(row.most)
            yield Problem(
                file=names[table],
                row=row.row,
                column=column,
                what=f"truck {row.truck_id}: {said} {highest:g} % at most",
                remedy=f"write percent of full output: {100 * highest:g} for the share {highest:g}",
                fatal=False,
            )


def light_trucks(tables: Tables, names: Names) -> Iterator[Problem]:
    """A truck or a load that weighs next to nothing: 24.000 for 24,000, or tons as pounds."""
    remedy = "check the unit, and that no point groups the thousands"
    if "weighings" in tables:
        frame = tables["weighings"]
        light = (frame["method"] == "vehicle_scale") & (frame["gross_lb"] < LIGHTEST_TRUCK_LB)
        for row in lines(frame[light]):
            what = f"a truck of {_both(row.gross_lb)} on a truck scale"
            yield Problem(
                file=names["weighings"],
                row=row.row,
                column="gross",
                what=what,
                remedy=remedy,
                fatal=False,
            )
    if "loads" in tables:
        frame = tables["loads"]
        for row in lines(frame[(frame["net_lb"] > 0) & (frame["net_lb"] < LIGHTEST_LOAD_LB)]):
            what = f"a load of {_both(row.net_lb)}"
            yield Problem(
                file=names["loads"],
                row=row.row,
                column="net",
                what=what,
                remedy=remedy,
                fatal=False,
            )


WEIGHING_RULES: tuple[Callable[[Tables, Names], Iterator[Problem]], ...] = (
    weighing_rows,
    weighings_twice,
    tests_without_weighing,
    tests_and_trucks,
    runs_of_no_time,
    shares_for_percent,
    light_trucks,
)
