"""What the planner should know, most important first."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import pandas as pd

Severity = Literal["problem", "caution", "note"]
_ORDER: dict[Severity, int] = {"problem": 0, "caution": 1, "note": 2}


@dataclass(frozen=True)
class Finding:
    """One thing to know: a problem stops part of the plan, a caution may, a note informs."""

    severity: Severity
    subject: str
    what: str
    remedy: str


def findings_table(findings: Iterable[Finding]) -> pd.DataFrame:
    """Findings without repeats, problems first, otherwise in the order they were made.

    Columns: severity, subject, what, remedy.
    """
    unique = sorted(dict.fromkeys(findings), key=lambda finding: _ORDER[finding.severity])
    columns = ["severity", "subject", "what", "remedy"]
    return pd.DataFrame([vars(finding) for finding in unique], columns=columns)
