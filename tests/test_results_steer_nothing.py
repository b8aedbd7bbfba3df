"""Results are made from inputs alone: with those of earlier commands or without, they are equal."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest

from spreadplan.cli import main
from tests.reconcile import three_segments

pytestmark = pytest.mark.usefixtures("blank_charts")

POLICY = (
    '[[rate]]\nevent = "light snow"\npavement_temp_min_f = 0\npavement_temp_max_f = 40\n'
    'material = "salt"\nrate_lb_per_lane_mile = [150, 250]\nsource = "test"\n'
)
FORECAST = (
    "zone,start,end,event,pavement_temp_f,application\n"
    "*,2026-12-01T10:00Z,2026-12-01T12:00Z,light snow,28,1\n"
)
COMMANDS = (
    ("plan", "s1", "--pick", "low"),
    ("calibrate",),
    ("reconcile", "s1"),
    ("plan", "s1"),
    ("compare", "s1"),
    ("season",),
)


def storm(folder: Path) -> Path:
    files = three_segments.files()
    records = three_segments.records()
    files["storms/s1/telemetry/a.csv"] = records.to_csv(index=False)
    files |= {"policy.toml": POLICY, "storms/s1/forecast.csv": FORECAST}
    files.pop("storms/s1/rates.csv", None)
    return three_segments.write(folder, files)


def tables(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*.csv")}


@pytest.mark.slow
def test_deleting_the_results_before_each_command_changes_no_answer(tmp_path, capsys):
    kept, bare = storm(tmp_path / "kept"), storm(tmp_path / "bare")
    for command, *rest in COMMANDS:
        shutil.rmtree(bare / "results", ignore_errors=True)
        said = []
        for folder in (kept, bare):
            assert main([command, str(folder), *rest, "--no-pdf"]) == 0, capsys.readouterr().err
            said.append(capsys.readouterr().out.replace(str(folder), "W"))
        assert said[0] == said[1], command
        written, earlier = tables(bare / "results"), tables(kept / "results")
        assert written, command
        for name, content in written.items():
            assert content == earlier[name], f"{command}: {name}"
    planned = pd.read_csv(kept / "results/s1/use_segments.csv").set_index("segment_id")
    assert planned.loc["A", "planned_lb"] == pytest.approx(150.0), "the low end was planned"


@pytest.mark.slow
def test_a_storm_is_planned_as_it_was_last_unless_asked(tmp_path):
    folder = storm(tmp_path / "w")

    def pick() -> str:
        return str(pd.read_csv(folder / "results/s1/plan_routes.csv")["pick"].iloc[0])

    def planned(*words: str) -> int:
        return main(["plan", str(folder), "s1", "--no-pdf", *words])

    assert planned() == 0
    assert pick() == "by_round"
    assert not (folder / "storms/s1/plan.toml").exists(), "nothing was asked for, nothing is kept"
    for asked in ("high", "low"):
        assert planned("--pick", asked) == 0
        shutil.rmtree(folder / "results")
        assert planned() == 0
        assert pick() == asked
    assert planned("--pick", "middle") == 0
    assert planned() == 0
    assert pick() == "middle"


def test_a_plan_file_that_cannot_be_is_one_clear_line(tmp_path, capsys):
    folder = storm(tmp_path / "w")
    (folder / "storms/s1/plan.toml").write_text('pick = "lowest"\n')
    assert main(["plan", str(folder), "s1", "--no-pdf"]) == 2
    said = capsys.readouterr().err
    assert "storms/s1/plan.toml:0:pick: 'lowest' is not known; use one of by_round, low" in said
    assert not (folder / "results" / "s1").exists()
