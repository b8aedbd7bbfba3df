"""Each safeguard of the server, by trying to get past it."""

from __future__ import annotations

import re
import stat

import pytest
from starlette.routing import Route

from spreadplan import cli
from spreadplan.errors import BadInput
from spreadplan.resources import resource
from spreadplan.web import create_app, serve
from spreadplan.web.access.accounts import (
    check_password,
    read_accounts,
    remove_account,
    save_account,
)
from spreadplan.web.access.security import host_is_ours
from spreadplan.web.access.sessions import IDLE_S, LONGEST_S, MOST_SESSIONS, Sessions
from spreadplan.web.access.throttle import FREE, LONGEST_WAIT_S, Throttle
from tests.web.visitors import HERE, PASSWORD, SMALL, Browser, Clock, browser, signed_in, site_of


@pytest.fixture(autouse=True)
def quick_hashes(monkeypatch):
    """The real hash takes 64 MB and a tenth of a second on purpose; one test uses it as it is."""
    from argon2 import PasswordHasher

    from spreadplan.web.access import accounts

    quick = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
    monkeypatch.setattr(accounts, "_hasher", quick)
    monkeypatch.setattr(accounts, "_nobody", quick.hash("nobody"))


# --- who can reach it ---


def test_a_page_of_another_site_cannot_pose_as_this_server(workspace):
    visitor = browser(workspace())
    assert visitor.get("/").status_code == 200
    assert visitor.get("/", headers={"host": "evil.example:8642"}).status_code == 400
    assert visitor.get("/healthz", headers={"host": "evil.example"}).status_code == 400


@pytest.mark.parametrize(
    ("header", "alone", "ours"),
    [
        ("127.0.0.1:8642", True, True),
        ("localhost", True, True),
        ("[::1]:8642", True, True),
        ("[::1]", True, True),
        ("192.168.1.20:8642", True, False),
        ("192.168.1.20:8642", False, True),
        ("salt.county.test", False, True),
        ("SALT.county.test:8642", False, True),
        ("salt.county.test.evil.example", False, False),
        ("localhost.evil.example", True, False),
        ("127.0.0.1.evil.example", True, False),
        ("", True, False),
    ],
)
def test_names_of_the_server(header, alone, ours):
    assert host_is_ours(header, ["salt.county.test"], alone) is ours


def test_two_host_headers_are_refused(workspace):
    visitor = browser(workspace())
    answer = visitor.get("/", headers=[("host", "127.0.0.1"), ("host", "evil.example")])
    assert answer.status_code == 400


def test_others_cannot_be_served_while_nobody_has_an_account(workspace):
    with pytest.raises(BadInput, match="nobody has an account"):
        serve(workspace(), host="0.0.0.0", port=1)


def test_the_command_listens_at_this_computer_unless_told_otherwise():
    assert cli.build_parser().parse_args(["serve", "W"]).host == "127.0.0.1"


def test_a_folder_that_is_no_workspace_is_not_served(tmp_path):
    with pytest.raises(BadInput, match=r"workspace\.toml"):
        create_app(tmp_path)


def test_healthz_needs_no_account_and_tells_nothing_of_the_workspace(workspace):
    folder = workspace()
    visitor = browser(folder, loopback_only=False)
    answer = visitor.get("/healthz")
    assert answer.status_code == 200
    assert set(answer.json()) == {"ok", "version"}
    (folder / "workspace.toml").unlink()
    assert visitor.get("/healthz").status_code == 503


# --- headers ---


def test_every_answer_carries_the_protective_headers(workspace):
    visitor = browser(workspace())
    for path in ("/", "/login", "/nothing-here", "/static/app.css", "/healthz", "/state"):
        headers = visitor.get(path, follow_redirects=False).headers
        policy = dict(
            part.strip().partition(" ")[::2]
            for part in headers["content-security-policy"].split(";")
        )
        assert policy["default-src"] == "'none'", path
        assert policy["script-src"] == "'self'", path
        assert policy["style-src"] == "'self'", path
        assert policy["frame-ancestors"] == "'none'", path
        assert policy["form-action"] == "'self'", path
        assert "unsafe" not in headers["content-security-policy"], path
        assert headers["x-content-type-options"] == "nosniff", path
        assert headers["x-frame-options"] == "DENY", path
        assert "server" not in headers, path
    assert visitor.get("/").headers["cache-control"] == "no-store"


