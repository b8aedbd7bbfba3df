"""The season's two reports and its workbook, on a season small enough to check by hand."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np
import openpyxl
import pandas as pd
import pytest

from spreadplan.reconcile.balance import balance_between_counts
from spreadplan.remarks import Finding, findings_table, merged_findings, remark
from spreadplan.reports.environment_report import environment_report
from spreadplan.reports.season_report import season_report
from spreadplan.results.workbook import HEADER_ROW, write_workbook
from spreadplan.schema.results import RESULTS
from spreadplan.schema.sheets import Sheet
from spreadplan.season import work_out_season
from spreadplan.season.records import record_findings
from spreadplan.views.display import KINDS, Display
from spreadplan.views.season_sheets import season_sheets, sheet_of
from spreadplan.views.season_view import (
    OFFICER,
    SUPERINTENDENT,
    SeasonView,
    headlines,
    other_findings,
)
from spreadplan.views.setting import Setting
from spreadplan.views.voice import Voice
from spreadplan.views.words import WORDS
from tests.reports.test_render import pdf_of, structure
from tests.said import US
from tests.season import test_records
from tests.season.season_tables import areas, season_days, segments
from tests.season.test_season import DAYS, inputs

pytestmark = pytest.mark.slow

SCRIPT = "<script>alert(1)</script>"
FINGERPRINT = "0123456789abcdef"
DAY = pd.Timestamp("2027-01-01T12:00Z")


def storms_with_one_clear_excess():
    """Four storms; in the last one R2-c got half as much again as was allowed."""
    *others, last = season_days(*DAYS)
    rows = last.segments
    rows = rows.assign(
        applied_lb=rows["applied_lb"].where(rows["route_id"] != "R2", 1.5 * rows["allowed_lb"])
    )
    return [*others, replace(last, segments=rows)]


def made(**changes) -> SeasonView:
    given = inputs(**({"storms": storms_with_one_clear_excess()} | changes))
    found = work_out_season(given)
    history = test_records.history()
    balances = balance_between_counts(
        test_records.counts(),
        test_records.deliveries(),
        test_records.tickets("loaded_at"),
        test_records.tickets("returned_at"),
    )
    merged = merged_findings(found.findings, record_findings(history, balances))
    kept = areas().iloc[:0] if given.sensitive_areas is None else given.sensitive_areas
    return SeasonView(
        result=replace(found, findings=findings_table(merged)),
        storms=given.storms,
        history=history,
        books=balances,
        routes=given.routes,
        areas=kept,
        policy=given.policy,
        fingerprint=FINGERPRINT,
        absent=("budgets.csv",),
    )


@cache
def usual() -> SeasonView:
    """The season as it is, made once."""
    return made()


def setting(units="us") -> Setting:
    return Setting("Small", Voice(Display(units, ZoneInfo("America/Chicago"))), "letter")


@pytest.fixture(scope="module")
def pages() -> dict[str, str]:
    view = usual()
    return {
        f"{units}_{name}": write(view, setting(units))
        for units in ("us", "metric")
        for name, write in (("season", season_report), ("environment", environment_report))
    }


def plain(page: str) -> str:
    """The words of a page."""
    text = re.sub(r"<style.*?</style>|<svg.*?</svg>|<wbr>", "", page, flags=re.DOTALL)
    text = re.sub(r"<[^>]+>", " ", text).replace("\xa0", " ").replace("&#39;", "'")
    return re.sub(r"\s+", " ", text)


# --- what comes first --------------------------------------------------------------------------


def test_the_three_that_matter_most_come_first_problems_before_cautions():
    view = usual()
    said = US.table(view.result.findings)
    first = headlines(said, SUPERINTENDENT)
    assert len(first) == 3
    tones = [one["tone"] for one in first]
    assert tones == sorted(tones, key=["bad", "warn", "none", "good"].index)
    assert first[0]["tone"] == "bad"
    assert {"Trucks", "Sensitive areas"} <= {one["title"] for one in first}
    left = other_findings(said, SUPERINTENDENT)
    titles = {one["title"] for one in first}
    assert ("Yards" in titles) != any("yard Y1" in one["subject"] for one in left)


def test_a_kind_ranks_by_its_worst_finding():
    budget = remark("of_budget", scope="agency *", material="salt")
    one, two = (remark("truck_with", truck=name, material="salt") for name in ("T1", "T2"))
    more = remark("spreads_more", off_pct=9.0, low_pct=5.0, high_pct=13.0, drift=())
    found = US.table(
        findings_table(
            [
                Finding("caution", budget, remark("overspent", used_lb=9e3, budget_lb=8e3)),
                Finding("note", two, more),
                Finding("problem", one, more),
                Finding(
                    "caution",
                    remark("yard_with", yard="Y1", material="salt"),
                    remark(
                        "books_differ",
                        difference=(4e4, 5e3),
                        more=remark("more"),
                        until=DAY,
                        since=DAY,
                    ),
                ),
            ]
        )
    )
    first = headlines(found, SUPERINTENDENT)
    assert [one["title"] for one in first] == ["Trucks", "Budgets", "Yards"]
    assert (first[0]["subject"], first[0]["also"]) == (
        "truck T1, salt",
        ["truck T2, salt: spreads 9 % more than it reports (95 %: +5 to +13 %)"],
    )


def test_where_nothing_is_wrong_it_is_said():
    none = findings_table([])
    first = headlines(none, OFFICER)
    assert [one["tone"] for one in first] == ["good"] * 3
    assert "likely to be over" in first[0]["what"]


def test_the_headlines_stand_before_any_table(pages):
    for name, page in pages.items():
        assert page.index('<section class="first">') < page.index("<table"), name


# --- figures -----------------------------------------------------------------------------------


def test_reports_show_the_tons_of_the_tables(pages):
    """9,000 lb a storm times 0.6, 0.933, 1.267 and 1.6: 19.8 tons, 17.96 metric tonnes."""
    assert "19.8 tons" in plain(pages["us_season"])
    assert "18.0 t" in plain(pages["metric_season"])
    # chloride is 0.6 of it
    assert "11.9 tons" in plain(pages["us_environment"])


def test_metric_pages_have_no_us_unit_in_their_tables(pages):
    for name in ("metric_season", "metric_environment"):
        headers = " ".join(re.findall(r"<th[^>]*>([^<]*)</th>", pages[name]))
        assert "kg/lane-km" in headers
        assert not re.search(r"\btons\b|lane-mi|, lb\b|°F", headers), name


def test_what_the_measurement_does_not_support_is_shown_as_such(pages):
    page = plain(pages["us_environment"])
    assert "not supported" in page
    supported = page.index("Supported in single storms")
    doubtful = page.index("Above by the bare figures, not supported")
    assert supported < doubtful
    view = usual()
    sure = view.result.evidence["supported"].astype(bool)
    assert f"the measurement supports {int(sure.sum())}" in page
    assert (int(sure.sum()), len(sure)) == (1, 5)
    assert "R2 c" in page[supported:doubtful]
    assert "R2 c" not in page[doubtful : page.index("What lower rates in sensitive areas save")]


def test_screening_defers_to_samples_and_the_regulator(pages):
    page = plain(pages["us_environment"])
    assert WORDS["about_screening"] in page
    for limit in ("230 mg/L over 4 days", "860 mg/L over 1 h", "860 mg/L over 24 h"):
        assert limit in page


def test_both_readings_stand_in_the_report_and_what_is_not_known_is_said(pages):
    """9,120 lb in 6 h at 2 ft3/s, spread over the storm or within the hour, and no background."""
    page = plain(pages["us_environment"])
    start = page.index("Receiving water: screening")
    acute = page[page.index("EPA, acute", start) : page.index("Minnesota, maximum", start)]
    for reading, hours in (("spread over the storm", "6 h"), ("all within the averaging", "1 h")):
        assert reading in acute
        assert hours in acute
    assert "low flow and background are not known" in page[start:]
    assert "mean flow 2 ft³/s" in page[start:]
    assert "mean flow 0.06 m³/s" in plain(pages["metric_environment"])


def test_measured_and_borrowed_savings_stand_apart_and_the_liquid_is_counted(pages):
    page = plain(pages["us_season"])
    glance = page[page.index("storms so far") : page.index("Use against budget")]
    measured, borrowed = (
        glance.index(text) for text in ("still to gain, measured", "by a borrowed percentage")
    )
    assert "gal of liquid" not in glance[measured:borrowed]
    assert "gal of liquid" in glance[borrowed:]
    table = page[page.index("What better practice saves") :]
    for word in ("Known from", "Takes liquid, gal", "measured this season", "borrowed percentage"):
        assert word in table
    assert "still to gain prewetting borrowed percentage Salt" in table


def test_rows_of_evidence_carry_what_is_needed_to_act(pages):
    page = plain(pages["us_environment"])
    for word in ("Calibration in force", "Limit, lb/lane-mile", "95 %, lb/lane-mile", "Truck"):
        assert word in page
    # no calibration was read for these storms: it must be said
    assert "calibration not read" in page


# --- reproducible and safe ---------------------------------------------------------------------


def test_every_page_says_what_it_was_made_from(pages):
    for name in ("us_season", "us_environment"):
        reader = pdf_of(pages[name])
        for number, page in enumerate(reader.pages, 1):
            text = " ".join(page.extract_text().split())
            assert f"inputs {FINGERPRINT}" in text
            assert "data as of 2026-12-30" in text
            assert f"page {number} of {len(reader.pages)}" in text
            assert "spreadplan 0" in text
    assert "spreadplan season WORKSPACE --as-of 2026-12-30" in plain(pages["us_season"])


def test_charts_are_described_and_their_names_unique(pages):
    for name, page in pages.items():
        svgs = re.findall(r"<svg.*?</svg>", page, re.DOTALL)
        assert len(svgs) >= 3, name
        for svg in svgs:
            title = re.search(r"<title>([^<]+)</title>", svg)
            assert title, name
            assert len(title[1]) > 30, name
        ids = re.findall(r'\bid="([^"]+)"', page)
        assert len(ids) == len(set(ids)), name
    catalog = pdf_of(pages["us_season"]).trailer["/Root"]
    figures = [one for one in structure(catalog["/StructTreeRoot"]) if one.get("/S") == "/Figure"]
    assert len(figures) >= 3
    assert all(len(one["/Alt"]) > 30 for one in figures)


def test_names_are_text_and_never_run():
    storms = [
        replace(one, storm=f"{one.storm}{SCRIPT}", segments=one.segments.assign(material="salt"))
        for one in season_days(*DAYS)
    ]
    view = made(storms=storms, sensitive_areas=areas(name=[SCRIPT, "=1+1"]))
    view = replace(view, history=view.history.assign(truck_id=SCRIPT))
    for write in (season_report, environment_report):
        page = write(view, Setting(SCRIPT, setting().voice, "letter"))
        assert SCRIPT not in page
        assert "<script" not in page.lower()
        assert "&lt;script&gt;" in re.sub("<wbr>", "", page)


def test_reports_of_a_season_with_nothing_in_it():
    view = made(storms=[], sensitive_areas=None)
    empty = replace(view, history=view.history.iloc[:0], books=view.books.iloc[:0])
    for write in (season_report, environment_report):
        page = write(empty, setting())
        assert "Not in this report, because the file is not there: budgets.csv" in plain(page)
        assert len(pdf_of(page).pages) >= 1


def test_a_long_season_stays_a_report():
    """Many storms and segments: the lists end, and say where the rest stands."""
    names = [f"x{number}" for number in range(60)]
    rows = segments(
        *(("R1", name, 1.0, 1.0, 400.0, 5.0, 200.0, 220.0) for name in names),
        ("R2", "c", 7.5, 2.0, 3000.0, 67.0, 3000.0, 3300.0),
    )
    storms = [replace(one, segments=rows) for one in season_days(*DAYS)]
    page = plain(environment_report(made(storms=storms), setting()))
    assert "36 more segments and every storm of each stand in evidence.csv" in page
    assert "35 more stand in repeated.csv" in page


# --- workbook ----------------------------------------------------------------------------------


def season_tables_of(view: SeasonView) -> dict[str, pd.DataFrame]:
    """Every table of the season by the name of its file, as the command has them."""
    result = view.result
    curves = [frame.assign(material=name) for name, frame in result.burn_down.items()]
    own = {
        "burn_down": pd.concat(curves, ignore_index=True),
        "truck_history": view.history,
        "yard_books": view.books,
    }
    return {
        table.name: own.get(table.name, getattr(result, table.name, None))
        for table in RESULTS.values()
        if table.sheet
    }


def sheets_of(units: str = "us") -> dict[str, Sheet]:
    view = usual()
    return {one.name: one for one in season_sheets(season_tables_of(view), view, setting(units))}


def test_sheets_convert_and_name_their_units():
    """1 short ton is 907.184 74 kg, 1 lb per lane-mile 0.281 849 kg per lane-km (exact factors)."""
    table = (
        usual()
        .result.by_storm.iloc[:1]
        .assign(used_ton=1.0, used_lo_ton=0.5, used_u_ton=0.1, rate_lb_per_lane_mile=100.0)
    )
    us = sheet_of(RESULTS["by_storm"], table, setting().voice)
    assert [one.header for one in us.columns] == [
        "storm",
        "material",
        "used, tons",
        "used, low end, tons",
        "used, high end, tons",
        "used, standard uncertainty, tons",
        "reported, tons",
        "without ticket, tons",
        "true less reported, %",
        "treated, lane-mi",
        "rate, lb/lane-mile",
        "applications",
        "used in one application, tons",
        "storms",
        "cost, $",
        "chemical, lb",
    ]
    by_header = {one.header: one.values[0] for one in us.columns}
    assert by_header["used, low end, tons"] == pytest.approx(0.5)
    assert by_header["material"] == "Salt"
    metric = sheet_of(RESULTS["by_storm"], table, setting("metric").voice)
    by_header = {one.header: one.values[0] for one in metric.columns}
    assert by_header["used, t"] == pytest.approx(0.90718474)
    assert by_header["rate, kg/lane-km"] == pytest.approx(100 * 0.45359237 / 1.609344)


def test_every_sheet_has_the_columns_of_its_table_in_their_order_and_says_what_they_hold():
    sheets = sheets_of()
    meanings = sheets["Columns"].columns
    said = list(zip(*(column.values for column in meanings), strict=True))
    for table in RESULTS.values():
        if table.sheet:
            headers = [column.header for column in sheets[table.sheet].columns]
            assert len(headers) == len(table.columns)
            told = [(header, meaning) for sheet, header, meaning in said if sheet == table.sheet]
            assert told == list(zip(headers, (one.meaning for one in table.columns), strict=True))


def test_every_number_in_the_workbook_has_a_unit_or_needs_none():
    sheets = sheets_of()
    for table in RESULTS.values():
        for column, shown in zip(
            table.columns, sheets[table.sheet].columns if table.sheet else (), strict=False
        ):
            number = shown.form not in ("text", "date", "flag")
            needs_none = column.kind in (
                "count",
                "number",
                "ratio",
                "fraction",
                "share",
                "probability",
            )
            named = shown.header == f"{column.heading}, {_unit(column.kind)}"
            assert not number or needs_none or named, (table.sheet, shown.header)
            assert "_" not in shown.header


def _unit(kind: str) -> str:
    shown = setting().display
    if kind not in KINDS:
        return shown.currency if kind == "money" else ""
    return shown.unit(kind)


def test_booleans_and_dates_are_such_in_the_workbook(tmp_path):
    path = tmp_path / "book.xlsx"
    write_workbook(list(sheets_of().values()), path, DAY)
    book = openpyxl.load_workbook(path)
    kinds = {}
    for name in ("Truck reports", "Evidence", "Yard books"):
        page = book[name]
        for cell in page[HEADER_ROW + 1]:
            kinds[name, cell.value] = page.cell(HEADER_ROW + 2, cell.column)
    assert kinds["Truck reports", "test again"].data_type == "b"
    assert kinds["Evidence", "supported"].data_type == "b"
    assert kinds["Yard books", "counted, local time"].is_date
    assert kinds["Truck reports", "start, local time"].is_date


def test_the_workbook_tells_the_same_tons_as_the_tables():
    sheets = sheets_of()
    used = next(one for one in sheets["Storms"].columns if one.header == "used, tons")
    assert float(np.sum(used.values)) == pytest.approx(19.8)
    about = sheets["About"].columns[1].values
    assert FINGERPRINT in about
    assert any(str(one).startswith("spreadplan ") for one in about)


def test_pages_are_the_same_every_time():
    view = usual()
    assert season_report(view, setting()) == season_report(made(), setting())
    assert environment_report(view, setting()) == environment_report(made(), setting())
