"""The real command on spoilt workspaces: exit code 2, lines on stderr, results as they were."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import FILES
from tests.hostile.engine import fingerprints, is_clear, quiet
from tests.hostile.small_county import small_county, write

ROOT = Path(__file__).parents[2]
SPOILT = {
    "trucks.csv": FILES["trucks.csv"].replace("auger", '"au\x1b[2Jger').encode(),
    "routes.geojson": b'<OGRVRTDataSource><OGRVRTLayer name="x"/></OGRVRTDataSource>',
    "weighings.csv": b"\xff\xfe" + FILES["weighings.csv"].encode("utf-16-le"),
    "policy.toml": b"[sensitive]\nfactor = " + b"9" * 9_000,
    "storms/s1/rates.csv": b"route_id,application,rate_lb_per_lane_mile\n\xe2\x80\xae*,1,1e308\n",
}


def run(*arguments: str, encoding: str = "utf-8") -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": f"{encoding}:strict"}
    return subprocess.run(
        [sys.executable, "-m", "spreadplan.cli", *arguments],
        check=False,
        capture_output=True,
        encoding="utf-8",
        errors="replace",
        env=environment,
        timeout=120,
    )


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """A county with results."""
    from spreadplan import runs

    folder = tmp_path_factory.mktemp("line") / "county"
    write(small_county(), folder)
    runs.plan(folder, "s1", quiet())
    return folder


def test_spoilt_files_change_no_result_and_are_all_named_in_lines(planned):
    sound = {file: (planned / file).read_bytes() for file in SPOILT}
    before = fingerprints(planned)
    assert any(name.endswith("plan_segments.csv") for name in before)
    write(SPOILT, planned)
    try:
        done = run("plan", str(planned), "s1", "--no-pdf")
    finally:
        write(sound, planned)
    assert done.returncode == 2, done.stderr
    assert fingerprints(planned) == before
    *problems, last = done.stderr.removesuffix("\n").split("\n")
    assert re.fullmatch(r"\d+ problems?; nothing was changed", last)
    for file in SPOILT:
        assert any(line.startswith(f"{file}:") for line in problems), (file, problems)
    assert all(is_clear(line.removeprefix("caution: ")) for line in problems), problems


def test_a_terminal_of_few_letters_is_no_reason_to_fail(planned):
    """Names are written out where the terminal's encoding does not have them."""
    (planned / "budgets.csv").write_text("season,scope,scope_id,material,budget_ton,Łódź\n")
    done = run("check", str(planned), encoding="ascii")
    (planned / "budgets.csv").write_bytes(small_county()["budgets.csv"])
    assert done.returncode == 0, done.stderr
    assert "\\u0141" in done.stderr
