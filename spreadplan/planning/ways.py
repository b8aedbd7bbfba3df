"""Ways between yards and places on routes, over the road network that the routes make.

Lines that end on one another are joined; lines that merely cross (overpasses) are not. A yard
reaches the network at its nearest place, straight times `DETOUR`. Where the network does not lead
from one place to another, the way is the straight distance times `DETOUR`. One-way roads are driven
as they were drawn. Turning round costs nothing. Miles, degrees in WGS 84.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from spreadplan.planning.geometry import distance_mi
from spreadplan.units import METRES_PER_MILE

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: road distance over straight distance where no road is known: common practice, no source.
DETOUR: Final = 1.3
#: ends closer than this are one joint, as for the matching of traces.
SNAP_MI: Final = 1.0 / METRES_PER_MILE
_DEGREE_MI: Final = 69.0
#: so many searches are made at once; each needs room for every joint.
_AT_ONCE: Final = 64


@dataclass(frozen=True, kw_only=True)
class Places:
    """Places on the network, or beside it.

    Attributes
    ----------
    line : number of the line of the network, shape (n,); -1 for none.
    at_mi : distance from the first vertex of that line, shape (n,).
    beside_mi : way between the place itself and the line, shape (n,).
    lon, lat : degrees, shape (n,); NaN for a place that is not known.
    """

    line: Ints
    at_mi: Floats
    beside_mi: Floats
    lon: Floats
    lat: Floats

    def __len__(self) -> int:
        return len(self.line)

    def take(self, which: Any) -> Places:
        """The places of these numbers, or where a mask holds."""
        return Places(
            line=self.line[which],
            at_mi=self.at_mi[which],
            beside_mi=self.beside_mi[which],
            lon=self.lon[which],
            lat=self.lat[which],
        )


class Ways:
    """The network of lines, and shortest ways over it.

    Parameters
    ----------
    lines : LineStrings in WGS 84 degrees, shape (n,).
    length_mi : their lengths, shape (n,).
    two_way : whether each may be driven against its drawing, shape (n,).
    """

    def __init__(self, lines: Any, length_mi: Floats, two_way: Bools) -> None:
        self._length_mi = np.asarray(length_mi, dtype=float)
        self._two_way = np.asarray(two_way, dtype=bool)
        lines = np.asarray(lines, dtype=object)
        lat = shapely.get_coordinates(lines)[:, 1]
        self._squeeze = float(np.cos(np.radians(lat.mean()))) if len(lat) else 1.0
        self._lines = shapely.transform(lines, self._plane)
        self._tree = shapely.STRtree(self._lines)
        self._join()

    def _plane(self, lon_lat: Floats) -> Floats:
        """Degrees as miles that are good enough to see what touches and what is nearest."""
        return np.asarray(lon_lat * np.array([self._squeeze * _DEGREE_MI, _DEGREE_MI]))

    def _join(self) -> None:
        """Edges between joints, in order of line and of distance along it."""
        count = len(self._lines)
        ends = np.concatenate(
            [shapely.get_point(self._lines, 0), shapely.get_point(self._lines, -1)]
        )
        joint_of_end = _joints(shapely.get_coordinates(ends))
        joints, first = np.unique(joint_of_end, return_index=True)
        joint, line = self._tree.query(ends[first], predicate="dwithin", distance=SNAP_MI)
        own = (joints[joint] == joint_of_end[line]) | (joints[joint] == joint_of_end[count + line])
        joint, line = joint[~own], line[~own]
        share = shapely.line_locate_point(self._lines[line], ends[first][joint], normalized=True)
        number = np.arange(count)
        of = np.concatenate([number, line, number])
        at = np.concatenate([np.zeros(count), share * self._length_mi[line], self._length_mi])
        who = np.concatenate([joint_of_end[:count], joints[joint], joint_of_end[count:]])
        order = np.lexsort((at, of))
        of, at, who = of[order], at[order], who[order]
        begin = np.flatnonzero(of[1:] == of[:-1])
        self._edge_line, self._edge_from_mi, self._edge_to_mi = of[begin], at[begin], at[begin + 1]
        self._tail, self._head = who[begin], who[begin + 1]
        self._joints = len(joints)
        #: one number that sorts by line and then by distance
        self._span = 2.0 * max(float(self._length_mi.max(initial=0.0)), 1.0)
        self._edge_key = self._edge_line * self._span + self._edge_from_mi

    def on(self, line: Ints, at_mi: Floats, lon: Floats, lat: Floats) -> Places:
        """Places on lines of the network."""
        return Places(
            line=np.asarray(line, dtype=np.int64),
            at_mi=np.clip(at_mi, 0.0, self._length_mi[line]),
            beside_mi=np.zeros(len(line)),
            lon=np.asarray(lon, dtype=float),
            lat=np.asarray(lat, dtype=float),
        )

    def near(self, lon: Any, lat: Any) -> Places:
        """The places of the network that are nearest to some points; none for NaN."""
        lon, lat = np.asarray(lon, dtype=float), np.asarray(lat, dtype=float)
        known = np.flatnonzero(np.isfinite(lon) & np.isfinite(lat))
        line = np.full(len(lon), -1, dtype=np.int64)
        at, beside = np.zeros(len(lon)), np.full(len(lon), np.nan)
        if len(known) and len(self._lines):
            points = shapely.points(self._plane(np.column_stack([lon[known], lat[known]])))
            which, found = self._tree.query_nearest(points, all_matches=False)
            line[known[which]] = found
            share = shapely.line_locate_point(self._lines[found], points[which], normalized=True)
            at[known[which]] = share * self._length_mi[found]
            foot = shapely.line_interpolate_point(self._lines[found], share, normalized=True)
            x, y = (shapely.get_coordinates(foot) / self._plane(np.ones((1, 2)))).T
            beside[known[which]] = distance_mi(lon[known[which]], lat[known[which]], x, y) * DETOUR
        return Places(line=line, at_mi=at, beside_mi=beside, lon=lon, lat=lat)

    def out_of(self, sources: Places, who: Ints, ends: Places, limit_mi: float = np.inf) -> Floats:
        """The way from one of a few sources to each of many ends.

        Parameters
        ----------
        sources : shape (k,).
        who : number of the source of each end, shape (n,).
        ends : shape (n,).
        limit_mi : beyond this no road is looked for, the straight distance counts.

        Returns
        -------
        Miles, shape (n,); NaN where a place is not known.
        """
        return self._ways(sources, who, ends, limit_mi, back=False)

    def into(self, sources: Places, who: Ints, starts: Places, limit_mi: float = np.inf) -> Floats:
        """As `out_of`, but from each of many starts to one of a few places."""
        return self._ways(sources, who, starts, limit_mi, back=True)

    def _ways(
        self, sources: Places, who: Ints, others: Places, limit_mi: float, back: bool
    ) -> Floats:
        straight = distance_mi(sources.lon[who], sources.lat[who], others.lon, others.lat)
        found = np.full(len(others), np.inf)
        for first in range(0, len(sources), _AT_ONCE):
            mine = np.flatnonzero((who >= first) & (who < first + _AT_ONCE) & (others.line >= 0))
            if len(mine):
                some = sources.take(slice(first, first + _AT_ONCE))
                some_who = who[mine] - first
                found[mine] = self._search(some, some_who, others.take(mine), limit_mi, back)
        return np.where(np.isfinite(found), found, straight * DETOUR)

    def _search(
        self, sources: Places, who: Ints, others: Places, limit_mi: float, back: bool
    ) -> Floats:
        from scipy.sparse.csgraph import dijkstra

        graph = self._graph(sources, back)
        first = self._joints
        numbers = np.arange(first, first + len(sources))
        reach = dijkstra(graph, indices=numbers, limit=limit_mi)[:, :first]
        edge = self._edge(others)
        line = self._edge_line[edge]
        into = others.at_mi - self._edge_from_mi[edge]
        left = self._edge_to_mi[edge] - others.at_mi
        either = self._two_way[line]
        ahead = reach[who, (self._head if back else self._tail)[edge]] + (left if back else into)
        other = reach[who, (self._tail if back else self._head)[edge]] + (into if back else left)
        found = np.minimum(ahead, np.where(either, other, np.inf)) + others.beside_mi
        return np.asarray(
            np.minimum(found, self._on_one_edge(sources.take(who), others, edge, back))
        )

    def _on_one_edge(self, sources: Places, others: Places, edge: Ints, back: bool) -> Floats:
        """The way along the edge that both lie on; infinite where they do not."""
        same = (self._edge(sources) == edge) & (sources.line >= 0)
        ahead = (others.at_mi - sources.at_mi) * (-1.0 if back else 1.0)
        open_ = same & ((ahead >= 0.0) | self._two_way[self._edge_line[edge]])
        return np.where(open_, np.abs(ahead) + sources.beside_mi + others.beside_mi, np.inf)

    def _edge(self, places: Places) -> Ints:
        """The edge on which each place lies."""
        key = np.maximum(places.line, 0) * self._span + places.at_mi
        edge = np.searchsorted(self._edge_key, key, side="right") - 1
        return np.maximum(edge, 0)

    def _graph(self, sources: Places, back: bool) -> Any:
        """Joints, then the sources, and what leads from one to the next; ``back``: into it."""
        from scipy.sparse import csr_array

        edge = self._edge(sources)
        known = np.flatnonzero(sources.line >= 0)
        edge, beside = edge[known], sources.beside_mi[known]
        into = sources.at_mi[known] - self._edge_from_mi[edge] + beside
        left = self._edge_to_mi[edge] - sources.at_mi[known] + beside
        number = self._joints + known
        either, source_either = self._two_way[self._edge_line], self._two_way[self._edge_line[edge]]
        length = self._edge_to_mi - self._edge_from_mi
        along, against = (self._tail, self._head), (self._head, self._tail)
        if back:
            along, against, into, left = against, along, left, into
        ends = (self._tail, self._head) if back else (self._head, self._tail)
        start = np.concatenate([along[0], against[0][either], number, number[source_either]])
        end = np.concatenate(
            [along[1], against[1][either], ends[0][edge], ends[1][edge][source_either]]
        )
        miles = np.concatenate([length, length[either], left, into[source_either]])
        order = np.lexsort((miles, end, start))
        start, end, miles = start[order], end[order], miles[order]
        # of several roads between two joints the shortest counts; a matrix would add them up
        new = np.ones(len(start), dtype=bool)
        new[1:] = (start[1:] != start[:-1]) | (end[1:] != end[:-1])
        size = self._joints + len(sources)
        return csr_array((miles[new], (start[new], end[new])), shape=(size, size))


def _joints(points: Floats) -> Ints:
    """Number the ends of lines: ends within the snapping distance get the same number."""
    if not len(points):
        return np.zeros(0, dtype=np.int64)
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    ends = shapely.points(points)
    one, other = shapely.STRtree(ends).query(ends, predicate="dwithin", distance=SNAP_MI)
    near = coo_array((np.ones(len(one)), (one, other)), shape=(len(points),) * 2)
    return np.asarray(connected_components(near, directed=False)[1], dtype=np.int64)
