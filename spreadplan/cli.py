"""The `spreadplan` command: arguments, progress and exit codes. Imports late to start fast."""

from __future__ import annotations

import argparse
import errno
import gc
import inspect
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from functools import cache
from io import TextIOWrapper
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from spreadplan import __version__
from spreadplan.errors import BadInput, CannotWrite, Problem, refused_by_system

if TYPE_CHECKING:
    from spreadplan.runs import Options

DONE, DEFECT, BAD_INPUT = 0, 1, 2
#: How many threads linear algebra uses, for the libraries that numpy may be built with. They read
#: it when numpy is imported, and those of `serve` and of compiling inherit it.
THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


class _Commands:
    """Adds commands that all take a folder."""

    def __init__(self, parser: argparse.ArgumentParser) -> None:
        self._commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
        self._pdf = argparse.ArgumentParser(add_help=False)
        self._pdf.add_argument("--no-pdf", action="store_true", help="write the HTML reports only")

    def add(
        self,
        name: str,
        summary: str,
        *,
        folder: str = "WORKSPACE",
        storm: bool = False,
        reports: bool = False,
    ) -> argparse.ArgumentParser:
        """A command, with a storm and with reports where it has them."""
        parents = [self._pdf] if reports else []
        sub = self._commands.add_parser(name, help=summary, description=summary, parents=parents)
        sub.add_argument("folder", type=Path, metavar=folder)
        if storm:
            sub.add_argument("storm", metavar="STORM", help="a folder below storms/")
        return sub


def build_parser() -> argparse.ArgumentParser:
    """Every command with its options."""
    parser = argparse.ArgumentParser(
        prog="spreadplan",
        description="From spreader discharge tests to plans, cab cards and use of material.",
    )
    parser.add_argument("--version", action="version", version=f"spreadplan {__version__}")
    commands = _Commands(parser)
    commands.add(
        "demo",
        "copy the sample county to a new folder and run everything on it",
        folder="FOLDER",
        reports=True,
    )
    commands.add(
        "new", "write a starter workspace, with a page that explains each file", folder="FOLDER"
    )
    commands.add("check", "read every input and name every problem; writes nothing")
    _calibrate_command(commands)
    _storm_commands(commands)
    _season_command(commands)
    _web_commands(commands)
    return parser


def _calibrate_command(commands: _Commands) -> None:
    calibrate = commands.add(
        "calibrate", "discharge tests to discharge models and certificates", reports=True
    )
    calibrate.add_argument(
        "--as-of",
        metavar="DATE",
        help="judge the validity of tests at this date (default: today, or the end of the season "
        "if that is past)",
    )


def _storm_commands(commands: _Commands) -> None:
    plan = commands.add(
        "plan", "settings, material and loads for a storm, with cab cards", storm=True, reports=True
    )
    plan.add_argument(
        "--pick",
        choices=("low", "middle", "high", "by_round"),
        help="which end of a policy's rate range to use; kept in the storm's plan.toml (default: "
        "as kept there, else by_round: the middle first, the low end in later rounds)",
    )
    plan.add_argument(
        "--at",
        default="",
        metavar="TIME",
        help="plan the rest of the storm from what is known at this time",
    )
    _option_of_the_rest(plan)
    _weather_command(commands)
    _issue_commands(commands)
    scenarios = commands.add(
        "compare", "what if? plans of a storm side by side", storm=True, reports=True
    )
    scenarios.add_argument(
        "--without",
        action="append",
        default=[],
        metavar="TRUCK",
        help="a truck out of service (default: the one that carries the most)",
    )
    use = commands.add(
        "reconcile",
        "telemetry and tickets to what went where, against the plan",
        storm=True,
        reports=True,
    )
    use.add_argument(
        "--cluster",
        default="",
        metavar="ADDRESS",
        help="have the workers of the Dask scheduler at this address follow the trucks",
    )


