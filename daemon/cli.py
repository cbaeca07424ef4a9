"""The command line: names, options and exit codes. The work is done elsewhere.

Every command takes the settings first. Heavy modules are imported by the command that
needs them, so that a small board answers at once.
"""

import argparse
import importlib
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from daemon.commands.clutch_parser import Commands, add_clutch
from daemon.commands.import_parser import add_form
from daemon.commands.keeping_parser import add_beginning, add_keeping
from daemon.commands.tuning_parser import add_tuning

OK, FOUND, USAGE, UNAVAILABLE, TRY_LATER, CONFIG = 0, 1, 2, 69, 75, 78
"""Exit codes: sysexits.h where it has one; 1 only from commands that are asked a yes or no."""

STOPPED = 130
"""Exit code of a command that was interrupted."""

Handler = Callable[[argparse.Namespace], int]


class Plain(Exception):  # noqa: N818 - a sentence for people
    """Ends a command with a sentence and an exit code.

    Attributes:
        code: The exit code.
    """

    def __init__(self, words: str, code: int = UNAVAILABLE) -> None:
        super().__init__(words)
        self.code = code


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and give its exit code."""
    parser = build_parser()
    given = parser.parse_args(arguments)
    if given.handler is None:
        parser.print_help()
        return USAGE
    module, _, name = str(given.handler).partition(":")
    try:
        handler: Handler = getattr(importlib.import_module(module), name)
        return handler(given)
    except BrokenPipeError:
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115, PTH123 - the interpreter closes it
        return OK
    except KeyboardInterrupt:
        print("stopped", file=sys.stderr)
        return STOPPED
    except tuple(_codes()) as error:
        print(error, file=sys.stderr)
        return error.code if isinstance(error, Plain) else _codes()[type(error)]


def _codes() -> dict[type[Exception], int]:
    """Give the exit code of each error that a keeper or the world is to blame for."""
    from daemon.logbook import CannotRecord, LogbookDamaged, LogbookNewer, NoLogbook
    from daemon.orders import OrderError
    from daemon.settings import SettingsError

    return {
        Plain: UNAVAILABLE,
        SettingsError: CONFIG,
        NoLogbook: UNAVAILABLE,
        LogbookNewer: UNAVAILABLE,
        LogbookDamaged: UNAVAILABLE,
        CannotRecord: TRY_LATER,
        OrderError: USAGE,
    }


# -- the commands -----------------------------------------------------------------------


def build_parser() -> argparse.ArgumentParser:
    """Make the parser with every command."""
    parser = argparse.ArgumentParser(
        prog="ovigil",
        description="A climate watch for reptile breeders: it records, judges and warns; it never "
        "controls a heater.",
    )
    parser.set_defaults(handler=None)
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")
    for add in (add_beginning, _watching, _looking, add_tuning, _ordering, add_clutch, _filing, add_keeping):
        add(commands)
    return parser


def _command(commands: Commands, name: str, handler: str, words: str) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = commands.add_parser(name, help=words, description=words)
    made.set_defaults(handler=handler)
    return made


def _room(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("room", type=Path, metavar="ROOM.toml", help="the settings of the room")


def _json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="answer as JSON: °C, percent, seconds, UTC")


def _window(parser: argparse.ArgumentParser) -> None:
    where = "ISO 8601; without an offset it is the room's time"
    parser.add_argument("--from", dest="start", metavar="T", help=f"begin ({where})")
    parser.add_argument("--to", dest="end", metavar="T", help="end, not included")


def _by(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--by", metavar="NAME", help="who gives the order (default: your login name)")


def _watching(commands: Commands) -> None:
    run = _command(commands, "run", "daemon.commands.run:run", "watch the room until told to stop")
    _room(run)
    check = _command(
        commands, "check", "daemon.commands.check:check", "say what the settings mean, and what is wrong"
    )
    _room(check)
    check.add_argument("--reach", action="store_true", help="also try broker, contacts and servers")
    _json(check)
    demo = _command(commands, "demo", "daemon.commands.demo:demo", "one night of a made-up room in a minute")
    demo.add_argument("--dir", type=Path, metavar="D", help="leave settings and logbook in this folder")
    demo.add_argument("--seed", type=int, default=7, help="another night (default %(default)s)")


def _looking(commands: Commands) -> None:
    night = _command(commands, "night", "daemon.commands.night:night", "what the night was like")
    _room(night)
    _window(night)
    _json(night)
    night.add_argument(
        "--report",
        type=Path,
        metavar="FILE",
        help="write it as one page to print (.html) or a picture (.png)",
    )
    export = _command(commands, "export", "daemon.commands.files:export", "readings as CSV")
    _room(export)
    _window(export)
    export.add_argument("--sensor", action="append", metavar="NAME", help="only this sensor (repeatable)")
    export.add_argument("--out", type=Path, metavar="FILE", help="write there (default: standard output)")
    _json(export)


def _ordering(commands: Commands) -> None:
    ack = _command(commands, "ack", "daemon.commands.orders:ack", "I have seen it: acknowledge an alarm")
    _room(ack)
    ack.add_argument("number", type=int, metavar="NUMBER", help="number of the alarm")
    _by(ack)
    shelve = _command(commands, "shelve", "daemon.commands.orders:shelve", "keep an alarm quiet for a while")
    _room(shelve)
    shelve.add_argument("number", type=int, metavar="NUMBER", help="number of the alarm")
    shelve.add_argument("--for", dest="lasting", default="1 h", metavar="TIME", help='for example "20 min"')
    shelve.add_argument("--reason", default="", metavar="WORDS", help="why")
    _by(shelve)
    service = _command(
        commands, "service", "daemon.commands.orders:service", "take a place out of service, or back in"
    )
    _room(service)
    service.add_argument("place", metavar="PLACE")
    service.add_argument("state", choices=("in", "out"))
    _by(service)
    stage = _command(
        commands, "stage", "daemon.commands.orders:stage", "the animals of a place move on in life"
    )
    _room(stage)
    stage.add_argument("place", metavar="PLACE")
    stage.add_argument(
        "stage", metavar="STAGE", help="incubation, hatching, hatchling, juvenile, adult, cooling"
    )
    _by(stage)


def _filing(commands: Commands) -> None:
    take = _command(
        commands, "import", "daemon.commands.files:import_", "past readings from a CSV file into the logbook"
    )
    _room(take)
    take.add_argument("file", type=Path, metavar="FILE.csv")
    take.add_argument("--unit", choices=("C", "F"), default="C", help="unit of temperatures in the file")
    take.add_argument(
        "--fahrenheit", dest="unit", action="store_const", const="F", help="the same as --unit F"
    )
    add_form(take)
    _json(take)


if __name__ == "__main__":
    # Under its own name: the commands raise the exceptions of that module, not of this one.
    sys.exit(importlib.import_module("daemon.cli").main())
