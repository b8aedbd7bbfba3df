"""Names that would be code elsewhere stay names in every result."""

from __future__ import annotations

import csv
import os
import re
import socket
import sqlite3
import threading
import zipfile
from contextlib import closing
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import pyarrow.parquet as pq
import pytest
from pypdf import PdfReader
from pypdf.generic import ArrayObject, DictionaryObject, IndirectObject

from spreadplan import runs
from spreadplan.reports import render
from spreadplan.reports.text_width import width_pt
from spreadplan.results.tables import FORMULA_STARTS, PLAIN_NUMBER, exact_text
from tests.hostile.engine import quiet
from tests.hostile.named_county import NAMES_NEEDED, Names, named_county
from tests.hostile.small_county import write
from tests.hostile.words import MARKUP, NAMES

HOSTILE_STORM = "{{ 7*7 }} =1+1 <b onload=x> [a-z]* '"
SKIPPED = {"*", "."}  # these mean something
BENIGN_TAGS = {"wbr"}  # where a long name may break


@dataclass
class Listener:
    """A port of this computer that counts who asks it for something."""

    asked: list[bytes] = field(default_factory=list)
    port: int = 0

    def start(self) -> None:
        listening = socket.create_server(("127.0.0.1", 0))
        self.port = listening.getsockname()[1]

        def serve() -> None:
            while True:
                wire, _ = listening.accept()
                with closing(wire):
                    self.asked.append(wire.recv(200))

        threading.Thread(target=serve, daemon=True).start()


@dataclass(frozen=True)
class Made:
    """A county, what its things are called, and all its results."""

    folder: Path
    names: Names
    storm: str

    @property
    def results(self) -> Path:
        return self.folder / "results"

    def files(self, ending: str) -> list[Path]:
        return sorted(self.results.rglob(f"*{ending}"))


def make(folder: Path, words: list[str], storm: str) -> Made:
    names = Names(words)
    write(named_county(names, storm), folder)
    options = quiet()
    runs.calibrate(folder, options)
    runs.plan(folder, storm, options)
    runs.reconcile(folder, storm, options)
    runs.season(folder, options)
    return Made(folder, names, storm)


@pytest.fixture(scope="module")
def listener() -> Listener:
    one = Listener()
    one.start()
    return one


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory, listener: Listener) -> Made:
    words = [word.strip().replace("127.0.0.1:9", f"127.0.0.1:{listener.port}") for word in NAMES]
    words = [word for word in dict.fromkeys(words) if word and word not in SKIPPED]
    turn = int(os.environ.get("HOSTILE_TURN", "0"))  # by hand: other things get the names
    words = words[turn:] + words[:turn]
    # every word once, then once more with a number, until all things have a name
    words += [f"{word}{at}" for at in range(9) for word in words]
    return make(tmp_path_factory.mktemp("hostile") / "in" / "county", words, HOSTILE_STORM)


@pytest.fixture(scope="module")
def benign(tmp_path_factory: pytest.TempPathFactory) -> Made:
    words = [f"Name {at}" for at in range(NAMES_NEEDED + 50)]
    return make(tmp_path_factory.mktemp("benign") / "county", words, "s1")


# --- pages ---


