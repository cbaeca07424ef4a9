"""A store in this process: takes lines over real HTTP, and misbehaves on demand."""

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


@dataclass
class Receiver:
    """What arrived, and how to answer.

    Attributes:
        url: Where it listens.
        answer: Gives status, headers and body for the lines of a request; None never
            answers, "half" stops in the middle of the status line, "drip" sends a byte
            of the headers now and then.
        lines: Lines of the requests that were answered with 204.
        requests: Number of lines in each request, in order.
        tokens: Authorization headers that were seen.
    """

    url: str = ""
    answer: Callable[[list[str]], tuple[int, dict[str, str], str] | str | None] = lambda _: (204, {}, "")
    lines: list[str] = field(default_factory=list)
    requests: list[int] = field(default_factory=list)
    tokens: set[str] = field(default_factory=set)
    released: threading.Event = field(default_factory=threading.Event)


def free_port() -> int:
    """Give a port of 127.0.0.1 that nobody uses."""
    with socket.socket() as link:
        link.bind(("127.0.0.1", 0))
        port: int = link.getsockname()[1]
        return port


class _Server(ThreadingHTTPServer):
    daemon_threads = True

    def __init__(self, receiver: Receiver) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.receiver = receiver

    def handle_error(self, request: object, client_address: object) -> None:
        """A client that went away is part of the play."""


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: _Server

    def do_POST(self) -> None:
        receiver = self.server.receiver
        length = int(self.headers["Content-Length"])
        body = self.rfile.read(length)
        if len(body) < length:  # the sender died in the middle: a request is taken whole or not at all
            self.close_connection = True
            return
        lines = body.decode().split("\n")
        receiver.requests.append(len(lines))
        receiver.tokens.add(self.headers.get("Authorization", ""))
        answer = receiver.answer(lines)
        if isinstance(answer, tuple):
            self._whole(lines, *answer)
        else:
            self._broken(answer)

    def _whole(self, lines: list[str], status: int, headers: dict[str, str], text: str) -> None:
        if status == 204:
            self.server.receiver.lines += lines
        self.send_response(status)
        for key, value in headers.items():
            self.send_header(key, value)
        if status != 204:
            self.send_header("Content-Length", str(len(text.encode())))
        self.end_headers()
        self.wfile.write(text.encode())

    def _broken(self, answer: str | None) -> None:
        self.close_connection = True
        released = self.server.receiver.released
        if answer == "half":
            self.wfile.write(b"HTTP/1.1 20")
        elif answer == "drip":
            self.wfile.write(b"HTTP/1.1 204 No Content\r\n")
            while not released.wait(0.2):
                self.wfile.write(b"X")
                self.wfile.flush()
        else:
            released.wait(30)

    def log_message(self, *_: object) -> None:
        """Stay silent."""


@contextmanager
def receiving() -> Iterator[Receiver]:
    """Run a receiver for the time of the block."""
    receiver = Receiver()
    server = _Server(receiver)
    receiver.url = f"http://127.0.0.1:{server.server_address[1]}"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    try:
        yield receiver
    finally:
        receiver.released.set()
        server.shutdown()
        server.server_close()
        thread.join()


def until(condition: Callable[[], bool], seconds: float = 20.0) -> bool:
    """Wait until ``condition`` holds; tell whether it did in time."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return True
        time.sleep(0.02)
    return condition()
