"""The documents say what the program does: commands, options, files, columns, symbols, figures."""

from __future__ import annotations

import ast
import contextlib
import csv
import importlib
import io
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from pathlib import Path

import pandas as pd
import pytest
from markdown_it.token import Token
from pyarrow import parquet

from spreadplan.calibration import assumptions
from spreadplan.cli import build_parser, main
from spreadplan.reports import guide
from spreadplan.reports.guide import PAGES, guide_file, guide_page, guide_text, parsed, slug
from spreadplan.resources import resource
from spreadplan.runs import starting
from spreadplan.schema.policy import Policy
from spreadplan.schema.results import RESULTS
from spreadplan.schema.tables import TABLES
from spreadplan.views.result_guide import result_guide
from tests.web.visitors import PASSWORD, browser, signed_in

pytestmark = pytest.mark.usefixtures("blank_charts")

ROOT = Path(__file__).parents[1]
GUIDE = ROOT / "templates" / "guide"
DOCUMENTS = ("README.md", "DEVELOPERS.md", *(f"templates/guide/{name}.md" for name in PAGES))
METHODS = tuple(name for name in PAGES if name.startswith("method"))
NAMED_TRUCKS = ("TC-101", "TC-103", "TC-105")
NAMED_STORMS = ("2026-12-31-year-end-snow", "2027-01-07-deep-cold")


@cache
def tokens(document: str) -> tuple[Token, ...]:
    return tuple(parsed((ROOT / document).read_text(encoding="utf-8")))


def fences(document: str, kind: str) -> list[tuple[str, str]]:
    """What stands behind the word ``kind``, and the content, of each such block."""
    return [
        (one.info.removeprefix(kind).strip(), one.content)
        for one in tokens(document)
        if one.type == "fence" and one.info.split(" ")[0] == kind
    ]


def inline(document: str, kind: str) -> list[Token]:
    return [
        child
        for one in tokens(document)
        if one.type == "inline"
        for child in one.children or ()
        if child.type == kind
    ]


def codes(document: str) -> list[str]:
    return [one.content for one in inline(document, "code_inline")]


def plain(token: Token) -> str:
    return "".join(child.content for child in token.children or ())


def tables(document: str, part: str | None = None) -> list[list[list[Token]]]:
    """Tables as rows of cells; only those below a heading, if one is named."""
    found: list[list[list[Token]]] = []
    here = part is None
    stream = tokens(document)
    for place, one in enumerate(stream):
        if one.type == "heading_open" and part is not None:
            here = plain(stream[place + 1]) == part
        elif one.type == "table_open" and here:
            found.append([])
        elif one.type == "tr_open" and here and found:
            found[-1].append([])
        elif one.type in ("th_open", "td_open") and here and found:
            found[-1][-1].append(stream[place + 1])
    return found


def cell_codes(cell: Token) -> list[str]:
    return [child.content for child in cell.children or () if child.type == "code_inline"]


# --- commands ------------------------------------------------------------------------------------


EVENING = "2026-12-31-year-end-snow"
"""The storm that the demo plays."""


