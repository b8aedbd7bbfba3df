"""Shifts, promises, the log of a storm and the forecast that counts: read, and one line each."""

from __future__ import annotations

import pandas as pd
import pytest

from spreadplan.errors import BadInput
from spreadplan.schema.tables import TABLES
from spreadplan.workspace import read_workspace
from spreadplan.workspace.operations import newest_forecast
from tests.conftest import FILES

LOG = "storms/s1/log.csv"
HEAD = "time,what,truck_id,route_id,application,value_lb,yard_id,material,note\n"
SHIFTS = "truck_id,from,to\n"
SERVICE = '[[service]]\nservice_class = "A"\n'


def read(folder):
    return read_workspace(
        folder,
        required=["trucks", "materials"],
        optional=[*TABLES, "policy"],
        storms={"s1": [table.name for table in TABLES.values() if table.per_storm]},
    )


def log(*rows):
    return {LOG: HEAD + "".join(f"2026-12-01T{row}\n" for row in rows)}


def shifts(*rows):
    return {"shifts.csv": SHIFTS + "".join(f"{row}\n" for row in rows)}


def policy(text):
    return {"policy.toml": text}


WRONG = {
    "a shift that ends first": (
        shifts("T1,2026-12-01T12:00,2026-12-01T04:00"),
        ("shifts.csv", 2, "to", "is not after the begin"),
    ),
    "a shift of no length": (
        shifts("T1,2026-12-01T12:00,2026-12-01T12:00"),
        ("shifts.csv", 2, "to", "is not after the begin"),
    ),
    "two shifts at once": (
        shifts(
            "T1,2026-12-01T10:00,2026-12-01T18:00",
            "T2,2026-12-01T10:00,2026-12-01T18:00",
            "T1,2026-12-01T04:00,2026-12-01T11:00",
        ),
        ("shifts.csv", 2, "from", 'truck "T1" is in two shifts at once: that of row 4'),
    ),
    "a shift within one": (
        shifts(
            "T1,2026-12-01T04:00,2026-12-01T18:00",
            "T1,2026-12-01T05:00,2026-12-01T06:00",
            "T1,2026-12-01T17:00,2026-12-01T20:00",
        ),
        ("shifts.csv", 3, "from", "that of row 2"),
        ("shifts.csv", 4, "from", "that of row 2"),
    ),
    "a shift of nobody": (
        shifts("T9,2026-12-01T04:00,2026-12-01T18:00"),
        ("shifts.csv", 2, "truck_id", '"T9" is not in trucks.csv'),
    ),
    "a home that is no yard": (
        {
            "trucks.csv": FILES["trucks.csv"]
            .replace("control_step_pct\n", "control_step_pct,home_yard_id\n")
            .replace("2;3,5\n", "2;3,5,Y9\n")
            .replace(",3,1\n", ",3,1,\n")
        },
        ("trucks.csv", 2, "home_yard_id", '"Y9" is not in yards.csv'),
    ),
    "out twice": (
        log("05:00,truck_out,T1,,,,,,", "06:00,truck_out,T1,,,,,,"),
        (LOG, 3, "what", 'truck "T1" is out already since row 2'),
    ),
    "out twice, in another order in the file": (
        log("06:00,truck_out,T1,,,,,,", "05:00,truck_out,T1,,,,,,"),
        (LOG, 2, "what", "is out already since row 3"),
    ),
    "back without being out": (
        log("05:00,truck_back,T1,,,,,,"),
        (LOG, 2, "what", 'truck "T1" was not out'),
    ),
    "out and driving": (
        log("05:00,truck_out,T1,,,,,,", "06:00,route_done,T1,R1,1,,,,"),
        (LOG, 3, "what", "is out since row 2 and cannot have treated it"),
    ),
    "done twice": (
        log("05:00,route_done,T1,R1,1,,,,", "06:00,route_done,T2,R1,1,,,,"),
        (LOG, 3, "what", 'route "R1" is done already in row 2'),
    ),
    "days away": (
        {LOG: HEAD + "2026-12-11T05:00,note,,,,,,,late\n"},
        (LOG, 2, "time", "h after the storm"),
    ),
    "a year early": (
        {LOG: HEAD + "2025-12-01T05:00,note,,,,,,,early\n"},
        (LOG, 2, "time", "h before the storm"),
    ),
    "names that nobody knows": (
        log("05:00,route_done,T9,R9,7,,,,", "05:10,stock,,,,9,Y9,grit,"),
        (LOG, 2, "truck_id", '"T9"'),
        (LOG, 2, "route_id", '"R9"'),
        (LOG, 2, "application", '"7" is not an application'),
        (LOG, 3, "yard_id", '"Y9"'),
        (LOG, 3, "material", '"grit"'),
    ),
    "rows that lack what they are about": (
        log("05:00,truck_out,,,,,,,", "05:01,hopper,T1,,,,,,", "05:02,stock,,,,100,,salt,"),
        (LOG, 2, "truck_id", "is empty"),
        (LOG, 3, "value", "is empty"),
        (LOG, 4, "yard_id", "is empty"),
    ),
    "what nobody knows": (log("05:00,lunch,T1,,,,,,"), (LOG, 2, "what", "is not known")),
    "a class promised twice": (
        policy(2 * f"{SERVICE}first_pass_min = 90\n"),
        ("policy.toml", 2, "service.service_class", '"A" stands there twice'),
    ),
    "no class": (
        policy("[[service]]\nfirst_pass_min = 90\n"),
        ("policy.toml", 1, "service.service_class", "is missing"),
    ),
    "minutes that are none": (
        policy(f'{SERVICE}first_pass_min = 0\ncycle_min = "soon"\n'),
        ("policy.toml", 1, "service.first_pass_min", "0 is not possible"),
        ("policy.toml", 1, "service.cycle_min", "'soon' is not possible"),
    ),
    "promises that are no list": (
        policy('service = "A"\n'),
        ("policy.toml", 0, "service", "is not a list of tables"),
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_one_clear_line_each(workspace, name):
    changes, *expected = WRONG[name]
    with pytest.raises(BadInput) as caught:
        read(workspace(changes))
    found = [one for one in caught.value.problems if one.fatal]
    assert [(one.file, one.row, one.column) for one in found] == [one[:3] for one in expected]
    for one, (*_, what) in zip(found, expected, strict=True):
        assert what in one.what
        assert one.remedy


def test_what_is_right_is_read(workspace):
    folder = workspace(
        {
            **log(
                "04:40,truck_out,T1,,,,,,",
                "05:00,hopper,T2,,,1200,,,",
                "05:40,truck_back,T1,,,,,,",
                "06:00,truck_out,T1,,,,,,blown hose",
                "06:00,route_done,T2,R1,1,,,,",
                "06:30,stock,,,,240000,Y1,salt,",
            ),
            **shifts(
                "T1,2026-12-01T04:00,2026-12-01T12:00", "T1,2026-12-01T12:00,2026-12-01T20:00"
            ),
            **policy(f'{SERVICE}first_pass_min = 90\n[[service]]\nservice_class = "*"\n'),
        }
    )
    found = read(folder)
    happened = found.table("log", "s1")
    assert list(happened["what"]) == [
        "truck_out",
        "hopper",
        "truck_back",
        "truck_out",
        "route_done",
        "stock",
    ]
    assert happened["value_lb"].dropna().tolist() == [1200.0, 240000.0]
    assert happened["time"].iloc[0] == pd.Timestamp("2026-12-01T10:40Z")
    assert len(found.table("shifts")) == 2
    assert found.policy.service("A").first_pass_min == 90.0
    assert found.policy.service("B").first_pass_min != found.policy.service("B").first_pass_min


def test_stock_may_be_in_tons_and_an_hour_after_the_storm_is_only_odd(workspace):
    text = "time,what,yard_id,material,value_ton\n2026-12-01T11:00,stock,Y1,salt,120\n"
    found = read(workspace({LOG: text}))
    assert found.table("log", "s1")["value_lb"].tolist() == [240000.0]
    assert [one.what for one in found.cautions if one.file == LOG] == ["lies 1.0 h after the storm"]


def forecast(*rows):
    table = pd.DataFrame(list(rows), columns=["start", "application", "issued_at", "event"])
    times = {name: pd.to_datetime(table[name], utc=True) for name in ("start", "issued_at")}
    return table.assign(**times, zone="*", row=range(2, len(table) + 2))


def test_the_newest_forecast_counts():
    both = forecast(
        ("2026-12-31T17:00Z", "1", "2026-12-31T12:00Z", "first"),
        ("2026-12-31T22:00Z", "2", "2026-12-31T12:00Z", "first"),
        ("2026-12-31T22:00Z", "2", "2026-12-31T20:50Z", "colder"),
        ("2027-01-01T02:00Z", "3", "2026-12-31T20:50Z", "colder"),
    )

    def at(time):
        found = newest_forecast(both, None if time is None else pd.Timestamp(time))
        return list(zip(found["application"], found["event"], strict=True))

    assert at("2026-12-31T11:00Z") == []
    assert at("2026-12-31T20:49Z") == [("1", "first"), ("2", "first")]
    # of the older one what it said of the time before the newer begins
    assert at("2026-12-31T20:50Z") == [("1", "first"), ("2", "colder"), ("3", "colder")]
    assert at(None) == at("2026-12-31T20:50Z")


def test_a_newer_forecast_of_the_whole_storm_stands_alone():
    both = forecast(
        ("2026-12-31T17:00Z", "", None, "old"),
        ("2026-12-31T17:00Z", "", "2026-12-31T12:00Z", "new"),
        ("2026-12-31T22:00Z", "", None, "old"),
    )
    assert list(newest_forecast(both)["event"]) == ["new"]
    without = both.assign(issued_at=pd.NaT)
    assert len(newest_forecast(without, pd.Timestamp("2026-12-31T12:00Z"))) == 3
