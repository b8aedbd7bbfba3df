"""Files that are dropped in."""

from __future__ import annotations

import io

import pandas as pd
import pytest

from tests.web.visitors import SMALL, browser, site_of

TELEMETRY = (
    "truck_id,time,lon,lat,speed_mph,spreading,feed_total_lb\n"
    "T1,2026-12-01T10:00:00Z,-94.0,46.01,25,1,100\n"
)
LOADS = "ticket_id,truck_id,yard_id,loaded_at,material,net_lb\n"


def left_over(folder):
    """What uploads may have left behind."""
    return list((folder / ".history").glob("incoming-*"))


def test_telemetry_is_kept_as_it_was_sent(workspace):
    folder = workspace()
    visitor = browser(folder)
    answer = visitor.drop("/storms/s1/telemetry/night%20shift.csv", TELEMETRY)
    assert answer.status_code == 201, answer.text
    file = answer.json()["file"]
    assert (folder / file).read_text() == TELEMETRY
    assert (folder / file).parent == folder / "storms" / "s1" / "telemetry"
    again = visitor.drop("/storms/s1/telemetry/other.csv", TELEMETRY)
    assert again.status_code == 200
    assert again.json()["already_there"] is True
    other = visitor.drop("/storms/s1/telemetry/night%20shift.csv", TELEMETRY + TELEMETRY[60:])
    assert other.status_code == 409
    assert len(list((folder / "storms/s1/telemetry").iterdir())) == 1
    assert left_over(folder) == []


def test_telemetry_can_be_taken_back_and_is_still_not_lost(workspace):
    folder = workspace()
    visitor = browser(folder)
    visitor.drop("/storms/s1/telemetry/a.csv", TELEMETRY)
    assert visitor.do("/history/1/undo").status_code == 303
    assert list((folder / "storms/s1/telemetry").iterdir()) == []
    (kept,) = (folder / ".history" / "taken-back").iterdir()
    assert kept.read_text() == TELEMETRY
    assert visitor.do("/history/1/undo").status_code == 409


def test_parquet_is_taken_too(workspace):
    folder = workspace()
    data = io.BytesIO()
    frame = pd.read_csv(io.StringIO(TELEMETRY), parse_dates=["time"])
    frame.to_parquet(data)
    answer = browser(folder).drop("/storms/s1/telemetry/a.parquet", data.getvalue())
    assert answer.status_code == 201, answer.text


@pytest.mark.parametrize(
    ("name", "content", "status"),
    [
        ("a.csv", "truck_id,time\nT1,2026-12-01T10:00Z\n", 422),
        ("a.csv", "", 422),
        ("a.csv", b"PK\x03\x04\x00\x00", 422),
        ("a.parquet", b"PAR1 but not really", 422),
        ("a.exe", TELEMETRY, 415),
        ("a", TELEMETRY, 415),
        ("a.csv.html", TELEMETRY, 415),
    ],
)
def test_what_is_no_telemetry_is_refused_and_not_kept(workspace, name, content, status):
    folder = workspace()
    answer = browser(folder).drop(f"/storms/s1/telemetry/{name}", content)
    assert answer.status_code == status, answer.text
    assert answer.json()["error"]
    if status == 422:
        assert answer.json()["problems"][0]["what"]
    assert not (folder / "storms/s1/telemetry").exists()
    assert left_over(folder) == []


@pytest.mark.slow
@pytest.mark.parametrize(
    "name",
    [
        "..%2f..%2fpolicy.csv",
        "%2e%2e%2fx.csv",
        "..%5cx.csv",
        ".csv",
        "%00.csv",
        "con.csv",
        "-rf.csv",
        "a%0ab.csv",
        "x" * 150 + ".csv",
    ],
)
def test_no_name_leads_out_of_the_storms_folder(workspace, name):
    folder = workspace()
    before = {path for path in folder.parent.rglob("*") if ".history" not in path.parts}
    answer = browser(folder).drop(f"/storms/s1/telemetry/{name}", TELEMETRY)
    new = {p for p in folder.parent.rglob("*") if ".history" not in p.parts} - before
    place = folder / "storms/s1/telemetry"
    if answer.status_code == 201:
        (file,) = new - {place}
        assert file.parent == place
        assert file.name.isascii()
        assert file.name.isprintable()
    else:
        assert answer.status_code in (404, 405, 415)
        assert new == set()


