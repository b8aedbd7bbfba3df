"""All results of a command or none: an error, a full disk or a kill leaves the earlier ones."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from spreadplan.errors import CannotWrite
from spreadplan.results.store import open_results, recover
from spreadplan.results.tables import write_csv


def write_all(workspace: Path, text: str, names=("a.csv", "deep/b.csv")) -> None:
    with open_results(workspace) as store:
        for name in names:
            store.path(name).write_text(text)


def write_and_fail(workspace: Path, error: Exception) -> None:
    with open_results(workspace) as store:
        store.path("a.csv").write_text("new")
        raise error


def contents(workspace: Path) -> dict[str, str]:
    results = workspace / "results"
    return {
        path.relative_to(results).as_posix(): path.read_text()
        for path in results.rglob("*")
        if path.is_file() and path.name != ".lock"
    }


def test_results_appear_together_and_replace_the_old(tmp_path):
    write_all(tmp_path, "old")
    write_all(tmp_path, "new")
    assert contents(tmp_path) == {"a.csv": "new", "deep/b.csv": "new"}


def test_an_error_half_way_leaves_the_earlier_results(tmp_path):
    write_all(tmp_path, "old")
    with pytest.raises(RuntimeError):
        write_and_fail(tmp_path, RuntimeError())
    assert contents(tmp_path) == {"a.csv": "old", "deep/b.csv": "old"}


def test_a_write_error_is_said_in_one_line_and_changes_nothing(tmp_path):
    write_all(tmp_path, "old")
    with pytest.raises(CannotWrite, match=r"No space left.*earlier results are unchanged"):
        write_and_fail(tmp_path, OSError(28, "No space left on device"))
    assert contents(tmp_path) == {"a.csv": "old", "deep/b.csv": "old"}


def test_earlier_results_that_no_longer_apply_are_removed_with_the_commit(tmp_path):
    write_all(tmp_path, "old", ["cards/t1.html", "cards/t2.html", "other.csv"])
    with open_results(tmp_path) as store:
        store.discard("cards/*")
        store.path("cards/t1.html").write_text("new")
    assert contents(tmp_path) == {"cards/t1.html": "new", "other.csv": "old"}


def test_an_interrupted_commit_is_finished_by_the_next_command(tmp_path, monkeypatch):
    write_all(tmp_path, "old")
    real, moved = os.replace, []

    def stop_after_one(source, target):
        if Path(target).name != "moves.json":
            if moved:
                raise KeyboardInterrupt
            moved.append(target)
        real(source, target)

    monkeypatch.setattr("spreadplan.results.store.os.replace", stop_after_one)
    with pytest.raises(KeyboardInterrupt):
        write_all(tmp_path, "new")
    assert sorted(text for name, text in contents(tmp_path).items() if "staging" not in name) == [
        "new",
        "old",
    ]
    monkeypatch.undo()
    recover(tmp_path / "results")
    assert contents(tmp_path) == {"a.csv": "new", "deep/b.csv": "new"}


@pytest.mark.slow
def test_a_kill_at_any_moment_leaves_one_whole_generation(tmp_path):
    """Kill −9 at moments spread over the run; after recovery all files are of one generation."""
    program = textwrap.dedent(
        """
        import sys, pathlib
        from spreadplan.results.store import open_results
        for generation in range(10_000):
            with open_results(pathlib.Path(sys.argv[1])) as store:
                for number in range(12):
                    store.path(f"{number}.csv").write_text(str(generation) * 50)
            print("ready", flush=True)
        """
    )
    seen = set()
    for trial in range(12):
        process = subprocess.Popen(
            [sys.executable, "-c", program, str(tmp_path)],
            stdout=subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        )
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(0.05 + 0.013 * trial)
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()
        recover(tmp_path / "results")
        found = contents(tmp_path)
        assert len(found) == 12
        assert len(set(found.values())) == 1
        seen.update(found.values())
    assert len(seen) > 1


def test_a_read_only_place_is_said_in_one_line(tmp_path):
    (tmp_path / "results").write_text("a file where a folder should be")
    with pytest.raises(CannotWrite, match="cannot be written"):
        write_all(tmp_path, "new")


def test_tables_are_written_for_people_and_programs(tmp_path):
    frame = pd.DataFrame(
        {
            "truck_id": ["T1", "=1+1", "-5"],
            "valid": [True, False, True],
            "mass_lb": [1 / 3, np.nan, 123456.7890123],
            "gates": [(2.0, 3.0), (), ("x",)],
            "at": pd.to_datetime(["2026-11-28T10:00Z", None, "2026-06-01T10:00Z"]),
        }
    )
    write_csv(frame, tmp_path / "t.csv", "America/Chicago")
    assert (tmp_path / "t.csv").read_text().splitlines() == [
        "truck_id,valid,mass_lb,gates,at",
        '"T1",true,0.333333333,"2;3","2026-11-28T04:00:00-06:00"',
        '"\'=1+1",false,,,',
        '"-5",true,123456.789,"x","2026-06-01T05:00:00-05:00"',
    ]


def test_numbers_keep_nine_digits_at_every_size(recwarn):
    from spreadplan.results.tables import rounded

    values = np.array([1 / 3, -2e5 / 3, 0.0, 5e-301, 1e300, np.nan, np.inf, -1e-12 / 7])
    expected = [0.333333333, -66666.6667, 0.0, 5e-301, 1e300, np.nan, np.nan, -1.42857143e-13]
    np.testing.assert_allclose(rounded(values), expected, rtol=1e-12)
    assert not recwarn.list
