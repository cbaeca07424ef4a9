"""Turn what the engine wants said into messages that a sleepy keeper understands.

Pure: a :class:`rules.events.Notice` and the facts of its alarms go in, a
:class:`daemon.record.Alert` comes out. The title alone says place, trouble and value;
the text adds range, since when, what to try and the alarm's number. Short lines,
no colours, no terms of the trade.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from daemon.record import Alert
from daemon.texts import Speaker, lasting, listed, plural
from rules.events import AlarmKey, Notice, Told, Tone
from rules.plan import WATCH, Priority
from rules.reading import Quantity
from rules.span import Span
from rules.words import Sentence

TITLE = 60
"""Longest title (characters): what a lock screen shows in one or two lines."""

TEXT = 3_000
"""Longest text (characters, about 3.9 kB at worst): phone services cut or refuse more than 4 kB."""

_WORST = 4
"""Of so many places that left safe a message of their cause says the numbers."""

REPORT = "report"
"""``Alert.tone`` of morning report, "all is well" and "was away"."""

AWAY_WORDS = ": nobody watched "
"""In the title of a report on a span without watch, after the room's name."""

DAMAGED_WORDS = ": the logbook was damaged"
"""In the title of a report on a logbook that was found damaged."""

TEST = "test"
"""``Alert.tone`` of a test alert."""

HEAT_CAUTION = "Check heater and thermostat by hand: only an independent cut-out can limit the heat."
"""Said where heat may be stuck on: the watch switches nothing."""

MAINS_CAUTION = "Never touch anything electric that is wet; switch it off at the fuse box first."
"""Said where somebody will reach for a plug in the dark."""

