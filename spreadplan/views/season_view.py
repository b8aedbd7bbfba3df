"""What the season's two reports share: what they are made from, and what is said first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import geopandas as gpd
import pandas as pd

from spreadplan.frames import lines
from spreadplan.metrology import Z95
from spreadplan.remarks import Remark
from spreadplan.schema.policy import Policy
from spreadplan.season import SeasonAccounts, StormOfSeason
from spreadplan.units import POUNDS_PER_TON
from spreadplan.views.display import NBSP, NOTHING, Display
from spreadplan.views.setting import Setting
from spreadplan.views.voice import Voice

TONE: Final = {"problem": "bad", "caution": "warn", "note": "none"}
RANK: Final = {"problem": 0, "caution": 1, "note": 2}
FIRST: Final = 3
ALSO: Final = 3
"""So many further findings of a kind stand below its first one."""
LEAST_TON: Final = 0.1
"""A truck that strays leaves a few pounds on another's route: rows below this are left out."""
MONEY: Final = "Money is the price in materials.csv times the mass."


@dataclass(frozen=True, eq=False, kw_only=True)
class SeasonView:
    """A season with what its reports show beside it.

    Attributes
    ----------
    storms : in order of time.
    history : see `season.records.truck_history`. books : see `season.records.books`.
    routes, areas, policy : of the workspace.
    fingerprint : of the input files.
    judged_by : by which plans treatments are judged.
    absent : files that a part of the work would have used and that are not there.
    """

    result: SeasonAccounts
    storms: Sequence[StormOfSeason]
    history: pd.DataFrame
    books: pd.DataFrame
    routes: gpd.GeoDataFrame
    areas: gpd.GeoDataFrame
    policy: Policy
    fingerprint: str
    judged_by: tuple[Remark, ...] = ()
    absent: tuple[str, ...] = ()

    def said(self, voice: Voice) -> SeasonView:
        """The same with its sentences in words."""
        return replace(self, result=voice.whole(self.result), history=voice.table(self.history))


def common(view: SeasonView, setting: Setting) -> dict[str, Any]:
    """What both templates ask for."""
    shown, season = setting.display, view.result.season
    kinds = ("rate", "bulk", "lane_distance", "temperature", "water", "mass", "volume", "stream")
    day = shown.date(season.as_of)
    return {
        **setting.context(season.as_of),
        "fingerprint": view.fingerprint,
        "judged_by": [setting.voice.say(one) for one in view.judged_by],
        "season": season.name,
        "unit": {kind: shown.unit(kind) for kind in kinds},
        "absent": view.absent,
        "span": f"{shown.date(season.start)} to {shown.date(season.end)}",
        "day": day,
        "over": day == shown.date(season.end),
        "reproduce": f"spreadplan season WORKSPACE --as-of {day}",
        "money_note": MONEY,
        "storms_known": len(view.storms),
        "storms_measured": sum(one.source == "measured" for one in view.storms),
    }


@dataclass(frozen=True)
class KindOfFinding:
    """A kind of finding: the codes of what was found, its title, and what is said without."""

    codes: tuple[str, ...]
    title: str
    none: str
    whole: bool = False
    """Whether the title says already what its findings are about."""


BUDGETS: Final = KindOfFinding(
    ("overspent", "likely_to_run_out"), "Budgets", "No budget is overspent or likely to run out."
)
TRUCKS: Final = KindOfFinding(
    ("spreads_more", "spreads_less"),
    "Trucks",
    "No truck needs a new test: the tickets show no error in what they report.",
)
BOOKS: Final = KindOfFinding(
    ("books_differ",), "Yards", "The yards' counts agree with deliveries, loads and returns."
)
AREAS: Final = KindOfFinding(
    ("chloride_over_limit",),
    "Sensitive areas",
    "No sensitive area with a limit is likely to be over it.",
)
OVER: Final = KindOfFinding(
    ("above_their_limit",),
    "Over-application",
    "No segment lies above its limit, by the bare figures.",
    whole=True,
)
WATER: Final = KindOfFinding(
    ("water_screened", "no_water_screened", "waters_not_judged"),
    "Receiving water",
    "Screening finds no water above a limit; only samples can show it.",
)
UNKNOWN: Final = KindOfFinding(
    ("chloride_unknown",), "Materials", "The chloride in every material in use is known."
)
OTHERS: Final = (
    "counted_as_planned",
    "had_more_rounds",
    "use_presumed",
    "use_without_tickets",
)
"""Codes of findings that never head a page."""
SUPERINTENDENT: Final = (BUDGETS, TRUCKS, AREAS, BOOKS, OVER)
OFFICER: Final = (AREAS, OVER, WATER, UNKNOWN)


