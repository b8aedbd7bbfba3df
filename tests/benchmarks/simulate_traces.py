"""Seeded simulator of spreader trucks with known truth, on any network.

Units: seconds, metres, metres per second, degrees clockwise from north, pounds.

Trucks wander over their part of the directed network, slowing for turns, stopping before some
junctions (now and then with the spreader left running: a pile), turning round at dead ends and
sometimes elsewhere, leaving the network to refill, driving a while without spreading. Mass is
released in proportion to the distance driven. A receiver reports at a fixed interval with a
position error that is partly new with every fix and partly fades slowly (first-order
Gauss-Markov), with outliers and dropouts. The truth is kept apart: the directed segment of each
record, and the mass on each directed segment integrated at 0.2 s steps.
"""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from spreadplan.compiled import compiled
from spreadplan.matching.network import AT, UX, UY, Network, X, Y
from spreadplan.matching.projection import FloatArray
from spreadplan.matching.search import BoolArray, Graph, IntArray

TICK_S = 0.2
BRAKE_MPS2 = 1.2
SPEED_UP_MPS2 = 0.9


@dataclass(frozen=True)
class Habits:
    """How the trucks drive and how well they report; the defaults are the benchmark's."""

    interval_s: float = 5.0
    noise_m: float = 5.0  # root mean square distance from the truth
    memory_s: float = 30.0  # of the slowly fading part
    white_share: float = 0.2  # of the variance, new with every fix
    outlier_share: float = 0.005
    outlier_m: float = 80.0  # scale of an outlier
    dropout_share: float = 0.003  # chance per record that a dropout starts
    dropout_records: float = 6.0  # mean length
    speed_error_mps: float = 0.3
    heading_error_deg: float = 8.0
    lane_offset_m: float = 0.0  # the truck keeps this far right of the line
    stop_every_m: float = 600.0  # mean way between stops, each just before a junction
    turn_every_m: float = 30_000.0  # between turning round away from joints
    refill_every_m: float = 60_000.0  # between leaving the network to refill
    off_after_m: float = 5_000.0  # mean way spread before the spreader is off for a while
    off_for_m: float = 600.0  # mean way of such a while
    pile_share: float = 0.02  # stops with the spreader left running
    territory_links: int = 600  # directed links among which a truck stays, about its home


@dataclass(frozen=True)
class Trace:
    """One truck: what it reports (shape (n,)) and what is true."""

    time_s: FloatArray
    x_m: FloatArray
    y_m: FloatArray
    speed_mps: FloatArray
    heading_deg: FloatArray
    spreading: BoolArray
    mass_lb: FloatArray  # released since the record before
    true_segment: IntArray  # 2 * row + (1 if against its digitising), -1 off the network
    true_x_m: FloatArray
    true_y_m: FloatArray
    true_joint_m: FloatArray  # distance to the nearer end of the true link
    segment_mass_lb: FloatArray  # (2 * rows,)
    off_route_lb: float


@compiled
def _point(shape, length_m, directed, at_m):  # type: ignore[no-untyped-def]
    """Point and direction on a directed link by walking its pieces."""
    link = directed >> 1
    if directed & 1:
        at_m = length_m[link] - at_m
    p = shape.piece_start[link]
    while p + 1 < shape.piece_start[link + 1] and shape.piece[p + 1, AT] <= at_m:
        p += 1
    along = at_m - shape.piece[p, AT]
    ux, uy = shape.piece[p, UX], shape.piece[p, UY]
    x = shape.piece[p, X] + along * ux
    y = shape.piece[p, Y] + along * uy
    if directed & 1:
        return x, y, -ux, -uy
    return x, y, ux, uy


