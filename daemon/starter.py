"""A first config: from a few answers to a commented file that passes ``check``. Pure.

What was answered stands as it is; every other key stands below a mark ``#`` with its
default, unit and meaning; the ranges that come from the species table stand beside each
place with their sources.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from daemon.check import report
from daemon.settings import KeyDoc, Loaded, keys, load_text
from daemon.settings_types import quoted
from rules.plan import PlaceKind

WIDTH = 34
"""Column at which remarks begin."""

_ASKED = ("contact", "place")
"""The lists of tables that are written from answers."""


REPORT_AT = "07:00"
"""When a contact that was asked for gets the morning's report: one that does not come means trouble."""

TEST_AT = "sunday 10:00"
"""When the way to the contacts is tested each week."""


@dataclass(frozen=True, slots=True)
class NewPlace:
    """One place as it was answered.

    Attributes:
        name: Its name.
        kind: What sort of place.
        of: Its species, or what a cold store is for, or "".
        read: The value of ``read`` in the form of the config, or "" for no sensor yet.
        contact: What its sensor's contact tells of, or "".
    """

    name: str
    kind: PlaceKind
    of: str = ""
    read: str = ""
    contact: str = ""


@dataclass(frozen=True, slots=True)
class Answers:
    """All that was answered.

    Attributes:
        room: The room's name.
        time_zone: An IANA name.
        show: "C" or "F".
        broker: Host and port, or None for no MQTT.
        user: User name at the broker, or "".
        contact: Name of the first contact, or "".
        reach: Name of the secret with their address.
        places: In order.
    """

    room: str = "Room"
    time_zone: str = "UTC"
    show: str = "C"
    broker: tuple[str, int] | None = None
    user: str = ""
    contact: str = ""
    reach: str = "phone"
    places: tuple[NewPlace, ...] = field(default=())


def starter(answers: Answers, path: Path) -> str:
    """Write the config.

    Args:
        answers: What was answered.
        path: Where it will stand.

    Returns:
        Its text.

    Raises:
        SettingsError: An answer is not allowed.
    """
    docs = keys()
    bare = load_text("\n".join(_lines(answers, docs, {})), path, {})
    return "\n".join(_lines(answers, docs, in_force(bare))) + "\n"


def in_force(loaded: Loaded) -> Mapping[str, tuple[str, ...]]:
    """Give what is in force at each place, line by line, with the origin of each number."""
    found: dict[str, list[str]] = {}
    here: list[str] = []
    names = [place.name for place in loaded.model.place]
    for line in report(loaded, env={}).text():
        name = next((name for name in names if line.startswith(f"{name}: ")), None)
        if name is not None:
            here = found.setdefault(name, [])
        elif not line:
            here = []
        elif line.startswith("  ") and not line.startswith("  sensor "):
            here.append(line.strip())
    return {name: tuple(lines) for name, lines in found.items()}


def _lines(answers: Answers, docs: Sequence[KeyDoc], force: Mapping[str, tuple[str, ...]]) -> Iterator[str]:
    yield f"# The room {quoted(answers.room)}, begun by `ovigil start`. `ovigil check` says what it means."
    yield '# What stands behind a "#" is the default or an offer: take the mark away to change it.'
    yield "# Times are local, temperatures carry their unit, humidity is percent."
    for table in [doc.path for doc in docs if doc.type == "table" and "." not in doc.path]:
        yield from ("", *_single(table, _given(answers).get(table), docs))
        if table == "page":
            yield from _contacts(answers, docs)
    for place in answers.places:
        yield from ("", *_place(place, force.get(place.name, ())))
    yield from _offers(docs)


def _given(answers: Answers) -> dict[str, dict[str, str]]:
    """Give what was answered by table and key; a table that is not there is left out."""
    given = {
        "room": {
            "name": quoted(answers.room),
            "time_zone": quoted(answers.time_zone),
            "show": quoted(answers.show),
        },
        "page": {},
        "backup": {},
        "watch": {"test": quoted(TEST_AT)} if answers.contact else {},
    }
    if answers.broker is not None:
        host, port = answers.broker
        given["broker"] = {"host": quoted(host), "port": str(port)}
        given["broker"] |= {"user": quoted(answers.user)} if answers.user else {}
    return given


