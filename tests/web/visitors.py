"""Browsers for tests: they keep cookies and send the token of the page they saw last."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import httpx2 as httpx
from starlette.testclient import TestClient

from spreadplan.web import create_app
from spreadplan.web.access.accounts import save_account
from spreadplan.web.site import Limits, Site

HERE = "http://127.0.0.1:8642"
PASSWORD = "four plain words here"
#: the worker of a server's jobs that leaves PDF files out; `test_jobs` sees the whole one at work
WITHOUT_PDF = (
    sys.executable,
    "-c",
    "import sys; from spreadplan.reports import render; from spreadplan.web.work import worker;"
    "render.pdf_possible = lambda: False; sys.exit(worker.run())",
)


class Clock:
    """Seconds that pass when a test says so."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


class Browser(TestClient):
    """A client that sends the token with every change, unless told otherwise."""

    def token(self, path: str = "/") -> str:
        found = re.search(r'<meta name="csrf" content="([^"]+)">', self.get(path).text)
        assert found, path
        return found[1]

    def do(self, path: str, data: dict[str, str] | None = None, **more: object) -> httpx.Response:
        fields = {"csrf": self.token("/login" if more.pop("unsigned", False) else "/")}
        return self.post(path, data={**fields, **(data or {})}, follow_redirects=False)

    def drop(self, path: str, content: bytes | str) -> httpx.Response:
        return self.put(path, content=content, headers={"x-csrf-token": self.token()})


def site_of(folder: Path, **more: object) -> Site:
    return Site(folder.resolve(), **more)  # type: ignore[arg-type]


def browser(folder: Path, site: Site | None = None, **more: object) -> Browser:
    """Someone at this computer."""
    app = create_app(folder, site=site, **more)  # type: ignore[arg-type]
    return Browser(app, base_url=HERE, raise_server_exceptions=False)


def signed_in(folder: Path, role: str, site: Site | None = None, name: str = "") -> Browser:
    """Someone with an account."""
    name = name or f"a-{role}"
    save_account(folder, name, role, PASSWORD)
    visitor = browser(folder, site=site, loopback_only=False)
    answer = visitor.do("/login", {"name": name, "password": PASSWORD}, unsigned=True)
    assert answer.status_code == 303, answer.text
    return visitor


SMALL = Limits(form_bytes=2_000, upload_bytes=5_000)
