"""Shortest ways over the directed links of a network, in compiled code.

Units: metres. A *link* is a stretch of road between two joints; the directed links of link ``k``
are ``2k`` (as digitised) and ``2k + 1`` (against it), so ``d ^ 1`` is ``d`` the other way. A
distance "from a to b" runs from the end of a to the start of b, so it is 0 where b follows a.
"""

from math import inf, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from spreadplan.compiled import compiled, inlined
from spreadplan.matching.projection import FloatArray

IntArray = NDArray[np.int32]
LongArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
SingleArray = NDArray[np.float32]

# What turning round costs, as a log-likelihood and as a detour that the search would rather drive.
# Heavy trucks seldom turn round in a junction but must do so at a dead end.
TURN_COST = 5.0
DEAD_END_TURN_COST = 1.0
TURN_DETOUR_M = 12.0  # per unit of cost


class Graph(NamedTuple):
    """Directed links and how they follow each other; all that the search needs."""

    length_m: FloatArray  # (links,)
    is_open: BoolArray  # (2 links,) may be driven in this direction
    end_node: IntArray  # (2 links,); the start node of d is end_node[d ^ 1]
    out_start: IntArray  # (nodes + 1,) into out_link
    out_link: IntArray  # open directed links that leave a node
    node_xy_m: FloatArray  # (nodes, 2)


class Reach(NamedTuple):
    """Every directed link within a distance of every other: one small hash table for each origin.

    A look-up then touches one line of memory, where a search among sorted targets touches many.
    Columns of ``entry``: target (-1: free), distance in m, cost of turning, and the directed link
    driven just before the target. Link numbers are exact in single precision below 2^24.
    """

    start: LongArray  # (2 links + 1,) into entry; each origin has a power of two of places
    entry: SingleArray  # (n, 4)
    limit_m: float


TARGET, DISTANCE, TURN, BEFORE = range(4)
MAX_DIRECTED = 1 << 24


class Scratch(NamedTuple):
    """Working memory of one search; ``stamp`` tells old values from new without clearing."""

    stamp: IntArray
    run: IntArray  # (1,) number of the current search
    distance_m: FloatArray
    turn_cost: FloatArray
    previous: IntArray
    done: BoolArray
    heap_key: FloatArray
    heap_link: IntArray
    settled: IntArray


@compiled
def make_scratch(graph: Graph) -> Scratch:
    """Working memory that any search on this graph fits in; one per thread."""
    directed = graph.end_node.size
    pushes = graph.out_link.size + 8
    for d in range(directed):
        node = graph.end_node[d]
        pushes += graph.out_start[node + 1] - graph.out_start[node]
    return Scratch(
        np.zeros(directed, np.int32),
        np.zeros(1, np.int32),
        np.zeros(directed),
        np.zeros(directed),
        np.zeros(directed, np.int32),
        np.zeros(directed, np.bool_),
        np.zeros(pushes),
        np.zeros(pushes, np.int32),
        np.zeros(directed, np.int32),
    )


@compiled
def _push(key: FloatArray, link: IntArray, size: int, new_key: float, new_link: int) -> int:
    """Add to a binary heap of ``size`` entries; the new size."""
    i = size
    while i > 0:
        parent = (i - 1) >> 1
        if key[parent] <= new_key:
            break
        key[i] = key[parent]
        link[i] = link[parent]
        i = parent
    key[i] = new_key
    link[i] = new_link
    return size + 1


@compiled
def _pop(key: FloatArray, link: IntArray, size: int) -> int:
    """Remove the smallest entry (read it at index 0 first); the new size."""
    size -= 1
    last_key = key[size]
    last_link = link[size]
    i = 0
    while True:
        child = 2 * i + 1
        if child >= size:
            break
        if child + 1 < size and key[child + 1] < key[child]:
            child += 1
        if last_key <= key[child]:
            break
        key[i] = key[child]
        link[i] = link[child]
        i = child
    key[i] = last_key
    link[i] = last_link
    return size


@compiled
def step_turn_cost(graph: Graph, a: int, b: int) -> float:
    """Cost of driving b right after a: 0 unless b is a driven back."""
    if b != a ^ 1:
        return 0.0
    node = graph.end_node[a]
    if graph.out_start[node + 1] - graph.out_start[node] <= 1:
        return DEAD_END_TURN_COST
    return TURN_COST


