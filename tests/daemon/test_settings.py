"""Loading a config: what is accepted, and everything that is wrong told at once."""

import tomllib
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.settings import LARGEST, SettingsError, keys, load, load_text
from daemon.settings_env import merged
from rules.reading import Quantity

HEAD = '[room]\ntime_zone = "Europe/Lisbon"\n[broker]\n'
BOX = '[[place]]\nname = "box"\nkind = "box"\nspecies = "Paroedura picta"\n'
PLACE = '[[place]]\nname = "a"\nkind = "{}"\n'
READ = HEAD + BOX + "[[place.sensor]]\nread = {{ {} }}\n"
CLUTCH = BOX + '[[clutch]]\nid = "a"\nspecies = "x"\n'
SENSOR = '[[place.sensor]]\nread = { by = "mqtt", topic = "t", temperature = "/t" }\n'


def _said(text: str, env: Mapping[str, str] | None = None) -> list[str]:
    """Give every problem of a text, as written."""
    try:
        load_text(text, Path("room.toml"), env or {})
    except SettingsError as error:
        return [str(problem) for problem in error.problems]
    return []


def _line(text: str, part: str) -> int:
    """Find the line of a part of a text."""
    return text[: text.index(part)].count("\n") + 1


def test_the_whole_config_is_understood(tmp_path: Path) -> None:
    """A config with every kind of table loads; its digest is of the text."""
    text = HEAD + BOX + SENSOR + (
        '[page]\naddress = "http://cellar.lan:8300"\n[[contact]]\nname = "first"\nreach = "phone"\n'
        'quiet = "22:30-06:30"\non_duty = ["2026-12-20/2027-01-03"]\nreport = "07:15"\nafter = "0 min"\n'
        '[uplink]\nurl = "http://127.0.0.1:8086"\n[backup]\nat = "03:30"\nsecond = "/mnt/card"\n'
        '[watch]\nheartbeat = "beat"\ntest = "sunday 10:00"\n'
        '[[clutch]]\nid = "P-07"\nspecies = "Paroedura picta"\nlaid = 2026-09-30\neggs = 2\nbox = "box"\n'
        'records = [["28 C", 58], ["83 F", 60.5]]\n'
    )  # fmt: skip
    path = tmp_path / "room.toml"
    path.write_text(text)
    loaded = load(path, {})
    assert len(loaded.digest) == 64
    assert loaded.text == text
    assert loaded.model.place[0].sensor[0].quantities == (Quantity.TEMPERATURE,)
    assert loaded.model.clutch[0].records == ((28.0, 58.0), (28.333, 60.5))
    assert loaded.model == load(path, {}).model


