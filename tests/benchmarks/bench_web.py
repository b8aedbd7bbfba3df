"""How fast the web application answers, and whether it stays right under load. Run by hand:

    python tests/benchmarks/bench_web.py [WORKSPACE] [--people 12] [--seconds 15]

A server of its own is started on a free port of this computer, over a copy of the workspace (the
sample county without one). First each page is asked for alone, again and again; then many people
look at pages at once while two of them record discharge tests. At the end every recorded test must
be in the files, exactly once. Exits with 1 where a page is slower than 100 ms at the median when
asked for alone, where an answer was wrong, or where a record was lost.
"""

from __future__ import annotations

import argparse
import random
import re
import shutil
import socket
import statistics
import subprocess
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import httpx2 as httpx

from spreadplan.errors import CannotWrite
from spreadplan.resources import resource
from spreadplan.web.files.edits import Add
from spreadplan.web.files.store import InputStore

ALONE = 25
FEW = 2
#: Between two tests of one person: quicker than anyone weighs, since each save outdates all plans.
PAUSE_S = 5.0
MEDIAN_MS = 100.0


def main() -> int:
    """Measure and judge."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("workspace", type=Path, nargs="?")
    parser.add_argument("--people", type=int, default=12)
    parser.add_argument("--seconds", type=float, default=15.0)
    arguments = parser.parse_args()
    source = arguments.workspace or resource("sample_routes") / "county"
    with TemporaryDirectory() as place:
        folder = Path(place) / "workspace"
        shutil.copytree(source, folder)
        with served(folder) as address:
            pages = pages_of(address)
            slow = measure_alone(address, pages)
            wrong = measure_together(address, folder, pages, arguments.people, arguments.seconds)
    return 1 if slow or wrong else 0


@contextmanager
def served(folder: Path) -> Iterator[str]:
    """The address of a server in a process of its own."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "spreadplan.cli", "serve", str(folder), "--port", str(port)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    address = f"http://127.0.0.1:{port}"
    try:
        for _ in range(300):
            try:
                httpx.get(f"{address}/healthz").raise_for_status()
                break
            except httpx.TransportError:
                time.sleep(0.1)
        yield address
    finally:
        process.terminate()
        process.wait(10)


def pages_of(address: str) -> list[str]:
    """Pages that the first two levels of links lead to: of each kind, a few."""
    found = {"/"}
    with httpx.Client(base_url=address, timeout=120) as client:
        for _ in range(2):
            for page in sorted(found):
                links = re.findall(r'<a [^>]*href="(/[^"#]*)"', client.get(page).text)
                found |= {link.replace("&amp;", "&") for link in links if "/results/" not in link}
            found = few_of_each_kind(found)
        answers = {page: client.get(page).status_code for page in sorted(found)}
    for page in [page for page, status in answers.items() if status != 200]:
        print(f"{page}: {answers[page]}, left out")
    return [page for page, status in answers.items() if status == 200]


def few_of_each_kind(pages: set[str]) -> set[str]:
    """Pages that differ only in the storm, truck or route are of one kind."""
    kept: dict[str, list[str]] = defaultdict(list)
    for page in sorted(pages):
        path, mark, _ = page.partition("?")
        parts = path.strip("/").split("/")
        kept["/".join([*parts[:1], *parts[2:3], str(len(parts)), mark])].append(page)
    return {page for kind in kept.values() for page in kind[-FEW:]}


def measure_alone(address: str, pages: list[str]) -> list[str]:
    """Each page asked for alone; gives those slower than they should be."""
    slow = []
    with httpx.Client(base_url=address, timeout=60) as client:
        for page in pages:
            taken = []
            for _ in range(ALONE):
                start = time.perf_counter()
                client.get(page).raise_for_status()
                taken.append(1000 * (time.perf_counter() - start))
            median = statistics.median(taken)
            print(f"{median:7.1f} ms median, {max(taken):7.1f} ms at most: {page}")
            if median > MEDIAN_MS:
                slow.append(page)
    return slow


def measure_together(
    address: str, folder: Path, pages: list[str], people: int, seconds: float
) -> bool:
    """Many at once, two of whom record tests; whether something was wrong or lost."""
    taken: dict[str, list[float]] = defaultdict(list)
    faults: list[str] = []
    recorded: list[str] = []
    end = time.monotonic() + seconds

    def look(person: int) -> None:
        choose = random.Random(person)
        with httpx.Client(base_url=address, timeout=60) as client:
            while time.monotonic() < end:
                page = choose.choice(pages)
                start = time.perf_counter()
                status = client.get(page).status_code
                taken[page].append(1000 * (time.perf_counter() - start))
                if status != 200:
                    faults.append(f"{page}: {status}")

    def record(person: int) -> None:
        store = InputStore(folder)  # as a second server over the same files would
        first = store.rows("discharge_tests.csv")[-1].values
        for number in range(1_000):
            if time.monotonic() >= end:
                return
            test_id = f"LOAD-{person}-{number}"
            try:
                values = {**first, "test_id": test_id}
                store.apply([Add("discharge_tests.csv", values)], f"person {person}", "load test")
                recorded.append(test_id)
            except CannotWrite as error:
                faults.append(str(error))
            time.sleep(PAUSE_S)

    threads = [threading.Thread(target=look, args=(n,)) for n in range(people)]
    threads += [threading.Thread(target=record, args=(n,)) for n in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    every = sorted(one for some in taken.values() for one in some)
    print(
        f"{people} people at once: {len(every) / seconds:.0f} pages/s, median "
        f"{statistics.median(every):.0f} ms, 95 % within {every[int(0.95 * len(every))]:.0f} ms"
    )
    there = [row.values["test_id"] for row in InputStore(folder).rows("discharge_tests.csv")]
    lost = [test_id for test_id in recorded if there.count(test_id) != 1]
    print(
        f"{len(recorded)} tests recorded meanwhile, {len(lost)} lost, {len(faults)} wrong answers"
    )
    for fault in faults[:5]:
        print(fault)
    return bool(lost or faults)


if __name__ == "__main__":
    sys.exit(main())
