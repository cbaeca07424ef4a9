"""Advice from labels: what would have kept the real alarms and dropped nuisances."""

import json
import re
import tomllib
from pathlib import Path

import pytest

from daemon import cli
from daemon.advice import NUISANCE, REAL, Advice, Labelled, advise, trade_off, weighed
from daemon.advice_text import appended, changed
from daemon.logbook import Archive
from daemon.rehearsal import window_of
from daemon.rehearsal_values import Life
from daemon.settings import Loaded, load, load_text
from rules.events import AlarmKey
from rules.plan import Priority
from rules.reading import MINUTE
from tests.daemon.test_alarm_review import row
from tests.kit.played import Pen, Played, room_text, written

EVERY = 2 * MINUTE
DAYS = 14
KEY = AlarmKey("pen-1", "air", "temperature", "too warm")

Trips = list[tuple[int, float, str]]
"""Trips above ideal: (minutes, °C, what the keeper called it)."""


def fortnight(folder: Path, trips: Trips, pen: Pen | None = None) -> tuple[Loaded, Played]:
    """Play a fortnight of one place, one trip a day, and label its alarms."""
    loaded = written(folder, room_text(pen or Pen(every="2 min")))
    watch = Played(loaded, folder / "state")
    watch.open()
    for minutes, celsius, label in trips:
        day = [{"pen-1": 29.5}] * (20 * 30) + [{"pen-1": celsius}] * (minutes // 2)
        day += [{"pen-1": 29.5}] * (24 * 30 - len(day))
        before = {row.number for row in watch.rows()}
        watch.minutes(day, every=EVERY)
        for one in watch.rows():
            if one.number not in before and label:
                watch.label(one.number, label)
    return loaded, watch


def advised(loaded: Loaded, folder: Path, delay: int = 10 * MINUTE) -> Advice:
    """Ask for advice over the whole record."""
    with Archive.open(folder) as archive:
        window = window_of(archive, None)
    assert window is not None
    return advise(loaded, folder, window, delay, lambda _: None)


MIXED: Trips = [
    (16 if day % 3 else 80, 31.6 if day % 3 else 32.2, NUISANCE if day % 3 else REAL) for day in range(DAYS)
]
"""Nine short trips that were nuisances, five long ones that were real."""

ALIKE: Trips = [(80, 32.2, NUISANCE if day % 2 else REAL) for day in range(DAYS)]
"""Nuisances that look exactly like what was real."""


class TestFortnight:
    def test_nuisances_are_halved_and_no_real_alarm_is_late(self, tmp_path: Path) -> None:
        """The best settings drop at least half of the nuisances; no real alarm pays more than X."""
        loaded, _ = fortnight(tmp_path, MIXED)
        found = advised(loaded, tmp_path / "state")
        (place,) = found.places
        assert place.enough
        best = place.best
        assert best is not None
        assert best.dropped >= best.nuisances / 2
        assert best.nuisances == 9
        assert best.latest <= 10 * MINUTE

    def test_the_proposed_lines_do_what_is_said(self, tmp_path: Path) -> None:
        """The difference turns the config into a text that can be loaded and leaves safe as it is."""
        loaded, _ = fortnight(tmp_path, MIXED)
        found = advised(loaded, tmp_path / "state")
        made = load_text(found.text, loaded.path, {})
        place, old = made.model.place[0], loaded.model.place[0]
        assert place.temperature is not None
        assert old.temperature is not None
        assert place.temperature.safe == old.temperature.safe
        assert place.hold.safe == old.hold.safe
        assert found.difference.startswith(f"--- {loaded.path}")
        assert re.search(r"^\+.*(hold|temperature|deadband)", found.difference, re.MULTILINE)
        assert loaded.path.read_text("utf-8") == loaded.text

    def test_where_no_such_setting_exists_it_is_said(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Nuisances that are like the real ones: no proposal, and the sentence that says so."""
        loaded, _ = fortnight(tmp_path, ALIKE)
        found = advised(loaded, tmp_path / "state")
        assert [place.best for place in found.places] == [None]
        assert found.difference == ""
        assert any(trial.latest > found.delay for trial in found.places[0].trials)
        assert cli.main(["advise", str(loaded.path)]) == cli.OK
        assert "no such setting exists" in capsys.readouterr().out

    def test_a_delay_of_nothing_allows_no_longer_hold(self, tmp_path: Path) -> None:
        """With X = 0 only settings that delay nothing are proposed."""
        loaded, _ = fortnight(tmp_path, MIXED)
        best = advised(loaded, tmp_path / "state", 0).places[0].best
        assert best is None or best.latest == 0

    def test_the_command_answers_in_words_and_as_json(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """A table of the trade-off with the alarms that pay, and the difference."""
        loaded, _ = fortnight(tmp_path, MIXED)
        assert cli.main(["advise", str(loaded.path), "--delay", "10 min", "--json"]) == cli.OK
        found = json.loads(capsys.readouterr().out)
        assert found["places"][0]["best"]["dropped"] >= 5
        assert found["places"][0]["best"]["within"]
        assert found["difference"]
        assert cli.main(["advise", str(loaded.path)]) == cli.OK
        said = capsys.readouterr().out
        assert "nuisances dropped" in said
        assert "nothing is applied" in said

    @pytest.mark.parametrize(
        ("labels", "words"),
        [
            pytest.param([""] * 6, "No alarm about a range is labelled nuisance", id="none"),
            pytest.param([NUISANCE, NUISANCE, REAL, REAL], "too little to say anything", id="few nuisances"),
            pytest.param(
                [NUISANCE] * 5 + [REAL], "at least 2 labelled real and 3 labelled nuisance", id="few real"
            ),
        ],
    )
    def test_with_too_little_labelled_it_says_how_much_is_needed(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str], labels: list[str], words: str
    ) -> None:
        """Nothing is proposed out of a handful of labels."""
        loaded, _ = fortnight(tmp_path, [(30, 31.6, label) for label in labels])
        assert cli.main(["advise", str(loaded.path)]) == cli.OK
        said = capsys.readouterr().out
        assert words in said
        assert "---" not in said

    def test_a_delay_that_is_none_is_refused(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """--delay that cannot be read is a usage error."""
        loaded = written(tmp_path, room_text(Pen()))
        assert cli.main(["advise", str(loaded.path), "--delay", "soon"]) == cli.USAGE
        assert "--delay" in capsys.readouterr().err


def life(start: int, end: int | None) -> Life:
    """Give an alarm in minutes."""
    cleared = None if end is None else end * MINUTE
    return Life(KEY, start * MINUTE, start * MINUTE, cleared, Priority.MEDIUM)


def labelled(number: int, start: int, end: int, label: str) -> Labelled:
    """Give a labelled alarm in minutes."""
    return Labelled(row(number, start, end, label=label), life(start, end))


class TestWeighing:
    @pytest.mark.parametrize(
        ("lives", "dropped", "pays"),
        [
            pytest.param([life(0, 9), life(20, 29), life(40, 60)], 0, [], id="nothing changes"),
            pytest.param([life(40, 60)], 2, [], id="both nuisances vanish"),
            pytest.param([life(45, 60)], 2, [(3, 5)], id="the real one is later"),
            pytest.param([], 2, [(3, None)], id="the real one is lost"),
            pytest.param([life(0, 29), life(40, 60)], 1, [], id="two nuisances become one"),
            pytest.param([life(0, 60)], 1, [(3, None)], id="the real one drowns in an earlier alarm"),
        ],
    )
    def test_what_settings_keep_delay_and_drop(
        self, lives: list[Life], dropped: int, pays: list[tuple[int, int | None]]
    ) -> None:
        """Two nuisances, then one real alarm."""
        known = [labelled(1, 0, 9, NUISANCE), labelled(2, 20, 29, NUISANCE), labelled(3, 40, 60, REAL)]
        found = weighed((), [one.life for one in known], lives, known, "")
        assert found.dropped == dropped
        minutes = [
            (one.number, None if one.later_by is None else one.later_by // MINUTE) for one in found.pays
        ]
        assert minutes == pays

    def test_alarms_without_a_label_that_vanish_are_counted(self) -> None:
        """Who labels little sees how much else goes."""
        known = [labelled(1, 0, 9, NUISANCE)]
        found = weighed((), [known[0].life, life(30, 40)], [], known, "")
        assert (found.dropped, found.unlabelled) == (1, 1)

    def test_the_trade_off_has_no_row_that_another_one_beats(self) -> None:
        """Each row drops more than the one before, and costs more."""
        known = [labelled(n, 20 * n, 20 * n + 9, NUISANCE) for n in range(4)] + [labelled(9, 100, 130, REAL)]
        base = [one.life for one in known]
        kept = [
            [*base[:3], base[4]],
            [base[0], base[1], life(105, 130)],
            [*base[:2], life(103, 130)],
            [base[0]],
        ]
        trials = [weighed((), base, lives, known, "") for lives in kept]
        rows = list(trade_off(trials, 10 * MINUTE))
        assert [trial.dropped for trial in rows] == [1, 2, 3]
        assert [trial.latest for trial in rows] == sorted(trial.latest for trial in rows)


TEXT = """\
[room]
name = "Loft"                    # mine
time_zone = "Europe/Lisbon"

[[place]]
name = "a"
kind = "box"
hold = { safe = "2 min" }        # short
temperature = { ideal = [
  "28 C",  # low
  "31 C" ], safe = ["26 C", "33 C"] }

[[place.range]]
spot = "water"
temperature = { ideal = ["20 C", "25 C"], safe = ["18 C", "28 C"] }

# the next one
[[place]]
name = "b"
kind = "enclosure"
[place.hold]
off = "5 min"
"""


class TestText:
    @pytest.mark.parametrize(
        ("loc", "value"),
        [
            (("place", 0, "hold", "ideal"), '"30 min"'),
            (("place", 0, "hold", "safe"), '"3 min"'),
            (("place", 0, "temperature", "ideal"), '["27 C", "31 C"]'),
            (("place", 0, "range", 0, "temperature", "ideal"), '["20 C", "26 C"]'),
            (("place", 0, "deadband", "humidity"), "5"),
            (("place", 1, "hold", "ideal"), '"30 min"'),
            (("place", 1, "hold", "off"), '"30 min"'),
            (("place", 1, "deadband", "temperature"), '"1 C"'),
        ],
    )
    def test_one_value_changes_and_nothing_else(self, loc: tuple[str | int, ...], value: str) -> None:
        """The new text says what was wanted, and differs from the old one in that alone."""
        made = changed(TEXT, {loc: value})
        found, old = tomllib.loads(made), tomllib.loads(TEXT)
        here, there = found, old
        for part in loc[:-1]:
            here = here[part]
            there = there.setdefault(part, {}) if isinstance(there, dict) else there[part]
        assert here[loc[-1]] == tomllib.loads(f"x = {value}")["x"]
        there[loc[-1]] = here[loc[-1]]
        assert found == old
        assert made.count("#") >= TEXT.count("#") - 1

    def test_a_table_that_is_not_there_is_refused(self) -> None:
        """A place that does not exist cannot be changed."""
        with pytest.raises(KeyError):
            changed(TEXT, {("place", 7, "name"): '"x"'})

    @pytest.mark.parametrize("place", [0, 1])
    def test_a_block_goes_to_the_end_of_its_place(self, place: int) -> None:
        """A range of a spot is put behind the place's last line, before the next one's comment."""
        made = appended(TEXT, place, '[[place.range]]\nspot = "air"\n')
        found = tomllib.loads(made)["place"]
        assert found[place]["range"][-1] == {"spot": "air"}
        assert found[1 - place] == tomllib.loads(TEXT)["place"][1 - place]

    def test_spans_from_the_species_table_become_a_range_of_the_spot(self, tmp_path: Path) -> None:
        """Where the keeper wrote no span, the proposal writes ideal and safe of that spot, safe unchanged."""
        text = room_text(Pen(every="2 min", kind="box")).replace(
            'temperature = { ideal = ["28 C", "31 C"], safe = ["26 C", "33 C"] }',
            'species = "Paroedura picta"\nstage = "incubation"',
        )
        loaded = written(tmp_path, text)
        from daemon.advice_knobs import knobs
        from daemon.effective import provenance

        before = provenance(loaded.model)
        found = knobs(loaded, before, "pen-1", [("too warm", "air")])
        knob = next(one for one in found if one.name.startswith("upper end"))
        made = load_text(knob.write(loaded.text, knob.ladder[0]), loaded.path, {})
        spots = {
            one.spot: one for one in provenance(made.model)[0].spots if one.quantity.value == "temperature"
        }
        old = next(one for one in before[0].spots if one.quantity.value == "temperature")
        assert spots["air"].day is not None
        assert old.day is not None
        assert spots["air"].day.range().safe == old.day.range().safe  # type: ignore[union-attr]
        assert spots["air"].day.range().ideal != old.day.range().ideal  # type: ignore[union-attr]
        assert load(loaded.path, {}).text == loaded.text
