"""The form for tests of liquid circuits: what a run gives, saved once, refused in plain words."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from tests.web.visitors import Browser, browser, signed_in

TEST = {
    "material": "brine",
    "circuit": "boom",
    "performed_at": "2026-11-20T09:00",
    "setting_gal_per_min": "10",
    "duration_s": "60",
}
CATCHES = [
    {"nozzle": str(number), "volume_gal": volume, "scale_division_gal": "0.01"}
    for number, volume in enumerate(("2.6", "2.62", "2.58", "1.1"), 1)
]
TEST_ID = "T1-2026-11-20-0900-ab"


@pytest.fixture
def with_brine(workspace):
    folder = workspace()
    materials = folder / "materials.csv"
    header, *rest = materials.read_text().splitlines()
    cells = {"material": "brine", "kind": "liquid", "density_lb_gal": "9.83"}
    names = header.split(",")
    if "density_lb_gal" not in names:
        names.append("density_lb_gal")
        rest = [f"{line}," for line in rest]
    line = ",".join(cells.get(name, "") for name in names)
    materials.write_text("\n".join([",".join(names), *rest, line]) + "\n")
    return folder


def rows(folder: Path, file: str) -> list[dict[str, str]]:
    with (folder / file).open(encoding="utf-8-sig", newline="") as handle:
        return list(csv.DictReader(handle))


def send(visitor: Browser, path: str, **data: object):
    return visitor.post(path, json=data, headers={"x-csrf-token": visitor.token()})


def test_a_test_sent_twice_is_recorded_once(with_brine):
    visitor = browser(with_brine)
    sent = {"test_id": TEST_ID, "test": TEST, "catches": CATCHES}
    first, second = (send(visitor, "/trucks/T1/liquids", **sent) for _ in range(2))
    assert (first.status_code, second.status_code) == (201, 200), first.text
    assert [row["test_id"] for row in rows(with_brine, "liquid_tests.csv")] == [TEST_ID]
    assert [row["nozzle"] for row in rows(with_brine, "catches.csv")] == ["1", "2", "3", "4"]
    page = visitor.get("/trucks/T1").text
    assert TEST_ID in page
    assert "clogged" in page


def test_the_live_flow_and_nozzles(with_brine):
    answer = send(browser(with_brine), "/trucks/T1/liquids/try", test=TEST, catches=CATCHES)
    told = answer.json()
    assert told["ready"]
    assert told["flow"].startswith("8.9")
    assert [one["verdict"] for one in told["nozzles"]] == ["even", "even", "even", "clogged"]
    assert told["questions"] == []


def test_liters_land_as_liters_and_show_as_liters(with_brine):
    test = {k: v for k, v in TEST.items() if k != "setting_gal_per_min"} | {
        "setting_l_per_min": "37.85"
    }
    catches = [{"nozzle": "", "volume_l": "37.85", "scale_division_l": "0.1"}]
    visitor = browser(with_brine)
    told = send(visitor, "/trucks/T1/liquids/try", test=test, catches=catches, units="metric")
    assert told.json()["flow"].endswith("L/min")
    assert (
        send(visitor, "/trucks/T1/liquids", test_id=TEST_ID, test=test, catches=catches).status_code
        == 201
    )
    row = rows(with_brine, "liquid_tests.csv")[0]
    given = row.get("setting_gal_per_min") or float(row["setting_l_per_min"]) / 3.785411784
    assert float(given) == pytest.approx(10.0, rel=1e-3)


def test_a_volume_in_the_wrong_unit_is_asked_about(with_brine):
    visitor = browser(with_brine)
    catches = [{"nozzle": "", "volume_gal": "37.85"}]
    sent = {"test_id": TEST_ID, "test": TEST, "catches": catches}
    refused = send(visitor, "/trucks/T1/liquids", **sent)
    assert refused.status_code == 422
    assert "check the units" in refused.json()["problems"][0]["text"]
    assert not (with_brine / "liquid_tests.csv").exists()
    kept = send(visitor, "/trucks/T1/liquids", **sent, sure=["flow_unlike_setting"])
    assert kept.status_code == 201


@pytest.mark.parametrize(
    ("change", "column"),
    [
        ({"duration_s": "zero"}, "duration_s"),
        ({"circuit": "spray"}, "circuit"),
        ({"material": "salt"}, "material"),
        ({"setting_gal_per_min": "-1"}, "setting_gal_per_min"),
    ],
)
def test_what_is_wrong_is_said_beside_its_field(with_brine, change, column):
    sent = {"test_id": TEST_ID, "test": TEST | change, "catches": CATCHES}
    answer = send(browser(with_brine), "/trucks/T1/liquids", **sent)
    assert answer.status_code == 422
    assert answer.json()["problems"][0]["column"] == column


@pytest.mark.parametrize("body", [{}, {"test": []}, {"test": TEST, "catches": {}}])
def test_what_is_no_test_is_refused(with_brine, body):
    assert send(browser(with_brine), "/trucks/T1/liquids/try", **body).status_code == 400


def test_a_test_is_voided_with_its_reason(with_brine):
    visitor = browser(with_brine)
    send(visitor, "/trucks/T1/liquids", test_id=TEST_ID, test=TEST, catches=CATCHES)
    answer = visitor.do(f"/trucks/T1/liquids/{TEST_ID}/void", {"why": "hose came off"})
    assert answer.status_code == 303
    assert rows(with_brine, "liquid_tests.csv")[0]["voided_by"] == "hose came off"
    assert "voided: hose came off" in visitor.get("/trucks/T1").text


def test_pages_answer(with_brine):
    visitor = browser(with_brine)
    form = visitor.get("/trucks/T1/liquid-test")
    assert "under pressure" in form.text
    assert "Flow set" in form.text
    sheet = visitor.get("/sheet/liquid")
    assert "Eye protection" in sheet.text
    assert visitor.get("/trucks/none/liquid-test").status_code == 404


def test_who_may_only_read_records_nothing(with_brine):
    reader = signed_in(with_brine, role="read")
    sent = {"test_id": TEST_ID, "test": TEST, "catches": CATCHES}
    assert send(reader, "/trucks/T1/liquids", **sent).status_code == 403
