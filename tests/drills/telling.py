"""Drills 8 to 12: from an alarm to a person, on good nights and bad ones."""

import os
import random
import statistics
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from itertools import pairwise
from pathlib import Path

from daemon.chores import SILENT_MARK, STATE
from daemon.record import Kind
from rules.reading import HOUR, MINUTE, SECOND
from tests.drills.drill import Drill, Measured, awaited, borne_out
from tests.drills.group import Group
from tests.drills.ingest import MANY, MEMORY, published
from tests.drills.ingest import verdict as outcome
from tests.drills.sweeping import below, words_of
from tests.kit.broker import Broker, until
from tests.kit.hand import Handled, room
from tests.kit.history import History, Verdict, judged
from tests.kit.receivers import HttpReceiver, Mode, http_receiver
from tests.kit.watch import Feeder, Layout, LiveWatch, missing

GOOD, WARM = 29.5, 35.0
BOTH = """
[[contact]]
name = "good"
reach = "good"
priorities = ["high", "medium", "low"]
"""


def verdict(hand: Handled, *receivers: HttpReceiver) -> Verdict:
    """Hold what receivers took against the logbook."""
    hand.commit()
    history = History()
    for receiver in receivers:
        history.take(receiver.got)
    with hand.archive() as archive:
        return judged(archive, history)


# -- 8 -----------------------------------------------------------------------------------


_RUNS = {False: (1, 3), True: (6, 15)}
"""By tier: so many alarms under a burst or on a slow processor, and at rest."""


def in_time(folder: Path, full: bool) -> Iterator[Measured]:
    """From the end of a hold to the phone: at rest, under ten thousand readings, on a slow processor."""
    for words in ("at rest", "under a burst of 10,000", *(("at a fifth of a processor",) if full else ())):
        runs = []
        for number in range(_RUNS[full][words == "at rest"]):
            with _slowed("processor" in words) as before:
                runs.append(_one_alarm(folder / f"{words[:9]}-{number}", 10_000 * ("burst" in words), before))
        yield from (borne_out(found, f"{words}, run {number}") for number, (*_, found) in enumerate(runs, 1))
        handed = [one for one, *_ in runs]
        # A tick of 1 s until it is judged and on the card, then half a second (at most two).
        if words == "at rest":
            yield Measured("alarm due to courier started, at rest: median, s", statistics.median(handed), 1.5)
        most = 1.0 + (2.0 if words == "at rest" else 5.0)
        yield Measured(f"alarm due to courier started, {words}: longest, s", max(handed), most)
        yield Measured(
            f"alarm due to the phone, {words}: longest, s", max(one for _, one, _ in runs), most + 2
        )


@contextmanager
def _slowed(really: bool) -> Iterator[tuple[str, ...]]:
    """Give the words that let a watch have a fifth of a processor, or none."""
    if not really:
        yield ()
        return
    group = Group()
    try:
        yield group.before
    finally:
        group.end()


def _one_alarm(folder: Path, crowd: int, before: tuple[str, ...]) -> tuple[float, float, Verdict]:
    """Give how long until the alert was handed over, and until it was at the phone, s.

    Both count from the instant at which the alarm became due. The courier is started in the
    tick after the commit; on a slow processor its own start is most of what lies between them.
    """
    with (
        http_receiver() as phone,
        Broker(folder / "b", persistence=False, extra=MEMORY) as broker,
        LiveWatch(
            folder / "w",
            Layout(sensors=10, window=2000, hold="2 s", contacts={"phone": phone.reach()}),
            broker,
            before=before,
        ) as watch,
        Feeder(watch, pace=0.05) as feeder,
    ):
        until(lambda: len(watch.entries()) > 3, "readings are recorded", 25)
        sent = published(watch, crowd) if crowd else []
        feeder.celsius = 36.0
        born: list[float] = []
        until(lambda: born or _courier_born(watch, born), "a courier is started", 30)
        until(lambda: phone.got, "the phone is told", 30)
        arrived = time.time() - (time.monotonic() - phone.got[0].at)
        until(lambda: watch.alarms("too warm"), "the alarm is recorded")
        raised = watch.alarms("too warm")[0].raised / 1000
        until(lambda: _delivered(watch), "the outcome is recorded")
        feeder.stop()
        awaited(lambda: not missing(watch, sent + feeder.acked), 30)
        return born[0] - raised, arrived - raised, outcome(watch, sent + feeder.acked, phone)


def _delivered(watch: LiveWatch) -> bool:
    with watch.archive() as archive:
        return bool(archive.journal(kinds=[Kind.DELIVERED]))


