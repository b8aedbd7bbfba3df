"""A row with a problem closes no page: it is named, left out, and put right in a form."""

from __future__ import annotations

import csv
import json
import re
from html import unescape
from pathlib import Path

import pytest

from spreadplan.errors import BadInput
from spreadplan.workspace import read_workspace
from tests.conftest import FILES, route_features
from tests.web.visitors import Browser, browser, signed_in

pytestmark = pytest.mark.slow

STORM = next(name.split("/")[1] for name in FILES if name.endswith("/forecast.csv"))
PAGES = (
    "/",
    "/trucks",
    "/trucks/T1",
    "/trucks/T1/test",
    "/plan",
    f"/plan/{STORM}",
    f"/plan/{STORM}/inputs",
    "/use",
    "/season",
    "/history",
)


def spoilt(file: str, column: str, value: str, row: int = 2) -> dict[str, str]:
    """The file with another value in one cell."""
    table = list(csv.reader(FILES[file].splitlines()))
    table[row - 1][table[0].index(column)] = value
    return {file: "".join(",".join(cells) + "\n" for cells in table)}


def plain(text: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", "", text)))


FAULTS = [
    ("trucks.csv", "capacity_lb", "heavy", 3),
    ("materials.csv", "kind", "snow", 3),
    ("discharge_tests.csv", "feeder_pct", "500", 2),
    ("weighings.csv", "gross_lb", "x", 2),
    ("assignments.csv", "truck_id", "T99", 2),
    ("yards.csv", "lon", "east", 2),
    (f"storms/{STORM}/forecast.csv", "pavement_temp_f", "cold", 2),
]


@pytest.mark.parametrize(("file", "column", "value", "row"), FAULTS)
def test_one_bad_row_closes_no_page(workspace, file, column, value, row):
    if len(FILES[file].splitlines()) < row:
        row = 2
    visitor = browser(workspace(spoilt(file, column, value, row)))
    for page in PAGES:
        assert visitor.get(page).status_code == 200, page
    # the pages that read the file name the row and lead to its form
    shown = f"/plan/{STORM}" if "/" in file or file in ("assignments.csv", "yards.csv") else "/"
    text = visitor.get(shown).text
    assert f"{file}, row {row}, {column}" in plain(text)
    assert f"row={row}" in text


def test_a_segment_or_a_rate_with_a_problem_is_left_out_alone(workspace):
    features = route_features()
    features["features"][0]["properties"]["lanes"] = "many"
    rate = (
        '[[rate]]\nevent = "{event}"\npavement_temp_min_f = 20\npavement_temp_max_f = 30\n'
        'material = "salt"\nrate_lb_per_lane_mile = {rate}\nsource = "test"\n'
    )
    sound_rate = rate.format(event="light_snow", rate=200)
    policy = rate.format(event="light_snow", rate='"much"') + sound_rate
    folder = workspace({"routes.geojson": json.dumps(features), "policy.toml": policy})
    visitor = browser(folder)
    text = plain(visitor.get(f"/plan/{STORM}").text)
    assert "routes.geojson, row 1, lanes" in text
    assert "policy.toml, row 1" in text
    sound = read_workspace(folder, required=["routes"], optional=["policy"], leave_out=True)
    assert len(sound.table("routes")) == len(features["features"]) - 1
    again = workspace({"policy.toml": sound_rate})
    whole = read_workspace(again, required=["routes"], optional=["policy"])
    kept = whole.table("routes").iloc[1:].reset_index(drop=True)
    assert sound.table("routes").geometry.tolist() == kept.geometry.tolist()
    assert sound.policy.rates.drop(columns="row").equals(whole.policy.rates.drop(columns="row"))


def test_commands_and_papers_wait_until_it_is_put_right(workspace):
    folder = workspace(spoilt("trucks.csv", "capacity_lb", "heavy"))
    with pytest.raises(BadInput, match=r"trucks\.csv:2:capacity_lb"):
        read_workspace(folder, required=["trucks"])
    visitor = browser(folder)
    other = FILES["trucks.csv"].splitlines()[2].split(",")[0]
    for page in (f"/trucks/{other}/certificate", f"/plan/{STORM}/cards"):
        answer = visitor.get(page)
        assert answer.status_code == 422, page
        assert "/mend?file=trucks.csv" in answer.text, "with the way to put it right"


def test_a_test_with_one_bad_weighing_counts_not_at_all(workspace):
    """Else its discharge would be too small by what that container held."""
    more = FILES["weighings.csv"].rstrip("\n") + "\n"
    header = more.splitlines()[0].split(",")
    test = dict(zip(header, more.splitlines()[1].split(","), strict=True))
    more += ",".join({**test, "gross_lb": "x"}[name] for name in header) + "\n"
    folder = workspace({"weighings.csv": more})
    visitor = browser(folder)
    page = plain(visitor.get("/trucks/T1").text)
    assert "no weighing" in page


def test_a_fault_that_only_shows_once_a_row_is_left_out_is_named_too(workspace):
    """Without its truck a test speaks of a truck that no file lists."""
    folder = workspace(spoilt("trucks.csv", "capacity_lb", "heavy"))
    truck = FILES["trucks.csv"].splitlines()[1].split(",")[0]
    text = plain(browser(folder).get("/trucks").text)
    assert f'"{truck}" is not in trucks.csv' in text


def mended(visitor: Browser, page: str, **changes: str):
    """The form of a row, filled in as it stands but for these fields, sent."""
    text = visitor.get(page).text
    found = dict(re.findall(r'<input[^>]* name="([^"]+)" value="([^"]*)"', text))
    return visitor.do("/mend", {**found, **changes})


def test_the_row_is_put_right_in_a_form(workspace):
    folder = workspace(spoilt("trucks.csv", "capacity_lb", "heavy"))
    visitor = browser(folder)
    home = visitor.get("/").text
    page = re.search(r'href="(/mend\?[^"]+)"', home)[1].replace("&amp;", "&")
    form = visitor.get(page).text
    assert "is not a number" in form
    assert 'aria-invalid="true"' in form
    wrong = mended(visitor, page, **{"cell-capacity_lb": "12", "do": "save"})
    assert wrong.status_code == 422, "a hopper of 12 lb is none"
    assert 'value="12"' in wrong.text, "what was typed stays"
    right = mended(visitor, page, **{"cell-capacity_lb": "12000", "do": "save"})
    assert right.status_code == 303, plain(right.text)
    assert "left out" not in visitor.get("/").text
    truck = next(csv.DictReader((folder / "trucks.csv").read_text().splitlines()))
    assert truck["capacity_lb"] == "12000"
    assert "trucks.csv, row 2: put right" in visitor.get("/history").text


def test_a_row_with_too_many_cells_is_shown_and_put_right(workspace):
    lines = FILES["discharge_tests.csv"].splitlines()
    folder = workspace({"discharge_tests.csv": "\n".join([lines[0], lines[1] + ",more"]) + "\n"})
    visitor = browser(folder)
    assert visitor.get("/trucks").status_code == 200
    page = "/mend?file=discharge_tests.csv&row=2"
    assert lines[1] + ",more" in visitor.get(page).text, "as it stands in the file"
    text = visitor.get(page).text
    found = dict(re.findall(r'<input[^>]* name="([^"]+)" value="([^"]*)"', text))
    assert visitor.do("/mend", {**found, "do": "save"}).status_code == 303
    assert (folder / "discharge_tests.csv").read_text().splitlines()[1] == lines[1]


def test_the_row_can_be_taken_out_and_the_change_taken_back(workspace):
    folder = workspace(spoilt("yards.csv", "lon", "east"))
    before = (folder / "yards.csv").read_bytes()
    visitor = browser(folder)
    gone = mended(visitor, "/mend?file=yards.csv&row=2", do="take out")
    assert gone.status_code in (303, 422)
    if gone.status_code == 422:  # others still speak of the yard: nothing is lost
        assert (folder / "yards.csv").read_bytes() == before
        return
    assert len((folder / "yards.csv").read_text().splitlines()) == before.count(b"\n") - 1


def test_a_row_that_somebody_changed_meanwhile_is_not_overwritten(workspace):
    folder = workspace(spoilt("trucks.csv", "capacity_lb", "heavy"))
    visitor = browser(folder)
    text = visitor.get("/mend?file=trucks.csv&row=2").text
    found = dict(re.findall(r'<input[^>]* name="([^"]+)" value="([^"]*)"', text))
    now = (folder / "trucks.csv").read_text().replace("heavy", "9000")
    (folder / "trucks.csv").write_text(now)
    answer = visitor.do("/mend", {**found, "cell-capacity_lb": "12000", "do": "save"})
    assert answer.status_code == 409
    assert (folder / "trucks.csv").read_text() == now


def test_roles_and_files_that_are_none(workspace):
    folder: Path = workspace(spoilt("discharge_tests.csv", "feeder_pct", "500"))
    recorder = signed_in(folder, "record")
    assert recorder.get("/mend?file=discharge_tests.csv&row=2").status_code == 200
    assert recorder.get("/mend?file=trucks.csv&row=2").status_code == 403
    reader = signed_in(folder, "read")
    assert reader.get("/mend?file=discharge_tests.csv&row=2").status_code == 403
    assert "/mend" not in reader.get("/").text
    for file in ("../trucks.csv", "workspace.toml", "storms/../trucks.csv", "x" * 400, ""):
        answer = recorder.get("/mend", params={"file": file, "row": "2"})
        assert answer.status_code in (404, 403), file
    for row in ("0", "-1", "99999999999999999999", "two"):
        answer = recorder.get("/mend", params={"file": "discharge_tests.csv", "row": row})
        assert answer.status_code == 409, row
