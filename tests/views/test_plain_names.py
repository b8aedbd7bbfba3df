"""Materials and storms are called by their names wherever a person reads of use and season."""

from __future__ import annotations

import csv
from pathlib import Path

import openpyxl
import pytest

from spreadplan.schema.results import RESULTS
from tests.finished_county import STORM, said_by, writable_copy
from tests.views.plain_names import KEYS, keys_in, keys_seen
from tests.web.visitors import browser

pytestmark = pytest.mark.slow

REPORTS = (
    f"{STORM}/use_report.html",
    "season/season_report.html",
    "season/environment_report.html",
)
PAGES = ("/use", f"/use/{STORM}", f"/use/{STORM}/segment?i=3", f"/use/{STORM}/places", "/season")


def test_keys_are_found_wherever_they_are_read():
    assert {"rock_salt", STORM} <= set(KEYS)
    for page in (
        "<p>10 tons of rock_salt were used.</p>",
        '<svg aria-label="rock_salt: 10 tons"></svg>',
        "<td>rock<wbr>_salt</td>",
        f"<h1>{STORM}</h1>",
    ):
        assert len(keys_seen(page)) == 1, page
    for page in (
        '<a href="/use/rock_salt">Rock salt</a>',
        f"<p>results/{STORM}/use_segments.csv, rock_salt.csv</p>",
        f"<p>Rock salt<script>{STORM}</script></p>",
    ):
        assert keys_seen(page) == [], page


@pytest.mark.parametrize("report", REPORTS)
def test_reports_call_things_by_name(finished_county: Path, report: str):
    page = (finished_county / "results" / report).read_text(encoding="utf-8")
    assert keys_seen(page) == []
    assert "Rock salt" in page


@pytest.fixture(scope="module")
def county(finished_county: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A county that a server may write its own files to."""
    return writable_copy(finished_county, tmp_path_factory.mktemp("names") / "county")


@pytest.mark.parametrize("command", ["reconcile", "season"])
def test_commands_call_things_by_name(finished_county: Path, command: str):
    said = said_by(finished_county, command)
    assert keys_in(said) == []
    assert "Rock salt" in said


def test_the_workbook_calls_things_by_name(finished_county: Path):
    book = openpyxl.load_workbook(finished_county / "results" / "season" / "season.xlsx")
    cells = {
        str(cell)
        for page in book
        for row in page.iter_rows(values_only=True)
        for cell in row
        if isinstance(cell, str)
    }
    assert [some for text in sorted(cells) for some in keys_in(text)] == []
    assert {"Rock salt", "Year-end snow, 31 December"} <= cells


def test_sentences_of_the_tables_call_things_by_name(finished_county: Path):
    """Keys stand in the columns that hold a key; what is said about them is said as elsewhere."""
    found = {}
    for path in sorted((finished_county / "results" / "season").glob("*.csv")):
        texts = [one.name for one in RESULTS[path.stem].columns if one.kind in ("text", "term")]
        with path.open(encoding="utf-8", newline="") as file:
            cells = {row[name] for row in csv.DictReader(file) for name in texts}
        found[path.name] = [some for cell in sorted(cells) for some in keys_in(cell)]
    assert {name: some for name, some in found.items() if some} == {}


@pytest.mark.parametrize("address", PAGES)
def test_pages_call_things_by_name(county: Path, address: str):
    answer = browser(county).get(address)
    assert answer.status_code == 200
    assert keys_seen(answer.text) == []
