"""Serve a workspace until someone stops it."""

from __future__ import annotations

import errno
import os
import re
import socket
import ssl
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from spreadplan.errors import BadInput, Problem
from spreadplan.web.access.accounts import read_accounts
from spreadplan.web.access.security import is_loopback
from spreadplan.web.app import create_app
from spreadplan.web.files.folder import check_workspace
from spreadplan.web.work.jobs import finish_results

#: Requests that wait to be taken up; more than any county has people.
MOST_WAITING = 200
#: As a browser sends it: other letters come in their ASCII form.
NAME: Final = re.compile(r"[A-Za-z0-9._-]{1,253}")
USUAL_HOST: Final = "write 127.0.0.1 for this computer alone, 0.0.0.0 for all who can reach it"
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
    the server and nobody has an account, or where it cannot listen or be served with the
    certificate.
    """
    import uvicorn

    from spreadplan.web.connections import BoundedProtocol, allow_handles

    check_workspace(folder)
    faults = [*_unfit_names(host, names), *_unfit_certificate(certificate, key)]
    if faults:
        raise BadInput(faults)
    alone = is_loopback(host)
    if not alone and not read_accounts(folder):
        what = f"others could reach the server at {host}, and nobody has an account yet"
        remedy = "make one with: spreadplan account WORKSPACE NAME --role administer"
        raise BadInput(
            [Problem(file=".accounts.toml", row=0, column="*", what=what, remedy=remedy)]
        )
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
    if not 0 <= port <= 65_535:
        raise _refused("--port", f"{port} is not a port", "choose one from 1024 to 65535")
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
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
        if isinstance(error, socket.gaierror) or error.errno == errno.EADDRNOTAVAIL:
            what, remedy = f'"{host}" is not an address of this computer ({fault})', USUAL_HOST
            raise _refused("--host", what, remedy) from error
        what = f"cannot listen at {host}, port {port} ({fault})"
        raise _refused("--port", what, "choose another with --port") from error


def _refused(option: str, what: str, remedy: str) -> BadInput:
    return BadInput([Problem(file=option, row=0, column="*", what=what, remedy=remedy)])


def _unfit_names(host: str, names: Sequence[str]) -> Iterator[Problem]:
    """What cannot be the name or address of a server."""
    if not NAME.fullmatch(re.sub("[:%]", "", host)):  # an IPv6 address has them
        yield Problem(
            file="--host", row=0, column="*", what=f'"{host}" is not an address', remedy=USUAL_HOST
        )
    for name in names:
        if not NAME.fullmatch(name):
            remedy = "write it without http:// and port, as salt.county.example"
            yield Problem(
                file="--name",
                row=0,
                column="*",
                what=f'"{name}" is not the name of a server',
                remedy=remedy,
            )


def _unfit_certificate(certificate: Path | None, key: Path | None) -> Iterator[Problem]:
    """Why a certificate and its key cannot be served with; they are read once more by the server.

    The key may stand in the certificate's file.
    """
    given = {"--certificate": certificate, "--key": key}
    if key and not certificate:
        what, remedy = "is given without a certificate", "add --certificate FILE"
        yield Problem(file="--key", row=0, column="*", what=what, remedy=remedy)
        return
    for option, path in given.items():
        if path and not path.is_file():
            yield Problem(
                file=option,
                row=0,
                column="*",
                what=f"{path} is not a file",
                remedy="name a file in PEM format",
            )
            return
    if certificate:
        yield from _unfit_pair(certificate, key)


def _unfit_pair(certificate: Path, key: Path | None) -> Iterator[Problem]:
    asked: list[bool] = []

    def password() -> str:  # without it the library would wait for someone to type it
        asked.append(True)
        return ""

    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        context.load_verify_locations(certificate)
    except OSError as error:
        what = f"{certificate} holds no certificate ({_reason(error)})"
        yield Problem(
            file="--certificate", row=0, column="*", what=what, remedy="name a file in PEM format"
        )
        return
    try:
        context.load_cert_chain(certificate, key, password)
    except (OSError, ValueError) as error:
        if asked:
            what = f"{key or certificate} is locked with a password"
            remedy = "save the key without one, where nobody else can read it"
        elif key is None:
            what = f"is missing, and {certificate} holds no private key either"
            remedy = "add --key FILE"
        else:
            what = f"{key} is not the private key of this certificate ({_reason(error)})"
            remedy = "name the key that the certificate was made with, in PEM format"
        yield Problem(file="--key", row=0, column="*", what=what, remedy=remedy)


def _reason(error: Exception) -> str:
    text = getattr(error, "reason", None) or getattr(error, "strerror", None) or str(error)
    return str(text).replace("_", " ").lower()
