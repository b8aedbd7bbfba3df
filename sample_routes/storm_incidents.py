"""What went differently in the season's storms: the people and the machines, not the weather.

Everything that spreadplan ought to find in the records starts here.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Incident:
    """One thing that happened to a truck in one storm, in one application ("" = in every one).

    `what` is one of

    - `skips`: leaves the segments whose codes start with `where` untreated;
    - `turns_round`: turns in the middle of segment `where`, drives back and starts it again;
    - `off_road`: leaves segment `where` at its end for a private yard, spreads there, comes back;
    - `strays`: takes segment `where`, on another's route, along with its own;
    - `resets`: the controller's running total starts from zero in the middle of the shift;
    - `no_ticket`: the first load's ticket was never handed in;
    - `pile`: an open loop feeder is left running at every stop;
    - `silent`: no positions for `minutes`.
    """

    storm: str
    truck_id: str
    what: str
    where: str = ""
    application: str = ""
    minutes: float = 0.0


INCIDENTS = (
    Incident("2026-11-28", "TC-104", "turns_round", "SH41-04", "1"),
    Incident("2026-11-28", "TC-101", "resets", application="2"),
    Incident("2026-11-28", "TC-109", "off_road", "MILL-01", "2"),
    Incident("2026-11-28", "TC-105", "strays", "CR10-05", "1"),
    Incident("2026-12-08", "TC-107", "skips", "LOST", "2"),
    Incident("2026-12-08", "TC-107", "skips", "HILL", "2"),
    Incident("2026-12-31", "TC-103", "resets", application="1"),
    Incident("2026-12-31", "TC-109", "no_ticket"),
    Incident("2027-01-07", "TC-106", "silent", application="1", minutes=14),
    Incident("2027-01-16", "TC-105", "no_ticket"),
    Incident("2027-01-16", "TC-106", "pile"),
    Incident("2027-01-16", "TC-102", "turns_round", "CR12-03", "1"),
    Incident("2027-02-04", "TC-101", "skips", "BOGR"),
    Incident("2027-02-26", "TC-104", "off_road", "STAG-01", "1"),
    Incident("2027-02-26", "TC-102", "resets", application="2"),
    Incident("2027-03-13", "TC-106", "pile"),
)


@dataclass(frozen=True)
class Breakdown:
    """A truck that stands still for the rest of a storm; another one makes its remaining runs.

    `at` is local time. The other truck sets out `called_min` later, once there are new cards; what
    lies in the hopper is weighed in `towed_min` after the breakdown.
    """

    storm: str
    truck_id: str
    at: str
    taken_over_by: str
    called_min: float
    towed_min: float


BREAKDOWNS = (Breakdown("2026-12-31", "TC-101", "2026-12-31T20:40", "TC-102", 25.0, 110.0),)

#: truck → sensitive area → what its driver's setting there is, as a multiple of the plan's
HEAVY_HANDED = {"TC-108": ("SA2", 2.1)}
#: trucks whose controller starts its total from zero each time that it is switched on
ZEROED_AT_START = ("TC-105", "TC-108")


def breakdown(storm: str, truck_id: str) -> Breakdown | None:
    """The breakdown of a truck in a storm."""
    found = (one for one in BREAKDOWNS if storm.startswith(one.storm) and one.truck_id == truck_id)
    return next(found, None)


def incidents(
    storm: str, truck_id: str, what: str, application: str | None = None
) -> list[Incident]:
    """The incidents of one kind of a truck in a storm, or in one application of it."""
    return [
        one
        for one in INCIDENTS
        if storm.startswith(one.storm)
        and one.truck_id == truck_id
        and one.what == what
        and (application is None or one.application in ("", application))
    ]
