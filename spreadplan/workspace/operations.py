"""The storm as it runs: which forecast counts, and what is wrong with shifts and with the log."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

import pandas as pd

from spreadplan.errors import Problem
from spreadplan.frames import lines
from spreadplan.schema.policy import Policy

Tables = Mapping[str, pd.DataFrame]
Names = Mapping[str, str]

#: rates in an entry of a driver.
SET: Final = ("rate_lb_per_lane_mile", "rate_g_per_m2", "rate_gal_per_lane_mile")

#: what is written down of a storm lies within its forecast, or at most so long beside it.
BESIDE_A_STORM: Final = pd.Timedelta(days=1)
#: what a row of the log must say, by what happened.
NEEDED: Final[Mapping[str, tuple[str, ...]]] = {
    "truck_out": ("truck_id",),
    "truck_back": ("truck_id",),
    "route_done": ("truck_id", "route_id", "application"),
    "hopper": ("truck_id", "value"),
    "stock": ("yard_id", "material", "value"),
    "note": (),
}


def newest_forecast(forecast: pd.DataFrame, at: pd.Timestamp | None = None) -> pd.DataFrame:
    """The rows of a forecast that count at a time.

    Parameters
    ----------
    forecast : zone, start, application, issued_at (NaT: issued before all that have a time).
    at : None: after the last was issued.

    Returns
    -------
    The rows of the newest forecast issued not later than ``at``, and of older ones what they said
    of the time before the newest one begins, save for rounds that the newest one speaks of: what is
    planned of a round that runs would else be lost. All rows where no time of issue is given, none
    where every forecast is newer.
    """
    issued = forecast["issued_at"]
    if issued.isna().all():
        return forecast
    known = forecast if at is None else forecast[issued.isna() | (issued <= at)]
    times = sorted(known["issued_at"].dropna().unique(), reverse=True)
    found = known.iloc[:0]
    for time in [*times, pd.NaT]:
        mine = known["issued_at"].isna() if pd.isna(time) else known["issued_at"] == time
        rows = known[mine]
        if len(found):
            before = rows["start"] < found["start"].min()
            again = rows["application"].isin(set(found["application"]) - {""})
            rows = rows[before & ~again]
        found = pd.concat([found, rows]) if len(found) else rows
    return found.sort_values("row", kind="stable").reset_index(drop=True)


def shift_times(tables: Tables, names: Names) -> Iterator[Problem]:
    """A shift that ends before it begins, or two of one truck at the same time."""
    if "shifts" not in tables:
        return
    shifts = tables["shifts"]
    backward = shifts["from"] >= shifts["to"]
    for row in shifts.loc[backward, "row"]:
        yield Problem(
            file=names["shifts"],
            row=int(row),
            column="to",
            what="is not after the begin of the shift",
            remedy="check the two times",
        )
    before: dict[str, Any] = {}
    ordered = shifts[~backward].sort_values("from", kind="stable").rename(columns={"from": "begin"})
    for row in lines(ordered):
        other = before.get(row.truck_id)
        if other is not None and row.begin < other.to:
            yield Problem(
                file=names["shifts"],
                row=row.row,
                column="from",
                what=f'truck "{row.truck_id}" is in two shifts at once: that of row {other.row} '
                "has not ended",
                remedy="let one begin when the other ends, or write them as one",
            )
        if other is None or row.to > other.to:
            before[row.truck_id] = row


def log_cells(tables: Tables, names: Names) -> Iterator[Problem]:
    """A row of the log that lacks what it is about."""
    if "log" not in tables:
        return
    for row in lines(tables["log"]):
        for column in NEEDED.get(row.what, ()):
            value = row.value_lb if column == "value" else getattr(row, column)
            if value == "" or value != value:
                yield Problem(
                    file=names["log"],
                    row=row.row,
                    column=column,
                    what=f"is empty, and {row.what} is about it",
                    remedy="fill it in, or write the row as a note",
                )


def driver_log_cells(tables: Tables, names: Names) -> Iterator[Problem]:
    """An entry of a driver that says nothing, or that says two things of one."""
    if "driver_log" not in tables:
        return
    for row in lines(tables["driver_log"]):
        rates = [value for value in (getattr(row, name) for name in SET) if value == value]
        was_set = [value for value in (row.gate_in, row.feeder_pct) if value == value] + rates
        fault: tuple[str, str, str] | None = None
        if not (was_set or row.surface or row.worked or row.note or row.as_card is True):
            what = "says neither what was set nor what was seen"
            fault = ("*", what, "fill in a setting, the road or a note")
        elif len(rates) > 1:
            fault = ("rate", "is given twice, in two units", "keep one of them")
        elif row.as_card is True and was_set:
            what = "says that all was set as the card says, and beside it what was set instead"
            fault = ("as_card", what, "keep one of the two")
        if fault:
            column, what, remedy = fault
            yield Problem(
                file=names["driver_log"], row=row.row, column=column, what=what, remedy=remedy
            )


def log_times(tables: Tables, names: Names) -> Iterator[Problem]:
    """A row of the log, or of a driver's, that lies outside its storm."""
    if not {"log", "driver_log"} & set(tables):
        return
    given = [tables[name] for name in ("forecast", "rates") if name in tables]
    times = pd.concat(
        [frame["start"] for frame in given] or [pd.Series(dtype="datetime64[ns, UTC]")]
    )
    begin, end = times.min(), times.max()
    if "forecast" in tables and len(tables["forecast"]):
        end = max(end, tables["forecast"]["end"].max())
    if pd.isna(begin):
        return
    for name in [one for one in ("log", "driver_log") if one in tables]:
        log = tables[name]
        outside = (log["time"] < begin) | (log["time"] > end)
        for row in lines(log[outside]):
            early = row.time < begin
            away = begin - row.time if early else row.time - end
            hours = away / pd.Timedelta(hours=1)
            yield Problem(
                file=names[name],
                row=row.row,
                column="time",
                what=f"lies {hours:,.1f} h {'before' if early else 'after'} the storm",
                remedy="check its date and hour, and those of the forecast",
                fatal=away > BESIDE_A_STORM,
            )


