"""Matching whole traces: brute force on small cases, and each hard case by itself."""

import itertools

import numpy as np
import pytest

from spreadplan.matching.candidates import (
    MAX_CANDIDATES,
    Noise,
    make_found,
    nearest_links,
    off_network_score,
    rank_candidates,
    search_radius,
)
from spreadplan.matching.decode import (
    JUMP_SCORE,
    LEAVE_SCORE,
    Observations,
    decode,
    entered_at,
    expected_distance,
    leads_on,
    leg,
)
from spreadplan.matching.network import Network, build_network
from spreadplan.matching.search import make_scratch
from spreadplan.matching.trace import Match, match_trace
from tests.reconcile.roads import Drive, drive, grid, in_plane, names, roads, runs

NOISE = Noise(sigma_m=5.0, heading_rad=0.3, accel_power=0.3, memory_s=20.0, white_m=2.0)


def matched(network: Network, trace: Drive, *routes: str) -> Match:
    return match_trace(network, *trace.arrays(), frozenset(routes))


# --- the decoder against every possible sequence of states


def states_of(network: Network, seen: Observations, k: int) -> list[tuple[int, float, float]]:
    """All states of one observation: (directed link or -1, place, score)."""
    shape, graph = network.shape, network.graph
    found_link, found = make_found()
    table = (shape.origin_x_m, shape.origin_y_m, shape.cell_m, shape.columns, shape.lines)
    links = nearest_links(
        shape.cell_start,
        shape.filed,
        table,
        seen.x_m[k],
        seen.y_m[k],
        search_radius(NOISE.sigma_m),
        found_link,
        found,
    )
    link = np.zeros(MAX_CANDIDATES, np.int32)
    at_m, score = np.zeros(MAX_CANDIDATES), np.zeros(MAX_CANDIDATES)
    count = rank_candidates(
        graph.length_m,
        graph.is_open,
        np.zeros(graph.is_open.size, bool),
        NOISE.sigma_m,
        NOISE.heading_rad,
        seen.heading_x[k],
        seen.heading_y[k],
        links,
        found_link,
        found,
        0,
        link,
        at_m,
        score,
    )
    on = [(int(link[c]), float(at_m[c]), float(score[c])) for c in range(count)]
    return [*on, (-1, 0.0, off_network_score(NOISE.sigma_m))]


def step_score(
    network: Network, seen: Observations, k: int, a: tuple[int, float], b: tuple[int, float]
) -> float:
    """Score of a step into observation k, over every kind of step."""
    if a[0] < 0 and b[0] < 0:
        return 0.0
    if a[0] < 0 or b[0] < 0:
        return LEAVE_SCORE
    expected_m, deviation_m = expected_distance(
        seen.start_s[k] - seen.end_s[k - 1],
        seen.driven_m[k],
        seen.cube_s3[k],
        seen.unsure_m2[k],
        seen.x_m[k] - seen.x_m[k - 1],
        seen.y_m[k] - seen.y_m[k - 1],
        NOISE.sigma_m,
        NOISE.accel_power,
    )
    reach, graph = network.reach, network.graph
    entry = entered_at(reach.start, reach.entry, a[0], b[0])
    if leads_on(graph.end_node, *a, *b, deviation_m):
        entry = (0.0, 0.0)
    score, _, _ = leg(graph.length_m, entry, a[0], a[1], b[0], b[1], expected_m, deviation_m)
    return max(score, JUMP_SCORE)


def path_score(
    network: Network, seen: Observations, states: list[tuple[int, float, float]]
) -> float:
    total = sum(state[2] for state in states) + (LEAVE_SCORE if states[0][0] < 0 else 0.0)
    for k in range(1, len(states)):
        total += step_score(network, seen, k, states[k - 1][:2], states[k][:2])
    return total


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(12))
def test_decoder_agrees_with_brute_force(seed: int) -> None:
    """Every sequence of states of four noisy observations is tried; none beats the decoder's."""
    network = grid(2, spacing_m=45.0)
    rng = np.random.default_rng(seed)
    n = 4
    angle = rng.uniform(0, 2 * np.pi, n)
    told = rng.random(n) < 0.6
    seen = Observations(
        x_m=np.cumsum(rng.normal(0, 25, n)),
        y_m=np.cumsum(rng.normal(0, 25, n)),
        heading_x=np.where(told, np.sin(angle), 0.0),
        heading_y=np.where(told, np.cos(angle), 0.0),
        start_s=np.arange(n) * 5.0,
        end_s=np.arange(n) * 5.0,
        speed_mps=rng.uniform(0, 9, n),
        driven_m=rng.uniform(0, 45, n),
        cube_s3=np.full(n, 125.0),
        unsure_m2=rng.uniform(0, 9, n),
    )
    shape, graph, reach = network.shape, network.graph, network.reach
    own = np.zeros(graph.is_open.size, np.bool_)
    found = decode(shape, graph, reach, make_scratch(graph), own, NOISE, seen)
    states = [states_of(network, seen, k) for k in range(n)]
    best = max(path_score(network, seen, list(p)) for p in itertools.product(*states))
    chosen = []
    for k in range(n):
        same = [s for s in states[k] if s[0] == found.link[k]]
        assert len(same) == 1
        chosen.append(same[0])
    assert path_score(network, seen, chosen) == pytest.approx(best, abs=1e-9)
    assert max(len(s) for s in states) > 3  # the case is worth the name


