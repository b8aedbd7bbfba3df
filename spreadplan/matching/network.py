"""The directed network of all route segments, ready for matching.

Units: metres in a local plane (x east, y north). A *row* is one row of the routes table: a segment
as the planner drew it. Rows are cut wherever another row ends on them, and cuts with the same
geometry become one *link* with several owners, so that a road shared by two routes is one road.
Directed links are ``2 * link`` (as digitised) and ``2 * link + 1``; directed segments, which is
what results speak of, are ``2 * row`` and ``2 * row + 1``.

Lines that merely cross (overpasses) are not joined: only an end of a line makes a joint. A row so
short that both its ends are one joint is that joint: it has no link, no truck is followed on it.
"""

from dataclasses import dataclass
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from spreadplan.compiled import compiled
from spreadplan.matching.projection import FloatArray, LocalPlane
from spreadplan.matching.search import (
    MAX_DIRECTED,
    BoolArray,
    Graph,
    IntArray,
    Reach,
    reach_table,
)

SNAP_M = 1.0  # ends closer than this are one joint
CELL_M = 32.0  # side of a cell of the grid index, larger where the network is vast
MAX_CELLS = 4_000_000
REACH_M = 300.0  # distances up to here are tabled; longer ones are searched when needed
MAX_SCALE_ERROR = 1e-3
USUAL_LANE_FT = 12.0  # width of a lane of routes that tell none


# Columns of the table of straight pieces: start, direction (of length 1), length, distance of its
# start from the start of the link, link.
X, Y, UX, UY, LENGTH, AT, LINK = range(7)


class Shape(NamedTuple):
    """Where the links lie: straight pieces, and a grid that finds them.

    The grid holds copies of the pieces in the order of its cells: a look-up then reads memory in
    one go, which is what its speed depends on.
    """

    piece_start: IntArray  # (links + 1,) into the pieces
    piece: FloatArray  # (pieces, 7), see the columns above
    origin_x_m: float
    origin_y_m: float
    cell_m: float
    columns: int
    lines: int
    cell_start: IntArray  # (columns * lines + 1,) into filed
    filed: FloatArray  # (n, 7)


@dataclass(frozen=True)
class Owners:
    """Which rows a directed link belongs to, in order of the names of route and segment.

    ``row_start`` has shape (2 links + 1,) and points into the other three, each entry saying: this
    directed link is row ``row``, driven as digitised or not (``along``), and the start of the
    *directed link* lies at ``at_m`` from the digitised start of the row.
    """

    row_start: IntArray
    row: IntArray
    along: BoolArray
    at_m: FloatArray


@dataclass(frozen=True, kw_only=True)
class Network:
    """All route segments as one directed network in a local plane."""

    plane: LocalPlane
    scale_error: float
    route_id: NDArray[np.object_]  # (rows,)
    route_code: IntArray  # (rows,) into route_names
    route_names: tuple[str, ...]
    segment_id: NDArray[np.object_]  # (rows,)
    length_m: FloatArray  # (rows,)
    speed_mps: FloatArray  # (rows,)
    lanes_per_pass: FloatArray  # (rows,) lanes that one pass along it treats
    lane_width_ft: FloatArray  # (rows,)
    owners: Owners
    graph: Graph
    shape: Shape
    reach: Reach

    @property
    def rows(self) -> int:
        """Number of rows of the routes table."""
        return int(self.length_m.size)

    @property
    def followed(self) -> BoolArray:
        """Shape (rows,): True where a truck can be followed; False for a row within a joint."""
        return np.asarray(np.bincount(self.owners.row, minlength=self.rows) > 0)

    def rows_of(self, routes: frozenset[str]) -> BoolArray:
        """Shape (rows,): True where the row belongs to one of the given routes."""
        chosen = np.array([name in routes for name in self.route_names], dtype=np.bool_)
        return chosen[self.route_code]

    def own_links(self, row_is_own: BoolArray) -> BoolArray:
        """Shape (2 links,): True where one of the rows marked owns the directed link."""
        return _any_per_group(row_is_own[self.owners.row], self.owners.row_start)


