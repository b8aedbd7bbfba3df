"""The committed sample county is what its script makes, and its roads join."""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

REPO = Path(__file__).resolve().parents[2]
COUNTY = REPO / "sample_routes" / "county"
TRUTH = Path(__file__).resolve().parent / "truth"
REAL = REPO / "tests" / "real_roads" / "workspace"
LAST_DIGIT = 2e-6  # degrees: coordinates are rounded to 1e-6; another GEOS may round the other way


def features(path: Path) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(path.read_text(encoding="utf-8"))["features"]
    return found


def workspace_files(folder: Path) -> set[Path]:
    """The files of a workspace, without what commands wrote below `results`."""
    found = (p.relative_to(folder) for p in folder.rglob("*") if p.is_file())
    return {name for name in found if name.parts[0] != "results"}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Holds `county` and `truth`, freshly made."""
    folder = tmp_path_factory.mktemp("made")
    script = REPO / "sample_routes" / "make_county.py"
    command = [sys.executable, "-B", str(script), str(folder / "county"), str(folder / "truth")]
    subprocess.run(command, check=True)
    return folder


@pytest.fixture(scope="module")
def fresh(made: Path) -> Path:
    return made / "county"


def test_the_script_makes_the_committed_files(fresh: Path):
    names = workspace_files(fresh)
    assert names == workspace_files(COUNTY)
    assert len(names) >= 70
    for name in names:
        if name.suffix != ".geojson" and "telemetry" not in name.parts:
            assert (fresh / name).read_bytes() == (COUNTY / name).read_bytes(), name


def table(path: Path) -> pd.DataFrame:
    return pd.read_parquet(path) if path.suffix == ".parquet" else pd.read_csv(path)


def test_the_script_makes_the_committed_telemetry_and_truth(made: Path):
    """Alike but for last digits: mathematics libraries differ there, and Parquet files in bytes."""
    pairs = [
        (file, COUNTY / file.relative_to(made / "county"))
        for file in sorted((made / "county" / "storms").glob("*/telemetry/*"))
    ]
    pairs += [(file, TRUTH / file.name) for file in sorted((made / "truth").iterdir())]
    assert len(pairs) >= 20
    for ours, theirs in pairs:
        pd.testing.assert_frame_equal(table(ours), table(theirs), rtol=0, atol=1.01)
        numbers = [frame.select_dtypes("number") for frame in (table(ours), table(theirs))]
        differ = (numbers[0] - numbers[1]).abs() > 1e-9
        assert differ.to_numpy().mean() < 1e-4, ours


@pytest.mark.parametrize("name", ["routes.geojson", "sensitive_areas.geojson"])
def test_the_script_draws_the_committed_lines(fresh: Path, name: str):
    made, committed = features(fresh / name), features(COUNTY / name)
    assert [f["properties"] for f in made] == [f["properties"] for f in committed]
    for ours, theirs in zip(made, committed, strict=True):
        rings = (ours["geometry"]["coordinates"], theirs["geometry"]["coordinates"])
        if name == "routes.geojson":
            np.testing.assert_allclose(*rings, atol=LAST_DIGIT, rtol=0)
        else:
            for a, b in zip(*rings, strict=True):
                np.testing.assert_allclose(a, b, atol=LAST_DIGIT, rtol=0)


@pytest.mark.parametrize(("folder", "routes", "stranded"), [(COUNTY, 14, 0), (REAL, 6, 7)])
def test_a_truck_can_drive_from_any_segment_to_any_other(folder: Path, routes: int, stranded: int):
    """The real extract ends at its border: 7 one-way pieces lead out of it or into it."""
    found = features(folder / "routes.geojson")
    nodes: dict[tuple[float, ...], int] = {}
    ends = []
    for item in found:
        line = item["geometry"]["coordinates"]
        a, b = (nodes.setdefault(tuple(p), len(nodes)) for p in (line[0], line[-1]))
        ends.append((a, b, item["properties"]["two_way"]))
    ways = [(a, b) for a, b, _ in ends] + [(b, a) for a, b, both in ends if both]
    graph = coo_array((np.ones(len(ways)), np.array(ways).T), shape=(len(nodes), len(nodes)))
    _, part = connected_components(graph, directed=True, connection="strong")
    main = np.bincount(part).argmax()
    assert sum(part[a] != main or part[b] != main for a, b, _ in ends) == stranded
    assert len({item["properties"]["route_id"] for item in found}) == routes
    ids = Counter(item["properties"]["segment_id"] for item in found)
    assert ids.most_common(1)[0][1] == 1
