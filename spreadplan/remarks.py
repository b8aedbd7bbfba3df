"""What is to be said, as data: a code and the values that it names. Words come later, in `views`.

The rooms of computation say *what* they found; how it is worded, in which units and with how many
digits, is decided in `spreadplan.views.words` alone, so that paper, screen, tables and the command
line say the same.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

import pandas as pd

Severity = Literal["problem", "caution", "note"]
_ORDER: dict[Severity, int] = {"problem": 0, "caution": 1, "note": 2}


@dataclass(frozen=True)
class Remark:
    """One thing to say.

    code : its entry in the catalogue of `spreadplan.views.words`.
    values : the values that the entry names, in inside units, as pairs; the unit is part of each
        name (``need_lb_per_min``). Numbers, text, moments, tuples of them, or further remarks.
    """

    code: str
    values: tuple[tuple[str, Any], ...] = ()


def remark(code: str, **values: Any) -> Remark:
    """A remark; lists become tuples, so that equal remarks count once.

    >>> remark("short", need_lb_per_min=400.0) == remark("short", need_lb_per_min=400.0)
    True
    """
    plain = ((name, tuple(one) if isinstance(one, list) else one) for name, one in values.items())
    return Remark(code, tuple(plain))


@dataclass(frozen=True)
class Finding:
    """One thing to know: a problem stops part of the work, a caution may, a note informs.

    subject : what it is about, e.g. a truck with its material. what : what was found.
    remedies : what would help, best first. evidence : what it rests on, as whole sentences.
    """

    severity: Severity
    subject: Remark
    what: Remark
    remedies: tuple[Remark, ...] = ()
    evidence: tuple[Remark, ...] = ()


def findings_table(findings: Iterable[Finding]) -> pd.DataFrame:
    """Findings without repeats, problems first, otherwise in the order they were made.

    Columns: severity, code (of what was found), subject, what, remedy. The last three hold remarks
    (the remedy a tuple of them) until `spreadplan.views.voice.Voice.table` words them.
    """
    unique = sorted(dict.fromkeys(findings), key=lambda finding: _ORDER[finding.severity])
    rows = [(one.severity, one.what.code, one.subject, one.what, one.remedies) for one in unique]
    return pd.DataFrame(rows, columns=["severity", "code", "subject", "what", "remedy"])


def merged_findings(*tables: pd.DataFrame | Iterable[Finding]) -> list[Finding]:
    """Findings of several origins as one list.

    Parameters
    ----------
    *tables : findings, or tables of them as `findings_table` returns them.

    Returns
    -------
    All of them, in the order given.
    """
    found: list[Finding] = []
    for table in tables:
        if isinstance(table, pd.DataFrame):
            rows: Any = table.itertuples(index=False)
            found += [Finding(row.severity, row.subject, row.what, row.remedy) for row in rows]
        else:
            found += table
    return found
