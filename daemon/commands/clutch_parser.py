"""Names and options of ``ovigil clutch`` and ``ovigil ready``; light, so that help is quick."""

import argparse
from pathlib import Path
from typing import TypeAlias

DEEDS = ("candled", "weighed", "slumped", "pipped", "hatched", "died", "removed", "moved", "sold", "undo")
"""What can be written down; "undo" takes the entry of a number back."""

_HANDLERS = "daemon.commands.clutch:"

Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"  # noqa: SLF001 - it has no public name


def add_clutch(commands: Commands) -> None:
    """Add both commands to the command line."""
    words = "clutches: how far along, when they hatch, what is left"
    clutch = commands.add_parser("clutch", help=words, description=words)
    below = clutch.add_subparsers(title="what to do", metavar="WHAT", required=True)
    _made(below, "list", "list_", "every clutch, the season's totals, what is due")
    show = _made(below, "show", "show", "one clutch whole: log, forecast, look back")
    show.add_argument("id", metavar="ID")
    _add(_made(below, "add", "add", "add a clutch"))
    _log(_made(below, "log", "log", "write down what happened"))
    forecast = _made(below, "forecast", "forecast_", "when it hatches: a window, never one date")
    forecast.add_argument("id", metavar="ID", nargs="?", help="one clutch (default: all with eggs left)")
    words = "whether an enclosure has been right for long enough"
    ready = commands.add_parser("ready", help=words, description=words)
    ready.set_defaults(handler=_HANDLERS + "ready")
    ready.add_argument("room", type=Path, metavar="ROOM.toml", help="the settings of the room")
    ready.add_argument("place", metavar="PLACE")
    ready.add_argument("--for", dest="last", default="48 h", metavar="TIME", help="default %(default)s")
    ready.add_argument("--json", action="store_true", help="answer as JSON: °C, percent, seconds, UTC")


def _made(below: Commands, name: str, handler: str, words: str) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = below.add_parser(name, help=words, description=words)
    made.set_defaults(handler=_HANDLERS + handler)
    made.add_argument("room", type=Path, metavar="ROOM.toml", help="the settings of the room")
    made.add_argument("--json", action="store_true", help="answer as JSON: °C, percent, days, UTC")
    return made


def _add(add: argparse.ArgumentParser) -> None:
    add.add_argument("id", metavar="ID", help="unique, for example P-07")
    add.add_argument("--species", required=True, metavar="NAME", help="scientific or common name")
    day = add.add_mutually_exclusive_group(required=True)
    day.add_argument("--laid", metavar="DATE", help="the day on which it was laid, 2026-09-30")
    day.add_argument("--found", metavar="DATE", help="the day on which it was found, where laid is not known")
    add.add_argument("--eggs", required=True, type=int, metavar="N")
    add.add_argument("--box", required=True, metavar="PLACE")
    add.add_argument("--position", default="", metavar="WORDS", help="where in a box with several clutches")
    add.add_argument("--parents", default="", metavar="WORDS")
    add.add_argument(
        "--record",
        action="append",
        metavar="RECORD",
        help='an own record, "30 C: 58" (days at a temperature; repeatable)',
    )
    add.add_argument("--sex", action="store_true", help="show what temperature may mean for sex")
    add.add_argument("--by", metavar="NAME", help="who writes it (default: your login name)")


def _log(log: argparse.ArgumentParser) -> None:
    log.add_argument("id", metavar="ID")
    log.add_argument("deed", choices=DEEDS)
    log.add_argument("count", nargs="?", type=int, metavar="N", help="how many (left out: all; undo: entry)")
    log.add_argument("--of", choices=("egg", "hatchling"), help="eggs or hatchlings")
    log.add_argument("--grams", type=float, metavar="G", help="weight of the counted eggs together")
    log.add_argument("--to", default="", metavar="PLACE", help="where it moved to")
    log.add_argument("--position", default="", metavar="WORDS")
    log.add_argument("--at", metavar="T", help="when (ISO 8601; default: now)")
    log.add_argument("--note", default="", metavar="WORDS")
    log.add_argument("--by", metavar="NAME", help="who writes it (default: your login name)")
