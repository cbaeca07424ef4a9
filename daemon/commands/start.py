"""``ovigil start``: a first config out of a few questions, or out of flags."""

import argparse
import getpass
import os
import sys
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from daemon.cli import OK, USAGE, Plain
from daemon.settings import SettingsError
from daemon.settings_types import quoted
from daemon.speaking import LOCAL, Speaks, everything
from daemon.starter import Answers, NewPlace, starter
from daemon.texts import Speaker
from daemon.units import duration
from rules import species
from rules.plan import PlaceKind
from rules.reading import SECOND, Quantity
from sensors.listen import ListenError

FILE = "room.toml"
"""Name of the config."""

KINDS = ", ".join(kind.value for kind in PlaceKind)


def start(given: argparse.Namespace) -> int:
    """Write a config that passes ``check``; one that is there is never overwritten."""
    os.umask(0o077)
    path: Path = given.dir / FILE
    if path.exists():
        raise Plain(f"{path} is there already; it is not overwritten", USAGE)
    flags = (given.name, given.time_zone, given.show, given.broker, given.contact, given.place)
    asks = not any(flags) and sys.stdin.isatty()
    answers = _asked(given) if asks else _from_flags(given)
    try:
        text = starter(answers, path)
    except SettingsError as error:
        raise Plain("\n".join(problem.text for problem in error.problems), USAGE) from None
    _write(path, text)
    if asks and answers.contact:
        _keep_secret(path.parent / "credentials" / answers.reach)
    _say_next(path, answers)
    return OK


def _write(path: Path, text: str) -> None:
    try:
        (path.parent / "credentials").mkdir(mode=0o700, parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise Plain(f"{path}: {error.strerror or error}", USAGE) from None


def _say_next(path: Path, answers: Answers) -> None:
    print(f"{path} is written. Next:")
    secret = path.parent / "credentials" / answers.reach
    if answers.contact and not secret.exists():
        print(f"  put the address of {answers.contact} (an apprise URL) into {secret}")
    print(f"  ovigil check {path}")
    print(f"  ovigil run {path}")
    print(f"  ovigil selftest {path}")


# -- from flags ---------------------------------------------------------------------------


def _from_flags(given: argparse.Namespace) -> Answers:
    heard = _heard(given) if given.place else []
    return Answers(
        room=given.name or "Room",
        time_zone=given.time_zone or _zone_of_board(),
        show=given.show or "C",
        broker=(given.broker, given.port) if given.broker else None,
        user=given.user or "",
        contact=given.contact or "",
        reach=given.reach,
        places=tuple(_place(text, heard) for text in given.place or ()),
    )


def _heard(given: argparse.Namespace) -> list[Speaks]:
    """Listen to what speaks, so that pointers and addresses need not be typed."""
    if not given.broker:
        return []
    try:
        return list(everything(given, duration(given.lasting) / SECOND))
    except ListenError as error:
        print(f"{error}; the lines of its sensors are guessed", file=sys.stderr)
        return []
    except (ValueError, OSError) as error:
        raise Plain(str(error), USAGE) from None


def _place(text: str, heard: list[Speaks]) -> NewPlace:
    """Read ``NAME, KIND[, SPECIES or STORE[, TOPIC or ADDRESS[, CONTACT]]]``."""
    name, kind, of, source, contact = (part.strip() for part in (*text.split(","), *[""] * 4)[:5])
    try:
        sort = PlaceKind(kind)
    except ValueError:
        raise Plain(f'--place "{text}": the kind is one of {KINDS}', USAGE) from None
    speaks = next((one for one in heard if one.name == source), None)
    read = speaks.read if speaks and speaks.read else _guessed(source, contact)
    return NewPlace(name, sort, of, read, contact)


def _guessed(source: str, contact: str) -> str:
    if not source:
        return ""
    if contact:
        return f'{{ by = "mqtt", topic = {quoted(source)}, contact = "/ok" }}'
    if source == "simulated":
        return '{ by = "simulated" }'
    if source[2:3] == "-" and "/" not in source:
        return f'{{ by = "1-wire", address = {quoted(source)} }}'
    return f'{{ by = "mqtt", topic = {quoted(source)}, temperature = "/t", humidity = "/h" }}'


def _zone_of_board() -> str:
    """Give the board's time zone, UTC where it says none."""
    link = Path("/etc/localtime")
    parts = link.resolve().parts
    name = "/".join(parts[parts.index("zoneinfo") + 1 :]) if "zoneinfo" in parts else ""
    return name if _is_zone(name) else "UTC"


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return bool(name)


# -- from questions -------------------------------------------------------------------------


def _ask(question: str, default: str = "") -> str:
    shown = f" [{default}]" if default else ""
    return input(f"{question}{shown}: ").strip() or default


def _asked(given: argparse.Namespace) -> Answers:
    print("A few questions; an empty answer takes what stands in brackets. Nothing is final.")
    room = _ask("What is the room called", "Room")
    zone = _ask("Its time zone", _zone_of_board())
    while not _is_zone(zone):
        zone = _ask(f'"{zone}" is no time zone of the IANA (Europe/Lisbon is one)', "UTC")
    show = "F" if _ask("Temperatures in C or F", "C").upper().startswith("F") else "C"
    host = _ask("Address of the MQTT broker, - for none", LOCAL)
    given.broker = None if host == "-" else host
    given.user = _ask("User name there, empty for none") if given.broker else None
    contact = _ask("Who is to be told (a name for the contact, - for nobody yet)", "first")
    return Answers(
        room,
        zone,
        show,
        (given.broker, given.port) if given.broker else None,
        given.user or "",
        "" if contact == "-" else contact,
        given.reach,
        tuple(_asked_places(given, show)),
    )


def _asked_places(given: argparse.Namespace, show: str) -> list[NewPlace]:
    print(f"Listening for {given.lasting} to what already speaks …")
    places = []
    for one in [] if given.user else _heard(given):
        if one.own or not one.read:
            continue
        print(f"\n{one.words(Speaker('F' if show == 'F' else 'C'))}")
        name = _ask("Which place is it in (a name, - to leave it out)", one.name.rsplit("/", 1)[-1])
        if name != "-":
            place = _asked_place(name, one.read)
            if Quantity.CONTACT in one.values:
                place = replace(
                    place, contact=_ask("What its contact tells of (lid, door or mains)", "mains")
                )
            places.append(place)
    while name := _ask("\nAnother place without a sensor so far (a name, empty: no more)"):
        places.append(_asked_place(name, ""))
    return places


def _asked_place(name: str, read: str) -> NewPlace:
    kind = _ask(f"What is {name} ({KINDS})", PlaceKind.BOX.value)
    while kind not in {one.value for one in PlaceKind}:
        kind = _ask(f"One of {KINDS}", PlaceKind.BOX.value)
    if kind == PlaceKind.COLD_STORE.value:
        return NewPlace(
            name, PlaceKind(kind), _ask("refrigerator, freezer or hibernation", "refrigerator"), read
        )
    of = ""
    if kind not in (PlaceKind.ROOM.value, PlaceKind.INCUBATOR.value):
        of = _ask("Species (scientific or common name, empty: none)")
        if of and species.find(of) is None:
            close = " or ".join(species.suggest(of))
            of = _ask(f"The table does not know it{f'; did you mean {close}' if close else ''}", of)
    return NewPlace(name, PlaceKind(kind), of, read)


def _keep_secret(path: Path) -> None:
    address = getpass.getpass("Their address as an apprise URL (not shown; empty: later): ").strip()
    if address:
        path.touch(mode=0o600)
        path.write_text(address + "\n", encoding="utf-8")