def test_no_template_has_a_script_style_or_handler_inside():
    """The policy would stop them; a page that relied on one would be broken."""
    templates = sorted((resource("templates") / "web").rglob("*.html"))
    assert len(templates) >= 5
    for template in templates:
        text = template.read_text()
        for tag in re.findall(r"<script\b[^>]*>", text):
            assert "src=" in tag or 'type="application/json"' in tag, (template.name, tag)
        assert not re.search(r"<style\b|\sstyle=|\son[a-z]+\s*=\s*[\"']|javascript:", text), (
            template
        )
        assert not re.search(r"(src|href)=[\"'](https?:)?//", text), template


def test_a_tile_server_of_the_workspace_is_the_only_other_host(workspace):
    tiles = '[map]\ntiles = "https://tiles.county.test:8443/{z}/{x}/{y}.png"\n'
    plain = (workspace() / "workspace.toml").read_text()
    policy = browser(workspace({"workspace.toml": plain + tiles})).get("/").headers
    assert "https://tiles.county.test:8443;" in policy["content-security-policy"] + ";"
    assert policy["content-security-policy"].count("https://") == 2  # images and requests
    wrong = tiles.replace("county.test:8443", "county.test; script-src *")
    policy = browser(workspace({"workspace.toml": plain + wrong})).get("/").headers
    assert "script-src *" not in policy["content-security-policy"]


# --- changes need the page's token ---


def test_a_change_without_the_token_of_the_session_is_refused(workspace):
    visitor, stranger = browser(workspace()), browser(workspace())
    visitor.get("/")
    for sent in ({}, {"csrf": ""}, {"csrf": "x" * 43}, {"csrf": stranger.token()}):
        answer = visitor.post("/preferences", data=sent, follow_redirects=False)
        assert answer.status_code == 403, sent
    assert visitor.do("/preferences", {"units": "metric"}).status_code == 303


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "https://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9999"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_a_change_asked_for_by_another_site_is_refused_even_with_the_token(workspace, headers):
    visitor = browser(workspace())
    token = visitor.token()
    answer = visitor.post("/preferences", data={"csrf": token}, headers=headers)
    assert answer.status_code == 403
    own = {"origin": HERE, "sec-fetch-site": "same-origin"}
    answer = visitor.post("/preferences", data={"csrf": token}, headers=own, follow_redirects=False)
    assert answer.status_code == 303


IMAGE = {"sec-fetch-dest": "image", "sec-fetch-mode": "no-cors"}
PAGE = {"sec-fetch-dest": "document", "sec-fetch-mode": "navigate"}


@pytest.mark.parametrize(
    ("site", "how", "code"),
    [
        ("cross-site", IMAGE, 403),
        ("same-site", IMAGE, 403),
        ("cross-site", {"sec-fetch-dest": "iframe", "sec-fetch-mode": "navigate"}, 403),
        ("cross-site", {"sec-fetch-dest": "script", "sec-fetch-mode": "no-cors"}, 403),
        ("cross-site", {**PAGE, "sec-purpose": "prefetch;prerender"}, 403),
        ("cross-site", PAGE, 200),  # a link in a letter
        ("same-origin", IMAGE, 200),
        ("none", PAGE, 200),
    ],
)
def test_pages_of_others_can_load_nothing_from_here(workspace, site, how, code):
    answer = browser(workspace()).get("/trucks", headers={"sec-fetch-site": site, **how})
    assert answer.status_code == code
    assert code == 200 or "set-cookie" not in answer.headers


@pytest.mark.slow
def test_a_flood_of_visitors_ends_nobodys_session(workspace, monkeypatch):
    """A page full of images asks a thousand times; the form that is open here can still be sent."""
    monkeypatch.setattr("spreadplan.web.access.sessions.MOST_SESSIONS", 20)
    folder = workspace()
    site = site_of(folder)
    planner = browser(folder, site=site)
    token, key = planner.token(), dict(planner.cookies)
    for _ in range(60):
        browser(folder, site=site).get("/login")
    assert len(site.sessions._sessions) == 20
    answer = planner.post("/preferences", data={"csrf": token}, follow_redirects=False)
    assert answer.status_code == 303
    assert dict(planner.cookies) == key
    other = browser(folder, site=site)
    assert other.token() != token
    assert other.post("/preferences", data={"csrf": token}).status_code == 403