def log_order(tables: Tables, names: Names) -> Iterator[Problem]:
    """What cannot follow on what happened before: out twice, back without being out, done twice."""
    if "log" not in tables:
        return
    out: dict[str, int] = {}
    done: dict[tuple[str, str], int] = {}
    for row in lines(tables["log"].sort_values("time", kind="stable")):
        fault = _unfit(row, out, done)
        if fault:
            what, remedy = fault
            yield Problem(file=names["log"], row=row.row, column="what", what=what, remedy=remedy)
        elif row.what == "truck_out":
            out[row.truck_id] = row.row
        elif row.what == "truck_back":
            del out[row.truck_id]
        elif row.what == "route_done":
            done[row.route_id, row.application] = row.row


def _unfit(
    row: Any, out: Mapping[str, int], done: Mapping[tuple[str, str], int]
) -> tuple[str, str] | None:
    """What is wrong with a row after those before it, and what would be right."""
    since = out.get(row.truck_id)
    truck = f'truck "{row.truck_id}"'
    if row.truck_id and row.what == "truck_out" and since is not None:
        return f"{truck} is out already since row {since}", "write truck_back in between"
    if row.truck_id and row.what == "truck_back" and since is None:
        return f"{truck} was not out", "write truck_out before it, or take the row out"
    if row.what == "route_done" and since is not None:
        remedy = "check the truck and the time, or write truck_back before it"
        return f"{truck} is out since row {since} and cannot have treated it", remedy
    before = done.get((row.route_id, row.application))
    if row.what == "route_done" and row.route_id and before is not None:
        what = f'route "{row.route_id}" is done already in row {before}'
        return what, "keep one of the two, or name the application that is meant"
    return None


def policy_classes(policy: Policy, tables: Tables, file: str) -> Iterator[Problem]:
    """Promises to a class of winter service that no segment has."""
    if "routes" not in tables:
        return
    known = {*tables["routes"]["service_class"], "*"}
    for number, service in enumerate(policy.services, start=1):
        if service.service_class not in known:
            yield Problem(
                file=file,
                row=number,
                column="service.service_class",
                what=f'no segment has class "{service.service_class}"',
                remedy="check the class's name in the routes",
                fatal=False,
            )


OPERATION_RULES: Final = (shift_times, log_cells, driver_log_cells, log_times, log_order)
