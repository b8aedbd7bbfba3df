from __future__ import annotations

import base64
import importlib.abc
import io
import sys
from contextlib import contextmanager
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import ClassVar

import jinja2
import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader

from spreadplan.reports import render
from spreadplan.reports.cab_card import CardIssue, cab_cards
from spreadplan.reports.pdf_writers import PdfWriters, pdf_writers
from tests.reports.hard_workspace import LONG


def place_in(root: Path):
    def place(name: str) -> Path:
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        return path

    return place


@cache
def pdf_of(page: str) -> PdfReader:
    """The PDF of a page; several tests look at the same one."""
    with TemporaryDirectory() as folder:
        source = Path(folder) / "page.html"
        source.write_text(page, encoding="utf-8")
        render.write_pdf(source, source.with_suffix(".pdf"))
        return PdfReader(io.BytesIO(source.with_suffix(".pdf").read_bytes()))


def sheet(body: str) -> str:
    return f'<!doctype html><html lang="en"><title>t</title><body>{body}</body></html>'


def test_certificates_are_one_page_and_a_second_only_for_more_tests(pages):
    for name, page in pages.items():
        if "_certificate_" not in name:
            continue
        more = "Tests, continued" in page
        assert len(pdf_of(page).pages) == 1 + more, name
        assert more == name.endswith(LONG), name


def test_work_sheet_is_one_page(pages):
    for units in ("us", "metric"):
        assert len(pdf_of(pages[f"{units}_work_sheet"]).pages) == 1


def test_a_cab_card_is_one_page(pages, hard_us):
    cards = {name: page for name, page in pages.items() if "_card_" in name}
    assert len(cards) == 2 * len(hard_us.plan.routes) == 24
    for name, page in cards.items():
        assert page.count('<main class="cab') == 1
        assert len(pdf_of(page).pages) == 1, name


@pytest.mark.slow
@pytest.mark.parametrize(("units", "paper"), [("us", "letter"), ("metric", "A4")])
@pytest.mark.parametrize("changes", [12, 30, 60])
def test_a_cab_card_of_many_changes_is_one_page(hard_us, hard_metric, units, paper, changes):
    made = hard_us if units == "us" else hard_metric
    assert made.setting.paper == paper
    table = made.plan.settings.copy()
    mine = np.flatnonzero((table["route_id"] == "sixty") & (table["application"] == "1"))
    part = np.arange(len(mine)) * (changes + 1) // len(mine)
    table.loc[table.index[mine], "feeder_pct"] = 20.0 + 7.5 * (part % 5)
    table.loc[table.index[mine], "status"] = "ok"
    plan = replace(made.plan, settings=table)
    areas = made.workspace.table("sensitive_areas")
    setting = replace(made.setting, call="Dispatch of the northern district 555-0142")
    cards = dict(cab_cards(plan, areas, setting, made.calibration.as_of, issue=CardIssue(12, 11)))
    card = next(page for name, page in cards.items() if name.startswith("Avery"))
    shown = len(set(zip(part, table["area_id"].iloc[mine] != "", strict=True)))
    assert card.count('font-weight="700"') >= shown > min(changes, 50)
    pdf = pdf_of(card)
    assert len(pdf.pages) == 1
    text = pdf.pages[0].extract_text()
    for vital in ("Guidance, not an order", "Not while moving", "issue 12, replaces", "555-0142"):
        assert vital in text


def test_every_change_stands_on_the_card(hard_us, pages):
    settings = hard_us.plan.settings
    mine = settings[(settings["route_id"] == "sixty") & (settings["application"] == "1")]
    assert len(mine) > 10
    card = next(page for name, page in pages.items() if name.startswith("us_card_Avery"))
    text = "\n".join(page.extract_text() for page in pdf_of(card).pages)
    dial = mine["feeder_pct"].fillna(-1.0)
    for mile in mine.loc[dial != dial.shift(), "from_mi"]:
        assert f"{mile:.1f}" in text


def test_pdf_is_tagged_and_describes_its_charts(pages):
    catalog = pdf_of(pages[f"us_certificate_{LONG}"]).trailer["/Root"]
    assert catalog["/MarkInfo"]["/Marked"]
    figures = [one for one in structure(catalog["/StructTreeRoot"]) if one.get("/S") == "/Figure"]
    assert len(figures) == 1
    assert "at 50 % output" in figures[0]["/Alt"]


def structure(node):
    """Every element of a PDF's structure tree."""
    node = node.get_object()
    if isinstance(node, list):
        for one in node:
            yield from structure(one)
    elif isinstance(node, dict):
        yield node
        if "/K" in node:
            yield from structure(node["/K"])


@pytest.mark.slow
def test_pdf_reads_neither_files_nor_other_hosts(tmp_path):
    picture = io.BytesIO()
    Image.new("RGB", (4, 4), "red").save(picture, "PNG")
    (tmp_path / "red.png").write_bytes(picture.getvalue())
    inside = "data:image/png;base64," + base64.b64encode(picture.getvalue()).decode()
    refused = f'<img src="{(tmp_path / "red.png").as_uri()}"><img src="http://127.0.0.1:9/a.png">'
    assert len(pdf_of(sheet(refused)).pages[0].images) == 0
    assert len(pdf_of(sheet(f'<img src="{inside}">')).pages[0].images) == 1


