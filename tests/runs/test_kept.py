"""The store of what was worked out: whole entries of one's own count, and nothing else."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import numpy as np
import pytest

from spreadplan.runs import kept
from spreadplan.runs.kept import KeptResult, keep_result, kept_folder, take_result

DIGEST, OTHER = "a" * 64, "b" * 64
ENTRY = KeptResult(
    {"share": 0.1 + 0.2, "none": float("nan"), "texts": ["Ä 1", ""]},
    {
        "rows": {
            "name": np.array(["R1", "Ä"], dtype=object),
            "mass_lb": np.array([0.1, np.nan]),
            "row": np.array([3, -1], dtype=np.int32),
            "standing": np.array([True, False]),
        },
        "nothing": {"name": np.array([], dtype=object), "row": np.array([], dtype=np.int64)},
    },
)


@pytest.fixture(name="folder")
def _folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A place of its own for what is kept."""
    monkeypatch.setenv("SPREADPLAN_CACHE_DIR", str(tmp_path / "kept"))
    return tmp_path / "kept"


def only_file(folder: Path) -> Path:
    (path,) = folder.iterdir()
    return path


def test_an_entry_comes_back_to_the_bit_and_with_its_types(folder):
    assert take_result(DIGEST) is None
    keep_result(DIGEST, ENTRY)
    found = take_result(DIGEST)
    assert repr(found.facts) == repr(ENTRY.facts)
    assert list(found.tables) == list(ENTRY.tables)
    for name, columns in ENTRY.tables.items():
        assert list(found.tables[name]) == list(columns)
        for column, values in columns.items():
            other = found.tables[name][column]
            assert other.dtype == values.dtype
            assert other.flags.writeable
            assert other.tolist() == values.tolist() or values.tobytes() == other.tobytes()
    assert [type(one) for one in found.tables["rows"]["name"]] == [str, str]
    assert take_result(OTHER) is None


def spoil_a_byte(data: bytes) -> bytes:
    middle = len(data) // 2
    return data[:middle] + bytes([data[middle] ^ 1]) + data[middle + 1 :]


@pytest.mark.parametrize(
    "spoil",
    [
        spoil_a_byte,
        lambda data: data[: len(data) // 2],
        lambda data: data + b"more",
        lambda data: b"",
        lambda data: b"\x80\x04K\x01.",  # a pickle
    ],
)
def test_a_damaged_entry_is_none_and_is_written_again(folder, spoil):
    keep_result(DIGEST, ENTRY)
    path = only_file(folder)
    whole = path.read_bytes()
    path.write_bytes(spoil(whole))
    assert take_result(DIGEST) is None
    keep_result(DIGEST, ENTRY)
    assert only_file(folder).read_bytes() == whole


def test_an_entry_under_another_name_is_none(folder):
    keep_result(DIGEST, ENTRY)
    path = only_file(folder)
    path.rename(path.with_name(path.name.replace(DIGEST, OTHER)))
    assert take_result(OTHER) is None


@pytest.mark.skipif(not hasattr(os, "getuid"), reason="rights of files as Unix has them")
def test_what_others_could_have_written_is_not_read(folder):
    keep_result(DIGEST, ENTRY)
    assert folder.stat().st_mode & 0o777 == 0o700
    assert only_file(folder).stat().st_mode & 0o777 == 0o600
    folder.chmod(0o777)
    assert take_result(DIGEST) is None
    keep_result(OTHER, ENTRY)
    only_file(folder)  # nor is anything written there
    folder.chmod(0o700)
    assert take_result(DIGEST) is not None
    elsewhere = folder.parent / "elsewhere"
    only_file(folder).rename(elsewhere)
    (folder / f"{DIGEST}.kept").symlink_to(elsewhere)
    assert take_result(DIGEST) is None


def test_without_a_place_nothing_is_kept_and_nothing_fails(folder, monkeypatch):
    folder.write_text("a file, where the folder should be")
    keep_result(DIGEST, ENTRY)
    assert take_result(DIGEST) is None
    monkeypatch.setenv("SPREADPLAN_CACHE_DIR", "")
    assert kept_folder() is None
    keep_result(DIGEST, ENTRY)
    assert take_result(DIGEST) is None


def test_a_full_disk_costs_nothing_but_the_entry(folder, monkeypatch):
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(kept, "put_bytes", full)
    keep_result(DIGEST, ENTRY)
    assert take_result(DIGEST) is None


def test_where_it_lies(monkeypatch, tmp_path):
    monkeypatch.delenv("SPREADPLAN_CACHE_DIR")
    monkeypatch.delenv("LOCALAPPDATA", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert kept_folder() == tmp_path / "spreadplan"
    monkeypatch.setenv("XDG_CACHE_HOME", "relative/is/ignored")
    monkeypatch.setattr(Path, "home", lambda: tmp_path / "home")
    assert kept_folder() == tmp_path / "home/.cache/spreadplan"


def test_what_was_not_used_for_longest_goes_first(folder, monkeypatch):
    names = ["1" * 64, "2" * 64, "3" * 64]
    for age, name in enumerate(names):
        keep_result(name, ENTRY)
        os.utime(folder / f"{name}.kept", (1000 + age, 1000 + age))
    size = (folder / f"{names[0]}.kept").stat().st_size
    (folder / "notes.txt").write_text("the user's own")
    assert take_result(names[0]) is not None  # of use: now the youngest
    monkeypatch.setattr(kept, "MOST_BYTES", 3 * size)
    keep_result(DIGEST, ENTRY)
    left = {path.name.removesuffix(".kept") for path in folder.iterdir()}
    assert left == {names[0], names[2], DIGEST, "notes.txt"}
    monkeypatch.setattr(kept, "MOST_BYTES", size - 1)
    keep_result(OTHER, ENTRY)
    assert take_result(OTHER) is None  # larger than all together may be


def test_several_at_once_leave_whole_entries(folder):
    seen: list[KeptResult | None] = []

    def work() -> None:
        for _ in range(20):
            keep_result(DIGEST, ENTRY)
            seen.append(take_result(DIGEST))

    workers = [threading.Thread(target=work) for _ in range(4)]
    for one in workers:
        one.start()
    for one in workers:
        one.join()
    assert len(seen) == 80
    assert None not in seen
    only_file(folder)  # no drafts are left
