"""Remarks in words, in the units and with the names of a workspace."""

from __future__ import annotations

import ast
import re
from dataclasses import dataclass
from pathlib import Path
from string import Formatter
from zoneinfo import ZoneInfo

import pandas as pd
import pytest

from spreadplan.remarks import Finding, Remark, findings_table, remark
from spreadplan.views import voice as voice_module
from spreadplan.views.display import Display
from spreadplan.views.voice import Voice
from spreadplan.views.words import WORDS

PACKAGE = Path(__file__).parents[2] / "spreadplan"
ENTRIES = {
    "need": "needs {need_lb_per_min:discharge}, gate {gate_in:gate} gives {most:number.discharge}",
    "interval": "{ends:range.bulk}; {truck}: {off_pct:signed} %",
    "loads": "{loads:count.load} of {material:material} by {trucks:names}",
    "either": "do {ways}",
    "slower": "slower, at most {speed_mph:speed}",
    "forms": (
        "{top_mph:down.speed}; {gates_in:list.gate}; {step_f:step.temperature}; {cost:money}; "
        "{trucks:noun.truck} {ways:then}{ways:commas}; {none:then}{ways:also}"
    ),
}


@pytest.fixture
def entries(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(voice_module, "WORDS", ENTRIES)


def voice(system: str) -> Voice:
    return Voice(Display(system, ZoneInfo("America/Chicago")), {"mix": "Sand mix 4:1"})


def plain(text: str) -> str:
    return text.replace("\u00a0", " ")


@pytest.mark.usefixtures("entries")
def test_a_remark_is_said_in_the_units_of_the_workspace():
    """1 lb is 0.453 592 37 kg and 1 in 25.4 mm, NIST SP 811 (2008), appendix B."""
    need = remark("need", need_lb_per_min=400.0, gate_in=2.0, most=100.0)
    assert plain(voice("us").say(need)) == "needs 400 lb/min, gate 2 in gives 100"
    assert plain(voice("metric").say(need)) == "needs 181 kg/min, gate 51 mm gives 45.4"


@pytest.mark.usefixtures("entries")
def test_names_counts_and_remarks_inside_remarks():
    us = voice("us")
    some = remark("loads", loads=1, material="mix", trucks=[f"T{n}" for n in range(7)])
    assert plain(us.say(some)) == "1 load of Sand mix 4:1 by T0, T1, T2, T3, T4 and 2 more"
    ways = [remark("slower", speed_mph=20.0), remark("slower", speed_mph=15.0)]
    assert plain(us.say(remark("either", ways=ways))) == (
        "do slower, at most 20 mph, or slower, at most 15 mph"
    )
    assert plain(us.say(remark("interval", ends=(2000.0, 5000.0), truck="T1", off_pct=-4.0))) == (
        "1.00 to 2.50 tons; T1: −4 %"
    )


@pytest.mark.usefixtures("entries")
def test_limits_steps_lists_and_money():
    """A limit is never rounded up; a step of 9 °F is one of 5 °C: 5/9 K, NIST SP 811 (2008)."""
    slow = remark("slower", speed_mph=10.0)
    given = remark(
        "forms",
        top_mph=19.9,
        gates_in=(2.0, 3.0),
        step_f=9.0,
        cost=1200.0,
        trucks=["T1", "T2"],
        ways=(slow, slow),
        none=(),
    )
    said = "slower, at most 10 mph"
    assert plain(voice("us").say(given)) == (
        f"19 mph; 2; 3 in; 9 °F; $1,200; trucks {said}{said}{said}, {said}; {said}; {said}"
    )
    assert plain(voice("metric").say(given)).startswith("32 km/h; 51; 76 mm; 5 °C; $1,200; ")


@dataclass(frozen=True)
class Result:
    name: str
    table: pd.DataFrame


@pytest.mark.usefixtures("entries")
def test_a_result_is_worded_as_a_whole():
    found = Result("x", pd.DataFrame({"note": [remark("slower", speed_mph=20.0)], "n": [1]}))
    said = voice("us").whole(found)
    assert (said.name, plain(said.table["note"].iloc[0])) == ("x", "slower, at most 20 mph")
    assert found.table["note"].iloc[0] == remark("slower", speed_mph=20.0)


@pytest.mark.usefixtures("entries")
def test_a_table_of_findings_is_worded_cell_by_cell():
    slow = remark("slower", speed_mph=20.0)
    found = [Finding("note", slow, slow), Finding("problem", slow, slow, (slow, slow))] * 2
    table = voice("us").table(findings_table(found))
    assert table["severity"].tolist() == ["problem", "note"]
    assert table["code"].tolist() == ["slower", "slower"]
    said = "slower, at most 20 mph"
    assert [plain(text) for text in table["remedy"]] == [f"{said}; {said}", ""]


def test_storms_are_called_by_name_and_day():
    named = Voice(Display("us", ZoneInfo("UTC")), {}, {"2026-12-31-year-end-snow": "Year-end snow"})
    assert named.storm("2026-12-31-year-end-snow") == "Year-end snow, 31 December"
    assert voice("us").storm("2026-12-31-long-night") == "Long night, 31 December"
    assert [voice("us").storm(one) for one in ("s1", "2026-12-31", "2026-13-31-x")] == [
        "S1",
        "31 December",
        "2026 13 31 x",
    ]


def test_what_has_no_words_is_an_error():
    with pytest.raises(KeyError):
        voice("us").say(Remark("no such code"))


def test_tables_without_remarks_stay_as_they_are():
    frame = pd.DataFrame({"name": ["a", ""], "gates": [(2.0, 3.0), ()], "x": [1.0, 2.0]})
    pd.testing.assert_frame_equal(
        voice("us").table(frame).drop(columns="gates"), frame.drop(columns="gates")
    )
    assert voice("us").table(frame)["gates"].tolist()[0] == (2.0, 3.0)


def codes_used() -> dict[str, set[str]]:
    """Every code that some room makes a remark of, with the values that each of them names."""
    used: dict[str, set[str]] = {}
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if not (isinstance(node, ast.Call) and getattr(node.func, "id", "") == "remark"):
                continue
            if path.name != "remarks.py" and node.args and isinstance(node.args[0], ast.Constant):
                names = {word.arg for word in node.keywords if word.arg}
                code = node.args[0].value
                used[code] = used.get(code, names) & names
    return used


def fields_of(entry: str) -> set[str]:
    return {re.split(r"[.\[]", name)[0] for _, name, _, _ in Formatter().parse(entry) if name}


@pytest.mark.slow
def test_every_code_has_words_and_every_entry_is_used():
    used = codes_used()
    assert set(WORDS) == set(used)
    lacking = {code: fields_of(WORDS[code]) - names for code, names in used.items()}
    assert {code: names for code, names in lacking.items() if names} == {}
