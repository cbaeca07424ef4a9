"""What is committed reaches the store exactly as recorded, whatever the store does meanwhile."""

import json
import math
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.line_protocol import line, name, tag
from daemon.record import Entry
from daemon.uplink_cursor import CURSOR, Cursor, read_cursor, write_cursor
from daemon.uplink_forward import BATCH, HOPELESS, REFUSED, Described, Pace, Uplink
from daemon.uplink_store import Fate, Store, Target, Verdict, judge
from rules.reading import Quality, Quantity
from tests.kit.nginx_influx import missing, real_store
from tests.kit.store_receiver import Receiver, free_port, receiving

AT = 1_790_000_000_000
Answer = tuple[int, dict[str, str], str]


def _entries(count: int, start: int = 1) -> list[Entry]:
    """Make readings one second apart, each with a value of its own."""
    return [
        Entry("box-2", Quantity.TEMPERATURE, 20 + row / 1_000, AT + row * 1_000, AT + row * 1_000, row=row)
        for row in range(start, start + count)
    ]


class Shelf:
    """A logbook in memory, of which the offset is known from some instant on."""

    def __init__(self, entries: Sequence[Entry], offset: int | None = 0) -> None:
        self.entries = list(entries)
        self.known: int | None = offset

    def after(self, row: int, limit: int) -> list[Entry]:
        """Give what lies above the row."""
        return [entry for entry in self.entries if (entry.row or 0) > row][:limit]

    def newest(self) -> int:
        """Give the last row."""
        return max((entry.row or 0 for entry in self.entries), default=0)

    def offset(self, _: int) -> int | None:
        """Give the one offset."""
        return self.known


@pytest.fixture
def store() -> Iterator[Receiver]:
    """A store in this process."""
    with receiving() as receiver:
        yield receiver


def _uplink(shelf: Shelf, url: str, folder: Path, patience: float = 5.0) -> Uplink:
    target = Target(url, "room", "ovigil", "marker-token")
    return Uplink(
        source=shelf,
        sink=Store(target, patience),
        folder=folder,
        pace=Pace(idle=15, first=1, most=300),
        chance=lambda: 1.0,
    )


class TestLines:
    def test_a_line_carries_place_spot_value_and_utc(self) -> None:
        """A reading becomes one line: names, escaped tags, floats, ms of UTC."""
        entry = Entry("box 2", Quantity.TEMPERATURE, 30.0, 1_000, 1_000, row=1)
        said = line(entry, 500, place="a,b=c", spot="warm side", value=30.3)
        assert said == (
            "temperature,place=a\\,b\\=c,sensor=box\\ 2,spot=warm\\ side value=30.3,raw=30.0 1500"
        )

    def test_a_quality_other_than_good_is_told_by_its_code(self) -> None:
        """A suspect reading can be told from a good one in the store."""
        entry = Entry("s", Quantity.HUMIDITY, 99.0, 0, 0, Quality.SATURATED)
        assert line(entry, 0) == "humidity,sensor=s value=99.0,quality=22.0 0"

    def test_no_value_is_no_line(self) -> None:
        """NaN never becomes text."""
        with pytest.raises(ValueError, match="not a value"):
            line(Entry("s", Quantity.HUMIDITY, math.nan, 0, 0), 0)

    @pytest.mark.parametrize(("words", "said"), [("dew point", "dew_point"), ("CO2 (ppm)", "co2_ppm_")])
    def test_names_are_plain(self, words: str, said: str) -> None:
        """A measurement's name needs no escaping."""
        assert name(words) == said

    @given(st.text(max_size=40))
    def test_a_tag_is_one_word_of_one_line(self, value: str) -> None:
        """Whatever a name holds, a tag ends where it should: no bare separator, no break, no open escape."""
        said = tag(value)
        bare = said.replace("\\,", "").replace("\\=", "").replace("\\ ", "")
        assert not set(",= \\\n\r\t") & set(bare)


class TestCursor:
    def test_it_is_what_was_written(self, tmp_path: Path) -> None:
        """The cursor survives in a file that only its owner reads."""
        kept = Cursor(7, 6, 1, 0, "there", "waits")
        write_cursor(tmp_path, kept)
        assert read_cursor(tmp_path) == kept
        assert (tmp_path / CURSOR).stat().st_mode & 0o777 == 0o600

    @pytest.mark.parametrize("text", ["", "{", '{"row": "x"}', '{"rows": 1}', "[]", "\x00"])
    def test_a_damaged_one_begins_anew(self, tmp_path: Path, text: str) -> None:
        """A cursor that cannot be read is none: everything kept is sent again."""
        (tmp_path / CURSOR).write_text(text)
        assert read_cursor(tmp_path) == Cursor()

    def test_another_store_begins_anew(self, tmp_path: Path, store: Receiver) -> None:
        """A cursor belongs to its address and bucket."""
        write_cursor(tmp_path, Cursor(row=5, target="elsewhere"))
        uplink = _uplink(Shelf(_entries(9)), store.url, tmp_path)
        uplink.round()
        assert len(store.lines) == 9

    def test_a_restored_logbook_is_met_where_it_ends(self, tmp_path: Path, store: Receiver) -> None:
        """After a restore the row numbers begin further down, and what comes next is sent."""
        write_cursor(tmp_path, Cursor(row=900))
        shelf = Shelf(_entries(10))
        uplink = _uplink(shelf, store.url, tmp_path)
        uplink.round()
        shelf.entries += _entries(5, start=11)
        uplink.round()
        assert len(store.lines) == 5


