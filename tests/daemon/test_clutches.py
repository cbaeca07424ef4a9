"""Clutches against a real logbook: log, curve, forecast, commands and readiness."""

import argparse
import json
from datetime import UTC, datetime

import pytest

from daemon.cli import Plain
from daemon.clutch_entry import order_of, parts_of
from daemon.clutch_forms import forecast_json, forecast_text
from daemon.clutches import (
    boxes_of,
    clutch_curve,
    forecast,
    looked_back,
    open_season,
    tried,
    without,
)
from daemon.commands import clutch as commands
from daemon.commands.clutch_parser import add_clutch
from daemon.logbook import Archive, Logbook
from daemon.orders import checked
from daemon.readying import NoPlace, ready
from daemon.record import Asked, Batch, Entry
from daemon.settings import load
from daemon.standing import speaker
from daemon.taking import Look, take
from rules.clutch import ClutchError
from rules.reading import DAY, HOUR, MINUTE, Quantity

LAID = int(datetime(2026, 8, 1, tzinfo=UTC).timestamp() * 1000)
NOW = LAID + 30 * DAY
OFFSET = 5_000

ROOM = """
[room]
name = "Attic"
time_zone = "UTC"
data = "state"
day = "08:00-20:00"

[broker]
host = "127.0.0.1"

[[place]]
name = "incubator"
kind = "incubator"

[[place]]
name = "box-1"
kind = "box"
inside = "incubator"
stage = "incubation"
temperature = { ideal = ["27 C", "29 C"], safe = ["25 C", "32 C"] }
[[place.sensor]]
name = "box-1-air"
spot = "air"
read = { by = "mqtt", topic = "attic/box-1-air", temperature = "/t", every = "30 min" }
[[place.sensor]]
name = "box-1-deep"
spot = "substrate"
read = { by = "mqtt", topic = "attic/box-1-deep", temperature = "/t", every = "30 min" }
correction = { temperature = [[0.0, 0.5]] }

[[place]]
name = "box-2"
kind = "box"
inside = "incubator"
stage = "incubation"
temperature = { ideal = ["29 C", "31 C"], safe = ["26 C", "33 C"] }
[[place.sensor]]
name = "box-2"
spot = "substrate"
read = { by = "mqtt", topic = "attic/box-2", temperature = "/t", every = "30 min" }

[[place]]
name = "rearing"
kind = "enclosure"
[[place.range]]
spot = "warm side"
when = "day"
temperature = { ideal = ["28 C", "32 C"], safe = ["24 C", "36 C"] }
[[place.range]]
spot = "warm side"
when = "night"
temperature = { ideal = ["20 C", "25 C"], safe = ["16 C", "28 C"] }
[[place.sensor]]
name = "rearing-warm"
spot = "warm side"
read = { by = "mqtt", topic = "attic/rearing", temperature = "/t", every = "30 min" }

[[clutch]]
id = "H-01"
species = "Testudo hermanni"
laid = 2026-08-01
eggs = 6
box = "box-1"

[[clutch]]
id = "F-02"
species = "Pogona vitticeps"
found = 2026-08-11
eggs = 10
box = "box-2"
"""


def curve_of(sensor, value, start, end):
    """Give half-hourly readings between two Unix ms."""
    found = []
    for wall in range(start, end, 30 * MINUTE):
        at = wall - OFFSET
        found.append(Entry(sensor, Quantity.TEMPERATURE, value(wall), at, at))
    return found


def by_day(wall):
    """Give what a good enclosure has: 30 °C by day, 22 °C by night."""
    return 30.0 if 8 <= datetime.fromtimestamp(wall / 1000, UTC).hour < 20 else 22.0