@pytest.mark.parametrize(
    ("text", "part", "said"),
    [
        ('[room]\nnmae = "x"\n', "nmae", 'unknown key "nmae" in room; did you mean "name"?'),
        ('[rom]\nname = "x"\n', "[rom]", 'did you mean "room"?'),
        ('[room]\nshow = "K"\n', "show", "(allowed: C, F)"),
        ("[room]\nname = 5\n", "name", "must be text in quotes"),
        ('[room]\ntime_zone = "Europe/Lisbn"\n', "time_zone", 'did you mean "Europe/Lisbon"?'),
        ('[room]\ncommit = "9 h"\n', "commit", "must be 300000 or less"),
        ('[broker]\nport = "1883"\n', "port", "must be a whole number"),
        ("[broker]\nport = 0\n", "port", "must be 1 or more"),
        ("[broker]\ntls = 1\n", "tls", "must be true or false"),
        ('[[contact]]\nname = "a"\nreach = "json://key@host"\n', "reach", "name of a secret"),
        ('[[contact]]\nname = "a"\n', "[[contact]]", '"reach" is missing in contact'),
        (
            '[[contact]]\nname = "a"\nreach = "p"\npriorities = ["hihg"]\n',
            "priorities",
            'did you mean "high"?',
        ),
        (
            '[[contact]]\nname = "a"\nreach = "p"\non_duty = ["2027-01-03/2026-12-20"]\n',
            "on_duty",
            "ends before",
        ),
        ('[[place]]\nname = "a"\nkind = "bx"\n', "kind", 'did you mean "box"?'),
        ('[[place]]\nkind = "box"\n', "[[place]]", '"name" is missing'),
        ("place = 5\n", "place", "must be a list"),
        ('[[place]]\nname = "a/b"\nkind = "box"\n', "name", 'has a "/"'),
        ('[[place]]\nname = "watch"\nkind = "room"\n', "name", "no place may be named"),
        ('[[place]]\nname = "a"\nkind = "room"\ninside = "b"\n', "inside", "is no place"),
        ('[[place]]\nname = "a"\nkind = "room"\ninside = "a"\n', "inside", "stands in itself"),
        ('[[place]]\nname = "a"\nkind = "cold-store"\n', "kind", "needs store = one of refrigerator"),
        ('[[place]]\nname = "a"\nkind = "room"\nstore = "freezer"\n', "store", "for a cold-store only"),
        ('[[place]]\nname = "a"\nkind = "box"\nstage = "adult"\n', "stage", "has no number"),
        (
            BOX + 'stage = "adult"\n',
            "stage",
            "no number for Paroedura picta as adult (it has: incubation, hatching)",
        ),
        (
            '[[place]]\nname = "a"\nkind = "box"\nspecies = "Paroedura pict"\n',
            "species",
            "did you mean 'Paroedura picta'",
        ),
        (BOX + 'temperature = { ideal = ["31 C", "28 C"] }\n', "temperature", "inside out"),
        (
            BOX + 'temperature = { ideal = ["28 C", "31 C"], safe = ["29 C", "33 C"] }\n',
            "temperature",
            "outside safe",
        ),
        (BOX + "temperature = { ideal = [28.5, 31.0] }\n", "temperature", 'write "28.5 C"'),
        (BOX + "humidity = { ideal = [nan, 90] }\n", "humidity", "no percentage"),
        (BOX + "humidity = { ideal = [75, inf] }\n", "humidity", "no percentage"),
        (BOX + "humidity = { }\n", "humidity", "neither an ideal nor a safe"),
        (BOX + '[[place.range]]\nspot = "air"\n', "[[place.range]]", "has no numbers"),
        (
            BOX
            + '[[place.range]]\nhumidity = { safe = [50, 90] }\n[[place.range]]\nwhen = "day"\nhumidity = '
            "{ safe = [50, 80] }\n",
            "[[place.range]]\nwhen",
            "a second range of the whole place",
        ),
        (READ.format('by = "mqqt", topic = "t"'), "read", 'did you mean "mqtt"?'),
        (BOX + '[[place.sensor]]\nread = { topic = "t" }\n', "read", "needs by = one of"),
        (BOX + '[[place.sensor]]\nspot = "air"\n', "[[place.sensor]]", '"read" is missing'),
        (READ.format('by = "1-wire", address = "28-1"'), "read", "as the kernel writes it"),
        (READ.format('by = "hwmon", device = "a", channel = "in0"'), "read", 'must be "temp1"'),
        (READ.format('by = "mqtt", topic = "t"'), "[[place.sensor]]", "names no quantity"),
        (READ.format('by = "mqtt", topic = "a/#", temperature = ""'), "read", '"#" is not'),
        (READ.format('by = "mqtt", topic = "a/b+", temperature = ""'), "read", "whole part"),
        (READ.format('by = "mqtt", topic = "a", temperature = "t"'), "read", 'write "/t"'),
        (READ.format('by = "mqtt", topic = "a", contact = "/c"'), "[[place.sensor]]", "needs a meaning"),
        (
            BOX + '[[place.sensor]]\ncontact = "lid"\nread = { by = "iio", device = "a" }\n',
            "[[place.sensor]]",
            "cannot be read",
        ),
        (BOX + SENSOR, "read", "needs a [broker] table"),
        (HEAD + BOX + SENSOR + 'model = "SHT99"\n', "model", "is not known"),
        (
            HEAD + BOX + SENSOR + "correction = { humidity = [[75, 72]] }\n",
            "correction",
            "reports no humidity",
        ),
        (HEAD + BOX + SENSOR + "correction = { temperature = [[0, 30]] }\n", "correction", "broken sensor"),
        (
            HEAD + BOX + SENSOR + "correction = { temperature = [[0, 0], [9, 6]] }\n",
            "correction",
            "gain of 1.500",
        ),
        (
            HEAD + BOX + SENSOR + "correction = { temperature = [[0, 0.1], [1, 1]] }\n",
            "correction",
            "closer than 5 K",
        ),
        (HEAD + BOX + SENSOR + "correction = { temperature = [] }\n", "correction", "one or two points"),
        (CLUTCH + 'laid = 2026-01-01\neggs = 2\nbox = "bx"\n', 'box = "bx"', 'did you mean "box"'),
        (CLUTCH + 'laid = 2026-01-01\neggs = 2\nbox = "box"\n', 'box = "box"', "no sensor of temp"),
        (CLUTCH + 'laid = 2026-01-01\neggs = -2\nbox = "box"\n', "eggs", "must be 1 or more"),
        (CLUTCH + 'eggs = 2\nbox = "box"\n', "[[clutch]]", "give the day"),
        (CLUTCH + 'laid = "yesterday"\neggs = 2\nbox = "box"\n', "laid", "date"),
    ],
    ids=lambda value: value[:40].replace("\n", " ") if isinstance(value, str) else str(value),
)
def test_what_is_wrong_is_said_with_its_line(text: str, part: str, said: str) -> None:
    """One mistake, one problem, at its line, with what is allowed."""
    problems = _said(text)
    assert len(problems) == 1, problems
    assert problems[0].startswith(f"room.toml:{_line(text, part)}: ")
    assert said in problems[0]


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (
            '{ by = "mqtt", topic = "a", temperature = "/t" }',
            '{ by = "mqtt", topic = "a", temperature = "/t" }',
        ),
        (
            '{ by = "mqtt", topic = "a/+", temperature = "/t" }',
            '{ by = "mqtt", topic = "a/b", temperature = "/t" }',
        ),
        (
            '{ by = "mqtt", topic = "a/b", temperature = "/t" }',
            '{ by = "mqtt", topic = "a/+", temperature = "/t" }',
        ),
        ('{ by = "1-wire", address = "28-0316a2794bff" }', '{ by = "1-wire", address = "28-0316A2794BFF" }'),
        (
            '{ by = "hwmon", device = "s", channel = ["temp1", "humidity1"] }',
            '{ by = "hwmon", device = "s", channel = "humidity1" }',
        ),
        ('{ by = "iio", device = "s" }', '{ by = "iio", device = "s", quantities = ["temperature"] }'),
    ],
    ids=["topic", "wildcard first", "wildcard last", "1-wire", "hwmon", "iio"],
)
def test_two_sensors_on_one_address_are_refused(first: str, second: str) -> None:
    """The second of two that read the same is told, with both names."""
    parts = [
        f'[[place.sensor]]\nname = "{name}"\nread = {read}\n' for name, read in (("x", first), ("y", second))
    ]
    text = HEAD + BOX + "".join(parts)
    (problem,) = _said(text)
    assert 'sensors "x" and "y" are on one address' in problem
    assert f":{_line(text, parts[1]) + 2}: " in problem


