"""Odd names and long numbers in the web application: every link leads to what it names."""

from __future__ import annotations

import csv
import os
import re
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import quote, urljoin, urlsplit

import pytest
from starlette.routing import Route

from spreadplan import runs
from spreadplan.web import create_app
from spreadplan.web.addresses import address
from tests.hostile.engine import quiet
from tests.hostile.named_county import Names, named_county
from tests.hostile.small_county import write
from tests.hostile.test_web_input import Forms
from tests.web.visitors import HERE, Browser

STORMS = ("100% a#b ?x&y;z", "new", "\u00fcber 'n' <b>", "{{ 7*7 }}")
WORDS = (
    "a/b",
    "..",
    "~t/",
    ".x",
    "100%2F",
    "T?y=1",
    "#1",
    "\\",
    "sheet",
    "new",
    "a b",
    "\u00fc",
    "K\u0301",
    "<b>",
    '"',
    "'",
    "&amp;",
    "+1",
    "a;b,c",
    "\U0001f69c" * 20,
    "{{ 7*7 }}",
    "x" * 200,
    "a//b",
    "/",
    "tests",
    "|",
    "$x$",
    "~",
)
LONG = ("9" * 5_000, "1" + "0" * 4_400 + ".5", "-" + "7" * 6_000, "1e" + "9" * 5_000)
MOST_PAGES = 700


