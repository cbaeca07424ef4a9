"""What was written is what is read, wherever it lies."""

import math
import time
from itertools import groupby
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.logbook import Archive, Logbook, TooSlow
from daemon.logbook.clock import Labels, Look, labelled
from daemon.record import Batch, Entry
from rules.reading import DAY, HOUR, MINUTE, SECOND, Grade, Quality, Quantity
from tests.kit.logbooks import BASE, H, T, entry, facts, night, recorded

SENSORS = ("a", "b")


@st.composite
def histories(draw: st.DrawFn) -> list[tuple[str, int, list[Entry]]]:
    """Draw rounds, sealings and imports: ("round" | "seal" | "import", now, entries)."""
    now = BASE
    steps: list[tuple[str, int, list[Entry]]] = []
    for _ in range(draw(st.integers(1, 12))):
        now += draw(st.sampled_from([0, SECOND, 30 * SECOND, 20 * MINUTE, HOUR, 5 * HOUR]))
        what = draw(st.sampled_from(["round", "round", "round", "seal", "import"]))
        entries = []
        for _ in range(draw(st.integers(0, 5)) if what != "seal" else 0):
            late = draw(st.sampled_from([0, 0, SECOND, 50 * MINUTE, 3 * HOUR, 30 * HOUR]))
            quality = Quality.LATE if late > SECOND else Quality.GOOD
            raw = draw(st.sampled_from([math.nan, 28.5, 28.51, -3.0]))
            quality = Quality.NOT_A_NUMBER if raw != raw else quality
            one = Entry(
                draw(st.sampled_from(SENSORS)), draw(st.sampled_from([T, H])), raw, now - late, now, quality
            )
            entries.append(one)
        entries.sort(key=lambda e: (e.at, e.sensor, e.quantity.value))
        steps.append((what, now, entries))
    return steps


def played(logbook: Logbook, steps: list[tuple[str, int, list[Entry]]]) -> list[Entry]:
    """Write a history; give everything that was stored, in order of storing."""
    stored: list[Entry] = []
    for what, now, entries in steps:
        if what == "seal":
            logbook.seal(now)
        elif what == "round":
            logbook.commit([Batch(now, tuple(entries))])
            stored += entries
        else:
            known = {facts(e)[:4] for e in stored}
            logbook.import_pages(entries)
            for one in entries:
                if facts(one)[:4] not in known:
                    known.add(facts(one)[:4])
                    stored.append(one)
    return stored


class TestAgainstAModel:
    @given(histories(), st.integers(-2, 30), st.integers(1, 30))
    @settings(max_examples=60, deadline=None)
    def test_every_question_is_answered_as_from_a_list(
        self, steps: list[tuple[str, int, list[Entry]]], start: int, hours: int
    ) -> None:
        """Readings, curve, replay, latest, span and envelope agree with a plain list."""
        since, until = BASE + start * HOUR + 7 * SECOND, BASE + (start + hours) * HOUR
        with TemporaryDirectory() as folder, Logbook.open(folder) as logbook, Archive.open(folder) as archive:
            stored = played(logbook, steps)
            for key in archive.series():
                self.agrees(
                    archive, key, [e for e in stored if (e.sensor, e.quantity) == key], (since, until)
                )
            self.all_at_once(archive, (since, until))
            told = sorted((e for e in stored if since <= e.now < until), key=_judged)
            assert sorted(map(_comparable, told)) == sorted(
                _comparable(e) for e in archive.replay(since, until)
            )
            assert [_judged(e) for e in told] == [_judged(e) for e in archive.replay(since, until)]
            ats = [e.at for e in stored]
            assert ((min(ats), max(ats)) if ats else None) == archive.span()
            assert archive.verify() == []

    def all_at_once(self, archive: Archive, window: tuple[int, int]) -> None:
        """Many curves at once are the same as one by one, and a stranger's is empty."""
        keys = [*archive.series(), ("nobody", T)]
        together = archive.curves(keys, *window)
        assert list(together) == keys
        for key in keys:
            one = archive.curve(*key, *window)
            assert repr(one) == repr(together[key])

    def agrees(
        self, archive: Archive, key: tuple[str, Quantity], mine: list[Entry], window: tuple[int, int]
    ) -> None:
        """Compare one series."""
        since, until = window
        inside = [e for e in mine if since <= e.at < until]
        found = archive.readings(*key, since, until)
        assert [e.at for e in found] == sorted(e.at for e in inside)
        assert sorted(map(_comparable, found)) == sorted(map(_comparable, inside))
        curve = archive.curve(*key, since, until, before=True)
        longer = archive.readings(*key, since, until, before=True)
        assert [(e.at, e.quality.code) for e in longer] == [(at, code) for at, _, code in curve]
        earlier = [e.at for e in mine if e.at < since]
        assert len(longer) == len(inside) + bool(earlier)
        if earlier:
            assert longer[0].at == max(earlier)
        if mine:
            assert archive.latest()[key].at == max(e.at for e in mine)
        counted = [e.raw for e in inside if e.quality.grade in (Grade.GOOD, Grade.LATE)]
        parts = archive.envelope(*key, since, until, 4000)
        assert sum(part.n for part in parts) == len(inside)
        lows = [part.low for part in parts if part.low == part.low]
        assert (min(lows) if lows else None) == (min(counted) if counted else None)