def _weather_command(commands: _Commands) -> None:
    taken = commands.add(
        "weather", "add a file of weather from elsewhere to a storm's forecast", storm=True
    )
    taken.add_argument(
        "source", type=Path, metavar="FILE", help="CSV, JSON, CF-NetCDF or GRIB; nothing is fetched"
    )
    taken.add_argument(
        "--every", type=float, default=4.0, metavar="HOURS", help="hours of a round (default: 4)"
    )
    taken.add_argument(
        "--issued", default="", metavar="TIME", help="when it was issued (default: now)"
    )


def _issue_commands(commands: _Commands) -> None:
    issued = commands.add(
        "issue",
        "make the present plan the one in force; it is kept as it is and never changed",
        storm=True,
        reports=True,
    )
    issued.add_argument(
        "--at",
        default="",
        metavar="TIME",
        help="the time from which it is in force (default: now, or the storm's start where that "
        "lies outside the storm)",
    )
    _option_of_the_rest(issued)
    issued.add_argument("--by", default="", metavar="NAME", help="who issues it")
    issued.add_argument("--note", default="", metavar="TEXT", help="why")
    packed = commands.add("pack", "an issued plan as one file, to be kept elsewhere", storm=True)
    packed.add_argument("target", type=Path, metavar="FILE", help="the file to write, a zip")
    packed.add_argument(
        "--number", type=int, default=0, metavar="N", help="which issue (default: the last)"
    )
    verified = commands.add(
        "verify", "whether a file that pack wrote is as it was issued", folder="FILE"
    )
    for one in (packed, verified):
        one.add_argument(
            "--key",
            default="",
            metavar="KEYFILE",
            help="sign with the key in this file, or check that it was signed with it",
        )


def _option_of_the_rest(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--option",
        default="",
        metavar="OPTION",
        help="the way out for the rest of the storm, as plan_options.csv names it (default: others "
        "take over from trucks that are out, all else stays with its truck)",
    )


def _season_command(commands: _Commands) -> None:
    season = commands.add(
        "season", "every storm of the season: budgets, forecast, chloride, evidence", reports=True
    )
    season.add_argument(
        "--as-of",
        metavar="DATE",
        help="count the storms up to this date (default: today or the last record, whichever is "
        "later, within the season)",
    )


