"""One trial of one fault: what it did to the results, in a word.

Every trial starts from a workspace whose results are of an old generation of its inputs, disturbs
a command that makes the new one, and then looks: each gives "old" or "new" for what all files
together are, or else a sentence that begins with "defect".
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from tests.faults.rig import (
    COMMANDS,
    STORM,
    Nursery,
    Running,
    arguments_of,
    differences,
    inputs_of,
    results_of,
    staged,
    stored,
    wait_for,
    write_county,
)

STOPPED = {signal.SIGKILL: -9, signal.SIGTERM: 143, signal.SIGINT: 130, signal.SIGHUP: 129}
Files = dict[str, bytes]


@dataclass
class Known:
    """What a command makes of the old results, undisturbed."""

    old: Files
    new: Files
    after_old: Files
    """The old results once the next command has run."""
    after_new: Files
    seconds: float
    staging_share: float
    """Share of the time at which it begins to write."""


class Trials:
    """A place to try things, with all that is known of undisturbed runs."""

    def __init__(
        self, nursery: Nursery, scratch: Path, seed: int, commands: Sequence[str] = tuple(COMMANDS)
    ) -> None:
        self.commands = commands
        self.nursery = nursery
        self.scratch = scratch
        self.chance = random.Random(seed)
        self._known: dict[str, Known] = {}

    @cached_property
    def template(self) -> Path:
        """A workspace with new inputs and old results."""
        folder = write_county(self.scratch / "template", "old")
        for command in self.commands:
            self._must(arguments_of(command, folder))
        return write_county(folder)

    def fresh(self, place: Path | None = None) -> Path:
        """A copy of it."""
        folder = (place or self.scratch) / "workspace"
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(self.template, folder)
        return folder

    def _must(self, arguments: list[str]) -> None:
        code, said = self.nursery.run(*arguments)
        assert code == 0, said

    def known(self, command: str) -> Known:
        """Undisturbed runs of a command, measured once."""
        if command not in self._known:
            after = arguments_of(self.next_of(command), folder := self.fresh())
            old = results_of(folder)
            begun = time.monotonic()
            running = self.nursery.start(*arguments_of(command, folder))
            wait_for(lambda: staged(folder), running)
            writing = time.monotonic() - begun
            assert running.code() == 0, running.text
            seconds = time.monotonic() - begun
            new = results_of(folder)
            self._must(after)
            after_new = results_of(folder)
            self._must([word.replace(str(folder), str(self.fresh())) for word in after])
            known = Known(old, new, results_of(folder), after_new, seconds, writing / seconds)
            assert differences(known.after_old, known.after_new)
            self._known[command] = known
        return self._known[command]

    def next_of(self, command: str) -> str:
        """Another command that writes results."""
        return next(other for other in self.commands if other != command)

    # --- stopping a command ---

    def stop(self, command: str, number: signal.Signals, when: str) -> str:
        """Stop it: ``anywhen``, while it writes its files (``staging``) or moves them."""
        known, folder = self.known(command), self.fresh()
        inputs = inputs_of(folder)
        running = self.nursery.start(*arguments_of(command, folder))
        self._wait(running, folder, known, when)
        with suppress(ProcessLookupError):
            running.kill(number)
        code, said = running.code(), running.text
        if code not in (0, STOPPED[number]):
            return f"defect: exit code {code}: {said[-300:]}"
        if "Traceback" in said:
            return f"defect: {said[-300:]}"
        if number != signal.SIGKILL:  # it had the time to leave all in order
            if code and "stopped; no file was left half written" not in said:
                return f"defect: said {said[-200:]!r}"
            if found := self._which(folder, known.old, known.new, inputs):
                return found
        return self.opens(folder) or self._after(command, folder, known, inputs)

    def _wait(self, running: Running, folder: Path, known: Known, when: str) -> None:
        if when == "anywhen":
            time.sleep(self.chance.uniform(0.0, 1.1 * known.seconds))
        elif when == "staging":
            wait_for(lambda: staged(folder), running)
            time.sleep(self.chance.uniform(0.0, 1.1 * (1 - known.staging_share) * known.seconds))
        else:
            wait_for(lambda: stored(folder), running)
            end = time.perf_counter() + self.chance.uniform(0.0, 0.004)
            while time.perf_counter() < end:
                pass

    def _after(self, command: str, folder: Path, known: Known, inputs: Files) -> str:
        """Run the next command, then see which generation there is."""
        code, said = self.nursery.run(*arguments_of(self.next_of(command), folder))
        if code:
            return f"defect: the next command: {code}: {said[-300:]}"
        found = self._which(folder, known.after_old, known.after_new, inputs)
        return found or which(folder, known.after_old, known.after_new)

    def _which(self, folder: Path, old: Files, new: Files, inputs: Files) -> str:
        """A defect, or nothing."""
        if wrong := differences(inputs_of(folder), inputs):
            return f"defect: inputs changed: {wrong}"
        found = which(folder, old, new)
        return found if found.startswith("defect") else ""

    def opens(self, folder: Path) -> str:
        """A defect where `check` finds one."""
        code, said = self.nursery.run("check", folder)
        return f"defect: check: {code}: {said[-300:]}" if code else ""

    # --- no room, no right to write ---

    def small_files(self, command: str) -> str:
        """No file may be larger than some size: writing fails in the middle of one."""
        known, folder = self.known(command), self.fresh()
        largest = max(map(len, known.new.values()))
        limit = int(self.chance.uniform(0, 1.02) ** 2 * largest)
        return self._refused(command, folder, known, largest_file_bytes=limit)

    def full_disk(self, command: str, disk: Path) -> str:
        """So much room is left on the disk, and no more (root, Linux)."""
        known, folder = self.known(command), self.fresh(disk)
        written = sum(len(known.new[name]) for name in differences(known.old, known.new))
        filler = disk / "filler"
        state = os.statvfs(disk)
        left = int(self.chance.uniform(0, 1.3 * written))
        with filler.open("wb") as handle:
            handle.write(bytes(max(0, state.f_bavail * state.f_frsize - left)))
        try:
            return self._refused(command, folder, known, release=filler.unlink)
        finally:
            filler.unlink(missing_ok=True)

    def no_right(self, command: str, what: str) -> str:
        """Something in the workspace does not allow writing, or is not what it was."""
        known, folder = self.known(command), self.fresh()
        names = differences(known.old, known.new)
        victim = folder / "results" / self.chance.choice(names)
        if what == "read-only":
            place = self.chance.choice([folder / "results", victim.parent])
            place.chmod(0o555)
            return self._refused(
                command, folder, known, release=lambda: place.chmod(0o755), without_rights=True
            )
        aside = folder / "aside"
        kept = (
            victim if what == "folder for a file" else folder / "results" / names[0].split("/")[0]
        )
        kept.rename(aside)
        kept.mkdir() if what == "folder for a file" else kept.write_text("not a folder")

        def release() -> None:
            kept.rmdir() if kept.is_dir() else kept.unlink()
            aside.rename(kept)

        return self._refused(command, folder, known, release=release, without_rights=True)

    def _refused(
        self,
        command: str,
        folder: Path,
        known: Known,
        release: Callable[[], object] = lambda: None,
        **more: object,
    ) -> str:
        code, said = self.nursery.run(*arguments_of(command, folder), **more)
        release()
        if code not in (0, 2) or "Traceback" in said:
            return f"defect: exit code {code}: {said[-400:]}"
        expected = known.new if code == 0 else known.old
        if wrong := differences(results_of(folder), expected):
            return f"defect: exit code {code} ({said[-200:]!r}), yet {wrong}"
        if code == 2 and not said.strip():
            return "defect: refused without a word"
        return self.opens(folder) or self._after(command, folder, known, inputs_of(folder))

    # --- several at once ---

    def together(self, commands: list[str]) -> str:
        """Commands at once on one workspace: all of them must get through, one after the other."""
        wanted = self.template_after(frozenset(commands))
        folder = self.fresh()
        running = [self.nursery.start(*arguments_of(command, folder)) for command in commands]
        codes = [one.code() for one in running]
        if any(codes):
            return f"defect: {codes}: {[one.text[-200:] for one in running]}"
        wrong = differences(results_of(folder), wanted)
        return f"defect: {wrong}" if wrong else self.opens(folder) or "new"

    def template_after(self, commands: frozenset[str]) -> Files:
        """The results once these commands have run, one after the other."""
        files = dict(self.known(next(iter(commands))).old)
        for command in commands:
            known = self.known(command)
            for name in differences(known.old, known.new):
                files.pop(name, None)
                if name in known.new:
                    files[name] = known.new[name]
        return files

    def removed(self, command: str) -> str:
        """The workspace is removed while the command runs: it must not come back as a stump."""
        known, folder = self.known(command), self.fresh()
        running = self.nursery.start(*arguments_of(command, folder))
        time.sleep(self.chance.uniform(0.0, 1.1 * known.seconds))
        gone = folder.with_name("gone")
        shutil.rmtree(gone, ignore_errors=True)
        folder.rename(gone)
        code, said = running.code(), running.text
        if code not in (0, 2) or "Traceback" in said:
            return f"defect: exit code {code}: {said[-400:]}"
        if folder.exists():
            return f"defect: it came back: {sorted(folder.rglob('*'))[:5]}"
        gone.rename(folder)
        return self.opens(folder) or self._after(command, folder, known, inputs_of(folder))


def first_part(name: str) -> str:
    """The folder that a result lies in."""
    return name.split("/")[0]


def which(folder: Path, old: Files, new: Files) -> str:
    """Whether the results are all of the old or all of the new generation."""
    found = results_of(folder)
    if found == new:
        return "new"
    if found == old:
        return "old"
    return (
        f"defect: neither generation: {len(differences(found, old))} unlike the old, "
        f"{differences(found, new)[:6]} unlike the new"
    )


@contextmanager
def small_disk(place: Path, megabytes: int) -> Iterator[Path]:
    """A file system of its own in memory (root, Linux)."""
    place.mkdir(exist_ok=True)
    options = f"size={megabytes}m"
    subprocess.run(["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(place)], check=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def may_mount(place: Path) -> bool:
    """Whether this process may make file systems."""
    if os.geteuid() != 0 or not shutil.which("mount"):
        return False
    try:
        with small_disk(place, 1):
            return True
    except subprocess.CalledProcessError:
        return False


# --- beginning a workspace ---


def begin(trials: Trials, command: str, number: signal.Signals | None, limit: int | None) -> str:
    """Stop `new` or `demo` before the workspace stands, or let its files not be written; again."""
    folder = trials.scratch / "begun"
    reference = _begun_reference(trials, command)
    shutil.rmtree(folder, ignore_errors=True)
    more = {} if limit is None else {"largest_file_bytes": limit}
    running = trials.nursery.start(*_beginning(command, folder), sample=_sample(trials), **more)
    if number is not None:
        seconds = trials.chance.uniform(0.0, 0.25)
        if command == "demo" or trials.chance.random() < 0.6:
            wait_for(folder.exists, running)
            seconds = trials.chance.uniform(0.0, 0.01 if command == "new" else 4.0)
        time.sleep(seconds)
        with suppress(ProcessLookupError):
            running.kill(number)
    code, said = running.code(), running.text
    wanted = (0, 2) if number is None else (0, STOPPED[number])
    if code not in wanted or "Traceback" in said:
        return f"defect: exit code {code}: {said[-300:]}"
    outcome = "new" if code == 0 else "old"
    if (folder / "workspace.toml").exists() and whole(folder, reference):
        if found := trials.opens(folder):
            return found
        names = trials.commands if command == "demo" else ()
        steps = [arguments_of(name, folder) for name in names]
        for words in steps:
            if (done := trials.nursery.run(*words))[0]:
                return f"defect: {words}: {done}"
    elif (done := trials.nursery.run(*_beginning(command, folder), sample=_sample(trials)))[0]:
        return f"defect: cannot be begun again: {done}"
    if wrong := differences(inputs_of(folder), reference):
        return f"defect: {wrong}"
    stray = [path.name for path in (folder / "results").glob(".staging-*")]
    return f"defect: {stray}" if stray else outcome


def whole(folder: Path, reference: Files) -> bool:
    """Whether the last file that is written is there to its end."""
    return (folder / "workspace.toml").read_bytes() == reference["workspace.toml"]


def _beginning(command: str, folder: Path) -> list[str]:
    return [command, str(folder), *(["--no-pdf"] if command == "demo" else [])]


def _sample(trials: Trials) -> str:
    sample = trials.scratch / "sample"
    if not sample.exists():
        write_county(sample / "county")
    return str(sample)


def _begun_reference(trials: Trials, command: str) -> Files:
    folder = trials.scratch / f"reference-{command}"
    if not folder.exists():
        code, said = trials.nursery.run(*_beginning(command, folder), sample=_sample(trials))
        assert code == 0, said
    return inputs_of(folder)


__all__ = ["STORM", "Trials", "begin", "may_mount", "small_disk"]
