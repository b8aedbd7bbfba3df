"""The storm while it runs: what every truck does, what happened, what is best now."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any, Final
from urllib.parse import urlencode

import pandas as pd
from starlette.exceptions import HTTPException
from starlette.responses import Response

from spreadplan.errors import Problem
from spreadplan.schema.storm_tables import HAPPENED, LOG
from spreadplan.views.display import NOTHING
from spreadplan.views.storm_now import RunNow, StormNow, TruckLine, hour
from spreadplan.views.voice import Voice, sentence_case
from spreadplan.views.words import term
from spreadplan.web.addresses import address
from spreadplan.web.files.csvtext import mark_of
from spreadplan.web.files.edits import Add, Refused
from spreadplan.web.files.history import Entry
from spreadplan.web.pages.now_answer import answer_context
from spreadplan.web.pages.plan import storm_of
from spreadplan.web.pages.reports import may_undo
from spreadplan.web.visits import Visit, action, page
from spreadplan.web.work.moments import as_field, moment_of_text
from spreadplan.web.work.now import Running, running
from spreadplan.workspace.operations import NEEDED

#: so many hours have a label on the axis
TICKS: Final = 8
#: the log's column of a mass, by what happened and system of units
VALUE: Final = {
    ("hopper", "us"): "value_lb",
    ("hopper", "metric"): "value_kg",
    ("stock", "us"): "value_ton",
    ("stock", "metric"): "value_t",
}
#: fields of the form and the columns of the log that they fill; masses have a field for each unit
FIELDS: Final = ("truck_id", "route_id", "application", "yard_id", "material")
#: place and height of the bars, in pixels of a line's 26; as in the chart of the hours
LOOKS: Final = {"load": (5, 16), "travel": (9, 8), "spread": (5, 16), "wait": (11, 4)}


def now_storms(visit: Visit) -> Response:
    """The storm that runs; where none does or several do, the storms to choose from."""
    found = visit.site.computed.storms_running()
    if len(found) == 1:
        return visit.go_to(address("now", found[0]))
    listed = found or visit.site.computed.storms()[::-1]
    return visit.render("web/nows.html", listed=listed, runs=bool(found))


def now_page(visit: Visit) -> Response:
    """A storm at the present moment, or at ``?at=``."""
    return _page(visit, storm_of(visit), {}, {}, 200)


def _page(
    visit: Visit,
    storm: str,
    typed: Mapping[str, str],
    faults: Mapping[str, Sequence[str]],
    status: int,
) -> Response:
    at = moment_of_text(visit, visit.query("at") or visit.field("at"))
    state, voice = running(visit, storm, at), visit.voice
    looking = "" if at is None else as_field(visit, at)
    entries = _entries(visit, storm)
    latest = next((f"{one['term'].words} {one['about']}" for one in entries), "")
    return visit.render(
        "web/now.html",
        status,
        storm=storm,
        at=visit.display.moment(state.at),
        at_field=as_field(visit, state.at),
        looking=looking,
        state=voice.say(state.state) if state.state else "",
        by=voice.say(state.by),
        problems=state.problems,
        line=_lines(state.now, voice) if state.now else None,
        missed=_missed(state, voice),
        choices=_choices(visit, storm),
        typed=typed,
        faults=faults,
        needed=NEEDED,
        happened=[(code, sentence_case(term("happened", code).words)) for code in HAPPENED],
        entries=entries,
        **answer_context(visit, storm, looking, latest),
    )


# --- the time line -----------------------------------------------------------------------------


def _lines(now: StormNow, voice: Voice) -> dict[str, Any]:
    """A row for each truck, and the hours above them."""
    whole = (now.end - now.begin) / pd.Timedelta(hours=1)

    def share(moment: pd.Timestamp) -> float:
        return round(100.0 * ((moment - now.begin) / pd.Timedelta(hours=1)) / whole, 2)

    step = max(1, -(-round(whole) // TICKS))
    hours = pd.date_range(now.begin, now.end, freq=f"{step}h")
    present = share(now.at) if now.begin <= now.at <= now.end else None
    return {
        "ticks": [(share(moment), voice.display.moment(moment).split()[-1]) for moment in hours],
        "present": present,
        "behind": min(max(share(now.at), 0.0), 100.0),
        "trucks": [_truck(truck, now, voice, share) for truck in now.trucks],
        "out": [truck.truck for truck in now.trucks if truck.is_out],
    }


def _truck(truck: TruckLine, now: StormNow, voice: Voice, share: Any) -> dict[str, Any]:
    late = truck.late_min > 0.0
    state = term("truck_state", "out" if truck.is_out else "late" if late else "in_time")
    bars = []
    for one in truck.stretches:
        begin, (top, height) = share(one.start), LOOKS[one.activity]
        bars.append(
            {
                "x": begin,
                "wide": round(max(share(one.end) - begin, 0.15), 2),
                "top": top,
                "high": height,
                "look": " ".join([one.activity, one.state, *(["late"] if one.late else [])]),
            }
        )
    return {
        "truck": truck.truck,
        "out": truck.is_out,
        "tone": state.tone,
        "badge": state.words,
        "doing": voice.say(truck.doing),
        "then": voice.say(truck.then),
        "late": voice.display.duration(truck.late_min) if late else NOTHING,
        "bars": bars,
        "said": "; ".join(_said(run, now, voice) for run in truck.runs) or NOTHING,
    }


def _said(run: RunNow, now: StormNow, voice: Voice) -> str:
    """A run for those who cannot see the line."""
    start, end = (hour(moment, now.at, voice.display) for moment in (run.start, run.end))
    words = term("run_state", run.state).words
    return f"{run.route}, application {run.application}, {start} to {end}, {words}"


def _missed(state: Running, voice: Voice) -> list[dict[str, Any]]:
    if state.now is None:
        return []
    shown = voice.display
    return [
        {
            "route": run.route,
            "application": run.application,
            "service": state.classes.get(run.route) or NOTHING,
            "truck": run.truck,
            "late": NOTHING if run.state == "lost" else shown.duration(run.late_min),
            "done": hour(run.end, state.at, shown),
            "state": term("run_state", run.state),
        }
        for run in state.now.missed
    ]


# --- what happened -----------------------------------------------------------------------------


def _choices(visit: Visit, storm: str) -> dict[str, list[tuple[str, str]]]:
    """What the fields of the form offer: value and words."""
    workspace, _ = visit.site.computed.inputs(storm)
    runs = visit.site.computed.plan(storm).plan.applications

    def names(table: str, column: str) -> list[tuple[str, str]]:
        found = workspace.table(table)[column].drop_duplicates()
        return [(str(name), str(name)) for name in sorted(found)]

    return {
        "truck_id": names("trucks", "truck_id"),
        "route_id": names("routes", "route_id"),
        "application": [(one.label, one.label) for one in runs],
        "yard_id": names("yards", "yard_id"),
        "material": [(key, visit.voice.material(key)) for key, _ in names("materials", "material")],
    }


def _file(storm: str) -> str:
    return f"storms/{storm}/{LOG.file}"


def record(visit: Visit) -> Response:
    """Add what happened to the storm's log."""
    storm = storm_of(visit)
    what = visit.field("what")
    if what not in HAPPENED:
        raise HTTPException(400, "Say what happened.")
    system = visit.display.system
    values: dict[str, str] = {
        "time": visit.field("time") or as_field(visit, running(visit, storm, None).present),
        "what": what,
        "note": visit.field("note"),
    }
    values |= {name: visit.field(name) for name in FIELDS if name in NEEDED[what]}
    if "value" in NEEDED[what]:
        values[VALUE[what, system]] = visit.field(f"value_{what}")
    said = " ".join(filter(None, [term("happened", what).words, *(values.get(n) for n in FIELDS)]))
    try:
        visit.site.store.apply(
            [Add(_file(storm), values)], visit.who, f"{visit.voice.storm(storm)}: {said}"
        )
    except Refused as error:
        typed = {name: visit.field(name) for name in visit.form}
        return _page(visit, storm, typed, _faults(visit, storm, what, error), 422)
    looking = visit.field("at")
    ask = "" if what == "note" else looking or as_field(visit, running(visit, storm, None).present)
    given = {"at": looking, "ask": ask}
    query = urlencode({name: text for name, text in given.items() if text})
    return visit.go_to(f"{address('now', storm)}?{query}#{'part-ask' if ask else 'part-log'}")


