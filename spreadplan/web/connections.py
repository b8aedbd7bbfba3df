"""How long a connection is borne with, and whose goes first when there are too many.

A connection costs whoever opens it next to nothing. Without limits, a few hundred that say nothing
would keep everyone else out.
"""

from __future__ import annotations

import asyncio
import os
from collections import Counter
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, ClassVar, Final, Literal

from uvicorn.protocols.http.h11_impl import H11Protocol

#: File handles to ask the system for: each connection takes one. More than can be in use at once.
MOST_HANDLES: Final = 16_384
State = Literal["waiting", "sending", "answered"]


@dataclass(frozen=True, kw_only=True)
class Patience:
    """Limits of connections: common practice, no source.

    Attributes
    ----------
    most : connections at once; beyond them those that wait the longest are closed.
    request_s : from the connection, or the last answer, to a whole request without its body.
    window_s, least_bytes : a body that brings fewer bytes than that in such a time is given up.
    reading_s : an answer of which nothing more is taken for so long is given up.
    look_s : how often a connection is looked at.
    """

    most: int = 400
    request_s: float = 10.0
    window_s: float = 60.0
    least_bytes: int = 30_000
    reading_s: float = 30.0
    look_s: float = 1.0


class BoundedProtocol(H11Protocol):
    """HTTP/1.1 as uvicorn speaks it, with an end to waiting."""

    patience: ClassVar[Patience] = Patience()

    def connection_made(self, transport: Any) -> None:
        """A connection is open: make room for it, and keep an eye on it."""
        super().connection_made(transport)
        self._phase: tuple[State, object] = ("waiting", None)
        self._since = self._taken_since = self.loop.time()
        self._bytes = 0
        self._next_look: asyncio.TimerHandle | None = None
        self._look()
        _make_room(self.connections, self.patience.most)

    def connection_lost(self, exc: Exception | None) -> None:
        """A connection is over."""
        if self._next_look is not None:
            self._next_look.cancel()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Something came."""
        self._bytes += len(data)
        super().data_received(data)

    def resume_writing(self) -> None:
        """The other side has taken what was sent."""
        self._taken_since = self.loop.time()
        super().resume_writing()

    @property
    def state(self) -> State:
        """Whether a request is waited for, is being sent, or is there and being answered."""
        if self.cycle is None or self.cycle.response_complete:
            return "waiting"
        return "sending" if self.cycle.more_body else "answered"

    @property
    def since(self) -> float:
        """When its state began."""
        return self._since

    def _look(self) -> None:
        now, phase = self.loop.time(), (self.state, self.cycle)
        if phase != self._phase:
            self._phase, self._since, self._taken_since, self._bytes = phase, now, now, 0
        if self._tried_too_long(now):
            self.transport.abort()
        else:
            self._next_look = self.loop.call_later(self.patience.look_s, self._look)

    def _tried_too_long(self, now: float) -> bool:
        bears, state = self.patience, self._phase[0]
        if self.flow.write_paused or (state == "waiting" and self._left_to_take()):
            return now - max(self._taken_since, self._since) > bears.reading_s
        if state == "waiting":
            return now - self._since > bears.request_s
        if state == "sending" and now - self._since > bears.window_s:
            slow = self._bytes < bears.least_bytes and not self.flow.read_paused
            self._since, self._bytes = now, 0
            return slow
        return False

    def _left_to_take(self) -> bool:
        return self.transport.get_write_buffer_size() > 0


def _make_room(connections: Iterable[Any], most: int) -> None:
    """Close one connection where there are too many, never one that is being answered.

    Those that say nothing go before those that are sending, except the newest: a request is about
    to come on them. Of each kind who has the most gives way first, and then the oldest.
    """
    bounded = [
        one
        for one in connections
        if isinstance(one, BoundedProtocol) and not one.transport.is_closing()
    ]
    if len(bounded) <= most:
        return
    waiting, sending = (
        sorted((one for one in bounded if one.state == state), key=lambda one: one.since)
        for state in ("waiting", "sending")
    )
    older = waiting[: max(0, len(waiting) - most // 4)]
    held = Counter(_address(one) for one in bounded)
    candidates = older or sending or waiting
    if candidates:
        min(candidates, key=lambda one: (-held[_address(one)], one.since)).transport.abort()


def _address(one: BoundedProtocol) -> str:
    return one.client[0] if one.client else ""


def allow_handles() -> None:
    """Ask the system for as many file handles as connections may need; where it has such limits."""
    if os.name != "posix":
        return
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = MOST_HANDLES if hard == resource.RLIM_INFINITY else min(MOST_HANDLES, hard)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        with suppress(OSError, ValueError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