def test_one_topic_may_serve_two_sensors_by_different_pointers() -> None:
    """A message with two values is two sensors, not a conflict; nor are two parts of a bus."""
    reads = [
        'topic = "a", temperature = "/1"',
        'topic = "a", temperature = "/2"',
        'topic = "a/+/x", temperature = "/1"',
    ]
    parts = [
        f'[[place.sensor]]\nname = "{i}"\nread = {{ by = "mqtt", {read} }}\n' for i, read in enumerate(reads)
    ]
    assert _said(HEAD + BOX + "".join(parts)) == []


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ('[[place]]\nname = "a"\nkind = "room"\n' * 2, "places"),
        ('[[contact]]\nname = "a"\nreach = "p"\n' * 2, "contacts"),
        (
            '[[place]]\nname = "a"\nkind = "room"\n' + '[[place.sensor]]\nread = { by = "simulated" }\n' * 2,
            "sensors",
        ),
        (
            HEAD
            + BOX
            + SENSOR
            + '[[clutch]]\nid = "a"\nspecies = "x"\nfound = 2020-01-01\neggs = 1\nbox = "box"\n'
            '[[clutch]]\nid = "a"\nspecies = "x"\nfound = 2026-01-01\neggs = 1\nbox = "box"\n',
            "clutches",
        ),
    ],
    ids=["places", "contacts", "sensors", "clutches"],
)
def test_names_are_unique(text: str, kind: str) -> None:
    """Two of one name are refused, default names of sensors included."""
    (problem,) = _said(text)
    assert f"two {kind} have the same" in problem


def test_two_clutches_of_a_season_need_positions() -> None:
    """One position of a box holds one clutch of a season."""
    clutch = '[[clutch]]\nid = "{}"\nspecies = "x"\nlaid = 2026-0{}-01\neggs = 1\nbox = "box"\n{}'
    two = clutch.format("a", 1, "") + clutch.format("b", 2, "")
    (problem,) = _said(HEAD + BOX + SENSOR + two)
    assert "lie in one position" in problem
    assert (
        _said(HEAD + BOX + SENSOR + clutch.format("a", 1, "") + clutch.format("b", 2, 'position = "left"\n'))
        == []
    )


def test_places_in_a_circle_are_refused() -> None:
    """Each place of the circle is told, and one that only leads into it is not."""
    text = "".join(
        f'[[place]]\nname = "{a}"\nkind = "room"\ninside = "{b}"\n'
        for a, b in (("a", "b"), ("b", "a"), ("c", "a"))
    )
    problems = _said(text)
    assert [problem.split(":")[1] for problem in problems] == ["4", "8"]


