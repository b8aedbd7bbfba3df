"""Moments in addresses and in fields for a date and time: local, to the minute."""

from __future__ import annotations

from datetime import datetime

import pandas as pd
from starlette.exceptions import HTTPException

from spreadplan.web.visits import Visit


def moment_of_text(visit: Visit, text: str) -> pd.Timestamp | None:
    """A moment, in UTC; None where nothing was given. 400 for what is no time."""
    if not text:
        return None
    zone = visit.site.computed.settings().timezone
    try:
        given = datetime.fromisoformat(text.strip())
        return pd.Timestamp(given if given.tzinfo else given.replace(tzinfo=zone)).tz_convert("UTC")
    except (ValueError, OverflowError):
        raise HTTPException(400, f'"{text[:40]}" is not a time; write 2026-12-31T21:00.') from None


def as_field(visit: Visit, moment: pd.Timestamp) -> str:
    """A moment as a field for a date and time has it."""
    zone = visit.site.computed.settings().timezone
    return moment.tz_convert(zone).strftime("%Y-%m-%dT%H:%M")
