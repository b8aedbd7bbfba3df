"""The table of what became of each question under each condition, with its noise."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

DRAWS: Final = 1000
WANTED: Final = 95.0
PLAIN_SHARES: Final = ("false `", "missed `", "verdict `", "truck", "truthful")


def shares(lines: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Share held of each group in percent, its noise, and widths.

    The noise is the standard error of drawing whole workspaces again: what is said of one county
    stands or falls together. ``half`` is the mean half-width over the truth, ``needed`` the 95 %
    quantile of the error's size: an interval of constant width that held the truth in 95 of 100
    cases would be so wide.
    """
    known = lines[lines["held"].notna()]
    rows = []
    rng = np.random.default_rng(1)
    for key, some in known.groupby(by, sort=False):
        sums = some.groupby("workspace")["held"].agg(["sum", "size"]).to_numpy(dtype=float)
        drawn = sums[rng.integers(0, len(sums), (DRAWS, len(sums)))].sum(axis=1)
        error = some["error"].abs().dropna()
        needed = 100.0 * float(error.quantile(0.95)) if len(error) else np.nan
        half = 100.0 * float(some["half"].mean())
        rows.append(
            (
                *key,
                100.0 * sums[:, 0].sum() / sums[:, 1].sum(),
                100.0 * float(np.std(drawn[:, 0] / drawn[:, 1])),
                len(some),
                len(sums),
                half,
                needed,
            )
        )
    return pd.DataFrame(
        rows, columns=[*by, "share", "noise", "cases", "workspaces", "half", "needed"]
    )


def errors(lines: pd.DataFrame) -> pd.DataFrame:
    """Mean, root mean square and 95 % quantile of errors that have no interval, percent."""
    some = lines[lines["held"].isna() & lines["error"].notna()]
    found = (100.0 * some["error"]).groupby([some["question"], some["condition"]], sort=False)
    table = found.agg(
        mean="mean",
        rms=lambda one: np.sqrt((one**2).mean()),
        most=lambda one: one.abs().quantile(0.95),
        cases="size",
    )
    return table.reset_index().sort_values(["question", "rms"], ascending=[True, False])


def is_interval(question: str) -> bool:
    """Whether a question is of an interval that should hold the truth."""
    return not question.startswith(PLAIN_SHARES)


def markdown(lines: pd.DataFrame) -> str:
    """Over all conditions; then intervals by condition, worst first; then verdicts."""
    everywhere = shares(lines.assign(condition="all"), ["question", "condition"])
    each = shares(lines, ["question", "condition"])
    intervals = each["question"].map(is_interval)
    parts = ["## All conditions together", _table(everywhere)]
    parts += ["## Intervals, worst first", _table(each[intervals].sort_values("share"))]
    rest = each[~intervals]
    for question in dict.fromkeys(rest["question"]):
        finding = question.startswith("truck off")
        some = rest[rest["question"] == question].sort_values("share", ascending=finding)
        parts += [f"## {question}, worst first", _table(some)]
    left = errors(lines[lines["question"].str.startswith("reported")])
    if len(left):
        parts += ["## Errors of reported masses, worst first", _error_table(left)]
    return "\n\n".join(parts)


def _error_table(rows: pd.DataFrame) -> str:
    text = [
        "| what | condition | mean error, % | root mean square, % | 95 % below | cases |",
        "| --- | --- | ---: | ---: | ---: | ---: |",
    ]
    text += [
        f"| {row.question} | {row.condition} | {row.mean:.2f} | {row.rms:.2f} | {row.most:.2f} | "
        f"{row.cases} |"
        for row in rows.itertuples()
    ]
    return "\n".join(text)


def _table(rows: pd.DataFrame) -> str:
    names = (
        "what",
        "condition",
        "share, %",
        "noise",
        "cases",
        "counties",
        "half-width, %",
        "needed, %",
        "ratio",
    )
    text = [f"| {' | '.join(names)} |", "| --- | --- |" + " ---: |" * (len(names) - 2)]
    for row in rows.itertuples():
        wide = [f"{row.half:.1f}", f"{row.needed:.1f}", f"{row.half / row.needed:.2f}"]
        wide = wide if is_interval(str(row.question)) else ["", "", ""]
        text.append(
            f"| {row.question} | {row.condition} | {row.share:.1f} | ±{row.noise:.1f} | "
            f"{row.cases} | {row.workspaces} | {' | '.join(wide)} |"
        )
    return "\n".join(text)