class TestForwarding:
    def test_batches_until_all_is_sent(self, tmp_path: Path, store: Receiver) -> None:
        """Readings go in batches of 500, and the next start goes on where this one ended."""
        shelf = Shelf(_entries(1_200))
        heard: list[int] = []
        uplink = _uplink(shelf, store.url, tmp_path)
        uplink._told = heard.append
        assert [uplink.round() for _ in range(3)] == [0, 0, 15]
        uplink.keep()
        assert store.requests == [500, 500, 200]
        assert heard == [500, 1_000, 1_200]
        assert read_cursor(tmp_path) == Cursor(row=1_200, sent=1_200)
        shelf.entries += _entries(3, start=1_201)
        _uplink(shelf, store.url, tmp_path).round()
        assert store.requests[-1] == 3
        assert store.tokens == {"Token marker-token"}

    def test_readings_without_a_value_are_passed_over(self, tmp_path: Path, store: Receiver) -> None:
        """A bad reading has nothing to send and holds nothing up."""
        entries = _entries(3)
        entries[1] = replace(entries[1], raw=math.nan, quality=Quality.NOT_A_NUMBER)
        uplink = _uplink(Shelf(entries), store.url, tmp_path)
        uplink.round()
        assert len(store.lines) == 2
        assert (uplink.cursor.row, uplink.cursor.sent, uplink.cursor.skipped) == (3, 2, 1)

    def test_nothing_is_sent_before_the_time_is_known(self, tmp_path: Path, store: Receiver) -> None:
        """A board in 1970 waits for its labels; then the rows go out with the right UTC."""
        shelf = Shelf(_entries(2), offset=None)
        uplink = _uplink(shelf, store.url, tmp_path)
        assert uplink.round() == 15
        assert store.requests == []
        assert "waits until the time is known" in read_cursor(tmp_path).state
        shelf.known = 5_000
        uplink.round()
        assert [row.rsplit(" ", 1)[1] for row in store.lines] == [str(AT + 6_000), str(AT + 7_000)]
        assert uplink.well

    def test_the_settings_name_place_and_correct(self, tmp_path: Path, store: Receiver) -> None:
        """Place, spot and corrected value come from the settings, the raw value beside it."""
        uplink = _uplink(Shelf(_entries(1)), store.url, tmp_path)
        uplink._describe = lambda entry: Described("box-2", "substrate", entry.raw - 0.3)
        uplink.round()
        assert store.lines[0].startswith("temperature,place=box-2,sensor=box-2,spot=substrate value=19.7")


class TestTrouble:
    @pytest.mark.parametrize(
        ("status", "fate"),
        [
            (400, Fate.GUILTY),
            (413, Fate.GUILTY),
            (422, Fate.GUILTY),
            (401, Fate.CLOSED),
            (403, Fate.CLOSED),
            (404, Fate.CLOSED),
            (405, Fate.CLOSED),
            (429, Fate.LATER),
            (500, Fate.LATER),
            (503, Fate.LATER),
            (0, Fate.LATER),
        ],
    )
    def test_each_status_has_its_meaning(self, status: int, fate: Fate) -> None:
        """A status says whose fault it is: the lines', ours, or nobody's."""
        assert judge(status, "").fate is fate

    @pytest.mark.parametrize("status", [401, 403, 404, 500, 503, 429])
    def test_nothing_moves_while_the_store_refuses(
        self, tmp_path: Path, store: Receiver, status: int
    ) -> None:
        """Whatever the store answers, what it did not take is kept and comes later."""
        store.answer = lambda _: (status, {}, '{"message": "no, marker-token"}')
        shelf = Shelf(_entries(20))
        uplink = _uplink(shelf, store.url, tmp_path)
        waits = [uplink.round() for _ in range(12)]
        assert waits[:4] == [1, 2, 4, 8]
        assert waits[-1] == 300
        assert (uplink.cursor.row, uplink.cursor.refused) == (0, 0)
        said = read_cursor(tmp_path).state
        assert str(status) in said
        assert ("store refuses" in said) is (status in {401, 403, 404})
        assert "marker-token" not in said
        store.answer = lambda _: (204, {}, "")
        assert uplink.round() == 15
        assert len(store.lines) == 20
        assert read_cursor(tmp_path).state == ""

    def test_a_pause_that_the_store_asks_for_is_kept(self, tmp_path: Path, store: Receiver) -> None:
        """Retry-After in seconds is waited out, with jitter on top; an absurd one is capped."""
        uplink = _uplink(Shelf(_entries(1)), store.url, tmp_path)
        store.answer = lambda _: (503, {"Retry-After": "42"}, "")
        assert uplink.round() == 43
        store.answer = lambda _: (429, {"Retry-After": "99999999"}, "")
        assert uplink.round() == 3_601
        store.answer = lambda _: (429, {"Retry-After": "Wed, 21 Oct 2026 07:28:00 GMT"}, "")
        assert uplink.round() == 4

    @pytest.mark.parametrize("manner", [None, "half"], ids=["mute", "half a reply"])
    def test_an_answer_that_does_not_come_is_a_try_lost(
        self, tmp_path: Path, store: Receiver, manner: str | None
    ) -> None:
        """A mute store and half a reply cost one try, and the readings come again."""
        uplink = _uplink(Shelf(_entries(5)), store.url, tmp_path, patience=0.5)
        store.answer = lambda _: manner
        assert uplink.round() == 1
        assert "does not answer" in uplink.cursor.state
        store.answer = lambda _: (204, {}, "")
        uplink.round()
        assert len(store.lines) == 5

    def test_nobody_there(self, tmp_path: Path) -> None:
        """A refused connection is a try lost as well."""
        uplink = _uplink(Shelf(_entries(5)), f"http://127.0.0.1:{free_port()}", tmp_path)
        assert uplink.round() == 1
        assert uplink.cursor.row == 0


