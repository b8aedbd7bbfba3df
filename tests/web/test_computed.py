"""What is computed once, and when it is computed again."""

from __future__ import annotations

import threading
import time

import pytest

from spreadplan.errors import BadInput
from spreadplan.runs.what_if import WhatIf
from spreadplan.web.work.computed import MOST_KEPT, MOST_PLANS, Computed, whole_files
from tests.web.visitors import browser


@pytest.mark.slow
def test_a_plan_is_made_once_and_again_when_a_file_changes(workspace):
    folder = workspace()
    computed = Computed(folder)
    first = computed.plan("s1")
    assert computed.plan("s1") is first
    rates = folder / "storms/s1/rates.csv"
    rates.write_text(rates.read_text().replace(",200", ",300"))
    second = computed.plan("s1")
    assert second is not first
    masses = [view.plan.routes["mass_lb"].sum() for view in (first, second)]
    assert masses[1] > 1.2 * masses[0]


def test_many_who_ask_at_once_wait_for_one_computation(workspace):
    computed, made = Computed(workspace()), []
    gate = threading.Barrier(8)

    def make() -> object:
        made.append(1)
        time.sleep(0.1)
        return object()

    got: list[object] = []

    def ask() -> None:
        gate.wait()
        got.append(computed.remember("x", make))

    threads = [threading.Thread(target=ask) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(made) == 1
    assert len(set(map(id, got))) == 1


def test_what_was_made_while_a_file_changed_is_not_kept(workspace):
    folder = workspace()
    computed, made = Computed(folder), []

    def make() -> int:
        made.append(1)
        if len(made) == 1:
            (folder / "trucks.csv").write_text("changed")
        return len(made)

    assert [computed.remember("x", make) for _ in range(3)] == [1, 2, 2]


def test_an_error_is_not_kept_and_memory_is_bounded(workspace):
    computed = Computed(workspace())
    for _ in range(2):
        with pytest.raises(ZeroDivisionError):
            computed.remember("x", lambda: 1 // 0)
    assert computed.remember("x", lambda: 5) == 5
    for n in range(3 * MOST_KEPT):
        computed.remember(n, lambda: 0)
    assert len(computed._entries) == MOST_KEPT
    for n in range(3 * MOST_PLANS):
        computed.remember(("plan", n), lambda: 0)
    assert sum(isinstance(name, tuple) for name in computed._entries) == MOST_PLANS


def test_a_workspace_with_problems_is_told_and_recovers(workspace):
    folder = workspace()
    trucks = folder / "trucks.csv"
    good = trucks.read_text()
    computed = Computed(folder)
    trucks.write_text(good.replace("auger", "shovel"))
    assert len(computed.fleet().calibration.models) == 1, "what is sound is there"
    assert any("shovel" in one.what for one in computed.left_out())
    with pytest.raises(BadInput, match="shovel"):
        whole_files(computed.fleet().workspace)
    trucks.write_text(good)
    assert len(whole_files(computed.fleet().workspace).table("trucks")) == 2
    assert len(computed.fleet().calibration.models) == 2
    assert computed.left_out() == ()


def test_a_new_fleet_without_any_test_can_be_looked_at(workspace):
    folder = workspace({"discharge_tests.csv": None, "weighings.csv": None})
    fleet = Computed(folder).fleet()
    assert fleet.calibration.models == {}
    assert set(fleet.calibration.advice["need"]) == {"test"}


def test_the_state_changes_with_the_files(workspace):
    folder = workspace()
    visitor = browser(folder)
    first = visitor.get("/state").json()
    assert visitor.get("/state").json() == first
    (folder / "trucks.csv").touch()
    assert visitor.get("/state").json()["state"] != first["state"]


def test_trying_changes_writes_nothing(workspace):
    folder = workspace()
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    Computed(folder).plan("s1", WhatIf(rates=(("*", "1", 300.0),)))
    assert {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()} == before
