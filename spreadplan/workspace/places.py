"""What lies where it cannot: a vertex at 0, 0, a lost minus sign, longitude and latitude exchanged.

Places are taken as points of the globe in miles, so that neither the poles nor the date line are
anything special. A road is long where two vertices are far apart; a road, a yard or an area is far
off where nothing else of the operation is near. What would be near with the sign of a coordinate
changed, or with the two exchanged, is a slip; what is merely far may be meant, and is only said.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import count, product
from typing import Any, Final, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from spreadplan.errors import MOST_NAMED, Problem

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

#: So many distances are measured sooner one by one than a tree is imported.
FEW_PAIRS: Final = 100_000
EARTH_RADIUS_MI: Final = 3958.8
#: Receivers and programs without a position write longitude and latitude 0.
NULL_ISLAND_DEG: Final = 0.01
#: No road runs so far without a bend, and no border of an area: 100 km, 500 km. Common practice, no
#: source.
LONGEST_STEP_MI: Final = {"LineString": 62.0, "Polygon": 310.0}
#: A straight step so long is worth a look, or a shorter one of many times the file's usual step, or
#: one far out and straight back. Common practice, no source.
LONG_STEP_MI, SHORTER_STEP_MI, TIMES_USUAL, LONG_SPIKE_MI = 20.0, 5.0, 50.0, 2.0
#: What lies nearer than this to other roads belongs to them; farther off a slip is looked for, and
#: beyond `FAR_MI` it is worth a look though nothing explains it: islands and outlying towns lie
#: between, yards do not. Common practice, no source.
NEAR_MI: Final = 25.0
FAR_MI: Final = 150.0
FAR_YARD_MI: Final = 50.0
#: A clock is good for so many degrees of longitude to either side of its own.
CLOCK_DEG: Final = 60.0

#: Slips, as factors of longitude and latitude after they were exchanged or not; the first that fits
#: is the one that is named.
SLIPS: Final = (
    (False, -1, 1), (False, 1, -1), (True, 1, 1), (False, -1, -1),
    (True, -1, 1), (True, 1, -1), (True, -1, -1),
)  # fmt: skip
Slip = tuple[bool, int, int]


def on_globe(lon_lat: Floats) -> Floats:
    """Points in miles from the center of the Earth, shape (n, 3); ``lon_lat`` : degrees, (n, 2)."""
    lon, lat = np.radians(lon_lat[:, 0]), np.radians(lon_lat[:, 1])
    return EARTH_RADIUS_MI * np.column_stack(
        [np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)]
    )


def _arc_mi(chord_mi: Any) -> Any:
    """Along the ground, for a distance straight through it."""
    return 2.0 * EARTH_RADIUS_MI * np.arcsin(np.clip(chord_mi / 2.0 / EARTH_RADIUS_MI, 0.0, 1.0))


def _apart_mi(one: Floats, other: Floats) -> Floats:
    """Distance of points in degrees; shapes (n, 2)."""
    chord = np.linalg.norm(on_globe(one) - on_globe(other), axis=1)
    return np.asarray(_arc_mi(chord))


def _said(miles: float) -> str:
    return f"{miles:,.0f} miles ({miles * 1.609344:,.0f} km)"


def _at(lon_lat: Floats) -> str:
    return f"longitude {lon_lat[0]:.6g}, latitude {lon_lat[1]:.6g}"


# --- slips -------------------------------------------------------------------------------------


def _slipped(lon_lat: Floats, slip: Slip) -> Floats:
    """Places as they would be without the slip; NaN where that is no place."""
    exchanged, of_lon, of_lat = slip
    found = (lon_lat[:, ::-1] if exchanged else lon_lat) * (of_lon, of_lat)
    return np.where((np.abs(found) <= (180.0, 90.0)).all(axis=1, keepdims=True), found, np.nan)


def _question(lon_lat: Floats, slip: Slip) -> str:
    """The slip as a question; ``lon_lat`` : one place."""
    exchanged, of_lon, of_lat = slip
    signs = [name for name, factor in (("longitude", of_lon), ("latitude", of_lat)) if factor < 0]
    if exchanged:
        more = ", and a minus sign lost" if signs else ""
        return f"are longitude and latitude exchanged{more}?"
    if len(signs) == 2:
        return "are the signs of longitude and latitude wrong?"
    value = lon_lat[0] if signs == ["longitude"] else lon_lat[1]
    return f"is the minus sign of the {signs[0]} {'missing' if value > 0 else 'one too many'}?"


# --- within a line or an area ------------------------------------------------------------------


def jumps(
    geometry: NDArray[Any], usable: Flags, kind: str, file: str
) -> tuple[Flags, list[Problem]]:
    """Features with a vertex that cannot be theirs, and what is odd about others.

    Parameters
    ----------
    geometry, usable : shape (n,); lines or polygons, as ``kind`` says, in degrees.

    Returns
    -------
    broken : shape (n,), True where a feature is of no use.
    problems : each broken feature; cautions where a line runs very far straight on.
    """
    broken = np.zeros(len(geometry), dtype=bool)
    known = geometry.copy()
    known[~usable] = None
    place, owner = shapely.get_coordinates(known, return_index=True)
    if not len(place):
        return broken, []
    middle = np.median(place, axis=0)
    lost = (np.abs(place) < NULL_ISLAND_DEG).all(axis=1) & (np.abs(middle).max() > 1.0)
    step = np.abs(np.diff(place, axis=0))
    step[:, 0] = np.minimum(step[:, 0], 360.0 - step[:, 0])
    inside = owner[1:] == owner[:-1]
    # where neither is above 0.02 degrees no step reaches `LONG_SPIKE_MI`
    start = np.flatnonzero(inside & (step.max(axis=1) > 0.02))
    length_mi = _apart_mi(place[start], place[start + 1])
    too_long = start[length_mi > LONGEST_STEP_MI[kind]]
    problems = []
    if len(too_long) or lost.any():
        bulk = np.median(on_globe(place[~lost]), axis=0) if not lost.all() else np.zeros(3)
        suspects = np.unique(np.concatenate([owner[too_long], owner[lost]]))
        named = MOST_NAMED - 1  # and one line for the others
        first, last = np.searchsorted(owner, suspects), np.searchsorted(owner, suspects, "right")
        for feature, begin, end in zip(suspects.tolist()[:named], first, last, strict=False):
            what, remedy = _jump(place[begin:end], lost[begin:end], bulk, kind)
            if what:
                broken[feature] = True
                problems.append(
                    Problem(file=file, row=feature + 1, column="geometry", what=what, remedy=remedy)
                )
        more = suspects[named:]
        if len(more) and kind == "LineString":
            broken[more] = True
            what = f"jumps too far, as {len(more) - 1:,} more do"
            remedy = "check the coordinate system of the file"
            problems.append(
                Problem(
                    file=file, row=int(more[0]) + 1, column="geometry", what=what, remedy=remedy
                )
            )
    if kind == "LineString":
        wide = step[inside] * (np.cos(np.radians(middle[1])), 1.0)
        usual_mi = float(np.median(np.hypot(*wide.T))) * np.radians(EARTH_RADIUS_MI)
        good = ~broken[owner[start]]
        problems += _long_steps(place, owner, start[good], length_mi[good], usual_mi, file)
    return broken, problems


def _jump(place: Floats, lost: Flags, bulk: Floats, kind: str) -> tuple[str, str]:
    """What is wrong with a feature that jumps, and what would be right; nothing if it may.

    ``bulk`` : the middle of the file, in miles; of two vertices the one farther from it is wrong.
    """
    none = "0, 0 is where a missing position ends up"
    length_mi = _apart_mi(place[:-1], place[1:])
    far = np.flatnonzero(length_mi > LONGEST_STEP_MI[kind])
    if not far.size:
        return (
            (f"lies at longitude 0, latitude 0: {none}", "draw it again")
            if lost.any()
            else ("", "")
        )
    at = int(far[0])
    off = np.linalg.norm(on_globe(place[at : at + 2]) - bulk, axis=1) + 1e6 * lost[at : at + 2]
    wrong, right = (at, at + 1) if off[0] > off[1] else (at + 1, at)
    what = f"jumps {_said(length_mi[at])} to its vertex {wrong + 1} at {_at(place[wrong])}"
    if lost[wrong]:
        return what, f"draw that vertex again: {none}"
    slip = _slip_between(place[wrong], place[right], LONGEST_STEP_MI["LineString"])
    if slip:
        return what, f"{_question(place[wrong], slip)} draw that vertex again"
    if kind == "Polygon":  # it may be as wide as a state
        return "", ""
    empty = ": an empty coordinate is often written as 0" if (place[wrong] == 0.0).any() else ""
    return what, f"draw that vertex again{empty}"


def _slip_between(wrong: Floats, right: Floats, within_mi: float) -> Slip | None:
    """The slip without which one place would be near another one."""
    apart = [_apart_mi(_slipped(wrong[None], slip), right[None])[0] for slip in SLIPS]
    best = int(np.nanargmin(apart))
    return SLIPS[best] if apart[best] < within_mi else None


def _long_steps(
    place: Floats, owner: Ints, start: Ints, length_mi: Floats, usual_mi: float, file: str
) -> list[Problem]:
    """Cautions where lines run very far straight on, or far out and straight back.

    ``start`` : the vertices at which the longer steps begin, ascending; shape (m,).
    """
    least_mi = min(LONG_STEP_MI, max(SHORTER_STEP_MI, TIMES_USUAL * usual_mi))
    onward = length_mi > least_mi
    next_to = np.flatnonzero((np.diff(start) == 1) & (owner[start[:-1]] == owner[start[1:]]))
    there, back = length_mi[next_to], length_mi[next_to + 1]
    direct_mi = _apart_mi(place[start[next_to]], place[start[next_to] + 2])
    spike = np.zeros(len(start), dtype=bool)
    spike[next_to] = (np.minimum(there, back) > LONG_SPIKE_MI) & (direct_mi < 0.1 * (there + back))
    problems = []
    for found, how in ((spike, "and straight back"), (onward & ~spike, "straight on")):
        if found.any():
            rows = (np.unique(owner[start[found]]) + 1).tolist()
            at = int(np.flatnonzero(found)[0])
            vertex = int(start[at] - np.searchsorted(owner, rows[0] - 1)) + 2
            miles = f"{length_mi[at]:.1f} miles ({length_mi[at] * 1.609344:.1f} km)"
            what = f"runs {miles} to its vertex {vertex} {how}{_with(rows[1:])}"
            remedy = "look at that vertex on a map"
            problems.append(
                Problem(
                    file=file, row=rows[0], column="geometry", what=what, remedy=remedy, fatal=False
                )
            )
    return problems


def _with(rows: list[int]) -> str:
    """The features of which the same is true."""
    if not rows:
        return ""
    named = ", ".join(str(row) for row in rows[:5]) + (", …" if len(rows) > 5 else "")
    return f", with {len(rows):,} more ({named})"


# --- roads, yards and areas --------------------------------------------------------------------


def far_off(
    tables: Mapping[str, pd.DataFrame], names: Mapping[str, str], timezone: ZoneInfo
) -> list[Problem]:
    """Roads, yards and areas far from the operation, each with the slip that explains it.

    Parameters
    ----------
    tables : routes, yards and sensitive_areas, where they are there.
    names : table → its file, for messages.
    timezone : of the workspace; where roads and yards contradict each other it tells who is right.
    """
    roads, ends = _ends(tables["routes"]) if "routes" in tables else (_NONE, np.zeros((0, 2)))
    yards = tables["yards"][["row", "lon", "lat"]].dropna() if "yards" in tables else _NONE
    starts, yards_at = (one[["lon", "lat"]].to_numpy(dtype=float) for one in (roads, yards))
    if not len(starts) + len(yards):
        return []
    of_road, of_yard, main = _operation(starts, ends, yards_at, timezone)
    at_home = of_road == main
    others = "the other roads" if at_home.any() else "every yard"
    home = (
        np.concatenate([starts[at_home], ends[at_home]])
        if at_home.any()
        else (yards_at[of_yard == main])
    )
    problems: list[Problem] = []
    outside, rows = np.flatnonzero(~at_home), roads["row"].astype(int).to_numpy()
    slips = np.zeros(len(roads), dtype=bool)
    for far in _Known.of(home).judged(starts[outside], of_road[outside]):
        named = sorted(rows[outside[far.places]].tolist())
        at = _at(starts[outside[far.places[0]]])
        what = f"lies {_said(far.miles)} from {others}, at {at}{_with(named[1:])}"
        remedy = far.remedy or "check it on a map, or keep it in a workspace of its own"
        problems.append(
            Problem(
                file=names["routes"],
                row=named[0],
                column="geometry",
                what=what,
                remedy=remedy,
                fatal=far.sure,
            )
        )
        slips[outside[far.places]] = bool(far.remedy)
    if at_home.any():  # an outlying road may have a yard of its own
        home = np.concatenate([starts[~slips], ends[~slips]])
        problems += _far_yards(_Known.of(home), yards_at, yards["row"], names.get("yards", ""))
    if "sensitive_areas" in tables:
        file = names["sensitive_areas"]
        problems += _far_areas(_Known.of(home), tables["sensitive_areas"], file)
    file = names["routes"] if len(roads) else names["yards"]
    return problems + _clock_caution(float(np.median(home[:, 0])), timezone, file)


def _operation(
    starts: Floats, ends: Floats, yards: Floats, timezone: ZoneInfo
) -> tuple[Ints, Ints, int]:
    """Group of each road and of each yard, and which group is where the operation is.

    It holds half of the roads or of the yards; of several such groups it is one where the clock may
    be that of the workspace, and of those the largest.
    """
    where, number = np.concatenate([starts, ends, yards]), np.arange(len(starts))
    group = _groups(on_globe(where), np.column_stack([number, number + len(starts)]))
    of_road, of_yard = group[: len(starts)], group[2 * len(starts) :]
    roads_in, yards_in = (np.bincount(one, minlength=group.max() + 1) for one in (of_road, of_yard))

    def rank(one: int) -> tuple[bool, int, int]:
        lon = float(np.median(where[group == one, 0]))
        return _fits_clock(lon, timezone), int(roads_in[one] + yards_in[one]), int(yards_in[one])

    half = (2 * roads_in >= max(len(starts), 1)) | (2 * yards_in >= max(len(yards), 1))
    candidates = np.flatnonzero(half if half.any() else roads_in == roads_in.max())
    return of_road, of_yard, max(candidates.tolist(), key=rank)


class _Far(NamedTuple):
    """Places far off: positions, miles, what to ask or do, whether it is sure, which coordinate."""

    places: Ints
    miles: float
    remedy: str
    sure: bool
    column: str


@dataclass(frozen=True)
class _Known:
    """Where something of the operation is: places in degrees, shape (m, 2)."""

    lon_lat: Floats

    @classmethod
    def of(cls, lon_lat: Floats) -> _Known:
        """One place of each twentieth of a degree: the others are near it."""
        cell = np.floor(lon_lat * 20.0).astype(np.int64) @ np.array([10_000, 1])
        return cls(lon_lat[np.unique(cell, return_index=True)[1]])

    def distance_mi(self, lon_lat: Floats) -> Floats:
        """From each place to the nearest of the known; infinite for a place that is none."""
        known = np.isfinite(lon_lat).all(axis=1)
        out = np.full(len(lon_lat), np.inf)
        out[known] = _arc_mi(_to_nearest(on_globe(lon_lat[known]), on_globe(self.lon_lat)))
        return out

    def judged(self, lon_lat: Floats, group: Ints, far_mi: float = FAR_MI) -> Iterator[_Far]:
        """Groups of places that are far off and explained by a slip, or beyond ``far_mi``."""
        if not len(lon_lat):
            return
        images = [self.distance_mi(_slipped(lon_lat, slip)) for slip in SLIPS]
        groups = pd.DataFrame(np.column_stack([self.distance_mi(lon_lat), *images])).groupby(group)
        places = [np.asarray(found) for _, found in sorted(groups.indices.items())]
        nearest, middle = groups[0].min().tolist(), groups.median().to_numpy()[:, 1:]
        for here, own, image in zip(places, nearest, middle, strict=True):
            if own > NEAR_MI:
                far = _explained(here, lon_lat[here[0]], own, image)
                if far.remedy or own > far_mi:
                    yield far


def _to_nearest(xyz: Floats, known: Floats) -> Floats:
    """Straight distance from each place to the nearest of the known ones."""
    if len(xyz) * len(known) <= FEW_PAIRS:
        square = np.sum((xyz[:, None, :] - known[None, :, :]) ** 2, axis=2)
        return np.asarray(np.sqrt(square.min(axis=1, initial=np.inf)))
    from scipy.spatial import cKDTree  # late: it is slow to import

    return np.asarray(cKDTree(known).query(xyz)[0])


def _explained(places: Ints, first: Floats, own: float, images: Floats) -> _Far:
    """A group that is far off, with the slip that explains it if one does.

    ``first`` : its first place; ``images`` : how far it would be without each of the slips.
    """
    best = int(np.argmin(images))
    within = max(NEAR_MI, 0.1 * own) if own > FAR_MI else 0.4 * NEAR_MI
    if images[best] < within:
        exchanged, of_lon, _ = SLIPS[best]
        column = "lon" if exchanged or of_lon < 0 else "lat"
        return _Far(places, own, _question(first, SLIPS[best]), own > FAR_MI, column)
    if own > FAR_MI and (first == 0.0).any():
        remedy = "give it: an empty coordinate is often written as 0"
        return _Far(places, own, remedy, True, "lon" if first[0] == 0.0 else "lat")
    return _Far(places, own, "", False, "*")


def _far_yards(known: _Known, yards: Floats, rows: pd.Series[Any], file: str) -> Iterator[Problem]:
    """Yards far from every road; those that no slip explains in one caution."""
    unexplained: list[tuple[int, str]] = []
    for far in known.judged(yards, np.arange(len(yards)), FAR_YARD_MI):
        at = int(far.places[0])
        row = int(rows.iloc[at])
        what = f"the yard lies {_said(far.miles)} from every road, at {_at(yards[at])}"
        if far.remedy:
            yield Problem(
                file=file, row=row, column=far.column, what=what, remedy=far.remedy, fatal=far.sure
            )
        else:
            unexplained.append((row, what))
    if unexplained:
        row, what = unexplained[0]
        what += _with([other for other, _ in unexplained[1:]])
        yield Problem(
            file=file, row=row, column="*", what=what, remedy="check both coordinates", fatal=False
        )


def _far_areas(known: _Known, areas: pd.DataFrame, file: str) -> Iterator[Problem]:
    """Areas that would be near the roads but for a slip; those far off in one caution."""
    bounds = shapely.bounds(areas.geometry.to_numpy())
    low, high = known.lon_lat.min(axis=0), known.lon_lat.max(axis=0)
    with np.errstate(invalid="ignore"):
        apart = (bounds[:, :2] > high).any(axis=1) | (bounds[:, 2:] < low).any(axis=1)
    number = np.flatnonzero(apart)
    corners = bounds[number][:, [0, 1, 2, 3, 0, 3, 2, 1]].reshape(-1, 2)
    unexplained: list[tuple[int, str]] = []
    for far in known.judged(corners, np.repeat(number, 4)):
        row = int(areas["row"].iloc[number[far.places[0] // 4]])
        what = f"lies {_said(far.miles)} from every road"
        if far.remedy:
            what += f", at {_at(corners[far.places[0]])}"
            yield Problem(
                file=file, row=row, column="geometry", what=what, remedy=far.remedy, fatal=far.sure
            )
        else:
            unexplained.append((row, what))
    if unexplained:
        row, what = unexplained[0]
        what += _with([other for other, _ in unexplained[1:]])
        yield Problem(
            file=file,
            row=row,
            column="geometry",
            what=what,
            remedy="it changes no rate here",
            fatal=False,
        )


_NONE: Final = pd.DataFrame({"row": [], "lon": [], "lat": []}, dtype=float)


def _ends(routes: pd.DataFrame) -> tuple[pd.DataFrame, Floats]:
    """Row and first vertex of each line that is drawn, and its last vertex."""
    place, owner = shapely.get_coordinates(routes.geometry.to_numpy(), return_index=True)
    drawn, first = np.unique(owner, return_index=True)
    last = np.append(first[1:] - 1, len(place) - 1)[: len(drawn)]
    lon, lat = place[first].T
    rows = routes["row"].to_numpy()[drawn]
    return pd.DataFrame({"row": rows, "lon": lon, "lat": lat}), place[last]


def _groups(xyz: Floats, joined: Ints) -> Ints:
    """Group of each place: those in one cell of `NEAR_MI` or in cells that touch, and road ends.

    ``joined`` : pairs of places, shape (k, 2).
    """
    number = np.floor(xyz / NEAR_MI).astype(np.int64) + 1_000
    cells, cell = np.unique(number @ np.array([1_000_000, 1_000, 1]), return_inverse=True)
    links = [np.unique(cell[joined], axis=0)]
    for step in (x * 1_000_000 + y * 1_000 + z for x, y, z in product((-1, 0, 1), repeat=3)):
        if step > 0:
            links.append(
                np.column_stack(
                    np.intersect1d(cells, cells + step, assume_unique=True, return_indices=True)[1:]
                )
            )
    beside: list[set[int]] = [set() for _ in cells]
    for one, other in np.concatenate(links).tolist():
        beside[one].add(other)
        beside[other].add(one)
    group = [-1] * len(cells)
    names = count()
    for first in range(len(cells)):
        if group[first] >= 0:
            continue
        name, waiting = next(names), [first]
        while waiting:
            one = waiting.pop()
            if group[one] < 0:
                group[one] = name
                waiting += beside[one]
    return np.array(group, dtype=np.int64)[cell]


def _clock_caution(lon: float, timezone: ZoneInfo, file: str) -> list[Problem]:
    """Where everything lies, the clock is another one; on the other side of Greenwich it is not."""
    if _fits_clock(lon, timezone) or not _fits_clock(-lon, timezone):
        return []
    what = f"lies about longitude {lon:.0f}, where no clock shows {timezone.key}"
    remedy = f"{_question(np.array([lon, 0.0]), SLIPS[0])} Or correct the time zone"
    return [Problem(file=file, row=0, column="*", what=what, remedy=remedy, fatal=False)]


def _fits_clock(lon: float, timezone: ZoneInfo) -> bool:
    """Whether a clock of this time zone may show the time at a longitude; 15 degrees an hour."""
    offset = timezone.utcoffset(datetime(2026, 1, 15))
    if offset is None or not (offset or "/" in timezone.key.removeprefix("Etc/")):
        return True  # times in UTC are kept anywhere
    apart = abs(lon - offset.total_seconds() / 240.0) % 360.0
    return min(apart, 360.0 - apart) <= CLOCK_DEG


# --- records of trucks -------------------------------------------------------------------------


def far_records(records: Mapping[str, pd.DataFrame], routes: pd.DataFrame) -> Iterator[Problem]:
    """Cautions for files of records most of which lie far from every road.

    Parameters
    ----------
    records : file → row, lon, lat of some of its records, fairly chosen.
    """
    roads, ends = _ends(routes)
    if not len(ends):
        return
    known = _Known.of(np.concatenate([roads[["lon", "lat"]].to_numpy(), ends]))
    for file, some in records.items():
        some = some.dropna()
        where = some[["lon", "lat"]].to_numpy(dtype=float)
        distance_mi = known.distance_mi(where)
        far = distance_mi > NEAR_MI
        if 2 * far.sum() <= len(where):
            continue
        asked = [one.remedy for one in known.judged(where[far], np.zeros(far.sum(), dtype=int))]
        at = int(np.argmax(far))
        what = (
            f"{100 * far.mean():.0f} % of its positions lie {_said(distance_mi[far].min())} or "
            f"more from every road, as row {int(some['row'].iloc[at])} at {_at(where[at])}"
        )
        remedy = "".join(asked) or "check the positions, or whether the file is of this operation"
        yield Problem(file=file, row=0, column="*", what=what, remedy=remedy, fatal=False)
