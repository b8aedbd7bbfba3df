"""An issue as one file: good where nothing changed, and why not where something did."""

from __future__ import annotations

import hashlib
import hmac
import json
import shutil
import zipfile
from pathlib import Path

import pytest

from spreadplan import cli
from spreadplan.runs import Options, issue
from tests.faults.rig import STORM, write_county

pytestmark = pytest.mark.usefixtures("blank_charts")


@pytest.fixture(scope="module")
def county(tmp_path_factory) -> Path:
    folder = write_county(tmp_path_factory.mktemp("packed") / "county")
    issue(folder, STORM, Options(pdf=False), by="Ann", note="before the storm")
    return folder


@pytest.fixture
def key(tmp_path) -> Path:
    path = tmp_path / "key"
    path.write_bytes(b"a long text that nobody else has")
    return path


@pytest.fixture
def packed(county, tmp_path, key) -> Path:
    target = tmp_path / "issue.zip"
    assert cli.main(["pack", str(county), STORM, str(target), "--key", str(key)]) == 0
    return target


def rewrite(path: Path, change) -> None:
    """``change`` gets the files of the zip by name and changes them."""
    with zipfile.ZipFile(path) as packed:
        files = {name: packed.read(name) for name in packed.namelist()}
    change(files)
    with zipfile.ZipFile(path, "w") as packed:
        for name, data in files.items():
            packed.writestr(name, data)


def test_it_is_verified_on_a_computer_without_the_workspace(packed, tmp_path, key, capsys):
    moved = Path(shutil.move(packed, tmp_path / "elsewhere.zip"))
    assert cli.main(["verify", str(moved)]) == 0
    said = capsys.readouterr().out
    assert "good: issue 1 of the storm s1, as it was issued" in said
    assert "by: Ann" in said
    assert "without the key nothing is said about the signature" in said
    assert cli.main(["verify", str(moved), "--key", str(key)]) == 0
    assert "signature good" in capsys.readouterr().out


def test_packed_twice_it_is_the_same_bytes(county, packed, tmp_path, key):
    again = tmp_path / "again.zip"
    assert (
        cli.main(["pack", str(county), STORM, str(again), "--key", str(key), "--number", "1"]) == 0
    )
    assert again.read_bytes() == packed.read_bytes()


def test_the_signature_is_that_of_the_standard_library(packed, key):
    """RFC 2104 worked out by hand: H((K ^ opad) . H((K ^ ipad) . text)), SHA-256, blocks of 64."""
    with zipfile.ZipFile(packed) as whole:
        text, given = whole.read("issue.json"), whole.read("signature.txt").decode().strip()
    block = key.read_bytes().ljust(64, b"\0")
    inner = hashlib.sha256(bytes(b ^ 0x36 for b in block) + text).digest()
    assert given == hashlib.sha256(bytes(b ^ 0x5C for b in block) + inner).hexdigest()
    assert given == hmac.new(key.read_bytes(), text, "sha256").hexdigest()


def one_byte(files):
    data = bytearray(files["plan_routes.csv"])
    data[-2] ^= 1
    files["plan_routes.csv"] = bytes(data)
    return "issue.zip/plan_routes.csv:0:*: was changed after the plan was issued"


def missing(files):
    del files["cab_cards/T1_R1_1.html"]
    return "issue.zip/cab_cards/T1_R1_1.html:0:*: is missing"


def added(files):
    files["../../more.csv"] = b"x"
    return "issue.zip/../../more.csv:0:*: was added after the plan was issued"


def metadata(files):
    files["issue.json"] = files["issue.json"].replace(b"Ann", b"Bob")
    return "issue.zip/issue.json:0:*: was changed after it was issued"


def no_metadata(files):
    del files["issue.json"]
    return "has no issue.json: it is no packed issue"


@pytest.mark.parametrize("change", [one_byte, missing, added, metadata, no_metadata])
def test_what_was_changed_is_named(packed, capsys, change):
    wanted: list[str] = []
    rewrite(packed, lambda files: wanted.append(change(files)))
    assert cli.main(["verify", str(packed)]) == 2
    assert wanted[0] in capsys.readouterr().err


def resealed(files):
    """All hashes made anew by somebody without the key."""
    told = json.loads(files["issue.json"])
    told.pop("sealed")
    told["by"] = "Somebody else"
    text = json.dumps(told, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    told["sealed"] = hashlib.sha256(text.encode()).hexdigest()
    files["issue.json"] = json.dumps(told, ensure_ascii=False).encode()


def unsigned(files):
    del files["signature.txt"]


@pytest.mark.parametrize(
    ("change", "said"),
    [(resealed, "signature.txt:0:*: is not that of this key"), (unsigned, "is missing: the file")],
)
def test_only_the_key_tells_of_hashes_that_were_made_anew(packed, key, capsys, change, said):
    rewrite(packed, change)
    assert cli.main(["verify", str(packed)]) == 0  # as verify says: without the key
    assert cli.main(["verify", str(packed), "--key", str(key)]) == 2
    assert said in capsys.readouterr().err


def test_another_key_is_not_good(packed, tmp_path, capsys):
    other = tmp_path / "other"
    other.write_bytes(b"another long text of somebody")
    assert cli.main(["verify", str(packed), "--key", str(other)]) == 2
    assert "is not that of this key" in capsys.readouterr().err


@pytest.mark.parametrize("data", [b"", b"no zip at all", None])
def test_what_is_no_packed_issue_is_one_clear_line(tmp_path, capsys, data):
    path = tmp_path / "odd.zip"
    if data is not None:
        path.write_bytes(data)
    assert cli.main(["verify", str(path)]) == 2
    assert "odd.zip:0:*: cannot be read" in capsys.readouterr().err


def test_every_damaged_byte_is_found_or_harmless(packed, capsys):
    """Whatever byte is hit, nothing but a clear answer comes of it, and no changed file is good."""
    whole = packed.read_bytes()
    with zipfile.ZipFile(packed) as zipped:
        files = {name: zipped.read(name) for name in zipped.namelist()}
    for place in range(0, len(whole), max(1, len(whole) // 150)):
        data = bytearray(whole)
        data[place] ^= 0x10
        packed.write_bytes(data)
        code = cli.main(["verify", str(packed)])
        assert code in (0, 2)
        if code == 0:
            with zipfile.ZipFile(packed) as zipped:
                assert {name: zipped.read(name) for name in zipped.namelist()} == files
    capsys.readouterr()


def test_an_issue_that_is_not_there_is_one_clear_line(county, tmp_path, key, capsys):
    target = str(tmp_path / "x.zip")
    assert cli.main(["pack", str(county), STORM, target, "--number", "7"]) == 2
    assert "storm s1 has no issue 7; name one of: 1" in capsys.readouterr().err
    key.write_bytes(b"short")
    assert cli.main(["pack", str(county), STORM, target, "--key", str(key)]) == 2
    assert "is no file of 16 to" in capsys.readouterr().err
    assert not Path(target).exists()