def _courier_born(watch: LiveWatch, born: list[float]) -> bool:
    """Note since when a courier of the watch lives (Unix time, s), where there is one."""
    assert watch.process is not None
    for number in below(watch.process.pid):
        with suppress(OSError):
            if "daemon.courier" in words_of(number):
                # Field 22 of proc(5), stat: clock ticks from boot to the start of the process.
                ticks = int(Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split()[19])
                lived = time.clock_gettime(time.CLOCK_BOOTTIME) - ticks / os.sysconf("SC_CLK_TCK")
                born.append(time.time() - lived)
    return bool(born)


# -- 9 -----------------------------------------------------------------------------------


def dead_for_hours(folder: Path, full: bool) -> Iterator[Measured]:
    """The phone service is dead for hours while the watch is killed again and again."""
    phone, dice = HttpReceiver(), random.Random(9)
    names = [f"box-{n}" for n in range(4)]
    hand = Handled(folder, room(*names, contact=True), reach={"first": phone.reach})
    hand.start()
    hand.feed(dict.fromkeys(names, GOOD), 5 * MINUTE)
    kills, hours = (24, 8) if full else (3, 2)
    for _ in range(kills):
        hand.feed(
            {name: dice.choice([GOOD, WARM]) for name in names}, hours * HOUR // kills, every=2 * MINUTE
        )
        hand.drop()
        hand.clock.advance(SECOND)
        hand.start()
    phone.up()
    try:
        hand.feed(dict.fromkeys(names, GOOD), 30 * MINUTE, every=MINUTE)
        found = verdict(hand, phone)
        texts = [f"{got.json['title']}\n{got.json['message']}" for got in phone.got[:2]]
        waiting = _waiting(hand)
        hand.end()
    finally:
        phone.down()
    yield borne_out(found)
    yield Measured("alerts still waiting when it is back", waiting, 0)
    yield Measured("messages when it is back", len(phone.got), 6)
    aged = any("waited" in text or "eanwhile" in text for text in texts)
    yield Measured("what is old is not said to be", float(not aged), 0, str(texts))


def _waiting(hand: Handled) -> int:
    with hand.archive() as archive:
        return sum(alert.done is None for alert in archive.outbox())


# -- 10 ----------------------------------------------------------------------------------


def doubles(folder: Path, full: bool) -> Iterator[Measured]:
    """Answers are lost: the same message comes again, but at most three times in an hour."""
    with http_receiver(Mode.LOST) as phone:
        hand = Handled(folder, room("box-1", contact=True), reach={"first": phone.reach})
        hand.start()
        hand.feed({"box-1": GOOD}, 3 * MINUTE)
        tried: dict[int | None, list[int]] = {}
        for _ in range(240 if full else 70):
            hand.put("box-1", WARM)
            hand.pass_time(MINUTE, step=MINUTE)
            _note_tries(hand, tried)
        number = hand.alarms("too warm")[0].number
        found = verdict(hand, phone)
        hand.end()
    most = max(
        sum(end - HOUR < at <= end for at in instants) for instants in tried.values() for end in instants
    )
    words = [str(got.json["message"]) for got in phone.got]
    unnamed = sum(f"alarm {number}" not in text for text in words if "box-1 too warm" in text)
    note = f"{len(phone.got)} messages of {len(tried)} alerts"
    yield Measured("attempts with one alert within an hour", most, 3, note)
    yield Measured("messages without the alarm's number", unnamed, 0)
    yield borne_out(found)


def _note_tries(hand: Handled, tried: dict[int | None, list[int]]) -> None:
    """Note each new attempt with each alert, with its minute."""
    with hand.archive() as archive:
        for alert in archive.outbox():
            instants = tried.setdefault(alert.id, [])
            instants += [hand.clock.boottime()] * (alert.tries - len(instants))


# -- 11 ----------------------------------------------------------------------------------


