"""What check says of a config."""

from pathlib import Path

import pytest

from daemon.check import CheckReport, difference, report
from daemon.check_answer import CheckAnswer
from daemon.effective import Overrides, provenance
from daemon.settings import Loaded, load, load_text
from rules.plan import Stage

HEAD = (
    '[room]\nname = "Cellar"\ntime_zone = "Europe/Lisbon"\n[broker]\n'
    '[page]\naddress = "http://cellar.lan"\nhost = "0.0.0.0"\n'
)
TOLD = '[[contact]]\nname = "first"\nreach = "phone"\n'
BOX = (
    '[[place]]\nname = "box"\nkind = "box"\nspecies = "Paroedura picta"\n'
    'stage = "incubation"\negg_mass = "1.5 g"\n'
)
SENSOR = '[[place.sensor]]\nread = { by = "mqtt", topic = "t", temperature = "/t", humidity = "/h" }\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with the secret of the contact."""
    credentials = tmp_path / "credentials"
    credentials.mkdir()
    (credentials / "phone").write_text("json://topsecret@host")
    (credentials / "phone").chmod(0o600)
    return tmp_path


def _report(folder: Path, text: str, overrides: Overrides | None = None) -> CheckReport:
    """Load a text and report on it."""
    path = folder / "room.toml"
    path.write_text(text)
    return report(load(path, {}), env={}, overrides=overrides)


def test_a_good_config_has_little_to_know(folder: Path) -> None:
    """What is left is the reminder that the numbers must be confirmed."""
    told = TOLD + 'report = "07:00"\n'
    watch = '[watch]\nheartbeat = "phone"\ntest = "sunday 10:00"\n'
    (said,) = _report(folder, HEAD + told + watch + BOX + SENSOR).warnings
    assert "confirm them" in said


def test_who_watches_the_watch_is_asked(folder: Path) -> None:
    """No heartbeat, no daily report, no weekly test: each is said, with what to write."""
    found = " ".join(_report(folder, HEAD + TOLD + BOX + SENSOR).warnings)
    assert "no heartbeat is written; when the power" in found
    assert 'report = "07:00"' in found
    assert 'test = "sunday 10:00"' in found


def test_every_number_is_shown_with_its_origin(folder: Path) -> None:
    """Source, derived, yours and common practice stand beside the numbers, day and night."""
    text = (
        HEAD
        + TOLD
        + BOX
        + "humidity = { ideal = [75, 90] }\n"
        + SENSOR
        + (
            '[[place]]\nname = "e"\nkind = "enclosure"\nspecies = "bearded dragon"\nstage = "juvenile"\n'
            '[[place.sensor]]\nname = "e"\nspot = "warm side"\nread = { by = "simulated" }\n'
        )
    )
    lines = "\n".join(_report(folder, text).text())
    assert "everywhere, temperature, day and night: ideal 25 °C to 29 °C (source: Blumberg" in lines
    assert "safe 22 °C to 30 °C (derived: ideal −3/+1 K)" in lines
    assert "ideal 75 % to 90 % (yours); safe 65 % (derived" not in lines
    assert "ideal 75 % to 90 % (yours); safe from 65 % (derived: ideal ±10 %)" in lines
    assert "warm side, temperature, day: ideal 28 °C to 32 °C (fallback: juvenile as hatchling" in lines
    assert "basking surface, temperature, night: nothing is judged" in lines
    assert "an egg follows the air with a lag of 15 min (derived)" in lines


def test_fahrenheit_where_the_keeper_wants_it(folder: Path) -> None:
    """Temperatures and differences are shown in °F; the answer for programs stays °C."""
    found = _report(folder, HEAD.replace("[broker]", 'show = "F"\n[broker]') + TOLD + BOX + SENSOR)
    lines = "\n".join(found.text())
    assert "ideal 77 °F to 84.2 °F" in lines
    assert "deadband 0.54 °F" in lines
    low = found.answer().places[0].ranges[-1].ideal
    assert low is not None
    assert low.low is not None
    assert low.low.value == 25.0


