"""Season and water: budgets, burn-down, sensitive areas, savings, reports to download."""

from __future__ import annotations

from typing import Any, Final
from urllib.parse import quote

import pandas as pd
from markupsafe import Markup
from starlette.responses import Response

from spreadplan.frames import lines
from spreadplan.remarks import remark
from spreadplan.reports.figure import SCREEN_WIDTH_IN
from spreadplan.reports.season_charts import budget_chart, burn_down_chart, scope_in_words
from spreadplan.reports.season_report import used_without_ticket
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.display import Display, percent
from spreadplan.views.savings import savings_rows
from spreadplan.views.voice import Voice
from spreadplan.views.water import screened_waters
from spreadplan.views.words import term
from spreadplan.web.visits import Visit, page
from spreadplan.web.work.result_tables import made_at, out_of_date, tables

SHOWN_ENDINGS: Final = (".html", ".pdf", ".xlsx", ".csv", ".gpkg", ".parquet")
USED: Final = (
    "budget",
    "findings",
    "burn_down",
    "chloride",
    "screening",
    "savings",
    "by_storm",
)
"""The tables that the page shows."""


def season_page(visit: Visit) -> Response:
    """The season so far, and what its rest may take."""
    shown, voice = visit.display, visit.voice
    found, unreadable = tables(visit, "season", USED)
    budget = found["budget"]
    made = made_at(visit, "season/budget.csv")
    context: dict[str, Any] = {
        "ready": budget is not None,
        "unreadable": unreadable,
        "made": shown.moment(made) if made is not None else "",
        "old": out_of_date(visit, "season/budget.csv"),
        "files": _files(visit),
    }
    if budget is not None:
        context |= {
            "budgets": [_budget_row(row, voice) for row in lines(budget)],
            "unticketed": used_without_ticket(budget, voice),
            "findings": _findings(found["findings"]),
            "budget_chart": _budget_chart(visit, budget),
            "charts": _burn_downs(visit, found["burn_down"], budget),
            "areas": _areas(found["chloride"], shown),
            "screening": _screening(found["screening"], voice),
            "savings_about": voice.say(remark("about_savings")),
            "savings": _savings(found["savings"], voice),
            "storms": _storms(found["by_storm"], voice),
        }
    return visit.render("web/season.html", **context)


def _lb(tons: float) -> float:
    return POUNDS_PER_TON * float(tons)


def _findings(found: pd.DataFrame | None) -> dict[str, list[Any]]:
    if found is None:
        return {"problem": [], "caution": [], "note": []}
    return {
        severity: list(lines(found[found["severity"] == severity]))
        for severity in ("problem", "caution", "note")
    }


def _budget_row(row: Any, voice: Voice) -> dict[str, Any]:
    shown, verdict = voice.display, term("budget_verdict", row.verdict)
    return {
        "scope": scope_in_words(row),
        "material": voice.material(row.material),
        "verdict": verdict.words,
        "tone": verdict.tone,
        "budget": shown.number(_lb(row.budget_ton), "bulk"),
        "used": shown.number_pm(_lb(row.used_ton), _lb(row.used_u_ton), "bulk"),
        "forecast": shown.number(_lb(row.forecast_ton), "bulk"),
        "most": shown.number(_lb(row.forecast_hi_ton), "bulk"),
        "chance": percent(row.p_over_season),
    }


def _budget_chart(visit: Visit, budget: pd.DataFrame) -> Markup | None:
    """How far each budget is used, drawn as the charts of the report are."""
    voice = visit.voice

    def make() -> Markup | None:
        drawn = budget_chart(budget, voice)
        return None if drawn is None else drawn.on_screen()

    made = made_at(visit, "season/budget.csv")
    key = ("budgets chart", made, voice.display, *voice.materials.items())
    return visit.site.computed.remember(key, make)


def _burn_downs(visit: Visit, curves: pd.DataFrame | None, budget: pd.DataFrame) -> list[Markup]:
    """A chart for each material, as in the report."""
    if curves is None or curves.empty:
        return []
    voice = visit.voice

    def make() -> list[Markup]:
        charts = (
            burn_down_chart({str(material): mine}, budget, voice, SCREEN_WIDTH_IN)
            for material, mine in curves.groupby("material", sort=True)
        )
        return [chart.on_screen(f"burn{n}") for n, chart in enumerate(charts) if chart is not None]

    made = made_at(visit, "season/burn_down.csv")
    key = ("burn-downs", made, voice.display, *voice.materials.items())
    return visit.site.computed.remember(key, make)


def _areas(chloride: pd.DataFrame | None, shown: Display) -> list[dict[str, Any]]:
    """The season's chloride in each sensitive area."""
    if chloride is None:
        return []
    whole = chloride[chloride["scope"].isin(["area", "watershed"]) & (chloride["storm"] == "")]
    rows = []
    for row in lines(whole):
        verdict = term("chloride_verdict", row.verdict)
        rows.append(
            {
                "name": row.name or row.scope_id,
                "tone": verdict.tone,
                "verdict": verdict.words,
                "material": shown.number(_lb(row.material_ton), "bulk"),
                "chloride": shown.number_pm(row.chloride_lb, row.chloride_u_lb, "bulk"),
                "limit": shown.number(row.limit_lb, "bulk"),
            }
        )
    return rows


def _screening(found: pd.DataFrame | None, voice: Voice) -> list[dict[str, Any]]:
    """The worst storms of each water against each criterion."""
    # a table of an earlier version lacks the readings: it is to be worked out again
    return [] if found is None or "reading" not in found else screened_waters(found, voice)


def _savings(found: pd.DataFrame | None, voice: Voice) -> list[dict[str, str]]:
    # a table of an earlier version does not tell materials apart: it is to be worked out again
    return [] if found is None or "material" not in found else savings_rows(found, voice)


def _storms(found: pd.DataFrame | None, voice: Voice) -> list[dict[str, Any]]:
    if found is None:
        return []
    shown = voice.display
    return [
        {
            "storm": row.storm,
            "name": voice.storm(row.storm),
            "material": voice.material(row.material),
            "used": shown.number(_lb(row.used_ton), "bulk"),
            "range": shown.show_range(_lb(row.used_lo_ton), _lb(row.used_hi_ton), "bulk"),
            "rate": shown.number(row.rate_lb_per_lane_mile, "rate"),
        }
        for row in lines(found)
    ]


def _files(visit: Visit) -> list[tuple[str, list[tuple[str, str]]]]:
    """Results to download: those of the season first, then of each storm."""
    results = visit.site.folder / "results"
    if not results.is_dir():
        return []
    folders = [path for path in results.iterdir() if path.is_dir() and path.name[0] != "."]
    folders.sort(key=lambda path: (path.name != "season", path.name))
    return [
        (
            visit.voice.storm(folder.name),
            [
                (path.name, quote(f"/results/{folder.name}/{path.name}", errors="replace"))
                for path in sorted(folder.iterdir())
                if path.suffix in SHOWN_ENDINGS and path.is_file()
            ],
        )
        for folder in folders
    ]


ROUTES = [page("/season", season_page)]
