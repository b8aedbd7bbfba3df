"""A storm whose files are as they were is not read again, and nobody can tell from the results."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from spreadplan.runs import Options, followed_again, issue, reported, season, storm_digest
from spreadplan.runs.followed_again import followed_storm
from spreadplan.runs.reconciling import compute_use, network_of, using_workspace
from tests.reconcile import three_segments

COUNTY = Path(__file__).parents[2] / "sample_routes" / "county"
TELEMETRY = "storms/s1/telemetry/t.csv"


@pytest.fixture(name="kept")
def _kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of what is kept."""
    monkeypatch.setenv("SPREADPLAN_CACHE_DIR", str(tmp_path / "kept"))
    return tmp_path / "kept"


@pytest.fixture(name="reads")
def _reads(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Storms of which telemetry was read."""
    found: list[str] = []

    def counted(work: Callable[..., Any]) -> Callable[..., Any]:
        def counting(workspace: Any, storm: str, *others: Any) -> Any:
            found.append(storm)
            return work(workspace, storm, *others)

        return counting

    monkeypatch.setattr(followed_again, "follow_storm", counted(followed_again.follow_storm))
    monkeypatch.setattr(reported, "_said", counted(reported._said))
    return found


@pytest.fixture(name="small")
def _small(tmp_path: Path) -> Path:
    """Three segments; one record of an unknown truck, one material that nobody knows."""
    records = three_segments.records().assign(material="salt")
    records.loc[3, "material"] = "slat"
    records.loc[5, "truck_id"] = "of another fleet"
    content = {**three_segments.files(), TELEMETRY: records.to_csv(index=False)}
    return three_segments.write(tmp_path / "workspace", content)


def follow(folder: Path) -> tuple[Any, list[str]]:
    """What `season` works with, and the cautions."""
    workspace = using_workspace(folder)
    said: list[str] = []
    network = network_of(workspace)
    return followed_storm(workspace, "s1", network, Options(caution=said.append)), said


def plain(value: Any) -> Any:
    """A result in parts that can be compared to the bit, types of arrays among them."""
    if is_dataclass(value):
        return {one.name: plain(getattr(value, one.name)) for one in fields(value)}
    if isinstance(value, pd.DataFrame):
        return {name: plain(value[name].to_numpy()) for name in value}
    if isinstance(value, np.ndarray):
        return value.dtype.str, value.tolist() if value.dtype == object else value.tobytes()
    if isinstance(value, dict):
        return {name: plain(one) for name, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(one) for one in value]
    return repr(float(value)) if isinstance(value, float) else value


def test_the_second_time_nothing_is_read_and_all_is_the_same(small, kept, reads, monkeypatch):
    first, said = follow(small)
    assert reads == ["s1"]
    again, said_again = follow(small)
    assert reads == ["s1"]
    assert said_again == said
    assert any("slat" in one for one in said)
    assert plain(again) == plain(first)
    assert again.refused
    monkeypatch.setenv("SPREADPLAN_CACHE_DIR", "")
    without, said_without = follow(small)
    assert reads == ["s1", "s1"]
    assert (plain(without), said_without) == (plain(first), said)


def changed(name: str, old: str, new: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        text = (folder / name).read_text()
        assert old in text
        (folder / name).write_text(text.replace(old, new, 1))

    return change


def added(name: str, text: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)

    return change


MATTERS = {
    "one digit of the telemetry": changed(TELEMETRY, "1020.0", "1021.0"),
    "a file more": added("storms/s1/telemetry/notes.txt", "is named in a caution"),
    "the roads": changed("routes.geojson", '"speed_mph": 30', '"speed_mph": 31'),
    "where the roads lie": changed("routes.geojson", "[[-93.99740305", "[[-93.99740315"),
    "names of columns": added("columns.toml", '[telemetry]\nliquid_total_gal = "brine"\n'),
    "the fleet": changed("trucks.csv", "T1,", "T9,closed_loop,auger,14000,2\nT1,"),
    "materials": changed("materials.csv", "salt,solid,80", "salt,solid,80\nslat,solid,80"),
    "who treats what": changed("assignments.csv", "R1,T1,Y1,salt", "R1,T1,Y1,slat"),
    "the time zone": changed("workspace.toml", '"UTC"', '"America/Chicago"'),
}


@pytest.mark.parametrize("what", MATTERS)
def test_what_the_records_rest_on_has_them_read_again(small, kept, reads, monkeypatch, what):
    if what == "who treats what":
        MATTERS["materials"](small)
    follow(small)
    MATTERS[what](small)
    found = follow(small)
    assert reads == ["s1", "s1"]
    assert plain(follow(small)) == plain(found)
    assert reads == ["s1", "s1"]
    monkeypatch.setenv("SPREADPLAN_CACHE_DIR", "")
    assert plain(follow(small)) == plain(found)


def test_a_plan_that_was_issued_has_the_records_read_again(small, kept, reads):
    """A truck that an issue gave a route to is at home on it, whatever the files say now."""
    MATTERS["the fleet"](small)
    follow(small)
    own = (small / "assignments.csv").read_text()
    (small / "assignments.csv").write_text(own.replace("R1,T1", "R1,T9"))
    issue(small, "s1", Options(pdf=False), at="2026-12-01T10:00Z")
    (small / "assignments.csv").write_text(own)
    follow(small)
    assert reads == ["s1", "s1"]
    follow(small)
    assert reads == ["s1", "s1"]


def test_another_program_reads_again(small, kept, reads, monkeypatch):
    follow(small)
    monkeypatch.setattr(storm_digest, "PROGRAM", "0" * 64)
    follow(small)
    assert reads == ["s1", "s1"]


def test_the_program_is_known_by_every_letter_of_its_source(monkeypatch, tmp_path):
    shutil.copytree(storm_digest.PACKAGE, tmp_path / "p", ignore=shutil.ignore_patterns("__py*"))
    monkeypatch.setattr(storm_digest, "PACKAGE", tmp_path / "p")
    assert storm_digest._program_digest() == storm_digest.PROGRAM
    source = tmp_path / "p/matching/way.py"
    source.write_text(source.read_text() + "\n")
    assert storm_digest._program_digest() != storm_digest.PROGRAM


@pytest.mark.parametrize("name", ["storms/s1/rates.csv", "storms/s1/loads.csv", "weighings.csv"])
def test_what_the_records_do_not_rest_on_leaves_them(small, kept, reads, name):
    follow(small)
    path = small / name
    path.write_text(path.read_text().replace("200", "210").replace("1600", "1610"))
    follow(small)
    assert reads == ["s1"]


def test_a_damaged_entry_is_read_again_and_replaced(small, kept, reads):
    first = follow(small)
    (entry,) = kept.iterdir()
    entry.write_bytes(entry.read_bytes()[:-1])
    assert plain(follow(small)) == plain(first)
    assert plain(follow(small)) == plain(first)
    assert reads == ["s1", "s1"]


def test_files_that_change_while_they_are_read_are_not_kept(small, kept, monkeypatch):
    work = followed_again.follow_storm

    def followed_while_it_arrives(*given: Any) -> Any:
        found = work(*given)
        changed(TELEMETRY, "1020.0", "1021.0")(small)
        return found

    monkeypatch.setattr(followed_again, "follow_storm", followed_while_it_arrives)
    follow(small)
    assert not kept.exists()


def test_reconcile_reads_the_records_of_other_storms_once(small, kept, reads):
    shutil.copytree(small / "storms/s1/telemetry", small / "storms/s2/telemetry")
    first = compute_use(small, "s1", Options())
    assert reads == ["s2"]
    again = compute_use(small, "s1", Options())
    assert reads == ["s2"]
    assert plain(again.use) == plain(first.use)
    changed("storms/s2/telemetry/t.csv", "1020.0", "1021.0")(small)
    compute_use(small, "s1", Options())
    assert reads == ["s2", "s2"]


@pytest.mark.slow
@pytest.mark.usefixtures("blank_charts")
def test_the_files_of_a_season_are_the_same_letter_by_letter(tmp_path, kept, reads, monkeypatch):
    shutil.copytree(COUNTY, tmp_path / "county")
    storms = sorted(path.name for path in (tmp_path / "county/storms").iterdir())
    remaining = [storms[0], storms[-1]]
    for storm in set(storms) - set(remaining):
        shutil.rmtree(tmp_path / "county/storms" / storm)

    def files() -> dict[str, bytes]:
        season(tmp_path / "county", Options(pdf=False))
        made = tmp_path / "county/results/season"
        return {path.name: path.read_bytes() for path in made.iterdir()}

    first = files()
    assert reads == remaining
    again = files()
    assert reads == remaining
    monkeypatch.setenv("SPREADPLAN_CACHE_DIR", "")
    assert first == again == files()
    assert reads == remaining * 2
    assert "season.xlsx" in first
