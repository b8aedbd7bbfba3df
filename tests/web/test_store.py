"""The workspace's files, changed by forms."""

from __future__ import annotations

import json
import os
import threading
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spreadplan import journal as journal_module
from spreadplan.errors import BadInput, CannotWrite
from spreadplan.places import inside
from spreadplan.web.files import store as store_module
from spreadplan.web.files.csvtext import parse_csv
from spreadplan.web.files.edits import Add, Change, Conflict, Refused, Remove, is_storm
from spreadplan.web.files.store import InputStore
from spreadplan.workspace import read_workspace
from tests.web.visitors import browser

TEST = {
    "test_id": "D9",
    "truck_id": "T1",
    "material": "salt",
    "performed_at": "2026-10-22T09:00",
    "gate_in": "2",
    "feeder_pct": "75",
    "duration_s": "60",
}
WEIGHING = {"test_id": "D9", "method": "container", "gross_lb": "90", "tare_lb": "6"}
RECORDED = [Add("discharge_tests.csv", TEST), Add("weighings.csv", WEIGHING)]


def files_of(folder: Path) -> dict[str, bytes]:
    """Every input file of a workspace."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and ".history" not in path.parts
    }


# --- what is written ---


def test_a_test_with_its_weighings_is_added_at_the_end_and_nothing_else_changes(workspace):
    folder = workspace()
    before = files_of(folder)
    entry = InputStore(folder).apply(RECORDED, "ann", "test D9 recorded")
    after = files_of(folder)
    changed = {file for file in after if before.get(file) != after[file]}
    assert changed == {"discharge_tests.csv", "weighings.csv"}
    for file in changed:
        assert after[file].startswith(before[file])
    assert after["weighings.csv"][len(before["weighings.csv"]) :] == b"D9,container,90,6,,\n"
    assert (entry.number, entry.who, entry.what) == (1, "ann", "test D9 recorded")
    tests = read_workspace(folder, required=["discharge_tests"]).table("discharge_tests")
    assert tests["test_id"].tolist() == ["D1", "D2", "D3", "D9"]


def test_order_units_unknown_columns_and_quoting_of_a_file_are_kept(workspace):
    text = (
        "\ufeffwho,duration_min,test_id,truck_id,material,performed_at,gate_mm,feeder_pct\r\n"
        '"Ann, and ""Ben""",1,D1,T1,salt,2026-10-20T09:00,50.8,100\r\n'
        "\r\n"
        " Cy ,1.5,D2,T1,salt,2026-10-20T10:00,50.8,50"
    )
    folder = workspace({"discharge_tests.csv": text, "weighings.csv": None})
    InputStore(folder).apply([Add("discharge_tests.csv", TEST)], "ann", "x")
    new = (folder / "discharge_tests.csv").read_bytes().decode()
    assert new == text + "\r\n,1,D9,T1,salt,2026-10-22T09:00,50.8,75\r\n"


def test_names_of_foreign_exports_are_kept(workspace):
    folder = workspace(
        {
            "columns.toml": '[loads]\nnet = { column = "Netto", unit = "kg" }\nticket_id = "No"\n',
            "storms/s1/loads.csv": "No,truck_id,yard_id,loaded_at,material,Netto\n",
        }
    )
    values = {
        "ticket_id": "L1",
        "truck_id": "T1",
        "yard_id": "Y1",
        "material": "salt",
        "loaded_at": "2026-12-01T04:00",
        "net_lb": "2204.62262",
    }
    store = InputStore(folder)
    store.apply([Add("storms/s1/loads.csv", values)], "ann", "x")
    assert (
        (folder / "storms/s1/loads.csv")
        .read_text()
        .endswith("L1,T1,Y1,2026-12-01T04:00,salt,999.999999\n")
    )
    (row,) = store.rows("storms/s1/loads.csv")
    assert row.values["ticket_id"] == "L1"
    assert row.values["net_kg"] == "999.999999"


def test_a_column_that_the_file_lacks_is_added_for_all_rows(workspace):
    folder = workspace({"weighings.csv": 'test_id,method,gross_lb\nD1,direct,"600"\n\nD2,direct,7'})
    InputStore(folder).apply([Add("weighings.csv", {**WEIGHING, "test_id": "D3"})], "ann", "x")
    assert (folder / "weighings.csv").read_text() == (
        'test_id,method,gross_lb,tare_lb\nD1,direct,"600",\n\nD2,direct,7,\nD3,container,90,6\n'
    )