def build_network(routes: gpd.GeoDataFrame, reach_m: float = REACH_M) -> Network:
    """Build the network of all route segments.

    Parameters
    ----------
    routes : EPSG:4326 LineStrings with route_id, segment_id, two_way (bool), speed_mph; lanes,
        passes and lane_width_ft where they are known.
    reach_m : distances along the network are tabled up to here, metres.

    Returns
    -------
    Network, in metres of a plane centred on the routes; its rows are those of ``routes``.

    Raises
    ------
    ValueError : no row, another CRS, a geometry that isn't a line of some length (names the first
        row), a network so wide (over about 280 km to either side) that one plane would distort it,
        or too many segments for one network.
    """
    lines, plane = _project_lines(routes)
    scale_error = plane.scale_error(shapely.get_coordinates(lines)[:, 0])
    if scale_error > MAX_SCALE_ERROR:
        raise ValueError("the routes lie too far apart to share one plane; split the workspace")
    cuts = _cut_rows(lines)
    pieces, link_of_cut, reversed_cut = _unique_links(cuts)
    two_way = routes["two_way"].to_numpy(dtype=bool)
    owners = _owners(cuts, link_of_cut, reversed_cut, two_way, _place_by_name(routes))
    graph = _graph(cuts, pieces, owners)
    if graph.end_node.size >= MAX_DIRECTED:
        raise ValueError("too many route segments for one network; split the workspace")
    names, codes = np.unique(routes["route_id"].to_numpy(dtype=str), return_inverse=True)
    return Network(
        plane=plane,
        scale_error=scale_error,
        route_id=routes["route_id"].to_numpy(dtype=object),
        route_code=codes.astype(np.int32),
        route_names=tuple(str(name) for name in names),
        segment_id=routes["segment_id"].to_numpy(dtype=object),
        length_m=shapely.length(lines),
        speed_mps=routes["speed_mph"].to_numpy(dtype=np.float64) * 0.44704,
        lanes_per_pass=_numbers(routes, "lanes", 1.0) / _numbers(routes, "passes", 1.0),
        lane_width_ft=_numbers(routes, "lane_width_ft", USUAL_LANE_FT),
        owners=owners,
        graph=graph,
        shape=_shape(cuts.lines[pieces]),
        reach=reach_table(graph, float(reach_m)),
    )


def _numbers(routes: gpd.GeoDataFrame, name: str, usual: float) -> FloatArray:
    """A column of the routes; where there is none, the same number for all."""
    if name not in routes:
        return np.full(len(routes), usual)
    return np.asarray(routes[name].to_numpy(dtype=np.float64))


@dataclass(frozen=True, kw_only=True)
class _Cuts:
    """Rows cut at joints: one entry per cut, in the order of the rows."""

    row: IntArray
    at_m: FloatArray  # distance of the cut's start from the row's start
    length_m: FloatArray
    start_node: IntArray
    end_node: IntArray
    lines: NDArray[np.object_]


def _project_lines(routes: gpd.GeoDataFrame) -> tuple[NDArray[np.object_], LocalPlane]:
    """Lines in a plane centred on the data, without repeated vertices."""
    if len(routes) == 0:
        raise ValueError("no route segments: a network needs at least one")
    if routes.crs is None or routes.crs.to_epsg() != 4326:
        raise ValueError(f"routes must be in EPSG:4326, not {routes.crs}")
    geometry = routes.geometry.to_numpy()
    wrong = shapely.get_type_id(geometry) != shapely.GeometryType.LINESTRING
    if wrong.any():
        raise ValueError(f"routes row {int(np.argmax(wrong))} is not a LineString")
    lonlat, line = shapely.get_coordinates(geometry, return_index=True)
    west, south = lonlat.min(axis=0)
    east, north = lonlat.max(axis=0)
    plane = LocalPlane(float(west + east) / 2.0, float(south + north) / 2.0)
    x_m, y_m = plane.project(lonlat[:, 0], lonlat[:, 1])
    repeated = (line[1:] == line[:-1]) & (np.hypot(np.diff(x_m), np.diff(y_m)) < 1e-6)
    keep = np.concatenate([[True], ~repeated])
    vertices = np.bincount(line[keep], minlength=len(geometry))
    if (vertices < 2).any():
        raise ValueError(f"routes row {int(np.argmin(vertices))} has no length")
    coords = np.column_stack([x_m, y_m])[keep]
    return shapely.linestrings(coords, indices=line[keep]), plane