def headlines(findings: pd.DataFrame, kinds: Sequence[KindOfFinding]) -> list[dict[str, Any]]:
    """The three kinds of finding that matter most, each with its worst finding first.

    Kinds with a problem come before those with a caution; within that, the order of ``kinds``.
    """
    groups = {kind: findings[findings["code"].isin(kind.codes)] for kind in kinds}

    def place(kind: KindOfFinding) -> tuple[int, int]:
        worst = min((RANK[one] for one in groups[kind]["severity"]), default=len(RANK))
        return worst, kinds.index(kind)

    return [_headline(kind, groups[kind]) for kind in sorted(kinds, key=place)[:FIRST]]


def _headline(kind: KindOfFinding, rows: pd.DataFrame) -> dict[str, Any]:
    if not len(rows):
        return {
            "title": kind.title,
            "tone": "good",
            "subject": "",
            "what": kind.none,
            "remedy": "",
            "also": [],
            "left": 0,
        }
    first = rows.iloc[0]
    also = [_plain(one.subject) + ": " + one.what for one in lines(rows.iloc[1 : 1 + ALSO])]
    return {
        "title": kind.title,
        "tone": TONE[first["severity"]],
        "subject": "" if kind.whole or first["subject"] == "water" else _plain(first["subject"]),
        "what": first["what"],
        "remedy": first["remedy"],
        "also": also,
        "left": max(len(rows) - 1 - ALSO, 0),
    }


def _plain(subject: str) -> str:
    """A subject as a person would say it.

    >>> _plain("budget agency *, salt")
    'agency, salt'
    """
    said = subject.removeprefix("budget ").replace(" *,", ",")
    return said.removeprefix("material ")


def other_findings(findings: pd.DataFrame, kinds: Sequence[KindOfFinding]) -> list[dict[str, str]]:
    """Findings of the kinds that no headline stands for."""
    shown = {one["title"] for one in headlines(findings, kinds)}
    codes = {code for kind in kinds if kind.title not in shown for code in kind.codes}
    rows = findings[findings["code"].isin({*codes, *OTHERS})]
    return [
        {
            "tone": TONE[one.severity],
            "severity": one.severity,
            "subject": _plain(one.subject),
            "what": one.what,
            "remedy": one.remedy,
        }
        for one in lines(rows)
    ]


def tons(value_ton: float, shown: Display) -> str:
    """Short tons as shown, without unit."""
    return shown.number(POUNDS_PER_TON * value_ton, "bulk")


def tons_pm(value_ton: float, u_ton: float, shown: Display) -> str:
    """Short tons with half their 95 % interval, without unit; ``u_ton`` standard uncertainty."""
    return shown.number_pm(POUNDS_PER_TON * value_ton, Z95 * POUNDS_PER_TON * u_ton, "bulk")


def tons_range(low_ton: float, high_ton: float, shown: Display) -> str:
    """An interval of short tons, without unit."""
    said = shown.show_range(POUNDS_PER_TON * low_ton, POUNDS_PER_TON * high_ton, "bulk")
    return said.rpartition(NBSP)[0] or said


def chance(share: float) -> str:
    """A probability in percent that claims no more than it can: never 0 or 100.

    A tenth is shown where the decision lies.

    >>> chance(0.9999), chance(0.9491), chance(0.42), chance(1e-9)
    ('>\xa099\xa0%', '94.9\xa0%', '42\xa0%', '<\xa01\xa0%')
    """
    if share != share:
        return NOTHING
    if share > 0.99:
        return f">{NBSP}99{NBSP}%"
    if share < 0.01:
        return f"<{NBSP}1{NBSP}%"
    return f"{100.0 * share:.{1 if share >= 0.9 else 0}f}{NBSP}%"


def worth_showing(table: pd.DataFrame) -> pd.DataFrame:
    """Rows of a table of use that are more than a stray pound."""
    return table[table["used_ton"] >= LEAST_TON]
