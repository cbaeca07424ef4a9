"""Room time never steps back, and a wall clock counts only while it is vouched for."""

import threading
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.clock import (
    EARLIEST_WALL,
    FIRST_ROOM_TIME,
    Anchor,
    ClockChange,
    ManualClock,
    RoomClock,
    SystemClock,
    kernel_synchronised,
)

HOUR = 3_600_000
NOON = 1_790_000_000_000
IN_1970 = 12_345


class TestFirstStart:
    def test_trusted_wall_clock_is_the_first_room_time(self) -> None:
        """The very first start of a board with a right clock begins at Unix ms."""
        room = RoomClock(ManualClock(NOON, boottime=500))
        assert room.now() == NOON
        assert room.offset() == 0

    def test_a_board_in_1970_begins_at_the_fixed_base(self) -> None:
        """The very first start without a trusted clock begins at a fixed room time."""
        room = RoomClock(ManualClock(IN_1970, trusted=False))
        assert room.now() == FIRST_ROOM_TIME
        assert room.offset() is None

    def test_labels_are_known_from_the_first_trust_on(self) -> None:
        """A 1970 board that learns the time labels what it stored before, without a jump in room time."""
        clock = ManualClock(IN_1970, trusted=False)
        room = RoomClock(clock)
        clock.advance(600_000)
        assert room.poll() == []
        clock.set_wall(NOON)
        clock.set_trusted(True)
        steps = room.poll()
        assert [step.change for step in steps] == [ClockChange.STEPPED, ClockChange.TRUSTED]
        assert steps[-1].offset == room.offset()
        assert room.now() == FIRST_ROOM_TIME + 600_000
        assert FIRST_ROOM_TIME + (room.offset() or 0) == NOON - 600_000


class TestWithinABoot:
    @pytest.mark.parametrize("jump", [HOUR, -3 * HOUR], ids=["plus 1 h", "minus 3 h"])
    def test_a_step_of_the_wall_clock_leaves_room_time_alone(self, jump: int) -> None:
        """A wall clock that steps is journalled with its size; room time goes on at its pace."""
        clock = ManualClock(NOON)
        room = RoomClock(clock)
        clock.advance(1_000)
        clock.set_wall(clock.wall() + jump)
        (step,) = room.poll()
        assert (step.change, step.by, step.now) == (ClockChange.STEPPED, jump, NOON + 1_000)
        assert step.offset == room.offset() == jump
        assert step.body() == {
            "what": "the wall clock stepped",
            "boot": "boot-1",
            "by": jump,
            "offset": jump,
        }

    @pytest.mark.parametrize(("jump", "told"), [(2_000, 0), (2_001, 1), (-2_000, 0), (-2_001, 1)])
    def test_only_more_than_two_seconds_is_a_step(self, jump: int, told: int) -> None:
        """A wall clock that is nudged by up to 2 s is not said to step."""
        clock = ManualClock(NOON)
        room = RoomClock(clock)
        clock.set_wall(NOON + jump)
        assert len(room.poll()) == told

    def test_a_slow_slew_is_told_when_it_adds_up(self) -> None:
        """Nudges of half a second each become one step when they exceed 2 s together."""
        clock = ManualClock(NOON)
        room = RoomClock(clock)
        told = []
        for _ in range(5):
            clock.advance(1_000)
            clock.set_wall(clock.wall() + 500)
            told += room.poll()
        assert [step.by for step in told] == [2_500]

    def test_the_end_of_summer_time_is_no_step(self) -> None:
        """An hour that local time shows twice is nothing to either clock."""
        before_the_change = 1_792_888_200_000  # 2026-10-25T00:30:00Z, 02:30 in Berlin for the first time
        clock = ManualClock(before_the_change)
        room = RoomClock(clock)
        for _ in range(120):
            clock.advance(60_000)
            assert room.poll() == []
        assert room.now() == before_the_change + 2 * HOUR

    def test_sleep_of_the_board_counts(self) -> None:
        """A board that was suspended for an hour finds room time an hour on, and no step."""
        clock = ManualClock(NOON)
        room = RoomClock(clock)
        clock.advance(HOUR)
        assert room.now() == NOON + HOUR
        assert room.poll() == []

    def test_lost_trust_is_told(self) -> None:
        """A clock that nobody vouches for any more is journalled, and labels stop."""
        clock = ManualClock(NOON)
        room = RoomClock(clock)
        clock.set_trusted(False)
        (step,) = room.poll()
        assert (step.change, step.offset, step.by) == (ClockChange.DOUBTED, None, 0)
        assert room.offset() is None
        assert not room.trusted()

    def test_a_boot_time_clock_that_steps_back_does_not_stop_room_time(self) -> None:
        """When the boot-time clock misbehaves, room time stands for a moment and goes on at once."""
        clock = ManualClock(NOON, boottime=HOUR)
        room = RoomClock(clock)
        clock.set_boottime(0)
        assert room.now() == NOON
        clock.advance(1_000)
        assert room.now() == NOON + 1_000
        (step,) = room.poll()
        assert (step.change, step.by, step.offset) == (ClockChange.RESTARTED, -HOUR, 0)
        assert room.poll() == []

    def test_an_arrival_is_converted_by_its_boot_time(self) -> None:
        """An arrival that waited in the inbox keeps its own instant."""
        clock = ManualClock(NOON, boottime=7_000)
        room = RoomClock(clock)
        clock.advance(9_000)
        assert room.now() == NOON + 9_000
        assert room.at_boot(7_400) == NOON + 400


