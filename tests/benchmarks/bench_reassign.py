"""How long reassignment takes, and how far from the bound it ends: 200 trucks, 1,000 routes.

An invented storm on a square with 20 yards: three rounds, each truck with about five routes; some
trucks break down, some have more than they can do, some stand by. Positions, sizes and promises are
drawn; the seed is fixed.

    python tests/benchmarks/bench_reassign.py [--trucks 200] [--routes 1000] [--out 8] [--seed 1]
"""

from __future__ import annotations

import argparse
import math
import random
import resource
import time

from spreadplan.planning.reassign import reassign
from spreadplan.planning.reassign_roster import Duty, Roster, StaffedTruck, Turn

YARDS = 20
SIDE_MI = 60.0
ROUNDS_AT = (0, 360, 720)
#: service classes: minutes until treated, share of the routes, weight
CLASSES = ((120, 0.2, 8), (180, 0.3, 4), (270, 0.3, 2), (None, 0.2, 1))


def storm(trucks: int, routes: int, out: int, seed: int) -> Roster:
    """A storm whose trucks ``out`` break down in the second round."""
    draw = random.Random(seed)
    yards = [(draw.uniform(0, SIDE_MI), draw.uniform(0, SIDE_MI)) for _ in range(YARDS)]
    home = [k % YARDS for k in range(trucks)]
    classes = draw.choices(CLASSES, weights=[share for _, share, _ in CLASSES], k=routes)
    place, miles, owner, material = [], [], [], []
    for at in range(routes):
        truck = at % (trucks - trucks // 20)  # one in twenty stands by
        x, y = yards[home[truck]]
        place.append((draw.gauss(x, 4.0), draw.gauss(y, 4.0)))
        miles.append(draw.uniform(3.0, 12.0))
        owner.append(truck)
        material.append(home[truck] % 2)
    order = sorted(range(routes), key=lambda at: (-classes[at][2], at))
    duties, of = [], []
    for number, since in enumerate(ROUNDS_AT):
        for at in order:
            promise, _, weight = classes[at]
            duties.append(
                Duty(
                    route_id=f"R{at}",
                    application=str(number + 1),
                    release_min=since,
                    due_min=None if promise is None else since + promise,
                    lane_miles=miles[at],
                    weight=weight,
                    truck=owner[at],
                )
            )
            of.append(at)
    broken = set(draw.sample(range(trucks - trucks // 20), out))
    staffed = tuple(
        StaffedTruck(
            truck_id=f"T{k}",
            shifts=((-60, 390),) if k in broken else ((-60, 1400),),
            state=home[k] * 2 + home[k] % 2,
        )
        for k in range(trucks)
    )
    turns = {}
    gates = [draw.choice([1, 3, 7]) for _ in range(trucks)]
    for run, at in enumerate(of):
        for k in range(trucks):
            yard = min(range(YARDS), key=lambda one: math.dist(yards[one], place[at]))
            yard = home[owner[at]] if k == owner[at] else yard
            way = math.dist(yards[yard], place[at]) * 1.3 / 35.0 * 60.0
            if way < 60.0 and (k == owner[at] or (k + at) % 7):
                spread = miles[at] / 25.0 * 60.0
                turns[run, k] = Turn(
                    minutes=round(2 * way + spread),
                    treated_min=round(way + spread),
                    lb=miles[at] * 250.0 * (1 + (k % 5) / 100),
                    gates=gates[k],
                    state=yard * 2 + material[at],
                    before_min=10,
                )
    setup = tuple(
        tuple(
            round(math.dist(yards[a // 2], yards[b // 2]) * 1.3 / 35.0 * 60.0)
            + (10 if a % 2 != b % 2 else 0)
            for b in range(2 * YARDS)
        )
        for a in range(2 * YARDS)
    )
    return Roster(runs=tuple(duties), trucks=staffed, turns=turns, setup_min=setup)


def main() -> None:
    """Print time, cost, bound and gap."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trucks", type=int, default=200)
    parser.add_argument("--routes", type=int, default=1000)
    parser.add_argument("--out", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    roster = storm(given.trucks, given.routes, given.out, given.seed)
    print(f"{len(roster.trucks)} trucks, {len(roster.runs)} runs, {len(roster.turns):,} pairs")
    began, processor = time.perf_counter(), time.process_time()
    found = reassign(roster)
    print(f"{time.perf_counter() - began:.1f} s, {time.process_time() - processor:.1f} s processor")
    changed = sum(one.truck != roster.runs[at].truck for at, one in found.done.items())
    untreated = len(roster.runs) - len(found.done)
    late = sum(roster.runs[at].lateness(one.treated_min) > 0 for at, one in found.done.items())
    print(f"{len(found.movable)} runs may move, {changed} do; {late} late, {untreated} untreated")
    print(
        f"cost as planned {found.cost_before:,}, greedy {found.cost_greedy:,}, now {found.cost:,}"
    )
    print(f"bound {found.bound:,}, gap {100 * found.gap:.3f} %, {found.sets:,} sets")
    print(f"peak {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")


if __name__ == "__main__":
    main()
