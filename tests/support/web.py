"""A web server for tests that keeps what it is asked, and answers as it is told."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from typing import NamedTuple
from urllib.parse import SplitResult, urlsplit


class Asked(NamedTuple):
    """One request."""

    method: str
    url: SplitResult
    body: bytes
    headers: dict[str, str]


class KeepingServer(HTTPServer):
    """``asked`` holds the requests; ``answer`` is status, text and headers of what is answered."""

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.asked: list[Asked] = []
        self.answer: tuple[int, str, dict[str, str]] = (200, "ok", {})
        self.url = f"http://127.0.0.1:{self.server_port}/send"


class _Handler(BaseHTTPRequestHandler):
    server: KeepingServer

    def do_GET(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        self.server.asked.append(Asked(self.command, urlsplit(self.path), body, dict(self.headers)))
        status, text, headers = self.server.answer
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(text.encode())

    do_POST = do_GET  # noqa: N815 (the library's names)

    def log_message(self, *_: object) -> None:
        pass


@contextmanager
def keeping_server() -> Iterator[KeepingServer]:
    """The server, running while the block does."""
    with KeepingServer() as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.02,))
        thread.start()
        try:
            yield server
        finally:
            server.shutdown()
            thread.join()