def _single(table: str, given: Mapping[str, str] | None, docs: Sequence[KeyDoc]) -> Iterator[str]:
    """Write a table that is there once; one that is not asked for stands behind marks."""
    own = next(doc for doc in docs if doc.path == table)
    mark = "# " if given is None else ""
    yield _remarked(f"{mark}[{table}]", own.description)
    for doc in _of(docs, f"{table}."):
        name = doc.path.removeprefix(f"{table}.")
        if given is not None and name in given:
            yield _remarked(f"{name} = {given[name]}", doc.description)
        else:
            yield _offer(name, doc)


def _contacts(answers: Answers, docs: Sequence[KeyDoc]) -> Iterator[str]:
    given = {"name": quoted(answers.contact), "reach": quoted(answers.reach)} if answers.contact else {}
    given |= {"report": quoted(REPORT_AT)} if answers.contact else {}
    yield ""
    if not answers.contact:
        yield "# Who is told, and how: put the address (an apprise URL) into a file of its own in the folder"
        yield '# "credentials" beside this file (mode 600), then take the marks away.'
    yield "[[contact]]" if answers.contact else "# [[contact]]"
    for doc in _of(docs, "contact[]."):
        name = doc.path.removeprefix("contact[].")
        if name in given:
            yield _remarked(f"{name} = {given[name]}", doc.description)
        else:
            yield _offer(name, doc)


def _place(place: NewPlace, force: Sequence[str]) -> Iterator[str]:
    yield "[[place]]"
    yield f"name = {quoted(place.name)}"
    yield f"kind = {quoted(place.kind.value)}"
    if place.of:
        yield f"{'store' if place.kind is PlaceKind.COLD_STORE else 'species'} = {quoted(place.of)}"
    if force:
        yield "# In force here, and where each number comes from; confirm them for your animals:"
        yield from (f"#   {line}" for line in force)
    if place.kind is PlaceKind.INCUBATOR or not place.of:
        yield '# temperature = { ideal = ["28 C", "31 C"], safe = ["26 C", "33 C"] }'
        yield "# humidity = { ideal = [75, 90], safe = [60, 98] }"
    if place.read:
        yield from ("", "[[place.sensor]]")
        if place.contact:
            yield f"contact = {quoted(place.contact)}"
        yield f"read = {place.read}"


def _offers(docs: Sequence[KeyDoc]) -> Iterator[str]:
    """Write every further key of a place, its ranges and sensors, and of the other lists of tables."""
    yield from ("", "# Everything that a place can have:", "# [[place]]")
    inner = ("place[].range[].", "place[].sensor[].")
    yield from (
        _offer(doc.path.removeprefix("place[]."), doc)
        for doc in _of(docs, "place[].")
        if not doc.path.startswith(inner)
    )
    yield from ("#", "# [[place.range]]")
    yield from (_offer(doc.path.removeprefix(inner[0]), doc) for doc in _of(docs, inner[0]))
    yield from ("#", "# [[place.sensor]]")
    reads = _of(docs, f"{inner[1]}read(")
    yield from (
        _offer(doc.path.removeprefix(inner[1]), doc) for doc in _of(docs, inner[1]) if doc not in reads
    )
    for by in dict.fromkeys(doc.path.partition("read(")[2].partition(")")[0] for doc in reads):
        yield f"# read, by = {quoted(by)}:"
        front = f"{inner[1]}read({by})."
        own = [doc for doc in reads if doc.path.startswith(front) and not doc.path.endswith(".by")]
        yield from (_offer(doc.path.removeprefix(front), doc, "#   ") for doc in own)
    for table in [doc for doc in docs if doc.type == "list of tables" and "." not in doc.path]:
        if table.path not in _ASKED:
            front = f"{table.path}[]."
            yield from ("", f"# {table.description}", f"# [[{table.path}]]")
            yield from (_offer(doc.path.removeprefix(front), doc) for doc in _of(docs, front))


def _of(docs: Sequence[KeyDoc], front: str) -> list[KeyDoc]:
    """Give the keys below ``front`` that take a value of their own, tables left out."""
    return [doc for doc in docs if doc.path.startswith(front) and "table" not in doc.type.split()[-1:]
            and doc.type != "list of tables"]  # fmt: skip


def _offer(name: str, doc: KeyDoc, mark: str = "# ") -> str:
    """Write a key behind a mark: with its default, else with what it takes."""
    if doc.default in ("", "required"):
        must = ", required" if doc.default == "required" else ""
        return _remarked(f"{mark}{name} = …", f"({doc.type}{must}) {doc.description}")
    return _remarked(f"{mark}{name} = {doc.default}", f"({doc.type}) {doc.description}")


def _remarked(line: str, words: str) -> str:
    return f"{line.ljust(WIDTH)} # {words}" if words else line
