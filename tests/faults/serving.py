"""Kills of the web application under load, and of `account`: what was acknowledged is there."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import httpx2 as httpx

from spreadplan.web.access.accounts import read_accounts, save_account
from tests.faults.rig import Running, arguments_of, inputs_of, results_of, wait_for
from tests.faults.trials import Trials

WRITERS = 3
TEST = {
    "material": "salt",
    "performed_at": "2026-10-22T09:00",
    "gate_in": "2",
    "feeder_pct": "75",
    "duration_s": "60",
}
RECORD = (
    "truck_id,time,lon,lat,speed_mph,heading_deg,spreading,feed_total_lb,material\n"
    "T2,2026-12-01T11:{minute:02d}:{second:02d}Z,-93.95,46.05,20,90,1,{total},salt\n"
)


@dataclass
class Acknowledged:
    """What the server said that it has kept, and what it answered otherwise."""

    tests: list[str] = field(default_factory=list)
    files: dict[str, str] = field(default_factory=dict)
    odd: Counter[str] = field(default_factory=Counter)

    def __len__(self) -> int:
        return len(self.tests) + len(self.files)


@contextmanager
def server(trials: Trials, folder: Path) -> Iterator[tuple[Running, str]]:
    """The web application in a process of its own, that answers."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    running = trials.nursery.start("serve", folder, "--port", port)
    address = f"http://127.0.0.1:{port}"
    try:
        assert wait_for(lambda: _answers(address), running), running.text
        yield running, address
    finally:
        with suppress(ProcessLookupError):
            running.kill()


def _answers(address: str) -> bool:
    try:
        return httpx.get(f"{address}/healthz", timeout=5).status_code == 200
    except httpx.TransportError:
        return False


@contextmanager
def load(address: str, kept: Acknowledged, jobs: bool) -> Iterator[None]:
    """People who save tests and drop files, and one who has work done, while the block runs."""
    over = threading.Event()
    people = [*((_save_tests, n) for n in range(WRITERS)), (_drop_files, 0)]
    people += [(_start_jobs, 0)] if jobs else []

    def person(does: object, number: int) -> None:
        with httpx.Client(base_url=address, timeout=30) as client, suppress(httpx.TransportError):
            token = re.search(r'name="csrf" content="([^"]+)"', client.get("/jobs").text)
            assert token
            client.headers["x-csrf-token"] = token[1]
            for turn in range(10_000):
                if over.is_set():
                    return
                does(client, kept, number, turn)  # type: ignore[operator]

    threads = [threading.Thread(target=person, args=each) for each in people]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        over.set()
        for thread in threads:
            thread.join()


def _save_tests(client: httpx.Client, kept: Acknowledged, person: int, turn: int) -> None:
    test_id = f"P{person}-{turn}"
    body = {
        "test_id": test_id,
        "test": TEST,
        "weighings": [{"method": "container", "gross_lb": "456", "tare_lb": "6"}],
    }
    answer = client.post("/trucks/T1/tests", json=body)
    if answer.status_code == 201:
        kept.tests.append(test_id)
    else:
        kept.odd[f"test {answer.status_code} {answer.text[:120]}"] += 1


