"""The `weather` command: rows added to a forecast, nothing lost, what is doubtful said."""

import csv
import math

import pandas as pd
import pytest

from spreadplan import cli
from spreadplan.planning.forecast_doubt import NIGHT_U_C
from spreadplan.runs.options import Options
from spreadplan.runs.planning import compute_plan

HOURS = (
    "time,place,lon,lat,{},precipitation_in,weather\n"
    "2026-12-01T20:00,A,-94.0,46.0,26,0.02,-SN\n"
    "2026-12-01T21:00,A,-94.0,46.0,24,0.02,-SN\n"
)


def run(folder, tmp_path, text, *more, name="hours.csv"):
    path = tmp_path / name
    path.write_text(text)
    return cli.main(["weather", str(folder), "s1", str(path), *more])


def rows(folder):
    with (folder / "storms/s1/forecast.csv").open(newline="") as handle:
        return list(csv.DictReader(handle))


def test_rows_are_added_in_the_files_own_units_and_old_ones_stay(workspace, tmp_path, capsys):
    old = (
        "zone,start,end,event,pavement_temp_c,note\n"
        '*,2026-12-01T04:00,2026-12-01T10:00,light_snow,-4,"old, but kept"\n'
    )
    folder = workspace({"storms/s1/forecast.csv": old})
    text = HOURS.format("pavement_temp_f")
    assert run(folder, tmp_path, text, "--issued", "2026-12-01T12:00") == 0
    first, second = rows(folder)
    assert (first["note"], first["pavement_temp_c"], first["issued_at"]) == (
        "old, but kept",
        "-4",
        "",
    )
    assert second["zone"] == "*"
    assert second["start"] == "2026-12-01T19:00:00-06:00"
    assert second["end"] == "2026-12-01T21:00:00-06:00"
    assert (second["event"], second["pavement_temp_c"], second["pavement_temp_u_f"]) == (
        "light_snow",
        "-4.4",
        "",
    )
    assert (second["precipitation_in"], second["trend"]) == ("0.040", "falling")
    # the old round began before, so this is the second
    assert second["application"] == "2"
    said = capsys.readouterr()
    assert "1\u00a0row added to forecast.csv, which had 1; none of those was changed" in said.out
    assert "from A, 3.45\u00a0mi from the middle of its routes" in said.out
    _, _, plan = compute_plan(folder, "s1", Options(pdf=False))
    assert {one.label for one in plan.applications} >= {"1", "2"}


def test_air_for_pavement_is_said_and_less_certain(workspace, tmp_path, capsys):
    folder = workspace({"storms/s1/forecast.csv": None})
    (folder / "storms/s1").mkdir(parents=True, exist_ok=True)
    assert run(folder, tmp_path, HOURS.format("air_temp_c").replace(",26,", ",-3,")) == 0
    (row,) = rows(folder)
    expected = math.hypot(1.8 * NIGHT_U_C, 7.2)
    assert float(row["pavement_temp_u_f"]) == pytest.approx(expected, abs=0.05)
    assert "without a pavement temperature, so that of the air is taken" in capsys.readouterr().err


def test_nothing_to_treat_changes_nothing(workspace, tmp_path, capsys):
    folder = workspace()
    before = (folder / "storms/s1/forecast.csv").read_bytes()
    dry = HOURS.format("pavement_temp_f").replace("-SN", "").replace("0.02", "0")
    assert run(folder, tmp_path, dry) == 0
    assert (folder / "storms/s1/forecast.csv").read_bytes() == before
    assert "nothing in it has to be treated" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "more", "line"),
    [
        ("time,air_temp_f\n2026-12-01T20:00,warm\n", (), "hours.csv:2:air_temp_f"),
        ("", (), "hours.csv:0:*"),
        (HOURS.format("air_temp_f"), ("--every", "0"), "--every:0:*"),
        (HOURS.format("air_temp_f"), ("--every", "nan"), "--every:0:*"),
        (HOURS.format("air_temp_f"), ("--issued", "soon"), "--issued:0:*"),
    ],
)
def test_what_is_wrong_is_one_clear_line(workspace, tmp_path, capsys, text, more, line):
    folder = workspace()
    before = (folder / "storms/s1/forecast.csv").read_bytes()
    assert run(folder, tmp_path, text, *more) == 2
    assert line in capsys.readouterr().err
    assert (folder / "storms/s1/forecast.csv").read_bytes() == before


def test_an_event_that_the_policy_lacks_is_named(workspace, tmp_path, capsys):
    policy = (
        "[[rate]]\nevent = 'light_snow'\nmaterial = 'salt'\nrate_lb_per_lane_mile = 200\n"
        "source = 'test'\n"
    )
    folder = workspace({"policy.toml": policy})
    assert run(folder, tmp_path, HOURS.format("pavement_temp_f").replace("-SN", "FZRA")) == 0
    assert "the policy has no row for freezing_rain" in capsys.readouterr().err


def test_an_update_replaces_rounds_to_come_alone(workspace, tmp_path):
    """Hours from 20:00 on, forecast at 12:00; at 21:00 those from 22:00 on are forecast anew."""
    folder = workspace({"storms/s1/forecast.csv": None})
    (folder / "storms/s1").mkdir(parents=True, exist_ok=True)
    head = "time,pavement_temp_f,weather\n"
    lines = [f"2026-12-01T{hour}:00,{temp},-SN\n" for hour, temp in ((21, 28), (22, 27), (23, 26))]
    assert (
        run(folder, tmp_path, head + "".join(lines), "--every", "1", "--issued", "2026-12-01T12:00")
        == 0
    )
    later = head + "2026-12-01T23:00,20,-SN\n"
    assert run(folder, tmp_path, later, "--every", "1", "--issued", "2026-12-01T21:00") == 0
    workspace_, _, plan = compute_plan(folder, "s1", Options(pdf=False))
    counted = workspace_.forecast("s1")
    assert list(counted["application"]) == ["1", "2", "3"]
    assert counted["pavement_temp_f"].to_numpy() == pytest.approx([28.0, 27.0, 20.0])
    assert len(rows(folder)) == 4
    assert isinstance(plan.start, pd.Timestamp)
