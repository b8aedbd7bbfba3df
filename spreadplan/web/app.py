"""The application: routes, guards and what happens when something goes wrong."""

from __future__ import annotations

import logging
import threading
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager, suppress
from dataclasses import asdict
from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

from spreadplan import __version__
from spreadplan.errors import BadInput, CannotWrite, Problem, refused_by_system
from spreadplan.resources import resource
from spreadplan.web.access.security import Guard, own_names, page_policy
from spreadplan.web.files.edits import Conflict
from spreadplan.web.files.mapping import tile_hosts
from spreadplan.web.pages import home, jobs, reports, signing, uploads
from spreadplan.web.site import Site, open_site
from spreadplan.web.visits import Visit, as_json, encoded, page
from spreadplan.web.work.jobs import TooManyJobs

log = logging.getLogger("spreadplan.web")
STATIC_S = 365 * 24 * 3600


class _Static(StaticFiles):
    """Our own scripts, styles and fonts; an address that carries a mark never changes."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        response = await super().get_response(path, scope)
        marked = b"v=" in scope.get("query_string", b"")
        response.headers["cache-control"] = (
            f"public, max-age={STATIC_S}, immutable" if marked else "no-cache"
        )
        return response


def create_app(
    folder: Path,
    *,
    names: Sequence[str] = (),
    loopback_only: bool = True,
    secure: bool = False,
    site: Site | None = None,
) -> Starlette:
    """The web application over one workspace.

    Parameters
    ----------
    names : further host names that the server goes by.
    loopback_only : whether only this computer can reach it; if not, everyone must sign in.
    secure : whether it is served over TLS.
    site : the site to serve, for tests that set its limits or its clock.

    Raises BadInput where the folder is not a workspace.
    """
    site = site or open_site(folder, accounts_needed=not loopback_only, secure=secure)
    known = [*names, *([] if loopback_only else own_names())]

    @asynccontextmanager
    async def living(_app: Starlette) -> AsyncIterator[None]:
        threading.Thread(target=_warm_up, args=(site,), name="warm-up", daemon=True).start()
        yield
        site.jobs.close()
        site.presence.end()

    policy = page_policy(tile_hosts(site.folder))
    app = Starlette(
        routes=_routes(),
        middleware=[
            Middleware(
                Guard, names=known, loopback_only=loopback_only, policy=policy, defect=_defect
            ),
        ],
        exception_handlers={
            HTTPException: _http_error,
            BadInput: _bad_input,
            Conflict: _conflict,
            CannotWrite: _cannot_write,
            OSError: _refused_by_system,
            TooManyJobs: _too_many_jobs,
        },
        lifespan=living,
    )
    app.state.site = site
    return app


def _warm_up(site: Site) -> None:
    """Work out what the first visitor will most likely ask for."""
    with suppress(BadInput, OSError):
        site.computed.fleet()


def _routes() -> list[BaseRoute]:
    return [
        Route("/healthz", _healthz, methods=["GET"]),
        Mount("/static", _Static(directory=resource("templates") / "static"), name="static"),
        *signing.ROUTES,
        *reports.ROUTES,
        *uploads.ROUTES,
        *jobs.ROUTES,
        *home.ROUTES,
        page("/{anything:path}", _nothing_there, role=""),
    ]


def _nothing_there(_visit: Visit) -> Response:
    raise HTTPException(404)


async def _healthz(request: Request) -> Response:
    """For a watchdog: whether the server answers and its workspace can be read."""
    site: Site = request.app.state.site
    well = (site.folder / "workspace.toml").is_file()
    return JSONResponse({"ok": well, "version": __version__}, 200 if well else 503)


# --- when something goes wrong -----------------------------------------------------------------


def _told(
    request: Request,
    status: int,
    text: str,
    problems: Sequence[Problem] = (),
    headers: dict[str, str] | None = None,
) -> Response:
    """An error as a page, or as JSON for a script."""
    visit: Visit | None = getattr(request.state, "visit", None) if status < 500 else None
    scripted = request.headers.get("content-type", "").startswith("application/json")
    if scripted or (visit is not None and visit.wants_json) or request.method == "PUT":
        data = {"error": text, "problems": [asdict(problem) for problem in problems]}
        response = Response(encoded(as_json(data)), status, media_type="application/json")
    elif visit is None:
        response = PlainTextResponse(encoded(text), status)
    else:
        response = visit.render("web/error.html", status, text=text, problems=problems)
    response.headers.update(headers or {})
    return response


def _http_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    texts = {404: "There is no such page.", 405: "That cannot be done here."}
    text = texts.get(error.status_code, error.detail)
    return _told(request, error.status_code, text, headers=dict(error.headers or {}))


def _bad_input(request: Request, error: Exception) -> Response:
    assert isinstance(error, BadInput)
    return _told(request, 422, "The files have problems; nothing was changed.", error.problems)


def _conflict(request: Request, error: Exception) -> Response:
    return _told(request, 409, str(error))


def _cannot_write(request: Request, error: Exception) -> Response:
    return _told(request, 503, str(error))


def _refused_by_system(request: Request, error: Exception) -> Response:
    """A disk that is full, a folder that is gone: no defect, and worth another try."""
    assert isinstance(error, OSError)
    line = refused_by_system(error)
    folder: Path = request.app.state.site.folder
    if not folder.is_dir():
        line = "The folder of this workspace is not there any more."
    return _told(request, 503, line) if line else _defect(request, error)


def _too_many_jobs(request: Request, _error: Exception) -> Response:
    return _told(request, 429, "Much work is waiting already. Try again when some is done.")


def _defect(request: Request, error: Exception) -> Response:
    log.error("defect at %s %s", request.method, request.url.path[:200], exc_info=error)
    return _told(request, 500, "The program has a defect here. Your files are as they were.")
