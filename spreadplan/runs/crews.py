"""Many trucks at once: the same computation for each, the results in order, bounded memory."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Protocol

from spreadplan.matching.network import Network
from spreadplan.reconcile.use import TruckUse, truck_use
from spreadplan.schema.telemetry import TruckRecords


@dataclass(frozen=True)
class TruckTask:
    """What `truck_use` needs to know of one truck, besides the network."""

    records: TruckRecords
    own_routes: frozenset[str]
    usual_material: str
    lb_per_gal: Mapping[str, float] = field(default_factory=dict)

    def done(self, network: Network) -> TruckUse:
        """Its result."""
        given = self.records, self.own_routes, self.usual_material, self.lb_per_gal
        return truck_use(network, *given)


class Awaited(Protocol):
    """A result that will be there: a future of this computer's or of a cluster's."""

    def result(self) -> TruckUse:
        """Wait for it."""


@dataclass(frozen=True)
class Crew:
    """Whoever does the work: ``submit`` takes a job, ``ahead`` says how many it may hold."""

    submit: Callable[[TruckTask], Awaited]
    ahead: int

    def in_order(self, jobs: Iterable[TruckTask]) -> Iterator[tuple[TruckUse, TruckRecords]]:
        """The result of each job, in order of the jobs; only ``ahead`` of them are in memory."""
        waiting: deque[tuple[TruckRecords, Awaited]] = deque()
        for job in jobs:
            waiting.append((job.records, self.submit(job)))
            if len(waiting) >= self.ahead:
                records, use = waiting.popleft()
                yield use.result(), records
        while waiting:
            records, use = waiting.popleft()
            yield use.result(), records


def processors() -> int:
    """How many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextmanager
def threads(network: Network, count: int | None = None) -> Iterator[Crew]:
    """A crew of threads of this process, one for each processor; the kernels run side by side."""
    count = count or processors()
    pool = ThreadPoolExecutor(count, "truck")

    def submit(job: TruckTask) -> Awaited:
        return pool.submit(job.done, network)

    try:
        yield Crew(submit, count + 1)
    finally:
        pool.shutdown(cancel_futures=True)