@compiled
def _next_link(graph, territory, visits, a):  # type: ignore[no-untyped-def]
    """The less driven of two random ways on; back only at a dead end (or 1 time in 100)."""
    node = graph.end_node[a]
    ways = graph.out_link[graph.out_start[node] : graph.out_start[node + 1]]
    ways = ways[territory[ways]]
    if ways.size == 0:
        return -1
    onward = ways[ways != a ^ 1]
    if onward.size == 0 or (onward.size < ways.size and np.random.random() < 0.01):
        return a ^ 1
    first = onward[np.random.randint(onward.size)]
    second = onward[np.random.randint(onward.size)]
    return first if visits[first] <= visits[second] else second


@compiled
def chance(length_m, every_m):  # type: ignore[no-untyped-def]
    """Chance that something that happens every so many metres happens on a link."""
    return 1.0 - np.exp(-length_m / every_m)


@compiled
def _drive(graph, shape, territory, link_speed, link_rate, seed, ticks, start, habits):  # type: ignore[no-untyped-def]
    """True motion at every tick.

    Columns: directed link (-1 off), at_m, x, y, ux, uy, speed, spreading, mass of the tick.
    """
    stop_every, turn_every, refill_every, off_after, off_for, pile_share = habits
    np.random.seed(seed)
    out = np.zeros((ticks, 9))
    visits = np.zeros(graph.end_node.size, np.int64)
    a, at, v = start, 0.0, 5.0
    wait, pile = 0.0, False
    away, away_x, away_y, away_dx, away_dy = 0.0, 0.0, 0.0, 0.0, 0.0
    following, stop_at, turn_at, exit_speed, spreading = -1, -1.0, -1.0, 5.0, True
    fresh = True
    for t in range(ticks):
        if away > 0.0:
            # Straight out, a minute at the stockpile, straight back.
            away -= TICK_S
            total = 60.0 + 2.0 * 25.0
            gone = total - away
            reach = min(gone, 25.0, away) if gone < 25.0 or away < 25.0 else 25.0
            v = 0.0 if reach == 25.0 else 12.0
            sign = 1.0 if gone <= 25.0 else -1.0
            out[t] = np.array(
                [
                    -1.0,
                    0.0,
                    away_x + away_dx * reach * 12.0,
                    away_y + away_dy * reach * 12.0,
                    sign * away_dx,
                    sign * away_dy,
                    v,
                    0.0,
                    0.0,
                ]
            )
            continue
        length = graph.length_m[a >> 1]
        if fresh:
            fresh = False
            visits[a] += 1
            following = _next_link(graph, territory, visits, a)
            if following < 0:
                return out[:t]
            _, _, ux, uy = _point(shape, graph.length_m, a, length - 1e-6)
            _, _, wx, wy = _point(shape, graph.length_m, following, 1e-6)
            bend = ux * wx + uy * wy
            exit_speed = 3.0 + 20.0 * max(bend, 0.0) ** 4 if following != a ^ 1 else 1.5
            node = graph.end_node[a]
            junction = graph.out_start[node + 1] - graph.out_start[node] > 2
            stop_at = -1.0
            if junction and np.random.random() < chance(length, stop_every):
                stop_at = max(length - 2.0 - 6.0 * np.random.random(), 0.5 * length)
            turn_at = -1.0
            if (
                length > 60.0
                and territory[a ^ 1]
                and np.random.random() < chance(length, turn_every)
            ):
                turn_at = length * (0.2 + 0.6 * np.random.random())
            if np.random.random() < chance(length, off_after if spreading else off_for):
                spreading = not spreading
        if wait > 0.0:
            wait -= TICK_S
            x, y, ux, uy = _point(shape, graph.length_m, a, at)
            mass = 0.3 * TICK_S if pile else 0.0
            out[t] = np.array([a, at, x, y, ux, uy, 0.0, 1.0 if spreading else 0.0, mass])
            continue
        top = link_speed[a]
        top = min(top, (exit_speed**2 + 2.0 * BRAKE_MPS2 * max(length - at, 0.0)) ** 0.5)
        if stop_at >= 0.0 and at <= stop_at:
            top = min(top, (2.0 * BRAKE_MPS2 * (stop_at - at) + 0.3) ** 0.5)
        if turn_at >= 0.0 and at <= turn_at:
            top = min(top, (2.0 * BRAKE_MPS2 * (turn_at - at) + 1.0) ** 0.5)
        v = min(v + SPEED_UP_MPS2 * TICK_S, max(top, v - 3.0 * TICK_S))
        moved = v * TICK_S
        x, y, ux, uy = _point(shape, graph.length_m, a, at)
        out[t] = np.array(
            [
                a,
                at,
                x,
                y,
                ux,
                uy,
                v,
                1.0 if spreading else 0.0,
                moved * link_rate[a >> 1] if spreading else 0.0,
            ]
        )
        at += moved
        if stop_at >= 0.0 and at >= stop_at - 0.2:
            stop_at = -1.0
            wait = 3.0 + np.random.exponential(12.0)
            pile = spreading and np.random.random() < pile_share
            v = 0.0
        if turn_at >= 0.0 and at >= turn_at:
            a, at, fresh = a ^ 1, length - at, True
        elif at >= length:
            leaves = np.random.random() < chance(length, refill_every)
            at -= length
            a = following
            fresh = True
            if leaves:
                angle = 2.0 * np.pi * np.random.random()
                away = 60.0 + 2.0 * 25.0
                away_x, away_y, _, _ = _point(shape, graph.length_m, a, 0.0)
                away_dx, away_dy = np.cos(angle), np.sin(angle)
            at = min(at, graph.length_m[a >> 1])
    return out