@dataclass
class Desk:
    """A folder in which somebody follows the documents."""

    folder: Path
    tried: list[str] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)
    kinds: set[tuple[str, ...]] = field(default_factory=set)
    served: str = ""

    def follow(self, document: str) -> None:
        """Write the files that a document shows and run its commands, in their order."""
        for one in tokens(document):
            if one.type != "fence":
                continue
            kind, _, rest = one.info.partition(" ")
            if kind == "csv":
                self._show(rest, one.content)
            for line in one.content.splitlines() if kind == "sh" else ():
                self.run(document, line.partition("#")[0].strip())

    def _show(self, name: str, content: str) -> None:
        """Write a file that a document shows, in the season of the starter workspace."""
        county = self.folder / "my-county"
        year = (county / "storms/first-storm/forecast.csv").read_text().split("\n*,")[1][:5]
        (county / name).parent.mkdir(parents=True, exist_ok=True)
        (county / name).write_text(content.replace("2026-", year))

    def run(self, document: str, command: str) -> None:
        if not command:
            return
        self.tried.append(command)
        with contextlib.chdir(self.folder):
            said = io.StringIO()
            try:
                with contextlib.redirect_stderr(said), contextlib.redirect_stdout(io.StringIO()):
                    code = self._try(shlex.split(command))
            except SystemExit as stopped:
                code = stopped.code
            if code:
                self.failed.append(f"{document}: {command}: {code}: {said.getvalue()}")

    def _try(self, words: list[str]) -> object:
        while re.match(r"[A-Z]+=", words[0]):  # set for the command alone
            words = words[1:]
        if words[:3] == ["pip", "install", "."]:
            return not (ROOT / "pyproject.toml").is_file()
        if words[0] == "bash":
            script = ROOT / words[1]
            return not os.access(script, os.X_OK) or subprocess.call(["bash", "-n", script])
        if words[0] == ".venv/bin/pytest":
            marks = [word for option, word in pairwise(words) if option == "-m"]
            known = (ROOT / "pyproject.toml").read_text()
            return [mark for mark in marks if f'"{mark}: ' not in known]
        if words[0] == ".venv/bin/python":
            script = words[1] if words[1] != "-m" else words[2].replace(".", "/") + ".py"
            return not ast.parse((ROOT / script).read_text())
        if words[0] == ".venv/bin/pytest":  # its options are read, and it runs nothing
            return subprocess.call(
                [sys.executable, "-m", "pytest", *words[1:], "--version"],
                cwd=ROOT,
                stdout=subprocess.DEVNULL,
            )
        if words[0] != "spreadplan":
            return "no way to try this"
        if words[1] == "serve":
            return self._serve(words[1:])
        given = build_parser().parse_args(words[1:])
        # an issue of one storm is none of another, and is packed later
        storm_too = words[3:4] if words[1] == "issue" else []
        options = sorted(word for word in words if word.startswith("--"))
        kind = (*words[1:3], *storm_too, *options)
        if kind in self.kinds:  # on this county, if with another storm or date
            storm = given.folder / "storms" / getattr(given, "storm", "")
            return not storm.is_dir() and f"{storm} is not there"
        self.kinds |= {kind}
        if words[1] == "demo":  # it runs these itself
            self.kinds |= {(one, words[2]) for one in ("check", "calibrate", "reconcile", "season")}
            self.kinds |= {("plan", words[2], "--at")}
            self.kinds |= {("issue", words[2], EVENING, "--at", "--by", "--note")}
        more = ["--no-pdf"] if getattr(given, "no_pdf", None) is False else []
        return main([*words[1:], *more])

    def _serve(self, words: list[str]) -> object:
        """Once for real, on a free port; after that the folder must be there."""
        given = build_parser().parse_args(words)
        if self.served:
            return not given.folder.is_dir()
        program = [sys.executable, "-m", "spreadplan.cli", *words, "--port", "0"]
        path = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}
        with subprocess.Popen(program, stdout=subprocess.PIPE, text=True, env=path) as server:
            assert server.stdout
            line = server.stdout.readline()
            address = re.search(r"http://\S+", line)
            try:
                if address:
                    with urllib.request.urlopen(f"{address[0]}guide/planner", timeout=20) as page:
                        self.served = page.read().decode()
            finally:
                server.terminate()
        return not self.served