def test_a_rate_is_converted_to_the_basis_of_the_file_or_refused(workspace):
    metric = "route_id,application,rate_kg_per_lane_km\n*,1,50\n"
    folder = workspace({"storms/s1/rates.csv": metric})
    new = {"route_id": "R1", "application": "1", "rate_lb_per_lane_mile": "100"}
    InputStore(folder).apply([Add("storms/s1/rates.csv", new)], "ann", "x")
    assert (folder / "storms/s1/rates.csv").read_text() == metric + "R1,1,28.1849232\n"
    folder = workspace({"storms/s1/rates.csv": metric.replace("kg_per_lane_km", "g_per_m2")})
    with pytest.raises(Refused, match="the file gives rates as rate_g_per_m2"):
        InputStore(folder).apply([Add("storms/s1/rates.csv", new)], "ann", "x")


def test_a_storm_is_made_by_its_first_row(workspace):
    folder = workspace()
    new = {"route_id": "*", "application": "1", "rate_lb_per_lane_mile": "100"}
    InputStore(folder).apply([Add("storms/s2/rates.csv", new)], "ann", "storm s2 begun")
    assert (folder / "storms/s2/rates.csv").read_text() == (
        "route_id,application,rate_lb_per_lane_mile\n*,1,100\n"
    )


def test_a_record_is_changed_or_removed_where_it_stands(workspace):
    folder = workspace()
    store = InputStore(folder)
    first, second, _ = store.rows("weighings.csv")
    store.apply(
        [
            Change("weighings.csv", second.row, second.mark, {"gross_kg": "45.359237"}),
            Remove("weighings.csv", first.row, first.mark),
        ],
        "ann",
        "x",
    )
    assert (folder / "weighings.csv").read_text().splitlines()[1:] == [
        "D2,container,100,5,4,0.5",
        "D3,direct,410,,,1",
    ]


# --- what is refused ---


@pytest.mark.parametrize(
    ("changes", "column", "what"),
    [
        ({"gate_in": "wide"}, "gate_in", "not a number"),
        ({"gate_in": "-1"}, "gate_in", "not possible"),
        ({"truck_id": "T7"}, "truck_id", "not in trucks.csv"),
        ({"performed_at": "yesterday"}, "performed_at", "not a date"),
        ({"performed_at": "2026-11-01T01:30"}, "performed_at", "comes twice"),
        ({"test_id": "D1"}, "test_id", "stands already"),
        ({"duration_s": ""}, "duration_s", "is empty"),
        ({"duration_s": "x"}, "duration_s", "not a number"),
        ({"material": "=1+1"}, "material", "begins like a formula"),
        ({"material": "x" * 20_000}, "", "well-formed"),
        ({"material": "sa\x00lt"}, "", ""),
    ],
)
def test_what_a_command_would_refuse_is_refused_at_its_field(workspace, changes, column, what):
    folder = workspace()
    store = InputStore(folder)
    before = files_of(folder)
    values = {**TEST, **changes}
    with pytest.raises(Refused) as refused:
        store.apply(
            [
                Add("weighings.csv", {**WEIGHING, "test_id": "D1"}),
                Add("discharge_tests.csv", values),
            ],
            "ann",
            "x",
        )
    assert any(what in problem.what for problem in refused.value.problems)
    if column and "formula" not in what:
        (problem,) = refused.value.at(1, column)
        assert what in problem.what
        assert refused.value.at(0) == []
    assert files_of(folder) == before
    assert store.changes() == []


def test_a_field_in_another_unit_than_the_file_still_finds_its_problem(workspace):
    folder = workspace()
    values = {key: value for key, value in TEST.items() if key != "gate_in"}
    with pytest.raises(Refused) as refused:
        InputStore(folder).apply(
            [Add("discharge_tests.csv", {**values, "gate_mm": "99999"})], "ann", "x"
        )
    assert len(refused.value.at(0, "gate_mm")) == 1
    assert refused.value.at(0, "feeder_pct") == []


def test_problems_that_were_there_before_do_not_stop_the_work(workspace):
    tests = "test_id,truck_id,material,performed_at,gate_in,feeder_pct,duration_s\nX,T8,salt,"
    folder = workspace(
        {"discharge_tests.csv": tests + "2026-10-20,2,50,60\n", "weighings.csv": None}
    )
    store = InputStore(folder)
    store.apply([Add("discharge_tests.csv", TEST)], "ann", "x")
    with pytest.raises(Refused) as refused:
        store.apply(
            [Add("discharge_tests.csv", {**TEST, "test_id": "D10", "truck_id": "T9"})], "ann", "x"
        )
    assert ["T9" in problem.what for problem in refused.value.problems] == [True]


