"""Lists of moves and histories that are damaged, of another version, or out to do harm.

A workspace may have been sent by anyone. Nothing outside it is written, moved or deleted; what
cannot be understood is named in one line and put aside, and the work goes on.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from spreadplan.cli import main
from spreadplan.errors import CannotWrite
from spreadplan.places import Outside, inside
from spreadplan.results.store import alone, open_results
from spreadplan.web.access.accounts import save_account
from spreadplan.web.files.edits import Add
from spreadplan.web.files.store import InputStore
from spreadplan.web.presence import Presence
from tests.faults.rig import inputs_of, results_of
from tests.web.visitors import browser

pytestmark = pytest.mark.usefixtures("blank_charts")

WEIGHING = {"test_id": "D1", "method": "container", "gross_lb": "90", "tare_lb": "6"}
EDITS = [Add("weighings.csv", WEIGHING)]
LEADING_OUT = {
    "upwards": "../../victim.txt",
    "from the root": "{outside}/victim.txt",
    "upwards later": "s1/../../../victim.txt",
    "with backslashes": "..\\..\\victim.txt",
    "to a drive": "C:victim.txt",
    "to a drive, later": "s1/C:/victim.txt",
    "behind a link": "link/victim.txt",
    "a link": "link-to-victim",
    "nowhere": "",
    "the folder itself": ".",
    "half a letter": "\ud800",
    "a NUL": "a\0b",
    "a name that no disk takes": "x" * 300,
}


def tree(folder: Path) -> dict[str, bytes]:
    """Every file below a folder; links are not followed."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.is_symlink()
    }


@pytest.fixture
def outside(tmp_path: Path) -> Path:
    """A folder of somebody else, beside the workspace."""
    folder = tmp_path / "outside"
    folder.mkdir()
    (folder / "victim.txt").write_text("precious")
    (tmp_path / "victim.txt").write_text("precious")
    return folder


def results_with(folder: Path, outside: Path, moves: object) -> Path:
    """Results that a command seems to have left half in place: gives their folder."""
    staging = folder / "results" / ".staging-x"
    staging.mkdir(parents=True)
    (staging / "a.csv").write_text("new")
    (folder / "results" / "a.csv").write_text("old")
    (folder / "results" / "link").symlink_to(outside)
    (folder / "results" / "link-to-victim").symlink_to(outside / "victim.txt")
    (staging / "moves.json").write_text(json.dumps(moves))
    return staging


def journal(moves: list[list[str]], about: dict[str, object] | None = None) -> dict[str, object]:
    """A list of moves as it is stored."""
    return {"version": 1, "moves": moves, "removed": [], "about": about or {}}


def told_of(folder: Path) -> list[str]:
    told: list[str] = []
    with alone(folder, told.append):
        pass
    return told


# --- what leads out ---


@pytest.mark.parametrize("name", LEADING_OUT)
@pytest.mark.parametrize("part", ["source", "target", "removed"])
def test_results_are_neither_taken_from_nor_put_nor_removed_outside(tmp_path, outside, part, name):
    before = tree(tmp_path)
    bad = LEADING_OUT[name].format(outside=outside)
    good = [".staging-x/a.csv", "a.csv"]
    pair = {"source": [bad, "b.csv"], "target": [".staging-x/a.csv", bad], "removed": good}[part]
    removed = [bad] if part == "removed" else []
    folder = tmp_path / "workspace"
    results_with(folder, outside, {**journal([good, pair]), "removed": removed})
    (line,) = told_of(folder)
    assert line.startswith("caution: results/.staging-x:0:*: new results of an earlier command")
    assert "put aside in results/set-aside-" in line
    after = tree(tmp_path)
    assert {name: after[name] for name in before} == before
    (aside,) = (folder / "results").glob("set-aside-*")
    assert (aside / ".staging-x" / "a.csv").read_text() == "new"  # nothing of it was carried out
    assert (folder / "results" / "a.csv").read_text() == "old"
    assert told_of(folder) == []


