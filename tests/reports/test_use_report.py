"""The usage report: what it says first, and that nothing breaks it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from html import unescape
from pathlib import Path
from zoneinfo import ZoneInfo

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from matplotlib.colors import to_rgb

from spreadplan.reconcile.storm import OFF_ROUTE, StormUse
from spreadplan.reconcile.verdicts import (
    MORE_ROUNDS,
    NO_PLAN,
    RATE_ABOVE,
    THIN,
    PlainComparison,
    kinds,
)
from spreadplan.remarks import remark
from spreadplan.reports import use_charts, use_map, use_report, use_segment_tables
from spreadplan.reports.figure import STEPS
from spreadplan.runs.reconciling import Reconciled, report_page
from spreadplan.views.display import Display
from spreadplan.views.use_findings import BOOKS, LEAST_LB, SENSITIVE, Weighed, findings
from spreadplan.views.use_records import records_part
from spreadplan.views.use_segments import with_plan
from spreadplan.views.voice import Voice
from tests.reports.hard_workspace import LONG, SCRIPT, STORM
from tests.reports.test_pages import Columns
from tests.reports.use_workspace import reconciled, storm_folder

US = Voice(Display("us", ZoneInfo("America/Chicago")), {"salt": "salt"})
ADVICE = remark("materials_differ", truck="T1")
RULE = remark("nothing_needed")
UNIT = re.compile(
    r", (lb|kg|tons|t|lb/lane-mile|kg/lane-km|%|currency of materials\.csv)$"
    r"|^(P\((over|under)\)|Rounds made|Ratio|95 % interval|This storm alone|Tests|Records|Row|Times"
    r"|Last over the one before \(95 %\)|Last test|Segments over|with more rounds|under"
    r"|missed|unknown)$"
)


@pytest.fixture(scope="module")
def storm_us(tmp_path_factory: pytest.TempPathFactory) -> Reconciled:
    return reconciled(storm_folder(tmp_path_factory.mktemp("us") / "w"))


@pytest.fixture(scope="module")
def pages(
    storm_us: Reconciled, tmp_path_factory: pytest.TempPathFactory
) -> dict[str, tuple[Reconciled, str]]:
    """The same storm in both systems, and with as many files taken away as can be."""
    settings = replace(storm_us.workspace.settings, units="metric")
    metric = replace(storm_us, workspace=replace(storm_us.workspace, settings=settings))
    bare = storm_folder(tmp_path_factory.mktemp("bare") / "w")
    storm = bare / "storms" / STORM
    for file in ("forecast.csv", "rates.csv", "loads.csv"):
        (storm / file).unlink()
    for name in ("yards.csv", "stock_counts.csv", "deliveries.csv", "sensitive_areas.geojson"):
        (bare / name).unlink()
    _keep_one_truck(storm / "telemetry" / "a.csv")
    found = {"us": storm_us, "metric": metric, "bare": reconciled(bare)}
    return {name: (made, report_page(STORM, made)) for name, made in found.items()}


def _keep_one_truck(file: Path) -> None:
    rows = file.read_text().splitlines(keepends=True)
    file.write_text("".join(row for row in rows if row.startswith((f'"{LONG}"', "truck_id"))))


def plain_text(page: str) -> str:
    bare = re.sub(r"<wbr>|<style>.*?</style>|<svg.*?</svg>", "", page, flags=re.DOTALL)
    return unescape(" ".join(re.sub(r"<[^>]+>", " ", bare).replace("\u00a0", " ").split()))


def test_the_gravest_come_first(pages):
    text = plain_text(pages["us"][1])
    order = [
        "The three findings that matter first",
        "Route sixty, sensitive area Well",
        "The storm at a glance",
        "Where it was too much or too little",
        "Further findings",
        "Planned against actual, by route",
        "Over: 27 segments",
        "Missed: 12 segments",
        "What a plain comparison would have said",
        "Do the controllers tell the truth?",
        "Stockpiles",
        "Off the routes",
        "Records",
        "The decision rule",
    ]
    places = [text.index(words) for words in order]
    assert places == sorted(places)


def test_findings_say_what_is_in_the_tables(storm_us, pages):
    text = plain_text(pages["us"][1])
    total_lb = storm_us.use.parts["applied_lb"].sum()
    assert f"{total_lb / 2000.0:.2f} tons" in text
    over = storm_us.use.segments.query("verdict == 'over'")
    assert len(over) == 27
    excess = (over["applied_lb"] - over["planned_lb"]).sum() / 2000.0
    assert f"{excess:.2f} tons of Salt more than planned" in text
    assert "Rounds made: 1, planned: 3" in text
    assert (
        "Yard Y, Salt: 38.2 tons more than the books say" in text
    )  # 60 counted, 30 + 1 - 9.2 expected


def test_missing_records_are_not_called_untreated(storm_us, pages):
    text = plain_text(pages["us"][1])
    segments = storm_us.use.segments
    unheard = segments[segments["reason"] == THIN]
    assert set(unheard["route_id"]) == {"../one", "untested"}
    assert "Route untested: 1 segment (4.80 lane-mi) can't be judged" in text
    assert "Route untested: 1 segment (4.80 lane-mi) next to untreated" not in text


def test_records_add_up(storm_us, pages):
    made, text = storm_us, plain_text(pages["us"][1])
    assert made.rows_read == made.rows_kept + len(made.quarantine)
    assert f"{made.rows_read} read = {made.rows_kept} used + 2 in quarantine.csv" in text
    assert "no position, the rest of the record used 1" in text
    assert "truck not in trucks.csv" in text
    assert "1 of the quarantined records repeat one that is used; 1 (0.35 % of all)" in text
    assert sum(made.refused.values()) == 2


def test_without_plan_nothing_is_over_and_the_page_says_so(pages):
    made, page = pages["bare"]
    text = plain_text(page)
    assert made.plan is None
    assert "There is no plan to compare with" in text
    assert "plain comparison" not in text
    assert "Over:" not in text
    assert "use-map" not in page
    assert f"Truck {LONG}, Salt: no tickets" in text
    assert "forecast.csv" in text.split("because the file is not there")[1]


def test_a_dense_map_is_one_picture(storm_us, monkeypatch):
    """What lies between the strokes in the order of drawing would cut it in two."""
    monkeypatch.setattr(use_map, "MOST_VERTICES", 0)
    assert report_page(STORM, storm_us).count("<image") == 1


def test_pages_are_safe_described_and_unique(pages):
    for name, (_, page) in pages.items():
        assert SCRIPT not in page, name
        assert "<script" not in page.lower(), name
        assert "nan" not in plain_text(page).lower().split(), name
        for svg in re.findall(r"<svg.*?</svg>", page, re.DOTALL):
            title = re.search(r"<title>([^<]+)</title>", svg)
            assert title, name
            assert len(title[1]) > 40
        ids = re.findall(r'\bid="([^"]+)"', page)
        assert len(ids) == len(set(ids)), name
    assert pages["us"][1].count("<svg") == 3
    assert pages["bare"][1].count("<svg") == 1


def test_every_column_of_numbers_has_its_unit(pages):
    seen = 0
    for name, (_, page) in pages.items():
        found = Columns()
        found.feed(page)
        for header in found.headers:
            text = " ".join(header.split())
            assert UNIT.search(text), f"{name}: {text!r}"
            seen += 1
    assert seen > 80


def test_metric_workspace_shows_metric_units_only(pages):
    made, page = pages["metric"]
    text = plain_text(page)
    tonnes = made.use.parts["applied_lb"].sum() * 0.45359237 / 1000.0
    assert f"{tonnes:.2f} t" in text
    assert "size: A4" in page
    for unit in (" lb", " tons", "lane-mile", "lane-mi "):
        assert unit not in text, unit


def test_long_lists_are_cut_and_say_so(storm_us, monkeypatch):
    monkeypatch.setattr(use_segment_tables, "MOST_SEGMENTS", 7)
    monkeypatch.setattr(use_report, "MOST_ROUTES", 2)
    monkeypatch.setattr(use_report, "MOST_FURTHER", 1)
    text = plain_text(report_page(STORM, storm_us))
    assert "20 more in use_segments.csv" in text
    assert "2 more in use_routes.csv" in text
    assert re.search(r"\d more in the tables below", text)


def test_page_is_the_same_every_time(storm_us, pages):
    assert report_page(STORM, storm_us) == pages["us"][1]


# --- ranking -----------------------------------------------------------------------------------

TRUCKS = [
    "truck_id",
    "material",
    "reported_lb",
    "loaded_lb",
    "returned_lb",
    "ratio",
    "ratio_lo",
    "ratio_hi",
    "verdict",
    "advice",
    "test_again",
    "storms",
    "loads",
    "p_missing",
]


def use_of(
    segments: list[dict[str, object]], trucks: Sequence[list[object]] = (), yard_ton: float = 0.0
) -> StormUse:
    """A storm from a few numbers: each segment has one truck and errs by ``own`` lb, one sigma."""
    frame = pd.DataFrame(segments)
    frame = frame.assign(
        material="salt", passes=1.0, applications=1.0, lane_miles=1.0, p_over=0.99, p_under=0.0,
        allowed_lb=frame["planned_lb"] * 1.1, least_lb=frame["planned_lb"] * 0.9,
        reported_lb=frame["applied_lb"], trucks="T1", coverage=1.0, standing_lb=0.0,
        rounds_planned=1.0, reason=frame.get("reason", ""),
    )  # fmt: skip
    frame["applications"] = frame.get("made", 1.0)
    frame["applied_lo_lb"], frame["applied_hi_lb"] = (
        frame["applied_lb"] + sign * 1.96 * frame["own"] for sign in (-1, 1)
    )
    parts = frame[["route_id", "segment_id", "material", "reported_lb", "applied_lb"]].assign(
        truck_id="T1",
        fleet_u_lb=0.0,
        truck_u_lb=0.0,
        storm_u_lb=0.0,
        own_u_lb=frame["own"],
        passes=1.0,
        unplaced_lb=frame.get("unplaced", 0.0),
        without_ticket_lb=0.0,
    )
    yard = {
        "yard_id": "Y",
        "material": "salt",
        "counted_ton": 50.0 + yard_ton,
        "expected_ton": 50.0,
        "difference_ton": yard_ton,
        "difference_u_ton": 1.0,
        "opening_at": pd.Timestamp("2026-11-01T12:00Z"),
        "counted_at": pd.Timestamp("2026-12-09T12:00Z"),
        "verdict": "more delivered than recorded" if yard_ton > 2.0 else "agrees",
    }
    piles = gpd.GeoDataFrame(
        {name: [] for name in ("route_id", "segment_id", "truck_id", "mass_lb")}, geometry=[]
    )
    judged = pd.DataFrame(list(trucks), columns=TRUCKS).assign(prewet_verdict="not_set")
    judged = judged.assign(
        season_ratio=judged["ratio"],
        season_lo=judged["ratio_lo"],
        season_hi=judged["ratio_hi"],
        without_ticket_lb=0.0,
        missing_loads=0,
    )
    return StormUse(
        segments=frame,
        trucks=judged,
        routes=pd.DataFrame(),
        balance=pd.DataFrame([yard]),
        parts=parts,
        plain=PlainComparison(0, 0, 0, 0),
        rule=RULE,
        piles=piles,
    )


@dataclass(frozen=True)
class Told:
    """A finding as the report has it."""

    what: str
    evidence: str
    advice: str


def told(one: Weighed) -> Told:
    return Told(**use_report.finding_in_words(one.finding, US))


def found_in(use: StormUse, areas: dict[str, str] | None = None) -> list[str]:
    areas = areas or {}
    planned = use.segments[["route_id", "segment_id", "material"]].assign(
        application="1",
        mass_lb=use.segments["planned_lb"],
        area_id=[areas.get(str(name), "") for name in use.segments["route_id"]],
    )
    rows = with_plan(use.segments, planned, pd.DataFrame({"route_id": []}), {"A": "Bog"})
    return [told(one).what for one in findings(use, rows, {}, 0.95)]


def over(route: str, excess_lb: float, own: float = 10.0) -> dict[str, object]:
    return {
        "route_id": route,
        "segment_id": f"{route}-1",
        "planned_lb": 1000.0,
        "applied_lb": 1000.0 + excess_lb,
        "own": own,
        "verdict": "over",
    }


def test_a_sensitive_area_outweighs_a_larger_excess_elsewhere():
    use = use_of([over("R1", 3000.0), over("R2", 1000.0)])
    assert [line.split(":")[0] for line in found_in(use)] == ["Route R1", "Route R2"]
    with_area = found_in(use, {"R2": "A"})
    assert with_area[0] == "Route R2, sensitive area Bog: 0.50\u00a0tons of salt more than planned"
    assert SENSITIVE > 3.0


def test_what_is_sure_counts_not_what_is_likely():
    use = use_of([over("R1", 3000.0, own=1400.0), over("R2", 1000.0)])
    assert [line.split(":")[0] for line in found_in(use)] == ["Route R2", "Route R1"]


def test_a_trifle_is_no_finding():
    assert found_in(use_of([over("R1", LEAST_LB - 1.0, own=0.0)])) == []
    assert len(found_in(use_of([over("R1", LEAST_LB + 1.0, own=0.0)]))) == 1


def test_books_weigh_less_than_the_road():
    # 4 tons less 2 u of 1 ton each are 4,000 lb, a quarter of it 1,000 lb
    use = use_of([over("R1", 1100.0, own=0.0)], yard_ton=4.0)
    assert [line.split(":")[0] for line in found_in(use)] == ["Route R1", "Yard Y, salt"]
    use = use_of([over("R1", 900.0, own=0.0)], yard_ton=4.0)
    assert [line.split(":")[0] for line in found_in(use)] == ["Yard Y, salt", "Route R1"]
    assert BOOKS == 0.25


def test_driver_of_a_truck_that_reports_wrongly_is_not_blamed_first():
    wrong = ["T1", "salt", 9000.0, 9000.0, 0.0, 1.2, 1.1, 1.3, "reports too little",
             ADVICE, True, 3, 2, 0.0]  # fmt: skip
    use = use_of([over("R1", 3000.0)], [wrong])
    rows = with_plan(
        use.segments,
        use.segments[["route_id", "segment_id", "material"]].assign(
            application="1", mass_lb=1000.0, area_id=""
        ),
        pd.DataFrame({"route_id": []}),
        {},
    )
    first, second = findings(use, rows, {}, 0.95)
    assert "test it before anything is said of the driver" in told(first).advice
    assert second.sure_lb == pytest.approx(900.0)  # the ratio is at least 1.1
    assert told(second).what == (
        "Truck T1, salt: reports too little: over the season its true mass is 1.20 times what it "
        "says"
    )
    assert told(second).advice.startswith("Find out before judging T1")


def numbers_of(text: str) -> list[float]:
    return [float(one) for one in re.findall(r"\d+\.\d+", text)]


def test_the_numbers_of_a_sentence_on_a_truck_are_of_one_ratio():
    """0.87 over the season, 0.94 in the storm: 23.7 tons reported, 22.3 put down."""
    wrong = ["T7", "salt", 47473.2, 50750.0, 6100.0, 0.9394, 0.92, 0.95, "reports too much",
             ADVICE, True, 12, 4, 0.0]  # fmt: skip
    use = use_of([over("R1", 10.0)], [wrong])
    use.trucks[["season_ratio", "season_lo", "season_hi"]] = [0.8657, 0.8229, 0.9284]
    (one,) = [told(each) for each in all_found(use) if "T7" in told(each).what]
    assert numbers_of(one.what) == [0.87]
    season, storm = one.evidence.split(". In this storm ")
    assert numbers_of(season) == [0.82, 0.93]
    ratio, reported, true = numbers_of(storm)
    assert (ratio, reported, true) == (0.94, 23.7, 22.3)
    assert ratio * reported == pytest.approx(true, abs=0.05)


def all_found(use: StormUse) -> list[Weighed]:
    planned = use.segments[["route_id", "segment_id", "material"]].assign(
        application="1", mass_lb=1000.0, area_id=""
    )
    rows = with_plan(use.segments, planned, pd.DataFrame({"route_id": []}), {})
    return findings(use, rows, {}, 0.95)


def test_more_rounds_are_no_over_application():
    """Three rounds of 1,000 lb where one was planned, beside one round of 3,000 lb."""
    rounds = over("R1", 2000.0) | {"made": 3.0, "reason": MORE_ROUNDS}
    rate = over("R2", 2000.0) | {"made": 1.0, "reason": RATE_ABOVE}
    first, second = map(told, all_found(use_of([rounds, rate])))
    assert first.what == "Route R1: more rounds than planned, 1.00\u00a0tons of salt"
    assert "Rounds made: 3, planned: 1; mean rate 1,000" in first.evidence
    assert "That the rate of a round was too high is not shown." in first.evidence
    assert "more often than planned" in first.advice
    assert "rate" not in first.advice
    assert second.what == "Route R2: 1.00\u00a0tons of salt more than planned"
    assert "the rate that was set" in second.advice


def test_mass_without_a_place_is_told_from_mass_that_was_seen_elsewhere():
    off = {
        "route_id": OFF_ROUTE,
        "segment_id": OFF_ROUTE,
        "planned_lb": np.nan,
        "applied_lb": 3000.0,
        "own": 10.0,
        "verdict": "unknown",
    }
    both = [told(one).what for one in all_found(use_of([off | {"unplaced": 2000.0}]))]
    assert both == [
        "Truck T1, salt: 0.50\u00a0tons on no route",
        "Truck T1, salt: nobody knows where 1.00\u00a0tons lies",
    ]
    seen = [told(one).what for one in all_found(use_of([off | {"unplaced": 0.0}]))]
    assert seen == ["Truck T1, salt: 1.50\u00a0tons on no route"]


def test_a_truck_whose_records_are_incomplete_is_asked_for_them():
    blind = ["T1", "salt", 4000.0, 9000.0, 0.0, 1.0, 0.9, 1.1, "records incomplete",
             ADVICE, False, 3, 2, 0.0]  # fmt: skip
    (one,) = all_found(use_of([over("R1", 10.0)], [blind]))
    assert told(one).what == "Truck T1, salt: its records do not tell all that it put down"
    assert one.weight == BOOKS


# --- map, charts, records ----------------------------------------------------------------------


def roads(count: int) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {"route_id": "R", "segment_id": [f"s{number}" for number in range(count)]},
        geometry=[shapely.LineString([(n, 46), (n + 1, 46)]) for n in range(count)],
        crs="EPSG:4326",
    )


def test_map_shows_the_gravest_verdict_and_no_trace_hides_it():
    rows = pd.DataFrame(
        [
            ("R", "s0", "within", ""),
            ("R", "s0", "over", ""),
            ("R", "s1", "under", ""),
            ("R", "s1", "unknown", NO_PLAN),
            ("R", "s2", "within", ""),
            ("R", "s2", "unknown", NO_PLAN),
        ],
        columns=["route_id", "segment_id", "verdict", "reason"],
    )
    rows = rows.assign(kind=kinds(rows))
    found = use_map.worst_verdicts(roads(4), rows)
    assert found.tolist() == ["over", "under", "within", "nothing"]


def lightness(colour: str) -> float:
    """CIE L* of a colour. Source: IEC 61966-2-1:1999 (sRGB) and CIE 15:2004, 8.2.1."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    luminance = float(np.dot(linear, [0.2126, 0.7152, 0.0722]))
    return 116.0 * np.cbrt(luminance) - 16.0


