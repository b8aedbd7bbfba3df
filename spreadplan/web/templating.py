"""Templates of pages to HTML."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from hashlib import sha256
from typing import Any

import jinja2

from spreadplan.reports.render import environment_with
from spreadplan.resources import resource
from spreadplan.web.addresses import address


@cache
def _environment() -> jinja2.Environment:
    return environment_with(static=static, address=address)


def static(name: str) -> str:
    """The address of a file below ``templates/static``; it changes when the file does."""
    path = resource("templates") / "static" / name
    return f"/static/{name}?v={_mark(name, path.stat().st_mtime_ns)}"


@cache
def _mark(name: str, _time_ns: int) -> str:
    return sha256((resource("templates") / "static" / name).read_bytes()).hexdigest()[:10]


def page_html(template: str, context: Mapping[str, Any]) -> str:
    """A page. Every text is escaped."""
    return _environment().get_template(template).render(context)