@pytest.mark.parametrize("name", LEADING_OUT)
@pytest.mark.parametrize("part", ["source", "target"])
def test_a_change_is_neither_taken_from_nor_put_outside(workspace, tmp_path, outside, part, name):
    folder = workspace()
    store = InputStore(folder)
    entry = store.apply(EDITS, "ann", "x")
    (folder / "link").symlink_to(outside)
    (folder / "link-to-victim").symlink_to(outside / "victim.txt")
    before = tree(tmp_path)
    bad = LEADING_OUT[name].format(outside=outside)
    (folder / ".history" / "draft-1").write_text("typed")
    pair = [bad, "budgets.csv"] if part == "source" else [".history/draft-1", bad]
    pending = journal([pair], {"entry": json.loads(entry.line())})
    (folder / ".history" / "pending.json").write_text(json.dumps(pending))
    again = InputStore(folder)
    after = tree(tmp_path)
    changed = {name for name in before if after.get(name) != before[name]}
    assert changed == {"workspace/.history/changes.jsonl"}  # it says so there
    (aside,) = (folder / ".history").glob("set-aside-*")
    assert (aside / "draft-1").read_text() == "typed"
    last = again.changes()[-1]
    assert last.what.startswith(".history/pending.json:0:*: the last change cannot be finished")
    assert again.apply(EDITS, "ann", "y").number == last.number + 1


def test_a_move_cannot_make_the_link_that_the_next_one_follows(tmp_path, outside):
    """Links, and folders with links in them, are not moved: where they lead would change."""
    for moved in ("s1", "folder"):
        folder = tmp_path / moved
        moves = [[f".staging-x/{moved}", "s1"], [".staging-x/a.csv", "s1/up/victim.txt"]]
        staging = results_with(folder, outside, journal(moves))
        (staging / "s1").symlink_to("..")  # inside the workspace, from here
        (staging / "folder").mkdir()
        (staging / "folder" / "up").symlink_to(outside)
        assert len(told_of(folder)) == 1
        assert (outside / "victim.txt").read_text() == "precious"
        assert not (folder / "results" / "s1").exists()


def test_a_staging_folder_that_is_a_link_gives_nothing_away(tmp_path, outside):
    moves = journal([[".staging-x/victim.txt", "b"]])
    (outside / "moves.json").write_text(json.dumps(moves))
    folder = tmp_path / "workspace"
    (folder / "results").mkdir(parents=True)
    (folder / "results" / ".staging-x").symlink_to(outside)
    assert len(told_of(folder)) == 1
    assert (outside / "victim.txt").read_text() == "precious"
    assert not (folder / "results" / "b").exists()


def lead_away(place: Path, outside: Path, kind: str) -> None:
    """Put a link in the place of a file or folder."""
    if place.is_dir() and not place.is_symlink():
        shutil.rmtree(place)
    place.unlink(missing_ok=True)
    place.parent.mkdir(exist_ok=True)
    place.symlink_to(outside if kind == "folder" else outside / "victim.txt")


@pytest.mark.parametrize(
    ("name", "kind"), [("results", "folder"), ("results/.lock", "file"), ("results/s1", "folder")]
)
@pytest.mark.parametrize("command", ["calibrate", "plan"])
def test_links_lead_no_command_out(workspace, outside, capsys, command, name, kind):
    folder = workspace()
    lead_away(folder / name, outside, kind)
    before = tree(outside)
    arguments = [command, str(folder), *(["s1"] if command == "plan" else []), "--no-pdf"]
    if (command, name) == ("calibrate", "results/s1"):
        assert main(arguments) == 0  # it has nothing to do there
    else:
        assert main(arguments) == 2
        (said,) = capsys.readouterr().err.splitlines()
        assert said.startswith(f"{folder / name}")
        assert "link" in said
    assert tree(outside) == before


def test_earlier_results_behind_a_link_are_not_removed(tmp_path, outside):
    (tmp_path / "workspace" / "results" / "s1").mkdir(parents=True)
    (tmp_path / "workspace" / "results" / "s1" / "cards").symlink_to(outside)

    def write() -> None:
        with open_results(tmp_path / "workspace") as store:
            store.discard("s1/cards/*")
            store.path("s1/a.csv").write_text("new")

    with pytest.raises(CannotWrite, match="link that leads out"):
        write()
    assert (outside / "victim.txt").read_text() == "precious"
    assert not (tmp_path / "workspace" / "results" / "s1" / "a.csv").exists()


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        (".history", "folder"),
        (".history/changes.jsonl", "file"),
        (".history/lock", "file"),
        (".history/pending.json", "file"),
        (".history/taken-back", "folder"),
        (".history/server-x.lock", "file"),
        (".history/draft-1", "file"),
        ("weighings.csv", "file"),
        ("results", "folder"),
        ("results/.lock", "file"),
        (".accounts.lock", "file"),
    ],
)
def test_links_lead_no_form_out(workspace, outside, name, kind):
    folder = workspace()
    InputStore(folder).apply([Add("budgets.csv", BUDGET)], "ann", "x")
    lead_away(folder / name, outside, kind)
    before = tree(outside)
    visitor = browser(folder)  # has a store, a presence and jobs
    for path in ("/", "/history", "/season"):
        assert visitor.get(path).status_code < 500 or visitor.get(path).status_code == 503
    store, presence = InputStore(folder), Presence(folder)
    for attempt in (
        lambda: store.apply(EDITS, "ann", "y"),
        lambda: store.add_file(presence.draft(".csv"), "storms/s1/telemetry/a.csv", "ann", "z"),
        lambda: store.undo(1, "ann"),
        lambda: save_account(folder, "ann", "read", "four plain words here"),
        lambda: told_of(folder),
    ):
        with suppress(CannotWrite, FileNotFoundError):  # the draft has not arrived
            attempt()
    presence.end()
    assert tree(outside) == before


