from itertools import pairwise

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from spreadplan.planning.geometry import (
    distance_mi,
    edges_of,
    points_along,
    segment_lengths_mi,
    split_at_areas,
)


def split(line, *areas):
    routes = gpd.GeoDataFrame({"segment_id": ["s"]}, geometry=[line], crs=4326)
    names = [f"A{number}" for number in range(len(areas))]
    held = gpd.GeoDataFrame({"area_id": names}, geometry=list(areas), crs=4326)
    return split_at_areas(routes, held)


def areas_and_ends(parts):
    return [
        (names, *np.round(line.coords[0], 9), *np.round(line.coords[-1], 9))
        for names, line in zip(parts["area_ids"], parts.geometry, strict=True)
    ]


def test_a_line_through_an_area_is_cut_exactly_at_its_border():
    parts = split(shapely.LineString([(0, 0), (3, 0)]), shapely.box(1, -1, 2, 1))
    assert areas_and_ends(parts) == [
        ((), 0, 0, 1, 0),
        (("A0",), 1, 0, 2, 0),
        ((), 2, 0, 3, 0),
    ]
    assert list(parts["part"]) == [1, 2, 3]
    # the equator: a degree is the same everywhere
    assert parts["length_mi"].to_numpy() == pytest.approx(parts["length_mi"].mean(), rel=1e-12)
    assert parts["from_mi"].to_numpy()[1:] == pytest.approx(parts["to_mi"].to_numpy()[:-1])


def test_touching_at_a_point_cuts_nothing():
    parts = split(shapely.LineString([(0, 0), (1, 1), (2, 0)]), shapely.box(0.5, 1, 1.5, 2))
    assert areas_and_ends(parts) == [((), 0, 0, 2, 0)]


def test_a_stretch_along_a_border_lies_inside():
    parts = split(shapely.LineString([(0, 0), (3, 0)]), shapely.box(1, 0, 2, 1))
    assert list(parts["area_ids"]) == [(), ("A0",), ()]


def test_holes_and_overlaps_and_several_polygons():
    ring = shapely.box(1, -1, 4, 1).difference(shapely.box(2, -0.5, 3, 0.5))
    two = shapely.MultiPolygon([shapely.box(3.5, -1, 5, 1), shapely.box(6, -1, 7, 1)])
    parts = split(shapely.LineString([(0, 0), (8, 0)]), ring, two)
    assert areas_and_ends(parts) == [
        ((), 0, 0, 1, 0),
        (("A0",), 1, 0, 2, 0),
        ((), 2, 0, 3, 0),
        (("A0",), 3, 0, 3.5, 0),
        (("A0", "A1"), 3.5, 0, 4, 0),
        (("A1",), 4, 0, 5, 0),
        ((), 5, 0, 6, 0),
        (("A1",), 6, 0, 7, 0),
        ((), 7, 0, 8, 0),
    ]


def test_a_line_that_crosses_itself_is_cut_by_distance():
    # it passes the area twice, once each way across its own track
    loop = shapely.LineString([(0, 0), (4, 0), (4, 2), (2, 2), (2, -2)])
    parts = split(loop, shapely.box(1.5, -0.5, 2.5, 0.5))
    assert areas_and_ends(parts) == [
        ((), 0, 0, 1.5, 0),
        (("A0",), 1.5, 0, 2.5, 0),
        ((), 2.5, 0, 2, 0.5),
        (("A0",), 2, 0.5, 2, -0.5),
        ((), 2, -0.5, 2, -2),
    ]


def test_a_line_wholly_inside_is_one_part():
    parts = split(shapely.LineString([(0.1, 0.1), (0.2, 0.3)]), shapely.box(0, 0, 1, 1))
    assert areas_and_ends(parts) == [(("A0",), 0.1, 0.1, 0.2, 0.3)]


def test_columns_and_order_are_kept():
    lines = [shapely.LineString([(x, 0), (x + 1, 0)]) for x in (5, 0, 2)]
    routes = gpd.GeoDataFrame({"segment_id": list("abc"), "lanes": [1, 2, 3]}, geometry=lines)
    area = gpd.GeoDataFrame({"area_id": ["A"]}, geometry=[shapely.box(0.5, -1, 2.5, 1)])
    parts = split_at_areas(routes.set_crs(4326), area.set_crs(4326))
    assert list(zip(parts["segment_id"], parts["lanes"], parts["part"], strict=True)) == [
        ("a", 1, 1), ("b", 2, 1), ("b", 2, 2), ("c", 3, 1), ("c", 3, 2),
    ]  # fmt: skip
    assert parts.crs == 4326


@pytest.mark.parametrize("areas", [None, "empty"])
def test_without_areas_every_segment_is_one_part(areas):
    routes = gpd.GeoDataFrame(
        {"segment_id": ["s"]}, geometry=[shapely.LineString([(0, 0), (1, 1)])], crs=4326
    )
    held = None if areas is None else gpd.GeoDataFrame({"area_id": []}, geometry=[], crs=4326)
    parts = split_at_areas(routes, held)
    assert list(parts["area_ids"]) == [()]
    assert parts["length_mi"].to_numpy() == pytest.approx(segment_lengths_mi(routes.geometry))


grid = st.integers(0, 8).map(float)
walks = st.lists(st.tuples(grid, grid), min_size=2, max_size=7).filter(
    lambda points: len(set(points)) > 1
)
corners = st.tuples(grid, grid, st.integers(1, 5), st.integers(1, 5))


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(walk=walks, boxes=st.lists(corners, min_size=1, max_size=3))
def test_parts_add_up_and_agree_with_overlays(walk, boxes):
    """Independent check: planar length inside each area, from shapely's own overlay of each edge.

    Whole numbers make borders, corners, repeated vertices and shared edges common.
    """
    line = shapely.LineString(walk)
    areas = [shapely.box(x, y, x + wide, y + high) for x, y, wide, high in boxes]
    parts = split(line, *areas)
    total = segment_lengths_mi([line])[0]
    assert parts["length_mi"].sum() == pytest.approx(total, rel=1e-12)
    assert np.all(parts["length_mi"] > 0)
    assert shapely.length(parts.geometry.array).sum() == pytest.approx(line.length)
    edges = [shapely.LineString(pair) for pair in pairwise(walk) if len(set(pair)) > 1]
    for number, area in enumerate(areas):
        inside = [f"A{number}" in names for names in parts["area_ids"]]
        expected = sum(shapely.intersection(edge, area).length for edge in edges)
        assert shapely.length(parts.geometry.array[inside]).sum() == pytest.approx(expected)


def test_points_along_a_bent_line():
    line = shapely.LineString([(0, 0), (1, 0), (1, 1)])
    edges = edges_of([line, shapely.LineString([(5, 0), (6, 0)])])
    legs = edges.length_mi
    miles = np.array([legs[0] / 2, legs[0], legs[0] + legs[1] / 4, -1.0, 1e9, legs[2] / 2])
    found = points_along(edges, np.array([0, 0, 0, 0, 0, 1]), miles)
    expected = [(0.5, 0), (1, 0), (1, 0.25), (0, 0), (1, 1), (5.5, 0)]
    assert found == pytest.approx(np.array(expected, dtype=float), abs=1e-9)


def test_distance_to_an_unknown_place_is_unknown():
    found = distance_mi(np.array([0.0, np.nan]), np.array([0.0, 0.0]), 1.0, 0.0)
    assert found[0] == pytest.approx(111_319.4908 / 1609.344)
    assert np.isnan(found[1])