def _cut_rows(lines: NDArray[np.object_]) -> _Cuts:
    """Cut every line where an end of any line (its own too) lies on its interior."""
    ends = np.concatenate([shapely.get_point(lines, 0), shapely.get_point(lines, -1)])
    end_xy = shapely.get_coordinates(ends)
    node_of_end = _snap(end_xy)
    _, first = np.unique(node_of_end, return_index=True)
    tree = shapely.STRtree(lines)
    node, row = tree.query(ends[first], predicate="dwithin", distance=SNAP_M)
    at_m = shapely.line_locate_point(lines[row], ends[first][node])
    inside = (at_m > SNAP_M) & (at_m < shapely.length(lines[row]) - SNAP_M)
    order = np.lexsort((at_m[inside], row[inside]))
    node, row, at_m = node[inside][order], row[inside][order], at_m[inside][order]
    count = len(lines)
    joint_rows = np.concatenate([np.arange(count), row, np.arange(count)])
    joint_at = np.concatenate([np.zeros(count), at_m, shapely.length(lines)])
    joint_node = np.concatenate([node_of_end[:count], node, node_of_end[count:]])
    order = np.lexsort((joint_at, joint_rows))
    joint_rows, joint_at, joint_node = joint_rows[order], joint_at[order], joint_node[order]
    same = joint_rows[1:] == joint_rows[:-1]
    # Two joints may lie at one place of a row: nothing is between them. What lies within one joint
    # is no way: a fix at the joint, or a truck that waits there, would be taken to be on it.
    within = (np.diff(joint_node) == 0) & (np.diff(joint_at) < SNAP_M)
    long_enough = same & (np.diff(joint_at) > 1e-6) & ~within
    begin = np.flatnonzero(long_enough)
    if not begin.size:
        raise ValueError(f"no route segment is longer than {SNAP_M:g} m")
    is_cut = np.bincount(row, minlength=count) > 0
    parts = lines[joint_rows[begin]]
    for part in np.flatnonzero(is_cut[joint_rows[begin]]):
        at = begin[part]
        parts[part] = _substring(parts[part], joint_at[at], joint_at[at + 1])
    return _Cuts(
        row=joint_rows[begin].astype(np.int32),
        at_m=joint_at[begin],
        length_m=np.diff(joint_at)[begin],
        start_node=joint_node[begin].astype(np.int32),
        end_node=joint_node[begin + 1].astype(np.int32),
        lines=parts,
    )


def _snap(xy_m: FloatArray) -> IntArray:
    """Number the joints: points within the snapping distance get the same number."""
    pairs = cKDTree(xy_m).query_pairs(SNAP_M, output_type="ndarray")
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(xy_m),) * 2)
    return np.asarray(connected_components(links, directed=False)[1], dtype=np.int32)


def _substring(line: shapely.LineString, from_m: float, to_m: float) -> shapely.LineString:
    """The part of a line between two distances from its start."""
    coords: FloatArray = shapely.get_coordinates(line)
    at_m = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(coords, axis=0).T))])
    inner = coords[(at_m > from_m + 1e-6) & (at_m < to_m - 1e-6)]
    ends = shapely.get_coordinates(shapely.line_interpolate_point(line, [from_m, to_m]))
    return shapely.linestrings(np.vstack([ends[:1], inner, ends[1:]]))


