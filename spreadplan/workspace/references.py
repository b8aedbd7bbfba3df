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
from spreadplan.workspace.blends import BLEND_RULES
from spreadplan.workspace.liquids import LIQUID_RULES
from spreadplan.workspace.operations import OPERATION_RULES, newest_forecast
from spreadplan.workspace.tickets import TICKET_RULES
from spreadplan.workspace.weighings import WEIGHING_RULES

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


def rows_twice(tables: Tables, names: Names) -> Iterator[Problem]:
    """Rows of tables without a name of their own that stand there twice, letter by letter."""
    for name, what in (
        ("returns", "the same return"),
        ("forecast", "the same weather"),
        ("driver_log", "the same entry"),
    ):
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
    """A row of the log, or of a driver's, about a round that the storm does not have."""
    if not {"forecast", "rates"} & set(tables):
        return
    known = round_labels(tables)
    remedy = f"name one of {', '.join(sorted(known)) or 'those of its forecast'}"
    for name in [one for one in ("log", "driver_log") if one in tables]:
        for row in lines(tables[name][~tables[name]["application"].isin({*known, ""})]):
            what = f'"{row.application}" is not an application of this storm'
            at = {"file": names[name], "row": row.row, "column": "application"}
            yield Problem(**at, what=what, remedy=remedy)


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


#: more is no storm. It catches slips of the pen: common practice, no source.
MOST_ROUNDS = 100
#: tables that speak of what is to come
AHEAD = ("forecast", "rates", "shifts")

RULES: tuple[Rule, ...] = (
    dangling,
    *WEIGHING_RULES,
    rows_twice,
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
    *BLEND_RULES,
    *TICKET_RULES,
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