def test_a_key_of_someone_who_signed_in_opens_nothing_after_the_session_was_dropped(workspace):
    folder = workspace()
    site = site_of(folder)
    visitor = signed_in(folder, "plan", site)
    site.sessions.close_account("a-plan")
    assert visitor.get("/", follow_redirects=False).status_code == 303
    assert len(site.sessions._sessions) == 1


def test_every_address_that_changes_something_asks_for_the_token(workspace):
    app = create_app(workspace())
    visitor = Browser(app, base_url=HERE)
    visitor.get("/")
    changing = [
        (route.path, method)
        for route in app.routes
        if isinstance(route, Route)
        for method in (route.methods or set()) - {"GET", "HEAD"}
    ]
    assert len(changing) >= 8
    for path, method in changing:
        address = re.sub(r"{number:int}", "1", path)
        address = re.sub(r"{[^}]*}", "s1", address)
        assert visitor.request(method, address).status_code == 403, (method, path)


# --- sessions ---


def test_the_cookie_cannot_be_read_by_scripts_nor_sent_by_other_sites(workspace):
    cookie = browser(workspace()).get("/").headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert "secure" not in cookie
    over_tls = browser(workspace(), secure=True).get("/").headers["set-cookie"].lower()
    assert "secure" in over_tls


def test_a_session_ends_when_unused_and_after_a_day(workspace):
    clock = Clock()
    folder = workspace()
    visitor = signed_in(folder, "read", site_of(folder, clock=clock))
    for _ in range(5):
        clock.now += IDLE_S / 2
        if 0.5 * IDLE_S * (_ + 1) < LONGEST_S:
            assert visitor.get("/", follow_redirects=False).status_code == 200
    assert visitor.get("/", follow_redirects=False).status_code == 303  # a day is over
    visitor = signed_in(folder, "read", site_of(folder, clock=clock))
    clock.now += IDLE_S + 1
    assert visitor.get("/", follow_redirects=False).headers["location"].startswith(f"{HERE}/login")


def test_signing_out_makes_the_key_worthless_even_to_someone_who_kept_it(workspace):
    visitor = signed_in(workspace(), "read")
    key = dict(visitor.cookies)
    visitor.do("/logout")
    visitor.cookies.update(key)
    assert visitor.get("/", follow_redirects=False).status_code == 303


def test_signing_in_gives_a_new_key(workspace):
    folder = workspace()
    save_account(folder, "ann", "read", PASSWORD)
    visitor = browser(folder)
    visitor.get("/login")
    before = dict(visitor.cookies)
    visitor.do("/login", {"name": "ann", "password": PASSWORD}, unsigned=True)
    after = dict(visitor.cookies)
    assert before.keys() == after.keys()
    assert before != after
    visitor.cookies.clear()
    visitor.cookies.update(before)
    assert visitor.get("/", follow_redirects=False).status_code == 303


def test_a_new_password_role_or_removal_ends_sessions_at_once(workspace):
    folder = workspace()
    for change in (
        lambda: save_account(folder, "a-plan", "plan", "another long password"),
        lambda: save_account(folder, "a-plan", "read", PASSWORD),
        lambda: remove_account(folder, "a-plan"),
    ):
        visitor = signed_in(folder, "plan")
        save_account(folder, "someone-else", "read", PASSWORD)
        assert visitor.get("/", follow_redirects=False).status_code == 200
        change()
        assert visitor.get("/", follow_redirects=False).status_code == 303


def test_visitors_without_account_cannot_push_out_those_who_signed_in():
    sessions = Sessions(Clock())
    key, _ = sessions.open("ann", "stamp")
    for _ in range(MOST_SESSIONS + 10):
        sessions.open()
    assert sessions.find(key) is not None
    assert len(sessions._sessions) == MOST_SESSIONS


# --- accounts and roles ---


