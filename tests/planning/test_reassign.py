"""Who takes over which run: small cases against all assignments, and what always holds."""

from __future__ import annotations

import itertools
import random

import pytest

from spreadplan.planning.reassign import reassign
from spreadplan.planning.reassign_roster import (
    Duty,
    Roster,
    StaffedTruck,
    Turn,
    as_planned,
    cost_of,
)

HORIZON = 600


def drawn(seed: int) -> Roster:
    """A small county at random; some runs nobody can do, some trucks nobody drives."""
    draw = random.Random(seed)
    trucks = draw.choice([0, 1, 2, 2, 3, 3])
    runs = draw.choice([1, 2, 4, 5, 5]) if trucks == 3 else draw.randint(1, 6)
    tight = draw.random() < 0.3  # everything is late
    equal = draw.random() < 0.3  # ties
    home = [draw.randint(0, 2) for _ in range(trucks)]
    duties = []
    releases = sorted(draw.choice([0, 0, 120, 300]) for _ in range(runs))
    for at in range(runs):
        due = releases[at] + (1 if tight else draw.choice([60, 90, 150]))
        duties.append(
            Duty(
                route_id=f"R{at}",
                application="1",
                release_min=releases[at],
                due_min=None if draw.random() < 0.15 else due,
                lane_miles=5.0 if equal else draw.choice([0.4, 3.0, 7.25, 12.0]),
                weight=1 if equal else draw.choice([1, 2, 4, 8]),
                truck=draw.choice([None, *range(trucks)]) if trucks else None,
            )
        )
    staffed = [
        StaffedTruck(truck_id=f"T{k}", shifts=shifts_of(draw), state=home[k]) for k in range(trucks)
    ]
    turns = {}
    for at, k in itertools.product(range(runs), range(trucks)):
        if draw.random() < 0.85:
            minutes = 60 if equal else draw.choice([30, 45, 70, 110])
            turns[at, k] = Turn(
                minutes=minutes,
                treated_min=minutes - (10 if equal else draw.choice([5, 20])),
                lb=1000.0 if equal else draw.choice([800.0, 1200.0, 5200.0]),
                gates=1 if equal else draw.choice([1, 2, 3, 3, 7]),
                state=draw.choice([home[k], draw.randint(0, 2)]),
                before_min=draw.choice([0, 10]),
            )
    setup = ((0, 15, 25), (15, 0, 20), (25, 20, 0))
    return Roster(runs=tuple(duties), trucks=tuple(staffed), turns=turns, setup_min=setup)


def shifts_of(draw: random.Random) -> tuple[tuple[int, int], ...]:
    return draw.choice(
        [((-60, HORIZON),), ((-60, HORIZON),), ((-60, 110), (200, 420)), ((100, 330),), ()]
    )


def cost_of_list(roster: Roster, truck: int, runs: list[int]) -> int | None:
    """The truck's runs one after the other, worked out on its own; None: it cannot do them all."""
    cost, free, state, gates = 0, -(10**6), roster.trucks[truck].state, {0, 1, 2}
    for at in runs:
        duty, turn = roster.runs[at], roster.turns.get((at, truck))
        if turn is None:
            return None
        gates &= {bit for bit in range(3) if turn.gates >> bit & 1}
        leaves = None
        staffed = [
            minute for begin, end in roster.trucks[truck].shifts for minute in range(begin, end)
        ]
        staffed = [minute for minute in staffed if minute >= free]
        setup = roster.setup_min[state][turn.state]
        ready = staffed[setup] if setup < len(staffed) else 10**6
        for begin, end in roster.trucks[truck].shifts:
            first = max(max(ready, begin) + turn.before_min, duty.release_min)
            if leaves is None and first + turn.minutes <= end:
                leaves = first
        if leaves is None or not gates:
            return None
        late = 0 if duty.due_min is None else leaves + turn.treated_min - duty.due_min
        worth = round(1000 * duty.weight * duty.lane_miles)
        cost += worth * min(max(late, 0), 2880)
        cost += 10 * (turn.minutes + turn.before_min) + round(0.1 * turn.lb)
        cost += 300 if duty.truck != truck else 0
        free, state = leaves + turn.minutes, turn.state
    return cost