class Links(HTMLParser):
    """Where a page leads: links, forms and what scripts fetch."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.pages: set[str] = set()
        self.actions: set[str] = set()
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag == "a":
            self.pages.add(given.get("href", ""))
        if tag == "form":
            where = self.actions if given.get("method") == "post" else self.pages
            where.add(given.get("action", ""))
        self.pages |= {given[name] for name in ("data-lines", "data-places") if name in given}


@pytest.fixture(scope="module")
def odd(tmp_path_factory) -> Path:
    """A county where everything has an odd name, with four storms; all results of the first."""
    folder = tmp_path_factory.mktemp("odd") / "county"
    words = [f"{word}{turn or ''}" for turn in range(9) for word in WORDS]
    for storm in STORMS:
        write(named_county(Names(words), storm), folder)
        if storm != STORMS[0]:  # a load belongs to one storm alone
            for tickets in ("loads.csv", "returns.csv"):
                (folder / "storms" / storm / tickets).unlink(missing_ok=True)
    runs.calibrate(folder, quiet())
    runs.plan(folder, STORMS[0], quiet())
    runs.reconcile(folder, STORMS[0], quiet())
    return folder


def visitor_of(folder: Path) -> Browser:
    return Browser(create_app(folder), base_url=HERE, raise_server_exceptions=False)


def test_every_link_leads_to_what_it_names(odd):
    visitor = visitor_of(odd)
    waiting, seen, wrong = ["/"], set(), []
    kinds: dict[str, int] = {}
    while waiting and len(seen) < MOST_PAGES:
        here = waiting.pop(0)
        answer = visitor.get(here, follow_redirects=False)
        kind = re.sub(r"%[0-9A-Fa-f]{2}|[^a-z/]", "", urlsplit(here).path)[:20]
        kinds[kind] = kinds.get(kind, 0) + 1
        if answer.status_code not in (200, 303):
            wrong.append((answer.status_code, here))
        if not answer.headers.get("content-type", "").startswith("text/html"):
            continue
        found = Links(answer.text)
        for link in found.pages:
            there = urljoin(here, link)
            if not link.startswith(("#", "http", "data:")) and there.partition("#")[0] not in seen:
                seen.add(there.partition("#")[0])
                waiting.append(there.partition("#")[0])
        for action in found.actions - seen:
            seen.add(action)
            sent = visitor.post(urljoin(here, action), follow_redirects=False)
            if sent.status_code != 403:  # without the token nothing is done
                wrong.append((sent.status_code, action))
    assert wrong == []
    assert len(kinds) > 20


def test_numbers_without_end_are_no_defect(odd):
    """More digits than Python turns into a number."""
    app = create_app(odd)
    visitor = Browser(app, base_url=HERE, raise_server_exceptions=False)
    token = {"csrf": visitor.token()}
    paths = [
        (route.path, method)
        for route in app.routes
        if isinstance(route, Route)
        for method in (route.methods or set()) & {"GET", "POST"}
    ]
    assert len(paths) > 30
    names = ("i", "a", "b", "c", "box", "zoom", "try", "rate_value", "gate_value", "warmer_value")
    for path, method in paths:
        for word in (*LONG, "\u00b2", "\u0663"):
            there = re.sub("{storm}", quote("new"), path)
            there = re.sub("{[^}]*}", lambda _found, word=word: quote(word), there)
            answer = visitor.request(
                method,
                there,
                follow_redirects=False,
                params=dict.fromkeys(names, word) if method == "GET" else None,
                data=token | dict.fromkeys(names, word) if method == "POST" else None,
            )
            assert answer.status_code < 500, (method, path, word[:9], answer.text[:300])
    for text in ('["rate","*","",%s,"us"]', '["warmer","*","",[%s],"us"]', "[" * 9_000 + "%s"):
        for word in LONG:
            answer = visitor.get("/plan/new", params={"c": text % word[:8_000]})
            assert answer.status_code == 400


@pytest.mark.parametrize("page", ["/plan/new/inputs", "/storms/new"])
def test_a_form_full_of_endless_numbers_is_refused_in_words(odd, page):
    visitor = visitor_of(odd)
    found = Forms(visitor.get(page).text).found
    address, fields = next(form for form in found if any("-new0-" in name for name in form[1]))
    before = {path: path.read_bytes() for path in odd.rglob("*.csv")}
    for word in LONG:
        typed = {
            name: word if "-mark" not in name and name != "csrf" else value
            for name, value in fields.items()
        }
        assert visitor.post(address, data=typed, follow_redirects=False).status_code == 422
        more = fields | {f"forecast-{word}-mark": "x", f"forecast-{word}-zone": "y"}
        assert visitor.post(address, data=more, follow_redirects=False).status_code in (400, 422)
    assert {path: path.read_bytes() for path in odd.rglob("*.csv")} == before


def test_a_test_of_endless_numbers_is_refused_in_words(odd):
    visitor = visitor_of(odd)
    headers = {"x-csrf-token": visitor.token()}
    with (odd / "trucks.csv").open(encoding="utf-8", newline="") as handle:
        truck = next(csv.DictReader(handle))["truck_id"]
    for word in LONG:
        body = {
            "test_id": "X-1234",
            "test": dict.fromkeys(("gate_in", "feeder_pct", "duration_s"), word),
            "weighings": [{"method": "direct", "gross_lb": word, "count": word}],
        }
        for what, code in (("try", 200), ("tests", 422)):
            answer = visitor.post(address("trucks", truck, what), json=body, headers=headers)
            assert answer.status_code == code, answer.text[:300]


@pytest.mark.skipif(os.name != "posix", reason="names of folders are text elsewhere")
def test_a_storm_whose_name_is_no_text_closes_no_other_page(tmp_path):
    folder = tmp_path / "county"
    write(named_county(Names([f"Name {n}" for n in range(99)]), "s1"), folder)
    try:
        os.mkdir(os.fsencode(folder) + b"/storms/\xff\xfe")
    except OSError:
        pytest.skip("this file system has no such names")
    visitor = visitor_of(folder)
    for path in ("/", "/trucks", "/plan", "/use", "/season", "/history", "/plan/s1/inputs"):
        assert visitor.get(path).status_code == 200, path
    answer = visitor.get("/plan/s1")
    assert answer.status_code == 200, "what is sound is shown"
    assert "its name cannot be written" in answer.text