@pytest.mark.slow
def test_a_storm_that_is_not_there_gets_nothing(workspace):
    folder = workspace()
    for storm in ("s9", "..", "%2e%2e", ".."):
        answer = browser(folder).drop(f"/storms/{storm}/telemetry/a.csv", TELEMETRY)
        assert answer.status_code in (404, 405)
    assert [path.name for path in (folder / "storms").iterdir()] == ["s1"]


@pytest.mark.parametrize("announced", [True, False])
def test_a_file_larger_than_the_limit_is_refused_and_not_kept(workspace, announced):
    folder = workspace()
    visitor = browser(folder, site=site_of(folder, limits=SMALL))
    body = (TELEMETRY + TELEMETRY[56:] * 200).encode()
    assert len(body) > SMALL.upload_bytes

    def pieces():
        for start in range(0, len(body), 500):
            yield body[start : start + 500]

    headers = {"x-csrf-token": visitor.token()}
    answer = visitor.put(
        "/storms/s1/telemetry/a.csv", content=body if announced else pieces(), headers=headers
    )
    assert answer.status_code == 413
    assert left_over(folder) == []
    assert not (folder / "storms/s1/telemetry").exists()


def test_a_file_that_breaks_off_is_not_kept(workspace):
    folder = workspace()
    visitor = browser(folder)
    headers = {"x-csrf-token": visitor.token(), "content-length": "5000"}
    answer = visitor.put(
        "/storms/s1/telemetry/a.csv", content=iter([TELEMETRY.encode()]), headers=headers
    )
    assert answer.status_code == 400
    assert "broke off" in answer.json()["error"]
    assert left_over(folder) == []


def test_tickets_are_added_once_however_often_they_are_sent(workspace):
    folder = workspace()
    visitor = browser(folder)
    first = LOADS + "L1,T1,Y1,2026-12-01T04:00,salt,9000\nL2,T2,Y1,2026-12-01T04:05,salt,8000\n"
    answer = visitor.drop("/storms/s1/tickets/loads", first)
    assert (answer.status_code, answer.json()["added"]) == (201, 2)
    more = "operator," + first.replace("\n", "\nAnn,").removesuffix("Ann,")
    more += "Ben,L3,T1,Y1,2026-12-01T07:00,salt,9100\n"
    answer = visitor.drop("/storms/s1/tickets/loads", more)
    told = answer.json()
    assert (told["added"], told["already_there"], told["ignored"]) == (1, 2, ["operator"])
    assert (folder / "storms/s1/loads.csv").read_text() == (
        first + "L3,T1,Y1,2026-12-01T07:00,salt,9100\n"
    )


@pytest.mark.slow
def test_tickets_that_contradict_those_there_are_refused_as_a_whole(workspace):
    folder = workspace()
    visitor = browser(folder)
    visitor.drop("/storms/s1/tickets/loads", LOADS + "L1,T1,Y1,2026-12-01T04:00,salt,9000\n")
    before = (folder / "storms/s1/loads.csv").read_text()
    other = LOADS + "L2,T1,Y1,2026-12-01T05:00,salt,1\nL1,T1,Y1,2026-12-01T04:00,salt,9999\n"
    answer = visitor.drop("/storms/s1/tickets/loads", other)
    assert answer.status_code == 422
    assert "stands already" in answer.json()["problems"][0]["what"]
    assert (folder / "storms/s1/loads.csv").read_text() == before
    for wrong in ("T9,Y1,2026-12-01T04:00,salt,9", "T1,Y1,no time,salt,9", "T1,Y1"):
        answer = visitor.drop("/storms/s1/tickets/loads", LOADS + f"L7,{wrong}\n")
        assert answer.status_code == 422
    assert (folder / "storms/s1/loads.csv").read_text() == before


def test_deliveries_go_to_the_workspace_itself(workspace):
    folder = workspace()
    row = "ticket_id,yard_id,material,delivered_at,net_kg\nN1,Y1,salt,2026-11-05,20000\n"
    assert browser(folder).drop("/tickets/deliveries", row).status_code == 201
    assert (folder / "deliveries.csv").read_text() == row
    assert browser(folder).drop("/tickets/trucks", row).status_code == 405
    assert browser(folder).drop("/storms/s1/tickets/rates", row).status_code == 404
