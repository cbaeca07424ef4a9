"""Clocks, and room time made from them.

Three clocks are told apart. The *boot-time* clock counts since the board started,
sleep included; it paces everything. The *wall* clock says what o'clock it is and may
be wrong until somebody vouches for it. *Room time* is what rules and records count in:
whole milliseconds that never step back, within a boot and across boots.
"""

import ctypes
import errno
import os
import time
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from threading import Event
from typing import Protocol

from daemon.record import Json

EARLIEST_WALL = 1_735_689_600_000
"""2025-01-01T00:00:00Z, Unix ms: a wall clock before it was never set."""

FIRST_ROOM_TIME = 1_000_000_000_000
"""Room time at the very first start while the wall clock is not trusted, ms."""

STEP = 2_000
"""Wall minus boot-time must change by more than this to count as a step, ms."""

TIME_ERROR = 5
"""What adjtimex(2) returns while the kernel's clock is not synchronised."""

STA_UNSYNC = 0x40
"""Its status bit of the same meaning."""


TIME_SERVICES = ("run/systemd/timesync", "run/chrony", "run/ntpd.pid", "run/ntpsec", "run/openntpd")
"""Where the usual time services leave a sign that they run."""


class Clock(Protocol):
    """Where the shell takes its time from."""

    def boottime(self) -> int:
        """Give the ms since the board started, sleep included."""

    def wall(self) -> int:
        """Give the wall clock, Unix ms, right or wrong."""

    def trusted(self) -> bool:
        """Tell whether somebody vouches for the wall clock."""

    def boot(self) -> str:
        """Give the identity of this boot."""

    def wait(self, event: Event, ms: int) -> bool:
        """Wait until ``event`` is set, for ``ms`` at the most; tell whether it is set."""


class _Timex(ctypes.Structure):
    """``struct timex`` of a 64-bit Linux, up to the status; source: adjtimex(2)."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_byte * 256),
    )


def kernel_synchronised() -> bool | None:
    """Ask the kernel whether its clock is synchronised; reads only.

    Returns:
        True or False as the kernel says; None where it may not be asked (a sandbox or
        a container that forbids the call).

    Raises:
        OSError: The call failed for another reason.

    Source: adjtimex(2); holds for every time service that disciplines the kernel.
    """
    state = _Timex()
    result = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(state))
    if result >= 0:
        return result != TIME_ERROR and not state.status & STA_UNSYNC
    code = ctypes.get_errno()
    if code in {errno.EPERM, errno.EACCES, errno.ENOSYS}:
        return None
    raise OSError(code, f"adjtimex: {os.strerror(code)}")


class SystemClock:
    """The board's own clocks. Lives as long as the process; any thread may ask it.

    Args:
        root: Where ``proc`` and ``run`` are found.
        last_known: Unix ms of an instant that has surely passed (the newest record);
            a wall clock before it is not believed on looks alone.
        vouched: The keeper vouches for the board's clock (battery-backed, no network):
            then only a plausible date is asked for.
        kernel: What asks the kernel.
    """

    def __init__(
        self,
        root: Path = Path("/"),
        *,
        last_known: int = 0,
        vouched: bool = False,
        kernel: Callable[[], bool | None] = kernel_synchronised,
    ) -> None:
        self._timesync = root / "run/systemd/timesync"
        self._services = tuple(root / name for name in TIME_SERVICES)
        self._last_known = max(last_known, EARLIEST_WALL)
        self._vouched = vouched
        self._kernel = kernel
        self._boot = _boot_id(root / "proc/sys/kernel/random/boot_id")

    def boottime(self) -> int:
        """Give the ms since the board started, sleep included."""
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000

    def wall(self) -> int:
        """Give the wall clock, Unix ms, right or wrong."""
        return time.time_ns() // 1_000_000

    def trusted(self) -> bool:
        """Tell whether somebody vouches for the wall clock.

        Returns:
            What the kernel says, where it may be asked and the date is plausible; else
            what the system's time service says; where no time service runs at all (a
            container, a board whose clock has a battery), whether the date is plausible
            and not before the newest record: nobody would ever vouch for it.
        """
        wall = self.wall()
        if wall < EARLIEST_WALL:
            return False
        known = None if self._vouched else self._kernel()
        if known or (known is not None and any(service.exists() for service in self._services)):
            return known
        if self._timesync.is_dir() and not self._vouched:
            return (self._timesync / "synchronized").exists()
        return wall >= self._last_known

    def boot(self) -> str:
        """Give the identity of this boot."""
        return self._boot

    def wait(self, event: Event, ms: int) -> bool:
        """Wait until ``event`` is set, for ``ms`` at the most; tell whether it is set."""
        return event.wait(max(ms, 0) / 1_000)


def _boot_id(path: Path) -> str:
    """Read the kernel's boot identity, or make one up for this process."""
    try:
        return path.read_text("ascii").strip()
    except OSError:
        return f"process {uuid.uuid4()}"


