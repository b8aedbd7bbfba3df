"""Every page of the four jobs: the lists of the modules ``pages_*``."""

from __future__ import annotations

from starlette.responses import Response

from spreadplan.web import (
    guide_pages,
    pages_inputs,
    pages_mend,
    pages_plan,
    pages_season,
    pages_tests,
    pages_trucks,
    pages_use,
)
from spreadplan.web.visits import Visit, page


def home(visit: Visit) -> Response:
    """Where everything is, and what needs someone today."""
    counts = pages_trucks.counted(pages_trucks.states(visit).values())
    return visit.render("web/home.html", counts=counts)


ROUTES = [
    page("/", home),
    *pages_tests.ROUTES,
    *pages_trucks.ROUTES,
    *pages_inputs.ROUTES,
    *pages_mend.ROUTES,
    *pages_plan.ROUTES,
    *pages_use.ROUTES,
    *pages_season.ROUTES,
    *guide_pages.ROUTES,
]
