"""Where runs begin, end and break off, and how far all that is from yards: for times and the clock.

A *part* is a part of a segment. Every application drives the same parts in the same order, so ways
are worked out once for all of them. Miles.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from spreadplan.planning.geometry import distance_mi
from spreadplan.planning.ways import Places, Ways

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: ends of parts that lie nearer to each other than this touch: the width of a junction.
TOUCH_MI: Final = 0.05
#: the way between parts of one route that do not touch is looked for this far, as a multiple of
#: the straight distance and beyond it; else the straight distance counts: our choice.
_LOOK: Final = (4.0, 2.0)


@dataclass(frozen=True, kw_only=True)
class PartPlaces:
    """The parts of all routes as places on their network.

    Attributes
    ----------
    ways : over the network of the parts.
    yards : places of the yards, in the order of their table.
    yard_names : their names.
    starts, ends : where each part is begun and finished, shape (parts,).
    gap_mi : way from the end of the part before in the route, shape (parts,); 0 where they touch
        and for the first part of a route.
    """

    ways: Ways
    yards: Places
    yard_names: tuple[str, ...]
    starts: Places
    ends: Places
    gap_mi: Floats

    def out_mi(self, yard: Ints, part: Ints) -> Floats:
        """From yards to the beginnings of parts, both by number (-1: no yard), shape (n,)."""
        return self._once(yard, part, self.starts, back=False)

    def back_mi(self, part: Ints, yard: Ints) -> Floats:
        """From the ends of parts to yards."""
        return self._once(yard, part, self.ends, back=True)

    def between_mi(self, part: Ints, following: Ints) -> Floats:
        """From the ends of parts to the beginnings of others."""
        size = len(self.starts) + 1
        pairs, which = np.unique(part * size + following, return_inverse=True)
        source, who = np.unique(pairs // size, return_inverse=True)
        found = self.ways.out_of(self.ends.take(source), who, self.starts.take(pairs % size))
        return found[which]

    def _once(self, yard: Ints, part: Ints, places: Places, back: bool) -> Floats:
        """Each pair of yard and part is worked out once."""
        known = yard >= 0
        size = len(places) + 1
        pairs, which = np.unique(yard[known] * size + part[known], return_inverse=True)
        search = self.ways.into if back else self.ways.out_of
        out = np.full(len(yard), np.nan)
        out[known] = search(self.yards, pairs // size, places.take(pairs % size))[which]
        return out

    def spots_mi(self, yard: Ints, part: Ints, spots: pd.DataFrame) -> tuple[Floats, Floats]:
        """From yards to spots on parts, and back.

        Parameters
        ----------
        yard, part : numbers, shape (n,); -1 for no yard.
        spots : part_mi, lon, lat, n rows.

        Returns
        -------
        Miles out and back, shape (n,) each; NaN without a yard.
        """
        out, back = np.full(len(yard), np.nan), np.full(len(yard), np.nan)
        known = yard >= 0
        columns = (spots[name].to_numpy(dtype=float)[known] for name in ("part_mi", "lon", "lat"))
        at = self.ways.on(part[known], *columns)
        out[known] = self.ways.out_of(self.yards, yard[known], at)
        back[known] = self.ways.into(self.yards, yard[known], at)
        return out, back

    def yards_mi(self) -> Floats:
        """Ways between all yards, shape (yards, yards)."""
        count = len(self.yards)
        start, end = np.divmod(np.arange(count * count), max(count, 1))
        found = self.ways.out_of(self.yards, start, self.yards.take(end)).reshape(count, count)
        np.fill_diagonal(found, 0.0)
        return found


def part_places(parts: Any, yards: pd.DataFrame) -> PartPlaces:
    """The network of the parts and the places on it.

    Parameters
    ----------
    parts : in driving order, grouped by route: route_id, length_mi, two_way, passes, geometry.
    yards : yard_id, lon, lat.
    """
    lines = np.asarray(parts["geometry"].array, dtype=object)
    length = parts["length_mi"].to_numpy(dtype=float)
    two_way = parts["two_way"].to_numpy(dtype=bool)
    ways = Ways(lines, length, two_way)
    number = np.arange(len(lines))
    first, last = shapely.get_point(lines, 0), shapely.get_point(lines, -1)
    # an even number of passes on a two-way segment brings the truck back to where it began
    again = two_way & (parts["passes"].to_numpy() % 2 == 0)
    end = shapely.get_coordinates(np.where(again, first, last))
    begin = shapely.get_coordinates(first)
    starts = ways.on(number, np.zeros(len(lines)), begin[:, 0], begin[:, 1])
    ends = ways.on(number, np.where(again, 0.0, length), end[:, 0], end[:, 1])
    return PartPlaces(
        ways=ways,
        yards=ways.near(yards["lon"], yards["lat"]),
        yard_names=tuple(yards["yard_id"]),
        starts=starts,
        ends=ends,
        gap_mi=_gaps(ways, parts["route_id"].to_numpy(), lines, length, two_way),
    )


def _gaps(ways: Ways, route: Any, lines: Any, length: Floats, two_way: Bools) -> Floats:
    """Way to each part from the one before it in its route, where the two do not touch.

    A two-way part may be driven from either end, whatever way it was drawn, so the nearest of its
    ends counts.
    """
    gap = np.zeros(len(lines))
    if len(lines) < 2:
        return gap
    ends = np.stack(
        [shapely.get_coordinates(shapely.get_point(lines, at)) for at in (0, -1)], axis=1
    )
    here = np.flatnonzero(route[1:] == route[:-1]) + 1
    away = np.stack(
        [
            distance_mi(*ends[here - 1, out].T, *ends[here, into].T)
            + np.where(two_way[here - 1] | (out == 1), 0.0, np.inf)
            + np.where(two_way[here] | (into == 0), 0.0, np.inf)
            for out, into in ((1, 0), (0, 0), (1, 1), (0, 1))
        ]
    )
    which = away.argmin(axis=0)
    far = away.min(axis=0) > TOUCH_MI
    here, which, straight = here[far], which[far], away.min(axis=0)[far]
    if not len(here):
        return gap
    out, into = 1 - which % 2, which // 2
    leave = ways.on(here - 1, out * length[here - 1], *ends[here - 1, out].T)
    enter = ways.on(here, into * length[here], *ends[here, into].T)
    look = _LOOK[0] * float(straight.max()) + _LOOK[1]
    gap[here] = ways.out_of(leave, np.arange(len(here)), enter, look)
    return gap
