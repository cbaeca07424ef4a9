"""The command lines of rehearsal, explanation, alarm review and advice."""

import argparse
from pathlib import Path


def add_tuning(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add ``rehearse``, ``explain``, ``review`` and ``advise``."""
    rehearse = _command(
        commands, "rehearse", "rehearse", "what proposed settings would have said on recorded nights"
    )
    rehearse.add_argument("room", type=Path, metavar="CURRENT.toml", help="the settings in force")
    rehearse.add_argument("proposed", type=Path, metavar="PROPOSED.toml", help="the settings to try")
    _since(rehearse)
    rehearse.add_argument(
        "--without-orders", action="store_true", help="leave out what keepers ordered in those nights"
    )
    rehearse.add_argument(
        "--report", type=Path, metavar="FILE.html", help="also a page of curves with both sets of marks"
    )
    _json(rehearse)
    _explain(commands)
    review = _command(commands, "review", "review", "how the alarms themselves do: load, chatter, floods")
    _room(review)
    where = "ISO 8601; without an offset it is the room's time"
    review.add_argument("--from", dest="start", metavar="T", help=f"begin ({where}; default 30 days back)")
    review.add_argument("--to", dest="end", metavar="T", help="end, not included (default: now)")
    _json(review)
    advise = _command(
        commands, "advise", "advise", "settings that would have kept the real alarms and fewer nuisances"
    )
    _room(advise)
    advise.add_argument(
        "--delay",
        default="10 min",
        metavar="TIME",
        help="how much later a real alarm may come (default %(default)s)",
    )
    _since(advise, "all of the record")
    _json(advise)


def _explain(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    explain = _command(commands, "explain", "explain", "why there was an alarm, or why there was none")
    _room(explain)
    explain.add_argument("number", type=int, nargs="?", metavar="ALARM", help="number of the alarm")
    explain.add_argument(
        "--not",
        dest="none",
        nargs=2,
        metavar=("PLACE", "TIME"),
        help="why there was no alarm at a place at an instant",
    )
    explain.add_argument("--picture", type=Path, metavar="FILE", help="draw the curve too: .svg or .png")
    _json(explain)


def _command(
    commands: "argparse._SubParsersAction[argparse.ArgumentParser]", name: str, handler: str, words: str
) -> argparse.ArgumentParser:
    made = commands.add_parser(name, help=words, description=words)
    made.set_defaults(handler=f"daemon.commands.{name}:{handler}")
    return made


def _room(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("room", type=Path, metavar="ROOM.toml", help="the settings of the room")


def _json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="answer as JSON: °C, percent, seconds, UTC")


def _since(parser: argparse.ArgumentParser, otherwise: str = "") -> None:
    words = 'how far back from the end of the record, for example "36 h"'
    parser.add_argument(
        "--since",
        default=None if otherwise else "14 d",
        metavar="TIME",
        help=f"{words} (default: {otherwise or '14 d'})",
    )
