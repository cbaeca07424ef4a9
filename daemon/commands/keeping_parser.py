"""The command lines of the first evening and of keeping the watch sound."""

import argparse
from pathlib import Path


def add_beginning(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add ``start``, ``sensors`` and ``find``."""
    start = _command(commands, "start", "start:start", "ask a few questions and write the settings")
    start.add_argument(
        "--dir", type=Path, default=Path(), metavar="D", help="folder of the settings (default: here)"
    )
    start.add_argument("--name", metavar="NAME", help="what the room is called")
    start.add_argument("--time-zone", metavar="ZONE", help="an IANA name (default: this board's)")
    start.add_argument("--show", choices=("C", "F"), help="how temperatures are shown")
    start.add_argument("--contact", metavar="NAME", help="who is told")
    start.add_argument(
        "--reach", default="phone", metavar="SECRET", help="secret with their address (default %(default)s)"
    )
    start.add_argument(
        "--place",
        action="append",
        metavar='"NAME, KIND[, SPECIES[, TOPIC or ADDRESS[, CONTACT]]]"',
        help="a place and its sensor (repeatable); a cold-store has its use in place of the species; "
        "the contact is lid, door or mains",
    )
    _speaking(start, "5 s")
    words = "what already speaks, with its value now and the lines to paste"
    sensors = _command(commands, "sensors", "sensors:sensors", words)
    _speaking(sensors, "60 s")
    _json(sensors)
    words = "tell sensors apart: warm one in your hand and it is named"
    find = _command(commands, "find", "sensors:find", words)
    _speaking(find, "3 min")
    _json(find)


def add_keeping(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add ``selftest``, ``backup``, ``revert``, ``page`` and ``uplink``."""
    words = "send a marked test alert to each contact, and look at disk, clock, broker and copies"
    selftest = _command(commands, "selftest", "selftest:run", words)
    _room(selftest)
    _json(selftest)
    backup = _command(commands, "backup", "backup:backup", "copy the logbook, verify it, or restore a copy")
    _room(backup)
    which = backup.add_mutually_exclusive_group()
    which.add_argument("--verify", action="store_true", help="check the logbook and every copy, page by page")
    which.add_argument("--restore", type=Path, metavar="FILE", help="put this copy in the logbook's place")
    _json(backup)
    revert = _command(commands, "revert", "revert:revert", "put the previous text of the settings back")
    _room(revert)
    _json(revert)
    page = _command(commands, "page", "serving:page", "serve the web page")
    _room(page)
    page.add_argument("--host", metavar="H", help="where it listens (default: as the settings say)")
    page.add_argument("--port", type=int, metavar="N", help="its port (default: as the settings say)")
    uplink = _command(commands, "uplink", "serving:uplink", "forward the record to an InfluxDB server")
    _room(uplink)
    uplink.add_argument("--once", action="store_true", help="send what there is, then end")


def _command(
    commands: "argparse._SubParsersAction[argparse.ArgumentParser]", name: str, handler: str, words: str
) -> argparse.ArgumentParser:
    made = commands.add_parser(name, help=words, description=words)
    made.set_defaults(handler=f"daemon.commands.{handler}")
    return made


def _room(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("room", type=Path, metavar="ROOM.toml", help="the settings of the room")


def _json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="answer as JSON: °C, percent, seconds, UTC")


def _speaking(parser: argparse.ArgumentParser, lasting: str) -> None:
    parser.add_argument("--broker", metavar="HOST", help="the MQTT broker")
    parser.add_argument("--port", type=int, default=1883, metavar="N", help="its port (default %(default)s)")
    parser.add_argument("--user", metavar="NAME", help="user name there")
    parser.add_argument("--password-file", type=Path, metavar="FILE", help="file with the password there")
    parser.add_argument(
        "--for",
        dest="lasting",
        default=lasting,
        metavar="TIME",
        help='listen so long (default "%(default)s")',
    )
    parser.add_argument(
        "--sysfs", type=Path, default=Path("/sys"), metavar="R", help="where the kernel shows its devices"
    )
