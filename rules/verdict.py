"""What a rule finds: the one shape in which rules speak to the engine."""

from dataclasses import dataclass

from rules.plan import Priority
from rules.words import Sentence


@dataclass(frozen=True, slots=True)
class Verdict:
    """A rule's finding about one thing at one instant.

    A rule that has nothing new to say gives ``None`` instead, which is the common case.

    Attributes:
        rule: The rule's name in a keeper's words ("drying out", "stuck").
        wrong: True raises the alarm (or renews its words), False clears it.
        since: When the trouble began (room time, ms).
        priority: How soon a person must act.
        value: The value that is wrong, or None.
        reason: What is wrong, with numbers; or why it is right again.
        advice: What to try, or ().
    """

    rule: str
    wrong: bool
    since: int
    priority: Priority = Priority.MEDIUM
    value: float | None = None
    reason: Sentence = ()
    advice: Sentence = ()
