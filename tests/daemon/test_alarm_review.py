"""The alarm review against its definitions."""

import json
from pathlib import Path

import pytest

from daemon import cli
from daemon.alarm_review import DEFINITIONS, AlarmReview, Flood, floods, reviewed
from daemon.alarm_review_answer import as_json
from daemon.commands.review import nights
from daemon.logbook import Archive, Labels
from daemon.night import Window
from daemon.record import AlarmRow
from rules.events import AlarmKey
from rules.plan import Priority
from rules.reading import DAY, HOUR, MINUTE, SECOND
from tests.kit.played import Pen, Played, room_text, written


def row(number: int, raised: float, cleared: float | None = None, **more: object) -> AlarmRow:
    """Give an alarm; instants in minutes."""
    key = AlarmKey(str(more.pop("place", "pen-1")), "air", "temperature", "too warm")
    begin = int(raised * MINUTE)
    end = None if cleared is None else int(cleared * MINUTE)
    priority = more.pop("priority", Priority.MEDIUM)
    return AlarmRow(number, key, priority, begin, begin, cleared=end, **more)  # type: ignore[arg-type]


def looked(*rows: AlarmRow, end: int = 2 * DAY) -> AlarmReview:
    """Review alarms of two days."""
    return reviewed(rows, [], 0, Window(0, end))


class TestKinds:
    @pytest.mark.parametrize(
        ("seconds", "chatters"),
        [([0, 20, 40], True), ([0, 30, 61], False), ([0, 59], False), ([0, 20, 40, 70, 90], True)],
    )
    def test_chattering_is_three_times_in_a_minute(self, seconds: list[int], chatters: bool) -> None:
        """ISA-TR18.2.5: the same alarm three times within a minute."""
        rows = [row(i, s / 60, (s + 5) / 60) for i, s in enumerate(seconds)]
        assert bool(looked(*rows).chattering) is chatters

    def test_returning_is_three_times_in_an_hour(self) -> None:
        """Our own measure where off-delays make chattering slow."""
        rows = [row(1, 0, 5), row(2, 20, 25), row(3, 40, 45), row(4, 40, 45, place="pen-2")]
        found = looked(*rows)
        assert [(one.alarm.place, one.numbers) for one in found.returning] == [("pen-1", (1, 2, 3))]
        assert found.chattering == ()

    def test_fleeting_is_short_unseen_and_does_not_come_back(self) -> None:
        """Cleared within 5 min by itself, and not back within an hour."""
        rows = [
            row(1, 0, 4),
            row(2, 30, 34),
            row(3, 200, 206),
            row(4, 400, 404, acknowledged=401 * MINUTE),
            row(5, 600, None),
        ]
        assert looked(*rows).fleeting == (2,)

    def test_long_standing_is_more_than_a_day(self) -> None:
        """Open for more than 24 h, begun before the window or still open at its end."""
        rows = [row(1, -100, 1440), row(2, 0, 1440), row(3, 1440, None), row(4, 100, None)]
        assert looked(*rows).long_standing == (1, 4)

    def test_explained_alarms_are_no_load(self) -> None:
        """What a wider alarm explained and nobody heard of is counted apart."""
        found = looked(row(1, 0), row(2, 1, cause=1), row(3, 2, cause=1, alerted=MINUTE))
        assert (found.alarms, found.explained) == (2, 1)