class Page(HTMLParser):
    """Tags with their attributes' names, addresses, styles and text of a page."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.shapes: set[tuple[str, str]] = set()
        self.addresses: list[str] = []
        self.styles: list[str] = []
        self.text: list[str] = []
        self._inside = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.shapes |= {(tag, ""), *((tag, name) for name, _ in attrs)}
        self._inside = tag
        for name, value in attrs:
            if name in ("href", "src", "xlink:href", "action", "data", "srcset", "formaction"):
                self.addresses.append(value or "")
            if name == "style":
                self.styles.append(value or "")

    def handle_endtag(self, tag: str) -> None:
        self._inside = ""

    def handle_data(self, data: str) -> None:
        (self.styles if self._inside == "style" else self.text).append(data)

    def unknown_decl(self, data: str) -> None:
        self.shapes.add(("declaration", data))


def pages(made: Made) -> dict[str, Page]:
    return {path.name: Page(path.read_text(encoding="utf-8")) for path in made.files(".html")}


def test_no_name_adds_a_tag_or_an_attribute_to_a_page(hostile, benign):
    plain = set().union(*(page.shapes for page in pages(benign).values()))
    for name, page in pages(hostile).items():
        more = {shape for shape in page.shapes - plain if shape[0] not in BENIGN_TAGS}
        assert not more, (name, more)
        assert not [shape for shape in page.shapes if shape[1].startswith("on")]
        assert ("script", "") not in page.shapes


def test_no_name_becomes_an_address_or_a_style(hostile):
    for name, page in pages(hostile).items():
        for address in page.addresses:
            assert re.match(r"(#|data:(image|font)/|[\w.-]+(/[\w.-]+)*$)", address), (name, address)
        styles = " ".join(page.styles)
        assert "127.0.0.1" not in styles
        assert not re.search(r"url\((?!['\"]?(data:|#))", styles), name


def test_template_text_is_shown_as_it_is(hostile):
    shown = {name: "".join(page.text) for name, page in pages(hostile).items()}
    everything = "\n".join(shown.values())
    shown_words = [word for word in MARKUP if word in everything]
    assert len(shown_words) > len(MARKUP) / 2, shown_words
    assert HOSTILE_STORM in shown["plan_report.html"]


def test_files_have_plain_names_and_stay_in_their_folder(hostile):
    outside = [path for path in hostile.folder.parent.iterdir() if path != hostile.folder]
    assert not outside
    for path in hostile.results.rglob("*"):
        parts = path.relative_to(hostile.results).parts
        own = parts[1:] if parts[0] == hostile.storm else parts
        assert all(re.fullmatch(r"\.?[A-Za-z0-9_][\w.-]*", part) for part in own), path
        assert path.resolve().is_relative_to(hostile.results.resolve())


# --- tables ---


def cells(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_no_cell_of_a_table_is_a_formula_and_every_identifier_comes_back(hostile):
    kinds = {"truck_id": "truck", "route_id": "route", "segment_id": "segment", "test_id": "test"}
    seen: dict[str, set[str]] = {kind: set() for kind in kinds.values()}
    assert len(hostile.files(".csv")) >= 15
    for path in hostile.files(".csv"):
        for row in cells(path):
            for column, text in row.items():
                assert not text.startswith(FORMULA_STARTS) or PLAIN_NUMBER.fullmatch(text), text
                if column in kinds and exact_text(text) not in ("", "off_route"):
                    seen[kinds[column]].add(exact_text(text))
    for kind, found in seen.items():
        assert found == set(hostile.names.all(kind)), kind


def test_a_workbook_holds_no_formula_link_or_program(hostile):
    books = hostile.files(".xlsx")
    assert books
    texts = 0
    for path in books:
        with zipfile.ZipFile(path) as inside:
            assert not [name for name in inside.namelist() if "vba" in name.lower()]
        book = openpyxl.load_workbook(path, keep_links=True)
        assert not book._external_links
        for cell in (cell for page in book for row in page.iter_rows() for cell in row):
            assert cell.data_type != "f", cell.value
            assert cell.hyperlink is None
            texts += isinstance(cell.value, str) and cell.value.lstrip("'") in hostile.names
    assert texts


def schema(path: Path) -> set[tuple[str, str]]:
    with closing(sqlite3.connect(path)) as base:
        return set(base.execute("SELECT type, name FROM sqlite_master"))


def test_a_geopackage_has_the_tables_of_any_other_and_the_names_letter_by_letter(hostile, benign):
    for name in ("plan.gpkg", "use.gpkg"):
        path = hostile.results / hostile.storm / name
        assert schema(path) == schema(benign.results / benign.storm / name)
        assert not {kind for kind, _ in schema(path)} & {"view"}
    with closing(sqlite3.connect(hostile.results / hostile.storm / "plan.gpkg")) as base:
        (layer,) = base.execute(
            "SELECT table_name FROM gpkg_contents WHERE table_name LIKE '%segments%'"
        ).fetchone()
        routes = {route for (route,) in base.execute(f'SELECT route_id FROM "{layer}"')}
    assert routes == set(hostile.names.all("route"))


def test_points_name_their_trucks_letter_by_letter(hostile):
    table = pq.read_table(hostile.results / hostile.storm / "use_points.parquet")
    assert set(table["truck_id"].to_pylist()) == set(hostile.names.all("truck"))


# --- PDF ---


def objects(reader: PdfReader) -> list[DictionaryObject]:
    """Every dictionary of a PDF."""
    found: list[DictionaryObject] = []
    waiting: list[object] = [reader.trailer["/Root"]]
    seen: set[int] = set()
    while waiting:
        one = waiting.pop()
        one = one.get_object() if isinstance(one, IndirectObject) else one
        if id(one) in seen:
            continue
        seen.add(id(one))
        if isinstance(one, DictionaryObject):
            found.append(one)
            waiting += [one.raw_get(key) for key in one]
        elif isinstance(one, ArrayObject):
            waiting += list(one)
    return found


def test_a_pdf_runs_nothing_carries_nothing_and_asks_nobody(hostile, listener, tmp_path):
    (source,) = hostile.files("season_report.html")
    target = tmp_path / "page.pdf"
    render.write_pdf(source, target)
    reader = PdfReader(target)
    everything = objects(reader)
    assert len(everything) > 50
    for one in everything:
        assert not {"/JS", "/AA", "/EmbeddedFiles", "/EF", "/Launch", "/XFA"} & set(one), one
        assert one.get("/S") not in ("/JavaScript", "/Launch", "/GoToR", "/SubmitForm", "/URI")
    assert "/OpenAction" not in reader.trailer["/Root"]
    assert not listener.asked
    assert "root:" not in "".join(sheet.extract_text() for sheet in reader.pages)


def test_letters_that_our_font_lacks_take_a_square():
    assert width_pt("🚜＝", 10) == 20