def _refusing(guilty: Callable[[str], bool], status: int = 400) -> Callable[[list[str]], Answer]:
    """Make a store that refuses a whole request for one guilty line."""
    return lambda lines: (status, {}, "bad line") if any(map(guilty, lines)) else (204, {}, "")


class TestGuiltyLines:
    @given(guilty=st.sets(st.integers(1, 60), max_size=12), status=st.sampled_from([400, 413, 422]))
    def test_only_the_guilty_are_set_aside(
        self, tmp_path_factory: pytest.TempPathFactory, guilty: set[int], status: int
    ) -> None:
        """Whichever lines a store refuses, exactly those are set aside and all others arrive."""
        folder = tmp_path_factory.mktemp("uplink")
        marks = {f" value={20 + row / 1_000!r} " for row in guilty}
        refuse = _refusing(lambda text: any(mark in text for mark in marks), status)
        taken: list[str] = []

        class Strict:
            def send(self, lines: Sequence[str]) -> Verdict:
                """Take all or refuse all."""
                code, _, words = refuse(list(lines))
                if code == 204:
                    taken.extend(lines)
                    return Verdict(Fate.TAKEN)
                return judge(code, words)

        uplink = Uplink(source=Shelf(_entries(60)), sink=Strict(), folder=folder)
        uplink.round()
        uplink.keep()
        assert len(taken) == 60 - len(guilty)
        assert read_cursor(folder) == Cursor(row=60, sent=60 - len(guilty), refused=len(guilty))
        kept = (folder / REFUSED).read_text().splitlines() if guilty else []
        assert [json.loads(row)["row"] for row in kept] == sorted(guilty)
        shutil.rmtree(folder)

    def test_over_real_http(self, tmp_path: Path, store: Receiver) -> None:
        """One poisoned line in a full batch costs about 2·log2(500) requests and holds nothing up."""
        store.answer = _refusing(lambda text: "value=20.25 " in text)
        uplink = _uplink(Shelf(_entries(BATCH)), store.url, tmp_path)
        uplink.round()
        assert len(store.lines) == BATCH - 1
        assert len(store.requests) <= 20
        (kept,) = (tmp_path / REFUSED).read_text().splitlines()
        assert json.loads(kept)["row"] == 250

    def test_a_store_that_refuses_everything_is_not_believed(self, tmp_path: Path, store: Receiver) -> None:
        """When no line at all is taken the fault is the store's: all is kept and it is said."""
        store.answer = lambda _: (400, {}, "field type conflict")
        uplink = _uplink(Shelf(_entries(200)), store.url, tmp_path)
        assert uplink.round() == 1
        assert uplink.cursor.row == 0
        assert "refuses every line" in uplink.cursor.state
        assert not (tmp_path / REFUSED).exists()
        assert len(store.requests) < HOPELESS * 3 + 8


@pytest.mark.skipif(bool(missing()), reason=f"not on this machine: {missing()}")
def test_ten_thousand_readings_survive_the_death_of_a_real_store(tmp_path: Path) -> None:
    """Through the store's real parser, killed in the middle and started again: every value, every instant."""
    shelf = Shelf(_entries(10_000), offset=250)
    with real_store(tmp_path) as real:
        uplink = _uplink(shelf, real.url, tmp_path)
        while uplink.cursor.row < 4_000:
            uplink.round()
        real.kill()
        for _ in range(3):
            assert uplink.round() > 0
        assert not uplink.well
        real.start()
        again = _uplink(shelf, real.url, tmp_path)
        while again.round() == 0:
            pass
        rows = real.ask("SELECT value FROM temperature WHERE sensor = 'box-2'")
        assert rows == [[entry.at + 250, entry.raw] for entry in shelf.entries]
        again.keep()
        assert read_cursor(tmp_path).row == 10_000