def test_the_answer_follows_its_schema(folder: Path) -> None:
    """The model that makes the answer reads it back, and every key is described."""
    found = _report(folder, HEAD + TOLD + BOX + SENSOR + "correction = { temperature = [[0, 0.3]] }\n")
    answer = found.answer()
    assert CheckAnswer.model_validate_json(answer.model_dump_json()) == answer
    assert answer.places[0].sensors[0].correction == {"temperature": [(0.0, 0.3)]}
    assert answer.places[0].hold["safe"].seconds == 120
    schema = CheckAnswer.model_json_schema()
    for part in (schema, *schema["$defs"].values()):
        assert all(key.get("description") for key in part["properties"].values())


_PLACE = '[[place]]\nname = "p"\nkind = "{}"\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (HEAD + BOX + SENSOR, "no contact is told of high priority"),
        (HEAD + TOLD + 'after = "5 min"\n', "at once (after = 0)"),
        (HEAD + TOLD, "no place; nothing is watched"),
        (HEAD + TOLD.replace("phone", "bell"), "secret 'bell' (reaches contact first) is missing"),
        (
            HEAD.replace("[broker]", '[broker]\nuser = "x"'),
            "secret 'broker' (password at the broker) is missing",
        ),
        (HEAD + '[uplink]\nurl = "http://x"\n', "secret 'uplink'"),
        (HEAD + '[watch]\nheartbeat = "beat"\n', "secret 'beat' (address of the heartbeat)"),
        (HEAD + BOX, "box: has no sensor"),
        (HEAD + BOX.replace('egg_mass = "1.5 g"\n', "") + SENSOR, "box: has no egg_mass or lag"),
        (
            HEAD
            + BOX
            + SENSOR
            + 'model = "BME280"\n[[place]]\nname = "p"\nkind = "incubator"\ntemperature = '
            '{ ideal = ["29 C", "30 C"] }\n[[place.sensor]]\nmodel = "BME280"\n'
            'read = { by = "iio", device = "x" }\n',
            "p: ideal temperature is 1 K wide, less than twice the own error of sensor p (±1 K)",
        ),
        (
            HEAD + BOX + SENSOR.replace('"/h"', '"/h", every = "90 s"'),
            "hold safe (2 min) is shorter than two intervals",
        ),
        (HEAD + BOX + SENSOR + 'silence = "40 s"\n', "silence (40 s) of sensor box is shorter than two"),
        (HEAD + _PLACE.format("enclosure"), "p: has no range"),
        (HEAD + BOX.replace('stage = "incubation"\n', ""), "no stage is written; it is judged as incubation"),
        (
            HEAD + _PLACE.format("enclosure") + 'species = "corn snake"\n[[place.sensor]]\nspot = "hide"\n'
            'read = { by = "simulated" }\n',
            'sensor p is at "hide", which has no range',
        ),
        (
            HEAD + BOX + '[[place.sensor]]\ncontact = "lid"\nread = { by = "simulated" }\n',
            "a range and no sensor of temp",
        ),
        (HEAD.replace('time_zone = "Europe/Lisbon"\n', ""), "no time_zone is written"),
        (HEAD.replace("cellar.lan", "localhost:8300"), "cannot be reached from the network"),
        (HEAD.replace("cellar.lan", "[::1]"), "cannot be reached from the network"),
        (HEAD.replace('address = "http://cellar.lan"\n', ""), "alerts carry no link"),
        (HEAD.replace('host = "0.0.0.0"', 'host = "127.0.0.1"'), "the page listens on 127.0.0.1 only"),
        (HEAD + "open = true\n", "everybody on the network can read it"),
        (HEAD + '[[place]]\nname = "p"\nkind = "cold-store"\nstore = "freezer"\n', "food for people"),
        (
            HEAD
            + BOX
            + SENSOR
            + '[[clutch]]\nid = "a"\nspecies = "corn snak"\nlaid = 2026-01-01\neggs = 1\nbox = "box"\n',
            "clutch a: species corn snak is not in the table (did you mean corn snake",
        ),
    ],
    ids=lambda value: value[-40:].replace("\n", " "),
)
def test_what_a_keeper_should_know_is_said(folder: Path, text: str, said: str) -> None:
    """Each thing that is allowed and unwise has its sentence."""
    assert any(said in words for words in _report(folder, text).warnings)