def _drop_files(client: httpx.Client, kept: Acknowledged, _person: int, turn: int) -> None:
    content = RECORD.format(minute=turn // 60, second=turn % 60, total=turn)
    answer = client.put(f"/storms/s1/telemetry/dropped-{turn}.csv", content=content)
    if answer.status_code == 201:
        kept.files[f"storms/s1/telemetry/dropped-{turn}.csv"] = content
    else:
        kept.odd[f"file {answer.status_code} {answer.text[:120]}"] += 1


def _start_jobs(client: httpx.Client, kept: Acknowledged, _person: int, turn: int) -> None:
    command = ("calibrate", "plan")[turn % 2]
    form = {"command": command, "storm": "s1" if command == "plan" else ""}
    answer = client.post("/jobs", data={**form, "csrf": client.headers["x-csrf-token"]})
    if answer.status_code not in (202, 303):
        kept.odd[f"job {answer.status_code} {answer.text[:120]}"] += 1
    time.sleep(0.3)


def serve_killed(trials: Trials, seconds: float = 3.0, jobs: bool = True) -> str:
    """Kill the server under load; it starts again, and all that it acknowledged is there."""
    folder = trials.fresh()
    kept = Acknowledged()
    with server(trials, folder) as (running, address), load(address, kept, jobs):
        wait_for(lambda: bool(len(kept)), running)
        time.sleep(trials.chance.uniform(0.0, seconds))
        running.kill()
        running.code()
    if kept.odd:
        return f"defect: {dict(kept.odd)}"
    with server(trials, folder) as (running, _address):
        if found := lost(folder, kept) or left_over(folder):
            return found
        running.kill(signal.SIGTERM)
        if (code := running.code()) or "Traceback" in running.text:
            return f"defect: stopped with {code}: {running.text[-300:]}"
    if list((folder / ".history").glob("server-*")):
        return "defect: a server that was stopped is still noted down"
    found = _results_whole(trials, folder) if jobs else ""
    return trials.opens(folder) or found or "new"


def lost(folder: Path, kept: Acknowledged) -> str:
    """A defect where something that was acknowledged is not there, once, as a whole."""
    for file in ("discharge_tests.csv", "weighings.csv"):
        there = Counter(line.split(",")[0] for line in (folder / file).read_text().splitlines())
        odd = [name for name in kept.tests if there[name] != 1]
        if odd:
            return f"defect: in {file}: {odd}"
    for file, content in kept.files.items():
        if not (folder / file).exists() or (folder / file).read_text() != content:
            return f"defect: {file} is lost"
    entries = [
        json.loads(line) for line in (folder / ".history/changes.jsonl").read_text().splitlines()
    ]
    if [entry["number"] for entry in entries] != list(range(1, len(entries) + 1)):
        return f"defect: the history counts {[entry['number'] for entry in entries]}"
    told = {row["after"]["test_id"] for entry in entries for row in entry["rows"]}
    added = {file for entry in entries for file in entry["added"]}
    missing = {*kept.tests} - told | {*kept.files} - added
    if missing:
        return f"defect: not in the history: {sorted(missing)}"
    if outside := [entry["what"] for entry in entries if entry["who"] == "outside"]:
        return f"defect: taken for changes from outside: {outside}"
    return ""


def left_over(folder: Path) -> str:
    """A defect where drafts were left behind."""
    known = {"changes.jsonl", "lock"}
    left = [
        path.name
        for path in (folder / ".history").iterdir()
        if path.name not in known and not path.name.startswith("server-")
    ]
    servers = list((folder / ".history").glob("server-*"))
    return f"defect: left behind: {left}" if left or len(servers) > 1 else ""


def _results_whole(trials: Trials, folder: Path) -> str:
    """Once the next command has run, all results are as the inputs say."""
    for command in ("calibrate", "plan"):
        code, said = trials.nursery.run(*arguments_of(command, folder))
        if code:
            return f"defect: {command}: {said[-300:]}"
    stray = [name for name in results_of(folder) if "staging" in name]
    return f"defect: {stray}" if stray else ""


def account_killed(trials: Trials) -> str:
    """Kill `account` in the middle: the accounts are those before or those after."""
    folder = trials.fresh()
    save_account(folder, "ann", "plan", "four plain words here")
    before = read_accounts(folder)
    secret = trials.scratch / "secret"
    secret.write_text("four other plain words\n")
    words = ("account", folder, "ben", "--role", "read")
    running = trials.nursery.start(*words, stdin=str(secret))
    if trials.chance.random() < 0.5:
        wait_for(lambda: any(folder.glob("..accounts.toml*")), running)
    else:
        time.sleep(trials.chance.uniform(0.0, 0.3))
    with suppress(ProcessLookupError):
        os.kill(running.pid, signal.SIGKILL)
    running.code()
    after = read_accounts(folder)
    if {name: after[name] for name in after if name != "ben"} != before:
        return f"defect: {sorted(after)}"
    if (done := trials.nursery.run(*words, stdin=str(secret)))[0]:
        return f"defect: {done}"
    drafts = [name for name in inputs_of(folder) if name.startswith("..accounts")]
    if drafts or sorted(read_accounts(folder)) != ["ann", "ben"]:
        return f"defect: {drafts} {sorted(read_accounts(folder))}"
    return "new" if "ben" in after else "old"