def simulate(network: Network, seed: int, rows: int, habits: Habits = Habits()) -> Trace:
    """One truck's trace of about ``rows`` records (dropouts take a few), in order of time."""
    rng = np.random.default_rng(seed)
    graph, shape = network.graph, network.shape
    open_links = np.flatnonzero(graph.is_open)
    first = network.owners.row_start[:-1]
    link_speed = np.full(graph.end_node.size, 10.0)
    link_speed[open_links] = network.speed_mps[network.owners.row[first[open_links]]]
    link_rate = 0.12 * rng.uniform(0.8, 1.2, graph.length_m.size)  # lb/m: about 200 lb/mile
    territory = _territory(graph, int(rng.choice(open_links)), habits.territory_links)
    per_record = round(habits.interval_s / TICK_S)
    motion = _drive(
        graph,
        shape,
        territory,
        link_speed * rng.uniform(0.85, 1.0),
        link_rate,
        int(rng.integers(2**31)),
        rows * per_record,
        int(rng.choice(np.flatnonzero(territory))),
        (
            habits.stop_every_m,
            habits.turn_every_m,
            habits.refill_every_m,
            habits.off_after_m,
            habits.off_for_m,
            habits.pile_share,
        ),
    )
    return _report(network, motion, per_record, rng, habits)


def _territory(graph: Graph, home: int, size: int) -> BoolArray:
    """Mark the links nearest to home that can all be reached from each other.

    Shape (2 links,). The largest such set among the ``size`` links found first.
    """
    found = np.zeros(graph.end_node.size, np.bool_)
    queue = [home]
    found[home] = True
    for a in queue:
        if len(queue) >= size:
            break
        node = graph.end_node[a]
        ways = graph.out_link[graph.out_start[node] : graph.out_start[node + 1]]
        for b in (*ways, a ^ 1):
            if graph.is_open[b] and not found[b]:
                found[b] = True
                queue.append(int(b))
    links = np.flatnonzero(found)
    nodes = graph.out_start.size - 1
    joined = coo_array(
        (np.ones(links.size), (graph.end_node[links ^ 1], graph.end_node[links])),
        shape=(nodes, nodes),
    )
    _, part = connected_components(joined, connection="strong")
    start, end = part[graph.end_node[links ^ 1]], part[graph.end_node[links]]
    biggest = np.bincount(start[start == end], minlength=part.max() + 1).argmax()
    territory = np.zeros(graph.end_node.size, np.bool_)
    territory[links[(start == biggest) & (end == biggest)]] = True
    return territory