def test_everything_is_told_at_once() -> None:
    """Mistakes of every layer stand in one list, in the order of the file."""
    text = (
        '[room]\nnmae = "x"\n[broker]\n[[contact]]\nname = "a"\nreach = "p"\nquiet = "22:30"\n'
        '[[place]]\nname = "a"\nkind = "box"\ninside = "b"\ntemperature = { ideal = ["31 C", "28 C"] }\n'
        '[[place.sensor]]\nname = "s"\n'
        'read = { by = "mqtt", topic = "t", temperature = "/t", evry = "3 s" }\n'
        '[[place.sensor]]\nname = "s"\nread = { by = "mqtt", topic = "t", temperature = "/t" }\n'
        '[[place]]\nname = "e"\nkind = "enclosure"\nspecies = "Paroedura picta"\nstage = "adult"\n'
    )
    problems = _said(text, {"OVIGIL_ROOM__SHWO": "F"})
    parts = [
        'did you mean "name"', "no hours", "is no place", "inside out", 'did you mean "every"', "two sensors",
        "on one address", "as adult", 'did you mean "OVIGIL_ROOM__SHOW"',
    ]  # fmt: skip
    assert len(problems) == len(parts)
    assert all(part in problem for part, problem in zip(parts, problems, strict=True)), problems


@pytest.mark.parametrize(
    ("env", "value"),
    [
        ({"OVIGIL_ROOM__SHOW": "F"}, ("room", "show", "F")),
        ({"OVIGIL_ROOM__COMMIT": "20 s"}, ("room", "commit", 20_000)),
        ({"OVIGIL_BROKER__PORT": "1884"}, ("broker", "port", 1884)),
        ({"OVIGIL_PAGE__OPEN": "true"}, ("page", "open", True)),
        ({"OVIGIL_PAGE__HOSTS": '["a.lan"]'}, ("page", "hosts", ("a.lan",))),
        ({"OVIGIL_BACKUP__AT": "04:00"}, ("backup", "at", 240)),
        ({"OVIGIL_UPLINK__URL": "http://x"}, ("uplink", "url", "http://x")),
    ],
    ids=lambda value: next(iter(value)) if isinstance(value, dict) else "",
)
def test_the_environment_is_on_top(env: dict[str, str], value: tuple[str, str, object]) -> None:
    """A name sets its key over the file, and that is said."""
    loaded = load_text('[room]\nshow = "C"\ncommit = "9 s"\n', Path("room.toml"), env)
    assert getattr(getattr(loaded.model, value[0]), value[1]) == value[2]
    assert any(next(iter(env)) in words for words in loaded.warnings)


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("OVIGIL_ROM__SHOW", "F", 'did you mean "OVIGIL_ROOM__SHOW"'),
        ("OVIGIL_PLACE", "[]", "is not known"),
        ("OVIGIL_ROOM__SHOW", "K", "(allowed: C, F)"),
        ("OVIGIL_BROKER__PORT", "many", "must be a whole number"),
    ],
    ids=str,
)
def test_a_wrong_environment_name_or_value_is_told(name: str, value: str, said: str) -> None:
    """Misspelt names are noticed, and values are checked like the file's."""
    (problem,) = _said("", {name: value, "HOME": "/"})
    assert problem.startswith(f"environment: {name}")
    assert said in problem


def test_a_credentials_file_can_set_a_key(tmp_path: Path) -> None:
    """``broker__user`` sets the user; the environment wins; a wrong value is not shown."""
    folder = tmp_path / "credentials"
    folder.mkdir(mode=0o700)
    (folder / "broker__user").write_text("keeper\n")
    (folder / "phone").write_text("json://x")
    path = tmp_path / "room.toml"
    path.write_text("[broker]\n")
    loaded = load(path, {})
    assert loaded.model.broker is not None
    assert loaded.model.broker.user == "keeper"
    above = load(path, {"OVIGIL_BROKER__USER": "other"}).model.broker
    assert above is not None
    assert above.user == "other"
    (folder / "room__show").write_text("hush")
    with pytest.raises(SettingsError) as caught:
        load(path, {})
    assert str(caught.value) == "credentials: room__show: its value is not allowed"