@pytest.mark.slow
def test_passwords_are_kept_as_argon2id_hashes_in_a_private_file(workspace, monkeypatch):
    monkeypatch.undo()
    folder = workspace()
    account = save_account(folder, "ann", "record", PASSWORD)
    path = folder / ".accounts.toml"
    assert PASSWORD not in path.read_text()
    assert account.password_hash.startswith("$argon2id$")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    found = read_accounts(folder)["ann"]
    assert check_password(found, PASSWORD)
    assert not check_password(found, PASSWORD + "x")
    assert not check_password(None, PASSWORD)


@pytest.mark.parametrize(
    ("name", "role", "password", "what"),
    [
        ("a b", "read", PASSWORD, "not a name"),
        ("../x", "read", PASSWORD, "not a name"),
        ("", "read", PASSWORD, "not a name"),
        ("ann", "owner", PASSWORD, "not a role"),
        ("ann", "read", "short", "5 characters"),
        ("ann", "read", "x" * 201, "201 characters"),
    ],
)
def test_an_account_needs_a_name_a_role_and_a_long_password(workspace, name, role, password, what):
    folder = workspace()
    with pytest.raises(BadInput, match=what):
        save_account(folder, name, role, password)
    assert not (folder / ".accounts.toml").exists()


@pytest.mark.parametrize(
    "text",
    [
        "accounts = 3",
        "[accounts.x]\nrole='read'",
        "]",
        "[accounts.x]\nrole='king'\npassword_hash='x'",
    ],
)
def test_a_broken_file_of_accounts_lets_nobody_in(workspace, text):
    folder = workspace()
    (folder / ".accounts.toml").write_text(text)
    answer = browser(folder).get("/")
    assert answer.status_code == 422
    assert ".accounts.toml" in answer.text or "problems" in answer.text


@pytest.mark.slow
def test_a_role_may_do_what_those_before_it_may_and_no_more(workspace):
    folder = workspace()
    tries = {
        "look": lambda v: v.get("/", follow_redirects=False),
        "record": lambda v: v.drop("/storms/s1/tickets/loads", "ticket_id\nx\n"),
        "plan": lambda v: v.do("/jobs", {"command": "unknown"}),
    }
    allowed = {
        "read": {"look"},
        "record": {"look", "record"},
        "plan": {"look", "record", "plan"},
        "administer": {"look", "record", "plan"},
    }
    for role, may in allowed.items():
        visitor = signed_in(folder, role)
        got = {what for what, attempt in tries.items() if attempt(visitor).status_code != 403}
        assert got == may, role


def test_without_signing_in_nothing_can_be_seen_or_done(workspace):
    folder = workspace()
    save_account(folder, "ann", "read", PASSWORD)
    results = folder / "results" / "s1"
    results.mkdir(parents=True)
    (results / "plan_report.html").write_text("secret")
    app = create_app(folder)  # even at this computer, once there are accounts
    open_to_all = {"/healthz", "/login", "/logout", "/preferences", "/{anything:path}"}
    visitor = Browser(app, base_url=HERE)
    tried = 0
    for route in app.routes:
        if isinstance(route, Route) and route.path not in open_to_all:
            address = re.sub(r"{number:int}", "1", route.path)
            address = re.sub(r"{name:path}", "s1/plan_report.html", address)
            address = re.sub(r"{[^}]*}", "s1", address)
            if "GET" in (route.methods or ()):
                answer = visitor.get(address, follow_redirects=False)
                assert answer.status_code == 303, address
                assert answer.headers["location"].startswith(f"{HERE}/login?next="), address
                answer = visitor.get(
                    address, headers={"accept": "application/json"}, follow_redirects=False
                )
            else:
                method = next(iter(route.methods or ()))
                token = {"x-csrf-token": visitor.token("/login")}
                answer = visitor.request(method, address, headers=token)
            assert answer.status_code == 401, address
            assert "secret" not in answer.text
            tried += 1
    assert tried >= 8
    page = visitor.get("/login").text
    assert "s1" not in page  # not even the names of storms


def test_after_signing_in_only_pages_of_ours_are_gone_to(workspace):
    folder = workspace()
    save_account(folder, "ann", "read", PASSWORD)
    for there, goes in [
        ("/trucks?x=1", "/trucks?x=1"),
        ("//evil.example/", "/"),
        ("https://evil.example", "/"),
        ("/\\evil.example", "/"),
        ("/\t/evil.example", "/"),
    ]:
        fields = {"name": "ann", "password": PASSWORD, "next": there}
        answer = browser(folder).do("/login", fields, unsigned=True)
        assert answer.headers["location"] == goes


