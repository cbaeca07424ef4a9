"""The engine's alarms and mouths as plain JSON values, and back.

Part of the form whose number is ``rules.engine.SCHEMA``.
"""

from typing import Any

from rules.alarms import Alarm, Book, Shelf, Wrong
from rules.events import AlarmKey, Tone
from rules.life import Life
from rules.plan import Priority
from rules.telling import Lately, Telling
from rules.words import Degrees, Instant, Kelvin, Lasting, Number, Percent, Piece, Sentence

Plain = Any
"""Plain JSON values; their form is given by the functions of this module."""

_KINDS: dict[str, type] = {
    "degrees": Degrees,
    "kelvin": Kelvin,
    "percent": Percent,
    "instant": Instant,
    "lasting": Lasting,
    "number": Number,
}


def piece_state(piece: Piece) -> Plain:
    """Give a piece of a sentence as plain values: text, or [kind, parts…]."""
    if isinstance(piece, str):
        return piece
    kind = type(piece).__name__.lower()
    return [kind, *(getattr(piece, name) for name in type(piece).__slots__)]


def piece_of(state: Plain) -> Piece:
    """Take what :func:`piece_state` gave."""
    if isinstance(state, str):
        return state
    piece: Piece = _KINDS[state[0]](*state[1:])
    return piece


def sentence_state(sentence: Sentence) -> list[Plain]:
    """Give a sentence as plain values."""
    return [piece_state(piece) for piece in sentence]


def sentence_of(state: list[Plain]) -> Sentence:
    """Take what :func:`sentence_state` gave."""
    return tuple(piece_of(piece) for piece in state)


def alarm_state(alarm: Alarm) -> dict[str, Plain]:
    """Give one open alarm as plain values."""
    wrong = alarm.wrong
    return {
        "key": list(alarm.key),
        "raised": alarm.raised,
        "priority": wrong.priority.value,
        "since": wrong.since,
        "value": wrong.value,
        "reason": sentence_state(wrong.reason),
        "advice": sentence_state(wrong.advice),
        "life": alarm.life.name,
        "holders": list(alarm.holders),
        "cause": list(alarm.cause) if alarm.cause else None,
        "explained_at": alarm.explained_at.value if alarm.explained_at else None,
        "spoken": alarm.spoken,
        "repeats": alarm.repeats,
        "told": list(alarm.told or {}),
        "freed": list(alarm.freed) if alarm.freed else None,
        "voiced": None if alarm.voiced is None else alarm.voiced.value,
        "waits": alarm.waits,
    }


def alarm_of(state: dict[str, Plain]) -> Alarm:
    """Take what :func:`alarm_state` gave."""
    wrong = Wrong(
        Priority(state["priority"]),
        state["since"],
        state["value"],
        sentence_of(state["reason"]),
        sentence_of(state["advice"]),
    )
    return Alarm(
        AlarmKey(*state["key"]),
        state["raised"],
        wrong,
        Life[state["life"]],
        dict.fromkeys(state["holders"]),
        AlarmKey(*state["cause"]) if state["cause"] else None,
        Priority(state["explained_at"]) if state["explained_at"] else None,
        state["spoken"],
        state["repeats"],
        dict.fromkeys(state["told"]) or None,
        state["waits"],
        freed=AlarmKey(*state["freed"]) if state["freed"] else None,
        voiced=Priority(state["voiced"]) if state["voiced"] else None,
    )


def book_state(book: Book) -> dict[str, Plain]:
    """Give the book as plain values."""
    return {
        "open": [alarm_state(alarm) for alarm in book.open.values()],
        "returned": [[list(key), raised] for key, raised in book.returned.items()],
        "shelves": [
            [list(key), shelf.until, shelf.priority.value, shelf.by] for key, shelf in book.shelves.items()
        ],
    }


def book_of(book: Book, state: dict[str, Plain]) -> None:
    """Fill a book with what :func:`book_state` gave."""
    book.open.clear()
    for part in state["open"]:
        alarm = alarm_of(part)
        book.open[alarm.key] = alarm
    book.returned = {AlarmKey(*key): raised for key, raised in state["returned"]}
    book.shelves = {
        AlarmKey(*key): Shelf(until, Priority(priority), by) for key, until, priority, by in state["shelves"]
    }


def telling_state(telling: Telling) -> dict[str, Plain]:
    """Give every mouth as plain values."""
    mouths = {
        name: {
            "waiting": [
                [list(key), raised, tone.value, priority.value]
                for (key, raised), (tone, priority) in mouth.waiting.items()
            ],
            "sent": list(mouth.sent),
        }
        for name, mouth in telling.mouths.items()
    }
    lately = [
        [list(key), one.ended, one.priority.value, one.hushed, one.pause]
        for key, one in telling.lately.items()
    ]
    spoken = [[list(key), at] for key, at in telling.spoken_for.items()]
    return {"mouths": mouths, "spoken": spoken, "lately": lately}


def telling_of(telling: Telling, state: dict[str, Plain]) -> None:
    """Fill the mouths with what :func:`telling_state` gave."""
    for name, part in state["mouths"].items():
        mouth = telling.mouths.get(name)
        if mouth is None:
            continue
        mouth.waiting = {
            (AlarmKey(*key), raised): (Tone(tone), Priority(priority))
            for key, raised, tone, priority in part["waiting"]
        }
        mouth.sent = list(part["sent"])
    telling.spoken_for = {AlarmKey(*key): at for key, at in state["spoken"]}
    telling.lately = {
        AlarmKey(*key): Lately(ended, Priority(word), hushed, pause)
        for key, ended, word, hushed, pause in state["lately"]
    }
