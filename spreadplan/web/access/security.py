"""What every answer and every request goes through, whatever page it is for."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable, Iterable

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: A report is a page of its own: its style is inside, it asks nobody for anything.
REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'; sandbox allow-popups"
)
#: A browser shows a PDF with a page of its own, which a stricter policy would stop.
PDF_POLICY = "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
HEADERS = {
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
}


def page_policy(tile_hosts: Iterable[str] = ()) -> str:
    """The content-security-policy of pages: our own files, and tiles from the hosts set up."""
    tiles = "".join(f" {host}" for host in tile_hosts)
    return (
        "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; "
        f"img-src 'self' data: blob:{tiles}; connect-src 'self'{tiles}; "
        "worker-src 'self' blob:; manifest-src 'self'; form-action 'self'; base-uri 'none'; "
        "object-src 'none'; frame-ancestors 'none'"
    )


def is_loopback(host: str) -> bool:
    """Whether only this computer can reach an address.

    >>> is_loopback("127.0.0.1"), is_loopback("::1"), is_loopback("0.0.0.0")
    (True, True, False)
    """
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def host_is_ours(header: str, names: Iterable[str], loopback_only: bool) -> bool:
    """Whether the Host header names this server.

    A page of another site can have its own name point at this computer and then ask as if it were
    ours; the name in the header gives it away. A bare address cannot be made to point elsewhere.
    """
    name = header.rsplit(":", 1)[0] if not header.endswith("]") else header
    name = name.strip("[]").casefold()
    if name in {"localhost", *(known.casefold() for known in names)}:
        return True
    try:
        address = ipaddress.ip_address(name)
    except ValueError:
        return False
    return address.is_loopback or not loopback_only


def own_names() -> list[str]:
    """The names that this computer goes by."""
    name = socket.gethostname()
    return [name, f"{name}.local"] if name else []


class Guard:
    """Refuses what is meant for other hosts or asked for by pages of others.

    Every answer gets the protective headers.

    ``defect`` answers what nobody else could, so that even that answer goes through here.
    """

    def __init__(
        self,
        app: ASGIApp,
        names: Iterable[str],
        loopback_only: bool,
        policy: str,
        defect: Callable[[Request, Exception], Response],
    ) -> None:
        self._defect = defect
        self._app = app
        self._names = tuple(names)
        self._loopback_only = loopback_only
        self._policy = policy

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return

        started = False

        async def guarded(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                own = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    own[name] = value
                own.setdefault("content-security-policy", self._policy)
                own.setdefault("cache-control", "no-store")
            await send(message)

        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not host_is_ours(hosts[0], self._names, self._loopback_only):
            answer = PlainTextResponse("This server does not go by that name.", 400)
            await answer(scope, receive, guarded)
            return
        if not opened_here(headers, scope["method"]):
            answer = PlainTextResponse("Another site cannot load this into its pages.", 403)
            await answer(scope, receive, guarded)
            return
        try:
            await self._app(scope, receive, guarded)
        except Exception as error:
            defect = self._defect(Request(scope), error)
            if started:  # too late for another answer; breaking off shows that it is not whole
                raise
            await defect(scope, receive, guarded)


def opened_here(headers: Headers, method: str) -> bool:
    """Whether a page of ours asks, or someone opens a page; as far as the browser tells.

    A link of another site may be followed. Its images, scripts, frames and whatever it fetches in
    advance ask with the visitor's browser for nothing that the visitor wants to see. The headers
    are those of the W3C's Fetch Metadata Request Headers; a browser too old for them tells nothing.
    """
    if headers.get("sec-fetch-site", "same-origin") in ("same-origin", "none"):
        return True
    ahead = "prefetch" in (headers.get("sec-purpose", "") + headers.get("purpose", ""))
    page = headers.get("sec-fetch-mode") == "navigate"
    page &= headers.get("sec-fetch-dest", "document") == "document"
    return method in ("GET", "HEAD") and page and not ahead


def same_site(headers: Headers, scheme: str) -> bool:
    """Whether a change was asked for by a page of ours, as far as the browser tells."""
    if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return False
    origin = headers.get("origin")
    return origin is None or origin == f"{scheme}://{headers.get('host', '')}"