_OPENINGS = {
    Tone.RAISED: "",
    Tone.WORSE: "Worse: ",
    Tone.REPEAT: "Still: ",
    Tone.ESCALATION: "Nobody answered: ",
    Tone.RIGHT_AGAIN: "Right again: ",
}
_QUANTITIES = frozenset(quantity.value for quantity in Quantity)
_URGENT = frozenset({Tone.RAISED, Tone.WORSE, Tone.ESCALATION})


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of one alarm when it is put into words. Lives as long as that.

    Attributes:
        number: Its number, by which a keeper acknowledges it.
        key: Who it is.
        priority: Its priority now.
        since: When the trouble itself began (room time, ms).
        reason: What is wrong, with numbers; a single text where only that is stored.
        advice: What to try, or ().
        value: The value now, or None.
        quantity: What the value is, or None where the sensor itself is wrong.
        span: The span that it left, or None.
        safe: Whether that is the safe span (else the ideal one).
        own_advice: The place's own advice from the config, or "".
        label: How the place is called where its name alone does not do, or "".
        cleared: Room time at which it ended, or None.
        ended: Why it ended, or ().
    """

    number: int
    key: AlarmKey
    priority: Priority
    since: int
    reason: Sentence = ()
    advice: Sentence = ()
    value: float | None = None
    quantity: Quantity | None = None
    span: Span | None = None
    safe: bool = True
    own_advice: str = ""
    label: str = ""
    cleared: int | None = None
    ended: Sentence = ()


Find = Callable[[AlarmKey, int | None], Facts | None]
"""Look up an alarm by identity and instant of raising; the instant None: the open one."""


def worded(notice: Notice, find: Find, speaker: Speaker, address: str = "") -> Alert:
    """Put ``notice`` into words.

    An alarm that ended before this was put into words becomes one summary line, not
    news. An alarm that cannot be found is told by its key: nothing is left unsaid.

    Args:
        notice: What the engine wants said, gravest first.
        find: Gives the facts of an alarm.
        speaker: How values and instants are rendered.
        address: The page's address for the link, or "" for none.

    Returns:
        The alert, without a number of the outbox.
    """
    told = [(item, find(item.alarm, item.raised) or _unknown(item)) for item in notice.told]
    fresh = [pair for pair in told if not _stale(*pair)]
    stale = [facts for item, facts in told if _stale(item, facts)]
    blocks = [_block(item, facts, find, speaker) for item, facts in fresh]
    if stale:
        blocks.append(
            "Meanwhile right again: " + "; ".join(_summary(facts, speaker) for facts in stale) + "."
        )
    numbers = tuple(dict.fromkeys(facts.number for _, facts in told if facts.number))
    link = _link(address, numbers)
    body = _fitted(blocks, TEXT - len(link) - 1)
    return Alert(
        id=None,
        now=notice.now,
        contact=notice.contact,
        priority=notice.priority,
        title=_title(fresh, stale, speaker),
        text=f"{body}\n{link}" if link else body,
        alarms=numbers,
        tone=(fresh[0][0].tone if fresh else Tone.RIGHT_AGAIN).value,
    )


def report_alert(contact: str, lines: Sequence[str], *, now: int, title: str, address: str = "") -> Alert:
    """Make the morning report, "all is well" or "was away" for one contact.

    Args:
        contact: Name of the contact.
        lines: One line a place, gravest first.
        now: Room time, ms.
        title: First line, see :func:`morning_title` and :func:`away_title`.
        address: The page's address for the link, or "".
    """
    link = address.rstrip("/")
    body = _fitted(list(lines) or ["Nothing to tell."], TEXT - len(link) - 1, gap="\n")
    text = f"{body}\n{link}" if link else body
    return Alert(None, now, contact, Priority.LOW, shortened(title, TITLE), text, tone=REPORT)


def morning_title(room: str, concerns: int, speaker: Speaker) -> str:
    """Name the morning: "Cellar, Wed 2026-11-25: all is well" or what needs a look."""
    state = "all is well" if not concerns else f"{plural(concerns, 'place')} to look at"
    return f"{room}, {speaker.date(speaker.now)}: {state}"


def away_title(room: str, since: int, until: int, speaker: Speaker) -> str:
    """Name a span without watch: "Cellar: nobody watched 02:10 to 04:35 (2 h 25 min)"."""
    span = lasting(until - since)
    if speaker.offset is None:
        return f"{room}{AWAY_WORDS}for {span}"
    return f"{room}{AWAY_WORDS}{speaker.when(since)} to {speaker.when(until)} ({span})"


def damaged_title(room: str) -> str:
    """Name a logbook that was found damaged at a start."""
    return f"{room}{DAMAGED_WORDS}"


def of_morning(report: Alert) -> bool:
    """Tell whether a report is a morning's, and not one on an absence or a damaged logbook."""
    return AWAY_WORDS not in report.title and DAMAGED_WORDS not in report.title


def trial_alert(contact: str, room: str, *, now: int, speaker: Speaker) -> Alert:
    """Make the marked test alert for one contact."""
    text = (
        f"This is a test of the way from {room} to {contact}, sent {speaker.when(now)}.\n"
        "Nothing is wrong and nothing is to be done. If it did not wake you, an alarm would not either: "
        "look at the sound settings of your phone."
    )
    return Alert(
        None,
        now,
        contact,
        Priority.HIGH,
        shortened(f"Test from {room}: nothing is wrong", TITLE),
        text,
        tone=TEST,
    )


NOT_RECORDED = "Not recorded: the logbook cannot be written at the moment."
"""Stands in each message that tells of something that is not on the card yet."""


def unrecorded(alert: Alert) -> Alert:
    """Mark an alert that goes out from memory because the card does not answer."""
    return replace(alert, text=_with_mark(alert.text))


def _with_mark(text: str) -> str:
    return text if NOT_RECORDED in text else f"{text}\n{NOT_RECORDED}"


@dataclass(frozen=True, slots=True)
class Message:
    """What one attempt carries: one alert as it is, or several as one message."""

    title: str
    text: str