BUDGET = {
    "season": "2026-27",
    "scope": "agency",
    "scope_id": "all",
    "material": "salt",
    "budget_ton": "40",
}


def test_new_files_are_not_written_through_links(tmp_path, outside, capsys):
    for name, target in (("storms", outside), ("trucks.csv", outside / "empty")):
        folder = tmp_path / name
        folder.mkdir()
        (outside / "empty").touch()
        (folder / name).symlink_to(target)
        before = tree(outside)
        assert main(["new", str(folder)]) == 2
        assert "is not a new or empty folder" in capsys.readouterr().err
        assert tree(outside) == before


@pytest.mark.skipif(os.name == "nt", reason="needs links")
def test_links_in_a_circle_lead_nowhere(tmp_path):
    (tmp_path / "a").symlink_to("b")
    (tmp_path / "b").symlink_to("a")
    with pytest.raises(Outside, match="link"):
        inside(tmp_path, "a/x")
    (tmp_path / "workspace").symlink_to(tmp_path / "real")  # the workspace itself may be one
    (tmp_path / "real").mkdir()
    assert inside(tmp_path / "workspace", "a/x") == tmp_path / "workspace" / "a" / "x"


# --- what is damaged ---


def _json(change: Callable[[dict[str, object]], object]) -> Callable[[dict[str, object]], bytes]:
    """The journal or line with something changed."""

    def made(sound: dict[str, object]) -> bytes:
        data = json.loads(json.dumps(sound))
        return json.dumps(change(data) or data).encode()

    return made


DAMAGES: dict[str, Callable[[dict[str, object]], bytes]] = {
    "empty": lambda _: b"",
    "blank": lambda _: b" \r",
    "garbage": lambda _: b"}{ garbage",
    "binary": lambda _: bytes(range(11, 256)),
    "zeros": lambda _: bytes(512),
    "half": lambda sound: json.dumps(sound).encode()[:-9],
    "another encoding": lambda sound: json.dumps(sound).encode("utf-16"),
    "nested": lambda _: b"[" * 100_000,
    "a number of many digits": lambda _: b'{"version":' + b"9" * 9_000 + b"}",
    "a list": lambda _: b"[1]",
    "a text": lambda _: b'"moves"',
    "nothing": lambda _: b"null",
    "an unknown key": _json(lambda data: data.update(colour="red")),
    "no key at all": _json(lambda data: data.clear()),
}
OF_JOURNALS = {
    **DAMAGES,
    "a newer version": _json(lambda data: data.update(version=2)),
    "an odd version": _json(lambda data: data.update(version=["x"])),
    **{
        f"no {key}": _json(lambda data, key=key: data.pop(key) and None)
        for key in ("version", "moves")
    },
    "no moves at all": _json(lambda data: data.pop("moves") and None),
    "moves of another kind": _json(lambda data: data.update(moves={"a": "b"})),
    "moves of three": _json(lambda data: data.update(moves=[["a", "b", "c"]])),
    "a move of numbers": _json(lambda data: data.update(moves=[[1, 2]])),
    "removed of another kind": _json(lambda data: data.update(removed="a.csv")),
    "about of another kind": _json(lambda data: data.update(about=[1])),
}
STRANGE_FILES = ["a folder", "a pipe", "a link to nothing"]


def make_strange(path: Path, kind: str) -> None:
    if kind == "a folder":
        path.mkdir()
    elif kind == "a pipe":
        os.mkfifo(path)
    else:
        path.symlink_to(path.parent / "nothing")