class ManualClock:
    """A clock that its owner moves by hand: for simulated nights and for proofs.

    Owned by one thread: waiting on it *is* the passing of time.
    """

    def __init__(
        self, wall: int = 1_790_000_000_000, *, boottime: int = 0, trusted: bool = True, boot: str = "boot-1"
    ) -> None:
        self._wall = wall
        self._boottime = boottime
        self._trusted = trusted
        self._boot = boot
        self._boots = 1

    def boottime(self) -> int:
        """Give the ms since the simulated start."""
        return self._boottime

    def wall(self) -> int:
        """Give the simulated wall clock, Unix ms."""
        return self._wall

    def trusted(self) -> bool:
        """Tell whether the wall clock counts as vouched for."""
        return self._trusted

    def boot(self) -> str:
        """Give the identity of the simulated boot."""
        return self._boot

    def wait(self, event: Event, ms: int) -> bool:
        """Let ``ms`` pass at once, unless ``event`` is set; tell whether it is set."""
        if event.is_set():
            return True
        self.advance(max(ms, 0))
        return event.is_set()

    def advance(self, ms: int) -> None:
        """Let ``ms`` pass on both clocks, awake or asleep."""
        self._boottime += ms
        self._wall += ms

    def set_wall(self, wall: int) -> None:
        """Step the wall clock to ``wall`` (Unix ms)."""
        self._wall = wall

    def set_boottime(self, ms: int) -> None:
        """Step the boot-time clock, as no sound kernel does."""
        self._boottime = ms

    def set_trusted(self, trusted: bool) -> None:  # noqa: FBT001 - a setter of one truth value
        """Vouch for the wall clock, or no longer."""
        self._trusted = trusted

    def reboot(self, wall: int, *, trusted: bool = True) -> None:
        """Begin another boot whose wall clock stands at ``wall`` (Unix ms)."""
        self._boots += 1
        self._boot = f"boot-{self._boots}"
        self._boottime = 0
        self._wall = wall
        self._trusted = trusted


@dataclass(frozen=True, slots=True)
class Anchor:
    """Where room time hangs on a boot: kept in the journal, one a boot.

    Attributes:
        boot: Identity of the boot.
        boottime: An instant on its boot-time clock, ms.
        room: The room time of that instant, ms.
    """

    boot: str
    boottime: int
    room: int


class ClockChange(StrEnum):
    """What happened to the clocks."""

    STEPPED = "the wall clock stepped"
    TRUSTED = "the wall clock is trusted"
    DOUBTED = "the wall clock is no longer trusted"
    RESTARTED = "the boot-time clock stepped back"


@dataclass(frozen=True, slots=True)
class ClockStep:
    """One thing that happened to the clocks, for the journal.

    Attributes:
        now: Room time at which it was noticed, ms.
        change: What happened.
        boot: Identity of the boot.
        by: How far the clock stepped, ms; 0 where only the trust changed.
        offset: Wall minus room from now on (ms), or None while it is not trusted.
    """

    now: int
    change: ClockChange
    boot: str
    by: int
    offset: int | None

    def body(self) -> dict[str, Json]:
        """Give it as the body of a journal entry."""
        return {"what": self.change.value, "boot": self.boot, "by": self.by, "offset": self.offset}