def _unique_links(cuts: _Cuts) -> tuple[list[int], IntArray, BoolArray]:
    """Find cuts that are the same road.

    Returns the cut that stands for each link, the link of each cut, and whether the cut runs
    against it. Two cuts are the same road if they join the same joints, differ by under 1 m in
    length and lie within 1 m of each other at a quarter, half and three quarters of their length.
    """
    marks = _marks(cuts.lines)
    link_of_cut = np.empty(len(cuts.lines), np.int32)
    is_reversed = np.zeros(len(cuts.lines), np.bool_)
    links: list[int] = []
    by_joints: dict[tuple[int, int], list[int]] = {}
    low = np.minimum(cuts.start_node, cuts.end_node)
    high = np.maximum(cuts.start_node, cuts.end_node)
    for c, joints in enumerate(zip(low.tolist(), high.tolist(), strict=True)):
        known = by_joints.setdefault(joints, [])
        for link in known:
            other = links[link]
            if abs(cuts.length_m[c] - cuts.length_m[other]) > SNAP_M:
                continue
            same = np.abs(marks[c] - marks[other]).max() < SNAP_M
            turned = np.abs(marks[c] - marks[other][::-1]).max() < SNAP_M
            if same or turned:
                link_of_cut[c], is_reversed[c] = link, not same
                break
        else:
            link_of_cut[c] = len(links)
            known.append(len(links))
            links.append(c)
    return links, link_of_cut, is_reversed


def _marks(lines: NDArray[np.object_]) -> FloatArray:
    """Points at a quarter, half and three quarters of each line, shape (n, 3, 2)."""
    points = [
        shapely.line_interpolate_point(lines, at, normalized=True) for at in (0.25, 0.5, 0.75)
    ]
    return np.stack([shapely.get_coordinates(of_lines) for of_lines in points], axis=1)


def _place_by_name(routes: gpd.GeoDataFrame) -> IntArray:
    """Place of each row in the order of the names, so that the order of the file says nothing."""
    order = np.lexsort([routes[key].to_numpy(dtype=str) for key in ("segment_id", "route_id")])
    place = np.empty(len(order), np.int32)
    place[order] = np.arange(len(order), dtype=np.int32)
    return place


def _owners(
    cuts: _Cuts,
    link_of_cut: IntArray,
    reversed_cut: BoolArray,
    two_way: BoolArray,
    place: IntArray,
) -> Owners:
    """List the owners of every directed link; against its digitising only if two-way."""
    digitised = 2 * link_of_cut + reversed_cut
    against_ok = two_way[cuts.row]
    directed = np.concatenate([digitised, (digitised ^ 1)[against_ok]])
    row = np.concatenate([cuts.row, cuts.row[against_ok]])
    along = np.concatenate([np.ones(len(cuts.row), bool), np.zeros(int(against_ok.sum()), bool)])
    at_m = np.concatenate([cuts.at_m, (cuts.at_m + cuts.length_m)[against_ok]])
    # A row's digitised direction comes before the other.
    order = np.lexsort((~along, place[row], directed))
    count = np.bincount(directed, minlength=2 * (int(link_of_cut.max()) + 1))
    return Owners(
        row_start=np.concatenate([[0], np.cumsum(count)]).astype(np.int32),
        row=row[order].astype(np.int32),
        along=along[order],
        at_m=at_m[order],
    )


def _graph(cuts: _Cuts, pieces: list[int], owners: Owners) -> Graph:
    """Join the directed links at their joints."""
    chosen = np.asarray(pieces)
    start, end = cuts.start_node[chosen], cuts.end_node[chosen]
    directed = 2 * len(pieces)
    end_node = np.empty(directed, np.int32)
    end_node[0::2], end_node[1::2] = end, start
    is_open = np.diff(owners.row_start) > 0
    leaving = np.flatnonzero(is_open).astype(np.int32)
    start_node = end_node[leaving ^ 1]
    nodes = int(max(cuts.start_node.max(), cuts.end_node.max())) + 1
    node_xy_m = np.empty((nodes, 2))
    node_xy_m[cuts.start_node] = shapely.get_coordinates(shapely.get_point(cuts.lines, 0))
    node_xy_m[cuts.end_node] = shapely.get_coordinates(shapely.get_point(cuts.lines, -1))
    return Graph(
        length_m=cuts.length_m[chosen],
        is_open=is_open,
        end_node=end_node,
        out_start=np.concatenate([[0], np.cumsum(np.bincount(start_node, minlength=nodes))]).astype(
            np.int32
        ),
        out_link=leaving[np.argsort(start_node, kind="stable")],
        node_xy_m=node_xy_m,
    )


