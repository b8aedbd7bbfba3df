"""No result depends on the day on which a command is run, unless it is meant to."""

from __future__ import annotations

import ast
import shutil
from datetime import UTC, date, datetime, time
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from spreadplan import clock
from spreadplan.cli import main
from spreadplan.runs.calibrating import judged_at, read_fleet
from spreadplan.runs.seasons import season_of
from spreadplan.workspace import read_workspace

pytestmark = pytest.mark.usefixtures("blank_charts")

ROOT = Path(__file__).parents[2]
COUNTY = ROOT / "sample_routes" / "county"
#: ways of asking the computer for the time
ASKING = {
    f"{owner}.{name}"
    for owner in ("datetime", "date", "datetime.datetime", "datetime.date", "pd.Timestamp", "time")
    for name in ("now", "today", "utcnow", "time", "time_ns")
}
#: long before the season of the sample county, just before it, in it, long after it
DAYS = (date(2019, 2, 28), date(2026, 9, 30), date(2026, 12, 1), date(2041, 7, 1))


def set_clock(monkeypatch: pytest.MonkeyPatch, day: date) -> None:
    noon = datetime.combine(day, time(12), tzinfo=UTC)
    monkeypatch.setattr(clock, "now", lambda: noon)


@pytest.mark.slow
def test_the_clock_is_asked_in_one_place():
    asking = set()
    for path in (ROOT / "spreadplan").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func) in ASKING:
                asking.add(path.name)
    assert asking == {"clock.py"}


def test_today_is_that_of_the_time_zone(monkeypatch):
    monkeypatch.setattr(clock, "now", lambda: datetime(2027, 1, 1, 3, tzinfo=UTC))
    assert clock.today(ZoneInfo("America/Chicago")) == date(2026, 12, 31)
    assert clock.today(ZoneInfo("Europe/Oslo")) == date(2027, 1, 1)


@pytest.mark.slow
def test_the_sample_county_is_the_same_on_any_day(tmp_path, monkeypatch, capsys):
    """What `check` and `calibrate` say and write; 8 of 9 trucks have tests that count."""
    found = []
    for day in DAYS:
        set_clock(monkeypatch, day)
        folder = tmp_path / "county"
        shutil.copytree(COUNTY, folder, ignore=shutil.ignore_patterns("results", "telemetry"))
        assert main(["check", str(folder)]) == 0
        assert main(["calibrate", str(folder), "--no-pdf"]) == 0
        said = capsys.readouterr()
        files = {
            path.name: path.read_bytes()
            for path in (folder / "results").rglob("*.*")
            if path.is_file() and ".history" not in path.parts
        }
        found.append((said.out, said.err, files))
        shutil.rmtree(folder)
    out, err, files = found[0]
    assert all(other == found[0] for other in found)
    assert "no problems found" in out
    assert err == ""
    uncalibrated = [
        name
        for name, page in files.items()
        if name.startswith("certificate_") and b"Not calibrated" in page
    ]
    assert uncalibrated == ["certificate_TC-106.html"]


@pytest.mark.slow
def test_a_workspace_without_a_day_of_its_own_follows_the_clock(workspace, monkeypatch):
    folder = workspace()
    seen = []
    for day in DAYS:
        set_clock(monkeypatch, day)
        at = read_fleet(folder)[1].as_of.tz_convert("America/Chicago").date()
        seen.append(at)
    assert seen == [DAYS[0], DAYS[1], DAYS[2], date(2027, 4, 30)], "never beyond the season"
    named = (folder / "workspace.toml").read_text() + "as_of = 2026-11-20\n"
    (folder / "workspace.toml").write_text(named)
    result = read_fleet(folder)[1]
    assert result.as_of.tz_convert("America/Chicago").date() == date(2026, 11, 20)
    assert result.tests["valid"].all()
    read = read_workspace(folder, required=["trucks"])
    assert judged_at(read, "2026-12-24").date() == date(2026, 12, 25), "the day ends in UTC's next"


def test_a_season_that_has_not_begun_is_an_empty_one(workspace, monkeypatch):
    set_clock(monkeypatch, date(2026, 8, 1))
    read = read_workspace(workspace(), required=["trucks"], optional=["budgets"])
    season = season_of(read, None)
    assert season.start < season.as_of < season.end


def test_a_record_of_the_future_is_named_once_a_column(workspace, monkeypatch):
    set_clock(monkeypatch, date(2026, 10, 25))
    tests = "test_id,truck_id,material,performed_at,gate_in,feeder_pct,duration_s\n" + "".join(
        f"D{n},T1,salt,{day}T09:00,2,50,60\n"
        for n, day in enumerate(["2026-10-24", "2062-10-24", "2027-01-01", "2026-10-25"], start=1)
    )
    read = read_workspace(
        workspace({"discharge_tests.csv": tests}), required=["discharge_tests"], optional=["trucks"]
    )
    late = [str(one) for one in read.cautions if "future" in one.what]
    assert late == [
        "discharge_tests.csv:3:performed_at: 2062-10-24 lies in the future (1 more like it): "
        "today is 2026-10-25; check the year and the month; a season that is not of today has its "
        "day as as_of in workspace.toml"
    ]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("as_of = 'soon'", "is not a date"),
        ("as_of = 9999-12-31", "lies outside the years 1980 to 2100"),
        ("season_end = 9999-12-31", "lies outside the years"),
        ("season_end = 2029-10-01", "lies more than a year after season_start"),
    ],
)
def test_days_that_cannot_be(workspace, capsys, line, said):
    text = '[workspace]\nname = "S"\nunits = "us"\ntimezone = "UTC"\nseason_start = 2026-10-01\n'
    assert main(["check", str(workspace({"workspace.toml": f"{text}{line}\n"}))]) == 2
    assert said in capsys.readouterr().err