def test_a_truck_that_tests_speak_of_cannot_be_removed(workspace):
    store = InputStore(workspace())
    truck = store.rows("trucks.csv")[0]
    with pytest.raises(Refused, match=r'"T1" is not in trucks\.csv'):
        store.apply([Remove("trucks.csv", truck.row, truck.mark)], "ann", "x")


@pytest.mark.parametrize(
    "file",
    [
        "../trucks.csv",
        "/etc/passwd",
        "storms/../trucks.csv",
        "storms/../rates.csv",
        "storms/.x/rates.csv",
        "results/x.csv",
        "workspace.toml",
        ".accounts.toml",
        "storms/s1/trucks.csv",
        "rates.csv",
        "routes.geojson",
        "storms/a\\b/rates.csv",
        "storms/s1/../../x/rates.csv",
        "",
    ],
)
def test_only_tables_of_the_workspace_can_be_written(workspace, file):
    folder = workspace()
    before = files_of(folder.parent)
    with pytest.raises(ValueError, match="not a"):
        InputStore(folder).apply([Add(file, {"truck_id": "T"})], "ann", "x")
    assert files_of(folder.parent) == before


def test_links_do_not_lead_out_of_the_workspace(workspace, tmp_path):
    folder = workspace()
    outside = tmp_path / "outside"
    outside.mkdir()
    (folder / "storms" / "away").symlink_to(outside)
    with pytest.raises(ValueError, match="leads out"):
        inside(folder, "storms/away/rates.csv")


@pytest.mark.parametrize(
    "name", ["", ".", "..", "a/b", "a\\b", ".x", " x", "x.", "a\nb", "c:", "x" * 81]
)
def test_names_that_no_storm_may_have(name):
    assert not is_storm(name)


# --- two people at once ---


@pytest.mark.slow
def test_many_who_add_at_once_lose_nothing(workspace):
    folder = workspace()
    stores = [InputStore(folder), InputStore(folder)]  # as if two servers ran
    wrong: list[BaseException] = []

    def record(person: int) -> None:
        try:
            for n in range(4):
                test_id = f"P{person}-{n}"
                edits = [Add(edit.file, {**edit.values, "test_id": test_id}) for edit in RECORDED]
                stores[person % 2].apply(edits, f"person {person}", f"test {test_id}")
        except BaseException as error:
            wrong.append(error)

    threads = [threading.Thread(target=record, args=(person,)) for person in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []
    wanted = {f"P{person}-{n}" for person in range(4) for n in range(4)}
    for file in ("discharge_tests.csv", "weighings.csv"):
        assert wanted <= {row.values["test_id"] for row in stores[0].rows(file)}
    entries = stores[1].changes()
    assert [entry.number for entry in entries] == list(range(1, 17))
    assert stores[0].changes() == entries


def test_two_who_change_the_same_record_the_second_is_shown_what_stands_there(workspace):
    folder = workspace()
    ann, ben = InputStore(folder), InputStore(folder)
    row = ann.rows("weighings.csv")[0]
    ann.apply([Change("weighings.csv", row.row, row.mark, {"gross_lb": "30100"})], "ann", "x")
    with pytest.raises(Conflict, match="was changed meanwhile") as conflict:
        ben.apply([Change("weighings.csv", row.row, row.mark, {"gross_lb": "30200"})], "ben", "x")
    assert conflict.value.now_there is not None
    assert conflict.value.now_there["gross_lb"] == "30100"
    assert ben.rows("weighings.csv")[0].values["gross_lb"] == "30100"


def test_two_who_change_different_records_both_count(workspace):
    folder = workspace()
    ann, ben = InputStore(folder), InputStore(folder)
    first, second, _ = ann.rows("weighings.csv")
    ann.apply([Remove("weighings.csv", first.row, first.mark)], "ann", "x")  # rows move up
    ben.apply([Change("weighings.csv", second.row, second.mark, {"gross_lb": "81"})], "ben", "x")
    assert [row.values["gross_lb"] for row in ben.rows("weighings.csv")] == ["81", "410"]


def test_a_save_from_another_program_in_the_middle_is_not_lost(workspace, monkeypatch):
    folder = workspace()
    store = InputStore(folder)
    path = folder / "weighings.csv"
    check = store_module.check_files
    saves = iter([b"D1,direct,5,,,1\n"])

    def checked(*arguments: object) -> None:
        check(*arguments)
        for line in saves:  # a spreadsheet saves while the check runs, once
            path.write_bytes(path.read_bytes() + line)

    monkeypatch.setattr(store_module, "check_files", checked)
    store.apply(RECORDED, "ann", "x")
    assert path.read_bytes().endswith(b"D1,direct,5,,,1\nD9,container,90,6,,\n")
    assert [entry.who for entry in store.changes()] == ["outside", "ann"]


def test_someone_who_never_finishes_does_not_hold_everyone_forever(workspace, monkeypatch):
    from filelock import FileLock

    folder = workspace()
    store = InputStore(folder)
    monkeypatch.setattr(store_module, "SECONDS_TO_WAIT", 0.1)
    with (
        FileLock(folder / ".history" / "lock"),
        pytest.raises(CannotWrite, match="Someone else is saving"),
    ):
        store.apply(RECORDED, "ann", "x")


# --- crashes ---


@pytest.mark.parametrize("moves_done", [0, 1, 2])
def test_after_a_crash_a_change_is_there_as_a_whole(workspace, monkeypatch, moves_done):
    folder = workspace()
    store = InputStore(folder)
    real, done = os.replace, []

    class Crash(BaseException):
        pass

    def replace(source: object, target: object) -> None:
        real(source, target)
        if not str(target).endswith("pending.json"):
            done.append(target)
        if len(done) >= moves_done:
            raise Crash

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", replace)
        with pytest.raises(Crash):
            store.apply(RECORDED, "ann", "test D9")
    again = InputStore(folder)
    counts = moves_done > 0  # before the first move the list of moves was stored, and no more
    for file in ("discharge_tests.csv", "weighings.csv"):
        assert [row.values["test_id"] for row in again.rows(file)].count("D9") == counts
    assert [entry.what for entry in again.changes()] == ["test D9"] * counts
    assert not list((folder / ".history").glob("draft-*"))
    assert not (folder / ".history" / "pending.json").exists()


def test_after_a_crash_before_it_counted_a_change_is_not_there(workspace, monkeypatch):
    folder = workspace()
    store = InputStore(folder)
    before = files_of(folder)
    with monkeypatch.context() as patch:
        patch.setattr(
            journal_module, "put_text", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt)
        )
        with pytest.raises(KeyboardInterrupt):
            store.apply(RECORDED, "ann", "x")
    again = InputStore(folder)
    assert files_of(folder) == before
    assert again.changes() == []
    assert not list((folder / ".history").glob("draft-*"))


