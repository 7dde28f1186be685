"""A receiver on this machine: it keeps what it is sent and answers as it is told."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


class Receiver:
    """Answers with ``answers`` one after the other, then 204; ``got`` is what came: path, headers and body."""

    def __init__(self) -> None:
        self.answers: list[tuple[int, dict[str, str]]] = []
        self.got: list[tuple[str, dict[str, str], bytes]] = []
        self.drip = threading.Event()
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                receiver.got.append((self.path, dict(self.headers.items()), body))
                status, headers = receiver.answers.pop(0) if receiver.answers else (204, {})
                if status == 0:  # a letter now and then, for ever
                    while not receiver.drip.wait(0.05):
                        try:
                            self.wfile.write(b"H")
                        except OSError:
                            return
                    return
                self.send_response(status)
                for name, value in headers.items():
                    self.send_header(name, value)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *args: Any) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True

    @property
    def port(self) -> int:
        return int(self.server.server_address[1])


@contextmanager
def receiving() -> Iterator[Receiver]:
    """A receiver that runs."""
    receiver = Receiver()
    thread = threading.Thread(target=receiver.server.serve_forever, daemon=True)
    thread.start()
    try:
        yield receiver
    finally:
        receiver.drip.set()
        receiver.server.shutdown()
        receiver.server.server_close()
        thread.join()