class RoomOnDisk:
    """A room with a month of readings; orders are taken as the watch takes them."""

    def __init__(self, folder):
        self.path = folder / "room.toml"
        self.path.write_text(ROOM, encoding="utf-8")
        self.loaded = load(self.path)
        self.data = folder / "state"
        self.orders = 0
        entries = curve_of("box-1-deep", lambda _: 28.5, LAID, NOW)
        entries += curve_of("box-1-air", lambda _: 26.0, LAID, NOW)
        entries += curve_of("box-2", lambda _: 30.0, LAID, NOW)
        entries += curve_of("rearing-warm", by_day, NOW - 8 * DAY, NOW)
        entries.sort(key=lambda entry: entry.at)
        self.data.mkdir()
        with Logbook.open(self.data) as logbook:
            logbook.note_boot("boot-1", LAID - OFFSET, OFFSET, trusted=True)
            logbook.commit([Batch(NOW - OFFSET, tuple(entries))])

    def season(self, wall=NOW):
        """Give the clutches as of an instant."""
        with Archive.open(self.data) as archive:
            return open_season(archive, self.loaded, wall)

    def forecast(self, id_, wall=NOW):
        """Forecast one clutch."""
        with Archive.open(self.data) as archive:
            return forecast(archive, open_season(archive, self.loaded, wall), id_)

    def order(self, body, wall=NOW):
        """Take an order as the watch does, and commit what comes of it."""
        self.orders += 1
        season = self.season(wall)
        asked = Asked(self.orders, wall, "keeper", "command", checked(body))
        earlier = {one.id: one for one in getattr(self, "given", [])}
        look = Look(season.now, season.plan, lambda _: None, None, earlier.get)
        found = take(asked, look)
        taken = Asked(asked.id, wall, "keeper", "command", asked.body, season.now, found.answer)
        self.given = [*getattr(self, "given", []), taken]
        if found.entered is not None:
            with Logbook.open(self.data) as logbook:
                logbook.commit([Batch(season.now, journal=(found.entered,))])
        return found.answer

    def write(self, id_, wall=NOW, **parts):
        """Try an entry and order it, as the command does."""
        body = order_of(id_, parts)
        tried(self.season(wall), id_, body["entry"])
        return self.order(body, wall)


@pytest.fixture
def room(tmp_path):
    """Give the room in a folder of its own."""
    return RoomOnDisk(tmp_path)


class TestBook:
    def test_the_configs_clutches(self, room):
        """Clutches of the config are there with their laid day at local midnight."""
        season = room.season()
        assert [clutch.id for clutch in season.book.clutches] == ["H-01", "F-02"]
        assert season.labels.wall(season.book.clutch("H-01").laid) == LAID
        assert season.book.clutch("F-02").found
        assert season.trouble == ()

    def test_boxes_know_their_sensors(self, room):
        """A place without a sensor of temperature is told apart."""
        assert boxes_of(room.loaded) == {"incubator": False, "box-1": True, "box-2": True, "rearing": True}

    def test_entries_go_through_the_journal(self, room):
        """What was ordered is in the account after the next look."""
        room.write("H-01", deed="candled")
        room.write("H-01", deed="slumped", count=1)
        account = room.season().book.account("H-01")
        assert account.left == 5
        assert [entry.by for entry in account.entries] == ["keeper", "keeper"]

    def test_an_entry_of_yesterday(self, room):
        """An instant in an entry is the keeper's claim, in Unix ms."""
        room.write("H-01", deed="slumped", count=1, at=NOW - DAY)
        entry = room.season().book.entries[0]
        assert entry.at == NOW - DAY - OFFSET
        assert entry.now == NOW - OFFSET

    def test_a_clutch_is_added_by_an_order(self, room):
        """A new clutch comes with a common name and records, and needs no config."""
        room.write(
            "N-03",
            deed="laid",
            species="Leopard gecko",
            laid="2026-08-20",
            eggs=2,
            box="box-2",
            position="left",
            records=[[30.0, 52]],
        )
        clutch = room.season().book.clutch("N-03")
        assert clutch.species == "Eublepharis macularius"
        assert clutch.records == ((30.0, 52.0),)
        assert room.forecast("N-03").window is not None

    def test_undo_takes_an_entry_back(self, room):
        """The order "undo" names the order that it takes back."""
        room.write("H-01", deed="slumped", count=2)
        without(room.season(), "H-01", 1)
        room.order({"verb": "undo", "order": 1})
        assert room.season().book.account("H-01").left == 6

    def test_undo_takes_an_added_clutch_back(self, room):
        """An added clutch goes as it came, unless something was written of it."""
        added = {
            "deed": "laid",
            "species": "x",
            "laid": "2026-08-20",
            "eggs": 2,
            "box": "box-2",
            "position": "b",
        }
        room.write("N-03", **added)
        room.order({"verb": "undo", "order": 1})
        assert [one.id for one in room.season().book.clutches] == ["H-01", "F-02"]
        room.write("N-04", **added)
        room.write("N-04", deed="candled")
        with pytest.raises(ClutchError, match="take those back first"):
            without(room.season(), "N-04", 3)

    def test_a_configs_clutch_is_not_undone(self, room):
        """A number that is no entry takes no clutch of the config away."""
        with pytest.raises(ClutchError, match="no entry"):
            without(room.season(), "H-01", 0)

    def test_what_does_not_fit_is_told(self, room):
        """An entry that slipped into the journal and cannot be counts for nothing, and is told."""
        room.order({"verb": "egg", "clutch": "H-01", "entry": '{"deed":"hatched","count":99}'})
        season = room.season()
        assert season.book.account("H-01").left == 6
        assert "only 6 were left" in season.trouble[0]

    @pytest.mark.parametrize(
        ("id_", "parts", "words"),
        [
            ("H-01", {"deed": "hatched", "count": 7}, "only 6 were left"),
            ("H-01", {"deed": "candled", "at": LAID - DAY}, "before the clutch was laid"),
            ("H-01", {"deed": "moved", "box": "incubator"}, "no sensor"),
            ("H-01", {"deed": "moved", "box": "box-2"}, "one position"),
            ("H-01", {"deed": "painted"}, "nothing that an egg log has"),
            ("H-01", {"deed": "candled", "count": 2.5}, "count"),
            ("H-01", {"deed": "undone"}, "undo"),
            ("X", {"deed": "candled"}, "no clutch"),
            ("N", {"deed": "laid", "species": "x", "laid": "2026-08-20", "box": "box-2"}, "eggs"),
            ("N", {"deed": "laid", "species": "x", "laid": "soon", "eggs": 1, "box": "box-2"}, "no date"),
            (
                "N",
                {"deed": "laid", "species": "x", "laid": "2026-08-20", "eggs": 1, "box": "attic"},
                "no place",
            ),
        ],
        ids=[
            "below zero",
            "before laying",
            "no sensor",
            "one position",
            "unknown deed",
            "half an egg",
            "undone",
            "unknown clutch",
            "no eggs",
            "no date",
            "no place",
        ],
    )
    def test_bad_input_is_refused(self, room, id_, parts, words):
        """What cannot be is refused with a reason before anything is ordered."""
        with pytest.raises(ClutchError, match=words):
            room.write(id_, **parts)
        with Archive.open(room.data) as archive:
            assert archive.egg_log() == []

    def test_a_note_that_does_not_fit_an_order(self):
        """A note too long for an order is refused, not cut."""
        with pytest.raises(ClutchError, match="too long"):
            order_of("H-01", {"deed": "candled", "note": "x" * 600})

    @pytest.mark.parametrize("text", ["", "[]", "{", '{"deed":"candled","weather":"fine"}'], ids=str)
    def test_what_is_no_entry(self, text):
        """Any other text is no entry."""
        with pytest.raises(ClutchError):
            parts_of(text)


