"""Who is visiting: sessions live on the server; the cookie is only an unguessable key to one."""

from __future__ import annotations

import hmac
import re
import secrets
import threading
from base64 import urlsafe_b64encode
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256

#: Longest time between two requests, and from sign-in to sign-in: a night on the plow fits in.
IDLE_S = 12 * 3600.0
LONGEST_S = 24 * 3600.0
MOST_SESSIONS = 5_000
KEY = re.compile(r"[A-Za-z0-9_-]{43}")
"""A key as `Sessions.open` makes it: 256 bits."""


@dataclass(kw_only=True)
class Session:
    """One browser.

    account : "" until someone has signed in.
    stamp : fingerprint of the account as it was then; a changed password or role ends the session.
    csrf : token that every change must carry; it follows from the key.
    seen_change : number of the last change of the files that the visitor knows of.
    """

    account: str
    stamp: str
    started_s: float
    used_s: float
    csrf: str
    seen_change: int = 0

    def holds(self, token: str) -> bool:
        """Whether a token is this session's; takes the same time for any wrong one."""
        return hmac.compare_digest(self.csrf.encode(), token.encode("utf-8", "replace"))


class Sessions:
    """All sessions of a server; the oldest go first when there are too many.

    A visitor who is not signed in loses nothing by that: the same key gets the same token again,
    so that nobody can make an open page worthless by asking for many others.
    """

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._sessions: OrderedDict[bytes, Session] = OrderedDict()
        self._secret = secrets.token_bytes(32)

    def open(self, account: str = "", stamp: str = "", key: str = "") -> tuple[str, Session]:
        """A new session and its key: 256 random bits, or one that a visitor has already.

        A key that was seen before is only taken for a visitor who is not signed in.
        """
        if account or not KEY.fullmatch(key):
            key = secrets.token_urlsafe(32)
        now = self._clock()
        mark = hmac.digest(self._secret, key.encode(), "sha256")
        csrf = urlsafe_b64encode(mark).decode().rstrip("=")
        session = Session(account=account, stamp=stamp, started_s=now, used_s=now, csrf=csrf)
        with self._lock:
            self._sessions[_place(key)] = session
            while len(self._sessions) > MOST_SESSIONS:
                self._drop_oldest()
        return key, session

    def _drop_oldest(self) -> None:
        """Visitors who are not signed in make room before those who are."""
        unsigned = (place for place, session in self._sessions.items() if not session.account)
        del self._sessions[next(unsigned, next(iter(self._sessions)))]

    def find(self, key: str) -> Session | None:
        """The session of a key, unless it has expired or was closed."""
        place, now = _place(key), self._clock()
        with self._lock:
            session = self._sessions.get(place)
            if session is None:
                return None
            if now - session.used_s > IDLE_S or now - session.started_s > LONGEST_S:
                del self._sessions[place]
                return None
            session.used_s = now
            self._sessions.move_to_end(place)
            return session

    def close(self, key: str) -> None:
        """End a session: its key is worth nothing from now on."""
        with self._lock:
            self._sessions.pop(_place(key), None)

    def close_account(self, account: str) -> None:
        """End every session of an account."""
        with self._lock:
            for place in [p for p, s in self._sessions.items() if s.account == account]:
                del self._sessions[place]


def _place(key: str) -> bytes:
    """Keys are kept as fingerprints only: comparing them tells nothing by its time."""
    return sha256(key.encode("utf-8", "replace")).digest()
