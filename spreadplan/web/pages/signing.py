"""Signing in and out, and the visitor's own choices."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.responses import Response

from spreadplan.web.access.accounts import LONGEST_PASSWORD, check_password
from spreadplan.web.visits import (
    PREFERENCE_S,
    PREFERENCES,
    Visit,
    action,
    cookie_name,
    local_path,
    page,
    set_session_cookie,
)


def login(visit: Visit) -> Response:
    """The form to sign in."""
    if visit.session.account or not visit.site.must_sign_in:
        return visit.go_to(visit.query("next", "/"))
    return visit.render("web/login.html", next=local_path(visit.query("next", "/")), fault="")


def sign_in(visit: Visit) -> Response:
    """Check name and password; a new session, so that a key known before is worth nothing."""
    site, name = visit.site, visit.field("name")
    there = local_path(visit.field("next", "/"))
    password = next(iter(visit.form.get("password", ())), "")[: LONGEST_PASSWORD + 1]
    client = visit.request.client
    address = client.host if client else ""
    account = site.accounts().get(name)
    wait_s = site.throttle.begin(name, address)
    if wait_s:
        text = f"Too many tries to sign in. Wait {wait_s} s, then try again."
        raise HTTPException(429, text, {"retry-after": str(wait_s)})
    right = False
    try:
        right = check_password(account, password)
    finally:
        (site.throttle.succeeded if right else site.throttle.failed)(name, address)
    if not right or account is None:
        fault = "Name and password do not fit together."
        return visit.render("web/login.html", 401, next=there, fault=fault)
    site.sessions.close(visit.request.cookies.get(cookie_name(visit.request), ""))
    key, session = site.sessions.open(account.name, account.stamp)
    session.seen_change = site.store.last_change()
    response = visit.go_to(there)
    set_session_cookie(response, visit.request, site, key)
    return response


def sign_out(visit: Visit) -> Response:
    """End the session on the server; the cookie is worth nothing from then on."""
    visit.site.sessions.close(visit.request.cookies.get(cookie_name(visit.request), ""))
    response = visit.go_to("/login" if visit.site.must_sign_in else "/")
    response.delete_cookie(cookie_name(visit.request), path="/")
    return response


def prefer(visit: Visit) -> Response:
    """Keep the visitor's units and light or dark; they hold for this browser."""
    response = visit.go_to(visit.field("next", "/"))
    for name, choices in PREFERENCES.items():
        value = visit.field(name)
        if value in choices:
            response.set_cookie(
                f"spreadplan_{name}", value, PREFERENCE_S, samesite="lax", httponly=True
            )
        elif value == "auto":
            response.delete_cookie(f"spreadplan_{name}")
    return response


def seen(visit: Visit) -> Response:
    """The visitor knows of the changes that were made outside."""
    visit.session.seen_change = visit.site.store.last_change()
    return visit.go_to(visit.field("next", "/"))


ROUTES = [
    page("/login", login, role=""),
    action("/login", sign_in, role=""),
    action("/logout", sign_out, role=""),
    action("/preferences", prefer, role=""),
    action("/notices/seen", seen, role="read"),
]