def _web_commands(commands: _Commands) -> None:
    serve = commands.add("serve", "open the web application on this workspace")
    serve.add_argument("--host", default="127.0.0.1", help="address to listen at (this computer)")
    serve.add_argument("--port", type=int, default=8642, help="port to listen at (default: 8642)")
    serve.add_argument(
        "--name", action="append", default=[], help="a further host name of this server"
    )
    serve.add_argument("--certificate", type=Path, metavar="FILE", help="serve over TLS with this")
    serve.add_argument("--key", type=Path, metavar="FILE", help="the certificate's private key")
    account = commands.add(
        "account", "give someone an account of the web application, or take it away"
    )
    account.add_argument("name", metavar="NAME")
    account.add_argument(
        "--role",
        choices=("read", "record", "plan", "administer"),
        help="what the account may do: each role includes those before it",
    )
    account.add_argument("--remove", action="store_true", help="take the account away")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code; without ``argv`` as a process of its own."""
    if argv is None:
        _be_thrifty()
    importing = _importing if argv is None else nullcontext
    _open_streams()
    _spell_out_what_cannot_be_shown()
    arguments = build_parser().parse_args(argv)
    with _stoppable():
        try:
            code = _judged(arguments, importing)
        except KeyboardInterrupt as stopped:
            _to_stderr("stopped; no file was left half written")
            return 128 + int(stopped.args[0] if stopped.args else signal.SIGINT)
    if argv is None:
        gc.freeze()  # nothing is looked through for rubbish when all of it goes
    return code or _unsaid()


def _be_thrifty() -> None:
    """Spend processor time on the work alone, unless the user has other wishes.

    Our matrices are small: several threads wait for each other longer than they compute, and so
    does a collector of rubbish that looks in again and again while modules are imported.
    """
    for name in THREADS:
        os.environ.setdefault(name, "1")
    gc.set_threshold(20_000, 20, 20)


@contextmanager
def _importing() -> Iterator[None]:
    """In a process of our own, spare what modules do over and over while they are imported.

    Nothing that is imported is ever looked through for rubbish. And each docstring is tidied once:
    matplotlib reads those of all ancestors for every class that can be drawn.
    """
    tidy = inspect.cleandoc
    gc.disable()
    vars(inspect)["cleandoc"] = cache(tidy)
    try:
        yield
    finally:
        vars(inspect)["cleandoc"] = tidy
        gc.freeze()
        gc.enable()


def _judged(
    arguments: argparse.Namespace, importing: Callable[[], AbstractContextManager[None]]
) -> int:
    """Run the command; errors that are meant for the user become lines of text."""
    try:
        _run(arguments, importing)
    except BadInput as error:
        for problem in error.problems:
            _to_stderr(str(problem) if problem.fatal else f"caution: {problem}")
        fatal = sum(problem.fatal for problem in error.problems)
        _to_stderr(f"{fatal} problem{'s' if fatal != 1 else ''}; nothing was changed")
        return BAD_INPUT
    except CannotWrite as error:
        _to_stderr(str(error))
        return BAD_INPUT
    except OSError as error:
        line = refused_by_system(error)
        if error.errno == errno.ENOENT and not arguments.folder.exists():
            line = f"{arguments.folder}: was removed while the command ran"
        if not line:
            raise
        _to_stderr(line)
        return BAD_INPUT
    return DONE


@contextmanager
def _stoppable() -> Iterator[None]:
    """A polite request to end, or a terminal that goes away, stops as Ctrl+C does."""
    ours = []
    if threading.current_thread() is threading.main_thread():
        wanted = [getattr(signal, name, None) for name in ("SIGTERM", "SIGHUP")]
        ours = [one for one in wanted if one and signal.getsignal(one) == signal.SIG_DFL]
    for number in ours:
        signal.signal(number, _stop)
    try:
        yield
    finally:
        for number in ours:
            signal.signal(number, signal.SIG_DFL)


def _stop(number: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt(number)


def _spell_out_what_cannot_be_shown() -> None:
    """Let a letter that the terminal or a file name's encoding lacks not stop a command."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _run(
    arguments: argparse.Namespace, importing: Callable[[], AbstractContextManager[None]]
) -> None:
    if arguments.command in ("serve", "account"):
        _run_web(arguments)
        return
    with importing():
        from spreadplan import runs

        getattr(runs, arguments.command)  # imports all that it needs
    options = runs.Options(
        pdf=not getattr(arguments, "no_pdf", False), say=_say, caution=_to_stderr, progress=progress
    )
    if arguments.command == "demo":
        runs.demo(arguments.folder, options)
    elif arguments.command == "new":
        runs.new(arguments.folder, options)
    elif arguments.command == "check":
        runs.check(arguments.folder, options)
    elif arguments.command == "calibrate":
        runs.calibrate(arguments.folder, options, as_of=arguments.as_of)
    elif arguments.command == "plan":
        _run_plan(arguments, options)
    elif arguments.command == "weather":
        said = {"every_h": arguments.every, "issued": arguments.issued}
        runs.weather(arguments.folder, arguments.storm, arguments.source, options, **said)
    elif arguments.command in ("issue", "pack", "verify"):
        _run_issues(arguments, options)
    elif arguments.command == "compare":
        runs.compare(arguments.folder, arguments.storm, options, arguments.without)
    elif arguments.command == "season":
        runs.season(arguments.folder, options, as_of=arguments.as_of)
    elif arguments.command == "reconcile":
        runs.reconcile(arguments.folder, arguments.storm, options, arguments.cluster)


