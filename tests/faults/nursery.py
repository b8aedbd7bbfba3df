"""A process that has imported everything and starts commands by forking: each takes a moment.

Run as ``python -m tests.faults.nursery``; reads one JSON object a line, answers one a line.
``{"start": {...}}`` gives ``{"pid": ...}``; ``{"wait": pid, "block": bool}`` gives its ``code``,
below zero for a signal and null while it runs. `tests.faults.rig.Nursery` names what may be asked.
"""

from __future__ import annotations

import ctypes
import gc
import json
import os
import resource
import signal
import sys
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Any

import spreadplan.reports.render
import spreadplan.runs.starting as starting
import spreadplan.web.access.accounts
import spreadplan.web.app  # noqa: F401
import spreadplan.web.work.worker as worker
from spreadplan import cli
from tests.blank_charts import blank_charts
from tests.faults.rig import arguments_of


def main() -> None:
    """Serve until the input ends. With a folder, run commands on the county in it beforehand."""
    with blank_charts():  # what is at issue is how files are put in place
        if len(sys.argv) > 1:
            _warm_up(Path(sys.argv[1]), sys.argv[2:])
        gc.freeze()
        print(json.dumps({"ready": True}), flush=True)
        for line in sys.stdin:
            print(json.dumps(_answer(json.loads(line))), flush=True)


def _answer(asked: dict[str, Any]) -> dict[str, Any]:
    if "start" in asked:
        return {"pid": _start(asked["start"])}
    return {"code": _code(asked["wait"], asked["block"])}


_over: dict[int, int] = {}


def _code(pid: int, block: bool) -> int | None:
    if pid not in _over:
        ended, status = os.waitpid(pid, 0 if block else os.WNOHANG)
        if not ended:
            return None
        _over[pid] = os.waitstatus_to_exitcode(status)
    return _over[pid]


def _warm_up(folder: Path, commands: list[str]) -> None:
    """Let commands load what they load on first use, so that forks need not."""
    for command in commands:
        with redirect_stdout(StringIO()), redirect_stderr(StringIO()) as said:
            assert cli.main(arguments_of(command, folder)) == 0, said.getvalue()


def _start(asked: dict[str, Any]) -> int:
    pid = os.fork()
    if pid:
        _over.pop(pid, None)  # numbers come again
        return pid
    code = 70
    try:
        code = _child(asked)
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
    except SystemExit as stopped:
        code = int(stopped.code or 0)
    except BaseException:
        import traceback

        traceback.print_exc()
        code = 1
    finally:
        os._exit(code)


def _child(asked: dict[str, Any]) -> int:
    os.setsid()
    signal.signal(signal.SIGINT, signal.default_int_handler)
    _streams(asked)
    os.environ.update(asked.get("environment", {}))
    if "sample" in asked:  # a county small enough to run everything on it many times
        starting.resource = lambda name: Path(asked["sample"])
        starting.SHOWN_STORM = "s1"
    if asked.get("without_rights"):
        _give_up_rights()
    if "largest_file_bytes" in asked:
        limit = asked["largest_file_bytes"]
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    if asked.get("worker"):
        sys.argv[1:] = asked["arguments"]
        return worker.run()
    return cli.main(asked["arguments"])


def _streams(asked: dict[str, Any]) -> None:
    """Files in place of the standard streams; None closes one."""
    wanted = os.O_WRONLY | os.O_CREAT | os.O_APPEND
    streams = {
        "stdin": (asked.get("stdin", os.devnull), os.O_RDONLY),
        "stdout": (asked["stdout"], wanted),
        "stderr": (asked["stderr"], wanted),
    }
    for number, (name, (path, flags)) in enumerate(streams.items()):
        if path is None:  # closed, as the interpreter finds it then
            os.close(number)
            setattr(sys, name, None)
            continue
        opened = os.open(path, flags, 0o644)
        os.dup2(opened, number)
        os.close(opened)
        mode = "r" if name == "stdin" else "w"
        setattr(sys, name, open(number, mode, encoding="utf-8", closefd=False))  # noqa: SIM115


def _give_up_rights() -> None:
    """Let go of all of root's special rights, so that the modes of files count (Linux)."""
    header = (ctypes.c_uint32 * 2)(0x20080522, 0)
    nothing = (ctypes.c_uint32 * 6)()
    if os.geteuid() == 0 and ctypes.CDLL(None).capset(header, nothing) != 0:
        raise OSError("rights cannot be given up")


if __name__ == "__main__":
    main()