def grouped(alerts: Sequence[Alert], cleared: Callable[[int], int | None], now: int) -> Message:
    """Make one message of all that waited for a contact.

    The gravest first and the oldest of them first; of what was said again and again only the
    newest. What is right again meanwhile becomes
    one summary line, whether or not "right again" itself waits too; whatever waited more
    than 5 min says for how long.

    Args:
        alerts: What waits, at least one.
        cleared: When an alarm ended (room time, ms), or None while it is open.
        now: Room time, ms.
    """
    if any(NOT_RECORDED in alert.text for alert in alerts):
        bare = [replace(alert, text=alert.text.replace(f"\n{NOT_RECORDED}", "")) for alert in alerts]
        message = _together(bare, cleared, now, TEXT - len(NOT_RECORDED) - 1)
        return replace(message, text=_with_mark(message.text))
    return _together(alerts, cleared, now, TEXT)


def _together(alerts: Sequence[Alert], cleared: Callable[[int], int | None], now: int, most: int) -> Message:
    """Make one message of at most so many characters."""
    ordered = sorted(alerts, key=lambda alert: (-alert.priority.rank, alert.now))
    over = [alert for alert in ordered if _over(alert, cleared)]
    fresh = _newest([alert for alert in ordered if alert not in over])
    if len(ordered) == 1 and not over:
        return Message(ordered[0].title, _aged(ordered[0], now))
    blocks = [f"{alert.title}\n{_aged(alert, now)}" for alert in fresh]
    if over:
        blocks.append(_meanwhile(over, cleared, now))
    if not fresh:
        numbers = dict.fromkeys(number for alert in over for number in alert.alarms)
        return Message(
            shortened(f"Meanwhile right again: {plural(len(numbers), 'alarm')}", TITLE), _fitted(blocks, most)
        )
    title = fresh[0].title if len(fresh) == 1 else f"{len(fresh)} messages: {fresh[0].title}"
    return Message(shortened(title, TITLE), _fitted(blocks, most))


