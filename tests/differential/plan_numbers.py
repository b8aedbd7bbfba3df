"""Numbers for the independent plan: Student's t, least squares and geodesics in plain Python.

Nothing here comes from the package under test or from a numerical library, so that a mistake in
one of them cannot hide in the other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import Decimal, getcontext
from functools import cache

getcontext().prec = 40

ZERO, ONE, TWO = Decimal(0), Decimal(1), Decimal(2)

METRES_PER_MILE = 1609.344
"""NIST Special Publication 811 (2008), appendix B.8: exact."""

WGS84_A, WGS84_F = 6378137.0, 1 / 298.257223563
"""World Geodetic System 1984, NGA.STND.0036 (2014), table 3.1: semi-major axis in metres and
flattening."""


def _beta_fraction(a: float, b: float, x: float) -> float:
    """Continued fraction of the incomplete beta function (NIST DLMF 8.17.22), modified Lentz."""
    tiny = 1e-300
    c, d = 1.0, 1.0 - (a + b) * x / (a + 1.0)
    d = 1.0 / (d if abs(d) > tiny else tiny)
    result = d
    for m in range(1, 2000):
        even = m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0))
        step = 1.0
        for term in (even, odd):
            d = 1.0 + term * d
            c = 1.0 + term / c
            d = 1.0 / (d if abs(d) > tiny else tiny)
            step = c * d
            result *= step
        if abs(step - 1.0) < 1e-16:
            return result
    return result


def regularised_beta(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function I_x(a, b): NIST DLMF, section 8.17."""
    if x <= 0.0 or x >= 1.0:
        return min(max(x, 0.0), 1.0)
    front = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
    power = math.exp(front + a * math.log(x) + b * math.log1p(-x))
    if x < (a + 1.0) / (a + b + 2.0):
        return power * _beta_fraction(a, b, x) / a
    return 1.0 - power * _beta_fraction(b, a, 1.0 - x) / b


def student_tail(t: float, dof: float) -> float:
    """Two-sided probability that Student's t lies beyond ``t``."""
    if math.isinf(dof):
        return math.erfc(abs(t) / math.sqrt(2.0))
    return regularised_beta(dof / 2.0, 0.5, dof / (dof + t * t))


def fisher_tail(value: float, over: float, under: float) -> float:
    """Probability that Fisher's F with (over, under) degrees of freedom lies above ``value``."""
    return regularised_beta(under / 2.0, over / 2.0, under / (under + over * value))


def _bisect(tail, wanted: float, top: float) -> float:
    """Where a falling function meets a value, between 0 and ``top``."""
    low, high = 0.0, top
    for _ in range(200):
        middle = (low + high) / 2.0
        low, high = (middle, high) if tail(middle) > wanted else (low, middle)
    return (low + high) / 2.0


@cache
def student_factor(dof: float, confidence: float = 0.95) -> Decimal:
    """Two-sided coverage factor: JCGM 100:2008, annex G.3; infinite dof is the normal one."""
    return Decimal(repr(_bisect(lambda t: student_tail(t, dof), 1.0 - confidence, 1e4)))


@cache
def fisher_factor(over: float, under: float, significance: float = 0.05) -> float:
    """Value of F that chance exceeds with the given probability."""
    return _bisect(lambda f: fisher_tail(f, over, under), significance, 1e5)


Matrix = list[list[Decimal]]


def inverse(matrix: Sequence[Sequence[Decimal]]) -> Matrix:
    """Inverse of a small matrix by Gauss-Jordan elimination with pivoting."""
    size = len(matrix)
    work = [[*row, *(ONE if i == j else ZERO for j in range(size))] for i, row in enumerate(matrix)]
    for column in range(size):
        pivot = max(range(column, size), key=lambda row: abs(work[row][column]))
        work[column], work[pivot] = work[pivot], work[column]
        head = work[column][column]
        work[column] = [value / head for value in work[column]]
        for row in range(size):
            if row != column:
                share = work[row][column]
                work[row] = [a - share * b for a, b in zip(work[row], work[column], strict=True)]
    return [row[size:] for row in work]


def times(matrix: Sequence[Sequence[Decimal]], vector: Sequence[Decimal]) -> list[Decimal]:
    """Matrix times vector."""
    return [sum((a * b for a, b in zip(row, vector, strict=True)), ZERO) for row in matrix]


