"""Why there was an alarm, and why there was none."""

import importlib
import json
import pkgutil
from pathlib import Path

import pytest

import rules
from daemon import cli
from daemon.explain import explain
from daemon.explain_none import NoAlarm, Why, explain_none
from daemon.explain_rules import RULES, Sort, numbers_of, source_of
from daemon.logbook import Archive, Logbook
from daemon.record import Entry
from daemon.settings import Loaded
from rules import coldstore, creeping, degreehours, outdoor
from rules.contact import CONTACT_RULES
from rules.faults import DOUBT_RULES, FAULT_RULES
from rules.reading import MINUTE, SECOND, Quality, Quantity
from rules.stuck import StuckParams
from rules.track import RULE_NAMES
from tests.kit.played import Pen, Played, room_text, written

HEALTH = ("silent", "implausible", "its clock is wrong")


def names_in_the_code() -> set[str]:
    """Name every rule that the engine can raise, out of the modules of the rules."""
    found = {name for both in RULE_NAMES.values() for name in both}
    found |= {rule.name for rule in CONTACT_RULES.values()}
    found |= {*HEALTH, *FAULT_RULES, *DOUBT_RULES}
    found |= {creeping.CREEPING, creeping.CREPT, degreehours.WARM_SUM, degreehours.COOL_SUM}
    found |= {coldstore.FOOD, coldstore.THAWING, coldstore.FROST, coldstore.WAKING, coldstore.WEEKS}
    found |= {outdoor.FROST, outdoor.OVERHEATING, outdoor.SUN}
    for module in pkgutil.iter_modules(rules.__path__):
        name = getattr(importlib.import_module(f"rules.{module.name}"), "RULE", None)
        found |= {name} if isinstance(name, str) else set()
    return found


class TestRules:
    def test_every_rule_is_explained(self) -> None:
        """The table holds every rule's name, and no other."""
        assert set(RULES) == names_in_the_code()

    @pytest.mark.parametrize("name", sorted(RULES))
    def test_a_rule_says_what_it_judges_and_whence_it_comes(self, name: str) -> None:
        """Each rule has a sentence and a source of its own."""
        rule = RULES[name]
        assert rule.says.endswith((".", "!"))
        assert len(rule.source) > 10
        assert rule.name == name

    def test_numbers_are_those_that_are_judged_by(self) -> None:
        """The numbers are the fields of a rule's parameters, each with its meaning."""
        numbers = numbers_of(StuckParams)
        assert all(value for _, value, _ in numbers)
        assert ("fail", "24 h") in {(name, value) for name, value, _ in numbers}
        missing = [name for name, _, meaning in numbers if not meaning]
        assert missing == []

    def test_every_parameter_of_every_rule_has_a_meaning(self) -> None:
        """No number is shown without words."""
        bare = [
            (rule.name, name) for rule in RULES.values() for name, _, meaning in rule.numbers if not meaning
        ]
        assert bare == []

    def test_a_module_without_a_source_is_a_bug(self) -> None:
        """A rule whose module names no source cannot be explained."""
        with pytest.raises(ValueError, match="names no source"):
            source_of(rules)


# -- a played evening ----------------------------------------------------------------------------


def evening(folder: Path, **pen: str) -> tuple[Loaded, Played]:
    """Play ten minutes in range, twenty above ideal, ten above safe, then right again."""
    loaded = written(folder, room_text(Pen(**pen)))
    watch = Played(loaded, folder / "state")
    watch.open()
    watch.minutes([{"pen-1": 29.5}] * 10 + [{"pen-1": 32.0}] * 20 + [{"pen-1": 34.0}] * 10)
    watch.round({}, order={"verb": "acknowledge", "alarm": 1})
    watch.minutes([{"pen-1": 29.5}] * 20)
    return loaded, watch