@compiled
def _relax(graph: Graph, work: Scratch, a: int, turns: float, base_m: float, size: int) -> int:
    """Offer every link that may follow a, at distance ``base_m``; the new heap size."""
    run = work.run[0]
    node = graph.end_node[a]
    for i in range(graph.out_start[node], graph.out_start[node + 1]):
        b = graph.out_link[i]
        cost = turns + step_turn_cost(graph, a, b)
        offer = base_m + TURN_DETOUR_M * cost
        if work.stamp[b] == run:
            known = work.distance_m[b] + TURN_DETOUR_M * work.turn_cost[b]
            if work.done[b] or known <= offer:
                continue
        work.stamp[b] = run
        work.done[b] = False
        work.distance_m[b] = base_m
        work.turn_cost[b] = cost
        work.previous[b] = a
        size = _push(work.heap_key, work.heap_link, size, offer, b)
    return size


@compiled
def search(
    graph: Graph,
    work: Scratch,
    origin: int,
    limit_m: float,
    wanted: IntArray,
    goal: tuple[float, float, float],
) -> int:
    """Dijkstra from the end of ``origin``; how many links were settled (in ``work.settled``).

    Stops beyond ``limit_m`` or, if ``wanted`` isn't empty, once all links in it are settled. Joints
    from which the way to within ``goal`` (x, y, radius) would exceed the limit aren't passed.
    A cost of turning counts as a detour, so of two ways the one without a turn is preferred.
    """
    goal_x, goal_y, goal_radius = goal
    end_node, node_xy = graph.end_node, graph.node_xy_m
    work.run[0] += 1
    missing = wanted.size
    count = 0
    size = _relax(graph, work, origin, 0.0, 0.0, 0)
    while size > 0:
        a = work.heap_link[0]
        size = _pop(work.heap_key, work.heap_link, size)
        if work.done[a]:
            continue
        if work.distance_m[a] > limit_m:
            continue
        work.done[a] = True
        work.settled[count] = a
        count += 1
        if missing > 0:
            for target in wanted:
                if target == a:
                    missing -= 1
            if missing == 0:
                break
        beyond_m = work.distance_m[a] + graph.length_m[a >> 1]
        dx = node_xy[end_node[a], 0] - goal_x
        dy = node_xy[end_node[a], 1] - goal_y
        if beyond_m + sqrt(dx * dx + dy * dy) - goal_radius > limit_m:
            continue
        size = _relax(graph, work, a, work.turn_cost[a], beyond_m, size)
    return count


@inlined
def slot_of(link: int, places: int) -> int:
    """Where to look for a link first (multiplicative hashing)."""
    return ((link * 40503) >> 4) & (places - 1)


@compiled
def reach_table(graph: Graph, limit_m: float) -> Reach:
    """Search from every open directed link out to ``limit_m`` and keep what was found."""
    directed = graph.end_node.size
    work = make_scratch(graph)
    nothing = np.zeros(0, np.int32)
    start = np.zeros(directed + 1, np.int64)
    entry = np.empty((32 * directed + 1024, 4), np.float32)
    used = 0
    for a in range(directed):
        if graph.is_open[a]:
            count = search(graph, work, a, limit_m, nothing, (0.0, 0.0, inf))
            places = 1
            while places < count + count // 3 + 1:
                places *= 2
            if used + places > entry.shape[0]:
                entry = np.concatenate((entry, np.empty_like(entry)))
            entry[used : used + places] = -1.0
            for b in work.settled[:count]:
                slot = slot_of(b, places)
                while entry[used + slot, TARGET] >= 0.0:
                    slot = (slot + 1) & (places - 1)
                entry[used + slot, TARGET] = b
                entry[used + slot, DISTANCE] = work.distance_m[b]
                entry[used + slot, TURN] = work.turn_cost[b]
                entry[used + slot, BEFORE] = work.previous[b]
            used += places
        start[a + 1] = used
    return Reach(start, entry[:used].copy(), limit_m)


@inlined
def find_entry(start: LongArray, entry: SingleArray, a: int, b: int) -> int:
    """Index of the entry from a to b, or -1 if b lies farther than the table reaches."""
    first = start[a]
    places = start[a + 1] - first
    at = -1
    if places > 0:
        slot = slot_of(b, places)
        while entry[first + slot, TARGET] >= 0.0 and entry[first + slot, TARGET] != b:
            slot = (slot + 1) & (places - 1)
        if entry[first + slot, TARGET] == b:
            at = first + slot
    return at
