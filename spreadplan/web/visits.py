"""One visit to one page: what came with the request, who asks, and how to answer."""

from __future__ import annotations

import gzip
import json
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any
from urllib.parse import parse_qs, quote

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from spreadplan.errors import BadInput
from spreadplan.views.display import Display
from spreadplan.views.setting import Setting, setting_of
from spreadplan.views.voice import Voice
from spreadplan.web import templating
from spreadplan.web.access.accounts import may
from spreadplan.web.access.security import same_site
from spreadplan.web.access.sessions import LONGEST_S, Session
from spreadplan.web.addresses import name_of, number_of
from spreadplan.web.site import Site

NOBODY = "this computer"
"""Who changes are noted down for where nobody needs an account."""
CSRF_HEADER = "x-csrf-token"
MOST_FIELDS = 20_000
COMPRESS_BYTES = 2_000
PREFERENCES = {"units": ("us", "metric"), "theme": ("light", "dark")}
PREFERENCE_S = 400 * 24 * 3600


@dataclass(eq=False, kw_only=True)
class Visit:
    """A request and everything a page needs to answer it."""

    request: Request
    site: Site
    session: Session
    role: str
    form: Mapping[str, Sequence[str]] = field(default_factory=dict)
    body: Any = None

    # --- what came with the request ---

    def path(self, name: str) -> str:
        """The name in a part of the address, as in ``/trucks/{name}``; see `addresses.address`."""
        return name_of(self.plain_path(name))

    def plain_path(self, name: str) -> str:
        """A part of the address as it stands, for names of files."""
        return str(self.request.path_params[name])

    def query(self, name: str, default: str = "") -> str:
        """A value behind the question mark of the address."""
        return self.request.query_params.get(name, default)

    def field(self, name: str, default: str = "") -> str:
        """A field of the form, trimmed; the first where there are several."""
        return next(iter(self.fields(name)), default)

    def fields(self, name: str) -> list[str]:
        """Every field of that name, in their order on the page."""
        return [value.strip() for value in self.form.get(name, ())]

    @property
    def wants_json(self) -> bool:
        """Whether a script asks."""
        accept = self.request.headers.get("accept", "")
        return "application/json" in accept and "text/html" not in accept

    # --- who asks ---

    @property
    def who(self) -> str:
        """The name that changes are noted down with."""
        return self.session.account or NOBODY

    def can(self, role: str) -> bool:
        """Whether the visitor may do what needs this role."""
        return may(self.role, role)

    # --- how to show ---

    def preference(self, name: str) -> str:
        """A choice of the visitor, or "" where none was made."""
        value = self.request.cookies.get(f"spreadplan_{name}", "")
        return value if value in PREFERENCES[name] else ""

    @cached_property
    def setting(self) -> Setting:
        """What reports need; in the visitor's units."""
        computed = self.site.computed
        return setting_of(computed.settings(), computed.materials(), self.preference("units"))

    @property
    def voice(self) -> Voice:
        """Says remarks, and the names of materials and storms, to the visitor."""
        return self.setting.voice

    @property
    def display(self) -> Display:
        """Shows quantities in the visitor's units."""
        return self.setting.display

    def render(self, template: str, status: int = 200, **context: Any) -> Response:
        """A page made from a template."""
        text = templating.page_html(template, {**self._context(), **context})
        return Response(encoded(text), status, media_type="text/html")

    def _context(self) -> dict[str, Any]:
        try:
            setting: Setting | None = self.setting
        except BadInput:
            setting = None  # the page that names the problems must still come
        return {
            "csrf": self.session.csrf,
            "who": self.who,
            "signed_in": bool(self.session.account),
            "role": self.role,
            "can": self.can,
            "display": setting.display if setting else None,
            "storm_name": setting.voice.storm if setting else str,
            "units": setting.display.system if setting else "us",
            "workspace_name": setting.workspace if setting else self.site.folder.name,
            "theme": self.preference("theme"),
            "state": self.site.state(),
            "here": here(self.request),
            "storms": self.site.computed.storms() if self.can("read") else [],
            "runs_now": bool(self.site.computed.storms_running()) if self.can("read") else False,
            "left_out": self.site.computed.left_out() if self.can("read") else (),
            "notices": self.site.store.outside_since(self.session.seen_change)
            if self.can("read")
            else [],
        }

    def json(self, data: Any, status: int = 200) -> Response:
        """Data for a script; a long answer is compressed. Text is not escaped: it is data."""
        return self.json_text(as_json(data), status)

    def json_text(self, text: str, status: int = 200) -> Response:
        """JSON that is text already, such as a remembered map layer."""
        content, headers = encoded(text), {"vary": "accept-encoding"}
        accepted = self.request.headers.get("accept-encoding", "")
        if len(content) > COMPRESS_BYTES and "gzip" in accepted:
            content, headers["content-encoding"] = gzip.compress(content, 4), "gzip"
        return Response(content, status, headers, "application/json")

    def go_to(self, path: str) -> Response:
        """Send the browser to a page of ours, after a change."""
        return RedirectResponse(local_path(path), 303)


def encoded(text: str) -> bytes:
    """Text as it is sent; half letters, as names of files may have them, are written out."""
    return text.encode("utf-8", "backslashreplace")


def as_json(data: Any) -> str:
    """Data as JSON; text is not escaped."""
    return json.dumps(data, allow_nan=False, ensure_ascii=False)


def here(request: Request) -> str:
    """The address that a request came for, as it was sent."""
    path = request.scope.get("raw_path") or quote(request.url.path).encode()
    query = request.url.query
    return path.decode("ascii", "replace").partition("?")[0] + (f"?{query}" if query else "")