class TestAcrossStarts:
    def test_a_restart_inside_a_boot_goes_on_with_the_boot_time_clock(self) -> None:
        """What passed while the watch was down is counted, even with a wrong wall clock."""
        clock = ManualClock(IN_1970, boottime=3_000, trusted=False)
        first = RoomClock(clock)
        clock.advance(10_000)
        stored = first.now()
        clock.advance(HOUR)
        clock.set_wall(NOON - HOUR)
        again = RoomClock(clock, stored, first.anchor())
        assert again.now() == stored + HOUR
        assert again.anchor() == first.anchor()

    def test_a_restart_never_goes_before_the_last_stored_instant(self) -> None:
        """An anchor that lags behind the record is replaced by one that does not."""
        clock = ManualClock(NOON, boottime=HOUR)
        room = RoomClock(clock, NOON + 5 * HOUR, Anchor("boot-1", 0, NOON))
        assert room.now() == NOON + 5 * HOUR
        clock.advance(10)
        assert room.now() == NOON + 5 * HOUR + 10

    @pytest.mark.parametrize(
        ("wall", "trusted", "expected"),
        [
            pytest.param(NOON + HOUR, True, NOON + HOUR, id="right wall clock"),
            pytest.param(NOON - HOUR, True, NOON, id="trusted but earlier than the record"),
            pytest.param(NOON + HOUR, False, NOON, id="later but not trusted"),
            pytest.param(IN_1970, False, NOON, id="1970"),
        ],
    )
    def test_a_reboot_goes_on_at_the_later_of_record_and_trusted_wall(
        self, wall: int, trusted: bool, expected: int
    ) -> None:
        """Across a boot room time goes on at the later of last stored and trusted wall clock."""
        clock = ManualClock(NOON - 2 * HOUR)
        anchor = RoomClock(clock).anchor()
        clock.reboot(wall, trusted=trusted)
        room = RoomClock(clock, NOON, anchor)
        assert room.now() == expected
        assert room.anchor().boot == "boot-2"

    def test_a_reboot_with_a_wrong_wall_clock_is_labelled_right_later(self) -> None:
        """After a power cut in 1970 the first sync says what o'clock the rows were."""
        clock = ManualClock(NOON)
        stored = RoomClock(clock).now()
        clock.reboot(IN_1970, trusted=False)
        room = RoomClock(clock, stored)
        clock.advance(60_000)
        clock.set_wall(NOON + 3 * HOUR + 60_000)
        clock.set_trusted(True)
        room.poll()
        assert stored + (room.offset() or 0) == NOON + 3 * HOUR


@given(
    moves=st.lists(
        st.one_of(
            st.tuples(st.just("advance"), st.integers(0, HOUR)),
            st.tuples(st.just("wall"), st.integers(0, 2 * NOON)),
            st.tuples(st.just("boottime"), st.integers(0, 10 * HOUR)),
            st.tuples(st.just("trust"), st.integers(0, 1)),
            st.tuples(st.just("restart"), st.just(0)),
            st.tuples(st.just("reboot"), st.integers(0, 2 * NOON)),
        ),
        max_size=30,
    )
)
def test_room_time_never_steps_back(moves: list[tuple[str, int]]) -> None:
    """Whatever the clocks do, across restarts and boots, room time is monotone."""
    clock = ManualClock(IN_1970, trusted=False)
    room = RoomClock(clock)
    newest = room.now()
    for move, amount in moves:
        match move:
            case "advance":
                clock.advance(amount)
            case "wall":
                clock.set_wall(amount)
            case "boottime":
                clock.set_boottime(amount)
            case "trust":
                clock.set_trusted(bool(amount))
            case "restart":
                room = RoomClock(clock, newest, room.anchor())
            case _:
                clock.reboot(amount, trusted=amount % 2 == 0)
                room = RoomClock(clock, newest, room.anchor())
        assert room.now() >= newest
        newest = room.now()
        room.poll()
        assert room.now() == newest


