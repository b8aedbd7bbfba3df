"""In a metric workspace no unit of the United States is left: on paper, in files, on the screen."""

from __future__ import annotations

import contextlib
import csv
import io
import re
import shutil
from collections import Counter
from html import unescape
from pathlib import Path
from string import Formatter
from zipfile import ZipFile

import pytest

from spreadplan.cli import main
from spreadplan.schema.results import RESULTS
from spreadplan.views.display import KINDS
from spreadplan.views.words import WORDS
from tests.finished_county import COMMANDS, COUNTY, STORM
from tests.web.visitors import browser

NUMBER = r"(?<![\w.-])[0-9](?:[0-9.,]*[0-9])?[ \u00a0\u202f]?"
UNITS = re.compile(
    rf"\blbs?\b|\bmph\b|°\s?F\b|\btons?\b|\bcfs\b|ft³|\blane-mi(?:les?)?\b|\bpounds?\b|\bgallons?\b|"
    rf"\bgal\b|{NUMBER}(?:ft|mi|F|feet|miles?|inch(?:es)?)\b(?![\w³])|\bmi\b|"
    rf"{NUMBER}in\b(?! (?:part|quarantine)\b)"
)
"""Units as they stand in text: ``in``, ``ft`` and ``F`` only behind a number."""
MORE = (("compare", "{}", STORM, "--no-pdf"),)
ALLOWED = re.compile(
    r"\w+_(?:lb|ton|gal|in|ft|mph|f|lb_gal|lb_per_lane_mile|per_ton|gal_per_ton)\b|"
    r"per lane-mile and per two-lane-mile|"
    r"[0-9.,]+ (?:lb|mph|miles|ft) \([0-9.,]+ (?:kg|km/h|km|m)\)"
)
"""Names of columns; the warning of a rate without its basis; what a check says, in both systems,
of a file that may be in either."""
NAMES_BOTH = {"no_density", "slip_kg", "slip_lb", "flow_unlike_setting"}
"""Entries that are about units."""
FIELD_UNITS = re.compile(
    r"_(?:lb|ton|in|ft|mi|mph|f|gal|lb_per_min|lb_per_lane_mile|lane_mile|gal_per_ton|cfs)$"
)


def us_units(text: str) -> list[str]:
    """Each place with a unit of the United States, with what stands around it."""
    kept = ALLOWED.sub(lambda found: "·" * len(found[0]), text)
    return [text[max(0, one.start() - 60) : one.end() + 25] for one in UNITS.finditer(kept)]


def seen(page: str) -> str:
    """What a reader sees of a page, and what is read out to them."""
    spoken = " ".join(re.findall(r'(?:aria-label|alt|title|content|placeholder)="([^"]*)"', page))
    page = re.sub(r"<(style|script)\b.*?</\1>", " ", page, flags=re.S)
    return unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page)) + " " + spoken)


@pytest.fixture(scope="module")
def metric_county(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The sample county in metric units with all results, and what the commands said."""
    place = tmp_path_factory.mktemp("metric") / "county"
    shutil.copytree(COUNTY, place, ignore=shutil.ignore_patterns("results", ".*"))
    toml = place / "workspace.toml"
    text = toml.read_text().replace('units = "us"', 'units = "metric"\ncurrency = "NOK"')
    assert 'units = "metric"' in text
    toml.write_text(text)
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        for words in (*COMMANDS, *MORE):
            assert main([word.format(place) for word in words]) == 0, words
    return place, said.getvalue()


def test_commands_say_no_us_unit(metric_county):
    assert us_units(metric_county[1]) == []


def test_reports_show_no_us_unit(metric_county):
    place, _ = metric_county
    pages = sorted((place / "results").rglob("*.html"))
    assert len(pages) > 20
    found = {page.name: us_units(seen(page.read_text())) for page in pages}
    assert {name: some for name, some in found.items() if some} == {}


def test_texts_of_the_tables_hold_no_us_unit(metric_county):
    place, _ = metric_county
    found = {}
    files = sorted((place / "results").rglob("*.csv"))
    assert len(files) > 20
    for path in files:
        texts = {one.name for one in RESULTS[path.stem].columns if one.kind in ("text", "term")}
        texts -= {"value_unit"}  # the unit of the inside value beside it
        with path.open(encoding="utf-8", newline="") as file:
            cells = {row[name] for row in csv.DictReader(file) for name in texts}
        found[path.name] = [some for cell in sorted(cells) for some in us_units(cell)]
    assert {name: some for name, some in found.items() if some} == {}


def test_the_workbook_holds_no_us_unit(metric_county):
    place, _ = metric_county
    with ZipFile(place / "results" / "season" / "season.xlsx") as book:
        sheets = [one for one in book.namelist() if re.search(r"sharedStrings|worksheets/", one)]
        texts = [seen(book.read(one).decode()) for one in sheets]
    assert len(texts) > 5
    assert [some for text in texts for some in us_units(text)] == []


def test_pages_show_no_us_unit(metric_county):
    """Pages that links lead to, two of each kind; not the guide, nor files as they are."""
    visitor = browser(metric_county[0])
    waiting, kinds, found = ["/"], Counter(), {}
    while waiting:
        address = waiting.pop(0)
        path, _, query = address.partition("?")
        kind = (
            tuple(path.split("/")[1:2]),
            path.count("/"),
            path.rpartition("/")[2] if path.count("/") == 1 else "",
            bool(query),
        )
        kinds[kind] += 1
        if kinds[kind] > 2:
            continue
        answer = visitor.get(address)
        if "text/html" not in answer.headers.get("content-type", ""):
            continue
        found[address] = us_units(seen(answer.text))
        links = re.findall(r'href="(/[^"#]*)', answer.text)
        waiting += [
            unescape(one) for one in links if not re.match(r"/(?:guide|static|logout|login)", one)
        ]
    assert {name: some for name, some in found.items() if some} == {}
    assert {"/plan", "/use", "/season", "/trucks"} <= set(found)
    assert len(found) > 15


def test_what_is_wrong_with_files_is_said_without_us_units_alone(metric_county, tmp_path):
    place = tmp_path / "county"
    shutil.copytree(metric_county[0], place, ignore=shutil.ignore_patterns("results", ".*"))
    weighings = place / "weighings.csv"
    head, first, *rest = weighings.read_text().splitlines()
    gross = head.split(",").index("gross_lb")
    cells = first.split(",")
    cells[gross] = "1"
    weighings.write_text("\n".join([head, ",".join(cells), *rest]) + "\n")
    trucks = place / "trucks.csv"
    trucks.write_text(trucks.read_text().replace("capacity_lb", "capacity", 1))
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        assert main(["check", str(place)]) == 2
    assert "is less than tare" in said.getvalue()
    assert us_units(said.getvalue()) == []


@pytest.mark.parametrize("code", sorted(WORDS))
def test_words_carry_no_unit_but_through_a_kind_of_quantity(code: str):
    """What findings of every kind say, whether or not the county has one of that kind."""
    for text, name, form, _ in Formatter().parse(WORDS[code]):
        assert code in NAMES_BOTH or us_units(text) == [], text
        if name and FIELD_UNITS.search(name):
            assert (form or "").rpartition(".")[2] in KINDS, name