def local_path(path: str) -> str:
    """A path on this server; the start page for anything that could lead elsewhere.

    >>> local_path("/trucks?new=1"), local_path("//elsewhere.example/"), local_path("https://x")
    ('/trucks?new=1', '/', '/')
    """
    plain = path.isprintable() and "\\" not in path
    return path if plain and path.startswith("/") and not path.startswith("//") else "/"


Handler = Callable[[Visit], Response]
Streaming = Callable[[Visit], Awaitable[Response]]


def page(path: str, handler: Handler, role: str = "read", name: str | None = None) -> Route:
    """A page that is looked at; the lowest role that may see it."""
    return _route(path, handler, role, "GET", name)


def action(path: str, handler: Handler, role: str, name: str | None = None) -> Route:
    """Something that is done: POST, with the session's token."""
    return _route(path, handler, role, "POST", name)


def upload(path: str, handler: Streaming, role: str, name: str | None = None) -> Route:
    """A file that is sent: PUT, with the token as a header; the handler reads the stream."""

    async def endpoint(request: Request) -> Response:
        async def answer(visit: Visit) -> Response:
            _check_token(visit, request.headers.get(CSRF_HEADER, ""))
            return await handler(visit)

        return await _answered(request, role, answer)

    return Route(path, endpoint, methods=["PUT"], name=name or handler.__name__)


def _route(path: str, handler: Handler, role: str, method: str, name: str | None) -> Route:
    async def endpoint(request: Request) -> Response:
        async def answer(visit: Visit) -> Response:
            if method == "POST":
                await _read_body(visit)
                sent = request.headers.get(CSRF_HEADER) or visit.field("csrf")
                _check_token(visit, sent)
            return await run_in_threadpool(handler, visit)

        return await _answered(request, role, answer)

    return Route(path, endpoint, methods=[method], name=name or handler.__name__)


async def _answered(request: Request, role: str, answer: Streaming) -> Response:
    """Find out who asks, let them in or not, answer, and give a new visitor a cookie."""
    visit, new_key = _arrive(request)
    request.state.visit = visit
    if not role or visit.can(role):
        response = await answer(visit)
    elif visit.site.must_sign_in and not visit.session.account:
        response = _ask_to_sign_in(visit)
    else:
        raise HTTPException(403, f"This needs an account that may {role}; yours may {visit.role}.")
    if new_key and not getattr(request.state, "cookie_set", False):
        set_session_cookie(response, request, visit.site, new_key)
    return response


def _arrive(request: Request) -> tuple[Visit, str]:
    """Who asks: a visit, and the key of the session if it is a new one."""
    site: Site = request.app.state.site
    known = request.cookies.get(cookie_name(request), "")
    session = site.sessions.find(known)
    key = ""
    if session is not None and session.account:
        account = site.accounts().get(session.account)
        if account is not None and account.stamp == session.stamp:
            return Visit(request=request, site=site, session=session, role=account.role), ""
        site.sessions.close_account(session.account)
        session = None
    if session is None:
        key, session = site.sessions.open(key=known)
        session.seen_change = site.store.last_change()
    return Visit(
        request=request, site=site, session=session, role="" if site.must_sign_in else "administer"
    ), key


def _ask_to_sign_in(visit: Visit) -> Response:
    request = visit.request
    if visit.wants_json or request.method != "GET":
        raise HTTPException(401, "Your session has ended. Sign in again, then repeat this.")
    login = request.url_for("login").include_query_params(next=here(request))
    return RedirectResponse(str(login), 303)


async def _read_body(visit: Visit) -> None:
    """The form or the JSON of a request, no larger than the limit."""
    request = visit.request
    content = await limited_body(request, visit.site.limits.form_bytes)
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    try:
        if kind == "application/x-www-form-urlencoded":
            visit.form = parse_qs(
                content.decode("utf-8"), keep_blank_values=True, max_num_fields=MOST_FIELDS
            )
        elif kind == "application/json":
            visit.body = json.loads(content)
        elif content:
            raise HTTPException(415, "Send a form or JSON.")
    except (ValueError, RecursionError):
        raise HTTPException(400, "The form cannot be understood.") from None


async def limited_body(request: Request, most_bytes: int) -> bytes:
    """The body of a request; refused as soon as it is known to be too large."""
    said = number_of(request.headers.get("content-length", ""))
    if said is not None and said > most_bytes:
        raise HTTPException(413, f"This is larger than {most_bytes:,} bytes.")
    content = bytearray()
    try:
        async for part in request.stream():
            content += part
            if len(content) > most_bytes:
                raise HTTPException(413, f"This is larger than {most_bytes:,} bytes.")
    except ClientDisconnect:
        raise HTTPException(400, "This broke off on the way. Send it again.") from None
    return bytes(content)


def _check_token(visit: Visit, sent: str) -> None:
    request = visit.request
    if not (visit.session.holds(sent) and same_site(request.headers, request.url.scheme)):
        raise HTTPException(403, "This page is out of date. Load it again, then repeat this.")


def cookie_name(request: Request) -> str:
    """Cookies are shared between ports: two servers on one computer must not share this one."""
    server = request.scope.get("server")
    return f"spreadplan_session_{server[1] if server else 0}"


def set_session_cookie(response: Response, request: Request, site: Site, key: str) -> None:
    """Give the browser its key; scripts cannot read it and other sites cannot make it sent."""
    response.set_cookie(
        cookie_name(request),
        key,
        max_age=int(LONGEST_S),
        httponly=True,
        samesite="lax",
        secure=site.secure,
        path="/",
    )
    request.state.cookie_set = True
