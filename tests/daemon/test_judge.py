"""The judge: any arrival in any order becomes a batch; what is no measurement is counted."""

import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.judge import MOST_SOURCES, OTHERS, REJECTS_SAID, Rejects
from daemon.record import Kind
from rules.reading import MINUTE, SECOND
from sensors.reader import Reject
from tests.kit.hand import Handled, room
from tests.kit.played import Pen, Played, room_text, written


def reject(source: str, reason: str = "no number") -> Reject:
    """Make something that is no measurement."""
    return Reject(source, reason, "x", 0)


class TestRejects:
    def test_one_line_for_a_source_in_ten_minutes(self) -> None:
        """However often a source sends nonsense, its lines keep their distance and count all of it."""
        rejects, counted, lines = Rejects(), 0, 0
        for now in range(0, 3 * REJECTS_SAID + 1, SECOND):
            rejects.take(reject("cellar/a"))
            for line in rejects.lines(now):
                counted += int(str(line.body["count"]))
                lines += 1
        assert lines == 4
        assert counted == rejects.total["cellar/a"]

    def test_sources_without_end_take_no_memory_without_end(self) -> None:
        """Beyond five hundred sources the rest is counted together."""
        rejects = Rejects()
        for number in range(3_000):
            rejects.take(reject(f"cellar/{number}"))
        assert len(rejects.total) == MOST_SOURCES + 1
        assert rejects.total[OTHERS] == 3_000 - MOST_SOURCES
        assert sum(int(str(line.body["count"])) for line in rejects.lines(0)) == 3_000

    def test_the_end_says_what_is_left(self, tmp_path: Path) -> None:
        """Nothing that was counted is lost at the end of a watch."""
        hand = Handled(tmp_path, room("box-1"))
        hand.start()
        for _ in range(7):
            hand.reject("cellar/a")
            hand.pass_time(MINUTE, step=MINUTE)
        hand.end()
        lines = hand.journal(Kind.REJECTED)
        assert sum(int(str(one.body["count"])) for one in lines) == 7


class TestTime:
    def test_silence_is_recorded_without_a_round(self, tmp_path: Path) -> None:
        """Where nothing arrives any more, time alone makes the alarm, its rows and its lines."""
        hand = Handled(tmp_path, room("box-1"))
        hand.start()
        hand.feed({"box-1": 29.0}, 3 * MINUTE)
        hand.pass_time(40 * MINUTE, step=MINUTE)
        hand.commit()
        assert len(hand.alarms("silent")) == 1
        hand.end()

    def test_a_label_is_in_the_row_and_stays_when_it_clears(self, tmp_path: Path) -> None:
        """What a keeper says of an open alarm is kept when the alarm ends."""
        played = Played(written(tmp_path, room_text(Pen())), tmp_path / "state")
        played.open()
        played.minutes({"pen-1": value} for value in [29.0] * 5 + [35.0] * 10)
        (row,) = [one for one in played.rows() if one.key.rule == "too warm"]
        played.label(row.number, "expected")
        played.minutes({"pen-1": 29.0} for _ in range(20))
        (row,) = [one for one in played.rows() if one.key.rule == "too warm"]
        assert (row.label, row.cleared is not None) == ("expected", True)


class TestRounds:
    def test_strangers_are_settled_and_forgotten(self, tmp_path: Path) -> None:
        """A sensor that the settings do not know is no reason to hold the broker."""
        hand = Handled(tmp_path, room("box-1"))
        hand.start()
        settled: list[int] = []
        hand.put("nobody", 20.0, settled=lambda: settled.append(1))
        hand.pass_time(3 * SECOND)
        assert settled == [1]
        hand.end()

    def test_a_name_under_a_wildcard_joins_the_plan(self, tmp_path: Path) -> None:
        """It is heard, recorded from its first reading on, kept over a restart, and judged."""
        text = room("box-1") + '\n[[place]]\nname = "rack"\nkind = "enclosure"\n'
        text += (
            'temperature = { ideal = ["28 C", "31 C"], safe = ["26 C", "33 C"] }\nhold = { safe = "1 min" }\n'
        )
        text += (
            '[[place.sensor]]\nname = "any"\nread = { by = "mqtt", topic = "rack/+", temperature = "/t" }\n'
        )
        hand = Handled(tmp_path, text)
        hand.start()
        for celsius in (29.0, 29.1):
            hand.put("left", celsius, template="any")
            hand.pass_time(30 * SECOND)
        hand.commit()
        assert len(hand.journal(Kind.PLAN)) == 2
        hand.drop()
        hand.start()
        for celsius in (35.0, 35.1, 35.2, 35.3, 35.4, 35.5):
            hand.put("left", celsius, template="any")
            hand.pass_time(30 * SECOND)
        hand.commit()
        with hand.archive() as archive:
            values = [one.raw for one in archive.replay_rows(0) if one.sensor == "left"]
        assert values == [29.0, 29.1, 35.0, 35.1, 35.2, 35.3, 35.4, 35.5]
        assert [row.sensors for row in hand.alarms("too warm")] == [("left",)]
        assert len(hand.journal(Kind.PLAN)) == 3
        hand.end()

    def test_a_name_of_a_wildcard_that_is_gone_is_dropped(self, tmp_path: Path) -> None:
        """What an old reader still had on its way makes no new plan every second."""
        hand = Handled(tmp_path, room("box-1"))
        hand.start()
        hand.put("left", 29.0, template="any")
        hand.pass_time(20 * SECOND)
        hand.commit()
        assert len(hand.journal(Kind.PLAN)) <= 2
        hand.end()


VALUES = st.floats(allow_nan=True, allow_infinity=True) | st.sampled_from([-127.0, 85.0, 29.0, 35.0])


class TestAnything:
    @settings(max_examples=25, deadline=None)
    @given(
        st.lists(
            st.tuples(
                st.sampled_from(["box-1", "nobody"]),
                VALUES,
                st.none() | st.integers(-(2**62), 2**62),
                st.none() | st.integers(0, 2**40),
                st.booleans(),
                st.integers(0, 5),
            ),
            max_size=12,
        )
    )
    def test_any_value_and_stamp_is_taken_and_settled(
        self,
        given_readings: list[tuple[str, float, int | None, int | None, bool, int]],
    ) -> None:
        """Impossible values, stamps and counters end no watch and hold no message back."""
        with tempfile.TemporaryDirectory() as folder:
            hand = Handled(Path(folder), room("box-1"))
            hand.start()
            settled: list[int] = []
            for sensor, celsius, stamp, counter, retained, link in given_readings:
                hand.link = link
                hand.put(
                    sensor,
                    celsius,
                    stamp=stamp,
                    counter=counter,
                    retained=retained,
                    settled=lambda: settled.append(1),
                )
                hand.pass_time(2 * SECOND)
            hand.end()
            assert len(settled) == len(given_readings)
