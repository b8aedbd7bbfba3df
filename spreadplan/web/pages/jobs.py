"""Long work: start it, watch it, stop it."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.responses import Response

from spreadplan.web.addresses import number_of
from spreadplan.web.visits import Visit, action, page
from spreadplan.web.work.jobs import COMMANDS, Job

OF_A_STORM = ("plan", "reconcile")


def start(visit: Visit) -> Response:
    """Ask for a command to be run."""
    command, storm = visit.field("command"), visit.field("storm")
    if command not in COMMANDS:
        raise HTTPException(404)
    if (command in OF_A_STORM) != (storm != "") or (
        storm and storm not in visit.site.computed.storms()
    ):
        raise HTTPException(400, "Name one of the storms of this workspace.")
    job = visit.site.jobs.start(command, storm, visit.who)
    return visit.json(job.as_json(), 202) if visit.wants_json else visit.go_to("/jobs")


def _job(visit: Visit) -> Job:
    number = number_of(visit.path("number"))
    job = None if number is None else visit.site.jobs.find(number)
    if job is None:
        raise HTTPException(404)
    return job


def watch(visit: Visit) -> Response:
    """How a job goes."""
    return visit.json(_job(visit).as_json())


def stop(visit: Visit) -> Response:
    """Stop a job; earlier results stay."""
    job = _job(visit)
    visit.site.jobs.stop(job.number)
    return visit.json(job.as_json()) if visit.wants_json else visit.go_to("/jobs")


def jobs(visit: Visit) -> Response:
    """All jobs, the latest first."""
    listed = [job.as_json() for job in visit.site.jobs.all()]
    return visit.json(listed) if visit.wants_json else visit.render("web/jobs.html", jobs=listed)


ROUTES = [
    page("/jobs", jobs),
    action("/jobs", start, role="plan"),
    page("/jobs/{number}", watch),
    action("/jobs/{number}/stop", stop, role="plan"),
]