# --- hard cases


def test_opposite_carriageways_are_told_apart_by_direction() -> None:
    network = build_network(
        roads({"east": [(0, 0), (900, 0)], "west": [(900, 12), (0, 12)]}, one_way=("east", "west"))
    )
    # Driven east, but measured nearer to the westbound carriageway, and without headings.
    trace = drive(network, [(20, 8), (880, 8)], noise_m=1.0)
    blind = Drive(*trace.arrays()[:4], np.full(trace.time_s.size, np.nan))
    assert runs(names(network, matched(network, blind).segment)) == ["east"]


def test_parallel_service_road_is_told_apart_by_the_whole_trace() -> None:
    network = build_network(
        roads(
            {
                "in": [(-200, 0), (0, 0)],
                "main": [(0, 0), (600, 0)],
                "service": [(0, 0), (20, 18), (580, 18), (600, 0)],
                "out": [(600, 0), (800, 0)],
            }
        )
    )
    path = [(-190, 0), (0, 0), (20, 18), (580, 18), (600, 0), (790, 0)]
    trace = drive(network, path, noise_m=4.0, seed=2)
    assert runs(names(network, matched(network, trace).segment)) == ["in", "service", "out"]


def test_overpass_is_not_turned_onto() -> None:
    network = build_network(roads({"under": [(-300, 0), (300, 0)], "over": [(0, -300), (0, 300)]}))
    trace = drive(network, [(-290, 0), (290, 0)], noise_m=4.0, seed=1)
    assert runs(names(network, matched(network, trace).segment)) == ["under"]


def test_crossing_is_driven_straight_over_and_turned_at() -> None:
    arms = {
        "W": [(-300, 0), (0, 0)],
        "E": [(0, 0), (300, 0)],
        "S": [(0, -300), (0, 0)],
        "N": [(0, 0), (0, 300)],
    }
    network = build_network(roads(arms))
    straight = drive(network, [(-290, 0), (290, 0)], noise_m=4.0, seed=3)
    assert runs(names(network, matched(network, straight).segment)) == ["W", "E"]
    turned = drive(network, [(-290, 0), (0, 0), (0, -290)], noise_m=4.0, seed=3)
    assert runs(names(network, matched(network, turned).segment)) == ["W", "-S"]


def test_turning_round_on_a_segment() -> None:
    network = build_network(roads({"A": [(0, 0), (800, 0)]}))
    trace = drive(network, [(10, 0), (500, 0), (10, 0)], noise_m=2.0)
    match = matched(network, trace)
    assert runs(names(network, match.segment)) == ["A", "-A"]
    assert match.joined[1:].all()
    driven = np.abs(match.piece_to_m - match.piece_from_m).sum()
    assert driven == pytest.approx(980.0, abs=60.0)


def test_dead_end_is_driven_in_and_out() -> None:
    network = build_network(
        roads({"A": [(0, 0), (300, 0)], "B": [(300, 0), (600, 0)], "dead": [(300, 0), (300, 90)]})
    )
    trace = drive(network, [(10, 0), (300, 0), (300, 88), (300, 0), (590, 0)], speed_mps=6.0)
    expected = ["A", "dead", "-dead", "B"]
    assert runs(names(network, matched(network, trace).segment)) == expected


