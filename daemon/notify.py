"""Word to the service manager: ready, alive, in short words how it goes.

Source: sd_notify(3), the protocol as documented there: datagrams of ``NAME=value``
lines to the socket named in ``NOTIFY_SOCKET``. Without one, nothing is sent.
"""

import os
import socket
import time
from collections.abc import Mapping

PATIENCE = 0.5
"""How long a datagram may wait for a busy service manager, s."""


class ServiceManager:
    """The service manager that started this process, if one did.

    Args:
        env: The environment; ``NOTIFY_SOCKET`` says where it listens.
    """

    def __init__(self, env: Mapping[str, str] = os.environ) -> None:
        self._address = env.get("NOTIFY_SOCKET", "")

    def ready(self, words: str = "") -> bool:
        """Say that the first round is complete, with a status line."""
        return self._send("READY=1", f"STATUS={_one_line(words)}" if words else "")

    def status(self, words: str) -> bool:
        """Say in one line how it goes."""
        return self._send(f"STATUS={_one_line(words)}")

    def watchdog(self) -> bool:
        """Say that one more round of the judge is complete."""
        return self._send("WATCHDOG=1")

    def reloading(self) -> bool:
        """Say that the settings are being read again; ``ready`` ends it."""
        return self._send("RELOADING=1", f"MONOTONIC_USEC={time.monotonic_ns() // 1_000}")

    def stopping(self) -> bool:
        """Say that the end has begun."""
        return self._send("STOPPING=1")

    def _send(self, *lines: str) -> bool:
        """Send ``lines``; tell whether they left. A deaf manager is no reason to stop."""
        if not self._address:
            return False
        address = f"\0{self._address[1:]}" if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as link:
                link.settimeout(PATIENCE)
                link.sendto("\n".join(filter(None, lines)).encode(), address)
        except OSError:
            return False
        return True


def watchdog_period(env: Mapping[str, str] = os.environ) -> float | None:
    """Give how often the service manager wants a sign of life.

    Returns:
        Half of its patience, s; None where it does not watch this process.
    """
    patience, process = env.get("WATCHDOG_USEC", ""), env.get("WATCHDOG_PID", "")
    if not patience.isdecimal() or int(patience) == 0:
        return None
    if process and process != str(os.getpid()):
        return None
    return int(patience) / 2_000_000


def _one_line(words: str) -> str:
    """Keep ``words`` from becoming more than one assignment."""
    return " ".join(words.split())
