"""Results that somebody opened and saved in a spreadsheet: said in one line, never a defect."""

from __future__ import annotations

import csv
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from spreadplan import runs
from spreadplan.schema.results import RESULTS
from spreadplan.web.work.result_tables import TEXTS
from tests.hostile.engine import quiet
from tests.hostile.small_county import small_county, write
from tests.web.visitors import browser

SEASON = ("budget", "burn_down", "by_storm", "chloride", "findings", "savings", "screening")
SHOWN = (*SEASON, "use_segments", "use_trucks", "use_routes", "balance", "quarantine")


@pytest.fixture(scope="module")
def worked_out(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("saved") / "county"
    write(small_county(), folder)
    runs.plan(folder, "s1", quiet())
    runs.reconcile(folder, "s1", quiet())
    runs.season(folder, quiet())
    return folder


@pytest.fixture
def folder(worked_out, tmp_path) -> Path:
    return shutil.copytree(worked_out, tmp_path / "county")


def place_of(folder: Path, name: str) -> Path:
    return folder / "results" / ("season" if name in SEASON else "s1") / f"{name}.csv"


def number_columns(name: str) -> list[str]:
    return [one.name for one in RESULTS[name].columns if one.kind not in (*TEXTS, "time")]


def commas_in_numbers(text: str) -> str:
    return ";".join(text.split(",")).replace(".", ",")


def quoted_commas(text: str) -> str:
    return re.sub(r"(?<![\w.])(\d+)\.(\d+)(?![\w.])", r'"\1,\2"', text)


def _other(text: str, name: str = "") -> str:
    """The header with every name changed, or all of them the same."""
    return ",".join(name or f"{one} " for one in text.partition("\n")[0].split(","))


SAVED: dict[str, Callable[[str], str | bytes]] = {
    "semicolons": commas_in_numbers,
    "tabs": lambda text: text.replace(",", "\t"),
    "another encoding": lambda text: (text + "\n\u00fc").encode("utf-16"),
    "latin letters": lambda text: text.replace("\n", "\u00fc\n", 2).encode("latin-1"),
    "no header": lambda text: text.partition("\n")[2],
    "a longer row": lambda text: text.rstrip("\n") + ",x,y\n",
    "a shorter row": lambda text: f"{text}x,y\n",
    "nothing": lambda _text: "",
    "only zeros": lambda text: b"\0" * len(text),
    "other names": lambda text: text.replace(text.partition("\n")[0], _other(text), 1),
    "names twice": lambda text: text.replace(text.partition("\n")[0], _other(text, "a"), 1),
}


@pytest.mark.parametrize("name", SHOWN)
@pytest.mark.parametrize("how", SAVED)
def test_a_table_that_was_saved_otherwise_is_named_in_one_line(folder, name, how):
    path = place_of(folder, name)
    text = path.read_text(encoding="utf-8")
    if text.count("\n") < 2:
        pytest.skip("nothing in this table")
    saved = SAVED[how](text)
    path.write_bytes(saved if isinstance(saved, bytes) else saved.encode())
    page = "/season" if name in SEASON else "/use/s1"
    answer = browser(folder).get(page)
    assert answer.status_code == 200
    said = re.findall(r'<section class="box bad" role="alert">(.*?)</section>', answer.text, re.S)
    assert len(said) == 1
    assert said[0].count("<p>") == 1
    assert f"results/{path.relative_to(folder / 'results').as_posix()}" in said[0]
    assert "work it out again" in said[0]
    assert "data-job" in answer.text, "the button that does so is on the page"


@pytest.mark.parametrize("name", [name for name in SHOWN if number_columns(name)])
@pytest.mark.parametrize("cell", ["1,5", "1.234,5", "#####", "inf", "Dec 26", "9" * 5_000 + "x"])
def test_a_cell_that_is_no_number_any_more_is_named(folder, name, cell):
    path = place_of(folder, name)
    with path.open(encoding="utf-8", newline="") as handle:
        rows = list(csv.reader(handle))
    if len(rows) < 2:
        pytest.skip("nothing in this table")
    column = number_columns(name)[-1]
    rows[1][rows[0].index(column)] = cell
    with path.open("w", encoding="utf-8", newline="") as handle:
        csv.writer(handle).writerows(rows)
    page = browser(folder).get("/season" if name in SEASON else "/use/s1")
    assert page.status_code == 200
    assert f"row 2, {column}" in page.text
    assert "is not a number" in page.text


def test_what_a_spreadsheet_may_change_without_harm_is_read(folder):
    """A mark in front, other line ends, quotes everywhere."""
    path = place_of(folder, "use_segments")
    plain = browser(folder).get("/use/s1").text
    with path.open(encoding="utf-8", newline="") as handle:
        rows = list(csv.reader(handle))
    with path.open("w", encoding="utf-8-sig", newline="") as handle:
        csv.writer(handle, quoting=csv.QUOTE_ALL).writerows(rows)
    assert path.read_bytes().startswith(b'\xef\xbb\xbf"route_id","')
    again = browser(folder).get("/use/s1").text
    tables = [re.findall(r"<tbody>.*?</tbody>", page, re.S) for page in (plain, again)]
    assert tables[0] == tables[1]
    assert len(tables[0]) > 2


def test_pieces_of_the_page_answer_without_a_defect(folder):
    visitor = browser(folder)
    assert visitor.get("/use/s1/segment?i=0").status_code == 200
    (folder / "results" / "s1" / "use_points.parquet").write_bytes(b"PAR1")
    answer = visitor.get("/use/s1/segment?i=0")
    assert answer.status_code == 422
    assert "results/s1/use_points.parquet" in answer.text
    path = place_of(folder, "use_segments")
    path.write_text(commas_in_numbers(path.read_text()))
    for piece in ("segment?i=0", "lines", "places"):
        answer = visitor.get(f"/use/s1/{piece}")
        assert answer.status_code == 422
        assert "work it out again" in answer.text