def _report(
    network: Network,
    motion: FloatArray,
    per_record: int,
    rng: np.random.Generator,
    habits: Habits,
) -> Trace:
    """What the receiver makes of the motion, and the truth beside it."""
    at = np.arange(int(rng.integers(per_record)), len(motion), per_record)
    keep = ~_dropouts(rng, len(at), habits)
    noise = _position_error(rng, len(at), habits)
    at, noise = at[keep], noise[keep]
    link = motion[:, 0].astype(np.int32)
    # Closed links have no owner; their entry is never looked at.
    entry = np.minimum(network.owners.row_start[:-1][link], len(network.owners.row) - 1)
    segment = np.where(
        link >= 0, 2 * network.owners.row[entry] + ~network.owners.along[entry], -1
    ).astype(np.int32)
    before = np.concatenate([[0.0], np.cumsum(motion[:, 8])])
    total = before[at]
    # Only what is released between the first and the last record can be known.
    window = slice(int(at[0]), int(at[-1]))
    mass = np.bincount(segment[window] + 1, motion[window, 8], 2 * network.rows + 1)
    x, y, ux, uy, speed = motion[at, 2:7].T
    # A course over ground is as good as the velocity it comes from: worse when slow.
    # At rest a receiver keeps the last one.
    slow_deg = np.where(
        speed > 0.0, np.degrees(habits.speed_error_mps / np.maximum(speed, 0.5)), 0.0
    )
    heading = np.degrees(np.arctan2(ux, uy)) + rng.normal(size=len(at)) * np.hypot(
        habits.heading_error_deg, slow_deg
    )
    length = network.graph.length_m[link[at] >> 1]
    return Trace(
        time_s=at * TICK_S,
        x_m=x + noise[:, 0] + habits.lane_offset_m * uy,
        y_m=y + noise[:, 1] - habits.lane_offset_m * ux,
        speed_mps=np.where(
            speed > 0.0, np.abs(speed + rng.normal(0, habits.speed_error_mps, len(at))), 0.0
        ),
        heading_deg=heading % 360.0,
        spreading=motion[at, 7] > 0.0,
        mass_lb=np.diff(total, prepend=total[0]),
        true_segment=segment[at],
        true_x_m=x,
        true_y_m=y,
        true_joint_m=np.minimum(motion[at, 1], length - motion[at, 1]),
        segment_mass_lb=mass[1:],
        off_route_lb=float(mass[0]),
    )


def _dropouts(rng: np.random.Generator, n: int, habits: Habits) -> BoolArray:
    """Records that never arrive."""
    lost = np.zeros(n, np.bool_)
    for start in np.flatnonzero(rng.random(n) < habits.dropout_share):
        lost[start : start + 1 + rng.geometric(1.0 / habits.dropout_records)] = True
    lost[[0, -1]] = False
    return lost


def _position_error(rng: np.random.Generator, n: int, habits: Habits) -> FloatArray:
    """Error of both coordinates, shape (n, 2)."""
    fade = np.exp(-habits.interval_s / habits.memory_s)
    new = rng.normal(size=(n, 2))
    slow = _fading(new, float(fade))
    white = rng.normal(size=(n, 2))
    error = (
        habits.noise_m
        / np.sqrt(2.0)
        * (np.sqrt(1.0 - habits.white_share) * slow + np.sqrt(habits.white_share) * white)
    )
    out = rng.random(n) < habits.outlier_share
    error[out] += rng.normal(0.0, habits.outlier_m, (int(out.sum()), 2))
    return error


@compiled
def _fading(new: FloatArray, fade: float) -> FloatArray:
    out = new.copy()
    for i in range(1, new.shape[0]):
        for axis in range(2):
            out[i, axis] = fade * out[i - 1, axis] + (1.0 - fade * fade) ** 0.5 * new[i, axis]
    return out