class TestCurve:
    def test_the_substrate_counts_and_is_corrected(self, room):
        """Of two sensors the one beside the eggs counts, with its correction: 28.5 − 0.5 °C."""
        with Archive.open(room.data) as archive:
            curve = clutch_curve(archive, room.season(), "H-01")
        assert {value for _, value in curve} == {28.0}
        assert curve[0][0] == pytest.approx(0.0)
        assert curve[-1][0] == pytest.approx(30.0, abs=0.01)

    def test_a_move_goes_on_in_the_other_box(self, room):
        """From the move on the other box's temperature counts."""
        room.write("F-02", deed="removed", at=NOW - 12 * DAY)
        room.write("H-01", deed="moved", box="box-2", at=NOW - 10 * DAY)
        with Archive.open(room.data) as archive:
            curve = clutch_curve(archive, room.season(), "H-01")
        assert {value for day, value in curve if day < 19.9} == {28.0}
        assert {value for day, value in curve if day > 20.1} == {30.0}

    def test_silence_is_a_gap(self, room):
        """Two silent days after the last reading are not filled."""
        with Archive.open(room.data) as archive:
            curve = clutch_curve(archive, room.season(NOW + 2 * DAY), "H-01")
        assert curve[-1][1] is None
        assert curve[-1][0] == pytest.approx(32.0, abs=0.01)

    def test_it_ends_with_the_clutch(self, room):
        """After the last egg the box's temperature is no clutch's any more."""
        room.write("H-01", deed="hatched", at=NOW - 5 * DAY)
        with Archive.open(room.data) as archive:
            curve = clutch_curve(archive, room.season(), "H-01")
        assert curve[-1][0] == pytest.approx(25.0, abs=0.01)