def test_verdicts_differ_without_colour():
    strokes = use_map.STROKES
    looks = {(one.width, str(one.dashes), bool(one.core)) for one in strokes.values()}
    assert len(looks) == len(strokes)
    assert abs(lightness(use_charts.OVER) - lightness(use_charts.UNDER)) > 10.0
    assert lightness(use_map.PALE_OVER) - lightness(use_charts.OVER) > 40.0
    assert not {use_charts.OVER, use_charts.UNDER} & set(STEPS)


@pytest.mark.slow
def test_unheard_route_is_not_marked_as_too_little():
    row = {
        "route_id": "R1",
        "material": "salt",
        "applied_lb": 0.0,
        "applied_lo_lb": 0.0,
        "applied_hi_lb": 0.0,
        "planned_lb": 1000.0,
        "planned_lo_lb": 900.0,
        "planned_hi_lb": 1100.0,
    }
    rows = (pd.DataFrame([{**row, "unknown_segments": n}]) for n in (0, 3))
    drawn = [use_charts.route_chart(one, 10, 10, US).svg() for one in rows]
    blue = f"stroke: {use_charts.UNDER}", f'stroke="{use_charts.UNDER}"'
    counts = [sum(chart.count(one) for one in blue) for chart in drawn]
    assert counts[0] > counts[1] > 0  # the legend has it in both