def mute(folder: Path, full: bool) -> Iterator[Measured]:
    """One service is mute and one drips: nobody else waits, judging goes on, and the attempts end."""
    with ExitStack() as stack:
        bad = {mode: stack.enter_context(http_receiver(mode)) for mode in (Mode.MUTE, Mode.DRIP)}
        good = stack.enter_context(http_receiver())
        contacts = {"mute": bad[Mode.MUTE].reach(), "drip": bad[Mode.DRIP].reach(), "good": good.reach()}
        broker = stack.enter_context(Broker(folder / "b", extra=MANY))
        watch = stack.enter_context(LiveWatch(folder / "w", Layout(hold="2 s", contacts=contacts), broker))
        feeder = stack.enter_context(Feeder(watch, pace=0.05))
        until(lambda: len(watch.entries()) > 3, "readings are recorded", 25)
        feeder.celsius = 36.0
        until(lambda: good.got and all(one.got for one in bad.values()), "all three are asked", 20)
        until(lambda: _refused(watch) == {"mute", "drip"}, "the attempts are given up", 90)
        now = time.monotonic()
        for mode, one in bad.items():
            words = "mute" if mode is Mode.MUTE else "dripping"
            yield Measured(
                f"{words}: the other contact is told later by, s", max(good.got[0].at - one.got[0].at, 0), 2
            )
        took = _attempts(watch, {"mute": bad[Mode.MUTE], "drip": bad[Mode.DRIP]})
        for name, seconds in took.items():
            yield Measured(f"{name}: the attempt ended after, s", seconds, 15 + TICKS)
        nows = sorted({one.now for one in watch.entries()})[-int(now - good.got[0].at) :]
        lag = max(b - a for a, b in pairwise(nows)) / 1000
        yield Measured("longest between recorded rounds meanwhile, s", lag, 2)
        feeder.stop()
        awaited(lambda: not missing(watch, feeder.acked), 20)
        yield borne_out(outcome(watch, feeder.acked, good))


TICKS = 1.2
"""A courier's end is noticed on the tick and written with the next round (s)."""


def _attempts(watch: LiveWatch, asked: dict[str, HttpReceiver]) -> dict[str, float]:
    """Give how long after it was asked each bad contact was given up, s."""
    with watch.archive() as archive:
        labels, found = archive.labels(), archive.journal(kinds=[Kind.REFUSED])
    ends = {str(line.body["contact"]): labels.wall(line.now) / 1000 for line in reversed(found)}
    apart = time.time() - time.monotonic()
    return {name: ends[name] - (one.got[0].at + apart) for name, one in asked.items()}


def _refused(watch: LiveWatch) -> set[str]:
    with watch.archive() as archive:
        return {str(line.body["contact"]) for line in archive.journal(kinds=[Kind.REFUSED])}


# -- 12 ----------------------------------------------------------------------------------


def all_dead(folder: Path, full: bool) -> Iterator[Measured]:
    """Nobody at all can be reached; the sign is left, and the first who is back is told within a minute.

    That no heartbeat goes out meanwhile is held by tests/daemon/test_chores.py.
    """
    heart = '\n[watch]\nheartbeat = "heart"\nevery = "1 min"\n'
    with ExitStack() as stack:
        phones = [HttpReceiver(), HttpReceiver()]
        stack.callback(lambda: [phone.down() for phone in phones])
        reach = {"first": phones[0].reach, "good": phones[1].reach}
        hand = Handled(folder, room("box-1", contact=True, more=BOTH + heart), reach=reach)
        hand.start()
        hand.feed({"box-1": GOOD}, 3 * MINUTE)
        hand.feed({"box-1": WARM}, 30 * MINUTE)
        marked = (hand.state / SILENT_MARK).exists()
        withheld = _ails(hand)
        phones[0].up()
        begun, told = hand.clock.boottime(), 2**40
        while hand.clock.boottime() - begun < 5 * MINUTE:
            hand.put("box-1", WARM)
            hand.pass_time(5 * SECOND)
            if phones[0].got:
                told = hand.clock.boottime() - begun
                break
        hand.feed({"box-1": WARM}, 12 * MINUTE)
        undeliverable = any("cannot tell" in row.key.rule for row in hand.alarms())
        said = any("cannot tell" in got.json["title"] + got.json["message"] for got in phones[0].got)
        left = (hand.state / SILENT_MARK).exists()
        found = verdict(hand, *phones)
        hand.end()
    yield Measured("back to told, s", told / SECOND, 60)
    yield Measured("no alarm of its own", float(not (undeliverable and said)), 0)
    yield Measured("sign missing, or left when it is over", float(not marked) + float(left), 0)
    yield Measured("heartbeat not withheld", float(not withheld), 0)
    yield borne_out(found)


def _ails(hand: Handled) -> bool:
    """Tell whether the watch itself says that something ails it: then no heartbeat goes out."""
    with hand.archive() as archive:
        state = archive.shown().get(STATE)
    return isinstance(state, dict) and bool(state.get("ails"))


DRILLS = (
    Drill(8, "alert in time", in_time),
    Drill(9, "phone service dead for hours, watch killed", dead_for_hours),
    Drill(10, "answers lost", doubles),
    Drill(11, "a mute and a dripping service", mute),
    Drill(12, "all contacts dead", all_dead),
)
