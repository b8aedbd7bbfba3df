"""What time it is. The one place that asks the computer's clock, so that tests can set it."""

from __future__ import annotations

from datetime import UTC, date, datetime, tzinfo


def now() -> datetime:
    """The present moment, in UTC."""
    return datetime.now(UTC)


def today(zone: tzinfo | None = None) -> date:
    """The present day in a time zone, that of the computer without one."""
    return now().astimezone(zone).date()