def test_orders_stand_beside_the_config(folder: Path) -> None:
    """Stage, species and use by order are shown with what the config says."""
    ordered = Overrides(stage={"box": Stage.HATCHING}, species={"box": "corn snake"}, in_use={"box": False})
    found = _report(folder, HEAD + TOLD + BOX + SENSOR, ordered)
    assert any("stage is hatching by order; the config says incubation" in words for words in found.warnings)
    assert any("species is Pantherophis guttatus by order" in words for words in found.warnings)
    assert any("out of use by order; the config says in use" in words for words in found.warnings)
    assert "hatching by order (config: incubation), out of use by order" in "\n".join(found.text())


def test_a_secret_is_never_shown(folder: Path) -> None:
    """Neither the lines nor the answer hold a secret's value."""
    found = _report(folder, HEAD + TOLD + BOX + SENSOR)
    assert "phone: reaches contact first: there" in "\n".join(found.text())
    assert "topsecret" not in "\n".join(found.text()) + found.answer().model_dump_json() + repr(found)


def _loaded(text: str) -> Loaded:
    """Load a text."""
    return load_text(text, Path("room.toml"), {})


def test_two_configs_differ_by_what_they_put_in_force() -> None:
    """Comments and ways of writing make no difference; numbers, sensors and contacts do."""
    old = _loaded(HEAD + TOLD + BOX + SENSOR).model
    same = _loaded("# note\n" + HEAD + TOLD + BOX + 'hold = { off = "300 s" }\n' + SENSOR).model
    assert difference(old, same) == ()
    new = _loaded(
        HEAD.replace("Cellar", "Attic") + TOLD + 'quiet = "22:00-06:00"\n' + BOX
        + 'temperature = { ideal = ["25 C", "28 C"] }\nhold = { safe = "3 min" }\n'
        + SENSOR.replace('"/h"', '"/h", every = "1 min"')
    ).model  # fmt: skip
    said = [str(each) for each in difference(old, new)]
    assert said == [
        'room.name: "Cellar" → "Attic"',
        "box: hold safe: 2 min → 3 min",
        "box: hold slow: 8 min → 3 min",
        "box: hold returning: 1 h → 0 s",
        "box: hold of humidity safe: 20 min → 3 min",
        "box: everywhere, temperature, day, ideal: 25 °C to 29 °C → 25 °C to 28 °C",
        "box: everywhere, temperature, day, safe: 22 °C to 30 °C → 22 °C to 29 °C",
        "box: everywhere, temperature, night, ideal: 25 °C to 29 °C → 25 °C to 28 °C",
        "box: everywhere, temperature, night, safe: 22 °C to 30 °C → 22 °C to 29 °C",
        'box: sensor box read.every: "30 s" → "1 min"',
        'contact first.quiet: none → "22:00-06:00"',
    ]


@pytest.mark.parametrize(
    ("place", "hold", "slow", "returning"),
    [
        ('kind = "box"', "", 8, 60),
        ('kind = "incubator"', 'hold = { off = "9 min" }', 8, 60),
        ('kind = "enclosure"', "", 2, 40),
        ('kind = "cold-store"\nstore = "refrigerator"', "", 45, 180),
        ('kind = "box"', 'hold = { safe = "3 min" }', 3, 0),
        ('kind = "box"', 'hold = { ideal = "10 min" }', 8, 0),
        ('kind = "box"', 'hold = { safe = "3 min", slow = "5 min", returning = "20 min" }', 5, 20),
    ],
    ids=["box", "incubator", "lamps", "cold", "own safe", "own ideal", "all own"],
)
def test_a_keepers_own_hold_is_kept_to_the_minute(place: str, hold: str, slow: int, returning: int) -> None:
    """Usual are a longer hold where harm comes slowly and a wait for what comes back; own holds end both."""
    model = _loaded(f'{HEAD}[[place]]\nname = "p"\n{place}\n{hold}\n').model
    (found,) = provenance(model)
    assert (found.hold_slow.value, found.returning.value) == (slow * 60_000, returning * 60_000)


def test_a_place_that_comes_or_goes_is_a_difference() -> None:
    """Everything of a new place is named once."""
    old, new = _loaded(HEAD).model, _loaded(HEAD + BOX + SENSOR).model
    came = difference(old, new)
    assert came
    assert {each.before for each in came} == {"none"}
    assert [(each.after, each.before) for each in difference(new, old)] == [(e.before, e.after) for e in came]