class TestAlarm:
    def test_the_steps_are_those_of_the_engine(self, tmp_path: Path) -> None:
        """Ideal left, confirmed, covered, raised, told, worse, acknowledged, cleared: in order."""
        loaded, watch = evening(tmp_path)
        (row,) = watch.rows()
        with Archive.open(tmp_path / "state") as archive:
            found = explain(archive, loaded, row.number)
        assert found is not None
        said = [step.words for step in found.steps]
        expected = [
            "ideal (up to 31.0 °C) is left, with 32.0 °C; its hold of 10 min begins",
            "a second reading confirms it: 32.0 °C",
            "ideal still left: 9 min of the 10 min are covered by readings",
            "alarm 1 is raised at medium priority",
            "told to first",
            "worse",
            "told to first",
            "acknowledged by first",
        ]
        assert said[: len(expected)] == expected
        assert said[-2].startswith("the alarm clears: Right again")
        at = [step.at for step in found.steps]
        assert at == sorted(at)
        assert at[3] - at[0] == 10 * MINUTE
        assert at[0] == row.since

    def test_settings_stand_with_their_lines(self, tmp_path: Path) -> None:
        """What is written is named by its line, what is not by its default."""
        loaded, _ = evening(tmp_path)
        with Archive.open(tmp_path / "state") as archive:
            found = explain(archive, loaded, 1)
        assert found is not None
        lines = loaded.text.split("\n")
        by_name = {one.what: one for one in found.settings}
        assert 'temperature = { ideal = ["28 C", "31 C"]' in lines[(by_name["ideal"].line or 0) - 1]
        assert by_name["ideal"].value == "28.0 °C to 31.0 °C"
        assert "hold = {" in lines[(by_name["hold of ideal"].line or 0) - 1]
        assert "deadband" in lines[(by_name["deadband"].line or 0) - 1]
        assert by_name["every of pen-1"].value == "1 min"
        assert all(one.origin for one in found.settings)

    def test_defaults_are_said_to_be_none_of_yours(self, tmp_path: Path) -> None:
        """Without a hold in the config the usual one counts, and its origin is said."""
        text = room_text(Pen()).replace('hold = { ideal = "10 min", safe = "2 min", off = "2 min" }\n', "")
        loaded = written(tmp_path, text)
        watch = Played(loaded, tmp_path / "state")
        watch.open()
        watch.minutes([{"pen-1": 29.5}] * 5 + [{"pen-1": 32.0}] * 25)
        with Archive.open(tmp_path / "state") as archive:
            found = explain(archive, loaded, 1)
        assert found is not None
        hold = next(one for one in found.settings if one.what == "hold of ideal")
        assert (hold.value, hold.line, hold.origin) == ("20 min", None, "common practice, no source")

    def test_old_alarms_are_explained_by_the_settings_of_then(self, tmp_path: Path) -> None:
        """After a change of the config the text in the journal tells of lines and numbers of then."""
        loaded, watch = evening(tmp_path)
        watch.reload(written(tmp_path, "# a new first line\n" + room_text(Pen(hold="55 min"))))
        with Archive.open(tmp_path / "state") as archive:
            found = explain(archive, watch.loaded, 1)
        assert found is not None
        assert not found.then.present
        assert " as of 2026-" in found.then.file
        hold = next(one for one in found.settings if one.what == "hold of ideal")
        assert hold.value == "10 min"
        assert "hold = {" in loaded.text.split("\n")[(hold.line or 0) - 1]

    def test_silence_is_explained(self, tmp_path: Path) -> None:
        """A sensor's own alarm: since when, which silence, told or not."""
        loaded = written(tmp_path, room_text(Pen()))
        watch = Played(loaded, tmp_path / "state")
        watch.open()
        watch.minutes([{"pen-1": 29.5}] * 5 + [{}] * 20)
        with Archive.open(tmp_path / "state") as archive:
            found = explain(archive, loaded, 1)
        assert found is not None
        assert found.rule is RULES["silent"]
        silence = next(one for one in found.settings if one.what == "silence of pen-1")
        assert silence.value == "10 min"
        assert silence.line is not None
        assert found.steps[-1].words == "still open at the end of the record"

    def test_an_egg_is_said_to_feel_it(self, tmp_path: Path) -> None:
        """In a box with eggs the alarm by the egg says that the egg feels it."""
        text = room_text(Pen(kind="box")).replace('settling = "0 min"', 'settling = "0 min"\nlag = "20 min"')
        loaded = written(tmp_path, text.replace("[[place.sensor]]", '[[place.sensor]]\nspot = "air"'))
        loaded = written(tmp_path, loaded.text.replace('kind = "box"', 'kind = "box"\nstage = "incubation"'))
        watch = Played(loaded, tmp_path / "state")
        watch.open()
        watch.minutes([{"pen-1": 30.0}] * 20 + [{"pen-1": 32.0}] * 60)
        rows = [row for row in watch.rows() if row.key.rule == "too warm"]
        with Archive.open(tmp_path / "state") as archive:
            found = explain(archive, loaded, rows[0].number)
        assert found is not None
        assert "felt by the egg" in found.steps[0].words
        assert any(one.what == "an egg's time constant" and one.value == "20 min" for one in found.settings)

    def test_nights_out_of_a_file_are_explained(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Imported alarms are explained without a broker, a contact or a watch that ever ran."""
        loaded = written(tmp_path, room_text(Pen(by="import"), broker=False, contact=False))
        file = tmp_path / "past.csv"
        values = [29.5] * 10 + [32.0] * 20
        rows = [
            f"2024-05-01T{10 + n // 60:02}:{n % 60:02}:00+00:00,pen-1,temperature,{v}"
            for n, v in enumerate(values)
        ]
        file.write_text("\n".join(["time,sensor,quantity,value", *rows]), "utf-8")
        assert cli.main(["import", str(loaded.path), str(file)]) == cli.OK
        capsys.readouterr()
        assert cli.main(["explain", str(loaded.path), "1", "--json"]) == cli.OK
        found = json.loads(capsys.readouterr().out)
        assert any(step["words"] == "nobody was told: it came out of a file" for step in found["steps"])
        assert found["steps"][0]["words"].startswith("ideal (up to 31.0 °C) is left")
        assert (
            cli.main(["explain", str(loaded.path), "--not", "pen-1", "2024-05-01T10:12:30+00:00", "--json"])
            == 0
        )
        rules_said = json.loads(capsys.readouterr().out)["rules"]
        assert [one["why"] for one in rules_said if one["rule"] == "too warm"] == [
            "its hold was not fulfilled"
        ]

    def test_the_command_in_words_with_a_sketch(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """In words: the rule with its source, settings with lines, steps, and the curve."""
        loaded, _ = evening(tmp_path)
        assert cli.main(["explain", str(loaded.path), "1"]) == cli.OK
        said = capsys.readouterr().out
        assert "Source: ranges with deadband" in said
        assert f"What counted ({loaded.path}):" in said
        assert "* readings, - limits of ideal and safe, | the alarm" in said
        assert "---" in said

    @pytest.mark.parametrize("ending", ["svg", "png"])
    def test_the_curve_as_a_picture(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str], ending: str
    ) -> None:
        """--picture writes SVG or PNG."""
        loaded, _ = evening(tmp_path)
        file = tmp_path / f"curve.{ending}"
        assert cli.main(["explain", str(loaded.path), "1", "--picture", str(file)]) == cli.OK
        start = file.read_bytes()[:8]
        assert start.startswith(b"<svg") if ending == "svg" else start == b"\x89PNG\r\n\x1a\n"
        assert capsys.readouterr().out

    @pytest.mark.parametrize(
        ("arguments", "words"),
        [
            (["99"], "no alarm 99"),
            ([], "--not PLACE TIME"),
            (["1", "--not", "pen-1", "2026-11-25T07:00"], "--not PLACE TIME"),
            (["1", "--picture", "curve.gif"], ".svg or .png"),
            (["--not", "pen-9", "2026-11-25T07:10"], 'no place "pen-9"'),
            (["--not", "pen-1", "noon"], "no instant"),
            (["--not", "pen-1", "2020-01-01T00:00"], "the record goes from"),
        ],
    )
    def test_a_question_that_cannot_be_answered_is_refused(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
    ) -> None:
        """A usage error says what is wrong."""
        loaded, _ = evening(tmp_path)
        assert cli.main(["explain", str(loaded.path), *arguments]) == cli.USAGE
        assert words in capsys.readouterr().err


# -- why there was none ---------------------------------------------------------------------------


def none_at(loaded: Loaded, folder: Path, now: int) -> dict[str, NoAlarm]:
    """Ask of the first place, by rule."""
    with Archive.open(folder) as archive:
        found = explain_none(archive, loaded, "pen-1", now)
    assert found is not None
    return {one.rule: one for one in found}


class TestNone:
    @pytest.mark.parametrize(
        ("minute", "why", "part"),
        [
            pytest.param(5, Why.IN_RANGE, "29.5 °C; ideal up to 31.0 °C, safe up to 33.0 °C", id="in range"),
            pytest.param(14, Why.HOLD, "of its hold of 10 min", id="hold"),
            pytest.param(25, Why.ALARM, "alarm 1 was open", id="alarm"),
            pytest.param(50, Why.IN_RANGE, "29.5 °C", id="right again"),
        ],
    )
    def test_a_range_says_where_it_stood(self, tmp_path: Path, minute: int, why: Why, part: str) -> None:
        """In range, in a hold, or an alarm after all, with the numbers of that instant."""
        loaded, watch = evening(tmp_path)
        start = _first(tmp_path / "state")
        found = none_at(loaded, tmp_path / "state", start + minute * MINUTE + 30 * SECOND)
        assert found["too warm"].why is why
        assert part in found["too warm"].words
        assert found["too cool"].why is Why.IN_RANGE
        assert watch.rows()

    def test_every_rule_that_watches_the_place_answers(self, tmp_path: Path) -> None:
        """Each rule answers once for the sensor; those of other kinds of place do not."""
        loaded, _ = evening(tmp_path)
        found = none_at(loaded, tmp_path / "state", _first(tmp_path / "state") + 5 * MINUTE)
        assert {"too warm", "silent", "stuck", "swinging", "heading out of range"} <= set(found)
        assert not {"frost", "thawing", "frost ahead", "too dry", "lid open", "creeping"} & set(found)
        assert found["silent"].why is Why.HOLD

    def test_out_of_service_is_said(self, tmp_path: Path) -> None:
        """A place taken out of service by an order."""
        loaded = written(tmp_path, room_text(Pen()))
        watch = Played(loaded, tmp_path / "state")
        watch.open()
        watch.minutes([{"pen-1": 29.5}] * 5)
        watch.round({}, order={"verb": "service", "place": "pen-1", "in": False})
        watch.minutes([{"pen-1": 40.0}] * 30)
        now = watch.clock.wall() - 60 * SECOND
        with Archive.open(tmp_path / "state") as archive:
            now = archive.labels().room_instant(now)
        assert none_at(loaded, tmp_path / "state", now)["too warm"].why is Why.OUT_OF_SERVICE

    def test_settling_is_said(self, tmp_path: Path) -> None:
        """Ideal does not count in a place that is new."""
        text = room_text(Pen()).replace('settling = "0 min"', 'settling = "2 h"')
        loaded = written(tmp_path, text)
        watch = Played(loaded, tmp_path / "state")
        watch.open()
        watch.minutes([{"pen-1": 32.0}] * 40)
        found = none_at(loaded, tmp_path / "state", _first(tmp_path / "state") + 30 * MINUTE)
        assert found["too warm"].why is Why.SETTLING
        assert "ideal does not count before" in found["too warm"].words

    def test_silence_and_stale_readings_are_said(self, tmp_path: Path) -> None:
        """Before silence is raised the reading is too old, after it the sensor is silent."""
        loaded = written(tmp_path, room_text(Pen()))
        watch = Played(loaded, tmp_path / "state")
        watch.open()
        watch.minutes([{"pen-1": 29.5}] * 5 + [{}] * 20)
        start = _first(tmp_path / "state")
        stale = none_at(loaded, tmp_path / "state", start + 10 * MINUTE)
        assert stale["too warm"].why is Why.NO_READINGS
        gone = none_at(loaded, tmp_path / "state", start + 20 * MINUTE)
        assert gone["too warm"].why is Why.SILENT
        assert gone["silent"].why is Why.ALARM

    def test_a_faulty_sensor_is_said(self, tmp_path: Path) -> None:
        """Impossible values take the sensor out of service."""
        loaded = written(tmp_path, room_text(Pen()))
        watch = Played(loaded, tmp_path / "state")
        watch.open()
        watch.minutes([{"pen-1": 29.5}] * 5 + [{"pen-1": 500.0}] * 10)
        found = none_at(loaded, tmp_path / "state", _first(tmp_path / "state") + 12 * MINUTE)
        assert found["implausible"].why is Why.ALARM
        assert found["too warm"].why in (Why.FAULT, Why.NO_READINGS)

    def test_shelved_is_said(self, tmp_path: Path) -> None:
        """An alarm that was kept quiet was there, and says until when."""
        loaded = written(tmp_path, room_text(Pen()))
        watch = Played(loaded, tmp_path / "state")
        watch.open()
        watch.minutes([{"pen-1": 35.0}] * 8)
        watch.round({}, order={"verb": "shelve", "alarm": 1, "for_ms": 60 * MINUTE})
        watch.minutes([{"pen-1": 35.0}] * 10)
        found = none_at(loaded, tmp_path / "state", _first(tmp_path / "state") + 14 * MINUTE)
        assert found["too warm"].why is Why.SHELVED

    def test_out_of_use_is_said(self, tmp_path: Path) -> None:
        """A place that is not in use is not judged."""
        loaded = written(tmp_path, room_text(Pen()).replace('settling = "0 min"', "in_use = false"))
        watch = Played(loaded, tmp_path / "state")
        watch.open()
        watch.minutes([{"pen-1": 40.0}] * 10)
        found = none_at(loaded, tmp_path / "state", _first(tmp_path / "state") + 8 * MINUTE)
        assert found["too warm"].why is Why.OUT_OF_USE

    def test_the_command_in_words(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        """One line for each rule, those that were near first."""
        loaded, _ = evening(tmp_path)
        with Archive.open(tmp_path / "state") as archive:
            wall = archive.labels().wall(_first(tmp_path / "state") + 14 * MINUTE)
        from daemon.exporting import iso

        assert cli.main(["explain", str(loaded.path), "--not", "pen-1", iso(wall)]) == cli.OK
        said = capsys.readouterr().out
        assert "its hold was not fulfilled: 32.0 °C" in said

    def test_before_the_watch_ran_nothing_is_known(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Live places of a logbook without a plan: the command says that the watch had not run."""
        loaded = written(tmp_path, room_text(Pen()))
        with Logbook.open(tmp_path / "state") as book:
            at = 1_700_000_000_000
            book.import_pages([Entry("pen-1", Quantity.TEMPERATURE, 29.5, at, at, Quality.IMPORTED)])
        code = cli.main(["explain", str(loaded.path), "--not", "pen-1", "2023-11-14T22:13:20+00:00"])
        assert code in (cli.UNAVAILABLE, cli.USAGE)
        assert capsys.readouterr().err


def _first(folder: Path) -> int:
    with Archive.open(folder) as archive:
        entries = archive.readings("pen-1", Quantity.TEMPERATURE, 0, 1 << 60)
    return entries[0].now


def test_sorts_are_all_used() -> None:
    """Each sort of rule has at least one rule."""
    assert {rule.sort for rule in RULES.values()} == set(Sort)
