"""The service manager hears what it must, and its silence stops nothing."""

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.notify import ServiceManager, watchdog_period


@pytest.fixture(params=["path", "abstract"])
def listening(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, socket.socket]]:
    """A service manager's socket, on a path or in the abstract name space."""
    name = str(tmp_path / "notify") if request.param == "path" else f"\0ovigil-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as link:
        link.bind(name)
        link.settimeout(5)
        yield name.replace("\0", "@"), link


class TestServiceManager:
    def test_every_word_arrives_as_the_protocol_asks(self, listening: tuple[str, socket.socket]) -> None:
        """Ready, status, sign of life, reload and stop are one datagram each."""
        address, link = listening
        manager = ServiceManager({"NOTIFY_SOCKET": address})
        assert manager.ready("12 places, 1 alarm")
        assert link.recv(999) == b"READY=1\nSTATUS=12 places, 1 alarm"
        assert manager.ready()
        assert link.recv(999) == b"READY=1"
        assert manager.watchdog()
        assert link.recv(999) == b"WATCHDOG=1"
        assert manager.reloading()
        first, second = link.recv(999).decode().split("\n")
        assert first == "RELOADING=1"
        assert second.removeprefix("MONOTONIC_USEC=").isdecimal()
        assert manager.stopping()
        assert link.recv(999) == b"STOPPING=1"

    def test_a_status_stays_one_line(self, listening: tuple[str, socket.socket]) -> None:
        """A line break in a place's name cannot become another assignment."""
        address, link = listening
        ServiceManager({"NOTIFY_SOCKET": address}).status("box\nREADY=1")
        assert link.recv(999) == b"STATUS=box READY=1"

    @pytest.mark.parametrize("env", [{}, {"NOTIFY_SOCKET": ""}, {"NOTIFY_SOCKET": "/nowhere/notify"}])
    def test_without_a_listener_nothing_happens(self, env: dict[str, str]) -> None:
        """No manager, or one that went away, is not an error."""
        assert not ServiceManager(env).watchdog()

    def test_a_manager_that_does_not_read_cannot_hold_the_watch(self, tmp_path: Path) -> None:
        """When the manager's queue is full, a word is given up instead of waiting for ever."""
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as link:
            link.bind(str(tmp_path / "notify"))
            manager = ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "notify")})
            assert not all(manager.watchdog() for _ in range(2_000))


class TestWatchdogPeriod:
    @pytest.mark.parametrize(
        ("env", "expected"),
        [
            pytest.param({}, None, id="not watched"),
            pytest.param({"WATCHDOG_USEC": "60000000"}, 30.0, id="half of a minute"),
            pytest.param({"WATCHDOG_USEC": "5000000", "WATCHDOG_PID": str(os.getpid())}, 2.5, id="this one"),
            pytest.param({"WATCHDOG_USEC": "5000000", "WATCHDOG_PID": "1"}, None, id="another process"),
            pytest.param({"WATCHDOG_USEC": "0"}, None, id="switched off"),
            pytest.param({"WATCHDOG_USEC": "soon"}, None, id="not a number"),
        ],
    )
    def test_half_of_the_patience(self, env: dict[str, str], expected: float | None) -> None:
        """The sign of life is due at half of the manager's patience."""
        assert watchdog_period(env) == expected