# --- guessing passwords ---


def test_guessing_gets_slower(workspace):
    clock = Clock()
    folder = workspace()
    save_account(folder, "ann", "read", PASSWORD)
    visitor = browser(folder, site=site_of(folder, clock=clock))

    def guess(password: str) -> int:
        fields = {"name": "ann", "password": password}
        return visitor.do("/login", fields, unsigned=True).status_code

    assert [guess("wrong wrong") for _ in range(FREE["pair"])] == [401] * FREE["pair"]
    assert guess(PASSWORD) == 429  # not even the right one, for now
    clock.now += 3
    assert guess("wrong wrong") == 401
    clock.now += 3
    assert guess(PASSWORD) == 429  # the wait has doubled
    clock.now += 3
    assert guess(PASSWORD) == 303


def test_waiting_times():
    clock = Clock()
    throttle = Throttle(clock)
    for _ in range(FREE["pair"] + 30):
        throttle.failed("ann", "10.0.0.1")
    assert throttle.wait_s("ann", "10.0.0.1") == LONGEST_WAIT_S
    assert throttle.wait_s("Ann", "10.0.0.1") == LONGEST_WAIT_S  # case makes no new person
    assert throttle.wait_s("ann", "10.0.0.2") == 0
    assert throttle.wait_s("ben", "10.0.0.1") > 0  # the address has guessed too often
    for n in range(FREE["name"]):
        throttle.failed("ben", f"10.0.1.{n}")
    assert throttle.wait_s("ben", "10.9.9.9") > 0  # from many addresses


@pytest.mark.slow
def test_right_passwords_lock_nobody_out(workspace):
    """A crew room shares one address: its sign-ins are no guesses, however many there are."""
    folder = workspace()
    names = [f"driver-{n}" for n in range(FREE["address"] + 6)]
    for name in names:
        save_account(folder, name, "read", PASSWORD)
    clock = Clock()
    site = site_of(folder, clock=clock)

    def enter(name: str, password: str = PASSWORD) -> int:
        fields = {"name": name, "password": password}
        return browser(folder, site=site).do("/login", fields, unsigned=True).status_code

    assert [enter(name) for name in names] == [303] * len(names)
    assert [enter("driver-0") for _ in range(FREE["name"] + 5)] == [303] * (FREE["name"] + 5)
    wrong = [enter(names[n % 10], "wrong wrong") for n in range(FREE["address"])]
    assert wrong == [401] * FREE["address"]
    assert enter("driver-20") == 429, "guesses still count, over all names of the address"
    clock.now += 3
    assert enter("driver-20") == 303
    assert enter("driver-21") == 303, "a right one makes nobody wait"
    assert enter("driver-21", "wrong wrong") == 401
    assert enter("driver-22") == 429, "nor does it make the guesses before it forgotten"


def test_tries_at_once_are_no_way_around_the_wait():
    throttle = Throttle(Clock())
    for _ in range(FREE["pair"]):
        assert throttle.begin("ann", "10.0.0.1") == 0
    assert throttle.begin("ann", "10.0.0.1") > 0, "each of them may be wrong yet"
    throttle.succeeded("ann", "10.0.0.1")
    assert throttle.begin("ann", "10.0.0.1") == 0
    for _ in range(FREE["pair"]):
        throttle.failed("ann", "10.0.0.1")
    assert throttle.begin("ann", "10.0.0.1") > 0


def test_a_name_that_is_not_there_is_answered_like_a_wrong_password(workspace):
    folder = workspace()
    save_account(folder, "ann", "read", PASSWORD)
    texts = set()
    for name in ("ann", "nobody"):
        fields = {"name": name, "password": "wrong wrong"}
        answer = browser(folder).do("/login", fields, unsigned=True)
        texts.add(
            (answer.status_code, re.sub(r'content="[^"]{43}"|value="[^"]{43}"', "", answer.text))
        )
    assert len(texts) == 1


# --- what comes in and goes out ---


