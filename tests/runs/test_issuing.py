"""Plans as issued: written whole, numbered, never changed; every change is seen and named."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest

from spreadplan import cli, clock
from spreadplan.errors import BadInput
from spreadplan.reconcile.storm import with_area_limits
from spreadplan.runs import Options, compute_use, issue, reconcile
from spreadplan.runs.issuing import exact_tables, issue_plan, moment_of
from spreadplan.runs.planning import compute_plan
from spreadplan.runs.rest_of_storm import rest_of_storm
from spreadplan.workspace.fingerprint import input_fingerprint
from spreadplan.workspace.issued import read_issues
from tests.faults.rig import STORM, inputs_of, results_of, write_county

pytestmark = pytest.mark.usefixtures("blank_charts")
QUIET = Options(pdf=False)


@pytest.fixture(scope="module")
def issued(tmp_path_factory) -> Path:
    """The small county with two issues."""
    folder = write_county(tmp_path_factory.mktemp("issued") / "county")
    issue(folder, STORM, QUIET, by="Ann", note="before the storm")
    rates = folder / "storms/s1/rates.csv"
    rates.write_text(rates.read_text().replace("200", "120"))
    issue(folder, STORM, QUIET, at="2026-12-01T04:30", by="Bo", note="turns colder")
    return folder


@pytest.fixture
def copy(issued, tmp_path) -> Path:
    return Path(shutil.copytree(issued, tmp_path / "county"))


def place(folder: Path, name: str = "") -> Path:
    return folder / "storms" / STORM / "issued" / name


def problems(folder: Path) -> list[str]:
    return [str(one) for one in read_issues(folder, STORM).problems]


# --- what is written ---


def test_an_issue_has_tables_cards_and_who_when_why(issued):
    about = json.loads(place(issued, "2/issue.json").read_text())
    assert (about["number"], about["by"], about["note"]) == (2, "Bo", "turns colder")
    assert about["in_force_from"] == "2026-12-01T10:30:00+00:00"
    assert about["program"].startswith("spreadplan ")
    files = set(about["files"])
    assert {"plan_segments.csv", "plan_routes.csv", "plan_yards.csv"} <= files
    assert {"plan_report.html", "cab_cards/T1_R1_1.html"} <= files
    assert problems(issued) == []


def test_a_card_says_which_issue_it_belongs_to_and_which_it_replaces(issued):
    first, second = (place(issued, f"{n}/cab_cards/T1_R1_1.html").read_text() for n in (1, 2))
    assert "issue 1" in first
    assert "replaces" not in first
    assert "issue 2, replaces the card of issue 1" in second


def test_pdfs_are_written_unless_they_are_left_out(copy):
    issue(copy, STORM, Options(), at="2026-12-01T05:00")
    assert place(copy, "3/cab_cards/T1_R1_1.pdf").read_bytes().startswith(b"%PDF")
    assert not list(place(copy, "2").rglob("*.pdf"))


def test_the_fingerprint_is_of_the_inputs_without_the_issues(issued):
    found = read_issues(issued, STORM).plans
    assert found[0].issue.inputs != found[1].issue.inputs  # a rate was changed
    assert found[1].issue.inputs == input_fingerprint(issued, issued=False)
    assert found[1].issue.inputs != input_fingerprint(issued)


def test_the_tables_come_back_with_every_digit(issued):
    rest = rest_of_storm(issued, STORM, "2026-12-01T04:30", QUIET)
    workspace, plan = rest.workspace, rest.plan
    found = read_issues(issued, STORM).plans[-1]
    wanted = exact_tables(workspace, plan)
    for name, frame in (("segments", found.segments), ("runs", found.runs)):
        pd.testing.assert_frame_equal(frame, wanted[name][frame.columns], check_dtype=False)
    limits = with_area_limits(pd.DataFrame(plan.segments))
    assert found.segments["max_rate_lb_per_lane_mile"].equals(limits["max_rate_lb_per_lane_mile"])


def test_no_command_changes_an_issue(copy):
    before = {name: data for name, data in inputs_of(copy).items() if "/issued/" in name}
    words = (["plan", str(copy), STORM], ["reconcile", str(copy), STORM], ["check", str(copy)])
    for command in words:
        assert cli.main([*command, *(["--no-pdf"] if command[0] != "check" else [])]) == 0
    shutil.rmtree(copy / "results")
    after = {name: data for name, data in inputs_of(copy).items() if "/issued/" in name}
    assert after == before


def test_a_plan_of_any_origin_can_be_issued_with_pages_of_its_own(copy):
    workspace, fleet, plan = compute_plan(copy, STORM, QUIET)
    since = moment_of(workspace, STORM, "2026-12-01T05:00")
    made = issue_plan(
        workspace, fleet, plan, lambda one: [(f"{STORM}/a", f"issue {one.number}")], QUIET, since
    )
    assert place(copy, "3/a.html").read_text() == "issue 3"
    assert made.number == 3


# --- from when ---


def test_without_a_time_it_is_now_inside_the_storm_and_else_its_start(workspace, monkeypatch):
    folder = workspace()
    read = compute_plan(folder, STORM, QUIET)[0]
    for now, wanted in (
        ("2026-11-30T12:00Z", "2026-12-01T10:00Z"),
        ("2026-12-01T12:34Z", "2026-12-01T12:34Z"),
        ("2026-12-05T00:00Z", "2026-12-01T10:00Z"),
    ):
        monkeypatch.setattr(clock, "now", lambda now=now: pd.Timestamp(now).to_pydatetime())
        assert moment_of(read, STORM, "") == pd.Timestamp(wanted)
    assert moment_of(read, STORM, "2026-12-01T05:00") == pd.Timestamp("2026-12-01T11:00Z")


@pytest.mark.parametrize(
    ("at", "said"),
    [
        ("soon", '"soon" is not a time; write 2026-12-01T04:00'),
        ("2027-03-01", "lies outside the storm; write a time between"),
        ("2026-12-01T04:10", "lies before the time from which the last issue of s1 is in force"),
    ],
)
def test_a_time_that_cannot_be_is_one_clear_line(copy, capsys, at, said):
    before = inputs_of(copy)
    assert cli.main(["issue", str(copy), STORM, "--at", at, "--no-pdf"]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert lines[-2].startswith("--at:0:*: ")
    assert said in lines[-2]
    assert inputs_of(copy) == before


def test_inputs_that_change_while_the_plan_is_made_are_not_issued(copy):
    workspace, fleet, plan = compute_plan(copy, STORM, QUIET)
    since = moment_of(workspace, STORM, "2026-12-01T05:00")
    with pytest.raises(BadInput, match="changed while the plan was made"):
        issue_plan(workspace, fleet, plan, None, QUIET, since, inputs="another")
    assert not place(copy, "3").exists()


# --- trust ---


def changed_byte(folder: Path) -> str:
    path = place(folder, "1/plan_routes.csv")
    data = bytearray(path.read_bytes())
    data[-2] ^= 1
    path.write_bytes(data)
    return "issued/1/plan_routes.csv:0:*: was changed after the plan was issued"


def missing_card(folder: Path) -> str:
    place(folder, "1/cab_cards/T1_R1_1.html").unlink()
    return "issued/1/cab_cards/T1_R1_1.html:0:*: is missing from the issue"


def added_file(folder: Path) -> str:
    place(folder, "2/exact/more.csv").write_text("x")
    return "issued/2/exact/more.csv:0:*: was added after the plan was issued"


def edited_metadata(folder: Path) -> str:
    path = place(folder, "2/issue.json")
    path.write_text(path.read_text().replace("Bo", "Al"))
    return "issued/2/issue.json:0:*: was changed after it was issued"


def resealed_metadata(folder: Path) -> str:
    """Somebody who also makes the hash of the metadata anew: the one after it tells."""
    from dataclasses import replace

    path = place(folder, "1/issue.json")
    made = read_issues(folder, STORM).plans[0].issue
    path.write_bytes(replace(made, by="Somebody else").as_bytes())
    return "issued/2/issue.json:0:*: does not follow the issue before it"


def resealed_last(folder: Path) -> str:
    from dataclasses import replace

    made = read_issues(folder, STORM).plans[1].issue
    place(folder, "2/issue.json").write_bytes(replace(made, note="").as_bytes())
    return "issued/2/issue.json:0:*: is not as latest.json has it"


def gap(folder: Path) -> str:
    shutil.rmtree(place(folder, "1"))
    return "issued/1/:0:*: is missing, and 2 issues were made"


def last_is_gone(folder: Path) -> str:
    shutil.rmtree(place(folder, "2"))
    return "issued/2/:0:*: is missing, and 2 issues were made"


def exchanged(folder: Path) -> str:
    place(folder, "1").rename(place(folder, "x"))
    place(folder, "2").rename(place(folder, "1"))
    place(folder, "x").rename(place(folder, "2"))
    return "issued/1/issue.json:0:*: is issue 2 of the storm s1"


def stray(folder: Path) -> str:
    place(folder, "copy of 1").mkdir()
    return "issued/copy of 1:0:*: is no issue"


def link(folder: Path) -> str:
    card = place(folder, "1/cab_cards/T1_R1_1.html")
    card.rename(folder / "elsewhere.html")
    card.symlink_to(folder / "elsewhere.html")
    return "issued/1/cab_cards/T1_R1_1.html:0:*: was changed after the plan was issued"


TAMPERED = [
    changed_byte,
    missing_card,
    added_file,
    edited_metadata,
    resealed_metadata,
    resealed_last,
    gap,
    last_is_gone,
    exchanged,
    stray,
    link,
]


@pytest.mark.parametrize("tamper", TAMPERED)
def test_an_issue_that_was_tampered_with_is_named_and_stops_the_work(copy, capsys, tamper):
    wanted = tamper(copy)
    before = inputs_of(copy)
    assert cli.main(["check", str(copy)]) == 2
    said = capsys.readouterr().err.splitlines()
    line = next(one for one in said if wanted in one)
    assert "; " in line.split(wanted)[1]  # and what would be right
    assert inputs_of(copy) == before


@pytest.mark.parametrize("command", [["reconcile", STORM], ["season"]])
def test_results_are_not_judged_by_an_issue_that_was_tampered_with(copy, command):
    changed_byte(copy)
    (copy / "results").mkdir()
    words = [command[0], str(copy), *command[1:], "--no-pdf"]
    assert cli.main(words) == 2
    assert results_of(copy) == {}


def test_who_issues_after_an_issue_was_lost_gets_a_new_number(copy, capsys):
    kept = place(copy, "2").rename(copy / "kept")
    assert cli.main(["issue", str(copy), STORM, "--at", "2026-12-01T05:00", "--no-pdf"]) == 0
    assert "caution: storms/s1/issued/2/:0:*: is missing" in capsys.readouterr().err
    assert place(copy, "3/issue.json").is_file()
    kept.rename(place(copy, "2"))
    assert problems(copy) == []


# --- judged by them ---


def test_one_issue_of_the_same_inputs_changes_no_figure(tmp_path):
    folder = write_county(tmp_path / "county")
    without = compute_use(folder, STORM, QUIET).use
    issue(folder, STORM, QUIET)
    with_issue = compute_use(folder, STORM, QUIET).use
    pd.testing.assert_frame_equal(
        with_issue.segments.drop(columns="issue"), without.segments.drop(columns="issue")
    )
    assert set(with_issue.segments["issue"]) == {"1"}
    assert set(without.segments["issue"]) == {""}
    pd.testing.assert_frame_equal(with_issue.routes, without.routes)
    pd.testing.assert_frame_equal(with_issue.parts, without.parts)


def test_results_that_were_deleted_come_back_byte_by_byte(copy, monkeypatch):
    monkeypatch.setenv("OGR_CURRENT_DATE", "2026-12-01T00:00:00.000Z")
    reconcile(copy, STORM, QUIET)
    first = results_of(copy)
    shutil.rmtree(copy / "results")
    reconcile(copy, STORM, QUIET)
    assert results_of(copy) == first
    assert "judged by the plan in force when it was made: issue 1" in (
        copy / "results/s1/use_report.html"
    ).read_text().replace("<wbr>", "")


def test_what_the_files_say_now_judges_nobody(copy):
    """The rates of the files are raised after the storm: the issued ones count."""
    before = compute_use(copy, STORM, QUIET).use.segments
    (copy / "storms/s1/rates.csv").write_text(
        "route_id,application,rate_lb_per_lane_mile\n*,1,900\n"
    )
    after = compute_use(copy, STORM, QUIET).use.segments
    pd.testing.assert_frame_equal(after, before)


def test_a_segment_that_was_renamed_is_known_by_its_line(copy):
    routes = copy / "routes.geojson"
    before = compute_use(copy, STORM, QUIET).use.segments
    routes.write_text(routes.read_text().replace('"segment_id": "a"', '"segment_id": "new name"'))
    after = compute_use(copy, STORM, QUIET).use.segments
    names = after["segment_id"].replace("new name", "a")
    again = after.assign(segment_id=names).sort_values(["route_id", "segment_id"])
    pd.testing.assert_frame_equal(again.reset_index(drop=True), before)


def test_a_segment_that_is_gone_is_not_called_missed(copy):
    data = json.loads((copy / "routes.geojson").read_text())
    data["features"] = [one for one in data["features"] if one["properties"]["segment_id"] != "b"]
    (copy / "routes.geojson").write_text(json.dumps(data))
    found = compute_use(copy, STORM, QUIET).use.segments.set_index("segment_id").loc["b"]
    assert (found["verdict"], found["rounds_verdict"]) == ("unknown", "unknown")
    assert found["reason"].code == "not_in_routes"


def test_a_page_without_an_issue_says_so(tmp_path):
    folder = write_county(tmp_path / "county")
    said: list[str] = []
    reconcile(folder, STORM, Options(pdf=False, say=said.append))
    sentence = "No plan was issued: treatments are judged by the plan that the files give now"
    assert any(sentence in line for line in said)
    page = (folder / "results/s1/use_report.html").read_text().replace("<wbr>", "")
    assert sentence in page
