"""Two-state quantities: lid, door, mains, and the watch's own organs.

One table says what each kind means when it is not as it should be: after how long it
is an alarm, of which priority, under which name, and what to try.

Source: common practice, no source; the limits of a keeper's own sensors can be set in
the config.
"""

from dataclasses import dataclass

from rules.plan import ContactKind, Priority
from rules.reading import MINUTE, SECOND
from rules.words import Sentence

OVERDUE_ADVICE = (
    "candle without turning, compare the sensor with a second thermometer, and leave sound eggs "
    "where they are; do not open an egg to help, ask a veterinarian with reptile practice"
)
"""What to do about a clutch that is overdue: nothing in haste."""


@dataclass(frozen=True, slots=True)
class ContactRule:
    """What one kind of contact means.

    Attributes:
        name: The rule's name.
        stages: (how long it must last in ms, priority), ascending.
        says: What is wrong, in a few words.
        advice: What to try.
    """

    name: str
    stages: tuple[tuple[int, Priority], ...]
    says: str
    advice: Sentence = ()


CONTACT_RULES: dict[ContactKind, ContactRule] = {
    ContactKind.LID: ContactRule(
        "lid open", ((20 * MINUTE, Priority.MEDIUM),), "The lid is open", ("Close the lid.",)
    ),
    ContactKind.DOOR: ContactRule(
        "door open", ((20 * MINUTE, Priority.MEDIUM),), "The door is open", ("Close the door.",)
    ),
    ContactKind.MAINS: ContactRule(
        "mains lost",
        ((0, Priority.HIGH),),
        "The mains are lost",
        (
            "Look at the breaker and the neighbours' lights; never touch wet mains parts.",
            " Keep boxes and incubators shut: they hold their heat for a while.",
        ),
    ),
    ContactKind.READER: ContactRule(
        "readings cut off",
        ((60 * SECOND, Priority.MEDIUM), (30 * MINUTE, Priority.HIGH)),
        "No readings can come in",
        ("Look at the network, the broker and their power. Until then go by hand and thermometer.",),
    ),
    ContactKind.RECORDER: ContactRule(
        "cannot record",
        ((0, Priority.MEDIUM),),
        "Readings cannot be recorded; judging goes on from memory",
        ("Look at the card: full, worn or read-only.",),
    ),
    ContactKind.DELIVERY: ContactRule(
        "cannot tell",
        ((0, Priority.HIGH),),
        "Alerts do not reach a contact",
        ("Look at the contact's service and the network; run ovigil selftest.",),
    ),
    ContactKind.DISK: ContactRule(
        "card needs care",
        ((0, Priority.MEDIUM),),
        "The card of the logbook or its copies need care",
        ("Look at the room left on the card and at the second place of the copies; run ovigil selftest.",),
    ),
    ContactKind.CLOCK: ContactRule(
        "clock not trusted",
        ((30 * MINUTE, Priority.LOW),),
        "The time of day is not known for sure",
        ("Look at the network; the board sets its clock from it.",),
    ),
    ContactKind.SETTINGS: ContactRule(
        "settings refused",
        ((0, Priority.LOW),),
        "The new settings are wrong; the old ones stay in force",
        ("Mend the line and reload.",),
    ),
    ContactKind.SUPPLY: ContactRule(
        "power supply weak",
        ((0, Priority.MEDIUM),),
        "The board's power supply is weak",
        ("Give the board a stronger supply or a shorter cable; a weak one damages the card.",),
    ),
    ContactKind.CLUTCH: ContactRule(
        "clutch overdue",
        ((0, Priority.LOW),),
        "A clutch is overdue",
        (f"{OVERDUE_ADVICE[0].upper()}{OVERDUE_ADVICE[1:]}.",),
    ),
}
"""By kind."""

ORGANS = frozenset(ContactKind) - {ContactKind.LID, ContactKind.DOOR, ContactKind.MAINS}
"""The kinds that belong to the watch itself."""


class Switch:
    """One contact's state through time. Owned by the engine.

    A contact stands until its next reading. Several stages of one rule are one alarm
    whose priority goes up.

    Attributes:
        rule: What the kind means.
        wrong_since: When it left its proper state, or -1.
        reached: How many stages have been reached.
        note: What its reader says, or "".
    """

    __slots__ = ("note", "reached", "rule", "wrong_since")

    def __init__(self, kind: ContactKind) -> None:
        """Begin as it should be."""
        self.rule = CONTACT_RULES[kind]
        self.wrong_since = -1
        self.reached = 0
        self.note = ""

    def see(self, at: int, value: float, note: str) -> bool:
        """Take a state; True when it is right again and an alarm was held."""
        if value >= 0.5:
            had = self.reached > 0
            self.wrong_since, self.reached, self.note = -1, 0, ""
            return had
        if self.wrong_since < 0:
            self.wrong_since = at
        self.note = note
        return False

    def due(self) -> int | None:
        """Give the instant at which the next stage is reached, or None."""
        if self.wrong_since < 0 or self.reached >= len(self.rule.stages):
            return None
        return self.wrong_since + self.rule.stages[self.reached][0]

    def reach(self) -> Priority:
        """Reach the next stage and give its priority."""
        priority = self.rule.stages[self.reached][1]
        self.reached += 1
        return priority

    def away(self, span: int) -> None:
        """Let the clock stand still for ``span`` ms."""
        if self.wrong_since >= 0:
            self.wrong_since += span

    def state(self) -> list[int | str]:
        """Give it as plain values."""
        return [self.wrong_since, self.reached, self.note]

    def restore(self, state: list[int | str]) -> None:
        """Take the values of :meth:`state`."""
        self.wrong_since, self.reached, self.note = int(state[0]), int(state[1]), str(state[2])
