"""Ways against the textbook's search in plain Python, on drawn networks with one-way roads."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from spreadplan.planning.geometry import segment_lengths_mi
from spreadplan.planning.ways import Ways
from tests.clock.plain_roads import PlainRoads


def drawn(seed):
    """A grid with roads left out, some one-way, some that end in the middle of another."""
    rng = np.random.default_rng(seed)
    lines = []
    for x in range(4):
        for y in range(4):
            here = (-94.0 + 0.03 * x, 46.0 + 0.02 * y)
            for there in ((here[0] + 0.03, here[1]), (here[0], here[1] + 0.02)):
                if rng.uniform() < 0.75:
                    bend = tuple(np.mean([here, there], axis=0) + rng.normal(0, 0.002, 2))
                    line = [here, bend, there]
                    lines.append(line if rng.uniform() < 0.5 else line[::-1])
    middle = lines[0][1]
    lines.append([middle, (middle[0] + 0.004, middle[1] - 0.03)])
    lines.append([(-93.5, 46.3), (-93.45, 46.31)])  # leads nowhere
    return lines, (rng.uniform(size=len(lines)) < 0.6).tolist(), rng


@pytest.mark.parametrize("seed", range(4))
def test_the_textbook_finds_the_same_ways(seed):
    lines, two_way, rng = drawn(seed)
    shapes = np.array([shapely.LineString(line) for line in lines], dtype=object)
    length = segment_lengths_mi(shapes)
    ways, plain = Ways(shapes, length, np.array(two_way)), PlainRoads(lines, two_way)
    points = np.column_stack([rng.uniform(-94.02, -93.9, 5), rng.uniform(45.98, 46.08, 5)])
    yards = ways.near(points[:, 0], points[:, 1])
    line = rng.integers(0, len(lines), 60)
    share = rng.choice([0.0, 1.0, 0.3, 0.77], 60)
    spots = [
        plain.spot(int(n), float(s * plain.along[n][-1])) for n, s in zip(line, share, strict=True)
    ]
    places = ways.on(line, share * length[line], *np.array([spot.point for spot in spots]).T)
    who = rng.integers(0, 5, 60)
    sheds = [plain.beside(tuple(point)) for point in points]
    out = [plain.way(sheds[w], spot) for w, spot in zip(who, spots, strict=True)]
    back = [plain.way(spot, sheds[w]) for w, spot in zip(who, spots, strict=True)]
    assert ways.out_of(yards, who, places) == pytest.approx(out, rel=2e-4, abs=2e-4)
    assert ways.into(yards, who, places) == pytest.approx(back, rel=2e-4, abs=2e-4)
    between = [plain.way(a, b) for a, b in zip(spots, spots[::-1], strict=True)]
    found = ways.out_of(places, np.arange(60), places.take(np.arange(60)[::-1]))
    assert found == pytest.approx(between, rel=2e-4, abs=2e-4)
    # one-way roads were in it: there and back differ
    assert max(abs(a - b) for a, b in zip(out, back, strict=True)) > 0.5


def test_a_place_that_nobody_knows_has_no_way():
    lines = np.array([shapely.LineString([(-94.0, 46.0), (-93.9, 46.0)])], dtype=object)
    ways = Ways(lines, segment_lengths_mi(lines), np.array([True]))
    yards = ways.near([np.nan], [46.0])
    there = ways.on(np.array([0]), np.array([1.0]), np.array([-93.98]), np.array([46.0]))
    assert np.isnan(ways.out_of(yards, np.array([0]), there)).all()
