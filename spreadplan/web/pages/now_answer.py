"""What is best now: ways out side by side, and the button that makes one of them the plan."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from starlette.exceptions import HTTPException
from starlette.responses import Response

from spreadplan.frames import lines
from spreadplan.runs.issuing import issue_rest
from spreadplan.runs.options import Options
from spreadplan.runs.rest_of_storm import RestOfStorm
from spreadplan.views.display import NOTHING
from spreadplan.views.voice import Voice, sentence_case
from spreadplan.views.ways_out import way_out_rows
from spreadplan.views.words import term
from spreadplan.web.addresses import address
from spreadplan.web.files.edits import Conflict
from spreadplan.web.pages.plan import storm_of
from spreadplan.web.visits import NOBODY, Visit, action, page
from spreadplan.web.work.issued import issued_plans
from spreadplan.web.work.moments import as_field, moment_of_text
from spreadplan.web.work.questions import Question


def question_of(visit: Visit) -> Question | None:
    """The question of the address, ``?ask=`` a moment and ``&option=``; None without one."""
    at = moment_of_text(visit, visit.query("ask"))
    if at is None or not visit.can("plan"):
        return None
    return visit.site.questions.ask(storm_of(visit), at, visit.query("option"))


def answer_context(visit: Visit, storm: str, looking: str, note: str) -> dict[str, Any]:
    """What the page shows of the question and of the last issue.

    looking : the moment that is looked at where that is not the present; note : what happened last.
    """
    question, issues = question_of(visit), issued_plans(visit, storm)
    context: dict[str, Any] = {"question": question, "last": next(iter(issues["listed"]), None)}
    if question is None:
        return context
    ask = as_field(visit, question.at)

    def link(**more: str) -> str:
        pairs = {"at": looking, "ask": ask, "option": question.option, **more}
        return urlencode({name: value for name, value in pairs.items() if value})

    context |= {
        "ask": ask,
        "asked_at": visit.display.moment(question.at),
        "watch": f"{address('now', storm, 'answer')}?{link()}",
        "again": f"{address('now', storm)}?{link()}#part-ask",
        "issuer": "" if visit.who == NOBODY else visit.who,
        "note": note,
    }
    rest = question.answer
    if rest is not None:
        context |= {
            "options": [
                {**row, "address": f"{address('now', storm)}?{link(option=row['code'])}#part-ask"}
                for row in way_out_rows(rest.ways, visit.voice)
            ],
            "taken": sentence_case(term("rest_option", rest.taken).words),
            "states": _states(rest, visit.voice),
            "changes": _changes(rest),
            "findings": list(lines(visit.voice.table(rest.findings))),
        }
    return context


def _states(rest: RestOfStorm, voice: Voice) -> list[dict[str, str]]:
    """Where each truck is, by what is known."""
    shown = voice.display
    return [
        {
            "truck": row.truck_id,
            "doing": term("doing", row.doing).words,
            "where": row.where or NOTHING,
            "hopper": shown.show(row.hopper_lb, "mass"),
            "seen": shown.moment(row.seen_at),
            "known_by": term("known_by", row.known_by).words,
        }
        for row in lines(rest.trucks)
    ]


def _changes(rest: RestOfStorm) -> dict[str, Any]:
    """Runs that need a new card, with who had them before, and how many cards stay."""
    before = rest.plan_now.runs.set_index(["application", "route_id"])["truck_id"]
    changed = rest.cards["changed"]
    rows = []
    for row in lines(rest.cards[changed]):
        was = str(before.get((row.application, row.route_id), ""))
        rows.append(
            {
                "route": row.route_id,
                "application": row.application,
                "truck": row.truck_id,
                "was": was if was != row.truck_id else "",
                "replaces": int(row.issue),
            }
        )
    return {"rows": sorted(rows, key=lambda one: not one["was"]), "stay": int((~changed).sum())}


def watch_answer(visit: Visit) -> Response:
    """How far the answer is."""
    question = question_of(visit)
    if question is None:
        raise HTTPException(404)
    return visit.json(question.as_json())


def issue_answer(visit: Visit) -> Response:
    """Make the plan of the rest that somebody has seen the one in force."""
    storm, at = storm_of(visit), moment_of_text(visit, visit.field("ask"))
    if at is None:
        raise HTTPException(400, "Plan the rest first, then issue it.")
    questions = visit.site.questions
    with questions.issuing:
        rest = questions.ask(storm, at, visit.field("option")).answer
        if rest is None:  # what was seen is not what would be issued
            raise Conflict(
                "Nothing was issued: something was written down or issued since you planned the "
                "rest. Plan it again, then issue it."
            )
        by = visit.field("by") or ("" if visit.who == NOBODY else visit.who)
        issue_rest(rest, Options(pdf=False), by=by, note=visit.field("note"))
    looking = visit.field("at")
    query = f"?{urlencode({'at': looking})}" if looking else ""
    return visit.go_to(f"{address('now', storm)}{query}#part-issued")


ROUTES: list[Any] = [
    page("/now/{storm}/answer", watch_answer, role="plan", name="watch_answer"),
    action("/now/{storm}/issue", issue_answer, role="plan", name="issue_answer"),
]
