"""Whatever is typed, sent or asked for: an answer that is no defect, and files that still read."""

from __future__ import annotations

import json
import random
import re
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import quote

import pytest
from starlette.routing import Route

from spreadplan import runs
from spreadplan.web import create_app
from tests.hostile.engine import DEFECT, check, outcome, quiet
from tests.hostile.mutators import NODES, mutate
from tests.hostile.small_county import TELEMETRY_CSV, TELEMETRY_PARQUET, small_county, write
from tests.hostile.words import CELLS
from tests.web.visitors import HERE, Browser

FORMS = ["/trucks/T1/test", "/trucks/T2/test", "/plan/s1/inputs", "/storms/new", "/history", "/"]
SAFE_CELLS = [word.encode("utf-8", "replace").decode() for word in CELLS if len(word) < 5_000]


class Forms(HTMLParser):
    """The forms of a page: where they go and what their fields hold."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.found.append((given.get("action", ""), {}))
        elif tag in ("input", "select", "textarea", "button") and self.found and "name" in given:
            self.found[-1][1][given["name"]] = given.get("value", "")


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """A county with a plan, to be looked at."""
    folder = tmp_path_factory.mktemp("web") / "county"
    write(small_county(), folder)
    runs.plan(folder, "s1", quiet())
    return folder


def visitor_of(folder: Path) -> Browser:
    return Browser(create_app(folder), base_url=HERE, raise_server_exceptions=False)


def inputs(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and not {".history", "results"} & set(path.parts)
    }


def test_every_page_bears_any_address(sound):
    app = create_app(sound)
    visitor = Browser(app, base_url=HERE, raise_server_exceptions=False)
    chance = random.Random(1)
    paths = [
        route.path
        for route in app.routes
        if isinstance(route, Route) and "GET" in (route.methods or ())
    ]
    assert len(paths) > 20
    answers = set()
    for path in paths:
        for _ in range(4):
            word = quote(chance.choice(SAFE_CELLS)[:500], safe="")
            storm = "s1" if chance.random() < 0.6 else word
            address = path.replace("{storm}", storm)
            address = re.sub(r"{number:int}", "99999999999999999999", address)
            address = re.sub(r"{[^}]*}", lambda _found, word=word: word, address)
            query = "&".join(
                f"{name}={quote(chance.choice(SAFE_CELLS)[:500], safe='')}"
                for name in ("route", "segment", "application", "next", "since", "pick", "x")
            )
            answer = visitor.get(f"{address}?{query}", follow_redirects=False)
            answers.add(answer.status_code)
            assert answer.status_code < 500, (address, query, answer.text[:300])
            assert "<script>alert" not in answer.text
    assert {200, 404} <= answers


@pytest.mark.parametrize("page", FORMS)
def test_every_form_bears_any_words(tmp_path, page):
    folder = tmp_path / "county"
    write(small_county(), folder)
    visitor, chance = visitor_of(folder), random.Random(page)
    seen = set()
    for _ in range(6):
        answer = visitor.get(page)
        assert answer.status_code == 200, answer.text[:300]
        forms = [form for form in Forms(answer.text).found if form[1] and "jobs" not in form[0]]
        if not forms:
            return
        address, fields = chance.choice(forms)
        typed = [name for name in fields if name != "csrf"]
        for name in chance.sample(typed, min(len(typed), chance.choice([1, 2, 8]))):
            fields[name] = chance.choice(SAFE_CELLS)
        before = inputs(folder)
        sent = visitor.post(address or page, data=fields, follow_redirects=False)
        seen.add(sent.status_code)
        assert sent.status_code < 500, (address, fields, sent.text[:500])
        if sent.status_code >= 400:
            assert inputs(folder) == before
        else:
            assert outcome_of_reading(folder).kind != DEFECT
    assert seen, page


def outcome_of_reading(folder: Path):
    return outcome(folder, check)


def test_every_action_bears_any_json(tmp_path):
    folder = tmp_path / "county"
    write(small_county(), folder)
    app = create_app(folder)
    visitor = Browser(app, base_url=HERE, raise_server_exceptions=False)
    headers = {"x-csrf-token": visitor.token(), "content-type": "application/json"}
    before = inputs(folder)
    actions = [
        route.path
        for route in app.routes
        if isinstance(route, Route)
        and "POST" in (route.methods or ())
        and "jobs" not in route.path
        and "logout" not in route.path
    ]
    assert len(actions) >= 5
    keys = ("edits", "rows", "cells", "changes", "file", "table", "storm", "record", "row", "truck")
    for path in actions:
        address = re.sub(r"{number:int}", "1", path).replace("{storm}", "s1")
        address = re.sub(r"{[^}]*}", "T1", address)
        # a plan is made for each issue, so that one is asked for but twice
        for at, node in enumerate(NODES[:2] if path.endswith("/issue") else NODES):
            body = node if at % 2 else dict.fromkeys(keys, node)
            answer = visitor.post(
                address, content=json.dumps(body), headers=headers, follow_redirects=False
            )
            assert answer.status_code < 500, (address, body, answer.text[:500])
    # whoever asks for an issue without a word gets one
    after = {name: data for name, data in inputs(folder).items() if "/issued/" not in name}
    assert after == before


@pytest.mark.parametrize("seed", range(2))
def test_spoilt_uploads_are_kept_as_sent_or_refused(tmp_path, seed):
    folder = tmp_path / "county"
    files = dict(small_county())
    telemetry = {"csv": files.pop(TELEMETRY_CSV), "parquet": files.pop(TELEMETRY_PARQUET)}
    write(files, folder)
    visitor, chance = visitor_of(folder), random.Random(seed)
    seen = set()
    for number in range(10):
        ending = chance.choice(["csv", "parquet"])
        data, how = mutate(f"x.{ending}", telemetry[ending], chance)
        answer = visitor.drop(f"/storms/s1/telemetry/n{number}.{ending}", data)
        seen.add(answer.status_code)
        assert answer.status_code < 500, (how, answer.text[:500])
        kept = folder / "storms/s1/telemetry" / f"n{number}.{ending}"
        assert kept.exists() == (answer.status_code == 201), how
        assert not kept.exists() or kept.read_bytes() == data
        tickets, how = mutate("loads.csv", files["storms/s1/loads.csv"], chance)
        before = inputs(folder)
        answer = visitor.drop("/storms/s1/tickets/loads", tickets)
        assert answer.status_code < 500, (how, tickets[:500], answer.text[:500])
        assert answer.status_code in (200, 201) or inputs(folder) == before
        seen.add(answer.status_code)
    assert outcome_of_reading(folder).kind != DEFECT
    assert {201, 422} <= seen
