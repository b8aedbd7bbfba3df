"""The directed network: joints, shared roads, distances, and what it refuses."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import Geod
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from spreadplan.matching.candidates import make_found, nearest_links
from spreadplan.matching.network import LENGTH, UX, UY, Network, X, Y, build_network
from spreadplan.matching.search import (
    DEAD_END_TURN_COST,
    DISTANCE,
    TURN,
    TURN_COST,
    TURN_DETOUR_M,
    find_entry,
)
from tests.reconcile.roads import grid, roads


def entry(network: Network, a: int, b: int) -> tuple[float, float] | None:
    at = find_entry(network.reach.start, network.reach.entry, a, b)
    if at < 0:
        return None
    return float(network.reach.entry[at, DISTANCE]), float(network.reach.entry[at, TURN])


def follows(network: Network, a: int) -> set[int]:
    graph = network.graph
    node = graph.end_node[a]
    return {int(b) for b in graph.out_link[graph.out_start[node] : graph.out_start[node + 1]]}


def test_two_way_and_one_way_segments_open_their_directions() -> None:
    network = build_network(
        roads({"A": [(0, 0), (100, 0)], "B": [(100, 0), (200, 0)]}, one_way=("B",))
    )
    assert network.graph.is_open.tolist() == [True, True, True, False]
    assert follows(network, 0) == {1, 2}
    assert follows(network, 2) == set()


def test_ends_within_a_metre_are_one_joint_and_farther_ones_are_not() -> None:
    network = build_network(
        roads({"A": [(0, 0), (100, 0)], "B": [(100.6, 0.4), (200, 0)], "C": [(100, 3), (100, 90)]})
    )
    assert follows(network, 0) == {1, 2}


def test_crossing_without_a_common_end_is_no_junction() -> None:
    network = build_network(roads({"under": [(-100, 0), (100, 0)], "over": [(0, -100), (0, 100)]}))
    assert network.graph.length_m.size == 2
    assert follows(network, 0) == {1}


def test_end_on_the_middle_of_a_segment_makes_a_joint_there() -> None:
    network = build_network(
        roads({"main": [(0, 0), (60, 0), (300, 0)], "side": [(100, 0), (100, 80)]})
    )
    assert sorted(np.round(network.graph.length_m, 1)) == [80.0, 100.0, 200.0]
    owners = network.owners
    main_east = [k for k in range(6) if owners.row[owners.row_start[k]] == 0][0::2]
    # Along main: first cut from 0 m, second from 100 m; back along the second from 300 m.
    assert [round(float(owners.at_m[owners.row_start[k]]), 1) for k in main_east] == [0.0, 100.0]
    assert len(follows(network, main_east[0])) == 3


def test_loop_back_onto_its_own_stem_is_cut_there() -> None:
    stem = [(0, 0), (100, 0), (160, 60), (220, 0), (160, -60), (100, 0)]
    network = build_network(roads({"loop": stem}))
    assert network.graph.length_m.size == 2
    assert np.all(network.owners.row == 0)


def test_same_road_in_two_routes_is_one_link_with_two_owners() -> None:
    table = roads(
        {"A": [(0, 0), (90, 10), (200, 0)], "B": [(200, 0), (90, 10), (0, 0)]},
        one_way=("B",),
        routes={"A": "R1", "B": "R2"},
    )
    network = build_network(table)
    owners = network.owners
    assert network.graph.length_m.size == 1
    forward = slice(owners.row_start[0], owners.row_start[1])
    back = slice(owners.row_start[1], owners.row_start[2])
    assert owners.row[forward].tolist() == [0]
    assert owners.row[back].tolist() == [0, 1]
    assert owners.along[back].tolist() == [False, True]
    length = network.length_m[0]
    assert owners.at_m[back] == pytest.approx([length, 0.0], abs=1e-6)
    assert network.own_links(network.rows_of(frozenset({"R2"}))).tolist() == [False, True]


def test_parallel_roads_between_the_same_joints_stay_two() -> None:
    network = build_network(
        roads({"A": [(0, 0), (100, 6), (200, 0)], "B": [(0, 0), (100, -6), (200, 0)]})
    )
    assert network.graph.length_m.size == 2


def test_lengths_agree_with_the_ellipsoid() -> None:
    """Karney 2013 geodesics (as in PROJ): the plane is true to 1 in 10,000 over 40 km."""
    rng = np.random.default_rng(1)
    lon = -93.0 + rng.uniform(-0.25, 0.25, (50, 2))
    lat = 45.0 + rng.uniform(-0.25, 0.25, (50, 2))
    table = gpd.GeoDataFrame(
        {
            "route_id": "R1",
            "segment_id": [f"S{k}" for k in range(50)],
            "two_way": True,
            "speed_mph": 25.0,
        },
        geometry=shapely.linestrings(np.stack([lon, lat], axis=2)),
        crs=4326,
    )
    network = build_network(table, reach_m=0.0)
    _, _, geodesic = Geod(ellps="WGS84").inv(lon[:, 0], lat[:, 0], lon[:, 1], lat[:, 1])
    assert network.length_m == pytest.approx(geodesic, rel=1e-4)
    assert network.scale_error < 1e-5


def test_tabled_distances_agree_with_another_shortest_path_solver() -> None:
    """scipy's Dijkstra on the graph of directed links, turning priced as the search prices it."""
    network = grid(3)
    graph = network.graph
    directed = graph.end_node.size
    rows, columns, weights = [], [], []
    for a in range(directed):
        for b in follows(network, a):
            turn = 0.0
            if b == a ^ 1:
                turn = TURN_COST if len(follows(network, a)) > 1 else DEAD_END_TURN_COST
            rows.append(a)
            columns.append(b)
            # Cost of standing at the end of b: its length after it; +1 keeps zero weights alive.
            weights.append(graph.length_m[b >> 1] + TURN_DETOUR_M * turn + 1.0)
    cost, before = dijkstra(
        coo_array((weights, (rows, columns)), shape=(directed, directed)).tocsr(),
        return_predecessors=True,
    )
    for a in range(directed):
        for b in range(directed):
            if a == b:
                continue
            steps, at = 0, b
            while at != a:
                at = before[a, at]
                steps += 1
            expected = cost[a, b] - graph.length_m[b >> 1] - steps
            found = entry(network, a, b)
            if found is None:
                assert expected > network.reach.limit_m
            else:
                assert found[0] + TURN_DETOUR_M * found[1] == pytest.approx(expected, abs=0.01)


