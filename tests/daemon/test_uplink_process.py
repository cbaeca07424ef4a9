"""The uplink as a process: a real logbook, a real store, and a quick end."""

import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daemon.logbook import Archive, Logbook
from daemon.record import Batch, Entry
from daemon.uplink import EXIT_CONFIG, EXIT_UNAVAILABLE, LogbookSource, run
from daemon.uplink_cursor import read_cursor
from rules.reading import Quantity
from tests.kit.nginx_influx import missing, real_store
from tests.kit.store_receiver import Receiver, receiving, until

AT = 1_790_000_000_000
STEP = 30_000
PROGRAM = """
import sys
from pathlib import Path

sys.modules["numpy"] = None  # a test tool brings it; the locked environment has none
from daemon.uplink import run

sys.exit(run(Path(sys.argv[1])))
"""
ROOM = """[room]
name = "Cellar"
time_zone = "Europe/Lisbon"

[[place]]
name = "box 2"
kind = "incubator"
temperature = {{ ideal = ["28 C", "31 C"], safe = ["26 C", "33 C"] }}

[[place.sensor]]
name = "s1"
spot = "substrate"
read = {{ by = "mqtt", topic = "cellar/box-2", temperature = "/t", every = "30 s" }}
correction = {{ temperature = [[0.0, 0.3]] }}

[broker]
host = "127.0.0.1"

[uplink]
url = "{url}"
"""


@pytest.fixture
def store() -> Iterator[Receiver]:
    """A store in this process."""
    with receiving() as receiver:
        yield receiver


@pytest.fixture
def room(tmp_path: Path) -> Callable[[str], Path]:
    """Make a room whose uplink goes to an address."""

    def make(url: str) -> Path:
        (tmp_path / "credentials").mkdir(mode=0o700)
        (tmp_path / "credentials/uplink").write_text("marker-token\n")
        (tmp_path / "credentials/uplink").chmod(0o600)
        path = tmp_path / "room.toml"
        path.write_text(ROOM.format(url=url))
        return path

    return make


def _record(folder: Path, count: int, *, offset: int | None = 500, first: int = 0) -> list[Entry]:
    """Commit readings of one sensor, 30 s apart, into a logbook."""
    entries = [
        Entry("s1", Quantity.TEMPERATURE, round(20 + n / 1_000, 3), AT + n * STEP, AT + n * STEP)
        for n in range(first, first + count)
    ]
    with Logbook.open(folder) as logbook:
        logbook.note_boot("boot-1", AT, offset, trusted=offset is not None)
        logbook.commit([Batch(now=entries[-1].now, entries=tuple(entries))])
    return entries