def _faults(visit: Visit, storm: str, what: str, error: Refused) -> dict[str, list[str]]:
    """What is wrong, by the field that it belongs to; "" for the rest."""
    value = VALUE.get((what, visit.display.system), "")
    fields: dict[str, str] = {name: name for name in ("time", "what", "note", *FIELDS)}
    if value:
        fields[f"value_{what}"] = value
    times = {row.row: row.values.get("time", "") for row in visit.site.store.rows(_file(storm))}
    found: dict[str, list[str]] = {}
    placed: list[Problem] = []
    for name, column in fields.items():
        mine = [one for one in error.at(0, column) if one not in placed]
        placed += mine
        if mine:
            found[name] = [_plainly(one, times) for one in mine]
    rest = [_plainly(one, times) for one in error.problems if one not in placed]
    return found | ({"": rest} if rest else {})


def _plainly(problem: Problem, times: Mapping[int, str]) -> str:
    """A problem of the log as somebody says it who never saw the file."""
    text = sentence_case(f"{problem.what}; {problem.remedy}.")

    def entry(found: re.Match[str]) -> str:
        time = times.get(int(found[1]), "")
        return f"the entry of {time.replace('T', ' ')}" if time else found[0]

    text = re.sub(r"row (\d+)", entry, text)
    for code in HAPPENED:
        text = re.sub(rf"\b{code}\b", f"“{term('happened', code).words}”", text)
    return text


