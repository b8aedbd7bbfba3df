"""Calibration and planning: names instead of keys, and one wording wherever a thing is said."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import re
import sys
from html import unescape
from pathlib import Path

import pytest

from spreadplan.cli import main
from spreadplan.schema.results import RESULTS
from spreadplan.views.words import TERMS
from spreadplan.web.work.jobs import Jobs
from tests.finished_county import STORM, writable_copy
from tests.views.plain_names import keys_in, text_of
from tests.web.visitors import browser, site_of

MATERIAL = "Rock salt"
CALLED = "Year-end snow, 31 December"


@pytest.fixture(scope="module")
def county(finished_county: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A county whose yards hold too little, with plan and scenarios, and what commands said."""
    place = writable_copy(finished_county, tmp_path_factory.mktemp("names") / "county")
    counts = place / "stock_counts.csv"
    with counts.open(encoding="utf-8-sig", newline="") as handle:
        rows = list(csv.DictReader(handle))
    for row in rows:
        row["on_hand_ton"] = str(float(row["on_hand_ton"]) / 20.0)
    with counts.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.DictWriter(handle, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        for words in (
            ("calibrate", "{}", "--no-pdf"),
            ("plan", "{}", STORM, "--no-pdf"),
            ("compare", "{}", STORM, "--no-pdf"),
        ):
            assert main([word.format(place) for word in words]) == 0, words
    return place, said.getvalue()


def test_reports_call_materials_and_storms_by_name(county):
    place, _ = county
    results = place / "results"
    pages = sorted([*(results / "calibration").glob("*.html"), *(results / STORM).rglob("*.html")])
    pages = [page for page in pages if page.name != "use_report.html"]
    assert {"plan_report.html", "scenario_report.html", "work_sheet.html"} <= {
        page.name for page in pages
    }
    texts = {page.name: text_of(page.read_text()) for page in pages}
    found = {name: keys_in(text) for name, text in texts.items()}
    assert {name: some for name, some in found.items() if some} == {}
    assert "how to share it" in texts["plan_report.html"]
    for name in ("plan_report.html", "scenario_report.html"):
        assert CALLED in texts[name], name
    for name, text in texts.items():
        if name.startswith(("certificate_", "plan_report")) or "cab_cards" in name:
            assert MATERIAL in text or "Sand salt" in text, name


def test_tables_keep_the_keys(county):
    place, _ = county
    for name in ("calibration/models", f"{STORM}/plan_routes", f"{STORM}/plan_scarce"):
        with (place / "results" / f"{name}.csv").open(encoding="utf-8", newline="") as handle:
            assert "rock_salt" in {row["material"] for row in csv.DictReader(handle)}, name


def test_commands_call_materials_and_storms_by_name(county):
    _, said = county
    assert keys_in(said) == []
    assert MATERIAL in said


def test_pages_call_materials_and_storms_by_name(county):
    place, _ = county
    visitor = browser(place)
    plan = f"/plan/{STORM}"
    tried = 'c=["rate","R01","2",250,"us"]&c=["warmer","*","",-5,"us"]'
    first = visitor.get(f"{plan}/cards").text
    cards = re.findall(rf'href="({plan}/cards/[^"]+)"', first)
    routes = re.findall(rf'href="({plan}/routes/[^"?]+)', visitor.get(plan).text)
    trucks = re.findall(r'href="(/trucks/[^"/]+)"', visitor.get("/trucks").text)
    pages = ["/", "/trucks", "/plan", "/sheet", "/jobs", plan, f"{plan}?{tried}"]
    pages += [f"{plan}/cards", f"{plan}/inputs", f"{plan}/segment?i=0"]
    pages += [f"{plan}/compare?{tried.replace('c=', 'b=')}", cards[0], routes[0]]
    pages += [f"{trucks[0]}{more}" for more in ("", "/test", "/certificate")]
    found, texts = {}, {}
    for address in pages:
        answer = visitor.get(unescape(address))
        assert answer.status_code == 200, address
        texts[address] = text_of(answer.text)
        found[address] = keys_in(texts[address])
    assert {address: some for address, some in found.items() if some} == {}
    for address in (plan, "/plan", routes[0]):
        assert CALLED in texts[address], address
    for address in (plan, trucks[0], f"{trucks[0]}/test", routes[0], cards[0]):
        assert MATERIAL in texts[address], address


def test_jobs_and_maps_call_storms_by_name(county):
    place, _ = county
    site = site_of(place)
    site.jobs = Jobs(place, (sys.executable, "-c", "pass"))
    visitor = browser(place, site)
    assert visitor.do("/jobs", {"command": "plan", "storm": STORM}).status_code == 303
    text = text_of(visitor.get("/jobs").text)
    assert keys_in(text) == []
    assert CALLED in text
    places = visitor.get(f"/plan/{STORM}/places").json()
    assert keys_in(json.dumps(places)) == []
    site.jobs.close()


# --- one wording -------------------------------------------------------------------------------


def table(place: Path, name: str) -> list[dict[str, str]]:
    with (place / "results" / f"{name}.csv").open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def plain(text: str) -> str:
    return re.sub(r"\s+", " ", text)


def test_findings_are_worded_alike_in_table_report_page_and_command(county):
    place, said = county
    report = text_of((place / "results" / STORM / "plan_report.html").read_text())
    page = text_of(browser(place).get(f"/plan/{STORM}").text)
    findings = table(place, f"{STORM}/plan_findings")
    assert {one["severity"] for one in findings} == {"problem", "caution", "note"}
    for one in findings:
        for part in ("subject", "what"):
            assert plain(one[part]) in report, one
            assert plain(one[part]) in page, one
        if one["severity"] == "problem":
            line = f"problem: {one['subject']}: {one['what']}; {one['remedy']}"
            assert plain(line) in plain(said), one
    decisions = f"{sum(one['severity'] == 'problem' for one in findings)} problem"
    assert decisions in report
    assert decisions in page


def test_statuses_and_verdicts_have_the_same_words_in_report_and_page(county):
    place, _ = county
    report = text_of((place / "results" / STORM / "plan_report.html").read_text())
    visitor = browser(place)
    page = text_of(visitor.get(f"/plan/{STORM}").text)
    runs = table(place, f"{STORM}/plan_routes")
    words = TERMS["plan_status"]
    assert len({run["status"] for run in runs}) > 1
    for run in runs:
        assert words[run["status"]].words in report, run
        if run["application"] == runs[0]["application"]:
            assert (
                f"{run['route_id']} {run['truck_id'] or '–'} {words[run['status']].words}" in page
            )
    for yard in table(place, f"{STORM}/plan_yards"):
        if float(yard["short_ton"] or 0.0) > 0.0:
            row = rf"{yard['yard_id']} [^–]*?{TERMS['yard_stock']['short'].words}"
            assert re.search(row, report), yard
            assert re.search(row, page), yard
    for check in table(place, f"{STORM}/plan_melting"):
        assert TERMS["melting"][check["verdict"]].words in report
        assert plain(check["advice"]) in report


def test_a_calibration_is_worded_alike_on_paper_screen_and_command_line(county):
    place, said = county
    visitor = browser(place)
    trucks = visitor.get("/trucks").text
    listed = text_of(trucks)
    shown = 0
    for truck in sorted({row["truck_id"] for row in table(place, "calibration/advice")}):
        page = text_of(visitor.get(f"/trucks/{truck}").text)
        paper = text_of((place / f"results/calibration/certificate_{truck}.html").read_text())
        (headline,) = re.findall(rf'{truck}</a> <span class="badge \w+">([^<]+)', trucks)
        for text in (page, paper, listed):
            assert headline in text, (truck, headline)
        for row in table(place, "calibration/advice"):
            if row["truck_id"] == truck and row["need"] == "test":
                shown += 1
                for text in (page, paper, plain(said)):
                    assert plain(row["advice"]) in text, row
    assert shown > 3


@pytest.mark.parametrize("name", sorted(RESULTS))
def test_every_status_of_a_result_has_words(name: str):
    for column in RESULTS[name].columns:
        assert (column.kind == "term") == bool(column.terms)
        assert not column.terms or TERMS[column.terms]