def shortened(text: str, most: int) -> str:
    """Cut ``text`` to ``most`` characters at a word, with "…" where something is missing."""
    text = " ".join(text.split())
    if len(text) <= most:
        return text
    head = text[: most - 1]
    cut = head.rpartition(" ")[0] if " " in head[most // 2 :] else head
    return cut.rstrip(" ,;:(") + "…"


def _stale(item: Told, facts: Facts) -> bool:
    return facts.cleared is not None and item.tone is not Tone.RIGHT_AGAIN


def _unknown(item: Told) -> Facts:
    """What can be said of an alarm whose facts are not at hand."""
    return Facts(number=0, key=item.alarm, priority=item.priority, since=item.raised)


def _name(facts: Facts) -> str:
    """How the alarm's place is called: "box-2", with its spot where that is not the air."""
    place = facts.label or facts.key.place
    return f"{place}, {facts.key.spot}" if facts.key.spot not in {"", "air"} else place


def _title(fresh: Sequence[tuple[Told, Facts]], stale: Sequence[Facts], speaker: Speaker) -> str:
    if not fresh:
        return shortened(
            "Meanwhile right again: " + listed(dict.fromkeys(_name(facts) for facts in stale), 2), TITLE
        )
    item, facts = fresh[0]
    value = ""
    if facts.value is not None and facts.quantity is not None and facts.quantity is not Quantity.CONTACT:
        value = f", {speaker.value(facts.quantity, facts.value)}"
    others = (
        len(
            {other.key.place for _, other in fresh}
            | {key.place for told, _ in fresh for key in told.explains}
        )
        - 1
    )
    more = f" (+{plural(others, 'place')})" if others else ""
    title = f"{_OPENINGS[item.tone]}{_name(facts)} {_rule(facts)}"
    return shortened(title, TITLE - len(value) - len(more)) + value + more


def _rule(facts: Facts) -> str:
    """The rule's name; where the sensor or an organ of the watch is wrong, with its name."""
    subject, rule = facts.key.subject, facts.key.rule
    if subject.startswith(f"{WATCH}/"):
        _, _, name = subject.removeprefix(f"{WATCH}/").partition("/")
        return f"{rule} ({name})" if name else rule
    sensor = facts.quantity is None and subject and subject not in _QUANTITIES
    return f"{subject} {rule}" if sensor and subject != facts.key.place and subject not in rule else rule


def _block(item: Told, facts: Facts, find: Find, speaker: Speaker) -> str:
    """All that is said of one alarm."""
    if item.tone is Tone.RIGHT_AGAIN:
        return _right_again(facts, speaker)
    reason = speaker.say(facts.reason).rstrip(" .")
    lines = [_OPENINGS[item.tone] + _said(facts, speaker), *_measured(facts, reason, speaker)]
    lines += _out_of_safe(item, find, speaker) if item.tone is Tone.WORSE else []
    lines.append(_since(facts, reason, speaker))
    advice = speaker.say(facts.advice).strip()
    lines += [f"Try: {advice}"] if advice else []
    lines += [f"Your note: {facts.own_advice.strip()}"] if facts.own_advice.strip() else []
    care = caution(facts)
    lines += [care] if care and item.tone in _URGENT and not _cautioned(advice, care) else []
    lines += _explained(item, find)
    lines.append(f"{_numbered(facts)}, {item.priority.value} priority")
    return "\n".join(lines)


def _said(facts: Facts, speaker: Speaker) -> str:
    """The place, what is wrong there, and why, as one sentence."""
    reason = speaker.say(facts.reason).rstrip(" .")
    return f"{_name(facts)} {_rule(facts)}{f': {reason}' if reason else ''}."


def _measured(facts: Facts, reason: str, speaker: Speaker) -> list[str]:
    """The value and the span that it left, unless the reason has said both."""
    if facts.quantity is None or facts.quantity is Quantity.CONTACT:
        return []
    parts = []
    if facts.value is not None and facts.value == facts.value:
        value = speaker.value(facts.quantity, facts.value)
        parts += [f"Now {value}"] if value not in reason else []
    which = "safe" if facts.safe else "ideal"
    if facts.span is not None and f"{which} is" not in reason:
        parts.append(f"{which} is {speaker.span(facts.quantity, facts.span)}")
    text = "; ".join(parts)
    return [f"{text[:1].upper()}{text[1:]}."] if text else []


def _since(facts: Facts, reason: str, speaker: Speaker) -> str:
    """Since when; only for how long where the reason has said the instant."""
    at, span = speaker.when(facts.since), lasting(speaker.now - facts.since)
    if speaker.offset is None or f"since {at}" in reason:
        return f"For {span}."
    return f"Since {at} ({span})."


def _cautioned(advice: str, care: str) -> bool:
    """Tell whether the rule's own advice has said the caution."""
    return ("wet" if care is MAINS_CAUTION else "cut-out") in advice


def caution(facts: Facts) -> str:
    """Give the usual caution where acting on this alarm can hurt someone, else ""."""
    rule = facts.key.rule
    if "mains" in rule or "mains" in facts.key.subject or "power" in rule:
        return MAINS_CAUTION
    if facts.key.subject in {Quantity.TEMPERATURE.value, Quantity.EGG_TEMPERATURE.value}:
        return HEAT_CAUTION if "warm" in rule else MAINS_CAUTION if "cool" in rule else ""
    return ""


def _out_of_safe(item: Told, find: Find, speaker: Speaker) -> list[str]:
    """What got worse under a cause, in its own words: the cause's are older."""
    found = [facts for key in item.explains if (facts := find(key, None)) is not None]
    grave = [facts for facts in found if facts.priority is Priority.HIGH and facts.reason]
    return [_said(facts, speaker) for facts in grave[:_WORST]]


def _explained(item: Told, find: Find) -> list[str]:
    """The places that this cause explains, in one line with their numbers."""
    if not item.explains:
        return []
    facts = [(key, find(key, None)) for key in item.explains]
    places = listed(dict.fromkeys(key.place for key, _ in facts), 6)
    numbers = [known.number for _, known in facts if known is not None]
    return [f"This explains: {places} ({_numbers(numbers)})." if numbers else f"This explains: {places}."]


def _right_again(facts: Facts, speaker: Speaker) -> str:
    ended = speaker.say(facts.ended).removeprefix("Right again: ").rstrip(" .")
    head = f"Right again: {_name(facts)}, was {_rule(facts)}"
    until = facts.cleared if facts.cleared is not None else speaker.now
    span = f"From {speaker.when(facts.since)} to {speaker.when(until)} ({lasting(until - facts.since)})."
    return f"{head}{f': {ended}' if ended else ''}.\n{span}\n{_numbered(facts)}"


def _summary(facts: Facts, speaker: Speaker) -> str:
    until = facts.cleared if facts.cleared is not None else speaker.now
    span = f"{speaker.when(facts.since)} to {speaker.when(until)}"
    return f"{_name(facts)} was {_rule(facts)} ({span}, {_numbered(facts)})"


def _numbered(facts: Facts) -> str:
    return f"alarm {facts.number}" if facts.number else "alarm without a number yet"


def _numbers(numbers: Iterable[int]) -> str:
    """Numbers for reading: "alarm 17", "alarms 17, 18 and 19"."""
    every = [str(number) for number in dict.fromkeys(numbers)]
    return f"alarm {every[0]}" if len(every) == 1 else f"alarms {listed(every, 8)}"


def _link(address: str, numbers: Sequence[int]) -> str:
    if not address:
        return ""
    return f"{address.rstrip('/')}/alarm/{numbers[0]}" if numbers else address.rstrip("/")


def _newest(alerts: Sequence[Alert]) -> list[Alert]:
    """Leave out what a later message says of the same alarms; the order stays that of the first."""
    newest: dict[tuple[object, ...], Alert] = {}
    for number, alert in enumerate(alerts):
        again = bool(alert.alarms) and alert.tone != Tone.RIGHT_AGAIN.value
        key = alert.alarms if again else (alert.alarms, number)
        known = newest.get(key)
        newest[key] = alert if known is None or alert.now >= known.now else known
    return list(newest.values())


def _over(alert: Alert, cleared: Callable[[int], int | None]) -> bool:
    """Tell whether all that ``alert`` tells of has ended since it was decided."""
    if not alert.alarms or alert.tone == Tone.RIGHT_AGAIN.value:
        return False
    ends = [cleared(number) for number in alert.alarms]
    return all(end is not None for end in ends)


def _aged(alert: Alert, now: int) -> str:
    """The text, led by its age where it waited long enough to mislead."""
    waited = now - alert.now
    return alert.text if waited < 300_000 else f"(This waited {lasting(waited)}.)\n{alert.text}"


def _meanwhile(over: Sequence[Alert], cleared: Callable[[int], int | None], now: int) -> str:
    """One line for all that is right again."""
    lines: dict[tuple[int, ...], str] = {}
    for alert in over:
        ends = [end for end in map(cleared, alert.alarms) if end is not None]
        ago = f"{lasting(now - alert.now)} ago, right again {lasting(now - max(ends))} ago"
        lines.setdefault(alert.alarms, f"{alert.title} ({ago}, {_numbers(alert.alarms)})")
    return "Meanwhile right again: " + "; ".join(lines.values()) + "."


def _fitted(blocks: Sequence[str], most: int, gap: str = "\n\n") -> str:
    """Join blocks within ``most`` characters; those that do not fit keep first and last line."""
    kept: list[str] = []
    room = most - 20
    for block in blocks:
        lines = block.splitlines()
        brief = block if len(lines) < 3 else f"{lines[0]} [{lines[-1]}]"
        chosen = next(
            (form for form in (block, brief, shortened(brief, 80)) if len(form) + len(gap) <= room), None
        )
        if chosen is None:
            break
        kept.append(chosen)
        room -= len(chosen) + len(gap)
    left = len(blocks) - len(kept)
    return gap.join([*kept, *([f"(and {left} more)"] if left else [])])
