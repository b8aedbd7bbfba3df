"""What the rows of the tables say together: each rule is one small function."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import date
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from spreadplan.errors import Problem
from spreadplan.frames import lines
from spreadplan.schema.policy import Policy
from spreadplan.schema.tables import REFERENCES, TABLES
from spreadplan.units import POUNDS_PER_KILOGRAM
from spreadplan.workspace.liquids import LIQUID_RULES
from spreadplan.workspace.measured import TEST_RULES
from spreadplan.workspace.operations import OPERATION_RULES, newest_forecast

Tables = Mapping[str, pd.DataFrame]
Names = Mapping[str, str]  # table -> file, for messages
Rule = Callable[[Tables, Names], Iterator[Problem]]

NEAR_A_STORM = pd.Timedelta(days=3)
"""Trucks are loaded the day before a storm, and emptied the day after. Common practice, no source.
"""


def dangling(tables: Tables, names: Names) -> Iterator[Problem]:
    """A row that speaks of a truck, yard, route, material or test that no file lists."""
    for table, column, target, target_column in REFERENCES:
        if table not in tables or target not in tables:
            continue
        frame = tables[table]
        known = {*tables[target][target_column], ""}
        if table == "rates":
            known.add("*")
        for position in np.flatnonzero(~frame[column].isin(known)):
            yield Problem(
                file=names[table],
                row=int(frame["row"].iloc[position]),
                column=column,
                what=f'"{frame[column].iloc[position]}" is not in {names[target]}',
                remedy=f"correct the name, or add it to {names[target]}",
            )


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


FEWEST_AGAIN = 3
"""So many rows of one test that come again in one order are named."""
FEWEST_ROWS = 4
"""Of so many different rows not every one comes twice by chance."""


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


def rows_twice(tables: Tables, names: Names) -> Iterator[Problem]:
    """Rows of tables without a name of their own that stand there twice, letter by letter."""
    for name, what in (("returns", "the same return"), ("forecast", "the same weather")):
        if name not in tables:
            continue
        values = tables[name].drop(columns="row")
        again = np.flatnonzero(values.duplicated())
        if not again.size:
            continue
        by_value = tables[name].groupby(list(values.columns), dropna=False, sort=False)["row"]
        first = by_value.transform("first").to_numpy()
        for at in again:
            yield Problem(
                file=names[name],
                row=int(tables[name]["row"].iloc[at]),
                column="*",
                what=f"{what} stands already in row {first[at]}",
                remedy="keep one of the two; it would count twice",
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


def rounds_without_end(tables: Tables, names: Names) -> Iterator[Problem]:
    """A forecast hour by hour: each row without an application is a round of spreading."""
    for name in ("forecast", "rates"):
        if name not in tables or not len(tables[name]):
            continue
        frame = newest_forecast(tables[name]) if name == "forecast" else tables[name]
        unnamed = frame["application"] == ""
        by_zone = frame[unnamed].groupby("zone").size() if name == "forecast" else pd.Series([0])
        rounds = int(max(by_zone.max() if len(by_zone) else 0, frame["application"].nunique()))
        if rounds > MOST_ROUNDS:
            yield Problem(
                file=names[name],
                row=int(frame["row"].iloc[0]),
                column="application",
                what=f"makes {rounds:,} rounds of spreading, more than {MOST_ROUNDS}",
                remedy="name the round of each row; rows of one round share its name",
            )


def truck_limits(tables: Tables, names: Names) -> Iterator[Problem]:
    """A lowest feeder output that is not below the highest."""
    if "trucks" not in tables:
        return
    trucks = tables["trucks"]
    for position in np.flatnonzero(trucks["min_feeder_pct"] >= trucks["max_feeder_pct"]):
        yield Problem(
            file=names["trucks"],
            row=int(trucks["row"].iloc[position]),
            column="min_feeder_pct",
            what="is not below max_feeder_pct",
            remedy="check the two outputs",
        )


def periods(tables: Tables, names: Names) -> Iterator[Problem]:
    """A forecast period that ends before it starts."""
    if "forecast" not in tables:
        return
    forecast = tables["forecast"]
    for position in np.flatnonzero(forecast["end"] <= forecast["start"]):
        yield Problem(
            file=names["forecast"],
            row=int(forecast["row"].iloc[position]),
            column="end",
            what="is not after the start",
            remedy="check the two times",
        )


def zones(tables: Tables, names: Names) -> Iterator[Problem]:
    """Zones that only one of forecast and routes knows."""
    if not {"forecast", "routes"} <= set(tables):
        return
    forecast, routes = tables["forecast"], tables["routes"]
    known = {*routes["zone"], "*"}
    for position in np.flatnonzero(~forecast["zone"].isin(known)):
        yield Problem(
            file=names["forecast"],
            row=int(forecast["row"].iloc[position]),
            column="zone",
            what=f'no segment lies in zone "{forecast["zone"].iloc[position]}"',
            remedy="check the zone's name",
            fatal=False,
        )
    if "*" in set(forecast["zone"]):
        return
    for zone, rows in routes[~routes["zone"].isin(forecast["zone"])].groupby("zone"):
        yield Problem(
            file=names["routes"],
            row=int(rows["row"].iloc[0]),
            column="zone",
            what=f'{len(rows)} segments lie in zone "{zone}", which has no forecast',
            remedy="add the zone to the forecast, or a row with zone *",
            fatal=False,
        )


def weather_and_tickets(tables: Tables, names: Names) -> Iterator[Problem]:
    """Tickets that lie days away from the weather of their storm: a wrong date, or folder."""
    if "forecast" not in tables or tables["forecast"].empty:
        return
    begin, end = tables["forecast"]["start"].min(), tables["forecast"]["end"].max()
    for name, moment in (("loads", "loaded_at"), ("returns", "returned_at")):
        if name not in tables:
            continue
        tickets = tables[name]
        early, late = begin - tickets[moment], tickets[moment] - end
        away = np.flatnonzero((early > NEAR_A_STORM) | (late > NEAR_A_STORM))
        if not away.size:
            continue
        at = away[0]
        before = early.iloc[at] > NEAR_A_STORM
        days = round((early if before else late).iloc[at] / pd.Timedelta(days=1))
        more = away.size - 1
        yield Problem(
            file=names[name],
            row=int(tickets["row"].iloc[at]),
            column=moment,
            what=f"lies {days} days {'before' if before else 'after'} the storm's forecast"
            + (f", and so do {more} more" if more else ""),
            remedy=f"check its date, and those in {names['forecast']}",
            fatal=False,
        )


def liquids(tables: Tables, names: Names) -> Iterator[Problem]:
    """A liquid whose density nobody gave: gallons cannot be weighed."""
    if "materials" not in tables:
        return
    materials = tables["materials"]
    lacking = (materials["kind"] == "liquid") & materials["density_lb_gal"].isna()
    for position in np.flatnonzero(lacking):
        yield Problem(
            file=names["materials"],
            row=int(materials["row"].iloc[position]),
            column="density_lb_gal",
            what="is empty for a liquid",
            remedy="give the mass of a gallon",
        )


def budget_scopes(tables: Tables, names: Names) -> Iterator[Problem]:
    """A budget of a yard or route that does not exist."""
    if "budgets" not in tables:
        return
    targets = {"yard": "yards", "route": "routes"}
    known = {
        scope: set(tables[target][f"{scope}_id"])
        for scope, target in targets.items()
        if target in tables
    }
    for line in lines(tables["budgets"]):
        target = targets.get(line.scope, "")
        if line.scope in known and line.scope_id not in known[line.scope]:
            yield Problem(
                file=names["budgets"],
                row=line.row,
                column="scope_id",
                what=f'"{line.scope_id}" is not in {names[target]}',
                remedy="correct the name",
            )


def low_flows(tables: Tables, names: Names) -> Iterator[Problem]:
    """A low flow above the mean flow of the same water."""
    if "sensitive_areas" not in tables:
        return
    areas = tables["sensitive_areas"]
    for position in np.flatnonzero(areas["low_flow_cfs"] > areas["mean_flow_cfs"]):
        yield Problem(
            file=names["sensitive_areas"],
            row=int(areas["row"].iloc[position]),
            column="low_flow_cfs",
            what="is above the mean flow",
            remedy="check whether the two were swapped",
        )


def rounds_of_assignments(tables: Tables, names: Names) -> Iterator[Problem]:
    """A truck of one storm from a round on that the storm does not have."""
    if "storm_assignments" not in tables or not {"forecast", "rates"} & set(tables):
        return
    own, known = tables["storm_assignments"], round_labels(tables)
    for position in np.flatnonzero(~own["from_application"].isin({*known, ""})):
        yield Problem(
            file=names["storm_assignments"],
            row=int(own["row"].iloc[position]),
            column="from_application",
            what=f'"{own["from_application"].iloc[position]}" is not an application of this storm',
            remedy=f"name one of {', '.join(sorted(known)) or 'those of its forecast'}, "
            "or leave it empty",
        )


def rounds_of_log(tables: Tables, names: Names) -> Iterator[Problem]:
    """A row of the log about a round that the storm does not have."""
    if "log" not in tables or not {"forecast", "rates"} & set(tables):
        return
    log, known = tables["log"], round_labels(tables)
    for position in np.flatnonzero(~log["application"].isin({*known, ""})):
        yield Problem(
            file=names["log"],
            row=int(log["row"].iloc[position]),
            column="application",
            what=f'"{log["application"].iloc[position]}" is not an application of this storm',
            remedy=f"name one of {', '.join(sorted(known)) or 'those of its forecast'}",
        )


def round_labels(tables: Tables) -> set[str]:
    """The names of a storm's rounds; rows of the forecast without one count 1, 2, ... by zone."""
    named = [tables[name]["application"] for name in ("forecast", "rates") if name in tables]
    labels = {str(label) for column in named for label in column} - {"", "*"}
    if "forecast" in tables:
        forecast = newest_forecast(tables["forecast"])
        counts = forecast[forecast["application"] == ""].groupby("zone").size()
        labels |= {str(number) for number in range(1, int(counts.max() if len(counts) else 0) + 1)}
    return labels