def test_leaving_the_network_to_refill() -> None:
    network = build_network(roads({"A": [(0, 0), (1000, 0)], "B": [(1000, 0), (2000, 0)]}))
    path = [(10, 0), (1000, 0), (1000, 400), (1003, 400), (1003, 0), (1990, 0)]
    match = matched(network, drive(network, path, noise_m=2.0))
    assert runs(names(network, match.segment)) == ["A", "off", "B"]
    assert np.count_nonzero(~match.joined) >= np.count_nonzero(match.segment < 0)
    assert np.isnan(match.offset_m[match.segment < 0]).all()


def test_dropout_is_bridged_over_the_segments_driven() -> None:
    stretch = [(k * 200.0, 0.0) for k in range(6)]
    network = build_network(roads({f"S{k}": stretch[k : k + 2] for k in range(5)}))
    trace = drive(network, [(10, 0), (990, 0)])
    keep = (trace.x_m < trace.x_m[0] + 150) | (trace.x_m > trace.x_m[0] + 800)
    match = matched(network, Drive(*(a[keep] for a in trace.arrays())))
    after = int(np.argmax(match.gap))
    assert match.gap.sum() == 1
    assert match.joined[after]
    pieces = slice(match.piece_start[after], match.piece_start[after + 1])
    assert names(network, match.piece_segment[pieces]) == ["S0", "S1", "S2", "S3", "S4"]
    assert np.allclose(match.piece_to_m[pieces][1:-2], 200.0, atol=0.1)


def test_silence_too_long_breaks_the_trace() -> None:
    network = build_network(roads({"A": [(0, 0), (5000, 0)]}))
    trace = drive(network, [(10, 0), (4990, 0)])
    late = Drive(
        np.where(trace.time_s > 200, trace.time_s + 4000, trace.time_s), *trace.arrays()[1:]
    )
    match = matched(network, late)
    assert np.count_nonzero(~match.joined) == 2  # the first fix, and the one after the silence
    assert (match.segment == 0).all()


def test_standing_truck_is_one_place() -> None:
    network = build_network(roads({"A": [(0, 0), (500, 0)], "B": [(500, 0), (500, 500)]}))
    trace = drive(network, [(10, 0), (400, 0)])
    n = 60
    rng = np.random.default_rng(4)
    stop_x, stop_y = in_plane(network, np.full(n, 400.0), np.zeros(n))
    whole = Drive(
        np.concatenate([trace.time_s, trace.time_s[-1] + 5.0 * np.arange(1, n + 1)]),
        np.concatenate([trace.x_m, stop_x + rng.normal(0, 4, n)]),
        np.concatenate([trace.y_m, stop_y + rng.normal(0, 4, n)]),
        np.concatenate([trace.speed_mps, np.zeros(n)]),
        np.concatenate([trace.heading_deg, np.full(n, 90.0)]),
    )
    match = matched(network, whole)
    stood = match.standing
    assert stood.sum() == n
    assert set(names(network, match.segment[stood])) == {"A"}
    assert np.ptp(match.position_m[stood]) < 1.0
    assert match.position_m[stood].mean() == pytest.approx(400.0, abs=4.0)


def test_impossible_fix_is_placed_by_its_neighbours() -> None:
    network = build_network(roads({"A": [(0, 0), (900, 0)], "far": [(400, 300), (500, 300)]}))
    trace = drive(network, [(10, 0), (890, 0)])
    y_m = trace.y_m.copy()
    y_m[8] += 300.0  # exactly on the other road
    match = matched(network, Drive(trace.time_s, trace.x_m, y_m, *trace.arrays()[3:]))
    assert match.outlier.nonzero()[0].tolist() == [8]
    assert runs(names(network, match.segment)) == ["A"]
    assert match.position_m[8] == pytest.approx(410.0, abs=3.0)
    assert match.offset_m[8] == pytest.approx(300.0, abs=3.0)


def test_missing_speed_heading_and_position() -> None:
    network = build_network(roads({"A": [(0, 0), (450, 0)], "B": [(450, 0), (450, 400)]}))
    trace = drive(network, [(10, 0), (450, 0), (450, 390)], noise_m=2.0)
    nothing = np.full(trace.time_s.size, np.nan)
    x_m = trace.x_m.copy()
    x_m[3] = np.nan
    match = matched(network, Drive(trace.time_s, x_m, trace.y_m, nothing, nothing))
    assert runs(names(network, match.segment)) == ["A", "B"]
    assert match.position_m[3] == pytest.approx(160.0, abs=12.0)


