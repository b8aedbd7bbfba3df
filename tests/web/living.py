"""A real server on a free port of this computer, for tests that need the wire."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import uvicorn
from starlette.applications import Starlette


@dataclass
class Living:
    """A server that runs."""

    port: int

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def raw(self, request: bytes, seconds: float = 10.0) -> bytes:
        """What comes back for these very bytes, until the server closes."""
        with socket.create_connection(("127.0.0.1", self.port), seconds) as wire:
            wire.sendall(request)
            answer = b""
            while part := wire.recv(65536):
                answer += part
            return answer


@contextmanager
def living(app: Starlette, **more: object) -> Iterator[Living]:
    """Serve an app while the block runs."""
    with socket.socket(proto=socket.IPPROTO_TCP) as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen(200)
        port = listening.getsockname()[1]
        config = uvicorn.Config(
            app, log_level="warning", access_log=False, server_header=False, ws="none", **more
        )  # type: ignore[arg-type]
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        end = time.monotonic() + 20
        while not server.started:
            assert time.monotonic() < end, "the server did not start"
            time.sleep(0.01)
        try:
            yield Living(port)
        finally:
            server.should_exit = True
            thread.join(10)
