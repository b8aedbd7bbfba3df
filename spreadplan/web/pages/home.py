"""Every page of the four jobs: the lists of the modules beside this one."""

from __future__ import annotations

from starlette.responses import Response

from spreadplan.web.pages import (
    driver_log,
    guide,
    inputs,
    issues,
    liquid_tests,
    mend,
    now,
    now_answer,
    plan,
    season,
    tests,
    trucks,
    use,
)
from spreadplan.web.visits import Visit, page


def home(visit: Visit) -> Response:
    """Where everything is, and what needs someone today."""
    counts = trucks.counted(trucks.states(visit).values())
    return visit.render("web/home.html", counts=counts)


ROUTES = [
    page("/", home),
    *tests.ROUTES,
    *liquid_tests.ROUTES,
    *trucks.ROUTES,
    *inputs.ROUTES,
    *mend.ROUTES,
    *issues.ROUTES,
    *now.ROUTES,
    *driver_log.ROUTES,
    *now_answer.ROUTES,
    *plan.ROUTES,
    *use.ROUTES,
    *season.ROUTES,
    *guide.ROUTES,
]
