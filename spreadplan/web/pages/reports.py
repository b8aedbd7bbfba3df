"""Results to look at and to download, and the history of the files."""

from __future__ import annotations

import mimetypes
from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, Response

from spreadplan.places import inside
from spreadplan.web.access.security import PDF_POLICY, REPORT_POLICY
from spreadplan.web.addresses import number_of
from spreadplan.web.visits import Visit, action, page

#: Results that a browser may show; all others are only downloaded.
SHOWN = {".html": "text/html; charset=utf-8", ".pdf": "application/pdf"}


def result(visit: Visit) -> Response:
    """A file below ``results/``; a report runs no script and asks no one for anything."""
    return file_below(visit, visit.site.folder / "results", visit.plain_path("name"))


def file_below(visit: Visit, folder: Path, name: str) -> Response:
    """A file below a folder, its name with slashes; 404 for one that is hidden or leads out."""
    if any(part.startswith(".") for part in name.split("/")):
        raise HTTPException(404)
    try:
        path = inside(folder, name)
        there = path.is_file()
    except (ValueError, OSError):  # a name that no file can have, one of 300 letters for example
        raise HTTPException(404) from None
    if not there:
        raise HTTPException(404)
    return _file(path, download=visit.query("download") != "")


def _file(path: Path, download: bool) -> Response:
    kind = SHOWN.get(path.suffix.lower())
    known = kind or mimetypes.guess_type(path.name)[0] or "application/octet-stream"
    response = FileResponse(
        path,
        media_type=known,
        filename=path.name,
        content_disposition_type="attachment" if download or kind is None else "inline",
    )
    response.headers["content-security-policy"] = (
        PDF_POLICY if path.suffix.lower() == ".pdf" else REPORT_POLICY
    )
    return response


def history(visit: Visit) -> Response:
    """Who changed what, the latest first."""
    entries = visit.site.store.changes()
    undone = {entry.undoes for entry in entries if entry.undoes}
    shown = entries[::-1][:500]
    return visit.render("web/history.html", entries=shown, undone=undone, may_undo=may_undo)


def may_undo(visit_who: str, can_plan: bool, entry_who: str) -> bool:
    """One's own changes with the role to record; those of others with the role to plan."""
    return can_plan or visit_who == entry_who


def undo(visit: Visit) -> Response:
    """Take a change back."""
    number = number_of(visit.path("number"))
    entry = next((e for e in visit.site.store.changes() if e.number == number), None)
    if entry is None:
        raise HTTPException(404)
    if not may_undo(visit.who, visit.can("plan"), entry.who):
        raise HTTPException(
            403, "Someone else made this change; it needs an account that may plan."
        )
    visit.site.store.undo(entry.number, visit.who)
    return visit.go_to(visit.field("next") or "/history")


def state(visit: Visit) -> Response:
    """Changes when the files do: an open page asks, and tells that it is out of date."""
    return visit.json({"state": visit.site.state(), "change": visit.site.store.last_change()})


ROUTES = [
    page("/state", state),
    page("/results/{name:path}", result),
    page("/history", history),
    action("/history/{number}/undo", undo, role="record"),
]
