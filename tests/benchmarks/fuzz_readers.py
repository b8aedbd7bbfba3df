"""Spoil every file of a small workspace in many ways and count what the readers make of it.

    python tests/benchmarks/fuzz_readers.py --cases 20000 --seed 0

A child process with limited memory runs the cases; its parent ends it where a case takes too long
and goes on with the next. Of the accepted workspaces some go on through calibrate, plan, reconcile
and season. Prints the counts of each reader, and every defect with the number that makes it again:

    python tests/benchmarks/fuzz_readers.py --only 1234
"""

from __future__ import annotations

import argparse
import multiprocessing
import resource
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from multiprocessing.connection import Connection
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from spreadplan import runs
from tests.hostile.engine import (
    ACCEPTED,
    DEFECT,
    Outcome,
    case,
    check,
    lay_out,
    outcome,
    quiet,
    read_alone,
)

SECONDS = 60
GIGABYTES = 4
COMMANDS = {
    "calibrate": lambda folder: runs.calibrate(folder, quiet()),
    "plan": lambda folder: runs.plan(folder, "s1", quiet()),
    "reconcile": lambda folder: runs.reconcile(folder, "s1", quiet()),
    "season": lambda folder: runs.season(folder, quiet()),
}


def work(pipe: Connection, first: int, last: int, every: tuple[int, int]) -> None:
    """Run cases and send what came of each: seed, what was done, file and spoiling, outcome."""
    resource.setrlimit(resource.RLIMIT_AS, (GIGABYTES << 30, GIGABYTES << 30))
    with tempfile.TemporaryDirectory() as place:
        accepted = 0
        for seed in range(first, last):
            one = case(seed)
            folder = lay_out(one, Path(place) / "workspace")
            about = f"{one.reader} ({one.how})"
            found = outcome(folder, read_alone(one))
            pipe.send((seed, "", about, found))
            if seed % every[0]:
                continue
            found = outcome(folder, check)
            pipe.send((seed, "check", about, found))
            accepted += found.kind == ACCEPTED
            if found.kind == ACCEPTED and accepted % every[1] == 0:
                for name, command in COMMANDS.items():
                    pipe.send((seed, name, about, outcome(folder, command)))
    pipe.send(None)


def campaign(
    first: int, last: int, every: tuple[int, int]
) -> Iterator[tuple[int, str, str, Outcome]]:
    """Outcomes of all cases, whatever becomes of the process that runs them."""
    context = multiprocessing.get_context("spawn")
    while first < last:
        ours, theirs = context.Pipe(duplex=False)
        child = context.Process(target=work, args=(theirs, first, last, every), daemon=True)
        child.start()
        theirs.close()
        wait = SECONDS + 180.0  # the child has to start
        while True:
            try:
                told = ours.recv() if ours.poll(wait) else "slow"
            except EOFError:
                told = "dead"
            wait = SECONDS
            if isinstance(told, str):
                child.kill()
                child.join()
                yield (
                    first,
                    "",
                    f"{case(first).reader} or all",
                    Outcome(DEFECT, f"{told}: exit code {child.exitcode}"),
                )
                first += 1
                break
            if told is None:
                child.join()
                return
            # what is still to come of this case may be what ends the child
            first = told[0] + (0 if told[1] == "" and told[0] % every[0] == 0 else 1)
            yield told


def main() -> int:
    """Run the campaign and print its counts."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--cases", type=int, default=5_000)
    parser.add_argument("--seed", type=int, default=0, help="number of the first case")
    parser.add_argument("--check", type=int, default=5, help="check the whole of one in so many")
    parser.add_argument(
        "--further", type=int, default=5, help="all commands on one in so many more"
    )
    parser.add_argument("--only", type=int, help="run this case alone")
    parser.add_argument("--minutes", type=float, default=1e9, help="stop after so long")
    given = parser.parse_args()
    first, last, every = given.seed, given.seed + given.cases, (given.check, given.further)
    if given.only is not None:
        first, last, every = given.only, given.only + 1, (1, 1)
    counts: dict[str, Counter[str]] = {}
    end = time.monotonic() + 60 * given.minutes
    for seed, command, about, found in campaign(first, last, every):
        counts.setdefault(command or about.partition(" ")[0], Counter())[found.kind] += 1
        if found.kind == DEFECT or given.only is not None:
            print(f"case {seed} {command} {about}: {found.kind} {found.words}\n", flush=True)
        if time.monotonic() > end:
            break
    print(f"{'read':40} {'ran':>7} {'refused':>8} {'accepted':>9} {'defects':>8}")
    for name, count in [*sorted(counts.items()), ("all", sum(counts.values(), Counter()))]:
        ran = count.total()
        print(f"{name:40} {ran:7} {count['refused']:8} {count['accepted']:9} {count['defect']:8}")
    return 1 if sum(counts.values(), Counter())[DEFECT] else 0


if __name__ == "__main__":
    sys.exit(main())