def quadratic(vector: Sequence[Decimal], matrix: Sequence[Sequence[Decimal]]) -> Decimal:
    """g' V g: JCGM 100:2008, equation (13)."""
    return sum((a * b for a, b in zip(vector, times(matrix, vector), strict=True)), ZERO)


def sandwich(jacobian: Matrix, matrix: Matrix) -> Matrix:
    """J V J': JCGM 102:2011, 6.2.1.3."""
    columns = [times(matrix, row) for row in jacobian]
    return [
        [sum((a * b for a, b in zip(left, right, strict=True)), ZERO) for right in columns]
        for left in jacobian
    ]


def least_squares(
    design: Sequence[Sequence[Decimal]],
    response: Sequence[Decimal],
    variance: Sequence[Decimal],
) -> tuple[list[Decimal], Matrix, Decimal]:
    """Weighted least squares: values, unscaled covariance and weighted sum of squares.

    Source: normal equations, JCGM 100:2008, H.3, with weights 1 / variance.
    """
    size = len(design[0])
    normal = [
        [
            sum((r[i] * r[j] / v for r, v in zip(design, variance, strict=True)), ZERO)
            for j in range(size)
        ]
        for i in range(size)
    ]
    right = [
        sum((r[i] * y / v for r, y, v in zip(design, response, variance, strict=True)), ZERO)
        for i in range(size)
    ]
    covariance = inverse(normal)
    values = times(covariance, right)
    fitted = times(design, values)
    squares = sum(
        ((y - f) ** 2 / v for y, f, v in zip(response, fitted, variance, strict=True)), ZERO
    )
    return values, covariance, squares


def geodesic_m(start: tuple[float, float], end: tuple[float, float]) -> float:
    """Distance of two points in degrees on WGS 84, metres.

    Source: T. Vincenty, Direct and inverse solutions of geodesics on the ellipsoid with application
    of nested equations, Survey Review 23 (176), 1975, equations (3), (4), (10), (11), (13)-(19).
    """
    (lon_1, lat_1), (lon_2, lat_2) = start, end
    if start == end:
        return 0.0
    f, a = WGS84_F, WGS84_A
    b = a * (1.0 - f)
    u_1 = math.atan((1.0 - f) * math.tan(math.radians(lat_1)))
    u_2 = math.atan((1.0 - f) * math.tan(math.radians(lat_2)))
    # cos u1 sin u2 - sin u1 cos u2 cos l, without its cancellation over short distances
    difference = math.sin(u_2 - u_1)
    longitude = math.radians(lon_2 - lon_1)
    lam = longitude
    for _ in range(100):
        half = 2.0 * math.sin(lam / 2.0) ** 2
        across = math.cos(u_2) * math.sin(lam)
        along = difference + math.sin(u_1) * math.cos(u_2) * half
        sin_s = math.hypot(across, along)
        cos_s = math.sin(u_1) * math.sin(u_2) + math.cos(u_1) * math.cos(u_2) * math.cos(lam)
        sigma = math.atan2(sin_s, cos_s)
        sin_a = math.cos(u_1) * math.cos(u_2) * math.sin(lam) / sin_s
        cos2_a = 1.0 - sin_a**2
        cos_2m = cos_s - 2.0 * math.sin(u_1) * math.sin(u_2) / cos2_a if cos2_a > 1e-15 else 0.0
        c = f / 16.0 * cos2_a * (4.0 + f * (4.0 - 3.0 * cos2_a))
        inner = cos_2m + c * cos_s * (2.0 * cos_2m**2 - 1.0)
        former, lam = lam, longitude + (1.0 - c) * f * sin_a * (sigma + c * sin_s * inner)
        if abs(lam - former) < 1e-15:
            break
    u2 = cos2_a * (a**2 - b**2) / b**2
    big_a = 1.0 + u2 / 16384.0 * (4096.0 + u2 * (-768.0 + u2 * (320.0 - 175.0 * u2)))
    big_b = u2 / 1024.0 * (256.0 + u2 * (-128.0 + u2 * (74.0 - 47.0 * u2)))
    third = big_b / 6.0 * cos_2m * (4.0 * sin_s**2 - 3.0) * (4.0 * cos_2m**2 - 3.0)
    second = big_b / 4.0 * (cos_s * (2.0 * cos_2m**2 - 1.0) - third)
    return b * big_a * (sigma - big_b * sin_s * (cos_2m + second))


def geodesic_mi(start: tuple[float, float], end: tuple[float, float]) -> float:
    """Distance of two points in degrees on WGS 84, miles."""
    return geodesic_m(start, end) / METRES_PER_MILE
