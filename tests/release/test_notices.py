"""Every file that others made has an entry with its licence, and the licence text beside it."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from fontTools.ttLib import TTFont
from starlette.testclient import TestClient

from spreadplan.web import create_app

REPO = Path(__file__).parents[2]
#: a list of notices, the folder its paths count from, the folders there that it tells of
LISTS = [
    ("templates/static/vendor/notices.txt", "templates", ["static/vendor", "fonts"]),
    ("tests/web/axe/notices.txt", "tests/web", ["axe"]),
]
NEEDED = {"Name", "Version", "Licence", "Copyright", "Licence text", "Source", "Files"}


def entries(path: Path) -> list[dict[str, list[str]]]:
    """Blocks of ``Field: value`` lines; an indented line goes on with the one before."""
    text = re.sub(r"\n +", " ", path.read_text("utf-8"))
    found = []
    for block in re.split(r"\n\s*\n", text):
        fields: dict[str, list[str]] = {}
        for name, value in re.findall(r"^([A-Z][a-z ]+): (.+)$", block, re.M):
            fields.setdefault(name, []).append(value)
        if "Name" in fields:
            found.append(fields)
    return found


@pytest.mark.parametrize(("notices", "base", "folders"), LISTS)
def test_every_file_of_others_has_an_entry_and_a_licence(notices, base, folders):
    listed = {notices}
    for entry in entries(REPO / notices):
        assert set(entry) >= NEEDED, entry
        licence = REPO / base / entry["Licence text"][0]
        assert len(licence.read_text("utf-8")) > 500
        listed.add(licence.relative_to(REPO).as_posix())
        listed |= {f"{base}/{name}" for name in entry["Files"] if " " not in name}
    there = {
        path.relative_to(REPO).as_posix()
        for folder in folders
        for path in (REPO / base / folder).rglob("*")
        if path.is_file()
    }
    assert there == listed


def entry_of(name: str, notices: str) -> dict[str, list[str]]:
    return next(one for one in entries(REPO / notices) if one["Name"] == [name])


def test_entries_agree_with_the_files_themselves():
    vendor, axe = LISTS[0][0], LISTS[1][0]
    maps = entry_of("MapLibre GL JS", vendor)
    script = (REPO / "templates" / maps["Files"][0]).read_text("utf-8")
    assert f"maplibre-gl-js/blob/v{maps['Version'][0]}/LICENSE.txt" in script[:400]
    assert maps["Copyright"][0] in (REPO / "templates" / maps["Licence text"][0]).read_text("utf-8")
    rules = entry_of("axe-core", axe)
    head = (REPO / "tests/web" / rules["Files"][0]).read_text("utf-8")[:400]
    assert f"axe v{rules['Version'][0]}" in head
    assert rules["Copyright"][0] in head
    roboto = entry_of("Roboto", vendor)
    for name in roboto["Files"]:
        font = TTFont(REPO / "templates" / name)
        assert font["name"].getDebugName(0) == roboto["Copyright"][0]
        assert font["name"].getDebugName(5).startswith(f"Version {roboto['Version'][0]};")
        assert f"{len(font.getBestCmap()):,} characters" in roboto["Changes"][0]


def test_every_library_inside_the_map_has_its_licence_text():
    path = REPO / "templates/static/vendor/maplibre-gl/LICENSES-inside.txt"
    parts = re.split(r"^=+\n(.+: .+)\n=+$", path.read_text("utf-8"), flags=re.M)
    texts = dict(zip(parts[1::2], parts[2::2], strict=True))
    assert len(texts) == 17
    for name, text in texts.items():
        assert "opyright" in text, name
        assert re.search(r"AS IS", text), name


def test_the_web_application_shows_the_notices_to_everyone(tmp_path):
    (tmp_path / "workspace.toml").write_text(
        '[workspace]\nname = "W"\nunits = "us"\ntimezone = "UTC"\n', "utf-8"
    )
    with TestClient(create_app(tmp_path), base_url="http://127.0.0.1:8642") as client:
        page = client.get("/guide").text
        address = re.search(r'href="(/static/vendor/notices\.txt[^"]*)"', page)
        assert address, page
        answer = client.get(address[1])
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/plain")
    assert "MapLibre GL JS" in answer.text


def test_the_piece_of_real_map_says_whose_it_is():
    readme = (REPO / "tests/real_roads/README.md").read_text("utf-8")
    assert "© OpenStreetMap contributors" in readme
    assert "Open Database License (ODbL) 1.0" in readme
    roads = json.loads((REPO / "tests/real_roads/workspace/routes.geojson").read_text("utf-8"))
    assert roads["features"]
