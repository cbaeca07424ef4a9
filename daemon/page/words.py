"""The terms of the trade, each with a plain sentence; and how words are set."""

import re

_UNIT = re.compile(r"(?<=\d) (?=(?:°[CF]|%|K/h|K|kPa|g/m³|min|h|s|days?)(?![A-Za-z]))")
_MINUS = re.compile(r"(?<![\w.-])-(?=\d)")


def typeset(words: str) -> str:
    """Keep a number and its unit on one line, and give it a true minus."""
    return _MINUS.sub("\N{MINUS SIGN}", _UNIT.sub("\N{NO-BREAK SPACE}", words))


def sentence(words: str) -> str:
    """Begin words with a capital letter and end them with a mark."""
    words = words.strip()
    if not words:
        return ""
    return words[0].upper() + words[1:] + ("" if words[-1] in ".!?…" else ".")


WORDS = (
    ("ideal", "Where the animals or eggs do well. Leaving it for long raises an alarm of medium priority."),
    ("safe", "Where they come to no harm. Leaving it raises an alarm of high priority after a short time."),
    ("alarm", "One thing that is wrong, from when it was raised till it is right again."),
    ("alert", "The message about an alarm that goes to a contact."),
    ("acknowledge", "Say “I have seen it”: no more repeats, until it gets worse or comes back."),
    ("shelve", "Make an alarm quiet until a time that you choose; then it speaks again if it is still so."),
    ("suppressed", "Not told by itself, because another alarm explains it (a power cut explains forty)."),
    ("cleared", "Right again: back inside for long enough."),
    ("hold", "How long something must be wrong before it is an alarm; a lid may be opened."),
    ("deadband", "How far back inside a value must come before its alarm is over."),
    ("settling", "After a change (night falls, a place is new) ideal does not count for a while; safe does."),
    ("out of service", "A place that you took out: its readings are recorded, nobody is alerted."),
    ("priority", "How soon someone must act: high at once, medium today, low when there is time."),
    ("nuisance", "An alarm that was none: nothing was wrong. Saying so helps to tune the holds."),
    ("known work", "An alarm that you caused yourself: cleaning, feeding, moving."),
    ("silent", "A sensor from which nothing came for longer than it should take."),
    ("suspect", "A reading that is recorded and drawn, but may be the sensor's fault and not the climate's."),
    ("late", "A reading that came long after its time; it is recorded and drawn, and raises nothing."),
    ("dew point", "The temperature at which water would settle from this air: colder glass gets wet."),
    ("vapour pressure", "How much water is in the air, whatever its warmth: tells dried out from warmed up."),
    ("egg temperature", "What an egg in the box feels: it follows the air slowly."),
    ("covered", "The share of time for which there were readings; a gap is never filled in."),
    ("correction", "What a sensor was found to be off by. The record keeps what it really said."),
)
"""Terms and plain sentences."""

SIGNS = (
    ("the dark green band", "ideal"),
    ("the light green band", "safe"),
    ("a thick line with a filled area below the band", "too cool or too dry"),
    ("a thick line with a filled area above the band", "too warm or too humid"),
    ("a shaded ribbon along the line", "lowest to highest, where many readings lie on one point"),
    ("dots in a row", "no readings"),
    ("a full flag", "an alarm was raised"),
    ("a ring with a tick", "someone has seen it"),
    ("an empty flag", "it is right again"),
    ("the dashed line right of now", "what is expected, with early and late; the ring is where safe is left"),
)
"""What is on a strip."""