@pytest.mark.parametrize("damage", [*OF_JOURNALS, *STRANGE_FILES])
def test_results_go_on_beside_a_damaged_list(tmp_path, damage):
    (tmp_path / "outside").mkdir()
    sound = journal([[".staging-x/a.csv", "a.csv"]])
    staging = results_with(tmp_path, tmp_path / "outside", sound)
    (staging / "moves.json").unlink()
    if damage in OF_JOURNALS:
        (staging / "moves.json").write_bytes(OF_JOURNALS[damage](sound))
    else:
        make_strange(staging / "moves.json", damage)
    told: list[str] = []
    with open_results(tmp_path, told.append) as store:
        store.path("b.csv").write_text("new")
    assert len(told) == 1
    assert "\n" not in told[0]
    assert told[0].startswith("caution: results/.staging-x:0:*: ")
    (aside,) = (tmp_path / "results").glob("set-aside-*")
    kept = {
        name: content
        for name, content in results_of(tmp_path).items()
        if "set-aside" not in name and "link" not in name
    }
    assert kept == {"a.csv": b"old", "b.csv": b"new"}
    assert (aside / ".staging-x" / "a.csv").read_text() == "new"


def test_every_writing_command_goes_on_beside_a_damaged_list(workspace, capsys):
    folder = workspace()
    commands = (["calibrate"], ["plan", "s1"], ["compare", "s1"])
    for number, (name, *storm) in enumerate(commands):
        staging = folder / "results" / f".staging-{number}"
        staging.mkdir(parents=True)
        (staging / "moves.json").write_text("garbage")
        assert main([name, str(folder), *storm, "--no-pdf"]) == 0
        said = capsys.readouterr().err.splitlines()
        assert [line for line in said if "put aside" in line and "moves.json is not JSON" in line]
    assert len(list((folder / "results").glob("set-aside-*"))) == len(commands)


@pytest.mark.parametrize("damage", [*OF_JOURNALS, "no entry", "a wrong entry", *STRANGE_FILES])
def test_forms_go_on_beside_a_damaged_list(workspace, damage):
    folder = workspace()
    entry = InputStore(folder).apply(EDITS, "ann", "first")
    before = inputs_of(folder)
    draft, pending = folder / ".history" / "draft-1", folder / ".history" / "pending.json"
    draft.write_text("typed")
    sound = journal([[".history/draft-1", "weighings.csv"]], {"entry": json.loads(entry.line())})
    if damage in STRANGE_FILES:
        make_strange(pending, damage)
    elif damage == "no entry":
        pending.write_text(json.dumps({**sound, "about": {}}))
    elif damage == "a wrong entry":
        pending.write_text(json.dumps({**sound, "about": {"entry": {"number": 1}}}))
    else:
        pending.write_bytes(OF_JOURNALS[damage](sound))
    store = InputStore(folder)
    assert "the last change cannot be finished" in store.changes()[-1].what
    (aside,) = (folder / ".history").glob("set-aside-*")
    assert (aside / "draft-1").read_text() == "typed"
    assert inputs_of(folder)["weighings.csv"] == before["weighings.csv"]
    store.apply(EDITS, "ann", "second")
    assert [entry.what for entry in InputStore(folder).changes()][0::2] == ["first", "second"]


OF_LINES = {
    **{name: made for name, made in DAMAGES.items() if name not in ("empty", "blank")},
    **{
        f"no {key}": _json(lambda data, key=key: data.pop(key) and None)
        for key in ("number", "at", "who", "what", "hashes")
    },
    "no rows": _json(lambda data: data.pop("rows") and None),
    "number as text": _json(lambda data: data.update(number="2")),
    "number true": _json(lambda data: data.update(number=True)),
    "number 0": _json(lambda data: data.update(number=0)),
    "a number without end": _json(lambda data: data.update(number=10**30)),
    "no time": _json(lambda data: data.update(at="yesterday")),
    "a time without offset": _json(lambda data: data.update(at="2026-10-20T10:00:00")),
    "who as a list": _json(lambda data: data.update(who=["ann"])),
    "half a letter": _json(lambda data: data.update(what="\ud800")),
    "rows as text": _json(lambda data: data.update(rows="x")),
    "a row without its file": _json(lambda data: data["rows"][0].pop("file") and None),
    "a row of another file": _json(lambda data: data["rows"][0].update(file="../../x.csv")),
    "a row with numbers": _json(lambda data: data["rows"][0].update(after={"gross_lb": 5})),
    "added from outside": _json(lambda data: data.update(added=["../../victim.txt"])),
    "added that is no telemetry": _json(lambda data: data.update(added=["workspace.toml"])),
    "added as text": _json(lambda data: data.update(added="x")),
    "hashes as numbers": _json(lambda data: data.update(hashes={"a": 1})),
}