class TestLoad:
    def test_days_and_ten_minutes(self) -> None:
        """Each 24 hours and each ten minutes, the crowded ones with more than ten alarms."""
        rows = [row(n, n * 0.5, place=f"pen-{n}") for n in range(12)] + [row(20, 1500)]
        found = looked(*rows)
        assert [day.alarms for day in found.days] == [12, 1]
        ten = found.per_ten_minutes
        assert (ten.mean, ten.most, ten.crowded) == (13 / 288, 12, 100 / 288)

    def test_top_and_shares(self) -> None:
        """The most frequent first, with shares; priorities add up to all."""
        rows = [row(n, n * 100, place="pen-2") for n in range(3)] + [row(9, 5, priority=Priority.HIGH)]
        found = looked(*rows)
        assert [(one.times, one.share) for one in found.top] == [(3, 75.0), (1, 25.0)]
        assert found.priorities == {"low": 0.0, "medium": 75.0, "high": 25.0}

    def test_at_most_ten_are_the_top(self) -> None:
        """The top is ten."""
        assert len(looked(*(row(n, n, place=f"pen-{n}") for n in range(14))).top) == 10

    def test_time_to_acknowledge(self) -> None:
        """Median and longest of those that were acknowledged; the others are counted."""
        rows = [
            row(1, 0, acknowledged=4 * MINUTE),
            row(2, 10, acknowledged=20 * MINUTE, priority=Priority.HIGH),
            row(3, 20),
        ]
        whole = looked(*rows).to_acknowledge
        assert (whole[""].acknowledged, whole[""].never) == (2, 1)
        assert (whole[""].median, whole[""].longest) == (7 * MINUTE, 10 * MINUTE)
        assert whole["high"].median == 10 * MINUTE
        assert "low" not in whole

    @pytest.mark.parametrize(
        ("minutes", "expected"),
        [
            pytest.param([], [], id="none"),
            pytest.param([m * 1.0 for m in range(10)], [(0, 15, 10)], id="ten in nine minutes"),
            pytest.param([m * 1.2 for m in range(10)], [], id="ten in eleven minutes"),
            pytest.param([0.0] * 9, [], id="nine at once"),
            pytest.param([0.0] * 10 + [30.0] * 11, [(0, 10, 10), (30, 40, 11)], id="two floods"),
        ],
    )
    def test_floods_begin_at_ten_and_end_below_five(
        self, minutes: list[float], expected: list[tuple[int, int, int]]
    ) -> None:
        """Ten in ten minutes begin a flood, fewer than five in ten minutes end it."""
        found = floods(int(minute * MINUTE) for minute in minutes)
        assert [(one.start // MINUTE, one.end // MINUTE, one.alarms) for one in found] == expected

    def test_a_flood_goes_on_while_five_come(self) -> None:
        """One alarm each two minutes after ten keeps the flood up: five in ten minutes."""
        steady = [0.0] * 10 + [2.0 * n for n in range(1, 30)]
        (flood,) = floods(int(minute * MINUTE) for minute in steady)
        assert flood == Flood(0, 60 * MINUTE, 39)

    def test_a_month_is_enough(self) -> None:
        """Below 30 days the review says so."""
        assert looked(end=30 * DAY).enough
        assert not looked(end=30 * DAY - 1).enough


class TestAnswer:
    def test_every_figure_has_its_definition_and_source(self) -> None:
        """Each key of DEFINITIONS is a figure of the answer, with words and a source."""
        found = as_json(looked(row(1, 0)), Labels())
        assert set(DEFINITIONS) <= set(found)
        assert all(one.words and one.source for one in DEFINITIONS.values())
        assert json.loads(json.dumps(found, allow_nan=False)) == found

    def test_the_command_reads_a_real_logbook(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Ovigil review: alarms, alerts and shares of a played evening, in words and as JSON."""
        loaded = written(tmp_path, room_text(Pen()))
        watch = Played(loaded, tmp_path / "state")
        watch.open()
        watch.minutes([{"pen-1": 35.0}] * 6 + [{"pen-1": 29.5}] * 40)
        assert cli.main(["review", str(loaded.path), "--json"]) == cli.OK
        found = json.loads(capsys.readouterr().out)
        assert (found["alarms"], found["alerts"], found["enough"]) == (1, 2, False)
        assert found["priorities"]["high"] == 100.0
        assert cli.main(["review", str(loaded.path)]) == cli.OK
        said = capsys.readouterr().out
        assert all(one.words in said for one in DEFINITIONS.values())

    def test_a_window_that_is_none_is_refused(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """--from that is no instant, or an end before the begin, is a usage error."""
        loaded = written(tmp_path, room_text(Pen()))
        Played(loaded, tmp_path / "state").open()
        assert cli.main(["review", str(loaded.path), "--from", "soon"]) == cli.USAGE
        later, sooner = "2026-11-25T08:00", "2026-11-25T07:00"
        assert cli.main(["review", str(loaded.path), "--from", later, "--to", sooner]) == cli.USAGE
        assert "soon" in capsys.readouterr().err

    def test_nights_are_the_rooms(self, tmp_path: Path) -> None:
        """The nights of a long window are what lies outside the room's day."""
        loaded = written(tmp_path, room_text(Pen()))
        watch = Played(loaded, tmp_path / "state")
        watch.open()
        with Archive.open(tmp_path / "state") as archive:
            start = archive.labels().room_instant(1_795_590_000_000)
            found = nights(archive, loaded, Window(start, start + 60 * DAY))
        assert sum(end - begin for begin, end in found) == 60 * 10 * HOUR
        assert all(0 < end - begin <= 10 * HOUR for begin, end in found)
        assert found[0][1] > SECOND