def least_cost(roster: Roster, movable: set[int]) -> int:
    """The least cost of all assignments, one by one."""
    everybody = range(len(roster.trucks))
    choices = [
        [None, *(everybody if at in movable else {duty.truck} - {None})]
        for at, duty in enumerate(roster.runs)
    ]
    best = None
    for chosen in itertools.product(*choices):
        costs = [
            cost_of_list(roster, truck, [at for at, one in enumerate(chosen) if one == truck])
            for truck in everybody
        ]
        if None in costs:
            continue
        lost = [
            round(1000 * duty.weight * duty.lane_miles) * 2880
            for duty, one in zip(roster.runs, chosen, strict=True)
            if one is None
        ]
        total = sum(costs) + sum(lost)
        best = total if best is None else min(best, total)
    assert best is not None
    return best


@pytest.mark.parametrize("seed", range(300))
def test_no_assignment_of_all_runs_costs_less(seed):
    roster = drawn(seed)
    everything = range(len(roster.runs))
    found = reassign(roster, everything)
    assert found.cost == cost_of(roster, found.done) == least_cost(roster, set(everything))
    assert found.bound == found.cost
    assert found.proven
    assert found.gap == 0.0


@pytest.mark.parametrize("seed", range(300, 400))
def test_what_keeps_its_promise_stays_and_the_rest_is_best(seed):
    roster = drawn(seed)
    found = reassign(roster)
    assert found.cost == least_cost(roster, set(found.movable))
    for at, one in found.done.items():
        if at not in found.movable:
            assert one.truck == roster.runs[at].truck


@pytest.mark.parametrize("seed", range(400, 460))
def test_what_always_holds(seed):
    roster = drawn(seed)
    found = reassign(roster)
    assert found.bound <= found.cost <= found.cost_greedy <= found.cost_before
    assert found.cost_before == cost_of(roster, as_planned(roster))
    again = reassign(roster)
    assert again == found
    for truck, staffed in enumerate(roster.trucks):
        mine = sorted(
            (one.start_min, one.end_min, at) for at, one in found.done.items() if one.truck == truck
        )
        assert [at for _, _, at in mine] == sorted(at for _, _, at in mine)
        for (_, end, _), (start, _, at) in itertools.pairwise(mine):
            assert end + roster.turns[at, truck].before_min <= start
        for start, end, at in mine:
            assert (at, truck) in roster.turns
            assert roster.runs[at].release_min <= start
            assert any(since <= start and end <= until for since, until in staffed.shifts)


def test_nothing_late_leaves_everything_as_it_is():
    duty = Duty(
        route_id="R1",
        application="1",
        release_min=0,
        due_min=100,
        lane_miles=4.0,
        truck=0,
    )
    trucks = tuple(StaffedTruck(truck_id=name, shifts=((0, 500),)) for name in ("T1", "T2"))
    turns = {
        (0, 0): Turn(minutes=90, treated_min=80, lb=4000.0),
        (0, 1): Turn(minutes=20, treated_min=15, lb=400.0),
    }
    roster = Roster(runs=(duty,), trucks=trucks, turns=turns)
    found = reassign(roster)
    assert found.done[0].truck == 0
    assert found.movable == frozenset()
    assert found.proven
    assert reassign(roster, [0]).done[0].truck == 1


def test_a_change_must_be_worth_it():
    """Twenty minutes less of a truck are no reason to tell two drivers something new."""
    duty = Duty(
        route_id="R1", application="1", release_min=0, due_min=None, lane_miles=4.0, truck=0
    )
    trucks = tuple(StaffedTruck(truck_id=name, shifts=((0, 500),)) for name in ("T1", "T2"))
    for saved, truck in ((29, 0), (31, 1)):
        turns = {
            (0, 0): Turn(minutes=90, treated_min=80, lb=400.0),
            (0, 1): Turn(minutes=90 - saved, treated_min=15, lb=400.0),
        }
        found = reassign(Roster(runs=(duty,), trucks=trucks, turns=turns), [0])
        assert found.done[0].truck == truck