def test_a_form_larger_than_the_limit_is_refused(workspace):
    folder = workspace()
    visitor = browser(folder, site=site_of(folder, limits=SMALL))
    assert visitor.do("/preferences", {"units": "us", "x": "y" * 3_000}).status_code == 413
    token = visitor.token()

    def in_pieces():  # without a length that could be looked at first
        for _ in range(30):
            yield b"x=" + b"y" * 100 + b"&"

    headers = {"x-csrf-token": token, "content-type": "application/x-www-form-urlencoded"}
    assert visitor.post("/preferences", content=in_pieces(), headers=headers).status_code == 413


@pytest.mark.parametrize("kind", ["multipart/form-data; boundary=x", "text/xml", ""])
def test_a_body_of_another_kind_is_refused(workspace, kind):
    visitor = browser(workspace())
    headers = {"x-csrf-token": visitor.token(), "content-type": kind}
    assert visitor.post("/preferences", content=b"abc", headers=headers).status_code == 415


@pytest.mark.parametrize("body", [b"{", b"[" * 100_000, b"\xff"])
def test_json_that_cannot_be_understood_is_refused(workspace, body):
    visitor = browser(workspace())
    headers = {"x-csrf-token": visitor.token(), "content-type": "application/json"}
    assert visitor.post("/preferences", content=body, headers=headers).status_code == 400


@pytest.mark.parametrize(
    "path",
    [
        "../workspace.toml",
        "..%2fworkspace.toml",
        "%2e%2e/workspace.toml",
        "s1/../../trucks.csv",
        "/etc/passwd",
        "%2fetc/passwd",
        "s1/%00",
        ".lock",
        ".staging-1/x",
        "s1",
        "link.html",
        "linked/secret.txt",
        "..\\workspace.toml",
        "C:\\x",
    ],
)
def test_no_file_outside_the_results_can_be_read(workspace, path, tmp_path):
    folder = workspace()
    results = folder / "results" / "s1"
    results.mkdir(parents=True)
    (folder / "results" / ".lock").write_text("secret")
    outside = tmp_path / "elsewhere"
    outside.mkdir()
    (outside / "secret.txt").write_text("secret")
    (folder / "results" / "link.html").symlink_to(outside / "secret.txt")
    (folder / "results" / "linked").symlink_to(outside)
    (results / "plan_report.html").write_text("fine")
    visitor = browser(folder)
    assert visitor.get("/results/s1/plan_report.html").text == "fine"
    assert visitor.get(f"/results/{path}").status_code == 404


@pytest.mark.parametrize("path", ["../app.py", "..%2f..%2fspreadplan%2fcli.py", "%2fetc/passwd"])
def test_no_file_outside_the_static_ones_can_be_read(workspace, path):
    visitor = browser(workspace())
    assert visitor.get("/static/app.css").status_code == 200
    assert visitor.get(f"/static/{path}").status_code == 404


def test_a_report_may_run_no_script_and_ask_no_one(workspace):
    folder = workspace()
    (folder / "results").mkdir()
    for name in ("a.html", "a.svg", "a.js", "a.csv"):
        (folder / "results" / name).write_text("<script>alert(1)</script>")
    visitor = browser(folder)
    answer = visitor.get("/results/a.html")
    assert answer.headers["content-type"].startswith("text/html")
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src" not in policy
    assert "connect-src" not in policy
    assert "sandbox" in policy
    assert "allow-scripts" not in policy
    for name in ("a.svg", "a.js", "a.csv"):  # what a browser might run is only downloaded
        assert (
            visitor.get(f"/results/{name}").headers["content-disposition"].startswith("attachment")
        )


def test_text_of_the_workspace_is_escaped(workspace):
    plain = (workspace() / "workspace.toml").read_text()
    evil = plain.replace('name = "Small"', 'name = "<script>alert(1)</script>"')
    page = browser(workspace({"workspace.toml": evil})).get("/").text
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert" in page


def test_a_defect_tells_nothing_of_the_inside(workspace, monkeypatch):
    folder = workspace()
    site = site_of(folder)
    monkeypatch.setattr(site.store, "changes", lambda: 1 / 0)
    visitor = browser(folder, site=site)
    answer = visitor.get("/history")
    assert answer.status_code == 500
    assert "ZeroDivision" not in answer.text
    assert "Traceback" not in answer.text
    assert answer.headers["x-content-type-options"] == "nosniff"
