"""Runs one command for the server and tells how it goes, one JSON object a line.

``python -m spreadplan.web.work.worker COMMAND WORKSPACE STORM``
"""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path

from spreadplan import runs
from spreadplan.errors import BadInput, CannotWrite, refused_by_system


def tell(**told: object) -> None:
    """Tell the server something; where it is gone nobody waits for the work any more."""
    try:
        print(json.dumps(told), flush=True)
    except BrokenPipeError:
        raise KeyboardInterrupt from None


@contextmanager
def tell_progress(what: str, total: int) -> Iterator[Callable[[], None]]:
    """Progress that the server shows; at most a hundred steps are told."""
    done = told = 0
    tell(stage=what, share=0.0)

    def step() -> None:
        nonlocal done, told
        done += 1
        hundredths = 100 * done // max(total, 1)
        if hundredths > told:
            told = hundredths
            tell(stage=what, share=min(1.0, hundredths / 100))

    yield step
    tell(stage=what, share=1.0)


def main(argv: Sequence[str]) -> int:
    """Run a command; 0 done, 2 bad input or a disk that cannot be written."""
    command, folder, storm = argv[0], Path(argv[1]), argv[2]
    options = runs.Options(
        say=lambda text: tell(say=text), caution=lambda text: tell(say=text), progress=tell_progress
    )
    function = getattr(runs, command, None)
    if function is None:
        tell(say=f"{command} is not available in this version")
        return 2
    arguments = (folder, storm, options) if storm else (folder, options)
    try:
        function(*arguments)
    except BadInput as error:
        tell(problems=[asdict(problem) for problem in error.problems])
        return 2
    except CannotWrite as error:
        tell(say=str(error))
        return 2
    except OSError as error:
        line = refused_by_system(error)
        if not line:
            raise
        tell(say=line)
        return 2
    return 0


def run() -> int:
    """As a process: a request to end stops the work at a moment at which files are whole."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        return main(sys.argv[1:])
    except KeyboardInterrupt:
        os._exit(130)  # also where what was told last can no longer be written


if __name__ == "__main__":
    sys.exit(run())