@pytest.mark.parametrize("damage", OF_LINES)
def test_a_damaged_line_of_the_history_is_put_aside_and_the_others_stand(workspace, damage, caplog):
    folder = workspace()
    store = InputStore(folder)
    for what in ("first", "second", "third"):
        store.apply(EDITS, "ann", what)
    path = folder / ".history" / "changes.jsonl"
    first, second, third = path.read_bytes().splitlines(keepends=True)
    spoilt = OF_LINES[damage](json.loads(second)).replace(b"\n", b" ") + b"\n"
    path.write_bytes(first + spoilt + third)
    assert [entry.what for entry in InputStore(folder).changes()][:2] == ["first", "third"]
    assert path.read_bytes().startswith(first + third)  # byte for byte
    (aside,) = (folder / ".history").glob("set-aside-*")
    assert (aside / "changes.jsonl").read_bytes() == spoilt
    (said,) = [one.getMessage() for one in caplog.records if "changes.jsonl" in one.getMessage()]
    assert said.startswith("caution: .history/changes.jsonl:2:*: is not a change that this program")
    store.apply(EDITS, "ben", "fourth")  # this one had read the file before
    again = InputStore(folder)
    assert [entry.number for entry in again.changes()] == [1, 3, 4, 5]
    again.undo(3, "ann")
    assert len(list((folder / ".history").glob("set-aside-*"))) == 1


def test_what_was_put_aside_is_said_on_the_page_of_changes(workspace):
    folder = workspace()
    InputStore(folder).apply(EDITS, "ann", "first")
    path = folder / ".history" / "changes.jsonl"
    path.write_bytes(path.read_bytes() + b"<b>garbage\n")
    text = browser(folder).get("/history").text
    assert ".history/changes.jsonl:2:*: is not a change that this program wrote" in text


@pytest.mark.parametrize("kind", ["a folder", "a pipe"])
def test_a_history_that_is_no_file_is_put_aside(workspace, kind):
    folder = workspace()
    (folder / ".history").mkdir()
    make_strange(folder / ".history" / "changes.jsonl", kind)
    store = InputStore(folder)
    store.apply(EDITS, "ann", "x")
    assert [entry.what for entry in store.changes()][1:] == ["x"]


def test_a_last_line_without_its_end_is_kept_where_it_is_whole(workspace):
    """As an editor saves it that takes the last line end away."""
    folder = workspace()
    InputStore(folder).apply(EDITS, "ann", "first")
    path = folder / ".history" / "changes.jsonl"
    path.write_bytes(path.read_bytes().removesuffix(b"\n"))
    InputStore(folder).apply(EDITS, "ann", "second")
    assert [entry.what for entry in InputStore(folder).changes()] == ["first", "second"]


def test_where_nobody_may_write_a_damaged_history_can_still_be_read(workspace, monkeypatch):
    folder = workspace()
    InputStore(folder).apply(EDITS, "ann", "first")
    path = folder / ".history" / "changes.jsonl"
    path.write_bytes(path.read_bytes() + b"garbage\n")

    def refused(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("spreadplan.web.files.history.set_aside", refused)
    store = InputStore(folder)
    assert [entry.what for entry in store.changes()] == ["first"]
    with pytest.raises(CannotWrite, match="Permission denied"):
        store.apply(EDITS, "ann", "second")


def test_a_change_whose_line_is_damaged_is_not_thrown_away(workspace):
    """It may have counted; the list of moves alone cannot say so."""
    folder = workspace()
    store = InputStore(folder)
    store.apply(EDITS, "ann", "first")
    entry = store.apply(EDITS, "ann", "second")
    path = folder / ".history" / "changes.jsonl"
    path.write_bytes(path.read_bytes().replace(b'"second"', b'"sec'))
    (folder / ".history" / "draft-1").write_text("typed")
    pending = journal([[".history/draft-1", "weighings.csv"]], {"entry": json.loads(entry.line())})
    (folder / ".history" / "pending.json").write_text(json.dumps(pending))
    InputStore(folder)
    kept = [p.read_text() for p in (folder / ".history").glob("set-aside-*/draft-1")]
    assert kept == ["typed"]
    assert "typed" not in (folder / "weighings.csv").read_text()
