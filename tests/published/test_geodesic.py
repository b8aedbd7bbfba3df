"""Lengths against published geodesics."""

import numpy as np
import pytest
import shapely
from pyproj import Geod

from spreadplan.planning.geometry import segment_lengths_mi

METRES_PER_MILE = 1609.344


def degrees(d: float, m: float, s: float) -> float:
    return d + m / 60 + s / 3600


def test_a_degree_of_the_equator():
    """WGS 84: a degree of longitude on the equator is a circle's arc, 6,378,137 m x pi / 180."""
    length = segment_lengths_mi([shapely.LineString([(10.0, 0.0), (11.0, 0.0)])])
    assert length[0] * METRES_PER_MILE == pytest.approx(111_319.4908, abs=1e-4)


def test_flinders_peak_to_buninyong():
    """ICSM, GDA Technical Manual, Vincenty's formulae, worked example: 54,972.271 m on GRS 80.

    The positions are from memory. WGS 84 differs from GRS 80 by 0.1 mm in the semi-minor axis, far
    below the last digit of the published distance.
    """
    flinders = (degrees(144, 25, 29.52440), -degrees(37, 57, 3.72030))
    buninyong = (degrees(143, 55, 35.38390), -degrees(37, 39, 10.15610))
    length = segment_lengths_mi([shapely.LineString([flinders, buninyong])])
    assert length[0] * METRES_PER_MILE == pytest.approx(54_972.271, abs=5e-4)


def test_a_bent_line_is_the_sum_of_its_edges():
    points = np.array([[-94.0, 46.0], [-93.9, 46.1], [-93.95, 46.3]])
    _, _, metres = Geod(ellps="WGS84").inv(points[:-1, 0], points[:-1, 1], *points[1:].T)
    length = segment_lengths_mi([shapely.LineString(points)])
    assert length[0] * METRES_PER_MILE == pytest.approx(sum(metres), rel=1e-12)