def _run_plan(arguments: argparse.Namespace, options: Options) -> None:
    from spreadplan import runs

    folder, storm, at, option = (vars(arguments)[k] for k in ("folder", "storm", "at", "option"))
    if not at:
        runs.plan(folder, storm, options, pick=arguments.pick)
        return
    runs.plan_rest(folder, storm, at, options, option)


def _run_issues(arguments: argparse.Namespace, options: Options) -> None:
    from spreadplan import runs

    given, folder = vars(arguments), arguments.folder
    if arguments.command == "issue":
        said = {name: given[name] for name in ("at", "by", "note", "option")}
        runs.issue(folder, arguments.storm, options, **said)
    elif arguments.command == "pack":
        said = {name: given[name] for name in ("number", "key")}
        runs.pack(folder, arguments.storm, arguments.target, options, **said)
    else:
        runs.verify(folder, options, arguments.key)


def _run_web(arguments: argparse.Namespace) -> None:
    if arguments.command == "account":
        _account(arguments)
        return
    from spreadplan.web import serve

    serve(
        arguments.folder,
        arguments.host,
        arguments.port,
        arguments.name,
        arguments.certificate,
        arguments.key,
        _say,
    )


def _account(arguments: argparse.Namespace) -> None:
    """Ask for the password where nobody can look it up: on the terminal, or as a line of input."""
    import getpass

    from spreadplan.web.access.accounts import remove_account, save_account

    if arguments.remove or not arguments.role:
        if not arguments.remove:
            raise BadInput(
                [
                    Problem(
                        file="--role",
                        row=0,
                        column="*",
                        what="is missing",
                        remedy="add --role record",
                    )
                ]
            )
        remove_account(arguments.folder, arguments.name)
        _say(f"{arguments.name} has no account any more; sessions end at once")
        return
    ask = getpass.getpass if sys.stdin.isatty() else lambda _prompt: sys.stdin.readline()
    try:
        password = ask(f"password of {arguments.name}: ").rstrip("\r\n")
        password.encode("utf-8")
    except (EOFError, UnicodeError):
        what, remedy = "no password was given in letters", "type it, or send it as a line of UTF-8"
        raise BadInput(
            [Problem(file="password", row=0, column="*", what=what, remedy=remedy)]
        ) from None
    save_account(arguments.folder, arguments.name, arguments.role, password)
    _say(f"{arguments.name} may {arguments.role}")


# --- speaking, to whoever still listens ---

_lost: list[OSError] = []
"""Why standard output could not be written, other than that its reader has gone."""


def _open_streams() -> None:
    """Closed standard streams lead nowhere, rather than into the next file that is opened."""
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free: this one
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "r+", encoding="utf-8"))  # noqa: SIM115
    _lost.clear()


def _say(message: str) -> None:
    """Say it; the work goes on where nobody hears it any more, as with ``| head -1``."""
    try:
        print(message, flush=True)
    except OSError as error:
        if error.errno != errno.EPIPE:
            _lost.append(error)
        _lead_nowhere(1)


def _to_stderr(message: str) -> None:
    try:
        print(message, file=sys.stderr, flush=True)
    except OSError:
        _lead_nowhere(2)


def _lead_nowhere(number: int) -> None:
    """Let what is still waiting to be written vanish without another error."""
    with suppress(OSError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, number)
        os.close(nowhere)


def _unsaid() -> int:
    """The exit code of a command that is done: bad where what it had to say was lost."""
    if not _lost:
        return DONE
    _to_stderr(f"standard output: cannot be written ({_lost[0].strerror}); the work is done")
    return BAD_INPUT


@contextmanager
def progress(what: str, total: int) -> Iterator[Callable[[], None]]:
    """A bar on the terminal for work of many steps; silent where output goes to a file."""
    from tqdm import tqdm

    with tqdm(total=total, desc=what, unit="", disable=not sys.stderr.isatty()) as bar:

        def step() -> None:
            bar.update(1)

        yield step


if __name__ == "__main__":
    sys.exit(main())
