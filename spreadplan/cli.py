"""The `spreadplan` command: arguments, progress and exit codes. Imports late to start fast."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from spreadplan import __version__
from spreadplan.errors import BadInput, CannotWrite, Problem

DONE, DEFECT, BAD_INPUT = 0, 1, 2


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
        choices=("low", "middle", "high"),
        default="middle",
        help="which end of a policy's rate range to use (default: middle)",
    )
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
    """Run one command and return its exit code."""
    arguments = build_parser().parse_args(argv)
    try:
        _run(arguments)
    except BadInput as error:
        for problem in error.problems:
            print(problem, file=sys.stderr)
        fatal = sum(problem.fatal for problem in error.problems)
        print(f"{fatal} problem{'s' if fatal != 1 else ''}; nothing was changed", file=sys.stderr)
        return BAD_INPUT
    except CannotWrite as error:
        print(error, file=sys.stderr)
        return BAD_INPUT
    except KeyboardInterrupt:
        print("stopped; nothing was changed", file=sys.stderr)
        return 130
    return DONE


def _run(arguments: argparse.Namespace) -> None:
    if arguments.command in ("serve", "account"):
        _run_web(arguments)
        return
    from spreadplan import runs

    say: Callable[[str], None] = print
    options = runs.Options(
        pdf=not getattr(arguments, "no_pdf", False), say=say, caution=_to_stderr, progress=progress
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
        runs.plan(arguments.folder, arguments.storm, options, pick=arguments.pick)
    elif arguments.command == "compare":
        runs.compare(arguments.folder, arguments.storm, options, arguments.without)
    elif arguments.command == "season":
        runs.season(arguments.folder, options, as_of=arguments.as_of)
    elif arguments.command == "reconcile":
        runs.reconcile(arguments.folder, arguments.storm, options, arguments.cluster)


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
    )


def _account(arguments: argparse.Namespace) -> None:
    """Ask for the password where nobody can look it up: on the terminal, or as a line of input."""
    import getpass

    from spreadplan.web.accounts import remove_account, save_account

    if arguments.remove or not arguments.role:
        if not arguments.remove:
            raise BadInput([Problem("--role", 0, "*", "is missing", "add --role record")])
        remove_account(arguments.folder, arguments.name)
        print(f"{arguments.name} has no account any more; sessions end at once")
        return
    ask = getpass.getpass if sys.stdin.isatty() else lambda _prompt: sys.stdin.readline()
    password = ask(f"password of {arguments.name}: ").rstrip("\r\n")
    save_account(arguments.folder, arguments.name, arguments.role, password)
    print(f"{arguments.name} may {arguments.role}")


def _to_stderr(message: str) -> None:
    print(message, file=sys.stderr)


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