class TestForecast:
    def test_a_published_species(self, room):
        """Thirty days at 28 °C: 45 % of the development, a window, model, source and cautions."""
        found = room.forecast("H-01")
        form = forecast_json(found, room.season().labels)
        assert form["progress"] == pytest.approx(0.454, abs=0.003)
        assert form["days"]["expected"] == pytest.approx(66.06, abs=0.3)
        assert form["window"][0] < form["expected"] < form["window"][1]
        assert "Brière" in form["model"]
        assert "Eendebak" in form["source"]
        assert form["cautions"]
        assert form["needs"] is None
        json.dumps(form, allow_nan=False)

    def test_without_a_record_it_says_what_it_needs(self, room):
        """A bearded dragon without a record: nothing is guessed."""
        form = forecast_json(room.forecast("F-02"), room.season().labels)
        assert (form["progress"], form["expected"], form["window"]) == (None, None, None)
        assert "record of your own" in form["needs"]

    def test_in_words_it_is_a_window(self, room):
        """The text names two dates and the likeliest, never one alone."""
        season = room.season()
        voice = speaker(room.loaded.model, season.labels.offset_at(season.now), season.now)
        text = forecast_text(room.forecast("H-01"), voice)
        assert "between" in text
        assert "2026-10-0" in text
        assert "no forecast" in forecast_text(room.forecast("F-02"), voice)

    def test_found_is_said(self, room):
        """Days of a found clutch count from the find, and that is said."""
        room.write("F-02", deed="removed")
        form = forecast_json(room.forecast("F-02"), room.season().labels)
        assert any("found" in caution for caution in form["cautions"])

    def test_looked_back(self, room):
        """After hatching, mean, degree-hours and a record for next year stand there."""
        room.write("H-01", deed="hatched", at=NOW - DAY)
        with Archive.open(room.data) as archive:
            found = looked_back(archive, room.season(), "H-01")
        assert found.mean == pytest.approx(28.0)
        assert found.above == 0.0
        assert found.record == (28.0, pytest.approx(29.0, abs=0.1))
        assert found.error == pytest.approx(66.06 - 29.0, abs=0.3)


class TestReady:
    def test_a_week_of_right(self, room):
        """Right by day and by night at the warm side for a week: ready, and since when."""
        with Archive.open(room.data) as archive:
            found = ready(archive, room.loaded, "rearing", NOW - OFFSET)
        assert found.missing == ()
        assert found.ready
        assert NOW - OFFSET - found.since >= 6 * DAY

    def test_silent_since_yesterday(self, room):
        """A day without readings is missing data, not right."""
        with Archive.open(room.data) as archive:
            found = ready(archive, room.loaded, "rearing", NOW - OFFSET + DAY)
        assert not found.ready
        assert found.since is None
        assert any("readings for only" in sentence[0] for sentence in found.missing)

    def test_a_cold_morning(self, room):
        """Six hours too cold by day are named with the period, and the clock begins anew."""
        cold = [
            Entry("rearing-warm", Quantity.TEMPERATURE, 22.0, at, at)
            for at in range(NOW - OFFSET + 9 * HOUR, NOW - OFFSET + 15 * HOUR, 30 * MINUTE)
        ]
        warm = [
            Entry("rearing-warm", Quantity.TEMPERATURE, by_day(at + OFFSET), at, at)
            for at in [
                *range(NOW - OFFSET, NOW - OFFSET + 9 * HOUR, 30 * MINUTE),
                *range(NOW - OFFSET + 15 * HOUR, NOW - OFFSET + 24 * HOUR, 30 * MINUTE),
            ]
        ]
        entries = sorted([*cold, *warm], key=lambda entry: entry.at)
        with Logbook.open(room.data) as logbook:
            logbook.commit([Batch(NOW - OFFSET + DAY, tuple(entries))])
        with Archive.open(room.data) as archive:
            found = ready(archive, room.loaded, "rearing", NOW - OFFSET + DAY)
        assert not found.ready
        assert found.since == NOW - OFFSET + 15 * HOUR
        assert "by day" in found.missing[0][0]
        assert "outside safe" in found.missing[0][0]

    def test_no_such_place(self, room):
        """A place that is not there is named with those that are."""
        with Archive.open(room.data) as archive, pytest.raises(NoPlace, match="box-1"):
            ready(archive, room.loaded, "attic", NOW)

    def test_a_place_without_ranges(self, room):
        """Where nothing is asked nothing is right."""
        with Archive.open(room.data) as archive:
            assert not ready(archive, room.loaded, "incubator", NOW - OFFSET).ready