def test_departure_has_a_true_minus_sign():
    assert use_charts.signed_percent(-12.4) == "\u221212 %"
    assert use_charts.signed_percent(0.4) == "0 %"
    assert use_charts.signed_percent(0.6) == "+1 %"


def test_one_example_of_each_reason():
    same = "the same record stands in"
    reasons = [
        'time "31/12" is not a time',
        'time "32/12" is not a time',
        "time is empty",
        f"{same} a.csv row 7",
        f"{same} b.csv row 8",
    ]
    quarantine = pd.DataFrame({"source_file": "a.csv", "source_row": range(5), "reason": reasons})

    class Some:
        rows_read, rows_kept = 100, 95
        refused = {"a cell cannot be read": 3, "the same record again": 2}  # noqa: RUF012
        put_right = {"total reset": 1}  # noqa: RUF012

    Some.quarantine = quarantine  # type: ignore[attr-defined]
    part = records_part(Some())  # type: ignore[arg-type]
    assert [one["row"] for one in part["examples"]] == ["0", "2", "3"]
    assert (part["repeated"], part["lost"]) == ("2", "3")
    assert part["put_right"][0]["note"] == "counted on from zero"


def test_a_storm_of_nothing_but_off_route_mass(storm_us):
    use = storm_us.use
    only = use.segments["segment_id"] == OFF_ROUTE
    parts = use.parts[use.parts["segment_id"] == OFF_ROUTE]
    made = replace(
        storm_us,
        use=replace(
            use,
            segments=use.segments[only],
            parts=parts,
            routes=use.routes[:0],
            trucks=use.trucks[:1],
            balance=use.balance[:0],
        ),
    )
    text = plain_text(report_page(STORM, made))
    assert "100 % of the reported mass" in text
    # all its positions lie off the routes: they are not believed
    assert "nobody knows where" in text