def test_turning_round_is_cheaper_at_a_dead_end() -> None:
    network = build_network(
        roads({"A": [(0, 0), (100, 0)], "B": [(100, 0), (200, 0)], "C": [(100, 0), (100, 99)]})
    )
    assert entry(network, 0, 1) == (0.0, TURN_COST)
    assert entry(network, 2, 3) == (0.0, DEAD_END_TURN_COST)


@pytest.mark.slow
def test_grid_index_finds_the_same_links_as_measuring_all() -> None:
    network = grid(4, spacing_m=37.0)
    shape = network.shape
    start = shape.piece[:, [X, Y]]
    end = start + shape.piece[:, [UX, UY]] * shape.piece[:, [LENGTH]]
    lines = shapely.linestrings(np.stack([start, end], axis=1))
    rng = np.random.default_rng(3)
    link, found = make_found()
    table = (shape.origin_x_m, shape.origin_y_m, shape.cell_m, shape.columns, shape.lines)
    for x, y in rng.uniform(-140.0, 140.0, (200, 2)):
        count = nearest_links(shape.cell_start, shape.filed, table, x, y, 25.0, link, found)
        distance = shapely.distance(lines, shapely.Point(x, y))
        assert sorted(link[:count]) == np.flatnonzero(distance <= 25.0).tolist()
        assert np.sqrt(found[:count, 0]) == pytest.approx(distance[link[:count]], abs=1e-9)


def test_a_segment_within_one_joint_has_no_link_and_its_neighbours_meet() -> None:
    """5 cm, 1 mm and 95 cm of road between A and B are the joint of A and B."""
    network = build_network(
        roads({
            "A": [(0, 0), (100, 0)], "tiny": [(100, 0), (100.05, 0)],
            "least": [(100.05, 0), (100.051, 0)], "short": [(100.05, 0), (101, 0)],
            "B": [(101, 0), (200, 0)], "loop": [(200, 0), (210, 8), (210, -8), (200, 0)],
        })
    )  # fmt: skip
    assert network.followed.tolist() == [True, False, False, False, True, True]
    assert network.graph.length_m == pytest.approx([100, 99, 41.6], abs=0.1)
    assert follows(network, 0) == {1, 2}
    with pytest.raises(ValueError, match="longer than 1 m"):
        build_network(roads({"tiny": [(100, 0), (100.05, 0)]}))


def test_what_is_refused() -> None:
    table = roads({"A": [(0, 0), (100, 0)]})
    with pytest.raises(ValueError, match="EPSG:4326"):
        build_network(table.to_crs(3857))
    with pytest.raises(ValueError, match="row 0 is not a LineString"):
        build_network(table.set_geometry([shapely.Point(-93, 45)], crs=4326))
    with pytest.raises(ValueError, match="row 0 has no length"):
        build_network(table.set_geometry([shapely.linestrings([[-93, 45], [-93, 45]])], crs=4326))
    with pytest.raises(ValueError, match="at least one"):
        build_network(table.iloc[:0])
    wide = table.set_geometry([shapely.linestrings([[-100, 45], [-90, 45]])], crs=4326)
    with pytest.raises(ValueError, match="too far apart"):
        build_network(wide)


def test_owners_of_a_shared_road_stand_in_the_order_of_their_names() -> None:
    """The order of the file says nothing of whose road it is."""
    line = [(0, 0), (90, 10), (200, 0)]
    for order in ([0, 1, 2], [2, 0, 1]):
        table = roads({"B": line, "C": line, "A": line}).iloc[order].reset_index(drop=True)
        network = build_network(table)
        owners = network.owners
        rows = owners.row[owners.row_start[0] : owners.row_start[1]]
        assert network.segment_id[rows].tolist() == ["A", "B", "C"]
