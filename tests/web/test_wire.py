"""What only shows on a real connection: addresses as they are sent, clients that go away."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import httpx2 as httpx
import pytest

from spreadplan.errors import BadInput
from spreadplan.web import create_app, serve
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
            with httpx.Client(base_url=address[0], timeout=30) as client:
                token = re.search(r'name="csrf" content="([^"]+)"', client.get("/jobs").text)
                assert token
                client.post(
                    "/jobs",
                    data={"command": "plan", "storm": "s1"},
                    headers={"x-csrf-token": token[1]},
                )
                end = time.monotonic() + 30
                while client.get("/jobs/1").json()["state"] == "waiting":
                    assert time.monotonic() < end
            assert workers(folder)
            process.send_signal(signal.SIGINT)
            assert process.wait(20) == 0
        finally:
            process.kill()
    end = time.monotonic() + 10
    while workers(folder):
        assert time.monotonic() < end, "the job outlived the server"
        time.sleep(0.05)


def workers(folder: Path) -> list[str]:
    """Processes at work on this folder's jobs."""
    found = []
    for entry in Path("/proc").glob("[0-9]*/cmdline"):
        with suppress(OSError):
            line = entry.read_bytes().replace(b"\0", b" ").decode(errors="replace")
            if "spreadplan.web.worker" in line and str(folder) in line:
                found.append(line)
    return found


def test_an_address_that_cannot_be_listened_at_is_said(workspace):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        for port in (taken.getsockname()[1], 70_000):
            with pytest.raises(BadInput, match="cannot listen"):
                serve(workspace(), port=port, say=lambda _text: None)
