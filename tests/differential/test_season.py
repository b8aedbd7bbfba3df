"""`season` beside sums of the storms' own tables in decimals, and a forecast drawn at random."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from statistics import NormalDist
from unittest import mock

import pandas as pd
import pytest

from spreadplan.cli import main
from tests.differential.reconcile_oracle import rows_of
from tests.differential.reconcile_runs import reconcile_quietly
from tests.differential.season_oracle import TON_LB, Used, expected_total, upper_total, used
from tests.reconcile import three_segments

#: day of each storm, and how much more than the storm worked out on paper was spread
STORMS = {
    "s1": ("2026-12-01", 1.0),
    "s2": ("2026-12-11", 0.6),
    "s3": ("2027-01-02", 1.7),
    "s4": ("2027-01-20", 1.2),
}
AS_OF = "2027-01-31"
FRACTION = Decimal("0.588")
LIMITS_TON = {"B1": 0.12, "B2": 0.5}
STREAMS = {
    "B1": {"mean_flow_cfs": 9, "low_flow_cfs": 0.5, "background_mg_l": 20},
    "B2": {"mean_flow_cfs": 2},
}
#: mg/L of a pound an hour in a cubic foot a second: NIST SP 811 (2008), appendix B.8
MG_L = Decimal("453592.37") / (Decimal("28.316846592") * 3600)


def area(name: str, first_mi: float, last_mi: float) -> dict[str, object]:
    """A rectangle about a part of the road."""
    lon, lat = three_segments.lon_lat(pd.Series([first_mi, last_mi]).to_numpy())
    (west, east), (south, north) = lon, (lat[0] - 0.002, lat[0] + 0.002)
    ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
    return {
        "type": "Feature",
        "properties": {
            "area_id": name,
            "name": name,
            "kind": "well",
            "chloride_limit_ton": LIMITS_TON[name],
            **STREAMS[name],
        },
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }


def write_season(folder: Path) -> Path:
    """Four storms on the road of three segments, each with its tickets; a second truck off it."""
    content = three_segments.files()
    base = {
        name: content.pop(f"storms/s1/{name}") for name in ("rates.csv", "loads.csv", "returns.csv")
    }
    for storm, (day, factor) in STORMS.items():
        records = three_segments.records()
        records["time"] = records["time"].str.replace("2026-12-01", day)
        records["feed_total_lb"] = records["feed_total_lb"] * factor
        content[f"storms/{storm}/telemetry/a.csv"] = records.to_csv(index=False)
        back = 1600 - round(587 * factor * 1.05 / 20) * 20
        for name, text in base.items():
            moved = text.replace("2026-12-01", day).replace("1013", str(back))
            content[f"storms/{storm}/{name}"] = moved
    content["materials.csv"] = (
        f"material,kind,cost_per_ton,chloride_fraction\nsalt,solid,80,{FRACTION}\n"
    )
    content["budgets.csv"] = (
        "season,scope,scope_id,material,budget_ton\n2026-27,agency,all,salt,2.5\n"
        "2026-27,yard,Y1,salt,1.2\n2026-27,route,R1,salt,9\n"
    )
    features = [area("B1", 0.49, 0.76), area("B2", -0.01, 0.51)]
    content["sensitive_areas.geojson"] = json.dumps(
        {"type": "FeatureCollection", "features": features}
    )
    return three_segments.write(folder, content)


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_season(tmp_path_factory.mktemp("season") / "w")
    for storm in STORMS:
        reconcile_quietly(folder, storm)
    room = "spreadplan.runs.seasons"
    with (
        mock.patch(f"{room}.season_report"),
        mock.patch(f"{room}.environment_report"),
        mock.patch(f"{room}.season_sheets"),
        mock.patch(f"{room}.write_workbook"),
        mock.patch(f"{room}.write_reports"),
    ):
        assert main(["season", str(folder), "--as-of", AS_OF, "--no-pdf"]) == 0
    return folder / "results"


@pytest.fixture(scope="module")
def whole(results: Path) -> Used:
    return used(results, list(STORMS), "salt", lambda row: True)


def days(first: str, last: str) -> float:
    moments = [datetime.fromisoformat(text).replace(tzinfo=UTC) for text in (first, last)]
    return (moments[1] - moments[0]).days + 1.0


def test_budgets_in_decimals(results: Path, whole: Used):
    table = rows_of(results / "season" / "budget.csv")
    assert {row["scope"] for row in table} == {"agency", "yard", "route"}
    for row in table:
        assert float(row["used_ton"]) == pytest.approx(float(whole.total / TON_LB), rel=1e-8)
        assert float(row["used_u_ton"]) == pytest.approx(whole.u / 2000, rel=1e-6)
        assert row["storms"] == "4"
        over = 1 - NormalDist().cdf(
            (float(row["budget_ton"]) * 2000 - float(whole.total)) / whole.u
        )
        assert float(row["p_over_now"]) == pytest.approx(over, abs=1e-6)
    verdicts = {row["scope"]: row["verdict"] for row in table}
    assert verdicts["yard"] == "over"
    assert verdicts["route"] == "within"


def test_the_forecast_by_expectation_and_by_lot(results: Path, whole: Used):
    """Known to the end of 31 January: 123 of the 212 days from 1 October to 30 April."""
    uses = [float(mass) / 2000 for mass in whole.by_storm.values()]
    past, left = days("2026-10-01", AS_OF), days("2027-02-01", "2027-04-30")
    expected = expected_total(uses, past, left)
    high = upper_total(uses, whole.u / 2000, past, left)
    for row in rows_of(results / "season" / "budget.csv"):
        assert float(row["forecast_ton"]) == pytest.approx(expected, rel=2e-3)
        assert float(row["forecast_hi_ton"]) == pytest.approx(high, rel=0.015)


def test_chloride_in_decimals(results: Path, whole: Used):
    """Mass times the stated fraction, by storm and season; the areas hold B and A as a whole."""
    table = rows_of(results / "season" / "chloride.csv")
    inside = {
        "": lambda row: True,
        "B1": lambda row: row["segment_id"] == "B",
        "B2": lambda row: row["segment_id"] == "A",
    }
    assert {row["scope"] for row in table} == {"agency", "route", "area"}
    seen = 0
    for row in table:
        if row["scope"] == "area" and row["scope_id"] not in LIMITS_TON:
            continue
        scope = row["scope_id"] if row["scope"] == "area" else ""
        storms = [row["storm"]] if row["storm"] else list(STORMS)
        here = used(results, storms, "salt", inside[scope])
        shared = touching(results, storms, scope)
        mass = here.total + shared
        assert float(row["material_ton"]) == pytest.approx(float(mass / TON_LB), rel=1e-6)
        assert float(row["chloride_lb"]) == pytest.approx(float(mass * FRACTION), rel=1e-6)
        if not shared:
            assert float(row["chloride_u_lb"]) == pytest.approx(here.u * float(FRACTION), rel=1e-6)
        seen += 1
    assert seen == 4 * (1 + len(STORMS))


def touching(results: Path, storms: list[str], scope: str) -> Decimal:
    """Mass on the 0.01 mile of each neighbouring segment that an area's rectangle also covers.

    Area B1 runs from 0.49 to 0.76 mi: 0.01 of the 0.5 mi of A, and 0.01 of the 0.5 mi of C. B2 runs
    to 0.51: 0.01 of the 0.25 mi of B. The road has no rate limit or factor there, so one rate.
    """
    shares = {"B1": {"A": Decimal("0.02"), "C": Decimal("0.02")}, "B2": {"B": Decimal("0.04")}}
    total = Decimal(0)
    for name, share in shares.get(scope, {}).items():
        total += (
            share * used(results, storms, "salt", lambda row, n=name: row["segment_id"] == n).total
        )
    return total


def test_chloride_limits_are_judged_by_probability(results: Path):
    table = {
        row["scope_id"]: row
        for row in rows_of(results / "season" / "chloride.csv")
        if row["scope"] == "area" and not row["storm"]
    }
    for name, limit_ton in LIMITS_TON.items():
        row = table[name]
        mean, u = float(row["chloride_lb"]), float(row["chloride_u_lb"])
        p_over = 1 - NormalDist().cdf((limit_ton * 2000 - mean) / u)
        assert float(row["limit_lb"]) == pytest.approx(limit_ton * 2000)
        assert float(row["p_over"]) == pytest.approx(p_over, abs=1e-6)
        expected = "over" if p_over >= 0.95 else "probably_over" if p_over >= 0.5 else "within"
        assert row["verdict"] == expected
    assert {table[name]["verdict"] for name in LIMITS_TON} == {"over", "within"}


def test_screening_in_decimals(results: Path):
    """Both readings of each storm's load, from chloride.csv; no two storms within four days."""
    table = rows_of(results / "season" / "screening.csv")
    loads = {
        name: {
            row["storm"]: Decimal(row["chloride_lb"])
            for row in rows_of(results / "season" / "chloride.csv")
            if row["scope_id"] == name and row["storm"]
        }
        for name in STREAMS
    }
    assert {(row["area_id"], row["criterion"]) for row in table} == {
        (name, criterion)
        for name in STREAMS
        for criterion in ("EPA, chronic", "EPA, acute", "Minnesota, maximum")
    }
    for row in table:
        stream, own = STREAMS[row["area_id"]], loads[row["area_id"]]
        flow = Decimal(str(stream.get("low_flow_cfs", stream["mean_flow_cfs"])))
        hours = Decimal(row["window_h"])
        level = stream.get("background_mg_l", 0) + own[row["storms"]] * MG_L / (flow * hours)
        assert float(row["concentration_mg_l"]) == pytest.approx(float(level), rel=1e-6)
        if row["reading"] == "all within the averaging time":
            assert hours == Decimal(row["averaging_h"])
            assert own[row["storms"]] == max(own.values())
        limit = Decimal(row["limit_mg_l"])
        at_once = max(own.values()) * MG_L / (flow * Decimal(row["averaging_h"]))
        if row["area_id"] == "B2":
            assert row["screening"] in ("above: sample", "not judged")
        elif at_once + 20 > limit:
            assert row["screening"] in ("above: sample", "near: consider sampling")
        else:
            assert row["screening"] in ("below", "near: consider sampling")
    assert {row["screening"] for row in table if row["area_id"] == "B2"} == {"not judged"}


