"""Serve a workspace until someone stops it."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

from spreadplan.errors import BadInput, Problem
from spreadplan.web.accounts import read_accounts
from spreadplan.web.app import create_app
from spreadplan.web.files import check_workspace
from spreadplan.web.jobs import finish_results
from spreadplan.web.security import is_loopback

#: Requests that wait to be taken up; more than any county has people.
MOST_WAITING = 200
UNREADABLE = (
    "caution: without --certificate and --key, passwords travel readable through the network; "
    "use it only in a network that you trust"
)


def serve(
    folder: Path,
    host: str = "127.0.0.1",
    port: int = 8642,
    names: Sequence[str] = (),
    certificate: Path | None = None,
    key: Path | None = None,
    say: Callable[[str], None] = print,
) -> None:
    """Serve the web application.

    Parameters
    ----------
    host, port : where to listen; port 0 takes a free one.
    names : further host names that the server goes by.
    certificate, key : files for TLS.
    say : is told where to look once the server listens.

    Raises BadInput where the folder is no workspace, where others than this computer could reach
    the server and nobody has an account, or where it cannot listen.
    """
    import uvicorn

    from spreadplan.web.connections import BoundedProtocol, allow_handles

    check_workspace(folder)
    alone = is_loopback(host)
    if not alone and not read_accounts(folder):
        what = f"others could reach the server at {host}, and nobody has an account yet"
        remedy = "make one with: spreadplan account WORKSPACE NAME --role administer"
        raise BadInput([Problem(".accounts.toml", 0, "*", what, remedy)])
    finish_results(folder, say)
    allow_handles()
    app = create_app(folder, names=names, loopback_only=alone, secure=certificate is not None)
    with _listening(host, port) as listening:
        config = uvicorn.Config(
            app,
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            ws="none",
            http=BoundedProtocol,
            timeout_graceful_shutdown=5,
            ssl_certfile=str(certificate) if certificate else None,
            ssl_keyfile=str(key) if key else None,
        )
        if not alone and not certificate:
            say(UNREADABLE)
        if not os.access(folder, os.W_OK):
            say(f"caution: {folder} does not allow writing; forms can be looked at but not saved")
        shown = f"[{host}]" if ":" in host else host
        scheme = "https" if certificate else "http"
        say(f"open {scheme}://{shown}:{listening.getsockname()[1]}/ in a browser; Ctrl+C stops it")
        with suppress(KeyboardInterrupt):
            uvicorn.Server(config).run(sockets=[listening])


def _listening(host: str, port: int) -> socket.socket:
    """A socket that listens. Raises BadInput where there cannot be one."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    fault = "there is no such port"
    if 0 <= port <= 65_535:
        # named as TCP: only then does the event loop send small answers without delay
        listening = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        try:
            if os.name == "posix":  # elsewhere it would let two servers share a port
                listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind((host, port))
            listening.listen(MOST_WAITING)
            return listening
        except OSError as error:
            listening.close()
            fault = error.strerror or str(error)
    what = f"cannot listen at {host}, port {port} ({fault})"
    raise BadInput([Problem("--port", 0, "*", what, "choose another with --port")])