def _judged(e: Entry) -> tuple[object, ...]:
    return (e.now, e.at, e.sensor, e.quantity.value)


def _comparable(e: Entry) -> tuple[object, ...]:
    return (*_judged(e), -1e9 if e.raw != e.raw else e.raw, e.quality.code)


class TestReplay:
    def test_a_night_comes_back_exactly_as_it_was_judged(self, tmp_path: Path) -> None:
        """Live order and replayed order are one, whether sealed or not."""
        recorded(tmp_path)
        live = [facts(e) for batch in night(3, 400) for e in batch.entries]

        with Archive.open(tmp_path) as archive:
            assert live == [facts(e) for e in archive.replay(0, 2**60)]
            assert live == [facts(e) for e in archive.replay_rows(0)]
            assert live[600:] == [facts(e) for e in archive.replay_rows(600)]

    def test_a_very_late_reading_is_replayed_in_the_round_that_took_it(self, tmp_path: Path) -> None:
        """It lies in the page of its stamp, days before, and is found by its round."""
        late = entry("box-0", 20.0, 5000, now=BASE + 3 * DAY, quality=Quality.LATE)
        with Logbook.open(tmp_path) as logbook, Archive.open(tmp_path) as archive:
            logbook.commit([Batch(late.now, (late,))])
            logbook.seal(BASE + 4 * DAY)

            assert [facts(late)] == [facts(e) for e in archive.replay(BASE + 2 * DAY, BASE + 4 * DAY)]
            assert list(archive.replay(BASE, BASE + 2 * DAY)) == []

    def test_sealing_meanwhile_shows_nothing_twice(self, tmp_path: Path) -> None:
        """A replay holds the state with which it began."""
        with Logbook.open(tmp_path) as logbook, Archive.open(tmp_path) as archive:
            for batch in night(2, 300):
                logbook.commit([batch])
            going = archive.replay(0, 2**60)
            first = next(going)
            logbook.seal(BASE + 2 * HOUR)

            assert len([first, *going]) == 600


