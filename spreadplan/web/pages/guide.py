"""The guide in the browser: its contents, each page, all of it to print, and the files' page."""

from __future__ import annotations

from functools import cache

from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from spreadplan.reports.about_files import about_files
from spreadplan.reports.guide import FILES_PAGE, PAGES, GuidePage, guide_file, guide_page
from spreadplan.web.access.security import REPORT_POLICY
from spreadplan.web.visits import Visit, page

WHOLE, FILES = "whole", "files"
"""Addresses below /guide that are no page of it."""


def contents(visit: Visit) -> Response:
    """Every page with what it is about."""
    return visit.render("web/guide.html", pages=_pages(), shown=None)


def chosen_page(visit: Visit) -> Response:
    """One page of the guide."""
    name = visit.path("name")
    if name not in PAGES:
        raise HTTPException(404)
    return visit.render("web/guide.html", pages=_pages(), shown=_page(name))


def whole_guide(visit: Visit) -> Response:
    """The guide as one page, to print."""
    return _alone(guide_file(visit.setting.paper))


def files(visit: Visit) -> Response:
    """Every input file and column."""
    return _alone(about_files(visit.setting.workspace, visit.setting.paper))


def _alone(text: str) -> Response:
    """A page that stands alone, as reports do."""
    return HTMLResponse(text, headers={"content-security-policy": REPORT_POLICY})


def _address(name: str, heading: str) -> str:
    return f"/guide/{name}#{heading}" if heading else f"/guide/{name}"


@cache
def _page(name: str) -> GuidePage:
    return guide_page(name, _address, f"/guide/{FILES}")


@cache
def _pages() -> tuple[GuidePage, ...]:
    return tuple(_page(name) for name in PAGES)


ROUTES = [
    page("/guide", contents, name="guide"),
    page(f"/guide/{WHOLE}", whole_guide, name="guide_whole"),
    page(f"/guide/{FILES}", files, name="guide_files"),
    page(f"/guide/{FILES_PAGE}", files, name="guide_files_from_whole"),
    page("/guide/{name}", chosen_page, name="guide_page"),
]