def given(*words):
    """Parse a command line."""
    parser = argparse.ArgumentParser()
    add_clutch(parser.add_subparsers())
    return parser.parse_args([str(word) for word in words])


class TestCommands:
    def test_list(self, room, capsys):
        """Every clutch in one line, with what is due; the same as JSON."""
        assert commands.list_(given("clutch", "list", room.path)) == 0
        out = capsys.readouterr().out
        assert "H-01: Testudo hermanni in box-1" in out
        commands.list_(given("clutch", "list", room.path, "--json"))
        form = json.loads(capsys.readouterr().out)
        assert [one["id"] for one in form["clutches"]] == ["H-01", "F-02"]
        assert form["totals"]["eggs"] in (0, 16)

    def test_show(self, room, capsys):
        """One clutch with its log and forecast; an unknown one is a usage error."""
        room.write("H-01", deed="weighed", grams=72.0)
        assert commands.show(given("clutch", "show", room.path, "H-01", "--json")) == 0
        form = json.loads(capsys.readouterr().out)
        assert form["weights"][0]["grams"] == 12.0
        assert form["forecast"]["id"] == "H-01"
        commands.show(given("clutch", "show", room.path, "H-01"))
        assert "weighed" in capsys.readouterr().out
        with pytest.raises(Plain, match="no clutch") as refused:
            commands.show(given("clutch", "show", room.path, "X"))
        assert refused.value.code == 2

    def test_forecast(self, room, capsys):
        """All clutches with eggs as a list, one as an object."""
        assert commands.forecast_(given("clutch", "forecast", room.path, "--json")) == 0
        forms = json.loads(capsys.readouterr().out)
        assert {"id", "progress", "expected", "window", "model", "source", "cautions"} <= set(forms[0])
        commands.forecast_(given("clutch", "forecast", room.path, "H-01", "--json"))
        assert json.loads(capsys.readouterr().out)["id"] == "H-01"
        commands.forecast_(given("clutch", "forecast", room.path))
        assert "no forecast" in capsys.readouterr().out

    def test_log_writes_an_order(self, room, capsys):
        """What fits is ordered and what is left is said; the watch takes it at its start."""
        line = given("clutch", "log", room.path, "H-01", "pipped", "1", "--by", "keeper")
        assert commands.log(line) == 0
        out = capsys.readouterr().out
        assert "6 of 6 eggs left" in out
        assert "stage" in out
        with Archive.open(room.data) as archive:
            assert archive.orders()[0].body["clutch"] == "H-01"

    def test_log_refuses(self, room):
        """What cannot be is a usage error and no order is written."""
        with pytest.raises(Plain, match="nothing was written") as refused:
            commands.log(given("clutch", "log", room.path, "H-01", "hatched", "7", "--by", "keeper"))
        assert refused.value.code == 2
        with Archive.open(room.data) as archive:
            assert archive.orders() == []

    def test_log_undo(self, room):
        """Undo is tried first too."""
        with pytest.raises(Plain, match="no entry 5"):
            commands.log(given("clutch", "log", room.path, "H-01", "undo", "5"))
        with pytest.raises(Plain, match="number of the entry"):
            commands.log(given("clutch", "log", room.path, "H-01", "undo"))

    def test_add(self, room, capsys):
        """A clutch with a record is added by an order; a bad record is a usage error."""
        words = ["clutch", "add", room.path, "N-03", "--species", "Leopard gecko", "--laid", "2026-08-20"]
        words += ["--eggs", 2, "--box", "box-2", "--position", "left", "--by", "keeper"]
        assert commands.add(given(*words, "--record", "86 F: 52")) == 0
        assert "2 of 2 eggs left in box-2" in capsys.readouterr().out
        with pytest.raises(Plain, match="no record"):
            commands.add(given(*words, "--record", "often"))

    def test_ready(self, room, capsys):
        """Months after the last reading nothing is ready, and the exit code says so."""
        assert commands.ready(given("ready", room.path, "rearing", "--json")) == 1
        form = json.loads(capsys.readouterr().out)
        assert form["ready"] is False
        assert form["missing"]
        assert commands.ready(given("ready", room.path, "rearing")) == 1
        with pytest.raises(Plain, match="no place"):
            commands.ready(given("ready", room.path, "attic"))
