"""Tables, reports, the screen and the command line say the same of use and of the season."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from spreadplan.schema.results import RESULTS
from spreadplan.views.use_findings import LEAST_LB
from spreadplan.views.words import TERMS, WORDS, term
from tests.finished_county import STORM, said_by, writable_copy
from tests.views.plain_names import text_of
from tests.web.visitors import browser

pytestmark = pytest.mark.slow

MORE_ROUNDS = WORDS["more_rounds"]


def rows(place: Path, name: str) -> list[dict[str, str]]:
    with (place / "results" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def plain(text: str) -> str:
    return re.sub(r"\s+", " ", text.replace("\u00a0", " "))


@pytest.fixture(scope="module")
def told(finished_county: Path, tmp_path_factory: pytest.TempPathFactory) -> dict:
    """The county, and what paper, screen and command line say of the storm and of the season."""
    place = writable_copy(finished_county, tmp_path_factory.mktemp("voice") / "county")
    visitor = browser(place)

    def paper(name: str) -> str:
        return plain(text_of((place / "results" / name).read_text(encoding="utf-8")))

    return {
        "place": place,
        "command": plain(
            "\n".join(said_by(finished_county, one) for one in ("reconcile", "season"))
        ),
        "use": (
            paper(f"{STORM}/use_report.html"),
            plain(text_of(visitor.get(f"/use/{STORM}").text)),
        ),
        "season": (paper("season/season_report.html"), plain(text_of(visitor.get("/season").text))),
        "environment": paper("season/environment_report.html"),
        "visitor": visitor,
    }


def kind(row: dict[str, str]) -> str:
    over = row["verdict"] in ("over", "probably_over")
    return "more_rounds" if over and row["reason"] == MORE_ROUNDS else row["verdict"]


def test_segments_are_counted_in_the_same_words(told):
    paper, screen = told["use"]
    segments = rows(told["place"], f"{STORM}/use_segments")
    kinds = [kind(row) for row in segments]
    assert {"over", "more_rounds", "unknown"} <= set(kinds)
    for code in set(kinds):
        words = f"{kinds.count(code)} {term('use_verdict', code).words}"
        assert words in screen
        assert words in told["command"]
        assert term("use_verdict", code).words in paper


def test_why_a_segment_is_not_judged_is_said_as_in_the_table(told):
    paper, _ = told["use"]
    segments = rows(told["place"], f"{STORM}/use_segments")
    reasons = {row["reason"] for row in segments if row["verdict"] == "unknown"}
    assert reasons <= set(WORDS.values())
    known = reasons - {WORDS["nothing_planned_here"]}
    lacking: dict[str, float] = {}
    for row in segments:
        if row["verdict"] == "unknown" and row["reason"] in known:
            short = float(row["planned_lb"] or 0.0) - float(row["applied_lb"] or 0.0)
            lacking[row["route_id"]] = lacking.get(row["route_id"], 0.0) + max(short, 0.0)
    # the report leaves out what is too small to matter
    grave = {
        row["reason"]
        for row in segments
        if row["reason"] in known and lacking.get(row["route_id"], 0.0) >= LEAST_LB
    }
    assert len(grave) >= 2
    assert {reason for reason in grave if reason not in paper} == set()
    for place, row in enumerate(segments):
        if row["reason"] and row["reason"] in known:
            page = told["visitor"].get(f"/use/{STORM}/segment?i={place}")
            assert row["reason"] in plain(text_of(page.text))
            known.discard(row["reason"])
    assert not known


def test_trucks_are_judged_and_advised_in_the_same_words(told):
    paper, screen = told["use"]
    for row in rows(told["place"], f"{STORM}/use_trucks"):
        words, advice = term("truck_verdict", row["verdict"]).words, plain(row["advice"])
        assert words in paper
        assert words in screen
        assert advice in screen
        if row["verdict"] != "agrees":
            assert f"{words}; {advice}" in told["command"]


@pytest.mark.parametrize("table", ["budget", "chloride", "screening", "savings"])
def test_the_season_is_judged_in_the_same_words_on_paper_and_on_the_screen(told, table: str):
    paper, screen = told["season"]
    paper += told["environment"]
    found = rows(told["place"], f"season/{table}")
    found = [row for row in found if not row.get("storm")]
    if table == "chloride":
        found = [row for row in found if row["scope"] in ("area", "watershed")]
    assert found
    for column in RESULTS[table].columns:
        if column.terms:
            for code in {row[column.name] for row in found}:
                assert code in TERMS[column.terms]
                words = term(column.terms, code).words
                assert words in paper, (column.name, words)
                assert words in screen, (column.name, words)


def test_findings_are_the_same_everywhere(told):
    _, screen = told["season"]
    problems = [
        row for row in rows(told["place"], "season/findings") if row["severity"] == "problem"
    ]
    assert problems
    for row in problems:
        subject, what, remedy = (plain(row[name]) for name in ("subject", "what", "remedy"))
        assert f"problem: {subject}: {what}; {remedy}" in told["command"]
        assert f"{subject}: {what}" in screen
        assert what in told["season"][0] + told["environment"]
