"""Everything that one server has: the workspace, what was computed, sessions, jobs."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path

from spreadplan.web.access.accounts import FILE, Account, read_accounts
from spreadplan.web.access.sessions import Sessions
from spreadplan.web.access.throttle import Throttle
from spreadplan.web.files.folder import check_workspace
from spreadplan.web.files.store import InputStore
from spreadplan.web.presence import Presence
from spreadplan.web.work.computed import Computed, fingerprint
from spreadplan.web.work.jobs import Jobs
from spreadplan.web.work.questions import Questions

#: The largest file that may be dropped in; a winter storm of a big fleet is far below it.
LARGEST_UPLOAD_BYTES = 4 * 1024**3


@dataclass(frozen=True)
class Limits:
    """Largest bodies that are accepted, bytes."""

    form_bytes: int = 2 * 1024**2
    upload_bytes: int = LARGEST_UPLOAD_BYTES


@dataclass(eq=False)
class Site:
    """One workspace, served.

    accounts_needed : whether visitors must sign in even if nobody has an account yet.
    secure : whether it is served over TLS, so that cookies may ask for it.
    clock : seconds that only go forward.
    """

    folder: Path
    accounts_needed: bool = False
    secure: bool = False
    limits: Limits = field(default_factory=Limits)
    clock: Callable[[], float] = time.monotonic

    def __post_init__(self) -> None:
        self.computed = Computed(self.folder)
        self.store = InputStore(self.folder)
        self.presence = Presence(self.folder)
        self.sessions = Sessions(self.clock)
        self.throttle = Throttle(self.clock)
        self.jobs = Jobs(self.folder)
        self.questions = Questions(self.folder)
        self._accounts_lock = threading.Lock()
        self._accounts_state: tuple[int, ...] = ()
        self._accounts: dict[str, Account] = {}

    def accounts(self) -> dict[str, Account]:
        """The accounts as the file has them now."""
        try:
            state = (self.folder / FILE).stat()
            seen: tuple[int, ...] = (state.st_mtime_ns, state.st_size, state.st_ino)
        except FileNotFoundError:
            seen = (0,)
        with self._accounts_lock:
            if seen != self._accounts_state:
                self._accounts = read_accounts(self.folder)
                self._accounts_state = seen
            return self._accounts

    def state(self) -> str:
        """A short text that changes when an input file does."""
        return sha256(repr(fingerprint(self.folder)).encode()).hexdigest()[:16]

    @property
    def must_sign_in(self) -> bool:
        """Whether visitors need an account: always once there is one."""
        return self.accounts_needed or bool(self.accounts())


def open_site(folder: Path, accounts_needed: bool = False, secure: bool = False) -> Site:
    """A site over a workspace. Raises BadInput where the folder is none."""
    check_workspace(folder)
    return Site(folder.resolve(), accounts_needed, secure)
