"""One night for all page tests, and the real page process on a free port."""

import re
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import pytest
from starlette.testclient import TestClient

from daemon.page.app import build
from daemon.page.desk import PageDesk
from daemon.page.following import Following
from daemon.page.settings import opened
from tests.kit.night import NOW, Night, write_night

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def written(tmp_path_factory: pytest.TempPathFactory) -> Night:
    """Write one night that tests only copy."""
    return write_night(tmp_path_factory.mktemp("night"), places=8)


@pytest.fixture
def night(written: Night, tmp_path: Path) -> Night:
    """Give a test a night of its own."""
    folder = tmp_path / "room"
    shutil.copytree(written.config.parent, folder)
    return Night(folder / "room.toml", folder / "state", written.now, written.names)


@dataclass
class Page:
    """The page without a socket: a client, its desk and its passcode."""

    client: TestClient
    desk: PageDesk
    passcode: str

    def text(self, path: str) -> str:
        """Read a page; numbers and units are told apart by plain spaces."""
        return self.client.get(path).text.replace("\N{NO-BREAK SPACE}", " ")

    def login(self, by: str = "Ines") -> None:
        """Log this client in."""
        answer = self.client.post(
            "/login", data={"by": by, "passcode": self.passcode}, follow_redirects=False
        )
        assert answer.status_code == 303


@pytest.fixture
def page_of(night: Night) -> Iterator[Callable[..., Page]]:
    """Give what makes a page of the night, at an instant and on an address."""
    desks: list[PageDesk] = []

    def make(host: str = "127.0.0.1", *, after: int = 5_000, open_reading: bool = False) -> Page:
        given = opened(night.config, {})
        desk = PageDesk(given.room, lambda: NOW + after, Following(given))
        if open_reading:
            from dataclasses import replace

            desk.room = replace(desk.room, open_reading=True)
        desks.append(desk)
        passcode = desk.door.fresh_passcode() or ""
        client = TestClient(build(desk, host), base_url="http://127.0.0.1", raise_server_exceptions=False)
        return Page(client, desk, passcode)

    yield make
    for desk in desks:
        desk.close()


@pytest.fixture
def page(page_of: Callable[..., Page]) -> Page:
    """Give the page on loopback, five seconds after the newest round."""
    return page_of()


def free_port() -> int:
    """Find a port that nobody listens on."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@dataclass
class Served:
    """The real page process."""

    port: int
    passcode: str
    process: "subprocess.Popen[str]"

    @property
    def base(self) -> str:
        """Give its address."""
        return f"http://127.0.0.1:{self.port}"


def start_page(config: Path, said: IO[bytes] | None = None) -> Served:
    """Start the page as a process of its own and wait until it listens; once more if its port was taken."""
    passcode = ""
    for _ in range(3):
        served = _started(config, free_port(), passcode, said)
        passcode = served.passcode
        if _listens(served):
            return served
        end_page(served)
    raise AssertionError("the page did not listen")


def _started(config: Path, port: int, passcode: str, errors: IO[bytes] | None) -> Served:
    """Start it; its passcode is said only the first time."""
    code = (
        "import sys; from pathlib import Path; from daemon.page.serve import run; "
        f"sys.exit(run(Path({str(config)!r}), '127.0.0.1', {port}))"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE, stderr=errors, text=True
    )
    assert process.stdout is not None
    said = process.stdout.readline() + ("" if passcode else process.stdout.readline())
    found = re.search(r"passcode, shown only now: (\S+)", said)
    return Served(port, found[1] if found else passcode, process)


def _listens(served: Served) -> bool:
    """Wait until it takes a connection; tell whether it does."""
    deadline = time.monotonic() + 15
    while time.monotonic() < deadline and served.process.poll() is None:
        with socket.socket() as door:
            if door.connect_ex(("127.0.0.1", served.port)) == 0:
                return True
        time.sleep(0.05)
    return False


def end_page(served: Served) -> None:
    """End the process that was started."""
    served.process.terminate()
    try:
        served.process.wait(10)
    finally:
        served.process.kill()
        if served.process.stdout:
            served.process.stdout.close()


@pytest.fixture
def served(night: Night) -> Iterator[Served]:
    """Give the real process over the night."""
    given = start_page(night.config)
    yield given
    end_page(given)
