"""The crew of a Dask scheduler that is already running: ``reconcile --cluster ADDRESS``.

Every truck is one task, so a worker that dies costs the trucks that it was working on: the
scheduler gives them to another. The network is a task's result too, and not data laid down on some
workers, so that it can be made again where the worker that held it is gone. Who can reach a
scheduler can run programs on its workers: keep it in a network that you trust.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from importlib.metadata import version
from typing import Any, Final

from spreadplan import __version__
from spreadplan.errors import BadInput, Problem
from spreadplan.matching.network import Network
from spreadplan.reconcile.use import TruckUse
from spreadplan.runs.crews import Awaited, Crew, TruckTask

SECONDS_TO_WAIT: Final = 30
AHEAD: Final = 2
"""Trucks given out for each thread of the cluster."""

Versions = tuple[tuple[str, str], ...]


@contextmanager
def cluster(network: Network, address: str) -> Iterator[Crew]:
    """The workers of the scheduler at an address such as ``tcp://10.0.0.5:8786``.

    Raises
    ------
    BadInput : the package `distributed` is missing, nobody answers at the address, there are no
        workers, or a worker cannot do the work as this computer would.
    """
    dask, distributed = _libraries()
    try:
        # judged first: the library goes on trying to reach what it cannot understand
        host, port = distributed.comm.get_address_host_port(address)
        if not (host and host.isascii() and 0 < port <= 65_535):
            raise ValueError("it is not a host and a port from 1 to 65535")
        client = distributed.Client(address, timeout=SECONDS_TO_WAIT, set_as_default=False)
    except (OSError, ValueError, distributed.comm.CommClosedError) as error:
        remedy = "give the address that `dask scheduler` shows"
        raise _refused(f"no scheduler answers at {address} ({error})", remedy) from error
    with client, dask.config.set({"distributed.admin.large-graph-warning-threshold": "1TB"}):
        try:
            client.wait_for_workers(1, timeout=SECONDS_TO_WAIT)
        except TimeoutError as error:
            remedy = f"start some with: dask worker {address}"
            raise _refused(f"the scheduler at {address} has no workers", remedy) from error
        shared = client.submit(_itself, network, pure=False)
        ours = versions()

        def submit(job: TruckTask) -> Awaited:
            task = client.submit(use_of, ours, shared, job, pure=False)
            return _Task(task, (distributed.KilledWorker, ImportError, WrongVersions))

        yield Crew(submit, AHEAD * sum(client.nthreads().values()))


class WrongVersions(Exception):
    """A worker would compute with other programs than this computer."""


class _Task:
    """A future of the cluster that says in plain words why a worker could not do it."""

    def __init__(self, future: Any, faults: tuple[type[BaseException], ...]) -> None:
        self._future, self._faults = future, faults

    def result(self) -> TruckUse:
        """Wait for it."""
        try:
            found: TruckUse = self._future.result()
        except self._faults as error:
            what = f"a worker could not do its work ({error})"
            remedy = "install there what is installed here, and look into its log"
            raise _refused(what, remedy) from error
        return found


def versions() -> Versions:
    """What a result depends on to the last bit, besides the input."""
    programs = ("numpy", "pandas", "numba", "pyproj", "scipy")
    return (("spreadplan", __version__), *((name, version(name)) for name in programs))


def use_of(expected: Versions, network: Network, job: TruckTask) -> TruckUse:
    """One truck's use, on a worker.

    Raises
    ------
    WrongVersions : the worker has other versions than ``expected``.
    """
    here = versions()
    if here != expected:
        pairs = zip(here, expected, strict=True)
        wrong = [
            f"{name} {mine}, not {yours}" for (name, mine), (_, yours) in pairs if mine != yours
        ]
        raise WrongVersions("it has " + ", ".join(wrong))
    return job.done(network)


def _itself(network: Network) -> Network:
    return network


def _libraries() -> tuple[Any, Any]:
    try:
        import dask
        import distributed
    except ImportError as error:
        remedy = "run: pip install 'spreadplan[cluster]', or leave --cluster out"
        raise _refused("needs the package distributed, which is not here", remedy) from error
    return dask, distributed


def _refused(what: str, remedy: str) -> BadInput:
    return BadInput([Problem(file="--cluster", row=0, column="*", what=what, remedy=remedy)])
