"""At the door: a claim becomes a reading with an instant and a quality."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.door import AHEAD, REMEMBERED, Door
from rules.plan import Correction, PlaceKind, PlacePlan, Plan, SensorPlan
from rules.reading import MINUTE, SECOND, Grade, Quality, Quantity
from sensors.reader import Arrival, Value

T = Quantity.TEMPERATURE
EVERY = 30 * SECOND
OFFSET = 1_795_000_000_000
START = 1_000_000


def door(every: int = EVERY, **more: object) -> Door:
    """Give a door that knows one sensor."""
    sensor = SensorPlan("s", "box", every=every, **more)  # type: ignore[arg-type]
    return Door(Plan(0, places=(PlacePlan("box", PlaceKind.BOX),), sensors=(sensor,)))


def come(at: Door, now: int, celsius: float = 28.5, **more: object) -> tuple[int, Quality, float]:
    """Let a reading arrive at ``now``; give instant, quality, value; its stamp is ``stamp`` + OFFSET."""
    stamp = more.pop("stamp", None)
    claim = None if stamp is None else int(str(stamp)) + OFFSET
    taken = at.take(
        Arrival("s", {T: Value(celsius)}, now, stamp=claim, **more),  # type: ignore[arg-type]
        now,
        now - now % SECOND + SECOND,
        OFFSET,
    )
    assert taken is not None
    if not taken.readings:
        return -1, Quality.GOOD, math.nan
    (reading,) = taken.readings
    return reading.at, reading.quality, reading.value


def paced(at: Door, now: int, count: int = 3, **more: object) -> int:
    """Let readings come at their pace."""
    for _ in range(count):
        come(at, now, stamp=now, link=1, **more)
        now += EVERY
    return now


class TestInstant:
    def test_at_its_pace_a_reading_counts_from_its_arrival(self) -> None:
        """A stamp within two minutes moves nothing while readings come at their pace."""
        one = door()
        now = paced(one, START)
        assert come(one, now, 28.7, stamp=now - MINUTE, link=1)[0] == now - now % SECOND

    def test_a_wrong_clock_is_told_and_believed_in_nothing(self) -> None:
        """A stamp that is off by hours leaves the instant at the arrival and says by how much."""
        one = door()
        now = paced(one, START)
        taken = one.take(
            Arrival("s", {T: Value(28.5)}, now, stamp=now + OFFSET + 3 * 3600 * SECOND, link=1),
            now,
            now,
            OFFSET,
        )
        assert taken is not None
        assert taken.readings[0].at == now
        assert taken.readings[0].skew == 3 * 3600 * SECOND

    @pytest.mark.parametrize(
        ("back", "grade"), [(0, Grade.GOOD), (60 * SECOND, Grade.GOOD), (5 * MINUTE, Grade.LATE)]
    )
    def test_after_a_reconnect_the_stamp_is_the_instant(self, back: int, grade: Grade) -> None:
        """Out of a backlog a reading stands where its stamp says; an old one is late."""
        one = door()
        now = paced(one, START) + 20 * MINUTE
        at, quality, _ = come(one, now, stamp=now - back, link=2)
        assert at == now - back
        assert quality.grade is grade

    def test_after_a_gap_too(self) -> None:
        """A sensor that was away brings its backlog over the old connection."""
        one = door()
        now = paced(one, START) + 10 * MINUTE
        assert come(one, now, stamp=now - 8 * MINUTE, link=1) == (now - 8 * MINUTE, Quality.LATE, 28.5)

    @pytest.mark.parametrize("off", [AHEAD + SECOND, 10**12, -(10**12)])
    def test_an_impossible_stamp_out_of_a_backlog_is_not_believed(self, off: int) -> None:
        """Its age is not known then: recorded at its arrival, not judged."""
        one = door()
        now = paced(one, START) + 20 * MINUTE
        at, quality, _ = come(one, now, stamp=now + off, link=2)
        assert (at, quality) == (now - now % SECOND, Quality.UNKNOWN_AGE)

    def test_unstamped_out_of_a_backlog_has_no_known_age(self) -> None:
        """The first after a reconnect, and what the broker kept, are not judged; the next at its pace is."""
        one = door()
        assert come(one, START, link=1)[1] is Quality.UNKNOWN_AGE
        assert come(one, START + EVERY, link=1)[1] is Quality.GOOD
        assert come(one, START + 2 * EVERY, link=1, retained=True)[1] is Quality.UNKNOWN_AGE

    def test_an_older_one_than_the_newest_is_late(self) -> None:
        """Readings that change places on their way raise and clear nothing."""
        one = door()
        now = paced(one, START) + 10 * MINUTE
        come(one, now, stamp=now - 10 * SECOND, link=2)
        assert come(one, now, stamp=now - 20 * SECOND, link=2)[1].grade is Grade.LATE

    def test_without_a_trusted_clock_everything_counts_from_its_arrival(self) -> None:
        """No offset, no stamp."""
        one = door()
        taken = one.take(Arrival("s", {T: Value(28.5)}, START, stamp=5, link=2), START, START, None)
        assert taken is not None
        assert taken.readings[0].at == START
        assert taken.readings[0].skew == 0


class TestTwice:
    def test_the_same_stamp_and_value_is_taken_once(self) -> None:
        """A redelivered reading adds nothing; another value of the same stamp does."""
        one = door()
        first = come(one, START, stamp=START, link=1)
        assert first[0] == START
        assert come(one, START + SECOND, stamp=START, link=2)[0] == -1
        assert come(one, START + SECOND, 28.6, stamp=START, link=2)[0] != -1

    def test_a_counter_is_remembered_for_a_while(self) -> None:
        """A device that begins to count from 0 again is not taken for its own past."""
        one = door()
        for number in range(REMEMBERED + 5):
            assert come(one, START + number * EVERY, counter=number, link=1)[0] != -1
        now = START + 1000 * EVERY
        assert come(one, now, counter=REMEMBERED, link=1)[0] == -1
        assert come(one, now + EVERY, counter=0, link=1)[0] != -1

    def test_after_a_restart_what_was_recorded_is_known(self) -> None:
        """The door learns from the record."""
        one, two = door(), door()
        taken = one.take(Arrival("s", {T: Value(28.5)}, START, stamp=START + OFFSET), START, START, OFFSET)
        assert taken is not None
        two.remember(taken.entries)
        again = two.take(
            Arrival("s", {T: Value(28.5)}, START + 5, stamp=START + OFFSET), START + 5, START + 5, OFFSET
        )
        assert again is not None
        assert again.readings == ()
        assert again.repeated == 1


class TestValues:
    def test_the_record_is_raw_and_the_engine_sees_it_corrected(self) -> None:
        """A correction changes what is judged, never what is recorded."""
        one = door(corrections={T: Correction(1.0, -0.5)})
        taken = one.take(Arrival("s", {T: Value(28.51234)}, START), START, START, OFFSET)
        assert taken is not None
        assert taken.entries[0].raw == 28.512
        assert taken.readings[0].value == 28.012

    @given(
        st.floats(allow_nan=True, allow_infinity=True),
        st.none() | st.integers(-(2**62), 2**62),
        st.integers(0, 4),
        st.booleans(),
    )
    def test_what_the_engine_sees_is_what_a_replay_makes_of_the_record(
        self,
        celsius: float,
        stamp: int | None,
        link: int,
        retained: bool,
    ) -> None:
        """For any value, stamp, connection: recorded and read again it is the same reading."""
        one = door()
        now = paced(one, START)
        taken = one.take(
            Arrival("s", {T: Value(celsius)}, now, stamp=stamp, link=link, retained=retained),
            now,
            now,
            OFFSET,
        )
        assert taken is not None
        for entry, reading in zip(taken.entries, taken.readings, strict=True):
            again = one.again(entry, OFFSET)
            assert repr(again) == repr(reading)
            assert reading.at <= now