class TestEnvelope:
    def test_a_season_is_answered_from_summaries(self, tmp_path: Path) -> None:
        """Long parts use the pages' summaries: lowest, mean and highest are those of the readings."""
        recorded(tmp_path, 1, 600)
        with Archive.open(tmp_path) as archive:
            parts = archive.envelope("box-00", T, BASE + 5, BASE + 5 * HOUR - 5, 5)
            for part in parts:
                values = [e.raw for e in archive.readings("box-00", T, part.start, part.end)]

                assert (part.n, part.low, part.high) == (len(values), min(values), max(values))
                assert part.mean == pytest.approx(sum(values) / len(values), abs=1e-9)

    def test_nothing_is_a_bucket_without_values(self, tmp_path: Path) -> None:
        """A part without readings is NaN, an unknown series is nothing."""
        recorded(tmp_path, 1, 10)
        with Archive.open(tmp_path) as archive:
            assert all(math.isnan(part.low) for part in archive.envelope("box-00", T, 0, HOUR, 3))
            assert archive.envelope("nobody", T, 0, HOUR, 3) == []
            assert archive.readings("nobody", T, 0, HOUR) == []
            assert len(archive.curve("nobody", T, 0, HOUR)) == 0


class TestDeadline:
    def test_a_question_that_takes_too_long_is_cut(self, tmp_path: Path) -> None:
        """Within no time nothing is answered; afterwards the archive answers again."""
        recorded(tmp_path)
        with Archive.open(tmp_path) as archive:
            with archive.within(-1), pytest.raises(TooSlow):
                list(archive.replay(0, 2**60))

            assert archive.series() != []


class TestLabels:
    def test_an_untrusted_boot_is_labelled_by_its_later_trusted_look(self, tmp_path: Path) -> None:
        """A later entry puts the labels of the whole boot right, without touching a row."""
        with Logbook.open(tmp_path) as logbook, Archive.open(tmp_path) as archive:
            logbook.note_boot("one", BASE, None, trusted=False)
            assert archive.wall_offset_at(BASE) == 0
            logbook.note_boot("one", BASE + HOUR, 5000, trusted=True)
            logbook.note_boot("one", BASE + HOUR, 5000, trusted=True)
            logbook.note_boot("two", BASE + DAY, 9000, trusted=True)

            assert [archive.wall_offset_at(at) for at in (BASE - DAY, BASE, BASE + DAY - 1, BASE + DAY)] == [
                5000,
                5000,
                5000,
                9000,
            ]
            assert len(archive.journal()) == 3

    @given(
        st.lists(st.tuples(st.integers(1, 10**6), st.integers(0, 10**6)), min_size=1, max_size=5),
        st.integers(-(10**6), 10**7),
    )
    def test_a_wall_time_finds_the_instant_that_carries_it(
        self, boots: list[tuple[int, int]], at: int
    ) -> None:
        """From room time to the wall and back, where the wall never stepped back."""
        now = offset = 0
        looks = []
        for index, (later, jump) in enumerate(boots):
            now, offset = now + later, offset + jump
            looks.append(Look(now, str(index), offset, trusted=True))
        labels = labelled(looks)

        assert at == labels.room_instant(labels.wall(at))

    def test_the_last_untrusted_look_serves_where_nothing_better_came(self) -> None:
        """Untrusted is better than nothing, and is called so."""
        labels = labelled([Look(5, "a", 100, trusted=False), Look(9, "a", 200, trusted=False)])

        assert (Labels((5,), (200,), (False,)), False) == (labels, labels.trusted_at(7))


class TestSpeed:
    def test_columns_are_faster_than_entries(self, tmp_path: Path) -> None:
        """Drawing asks for columns because entries cost more."""
        recorded(tmp_path, 1, 2400)
        with Archive.open(tmp_path) as archive:
            spent = []
            for ask in (archive.curve, archive.readings):
                start = time.perf_counter()
                for _ in range(5):
                    ask("box-00", T, 0, 2**60)
                spent.append(time.perf_counter() - start)

        assert spent[0] < spent[1]


def test_instants_group_as_rounds(tmp_path: Path) -> None:
    """A replay can be grouped by round: each round comes once."""
    recorded(tmp_path)
    with Archive.open(tmp_path) as archive:
        rounds = [now for now, _ in groupby(archive.replay(0, 2**60), key=lambda e: e.now)]

    assert len(set(rounds)) == len(rounds) == 400