def small_county(folder: Path) -> Path:
    """The sample county with the trucks and storms that the guide names, one truck recorded."""
    whole, county = resource("sample_routes") / "county", folder / "sample" / "county"
    shutil.copytree(whole, county, ignore=shutil.ignore_patterns("20*", "telemetry"))
    for storm in NAMED_STORMS:
        shutil.copytree(
            whole / "storms" / storm,
            county / "storms" / storm,
            ignore=shutil.ignore_patterns("telemetry"),
        )
    assigned = pd.read_csv(county / "assignments.csv")
    routes = assigned["route_id"][assigned["truck_id"].isin(NAMED_TRUCKS)]
    tests = pd.read_csv(county / "discharge_tests.csv")
    kept = {
        "truck_id": set(NAMED_TRUCKS),
        "route_id": {*routes, "*"},
        "test_id": set(tests["test_id"][tests["truck_id"].isin(NAMED_TRUCKS)]),
    }
    for path in county.rglob("*.csv"):
        rows = pd.read_csv(path, dtype=str, keep_default_na=False)
        for column in kept.keys() & set(rows):
            rows = rows[rows[column].isin(kept[column])]
        if "scope" in rows:
            rows = rows[(rows["scope"] != "route") | rows["scope_id"].isin(kept["route_id"])]
        if "counted_at" in rows:
            rows = rows[rows["counted_at"] < "2027-01-10"]
        rows.to_csv(path, index=False)
    roads = json.loads((county / "routes.geojson").read_text())
    roads["features"] = [
        one for one in roads["features"] if one["properties"]["route_id"] in kept["route_id"]
    ]
    (county / "routes.geojson").write_text(json.dumps(roads))
    shown = f"storms/{NAMED_STORMS[0]}/telemetry"
    records = pd.read_parquet(whole / shown / "closed_loop.parquet")
    (county / shown).mkdir()
    records[records["truck_id"] == "TC-103"].to_csv(county / shown / "records.csv", index=False)
    return county.parent


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    """Every document followed: the guide from its first page on, then the others."""
    folder = tmp_path_factory.mktemp("desk")
    small = small_county(folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(starting, "resource", lambda name: small if name == "sample_routes" else None)
        patch.setattr(sys, "stdin", io.StringIO(f"{PASSWORD}\n"))
        one = Desk(folder / "guide")
        one.folder.mkdir()
        for document in DOCUMENTS[2:]:
            one.follow(document)
        for document in DOCUMENTS[:2]:
            one.follow(document)
        yield one


def test_every_command_of_the_documents_works(desk: Desk):
    assert desk.failed == []
    assert len(desk.tried) > 30
    assert "For the winter operations planner" in desk.served


def test_the_example_storm_ends_as_the_guide_says(desk: Desk):
    found = pd.read_csv(desk.folder / "my-county/results/first-storm/use_segments.csv")
    assert f"the verdict is `{found['verdict'].item()}`" in guide_text("first-storm")
    assert 0.4 < (found["applied_lb"] / found["planned_lb"]).item() < 0.7


def test_the_demos_storm_goes_as_the_tutorial_says(desk: Desk):
    county, storm = desk.folder / "tamarack-county", "2026-12-31-year-end-snow"
    judge_demo(county / "storms" / storm / "issued", county / "results" / storm)


def judge_demo(issued: Path, results: Path) -> None:
    """What the README says of the evening: two issues, who takes over, what is judged by which."""
    assert sorted(path.name for path in issued.glob("[0-9]*")) == ["1", "2"]
    first, second = (pd.read_csv(issued / f"{n}/plan_segments.csv") for n in (1, 2))
    assert set(first.loc[first["route_id"].isin(["R01", "R12"]), "truck_id"]) == {"TC-101"}
    assert "TC-101" not in set(second["truck_id"])
    assert {"R01", "R12"} <= set(second["route_id"])
    keys = ["application", "segment_id"]
    rate = "target_rate_lb_per_lane_mile"
    both = (
        first.groupby(keys)[rate]
        .max()
        .to_frame()
        .join(second.groupby(keys)[rate].max().rename(f"{rate}_after"), how="inner")
    )
    colder = (both[f"{rate}_after"] > both[rate]).groupby("application").any()
    assert colder.to_dict() == {1: False, 2: True}
    moved = pd.read_csv(issued / "2/plan_reassigned.csv")
    assert set(moved["from_truck"]) == {"TC-101"}
    assert {*zip(moved["route_id"], moved["application"], strict=True)} >= {
        ("R12", 1),
        ("R01", 2),
        ("R12", 2),
    }
    assert "as_assigned" in set(pd.read_csv(results / "plan_options.csv")["option"])
    cards = [len([*(issued / n / "cab_cards").glob("*.html")]) for n in "12"]
    assert 0 < cards[1] < cards[0]
    use = pd.read_csv(results / "use_segments.csv")
    assert set(use["issue"].dropna().astype(str)) == {"1;2", "2"}
    late = use.loc[use["issue"].astype(str) == "2", "route_id"]
    assert "R12" in set(late)  # what TC-102 went on with


def test_measured_figures_are_those_of_the_developers_notes():
    notes = (ROOT / "DEVELOPERS.md").read_text()
    figures = re.findall(r"show (\d+\.\d %)", guide_text("limits"))
    assert figures
    for figure in figures:
        assert figure in notes, figure


def test_commands_in_other_blocks_are_at_least_understood():
    lines = [
        line
        for document in DOCUMENTS
        for _, content in fences(document, "text")
        for line in content.splitlines()
        if line.startswith("spreadplan ")
    ]
    assert len(lines) >= 2
    for line in lines:
        build_parser().parse_args(shlex.split(line)[1:])


def the_commands() -> dict[str, set[str]]:
    """Every command of the program with its options."""
    found = next(a.choices for a in build_parser()._actions if isinstance(a.choices, dict))
    return {
        name: {
            option
            for action in parser._actions
            for option in action.option_strings
            if option.startswith("--") and option != "--help"
        }
        for name, parser in found.items()
    }


def test_the_readme_has_every_command_and_option():
    text = (ROOT / "README.md").read_text()
    rows = [plain(row[0]) for row in tables("README.md")[0][1:]]
    named = {word for row in rows for word in re.findall(r"\b[a-z]+\b", row)}
    shown = " ".join(
        " ".join(codes(name)) + " ".join(t.content for t in tokens(name)) for name in DOCUMENTS
    )
    for command, options in the_commands().items():
        assert command in named, command
        for option in options:
            assert option in shown, f"{command} {option}"
    for option in set().union(*the_commands().values()):
        assert option in text, option


def test_every_option_that_is_named_exists():
    known = set().union({"--help", "--version"}, *the_commands().values())
    scripts = [*(ROOT / "tests/benchmarks").rglob("*.py"), *(ROOT / ".ci").iterdir()]
    others = {
        option
        for path in scripts
        for option in re.findall(r"--[a-z][a-z-]+", path.read_text(encoding="utf-8"))
    }
    for document in DOCUMENTS:
        for code in codes(document):
            for option in re.findall(r"(?<![\w-])--[a-z][a-z-]+", code):
                assert option in known | others, f"{document}: {option}"


# --- links, pages, names -------------------------------------------------------------------------


def headings(document: str) -> set[str]:
    stream = tokens(document)
    return {
        slug(plain(stream[place + 1]))
        for place, one in enumerate(stream)
        if one.type == "heading_open"
    }


def test_every_link_of_the_documents_leads_somewhere():
    seen = 0
    for document in DOCUMENTS:
        for one in [*inline(document, "link_open"), *inline(document, "image")]:
            href = str(one.attrs.get("href") or one.attrs.get("src"))
            assert not href.startswith("http"), f"{document}: {href} is not ours"
            path, _, heading = href.partition("#")
            target = (ROOT / document).parent / path if path else ROOT / document
            assert target.exists(), f"{document}: {href}"
            if heading:
                assert heading in headings(str(target.resolve().relative_to(ROOT))), href
            seen += 1
    assert seen > 30


def test_the_folder_holds_the_pages_that_are_shown():
    assert sorted(PAGES) == sorted(path.stem for path in GUIDE.glob("*.md"))
    drawn = {str(one.attrs["src"]) for name in DOCUMENTS for one in inline(name, "image")}
    assert drawn == {path.name for path in GUIDE.glob("*.svg")}


def test_the_guide_as_one_file_is_whole():
    page = guide_file("letter")
    ids = re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    targets = re.findall(r'href="([^"]+)"', page)
    assert {one for one in targets if not one.startswith("#")} == {"about-the-files.html"}
    assert {one[1:] for one in targets if one.startswith("#")} <= set(ids)
    assert page.count("<svg ") == sum(len(inline(name, "image")) for name in DOCUMENTS)
    assert "<script" not in page
    assert not re.search(r'(?:src|href)="(?:https?:)?//', page)


def test_html_in_a_page_is_text(monkeypatch):
    monkeypatch.setattr(
        guide, "guide_text", lambda _name: "# T\n\n<b>x</b> [a](javascript:alert(1))\n\n<script>1\n"
    )
    body = guide_page("trust", lambda name, heading: f"/{name}#{heading}", "/files").body
    assert "&lt;script&gt;" in body
    assert "&lt;b&gt;" in body
    assert "href=" not in body


@pytest.mark.slow
def test_the_guide_in_the_browser(workspace):
    folder = workspace()
    outsider = browser(folder, loopback_only=False)
    reader = signed_in(folder, "read")
    assert outsider.get("/guide", follow_redirects=False).status_code == 303
    assert 'href="/guide"' in reader.get("/").text
    addresses = set(re.findall(r'href="(/guide/[^"#]+)', reader.get("/guide").text))
    assert addresses == {f"/guide/{name}" for name in (*PAGES, "whole", "files")}
    shown = {address: reader.get(address) for address in addresses}
    for address, page in shown.items():
        assert page.status_code == 200, address
        if address in ("/guide/whole", "/guide/files"):
            assert "sandbox" in page.headers["content-security-policy"]
            continue
        assert " style=" not in page.text, f"{address}: a style that the browser will not apply"
        for target, _, heading in (
            one.partition("#") for one in re.findall(r'href="(/guide/[^"]+)"', page.text)
        ):
            assert target in shown, f"{address}: {target}"
            assert not heading or f'id="{heading}"' in shown[target].text, f"{target}#{heading}"
    assert reader.get("/guide/nothing").status_code == 404
    assert reader.get("/guide/..%2fparts").status_code == 404
    with pytest.raises(KeyError):
        guide_text("../parts")


def test_screens_are_called_what_they_are_called():
    templates = [
        *(ROOT / "templates/web").glob("*.html"),
        *(ROOT / "templates/static").glob("*.js"),
    ]
    shown = "\n".join(path.read_text() for path in templates)
    seen = 0
    for name in PAGES:
        for line in guide_text(name).splitlines():
            if "browser" in line:
                for label in re.findall(r"\*\*([^*]+)\*\*", line):
                    assert label in shown, f"{name}: {label}"
                    seen += 1
    assert seen >= 8


FILE_NAME = re.compile(r"^[\w./*-]+\.(csv|html|pdf|gpkg|parquet|toml|geojson|xlsx|py|md|svg|txt)$")


def test_every_file_that_is_named_exists(desk: Desk):
    written = {path.relative_to(desk.folder).as_posix() for path in desk.folder.rglob("*")}
    ours = {
        path.relative_to(ROOT).as_posix()
        for root in (
            ROOT / "tests",
            ROOT / "templates",
            ROOT / "spreadplan",
            ROOT / "sample_routes",
        )
        for path in root.rglob("*")
    }
    known = [
        *written,
        *ours,
        *(table.file for table in TABLES.values()),
        "pyproject.toml",
        "README.md",
        "DEVELOPERS.md",
        ".ci/constraints.txt",
        "scarce/plan_scarce.csv",
        "run/moves.json",
        *(f"storms/STORM/{one.file}" for one in TABLES.values()),
        *(
            f"{folder}{name}.{one.ending}"
            for name, one in RESULTS.items()
            if name.startswith(NOT_IN_THE_COUNTY)
            for folder in ("calibration/", "")
        ),
        "Loads.csv",
        "loads.xlsx",
    ]  # the last two as names that are not read
    endings = {
        name[at:] for name in known for at in (0, *(m.end() for m in re.finditer("/", name)))
    }
    missing = [
        f"{document}: {code}"
        for document in DOCUMENTS
        for code in codes(document)
        if FILE_NAME.match(code) and "*" not in code and code not in endings
    ]
    assert missing == []


@pytest.mark.slow
def test_the_messages_are_what_the_program_says():
    said = "".join(
        "".join(
            node.value
            for node in ast.walk(ast.parse(path.read_text()))
            if isinstance(node, ast.Constant) and isinstance(node.value, str)
        )
        for path in (ROOT / "spreadplan").rglob("*.py")
    )
    document = "templates/guide/messages.md"
    rows = [
        row
        for part in ("Common problems", "The web application")
        for table in tables(document, part)
        for row in table[1:]
    ]
    assert len(rows) > 15
    for row in rows:
        for phrase in cell_codes(row[0]):
            assert phrase in said or FILE_NAME.match(phrase), phrase


# --- columns, symbols, figures -------------------------------------------------------------------


def sections(document: str) -> list[tuple[str, set[str]]]:
    """Source and code words of everything below each second or third heading."""
    parts: list[tuple[list[str], set[str]]] = [([], set())]
    for one in tokens(document):
        if one.type == "heading_open" and one.tag in ("h2", "h3"):
            parts.append(([], set()))
        if one.type == "inline":
            parts[-1][0].append(one.content)
            parts[-1][1].update(c.content for c in one.children or () if c.type == "code_inline")
    return [("\n".join(source), words) for source, words in parts]


def written_tables(desk: Desk) -> dict[str, list[str]]:
    """The columns of every table that the guide's commands wrote."""
    found: dict[str, list[str]] = {}
    for path in desk.folder.glob("*/results/**/*"):
        if path.suffix == ".csv":
            with path.open(encoding="utf-8", newline="") as handle:
                columns = next(csv.reader(handle))
        elif path.suffix == ".parquet":
            columns = parquet.read_schema(path).names
        else:
            continue
        assert found.setdefault(path.name, columns) == columns, path.name
    return found


#: results of what the sample county does not have, as liquid tests, brine, lots, records of plows
NOT_IN_THE_COUNTY = (
    "plan_scarce",
    "plan_reassigned",
    "plan_areas",
    "liquid",
    "nozzles",
    "brine",
    "use_ahead_of_plow",
    "use_buckets",
    "use_driver_log",
    "use_temperatures",
)


def test_every_result_column_is_explained(desk: Desk):
    """Each file has the columns of its schema in their order; the guide's page is made from it."""
    found = written_tables(desk)
    assert len(found) > 35
    described = {f"{one.name}.{one.ending}": one.names for one in RESULTS.values()}
    assert {name: columns for name, columns in found.items() if columns != described[name]} == {}
    unseen = described.keys() - found.keys()
    assert {name for name in unseen if not name.startswith(NOT_IN_THE_COUNTY)} == set()
    assert (ROOT / "templates/guide/results.md").read_text() == result_guide()


WORDS = {
    "if",
    "else",
    "and",
    "only",
    "for",
    "max",
    "min",
    "sum",
    "ln",
    "exp",
    "cos",
    "ceil",
    "mean",
    "prod",
}
SUBSCRIPTS = str.maketrans("", "", "₀₁₂₃₄₅₆₇₈₉")


def symbols_of(text: str) -> set[str]:
    """The symbols in a formula or in a cell of a table of symbols, without what stands below them.

    >>> sorted(symbols_of("u(x)² = sum_truck(m_i f₀)"))
    ['f', 'm', 'u', 'x']
    """
    text = re.sub(r"[ᵀ⁻¹²⁴√∞^]", " ", text.translate(SUBSCRIPTS))
    bases = {word.split("_")[0] for word in re.findall(r"[^\W\d][\w′]*", text)}
    return bases - WORDS


@pytest.mark.parametrize("name", METHODS)
def test_every_symbol_of_a_formula_is_in_the_table(name):
    document = f"templates/guide/{name}.md"
    rows = [
        row for table in tables(document) if plain(table[0][0]) == "symbol" for row in table[1:]
    ]
    known = set().union(*(symbols_of(code) for row in rows for code in cell_codes(row[0])))
    formulas = [content for _, content in fences(document, "formula")]
    assert len(known) > 5
    used = set().union(*(symbols_of(content) for content in formulas))
    assert used - known == set()
    listed = {id(cell) for row in rows for cell in row}
    prose = [
        one.content for one in tokens(document) if one.type == "inline" and id(one) not in listed
    ]
    named = set(re.findall(r"[^\W\d_]′?", " ".join([*formulas, *prose]).translate(SUBSCRIPTS)))
    assert known - named - {one for one in known if len(one) > 1} == set()


def numbers(value: object) -> list[float]:
    if isinstance(value, dict):
        return [float(one) for one in value.values()]
    if isinstance(value, tuple):
        return [float(one) for one in value]
    return [float(value)]  # type: ignore[arg-type]


def test_assumed_figures_are_those_of_the_code():
    table = tables("templates/guide/sources.md", "Assumed figures")[0]
    named = set()
    for row in table[1:]:
        expected: list[float] = []
        for code in cell_codes(row[2]):
            module, _, name = code.rpartition(".")
            expected += numbers(getattr(importlib.import_module(f"spreadplan.{module}"), name))
            named.add(code)
        assert [float(one) for one in plain(row[1]).split(", ")] == expected, plain(row[0])
    wanted = {f"calibration.assumptions.{one}" for one in vars(assumptions) if one.isupper()}
    assert wanted <= named


def test_the_policys_defaults_are_those_of_the_code():
    text = guide_text("method")
    found = dict(re.findall(r"`([a-z_]+)` ([\d.]+)", text))
    silent = Policy()
    for name in (
        "over_pct",
        "under_pct",
        "confidence",
        "calibration_pct",
        "calibration_max_age_days",
    ):
        assert float(found[name]) == getattr(silent, name), name
    assert f"`[sensitive] factor` {silent.sensitive_factor:g}" in text


def test_every_published_check_is_listed():
    listed = {
        code
        for row in tables("templates/guide/trust.md", "Published sources")[0][1:]
        for code in cell_codes(row[0])
    }
    assert listed == {path.name for path in (ROOT / "tests/published").glob("test_*.py")}


def test_new_and_demo_write_the_guide_beside_the_files(desk: Desk):
    for county in ("my-county", "tamarack-county"):
        for name in ("guide.html", "about-the-files.html"):
            assert "<h1>" in (desk.folder / county / name).read_text(), f"{county}: {name}"