def policy_materials(policy: Policy, tables: Tables, file: str) -> Iterator[Problem]:
    """Policy rates for a material that no file lists."""
    if "materials" not in tables:
        return
    known = {*tables["materials"]["material"], "*"}
    for line in lines(policy.rates):
        if line.material not in known:
            yield Problem(
                file=file,
                row=line.row,
                column="rate.material",
                what=f'"{line.material}" is not a material',
                remedy="correct the name; the row cannot apply until then",
                fatal=False,
            )


def dates_to_come(
    tables: Tables, names: Names, today: date, timezone: ZoneInfo
) -> Iterator[Problem]:
    """Records of what was done that say it will be: a slip in the year or the month."""
    for name, frame in tables.items():
        columns = () if name not in TABLES or name in AHEAD else TABLES[name].columns
        for column in columns:
            if column.kind != "time":
                continue
            # an empty column has no days that could be compared with today
            days = frame[column.inside].dt.tz_convert(timezone).dt.date.astype(object)
            late = np.flatnonzero([not pd.isna(day) and day > today for day in days])
            if late.size:
                more = f" ({late.size - 1} more like it)" if late.size > 1 else ""
                yield Problem(
                    file=names[name],
                    row=int(frame["row"].iloc[late[0]]),
                    column=column.name,
                    what=f"{days.iloc[late[0]]} lies in the future{more}: today is {today}",
                    remedy="check the year and the month; a season that is not of today has its "
                    "day as as_of in workspace.toml",
                    fatal=False,
                )