def _shape(links: NDArray[np.object_]) -> Shape:
    """Break the links into straight pieces and file them in a grid."""
    xy_m, owner = shapely.get_coordinates(links, return_index=True)
    within = owner[1:] == owner[:-1]
    starts, steps, link = xy_m[:-1][within], np.diff(xy_m, axis=0)[within], owner[:-1][within]
    piece_start = np.concatenate([[0], np.cumsum(np.bincount(link, minlength=len(links)))])
    length_m = np.hypot(steps[:, 0], steps[:, 1])
    before_m = np.concatenate([[0.0], np.cumsum(length_m)])
    at_m = before_m[:-1] - before_m[piece_start[link]]
    piece = np.column_stack([starts, steps / length_m[:, None], length_m, at_m, link])
    low = np.minimum(starts, starts + steps).min(axis=0)
    high = np.maximum(starts, starts + steps).max(axis=0)
    cell_m = max(CELL_M, float(np.sqrt(np.prod(high - low + 2 * CELL_M) / MAX_CELLS)))
    origin = low - cell_m / 2.0
    columns, lines = ((high - origin) // cell_m + 1).astype(int)
    cell_start, cell_piece = file_pieces(
        starts - origin, starts + steps - origin, cell_m, int(columns), int(lines)
    )
    return Shape(
        piece_start=piece_start.astype(np.int32),
        piece=piece,
        origin_x_m=float(origin[0]),
        origin_y_m=float(origin[1]),
        cell_m=cell_m,
        columns=int(columns),
        lines=int(lines),
        cell_start=cell_start,
        filed=piece[cell_piece],
    )


@compiled
def file_pieces(
    start_m: FloatArray, end_m: FloatArray, cell_m: float, columns: int, lines: int
) -> tuple[IntArray, IntArray]:
    """For every cell, the pieces that pass through it (start and end of pieces: shape (n, 2))."""
    cell_start = np.zeros(columns * lines + 1, np.int32)
    cell_piece = np.zeros(0, np.int32)
    filled = np.zeros(0, np.int32)
    for fill in range(2):
        if fill == 1:
            cell_start[1:] = np.cumsum(cell_start[1:])
            cell_piece = np.zeros(cell_start[-1], np.int32)
            filled = cell_start[:-1].copy()
        for p in range(start_m.shape[0]):
            y0, y1 = start_m[p, 1], end_m[p, 1]
            x0, x1 = start_m[p, 0], end_m[p, 0]
            for line in range(int(min(y0, y1) // cell_m), int(max(y0, y1) // cell_m) + 1):
                # The part of the piece inside this line of cells spans these columns.
                west, east = min(x0, x1), max(x0, x1)
                if y0 != y1:
                    t0 = (line * cell_m - y0) / (y1 - y0)
                    t1 = ((line + 1) * cell_m - y0) / (y1 - y0)
                    xa = x0 + min(max(t0, 0.0), 1.0) * (x1 - x0)
                    xb = x0 + min(max(t1, 0.0), 1.0) * (x1 - x0)
                    west, east = min(xa, xb), max(xa, xb)
                first = max(int((west - 1e-6) // cell_m), 0)
                last = min(int((east + 1e-6) // cell_m), columns - 1)
                for column in range(first, last + 1):
                    cell = line * columns + column
                    if fill == 0:
                        cell_start[cell + 1] += 1
                    else:
                        cell_piece[filled[cell]] = p
                        filled[cell] += 1
    return cell_start, cell_piece


@compiled
def _any_per_group(flag: BoolArray, start: IntArray) -> BoolArray:
    out = np.zeros(start.size - 1, np.bool_)
    for group in range(out.size):
        for i in range(start[group], start[group + 1]):
            out[group] = out[group] or flag[i]
    return out
