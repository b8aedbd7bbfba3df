"""Do the intervals hold where the world is not as assumed? A table by condition, worst first.

Run: ``python -m tests.benchmarks.adverse.trial [--list] [--condition NAME ...] [--workspaces N]
[--seed S]
[--only tests|records] [--lines FILE.csv] [--from FILE.csv] [--markdown FILE.md] [--keep FOLDER]``.

Every workspace is a season of five trucks and six storms, written as files under one of the
`conditions`, then calibrated, planned, reconciled and added up by the program's own functions.
``--lines`` keeps every single answer; ``--from FILE.csv`` makes the tables from such a file again.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from pathlib import Path

import pandas as pd

from tests.benchmarks.adverse.conditions import names
from tests.benchmarks.adverse.county import play, settle
from tests.benchmarks.adverse.report import markdown
from tests.benchmarks.adverse.scoring import score, score_records, score_tests


def season(condition: str, seed: int, keep: Path | None, only: str = "") -> pd.DataFrame:
    """All answers of one season, with its condition and number.

    ``only`` : "tests" or "records" leaves out what takes long.
    """
    place = Path(tempfile.mkdtemp(prefix="adverse-")) if keep is None else keep
    folder = place / f"{condition.replace(',', '').replace(' ', '-')}-{seed}"
    shutil.rmtree(folder, ignore_errors=True)
    try:
        county, roads, calibration = settle(folder, condition, seed)
        found = [score_tests(county, calibration)]
        if only != "tests":
            played = play(folder, county, roads, calibration)
            found.append(score_records(played) if only == "records" else score(played))
        table = pd.concat(found, ignore_index=True)
        return table.assign(condition=condition, workspace=seed)
    finally:
        if keep is None:
            shutil.rmtree(place)


def main() -> None:
    """Play the seasons and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--list", action="store_true", help="say which conditions there are")
    parser.add_argument("--condition", action="append", default=[], choices=names(), metavar="NAME")
    parser.add_argument("--workspaces", type=int, default=8)
    parser.add_argument(
        "--only",
        choices=("tests", "records"),
        default="",
        help="calibration alone, or reported masses alone: fast",
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--lines", type=Path)
    parser.add_argument("--from", type=Path, action="append", dest="kept")
    parser.add_argument("--markdown", type=Path)
    parser.add_argument("--keep", type=Path, help="leave the workspaces here")
    args = parser.parse_args()
    if args.list:
        print("\n".join(names()))
        return
    if args.kept:
        lines = pd.concat([pd.read_csv(one) for one in args.kept], ignore_index=True)
    else:
        lines = _played(args)
    text = markdown(lines)
    print(text)
    if args.markdown:
        args.markdown.write_text(text + "\n", "utf-8")


def _played(args: argparse.Namespace) -> pd.DataFrame:
    found = []
    for condition in args.condition or names():
        began = time.process_time()
        for number in range(args.workspaces):
            found.append(season(condition, args.seed + number, args.keep, args.only))
            if args.lines:
                first = len(found) == 1
                found[-1].to_csv(args.lines, index=False, header=first, mode="w" if first else "a")
        spent = time.process_time() - began
        print(f"{condition}: {spent:.0f} s of processor time", file=sys.stderr)
    return pd.concat(found, ignore_index=True)


if __name__ == "__main__":
    main()
