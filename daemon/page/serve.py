"""Start the page: ``ovigil page ROOM.toml [--host H] [--port N]``."""

import ctypes
import logging
import sys
from collections.abc import Callable
from pathlib import Path

import uvicorn

from daemon.page.app import build
from daemon.page.desk import PageDesk
from daemon.page.following import CannotOpenError, Following, opened_by_child
from daemon.page.protocol import PatientProtocol

SLOWEST_END = 3
"""Open answers have this long (s) when the page is told to end."""


def serve(desk: PageDesk, host: str, port: int, say: Callable[[str], None]) -> int:
    """Serve the page until told to end.

    Args:
        desk: What makes the pages; closed at the end.
        host: What to listen on.
        port: TCP port.
        say: Takes what a keeper must read once: the address and a new passcode.

    Returns:
        The exit code.

    Raises:
        OSError: The data folder cannot be written.
    """
    desk.room.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    passcode = desk.door.fresh_passcode()
    shown = f"[{host}]" if ":" in host else host
    scheme = "http" if desk.room.tls is None else "https"
    say(f"The page of {desk.room.name}: {scheme}://{shown}:{port}")
    if passcode:
        say(f"Its passcode, shown only now: {passcode}")
        say("Write it down. It is asked for when you answer an alarm.")
    certificate, key = desk.room.tls or (None, None)
    config = uvicorn.Config(
        build(desk, host),
        host=host,
        port=port,
        http=PatientProtocol,
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        date_header=True,
        proxy_headers=False,
        h11_max_incomplete_event_size=16 * 1024,
        timeout_keep_alive=15,
        timeout_graceful_shutdown=SLOWEST_END,
        ssl_certfile=certificate,
        ssl_keyfile=key,
    )
    try:
        server = uvicorn.Server(config)
        server.run()
    finally:
        desk.close()
    return 0 if server.started else 1


def start_logging() -> None:
    """Log logins, wrong passcodes and orders to standard error; the service manager stamps each line in UTC.

    Source: OWASP ASVS 5.0, 16.3.1.
    """
    own = logging.getLogger("ovigil.page")
    own.addHandler(logging.StreamHandler(sys.stderr))
    own.setLevel(logging.INFO)


_ARENAS = -8
"""``M_ARENA_MAX`` of glibc's mallopt(3)."""


def keep_one_arena() -> None:
    """Let both threads share one heap: what a page took is there for the next (glibc; else nothing)."""
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None:
        mallopt(_ARENAS, 1)


def run(path: Path, host: str | None = None, port: int | None = None) -> int:
    """Load the config and serve its page.

    Args:
        path: The config.
        host: What to listen on; None: as the config says.
        port: TCP port; None: as the config says.

    Raises:
        SettingsError: The config cannot be used.
    """
    keep_one_arena()
    start_logging()
    try:
        given = opened_by_child(path)
    except CannotOpenError:
        from daemon.settings import load

        load(path)  # says each problem with file and line
        raise
    desk = PageDesk(given.room, follow=Following(given))
    return serve(desk, host or given.host, given.port if port is None else port, _print)


def _print(words: str) -> None:
    """Say something once, at the terminal or in the journal of the service."""
    sys.stdout.write(words + "\n")
    sys.stdout.flush()
