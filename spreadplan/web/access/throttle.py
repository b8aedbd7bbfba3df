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
#: how long to wait where nothing but tries under way are in the way
MOMENT_S = 1


@dataclass
class _Record:
    """``failures`` were wrong, the tries ``under_way`` may yet be."""

    failures: int = 0
    under_way: int = 0
    until_s: float = 0.0
    last_s: float = 0.0

    def wait_s(self, kind: str, now: float) -> int:
        """Whole seconds until the next try is allowed; 0: now."""
        if self.until_s > now:
            return math.ceil(self.until_s - now)
        crowded = self.under_way and self.failures + self.under_way >= FREE[kind]
        return MOMENT_S if crowded else 0


class Throttle:
    """Counts wrong guesses by person and address, and says how long to wait.

    A try is counted while it is under way, so that many at once cannot slip through; whether it
    was wrong is counted once that is known, and a right one leaves nothing behind.
    """

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._records: OrderedDict[tuple[str, str], _Record] = OrderedDict()

    def wait_s(self, name: str, address: str) -> int:
        """Whole seconds until the next try is allowed; 0: now."""
        now = self._clock()
        with self._lock:
            return self._wait_s(name, address, now)

    def begin(self, name: str, address: str) -> int:
        """Begin a try: 0, and it is under way; or the whole seconds to wait, and it is not."""
        now = self._clock()
        with self._lock:
            if wait_s := self._wait_s(name, address, now):
                return wait_s
            for key in _keys(name, address):
                record = self._records.setdefault(key, _Record())
                self._records.move_to_end(key)
                if now - record.last_s > FORGET_S:
                    record.failures = 0
                record.under_way += 1
            while len(self._records) > MOST_KEPT:
                self._records.popitem(last=False)
        return 0

    def _wait_s(self, name: str, address: str, now: float) -> int:
        keys = _keys(name, address)
        return max(self._records.get(key, _Record()).wait_s(key[0], now) for key in keys)

    def failed(self, name: str, address: str) -> None:
        """The try was wrong; past the free ones, each doubles the wait."""
        now = self._clock()
        with self._lock:
            for key in _keys(name, address):
                record = self._records.setdefault(key, _Record())
                record.under_way = max(0, record.under_way - 1)
                record.failures += 1
                record.last_s = now
                beyond = record.failures - FREE[key[0]]
                if beyond >= 0:
                    wait_s = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(beyond, 20))
                    record.until_s = now + wait_s

    def succeeded(self, name: str, address: str) -> None:
        """The try was right: someone who knows the password starts afresh from this address.

        What others got wrong from there, or elsewhere for that name, stays counted.
        """
        with self._lock:
            for key in _keys(name, address):
                record = self._records.get(key)
                if record is None:
                    continue
                record.under_way = max(0, record.under_way - 1)
                if key[0] == "pair":
                    record.failures = 0
                if not (record.failures or record.under_way):
                    del self._records[key]


def _keys(name: str, address: str) -> tuple[tuple[str, str], ...]:
    name = name[:100].casefold()
    return ("pair", f"{name}\0{address}"), ("address", address), ("name", name)
