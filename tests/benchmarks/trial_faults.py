"""What kills, full disks, missing rights and company do to every writing command. Run by hand:

    python tests/benchmarks/trial_faults.py [--trials N] [--seed S] [--only WORD]

Each trial starts with results of an old generation and disturbs a command that makes the new one;
afterwards the workspace must open, all files must be of one generation, and the next command must
leave nothing behind. The table counts what was found; exits with 1 where there was a defect. A full
disk needs root, for a small file system in memory; it is left out otherwise.
"""

from __future__ import annotations

import argparse
import signal
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.faults.rig import COMMANDS, Nursery
from tests.faults.serving import account_killed, serve_killed
from tests.faults.trials import Trials, begin, may_mount, small_disk

PAIRS = (["calibrate", "plan"], ["plan", "plan"], ["reconcile", "season"], ["plan", "compare"])


def main() -> int:
    """Try, and print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=5, help="of each fault and command")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="faults or commands whose name has this word")
    arguments = parser.parse_args()
    wrong = 0
    with TemporaryDirectory() as place:
        scratch = Path(place)
        with Nursery(scratch) as nursery:
            trials = Trials(nursery, scratch, arguments.seed)
            print(f"{'command':20} {'fault':34} trials   old   new  defects")
            for command, fault, once in every(trials, scratch):
                if arguments.only in f"{command} {fault}":
                    wrong += row(command, fault, once, arguments.trials)
    return 1 if wrong else 0


def row(command: str, fault: str, once: Callable[[], str], trials: int) -> int:
    """Repeat one trial; the number of defects."""
    found = [once() for _ in range(trials)]
    count = Counter(one.split(":")[0] for one in found)
    print(
        f"{command:20} {fault:34} {trials:6} {count['old']:5} {count['new']:5} {count['defect']:8}",
        flush=True,
    )
    for one in dict.fromkeys(one for one in found if one.startswith("defect")):
        print(f"    {one}", flush=True)
    return count["defect"]


def every(trials: Trials, scratch: Path) -> Iterator[tuple[str, str, Callable[[], str]]]:
    """Command, fault, and the trial."""
    for command in COMMANDS:
        for when in ("anywhen", "staging", "moving"):
            yield (
                command,
                f"kill -9, {when}",
                lambda c=command, w=when: trials.stop(c, signal.SIGKILL, w),
            )
        for number in (signal.SIGTERM, signal.SIGINT):
            for when in ("anywhen", "moving"):
                yield (
                    command,
                    f"{number.name}, {when}",
                    lambda c=command, n=number, w=when: trials.stop(c, n, w),
                )
        yield command, "files of limited size", lambda c=command: trials.small_files(c)
        for what in ("read-only", "folder for a file", "file for a folder"):
            yield command, what, lambda c=command, w=what: trials.no_right(c, w)
        yield command, "workspace removed", lambda c=command: trials.removed(c)
    if may_mount(scratch / "disk"):
        with small_disk(scratch / "disk", 8) as disk:
            for command in COMMANDS:
                yield command, "full disk", lambda c=command: trials.full_disk(c, disk)
    for pair in PAIRS:
        yield " + ".join(pair), "at once", lambda p=pair: trials.together(p)
    for command in ("new", "demo"):
        for number in (signal.SIGKILL, signal.SIGTERM):
            yield command, number.name, lambda c=command, n=number: begin(trials, c, n, None)
        yield (
            command,
            "files of limited size",
            lambda c=command: begin(trials, c, None, trials.chance.randrange(12_000)),
        )
    yield "account", "kill -9", lambda: account_killed(trials)
    yield "serve", "kill -9 under load", lambda: serve_killed(trials)


if __name__ == "__main__":
    sys.exit(main())