def test_a_line_of_the_history_torn_by_a_crash_is_put_right(workspace):
    folder = workspace()
    store = InputStore(folder)
    store.apply(RECORDED, "ann", "first")
    path = folder / ".history" / "changes.jsonl"
    with path.open("ab") as handle:
        handle.write(b'{"number":2,"at":"2026')
    again = InputStore(folder)
    again.apply([Add("weighings.csv", WEIGHING)], "ann", "second")
    assert [json.loads(line)["what"] for line in path.read_text().splitlines()] == [
        "first",
        "second",
    ]


def test_a_full_disk_leaves_everything_as_it_was(workspace, monkeypatch):
    folder = workspace()
    store = InputStore(folder)
    before = files_of(folder)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(store_module, "write_synced", full)
    with pytest.raises(CannotWrite, match="No space left"):
        store.apply(RECORDED, "ann", "x")
    assert files_of(folder) == before


# --- history and undo ---


def test_the_history_tells_who_what_and_the_record_before_and_after(workspace):
    folder = workspace()
    store = InputStore(folder)
    row = store.rows("weighings.csv")[0]
    store.apply([Change("weighings.csv", row.row, row.mark, {"gross_lb": "31e3"})], "ann", "scale")
    (line,) = (folder / ".history" / "changes.jsonl").read_text().splitlines()
    told = json.loads(line)
    assert (told["who"], told["what"]) == ("ann", "scale")
    (change,) = told["rows"]
    assert change["before"]["gross_lb"] == "30000"
    assert change["after"]["gross_lb"] == "31e3"


def test_taking_back_gives_the_files_back_byte_for_byte(workspace):
    folder = workspace()
    store = InputStore(folder)
    before = files_of(folder)
    store.apply(RECORDED, "ann", "test D9")
    entry = store.undo(1, "ben")
    assert files_of(folder) == before
    assert (entry.who, entry.what, entry.undoes) == ("ben", "took back: test D9", 1)
    with pytest.raises(Conflict, match="already"):
        store.undo(1, "ben")
    store.undo(2, "ann")  # taking back the taking back
    assert [row.values["test_id"] for row in store.rows("discharge_tests.csv")][-1] == "D9"