def _start(path: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-c", PROGRAM, path], stderr=subprocess.PIPE)


def _end(process: subprocess.Popen[bytes]) -> tuple[int, float, bytes]:
    """End a process as the service manager does; give exit code, seconds and what it said."""
    before = time.monotonic()
    process.send_signal(signal.SIGTERM)
    try:
        _, said = process.communicate(timeout=20)
    finally:
        process.kill()
    return process.returncode, time.monotonic() - before, said


class TestOnce:
    def test_everything_arrives_with_place_and_utc(
        self, room: Callable[[str], Path], store: Receiver, tmp_path: Path
    ) -> None:
        """One call sends what is in the logbook, and tells retention how far it is."""
        path = room(store.url)
        _record(tmp_path / "state", 3)
        assert run(path, once=True) == 0
        assert store.lines[0] == (
            f"temperature,place=box\\ 2,sensor=s1,spot=substrate value=19.7,raw=20.0 {AT + 500}"
        )
        with Archive.open(tmp_path / "state") as archive:
            assert archive.cursor("uplink") == read_cursor(tmp_path / "state").row == archive.last_row()

    def test_trouble_is_an_exit_code(
        self, room: Callable[[str], Path], store: Receiver, tmp_path: Path
    ) -> None:
        """What could not be sent, or no logbook yet, is 69; a missing secret is 78."""
        path = room(store.url)
        assert run(path, once=True) == EXIT_UNAVAILABLE
        _record(tmp_path / "state", 3)
        store.answer = lambda _: (401, {}, "")
        assert run(path, once=True) == EXIT_UNAVAILABLE
        (tmp_path / "credentials/uplink").unlink()
        assert run(path, once=True) == EXIT_CONFIG


class TestLabels:
    def test_an_instant_waits_for_its_own_boot_only(self, tmp_path: Path) -> None:
        """A boot that never knew the time holds nothing up once the next one has begun."""
        folder = tmp_path / "state"
        _record(folder, 2, offset=None)
        source = LogbookSource(folder)
        assert [source.offset(entry.at) for entry in source.after(0, 9)] == [None, None]
        with Logbook.open(folder) as logbook:
            logbook.note_boot("boot-2", AT + 10 * STEP, 700, trusted=True)
        assert [source.offset(entry.at) for entry in source.after(0, 9)] == [700, 700]

    def test_a_boot_in_1970_goes_on_with_the_label_before_it(self, tmp_path: Path) -> None:
        """A wrong wall clock that nobody vouched for never becomes a stamp in the store."""
        folder = tmp_path / "state"
        _record(folder, 2, offset=500)
        with Logbook.open(folder) as logbook:
            logbook.note_boot("boot-2", AT + 10 * STEP, -AT, trusted=False)
            logbook.note_boot("boot-3", AT + 20 * STEP, 900, trusted=True)
        source = LogbookSource(folder)
        source.after(0, 9)
        assert [source.offset(AT + steps * STEP) for steps in (0, 15, 25)] == [500, 500, 900]


class TestTheEnd:
    @pytest.mark.parametrize("manner", [None, "drip", "idle"], ids=["mute store", "dripping store", "idle"])
    def test_it_ends_within_three_seconds(
        self, room: Callable[[str], Path], store: Receiver, tmp_path: Path, manner: str | None
    ) -> None:
        """SIGTERM ends the uplink in 3 s, idle or in the middle of a hanging request, with exit code 0."""
        path = room(store.url)
        _record(tmp_path / "state", 700)
        if manner != "idle":
            store.answer = lambda _: manner
        process = _start(path)
        assert until(lambda: len(store.requests) >= (2 if manner == "idle" else 1))
        code, seconds, said = _end(process)
        assert code == 0, said
        assert seconds <= 3
        assert b"marker-token" not in said

    def test_killed_in_the_middle_nothing_is_lost(
        self, room: Callable[[str], Path], store: Receiver, tmp_path: Path
    ) -> None:
        """Killed between answer and cursor again and again, the uplink sends everything at least once."""
        path = room(store.url)
        entries = _record(tmp_path / "state", 3_000)
        for seen in (500, 1_000, 2_000):
            process = _start(path)
            assert until(lambda seen=seen: len(store.lines) >= seen)  # type: ignore[misc]
            process.kill()
            process.communicate()
        assert run(path, once=True) == 0
        stamps = {int(text.rsplit(" ", 1)[1]) for text in store.lines}
        assert stamps == {entry.at + 500 for entry in entries}

    def test_its_memory_stays_small(
        self, room: Callable[[str], Path], store: Receiver, tmp_path: Path
    ) -> None:
        """With a backlog of 20,000 readings the process stays below 64 MiB."""
        path = room(store.url)
        _record(tmp_path / "state", 20_000)
        process = _start(path)
        assert until(lambda: len(store.lines) >= 20_000)
        status = Path(f"/proc/{process.pid}/status").read_text()
        peak = int(status.partition("VmHWM:")[2].split()[0]) / 1_024
        _end(process)
        print(f"uplink peak {peak:.1f} MiB")
        assert peak <= 64


@pytest.mark.skipif(bool(missing()), reason=f"not on this machine: {missing()}")
def test_ten_thousand_readings_from_a_real_logbook_to_a_real_store(
    room: Callable[[str], Path], tmp_path: Path
) -> None:
    """The store is killed in the middle and started again: every value and every instant is there."""
    (tmp_path / "store").mkdir()
    with real_store(tmp_path / "store") as real:
        path = room(real.url)
        entries = _record(tmp_path / "state", 10_000)
        process = _start(path)
        assert until(lambda: read_cursor(tmp_path / "state").row >= 1_000)
        real.kill()
        assert until(lambda: bool(read_cursor(tmp_path / "state").state))
        assert read_cursor(tmp_path / "state").row < 10_000
        real.start()
        assert until(lambda: read_cursor(tmp_path / "state").row >= 10_000, 25)
        code, _, said = _end(process)
        assert code == 0, said
        rows = real.ask("SELECT raw FROM temperature WHERE place = 'box 2'")
        assert rows == [[entry.at + 500, entry.raw] for entry in entries]