def _entries(visit: Visit, storm: str) -> list[dict[str, Any]]:
    """What is in the log, the latest first, and who may take it back."""
    file = _file(storm)
    writers = writers_of(visit.site.store.changes(), file)
    rows = []
    for row in visit.site.store.rows(file):
        entry = writers.get((row.row, row.mark))
        what = row.values.get("what", "")
        value = next(((n, v) for n, v in row.values.items() if n.startswith("value") and v), None)
        parts = [row.values.get(name, "") for name in FIELDS]
        parts += [f"{value[1]} {value[0].removeprefix('value_')}"] if value else []
        rows.append(
            {
                "row": row.row,
                "file": file,
                "time": row.values.get("time", ""),
                "term": term("happened", what),
                "about": ", ".join(filter(None, parts)),
                "note": row.values.get("note", ""),
                "who": entry.who if entry else "",
                "number": entry.number if entry else 0,
                "mine": entry is not None and may_undo(visit.who, visit.can("plan"), entry.who),
            }
        )
    return sorted(rows, key=lambda one: str(one["time"]), reverse=True)


def writers_of(changes: Sequence[Entry], file: str) -> dict[tuple[int, str], Entry]:
    """The change that wrote each row of a file as it stands, by its number and mark."""
    undone = {entry.undoes for entry in changes}
    return {
        (row.row, mark_of(row.after.values())): entry
        for entry in changes
        if entry.number not in undone
        for row in entry.rows
        if row.file == file and row.after is not None and row.before is None
    }


ROUTES: list[Any] = [
    page("/now", now_storms),
    page("/now/{storm}", now_page),
    action("/now/{storm}/log", record, role="record", name="record_log"),
]