#: Less is no truck on a scale, no load; more is no storm. They catch slips of
#: the pen: common practice, no source.
LIGHTEST_TRUCK_LB = 2e3
LIGHTEST_LOAD_LB = 100.0
MOST_ROUNDS = 100
#: tables that speak of what is to come
AHEAD = ("forecast", "rates", "shifts")

RULES: tuple[Rule, ...] = (
    dangling,
    weighing_rows,
    weighings_twice,
    rows_twice,
    tests_and_trucks,
    *TEST_RULES,
    shares_for_percent,
    light_trucks,
    rounds_without_end,
    truck_limits,
    periods,
    zones,
    weather_and_tickets,
    liquids,
    budget_scopes,
    low_flows,
    rounds_of_assignments,
    rounds_of_log,
    *OPERATION_RULES,
    *LIQUID_RULES,
)


def tickets_of_two_storms(
    storms: Mapping[str, Tables], files: Mapping[str, Names]
) -> Iterator[Problem]:
    """A load or return that stands in the folders of two storms counts in both.

    ``files`` : the names of the files, storm by storm.
    """
    for name in ("loads", "returns"):
        frames = [
            tables[name].assign(storm=storm) for storm, tables in storms.items() if name in tables
        ]
        if len(frames) < 2:
            continue
        rows = pd.concat(frames, ignore_index=True)
        same = rows.groupby(
            [column for column in rows.columns if column not in ("row", "storm")],
            dropna=False,
            sort=False,
        )
        storm, row = same["storm"].transform("first"), same["row"].transform("first")
        for at in np.flatnonzero(rows["storm"] != storm):
            yield Problem(
                file=files[rows["storm"].iloc[at]][name],
                row=int(rows["row"].iloc[at]),
                column="*",
                what=f"stands already in {files[storm.iloc[at]][name]}, row {row.iloc[at]}",
                remedy="keep it in the storm that it belongs to; it would count twice",
            )
