"""Labels: how room time and the wall clock stand to each other. Pure.

Within a boot both advance together, so one trusted look at the wall clock labels the
whole boot, also what came before that look: rows are never rewritten.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Look:
    """One look at the wall clock, as the journal has it.

    Attributes:
        now: Room time of the look, ms.
        boot: The boot it was in.
        offset: Unix ms - room time, or None where there was no wall clock.
        trusted: The wall clock was synchronised.
    """

    now: int
    boot: str
    offset: int | None
    trusted: bool


@dataclass(frozen=True, slots=True)
class Labels:
    """From which instant on which offset holds; ascending.

    Attributes:
        starts: Instants in room time; the first label holds before its start too.
        offsets: Unix ms - room time from that instant on.
        trusted: Whether it comes from a synchronised clock.
    """

    starts: tuple[int, ...] = ()
    offsets: tuple[int, ...] = ()
    trusted: tuple[bool, ...] = ()

    def offset_at(self, now: int) -> int:
        """Give Unix ms - room time at an instant; 0 where nothing was ever known."""
        if not self.starts:
            return 0
        return self.offsets[max(0, bisect_right(self.starts, now) - 1)]

    def trusted_at(self, now: int) -> bool:
        """Tell whether the label of that instant comes from a synchronised clock."""
        return bool(self.starts) and self.trusted[max(0, bisect_right(self.starts, now) - 1)]

    def wall(self, now: int) -> int:
        """Give the Unix ms of an instant."""
        return now + self.offset_at(now)

    def room_instant(self, wall: int) -> int:
        """Give the instant of a Unix ms: the latest one that carries this label.

        A wall time that no instant carries (the clock jumped over it) becomes the instant
        of the jump.
        """
        for index in range(len(self.starts) - 1, 0, -1):
            now = wall - self.offsets[index]
            if now >= self.starts[index]:
                return now
            if wall >= self.starts[index] + self.offsets[index - 1]:
                return self.starts[index]
        return wall - (self.offsets[0] if self.offsets else 0)


def labelled(looks: Sequence[Look]) -> Labels:
    """Make labels of all looks, in the order of the journal.

    A boot's trusted looks hold each from its instant on, the first one from the boot's
    beginning. A boot without one takes its last untrusted look, or goes on with the label
    before it.
    """
    starts: list[int] = []
    offsets: list[int] = []
    trusted: list[bool] = []
    for boot in _boots(looks):
        good = [look for look in boot if look.trusted and look.offset is not None]
        chosen = good or [look for look in boot if look.offset is not None][-1:]
        for index, look in enumerate(chosen):
            starts.append(boot[0].now if index == 0 else look.now)
            offsets.append(look.offset or 0)
            trusted.append(look.trusted)
    return Labels(tuple(starts), tuple(offsets), tuple(trusted))


def _boots(looks: Sequence[Look]) -> list[list[Look]]:
    boots: list[list[Look]] = []
    for look in looks:
        if not boots or boots[-1][0].boot != look.boot:
            boots.append([])
        boots[-1].append(look)
    return boots
