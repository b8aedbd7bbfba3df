"""What only shows on a real connection: addresses as they are sent, clients that go away."""

from __future__ import annotations

import asyncio
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

import httpx2 as httpx
import pytest

from spreadplan.errors import BadInput
from spreadplan.results.store import alone
from spreadplan.web import create_app, serve
from spreadplan.web.connections import BoundedProtocol, Patience
from tests.web.living import living
from tests.web.test_uploads import TELEMETRY, left_over


def test_addresses_that_lead_out_are_refused_as_they_are_sent(workspace):
    """Clients tidy an address before they send it; an attacker does not."""
    folder = workspace()
    (folder / "results").mkdir()
    with living(create_app(folder)) as server:
        for path in (
            "/results/../workspace.toml",
            "/results/..%2fworkspace.toml",
            "/results/%2e%2e/workspace.toml",
            "/results/....//workspace.toml",
            "/results//etc/passwd",
            "/static/../web/base.html",
            "/static/..%2fweb/base.html",
            "/static//etc/passwd",
            "/../workspace.toml",
            "http://evil.example/results/x",
        ):
            answer = server.raw(
                f"GET {path} HTTP/1.1\r\nhost: 127.0.0.1\r\nconnection: close\r\n\r\n".encode()
            )
            assert re.match(rb"HTTP/1\.1 (404|400)", answer), (path, answer[:200])
            assert b"Small" not in answer.split(b"<title>")[0]
            assert b"root:" not in answer


@pytest.mark.parametrize(
    "host", [b"", b"host: evil.example\r\n", b"host: 127.0.0.1\r\nhost: evil.example\r\n"]
)
def test_a_missing_foreign_or_doubled_host_is_refused_on_the_wire(workspace, host):
    with living(create_app(workspace())) as server:
        answer = server.raw(b"GET / HTTP/1.1\r\n" + host + b"connection: close\r\n\r\n")
        assert answer.startswith(b"HTTP/1.1 400")


def test_a_client_that_goes_away_in_the_middle_leaves_nothing(workspace):
    folder = workspace()
    with living(create_app(folder)) as server:
        with httpx.Client(base_url=server.address) as client:
            page = client.get("/")
            token = re.search(r'name="csrf" content="([^"]+)"', page.text)
            assert token
            cookie = "; ".join(f"{name}={value}" for name, value in client.cookies.items())
        wire = socket.create_connection(("127.0.0.1", server.port))
        wire.sendall(
            (
                "PUT /storms/s1/telemetry/a.csv HTTP/1.1\r\nhost: 127.0.0.1\r\n"
                f"cookie: {cookie}\r\nx-csrf-token: {token[1]}\r\ncontent-length: 100000\r\n\r\n"
                + TELEMETRY
            ).encode()
        )
        end = time.monotonic() + 10
        while not left_over(folder):  # it has begun to arrive
            assert time.monotonic() < end
            time.sleep(0.01)
        wire.close()
        while left_over(folder):
            assert time.monotonic() < end, "the draft was left behind"
            time.sleep(0.01)
        assert not (folder / "storms/s1/telemetry").exists()
        assert httpx.get(f"{server.address}/healthz").json()["ok"]


@pytest.mark.slow
def test_a_large_file_is_streamed_to_the_disk(workspace):
    """64 MB arrive while the server's memory grows by far less."""
    import tracemalloc

    folder = workspace()
    line = TELEMETRY.splitlines(keepends=True)[1].encode()
    block = line * 10_000

    def body():
        yield TELEMETRY.splitlines(keepends=True)[0].encode()
        for _ in range(64_000_000 // len(block)):
            yield block

    with (
        living(create_app(folder)) as server,
        httpx.Client(base_url=server.address, timeout=60) as client,
    ):
        token = re.search(r'name="csrf" content="([^"]+)"', client.get("/").text)
        assert token
        tracemalloc.start()
        try:
            answer = client.put(
                "/storms/s1/telemetry/a.csv", content=body(), headers={"x-csrf-token": token[1]}
            )
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
    assert answer.status_code == 201, answer.text
    assert answer.json()["bytes"] > 60_000_000
    assert peak < 30_000_000


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_the_command_serves_and_a_running_job_ends_with_it(workspace):
    """From the first word to Ctrl+C, in a process of its own."""
    folder = workspace()
    command = [sys.executable, "-u", "-m", "spreadplan.cli", "serve", str(folder), "--port", "0"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2]
    ) as process:
        try:
            assert process.stdout is not None
            address = re.search(r"http://127\.0\.0\.1:\d+", process.stdout.readline())
            assert address
            port = int(address[0].rpartition(":")[2])
            with (
                alone(folder),  # the job cannot be done before it is ended
                held(port, 250),
                httpx.Client(base_url=address[0], timeout=30) as client,
            ):
                token = re.search(r'name="csrf" content="([^"]+)"', client.get("/jobs").text)
                assert token
                client.post(
                    "/jobs",
                    data={"command": "plan", "storm": "s1"},
                    headers={"x-csrf-token": token[1]},
                )
                end = time.monotonic() + 30
                while not workers(folder):
                    assert time.monotonic() < end, "no job was begun"
                    time.sleep(0.05)
                process.send_signal(signal.SIGINT)
                assert process.wait(20) == 0
        finally:
            process.kill()
    end = time.monotonic() + 10
    while workers(folder):
        assert time.monotonic() < end, "the job outlived the server"
        time.sleep(0.05)