class RoomClock:
    """Room time: it never steps back, whatever the clocks below it do.

    Within a boot it advances with the boot-time clock. Across a boot it goes on at the
    later of the last stored instant and the trusted wall clock. Owned by one thread.

    Args:
        clock: The clocks below.
        last_stored: The newest room time in the logbook, or None at the very first start.
        anchor: The newest anchor in the journal, or None.
    """

    def __init__(self, clock: Clock, last_stored: int | None = None, anchor: Anchor | None = None) -> None:
        self._clock = clock
        self._pace = clock.boottime()
        self._room = _first_now(clock, last_stored, anchor)
        self._anchor = Anchor(clock.boot(), self._pace, self._room)
        if anchor is not None and self._lies_on(anchor):
            self._anchor = anchor
        self._restarted = 0
        self._trusted = clock.trusted()
        self._ahead = self._measured()

    def anchor(self) -> Anchor:
        """Give what a later start needs to go on within this boot."""
        return self._anchor

    def trusted(self) -> bool:
        """Tell whether the wall clock was trusted at the last poll (or at the start)."""
        return self._trusted

    def now(self) -> int:
        """Give room time, ms; never before what was given earlier."""
        pace = self._clock.boottime()
        if pace < self._pace:
            self._restarted += pace - self._pace
            self._anchor = Anchor(self._clock.boot(), pace, self._room)
        self._pace = pace
        self._room = self.at_boot(pace)
        return self._room

    def at_boot(self, ms: int) -> int:
        """Give the room time of an instant on this boot's boot-time clock (an arrival)."""
        return self._anchor.room + ms - self._anchor.boottime

    def offset(self) -> int | None:
        """Give wall minus room (ms) as of the last poll, or None while it is not trusted.

        It stands still between polls that find no step: a label, not a second clock.
        """
        return self._ahead - self.at_boot(0) if self._trusted else None

    def poll(self) -> list[ClockStep]:
        """Look at the clocks; call it about once a second.

        Returns:
            What happened since the last poll, in the order in which to journal it.
        """
        now = self.now()
        steps: list[tuple[ClockChange, int]] = []
        if self._restarted:
            steps.append((ClockChange.RESTARTED, self._restarted))
            self._restarted = 0
        ahead, trusted = self._measured(), self._clock.trusted()
        if steps:
            self._ahead = ahead
        elif abs(ahead - self._ahead) > STEP:
            steps.append((ClockChange.STEPPED, ahead - self._ahead))
            self._ahead = ahead
        if trusted != self._trusted:
            steps.append((ClockChange.TRUSTED if trusted else ClockChange.DOUBTED, 0))
            self._ahead, self._trusted = ahead, trusted
        boot, offset = self._clock.boot(), self.offset()
        return [ClockStep(now, change, boot, by, offset) for change, by in steps]

    def _lies_on(self, anchor: Anchor) -> bool:
        """Tell whether ``anchor`` is of this boot and leads to the present room time."""
        return anchor.boot == self._clock.boot() and anchor.room + self._pace - anchor.boottime == self._room

    def _measured(self) -> int:
        """Give wall minus boot-time; read closely together, so that no pause looks like a step."""
        best: tuple[int, int] | None = None
        for _ in range(5):
            before = self._clock.boottime()
            wall = self._clock.wall()
            spread = self._clock.boottime() - before
            if best is None or abs(spread) < best[0]:
                best = (abs(spread), wall - before)
            if abs(spread) <= 5:
                break
        assert best is not None  # noqa: S101 - the loop above ran at least once
        return best[1]


def _first_now(clock: Clock, last_stored: int | None, anchor: Anchor | None) -> int:
    """Give the room time at which a start goes on."""
    if anchor is not None and anchor.boot == clock.boot():
        here = anchor.room + clock.boottime() - anchor.boottime
        return max(here, anchor.room, here if last_stored is None else last_stored)
    wall = clock.wall() if clock.trusted() else None
    if last_stored is None:
        return FIRST_ROOM_TIME if wall is None else wall
    return last_stored if wall is None else max(last_stored, wall)