def test_pdf_is_the_same_every_time(pages, tmp_path):
    source = tmp_path / "a.html"
    source.write_text(pages["us_plan"], encoding="utf-8")
    for name in ("one.pdf", "two.pdf"):
        render.write_pdf(source, tmp_path / name)
    assert (tmp_path / "one.pdf").read_bytes() == (tmp_path / "two.pdf").read_bytes()


def progress_into(done: list[int]):
    """Progress that notes how many reports there are, then each."""

    @contextmanager
    def progress(total: int):
        assert total > 0
        yield lambda: done.append(1)

    return progress


def test_writers_that_wait_get_each_page_before_the_next_is_made(tmp_path):
    seen, done = [], []

    def pages():
        yield "a", sheet("a")
        seen.extend(writers.given)
        yield "b", sheet("b")

    class Noted(PdfWriters):
        given: ClassVar[list[str]] = []

        def add(self, source, target):
            self.given.append(source.name)
            super().add(source, target)

    with pdf_writers(1) as ready:
        writers = Noted(ready._pool, ready._begun)
        progress = progress_into(done)
        assert render.write_all(place_in(tmp_path), pages(), True, progress, writers) is None
    assert seen == ["a.html"]
    assert len(done) == 2
    assert len(PdfReader(tmp_path / "b.pdf").pages) == 1


def test_where_no_process_starts_the_reports_are_written_all_the_same(tmp_path):
    done = []
    pages = [(name, sheet(name)) for name in ("a", "b")]
    nobody = PdfWriters(None, [])
    assert not nobody.possible()
    assert render.write_all(place_in(tmp_path), pages, True, progress_into(done), nobody) is None
    assert len(done) == 2
    assert len(PdfReader(tmp_path / "b.pdf").pages) == 1


@pytest.mark.slow
def test_many_reports_are_written_in_other_processes(tmp_path, monkeypatch):
    done = []
    names = [f"cards/{number}" for number in range(3)]
    monkeypatch.setattr(render, "FEW", len(names) - 1)
    elsewhere, really = [], render.pdf_writers
    monkeypatch.setattr(render, "pdf_writers", lambda many: elsewhere.append(many) or really(many))
    left_out = render.write_all(
        place_in(tmp_path), [(name, sheet(name)) for name in names], True, progress_into(done)
    )
    assert left_out is None
    assert elsewhere == [render.WORKERS]
    assert len(done) == 3
    for name in names:
        assert len(PdfReader(tmp_path / f"{name}.pdf").pages) == 1


@pytest.mark.slow
def test_few_reports_are_not_worth_starting_other_processes(tmp_path, monkeypatch):
    monkeypatch.setattr(render, "pdf_writers", lambda many: pytest.fail("started"))
    done = []
    pages = [(name, sheet(name)) for name in ("a", "b")]
    assert render.write_all(place_in(tmp_path), pages, True, progress_into(done)) is None
    assert len(done) == 2
    assert len(PdfReader(tmp_path / "b.pdf").pages) == 1


def test_html_alone_when_no_pdf_is_wanted(tmp_path):
    assert render.write_all(place_in(tmp_path), [("a", sheet("a"))], False) is None
    assert (tmp_path / "a.html").read_text(encoding="utf-8") == sheet("a")
    assert not (tmp_path / "a.pdf").exists()


class NoPango(importlib.abc.MetaPathFinder):
    """What happens where the system library is not installed."""

    def find_spec(self, name, path=None, target=None):
        if name == "weasyprint":
            raise OSError("cannot load library 'libpango-1.0-0'")
        return


def test_missing_system_library_leaves_the_html_and_says_what_to_install(tmp_path, monkeypatch):
    monkeypatch.delitem(sys.modules, "weasyprint", raising=False)
    monkeypatch.setattr(sys, "meta_path", [NoPango(), *sys.meta_path])
    done = []
    said = render.write_all(
        place_in(tmp_path), [("a", sheet("a")), ("b", sheet("b"))], True, progress_into(done)
    )
    assert said == render.PDF_LEFT_OUT
    assert "apt install libpango-1.0-0" in said
    assert "\n" not in said
    assert (tmp_path / "a.html").exists()
    assert not (tmp_path / "a.pdf").exists()
    assert len(done) == 2


def test_a_forgotten_value_is_an_error_not_a_gap():
    with pytest.raises(jinja2.UndefinedError):
        render.html("work_sheet.html", title="t")


def test_long_words_may_break_and_are_still_escaped():
    shown = str(render.breakable("<i>" + "x" * 40))
    assert "<i>" not in shown
    assert "<wbr>" in shown
    assert str(render.breakable("rock_salt, gate 3 in")) == "rock_salt, gate 3 in"
