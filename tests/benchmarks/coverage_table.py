"""Hits and trials of many questions, and the table of what became of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

DRAWS = 1000


@dataclass
class Ledger:
    """Hits and trials of each question, by class; one line for each season."""

    season: int
    scatter: str
    tickets: str
    lines: list[dict[str, Any]] = field(default_factory=list)

    def note(self, question: str, held: Any, tests: Any = None, width: Any = None) -> None:
        """Count ``held`` (bools) for a question; ``tests`` : number of tests behind each.

        ``width`` : half-width of the interval over its estimate, for each.
        """
        held = np.atleast_1d(np.asarray(held, dtype=float))
        classes = np.array(["-"] * len(held)) if tests is None else tests_class(tests)
        widths = np.full(len(held), np.nan) if width is None else np.asarray(width, dtype=float)
        for name in np.unique(classes):
            mine = classes == name
            wide = widths[mine][np.isfinite(widths[mine])]
            self.lines.append(
                {
                    "season": self.season,
                    "scatter": self.scatter,
                    "tickets": self.tickets,
                    "tests": name,
                    "question": question,
                    "hits": float(held[mine].sum()),
                    "trials": int(mine.sum()),
                    "width": float(wide.sum()),
                    "widths": len(wide),
                }
            )


def tests_class(tests: Any) -> np.ndarray:
    """1, 2-3 or 4+ tests."""
    number = np.asarray(tests, dtype=int)
    return np.select([number <= 1, number <= 3], ["1 test", "2-3 tests"], "4+ tests")


def scatter_class(scatter: float) -> str:
    """A fleet's scatter in three classes."""
    return "1-2 %" if scatter < 0.02 else "2-4 %" if scatter < 0.04 else "4-6 %"


def within(true: Any, low: Any, high: Any) -> np.ndarray:
    """Whether each truth lies in its interval, a rounding's width allowed."""
    true, low, high = (np.asarray(one, dtype=float) for one in (true, low, high))
    slack = 1e-9 * np.abs(true)
    return np.asarray((true >= low - slack) & (true <= high + slack))


def half(low: Any, high: Any) -> np.ndarray:
    """Half-width of intervals over their middle."""
    low, high = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    middle = (low + high) / 2.0
    return np.divide(high - low, 2.0 * middle, out=np.full(len(middle), np.nan), where=middle > 0)


def shares(lines: pd.DataFrame, rng: np.random.Generator, draws: int = 1000) -> pd.Series:
    """Share of hits with the ends of its bootstrap interval over seasons, %."""
    seasons = lines.groupby("season")[["hits", "trials"]].sum().to_numpy()
    drawn = rng.integers(0, len(seasons), (draws, len(seasons)))
    sums = seasons[drawn].sum(axis=1)
    low, high = np.quantile(sums[:, 0] / sums[:, 1], [0.025, 0.975])
    total = seasons.sum(axis=0)
    widths = lines["widths"].sum()
    return pd.Series(
        {
            "percent": 100.0 * total[0] / total[1],
            "low": 100.0 * low,
            "high": 100.0 * high,
            "trials": int(total[1]),
            "seasons": len(seasons),
            "half_width_pct": 100.0 * lines["width"].sum() / widths if widths else np.nan,
        }
    )


def report(lines: pd.DataFrame, by: list[str] | None = None) -> pd.DataFrame:
    """The shares of every question, or of every question and class."""
    rng = np.random.default_rng(1)
    keys = ["question", *(by or [])]
    rows = {key: shares(some, rng) for key, some in lines.groupby(keys, sort=False)}
    found = pd.DataFrame(rows).T
    found.index = found.index.set_names(keys)
    return found


def markdown(table: pd.DataFrame) -> str:
    """The table as Markdown."""
    text = [
        "| "
        + " | ".join(
            [*table.index.names, "share", "noise (95 %)", "trials", "seasons", "mean half-width"]
        )
        + " |"
    ]
    text.append("|" + " --- |" * (len(table.index.names) + 5))
    for key, row in table.iterrows():
        names = key if isinstance(key, tuple) else (key,)
        wide = f"{row['half_width_pct']:.1f} %" if np.isfinite(row["half_width_pct"]) else ""
        text.append(
            f"| {' | '.join(map(str, names))} | {row['percent']:.1f} % | {row['low']:.1f} to "
            f"{row['high']:.1f} | {row['trials']:.0f} | {row['seasons']:.0f} | {wide} |"
        )
    return "\n".join(text)
