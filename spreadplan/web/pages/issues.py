"""Plans as they were issued: what the form to issue does, and the files of an issue."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.responses import Response

from spreadplan.runs.issuing import issue
from spreadplan.runs.options import Options
from spreadplan.web.addresses import address
from spreadplan.web.pages.plan import storm_of
from spreadplan.web.pages.reports import file_below
from spreadplan.web.visits import NOBODY, Visit, action, page


def issue_now(visit: Visit) -> Response:
    """Make the plan of the files, not one with changes that are only tried, the one in force."""
    storm = storm_of(visit)
    issue(
        visit.site.folder,
        storm,
        Options(pdf=visit.field("pdf") == "yes"),
        at=visit.field("at"),
        by=visit.field("by") or ("" if visit.who == NOBODY else visit.who),
        note=visit.field("note"),
    )
    return visit.go_to(address("plan", storm) + "#issues")


def issued_file(visit: Visit) -> Response:
    """A report or a card of an issue, as it was issued."""
    storm, name = storm_of(visit), visit.plain_path("name")
    number = name.partition("/")[0]
    if not number.isdecimal():
        raise HTTPException(404)
    return file_below(visit, visit.site.folder / "storms" / storm / "issued", name)


ROUTES = [
    page("/issued/{storm}/{name:path}", issued_file),
    action("/plan/{storm}/issue", issue_now, role="plan"),
]