class TestManualClock:
    def test_waiting_is_the_passing_of_time(self) -> None:
        """Waiting moves both clocks at once, unless the event is set already."""
        clock = ManualClock(NOON)
        event = threading.Event()
        assert not clock.wait(event, 5_000)
        assert (clock.boottime(), clock.wall()) == (5_000, NOON + 5_000)
        event.set()
        assert clock.wait(event, 5_000)
        assert clock.boottime() == 5_000


def _board(root: Path, *, timesync: bool | None = None) -> Path:
    """Lay out the files that a board's clock is judged by."""
    boot = root / "proc/sys/kernel/random/boot_id"
    boot.parent.mkdir(parents=True)
    boot.write_text("4c5f\n")
    if timesync is not None:
        (root / "run/systemd/timesync").mkdir(parents=True)
        if timesync:
            (root / "run/systemd/timesync/synchronized").touch()
    return root


class TestSystemClock:
    @pytest.mark.parametrize(
        ("kernel", "timesync", "expected"),
        [
            pytest.param(True, None, True, id="kernel says yes"),
            pytest.param(False, True, False, id="kernel says no, whatever the service left"),
            pytest.param(None, True, True, id="kernel mute, service synchronised"),
            pytest.param(None, False, False, id="kernel mute, service not yet"),
            pytest.param(None, None, True, id="kernel mute, no service, plausible date"),
        ],
    )
    def test_trust_asks_kernel_then_service_then_date(
        self, tmp_path: Path, kernel: bool | None, timesync: bool | None, expected: bool
    ) -> None:
        """The kernel's word counts first, then the time service's, then the date's looks."""
        clock = SystemClock(_board(tmp_path, timesync=timesync), kernel=lambda: kernel)
        assert clock.trusted() is expected

    def test_a_date_before_the_newest_record_is_not_believed_on_looks(self, tmp_path: Path) -> None:
        """A clock that resumed at the last shutdown, or earlier, is not trusted unasked."""
        later = time.time_ns() // 1_000_000 + HOUR
        clock = SystemClock(_board(tmp_path), last_known=later, kernel=lambda: None)
        assert not clock.trusted()

    def test_a_vouched_clock_needs_only_a_plausible_date(self, tmp_path: Path) -> None:
        """A battery-backed clock without network is trusted when the keeper vouches for it."""
        clock = SystemClock(_board(tmp_path, timesync=False), vouched=True, kernel=lambda: False)
        assert clock.trusted()

    def test_a_clock_of_1970_is_never_trusted(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """Not even the kernel's word makes an impossible date right."""
        monkeypatch.setattr(time, "time_ns", lambda: (EARLIEST_WALL - 1) * 1_000_000)
        assert not SystemClock(_board(tmp_path), kernel=lambda: True).trusted()

    def test_the_boot_has_its_identity_from_the_kernel(self, tmp_path: Path) -> None:
        """Two clocks of one boot agree; where the kernel hides it, each process is its own boot."""
        board = _board(tmp_path / "board")
        assert SystemClock(board).boot() == SystemClock(board).boot() == "4c5f"
        hidden = SystemClock(tmp_path / "nothing")
        assert hidden.boot() == hidden.boot() != SystemClock(tmp_path / "nothing").boot()

    def test_the_real_clocks_advance_together(self) -> None:
        """The board's own clocks run, and a wait ends early when its event is set."""
        clock = SystemClock()
        before = clock.boottime(), clock.wall()
        assert not clock.wait(threading.Event(), 20)
        assert clock.boottime() - before[0] >= 20
        assert clock.wall() >= before[1]
        event = threading.Event()
        event.set()
        assert clock.wait(event, 60_000)

    def test_the_kernel_may_be_asked(self) -> None:
        """Asking the kernel changes nothing and gives yes, no or no answer."""
        assert kernel_synchronised() in {True, False, None}