def test_taking_back_leaves_what_others_did_since(workspace):
    folder = workspace()
    store = InputStore(folder)
    store.apply(RECORDED, "ann", "test D9")
    more = [Add(edit.file, {**edit.values, "test_id": "D10"}) for edit in RECORDED]
    store.apply([*more, Add("weighings.csv", {**WEIGHING, "test_id": "D1"})], "ben", "more")
    store.undo(1, "ann")
    assert [row.values["test_id"] for row in store.rows("discharge_tests.csv")][-1] == "D10"


def test_what_was_changed_since_cannot_be_taken_back(workspace):
    store = InputStore(workspace())
    row = store.rows("weighings.csv")[0]
    store.apply([Change("weighings.csv", row.row, row.mark, {"gross_lb": "30100"})], "ann", "x")
    row = store.rows("weighings.csv")[0]
    store.apply([Change("weighings.csv", row.row, row.mark, {"gross_lb": "30200"})], "ben", "y")
    with pytest.raises(Conflict):
        store.undo(1, "ann")
    assert store.rows("weighings.csv")[0].values["gross_lb"] == "30200"
    with pytest.raises(Conflict, match="no such change"):
        store.undo(77, "ann")


# --- edits made outside ---


def test_an_edit_made_outside_is_noticed_and_shown_once(workspace):
    folder = workspace()
    visitor = browser(folder)
    assert "outside the application" not in visitor.get("/").text
    path = folder / "trucks.csv"
    path.write_text(path.read_text().replace("14000", "15000"))
    assert "trucks.csv" in visitor.get("/").text
    assert "outside the application" in visitor.get("/").text
    visitor.do("/notices/seen", {"next": "/"})
    assert "outside the application" not in visitor.get("/").text


def test_edits_made_while_the_server_was_off_new_and_removed_files_are_noticed(workspace):
    folder = workspace()
    store = InputStore(folder)
    store.apply(RECORDED, "ann", "x")
    path = folder / "weighings.csv"
    path.write_text(path.read_text().replace("90", "91"))
    store = InputStore(folder)
    assert [entry.files for entry in store.outside_since(0)] == [["weighings.csv"]]
    assert InputStore(folder).outside_since(1) == store.outside_since(1)
    (folder / "budgets.csv").write_text("season\n")
    assert store.outside_since(2)[0].files == ["budgets.csv"]
    (folder / "budgets.csv").unlink()
    assert store.outside_since(3)[0].files == ["budgets.csv"]
    assert store.outside_since(4) == []


def test_a_file_saved_again_without_a_change_is_no_edit(workspace):
    folder = workspace()
    store = InputStore(folder)
    path = folder / "trucks.csv"
    path.write_bytes(path.read_bytes())
    assert store.outside_since(0) == []


def test_own_changes_are_not_taken_for_edits_made_outside(workspace):
    folder = workspace()
    store, other = InputStore(folder), InputStore(folder)
    store.apply(RECORDED, "ann", "x")
    store.undo(1, "ann")
    assert store.outside_since(0) == []
    assert other.outside_since(0) == []


# --- CSV text ---


@given(
    rows=st.lists(
        st.lists(st.text(st.characters(blacklist_categories=("Cs", "Cc"))), min_size=2, max_size=2),
        max_size=6,
    ),
    newline=st.sampled_from(["\n", "\r\n"]),
    closed=st.booleans(),
)
@settings(max_examples=60, deadline=None)
def test_a_csv_file_that_nobody_changes_stays_the_same(rows, newline, closed):
    import csv
    import io

    out = io.StringIO()
    csv.writer(out, lineterminator=newline).writerows([["a", "b"], *rows])
    text = out.getvalue()
    text = text if closed else text.removesuffix(newline)
    assert parse_csv(text.encode(), "x.csv").text() == text


@pytest.mark.parametrize("data", [b"", b"\n\n", b'a,b\n"1,2\n', b"a\n\xff\n"])
def test_a_csv_file_that_cannot_be_understood_is_not_touched(data):
    with pytest.raises(BadInput, match=r"x\.csv"):
        parse_csv(data, "x.csv")


@pytest.mark.parametrize("odd", ["1", "1,2,3"])
def test_a_record_with_too_few_cells_or_too_many_stays_as_it_is(odd):
    """Another record can be changed beside it, and it can be put right."""
    text = parse_csv(f"a,b\n{odd}\n5,6\n".encode(), "x.csv")
    other = text.made({"a": "7", "b": "8"})
    assert text.with_record(1, other).text() == f"a,b\n{odd}\n7,8\n"
    values = text.values(text.records[0])
    assert values == {"a": "1", "b": "2" if odd != "1" else ""}
    assert (
        text.with_record(0, text.made(values)).text() == f"a,b\n{','.join(values.values())}\n5,6\n"
    )