@pytest.mark.parametrize(
    ("raw", "said"),
    [
        (b"\xef\xbb\xbf[room]\n", ":1: begins with a byte order mark"),
        (b'[room]\nname = "\xff"\n', ":2: is no UTF-8"),
        ("[room]\n".encode("utf-16"), "is no UTF-8"),
        (b"[room]\nname = \n", ":2: is no TOML here"),
        (b'[room]\nname = "a"\nname = "b"\n', ":3: is no TOML here"),
        (b"[[place]]\nx = [28,5\n", "is no TOML here"),
        (b"x = " + b"[" * 20_000, "deep"),
        (b"[room]\nx = " + b"9" * 5_000, ":2: has a number"),
        (b"[room]\n" + b".".join([b"a"] * 20_000) + b" = 1\n", ":2: has more than 500 dots"),
        (b"#" * (LARGEST + 1), ":1: is longer than 256 kB"),
        (b"[room]\x00", ":1: is no TOML"),
    ],
    ids=[
        "bom",
        "latin",
        "utf-16",
        "syntax",
        "twice",
        "comma",
        "deep",
        "long number",
        "long key",
        "large",
        "nul",
    ],
)
def test_what_is_no_config_gives_one_problem(tmp_path: Path, raw: bytes, said: str) -> None:
    """Bytes that are no TOML are one clear problem, never a crash."""
    path = tmp_path / "room.toml"
    path.write_bytes(raw)
    with pytest.raises(SettingsError) as caught:
        load(path, {})
    assert len(caught.value.problems) == 1
    assert said in str(caught.value)


@pytest.mark.parametrize("name", ["absent.toml", "."], ids=["missing", "folder"])
def test_a_file_that_cannot_be_read_is_told_with_its_path(tmp_path: Path, name: str) -> None:
    """A missing file is an error, not an empty config."""
    with pytest.raises(SettingsError, match="cannot be read"):
        load(tmp_path / name, {})


_WORDS = st.sampled_from(
    [
        "room",
        "place",
        "sensor",
        "read",
        "name",
        "kind",
        "temperature",
        "by",
        "mqtt",
        "x",
        "ideal",
        "clutch",
        "contact",
    ]
)
_TREES = st.recursive(
    st.one_of(st.integers(), st.floats(), st.booleans(), st.text(max_size=6), st.dates()),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(_WORDS, inner, max_size=4)),
    max_leaves=12,
)


def _toml(value: object) -> str:
    """Write a tree as an inline TOML value."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {_toml(each)}" for key, each in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(each) for each in value) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        kept = "".join(sign for sign in value if sign.isprintable() and sign not in '\\"')
        return f'"{kept}"'
    return str(value)


@given(st.dictionaries(_WORDS, _TREES, max_size=4))
@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_any_toml_is_accepted_or_told(tree: dict[str, object]) -> None:
    """Whatever the tables hold, the answer is a model or problems with lines."""
    text = "\n".join(f"{key} = {_toml(value)}" for key, value in tree.items())
    with suppress(tomllib.TOMLDecodeError):
        tomllib.loads(text)
    for problem in _said(text):
        assert problem.startswith("room.toml:")


@given(st.binary(max_size=300))
@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_bytes_are_accepted_or_told(tmp_path: Path, raw: bytes) -> None:
    """Any file at all gives a model or problems."""
    path = tmp_path / "room.toml"
    path.write_bytes(raw)
    with suppress(SettingsError):
        assert load(path, {}).digest


def test_every_key_is_documented() -> None:
    """Each key has a type, a description and, where it can be left out, its default or what that means."""
    found = keys()
    assert len(found) > 100
    assert all(key.description and key.type for key in found)
    assert len({key.path for key in found}) == len(found)
    by_path = {key.path: key for key in found}
    assert by_path["room.day"].default == '"07:00-21:00"'
    assert by_path["place[].sensor[].read(mqtt).topic"].default == "required"
    assert by_path["clutch[].records"].type == 'list of ["28.5 C", 58]'


def test_defaults_as_documented_are_the_defaults() -> None:
    """Writing every documented default of the single tables gives the same model as leaving it out."""
    tables: dict[str, list[str]] = {}
    for key in keys():
        table, _, name = key.path.partition(".")
        if name and "[" not in key.path and key.default not in ("", "required") and table != "uplink":
            tables.setdefault(table, []).append(f"{name} = {key.default}")
    text = "".join(f"[{table}]\n" + "\n".join(lines) + "\n" for table, lines in tables.items())
    assert load_text(text, Path("a"), {}).model == load_text("[broker]\n", Path("a"), {}).model


def test_tables_are_laid_over_each_other() -> None:
    """Only what is named above is replaced."""
    assert merged({"a": {"b": 1, "c": 2}, "d": 3}, {"a": {"b": 9}, "e": 4}) == {
        "a": {"b": 9, "c": 2},
        "d": 3,
        "e": 4,
    }
