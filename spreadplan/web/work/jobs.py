"""Long work runs in a process of its own: it can be watched and stopped, and results stay whole."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Final, Literal

from spreadplan import clock
from spreadplan.errors import CannotWrite
from spreadplan.results.store import alone

#: The commands that may run as a job; the worker knows how.
COMMANDS: Final = ("calibrate", "plan", "reconcile", "season")
MOST_WAITING: Final = 20
MOST_REMEMBERED: Final = 100
MOST_LINES: Final = 200
SECONDS_TO_STOP: Final = 5.0

State = Literal["waiting", "running", "done", "failed", "stopped"]


@dataclass(kw_only=True)
class Job:
    """One run of a command.

    said : what it told, the last lines. problems : what is wrong with the input, if that stopped
    it. stage, share : what it is doing and how much of that is behind, 0 to 1.
    """

    number: int
    command: str
    storm: str
    who: str
    asked_at: datetime
    state: State = "waiting"
    stage: str = ""
    share: float = 0.0
    said: deque[str] = field(default_factory=lambda: deque(maxlen=MOST_LINES))
    problems: list[Mapping[str, object]] = field(default_factory=list)

    @property
    def over(self) -> bool:
        """Whether nothing more will happen to it."""
        return self.state in ("done", "failed", "stopped")

    def as_json(self) -> dict[str, object]:
        """As data for a script."""
        return {
            "number": self.number,
            "command": self.command,
            "storm": self.storm,
            "who": self.who,
            "asked_at": self.asked_at.isoformat(timespec="seconds"),
            "state": self.state,
            "stage": self.stage,
            "share": round(self.share, 3),
            "said": list(self.said),
            "problems": list(self.problems),
        }


class TooManyJobs(Exception):
    """So many are waiting that another one would not help anyone."""


class Jobs:
    """Runs jobs one after the other."""

    def __init__(self, folder: Path, worker: Sequence[str] = ()) -> None:
        self._folder = folder
        self._worker = tuple(worker) or (sys.executable, "-m", "spreadplan.web.work.worker")
        self._lock = threading.Condition()
        self._jobs: dict[int, Job] = {}
        self._process: subprocess.Popen[str] | None = None
        self._running: Job | None = None
        self._thread: threading.Thread | None = None
        self._closed = False

    def start(self, command: str, storm: str, who: str) -> Job:
        """Ask for a command to be run; one that already waits or runs is not asked for twice."""
        if command not in COMMANDS:
            raise ValueError(f"{command!r} is not a command that can be run here")
        with self._lock:
            for job in self._jobs.values():
                if not job.over and (job.command, job.storm) == (command, storm):
                    return job
            if sum(not job.over for job in self._jobs.values()) >= MOST_WAITING:
                raise TooManyJobs
            number = max(self._jobs, default=0) + 1
            job = self._jobs[number] = Job(
                number=number, command=command, storm=storm, who=who, asked_at=clock.now()
            )
            over = [number for number, job in self._jobs.items() if job.over]
            for number in over[: max(0, len(self._jobs) - MOST_REMEMBERED)]:
                del self._jobs[number]
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="jobs", daemon=True)
                self._thread.start()
            self._lock.notify_all()
        return job

    def find(self, number: int) -> Job | None:
        """A job by its number."""
        return self._jobs.get(number)

    def all(self) -> list[Job]:
        """The jobs that are remembered, the latest first."""
        with self._lock:
            return sorted(self._jobs.values(), key=lambda job: -job.number)

    def stop(self, number: int) -> None:
        """Stop a job, or take it off the line; earlier results stay as they are."""
        with self._lock:
            job = self._jobs.get(number)
            if job is None or job.over:
                return
            job.state = "stopped"
            process = self._process if job is self._running else None
        if process is not None:
            _end(process)

    def close(self) -> None:
        """Stop everything; the server is going down."""
        with self._lock:
            self._closed = True
            self._lock.notify_all()
            numbers = [job.number for job in self._jobs.values() if not job.over]
        for number in numbers:
            self.stop(number)
        if self._thread is not None:
            self._thread.join(SECONDS_TO_STOP)

    def wait(self, job: Job, seconds: float) -> Job:
        """Wait until a job is over, for so long at most."""
        with self._lock:
            self._lock.wait_for(lambda: job.over and job is not self._running, seconds)
        return job

    # --- the thread that runs them ---

    def _run(self) -> None:
        while True:
            with self._lock:
                self._lock.wait_for(lambda: self._closed or self._next() is not None)
                if self._closed:
                    return
                job = self._next()
                assert job is not None
                job.state = "running"
                self._running = job
                self._process = self._launched(job)
            with self._process as process:
                assert process.stdout is not None
                for line in process.stdout:
                    _take_in(job, line)
                code = process.wait()
            if code not in (0, 2):  # it was ended, perhaps while it put results in place
                finish_results(self._folder, job.said.append)
            with self._lock:
                if job.state == "running":
                    job.state = "done" if code == 0 else "failed"
                if job.state == "failed" and not job.problems and not job.said:
                    job.said.append("The work ended without a word; earlier results are unchanged.")
                self._running = self._process = None
                self._lock.notify_all()

    def _next(self) -> Job | None:
        return next((job for job in self._jobs.values() if job.state == "waiting"), None)

    def _launched(self, job: Job) -> subprocess.Popen[str]:
        """The process, leader of a group of its own: its own helpers can be ended with it."""
        arguments = [*self._worker, job.command, str(self._folder), job.storm]
        root = str(Path(__file__).parents[3])
        path = os.pathsep.join(filter(None, [root, os.environ.get("PYTHONPATH", "")]))
        return subprocess.Popen(
            arguments,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            errors="replace",
            start_new_session=True,
            env={**os.environ, "PYTHONPATH": path},
        )


def finish_results(folder: Path, tell: Callable[[str], None]) -> None:
    """Put results in place that a command could not; a command that is at work does it itself.

    ``tell`` : is told what had to be put aside.
    """
    if (folder / "results").is_dir():
        with suppress(CannotWrite), alone(folder, tell, seconds=0.0):
            pass


def _take_in(job: Job, line: str) -> None:
    """One line of what the worker tells, as JSON; anything else is only talk of a library."""
    try:
        told = json.loads(line)
    except ValueError:
        return
    if not isinstance(told, dict):
        return
    if "say" in told:
        job.said.append(str(told["say"]))
    if "stage" in told:
        job.stage, job.share = str(told["stage"]), float(told["share"])
    if "problems" in told:
        job.problems = list(told["problems"])


def _end(process: subprocess.Popen[str]) -> None:
    """End a process and its helpers: politely, then for good."""
    for hard in (False, True):
        try:
            if os.name == "posix":
                os.killpg(process.pid, signal.SIGKILL if hard else signal.SIGTERM)
            else:
                process.terminate()
        except ProcessLookupError:
            return
        try:
            process.wait(SECONDS_TO_STOP)
            if not hard:
                continue  # its helpers may still be there
        except subprocess.TimeoutExpired:
            continue
