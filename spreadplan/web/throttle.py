"""Guessing passwords gets slower with every wrong guess."""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

#: Wrong guesses that are free: of one person from one address, from one address, of one person.
FREE = {"pair": 5, "address": 20, "name": 50}
FIRST_WAIT_S = 2.0
LONGEST_WAIT_S = 15 * 60.0
FORGET_S = 3600.0
MOST_KEPT = 20_000


@dataclass
class _Record:
    failures: int = 0
    until_s: float = 0.0
    last_s: float = 0.0


class Throttle:
    """Counts wrong guesses by person and address, and says how long to wait."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._records: OrderedDict[tuple[str, str], _Record] = OrderedDict()

    def wait_s(self, name: str, address: str) -> int:
        """Whole seconds until the next try is allowed; 0: now."""
        now = self._clock()
        with self._lock:
            records = (self._records.get(key) for key in _keys(name, address))
            until = max((record.until_s for record in records if record), default=0.0)
        return max(0, math.ceil(until - now))

    def failed(self, name: str, address: str) -> None:
        """Count a wrong guess; past the free ones, each doubles the wait."""
        now = self._clock()
        with self._lock:
            for kind, value in _keys(name, address):
                record = self._records.setdefault((kind, value), _Record())
                self._records.move_to_end((kind, value))
                if now - record.last_s > FORGET_S:
                    record.failures = 0
                record.failures += 1
                record.last_s = now
                beyond = record.failures - FREE[kind]
                if beyond >= 0:
                    wait_s = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(beyond, 20))
                    record.until_s = now + wait_s
            while len(self._records) > MOST_KEPT:
                self._records.popitem(last=False)

    def succeeded(self, name: str, address: str) -> None:
        """Someone who knows the password starts afresh from this address."""
        with self._lock:
            self._records.pop(_keys(name, address)[0], None)


def _keys(name: str, address: str) -> tuple[tuple[str, str], ...]:
    name = name[:100].casefold()
    return ("pair", f"{name}\0{address}"), ("address", address), ("name", name)