def test_column_of_useless_headings_is_ignored() -> None:
    network = build_network(roads({"A": [(0, 0), (900, 0)], "B": [(900, 0), (900, 900)]}))
    trace = drive(network, [(10, 0), (900, 0), (900, 890)], noise_m=2.0)
    wrong = Drive(*trace.arrays()[:4], (trace.heading_deg + 180.0) % 360.0)
    assert runs(names(network, matched(network, wrong).segment)) == ["A", "B"]


def test_own_route_decides_between_owners_of_one_road() -> None:
    table = roads({"A": [(0, 0), (500, 0)], "B": [(500, 0), (0, 0)]}, routes={"A": "R1", "B": "R2"})
    network = build_network(table)
    trace = drive(network, [(10, 0), (490, 0)])
    assert runs(names(network, matched(network, trace).segment)) == ["A"]
    assert runs(names(network, matched(network, trace, "R1").segment)) == ["A"]
    assert runs(names(network, matched(network, trace, "R2").segment)) == ["-B"]
    both = matched(network, trace, "R2")
    assert both.position_m[0] == pytest.approx(490.0, abs=0.5)


def test_own_route_is_no_constraint() -> None:
    network = build_network(
        roads({"A": [(0, 0), (500, 0)], "B": [(0, 60), (500, 60)]}, routes={"A": "R1", "B": "R2"})
    )
    trace = drive(network, [(10, 60), (490, 60)], noise_m=3.0)
    assert runs(names(network, matched(network, trace, "R1").segment)) == ["B"]


def test_pieces_are_one_unbroken_way() -> None:
    network = grid(4)
    path = [(0, 0), (240, 0), (240, 360), (480, 360), (480, 120), (120, 120)]
    match = matched(network, drive(network, path, speed_mps=8.0, noise_m=3.0, seed=5))
    assert match.joined[1:].all()
    for i in range(1, match.segment.size):
        pieces = range(match.piece_start[i], match.piece_start[i + 1])
        if len(pieces) == 0:
            assert match.segment[i] == match.segment[i - 1]
            continue
        assert match.piece_from_m[pieces[0]] == pytest.approx(match.position_m[i - 1], abs=1e-6)
        assert match.piece_to_m[pieces[-1]] == pytest.approx(match.position_m[i], abs=1e-6)
        assert match.piece_segment[pieces[-1]] == match.segment[i]
    driven = np.abs(match.piece_to_m - match.piece_from_m).sum()
    assert driven == pytest.approx(240 + 360 + 240 + 240 + 360 - 40, abs=50)


def test_noise_is_learnt_from_the_trace() -> None:
    network = grid(6, spacing_m=300.0)
    path = [(0, 0), (1800, 0), (1800, 600), (0, 600), (0, 1200), (1800, 1200), (1800, 1800)]
    for sigma_m in (2.0, 8.0):
        match = matched(network, drive(network, path, noise_m=sigma_m, seed=6, interval_s=3.0))
        assert match.noise.sigma_m == pytest.approx(sigma_m, rel=0.25)


def test_same_trace_gives_the_same_bits() -> None:
    network = grid(4)
    trace = drive(network, [(0, 0), (480, 0), (480, 480)], noise_m=4.0)
    first, second = matched(network, trace), matched(network, trace)
    for name in ("segment", "position_m", "offset_m", "piece_from_m", "piece_to_m"):
        assert np.array_equal(getattr(first, name), getattr(second, name), equal_nan=True)


@pytest.mark.parametrize("n", [0, 1, 2])
def test_shortest_traces(n: int) -> None:
    network = build_network(roads({"A": [(0, 0), (500, 0)]}))
    trace = drive(network, [(10, 0), (490, 0)])
    match = matched(network, Drive(*(a[:n] for a in trace.arrays())))
    assert match.segment.tolist() == [0] * n
    assert match.piece_start.tolist() == [0, 0, 1][: n + 1]


def test_trace_without_any_position() -> None:
    network = build_network(roads({"A": [(0, 0), (500, 0)]}))
    gone = np.full(3, np.nan)
    match = match_trace(network, np.arange(3.0), gone, gone, gone, gone)
    assert match.segment.tolist() == [-1, -1, -1]
    assert match.outlier.all()


def test_what_is_refused() -> None:
    network = build_network(roads({"A": [(0, 0), (500, 0)]}))
    three, two = np.zeros(3), np.zeros(2)
    with pytest.raises(ValueError, match="must not decrease"):
        match_trace(network, np.array([0.0, 2.0, 1.0]), three, three, three, three)
    with pytest.raises(ValueError, match="one shape"):
        match_trace(network, three, two, three, three, three)