@contextmanager
def held(port: int, number: int, first: bytes = b"") -> Iterator[list[socket.socket]]:
    """So many connections that say no more than this, while the block runs."""
    with ExitStack() as all_of_them:
        wires = []
        for _ in range(number):
            wire = socket.create_connection(("127.0.0.1", port), 10)
            wires.append(all_of_them.enter_context(wire))
            if first:
                wire.sendall(first)
        yield wires


class Quick(BoundedProtocol):
    """The limits of the server, with shorter times."""

    patience = Patience(
        most=60, request_s=0.6, window_s=0.6, least_bytes=2_000, reading_s=0.8, look_s=0.05
    )


def closed_after(wire: socket.socket, say: bytes = b"", most_s: float = 8.0) -> float:
    """How long until the other side closes, saying something more twenty times a second."""
    started = time.monotonic()
    wire.settimeout(0.05)
    while time.monotonic() - started < most_s:
        try:
            if say:
                wire.sendall(say)
            if not wire.recv(65536):
                break
        except TimeoutError:
            continue
        except OSError:
            break
    return time.monotonic() - started


HEAD = b"GET /healthz HTTP/1.1\r\nhost: 127.0.0.1\r\n"
POST = b"POST /preferences HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-length: 100000\r\n\r\n"


@pytest.mark.parametrize(
    ("first", "then"),
    [
        (b"", b""),
        (HEAD, b""),
        (HEAD, b"x: y\r\n"),
        (HEAD + b"\r\n", b""),
        (POST, b""),
        (POST, b"x"),
    ],
    ids=[
        "nothing",
        "half a head",
        "a head that never ends",
        "nothing more",
        "no body",
        "a body in drops",
    ],
)
def test_a_connection_that_brings_no_request_is_closed(workspace, first, then):
    with (
        living(create_app(workspace()), http=Quick) as server,
        held(server.port, 1, first) as (wire,),
    ):
        assert 0.3 < closed_after(wire, then) < 5.0


def test_an_answer_that_nobody_takes_is_given_up(workspace):
    folder = workspace()
    (folder / "results").mkdir()
    (folder / "results" / "large.gpkg").write_bytes(b"x" * 60_000_000)
    with living(create_app(folder), http=Quick) as server, socket.socket() as wire:
        wire.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        wire.connect(("127.0.0.1", server.port))
        wire.sendall(HEAD.replace(b"healthz", b"results/large.gpkg") + b"\r\n")
        time.sleep(2.5)
        wire.settimeout(5)
        taken = 0
        with suppress(OSError):
            while part := wire.recv(1 << 20):
                taken += len(part)
        assert taken < 60_000_000, "the rest never comes"


def test_what_takes_its_time_is_borne_with(workspace):
    """A body that comes slowly but steadily, and an answer that is long in the making."""

    async def slow(scope, receive, send):
        assert scope["type"] == "http"
        while (await receive())["more_body"]:
            pass
        await asyncio.sleep(1.5)
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b"done"})

    with living(slow, http=Quick, lifespan="off") as server, held(server.port, 1) as (wire,):
        size = 100_000
        wire.sendall(
            b"POST / HTTP/1.1\r\nhost: x\r\nconnection: close\r\n"
            + f"content-length: {size}\r\n\r\n".encode()
        )
        for _ in range(50):
            wire.sendall(b"x" * (size // 50))
            time.sleep(0.04)
        answer = b""
        while part := wire.recv(65536):
            answer += part
        assert answer.startswith(b"HTTP/1.1 200")
        assert b"done" in answer


@pytest.mark.parametrize("first", [b"", HEAD, POST], ids=["nothing", "half a head", "no body"])
def test_many_idle_connections_keep_nobody_out(workspace, first):
    class Patient(BoundedProtocol):
        patience = Patience(most=60, request_s=600, window_s=600)

    with (
        living(create_app(workspace()), http=Patient) as server,
        held(server.port, 250, first),
        httpx.Client(base_url=server.address, timeout=10) as client,
    ):
        for _ in range(3):
            assert client.get("/healthz").status_code == 200


def workers(folder: Path) -> list[str]:
    """Processes at work on this folder's jobs."""
    found = []
    for entry in Path("/proc").glob("[0-9]*/cmdline"):
        with suppress(OSError):
            line = entry.read_bytes().replace(b"\0", b" ").decode(errors="replace")
            if "spreadplan.web.work.worker" in line and str(folder) in line:
                found.append(line)
    return found


def test_an_address_that_cannot_be_listened_at_is_said(workspace):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        for port in (taken.getsockname()[1], 70_000):
            with pytest.raises(BadInput, match=r"cannot listen|is not a port"):
                serve(workspace(), port=port, say=lambda _text: None)