def test_savings_from_the_storms_own_sums(results: Path, whole: Used):
    """Salt on a dry route: what was put down beyond the report, then 20 to 30 % of the report."""
    table = {
        (row["state"], row["practice"]): row for row in rows_of(results / "season" / "savings.csv")
    }
    reported = sum(
        Decimal(row["reported_lb"])
        for storm in STORMS
        for row in rows_of(results / storm / "use_segments.csv")
        if row["trucks"]
    )
    drawn = 5 * whole.u / 2000 / 4000**0.5  # of 4,000 draws
    first = table["still to gain", "calibrated rates"]
    more = float((whole.total - reported) / TON_LB)
    assert float(first["saved_ton"]) == pytest.approx(more, abs=drawn)
    assert (first["material"], first["known"]) == ("salt", "measured this season")
    wetted = table["still to gain", "prewetting"]
    kept = float(reported / TON_LB) - float(
        table["still to gain", "lower rates in sensitive areas"]["saved_ton"]
    )
    assert float(wetted["base_ton"]) == pytest.approx(kept, rel=1e-3)
    assert float(wetted["saved_ton"]) == pytest.approx(0.25 * kept, rel=0.02)
    # ten gallons a ton as MaineDOT, Table A; no liquid is in the workspace, so no money is promised
    assert float(wetted["liquid_gal"]) == pytest.approx(10 * 0.75 * kept, rel=0.02)
    assert wetted["money"] == ""
    assert wetted["known"] == "borrowed percentage"
