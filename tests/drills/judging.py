"""Drills 6, 7, 17, 18 and 19: what the watch makes of readings, clocks and absence.

Time is moved by hand; everything but clock and readers is real.
"""

import json
import math
import random
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime
from itertools import pairwise
from pathlib import Path

from daemon.clock import ManualClock
from daemon.record import Kind
from rules.reading import HOUR, MINUTE, SECOND, Grade, Quantity
from tests.drills.drill import Drill, Measured, borne_out
from tests.drills.telling import verdict
from tests.kit.hand import WALL, Handled, room
from tests.kit.receivers import http_receiver

WELL = 29.5
EVERY = 30 * SECOND
SILENCE = 10 * MINUTE


def noisy(dice: random.Random) -> float:
    """Give a reading of a sound sensor."""
    return round(WELL + dice.gauss(0, 0.05), 2)


# -- 6 ---------------------------------------------------------------------------------


def silent(folder: Path, full: bool) -> Iterator[Measured]:
    """Sensors fall silent at random moments; the alarm comes in time, and the gap is one."""
    delays: list[int] = []
    false = gapless = 0
    for seed in range(10 if full else 2):
        dice = random.Random(seed)
        names = [f"box-{n}" for n in range(20)]
        hand = Handled(folder / str(seed), room(*names))
        hand.start()
        last = dict.fromkeys(names, 0)
        ends = {name: dice.randrange(4 * MINUTE, 14 * MINUTE) for name in names}
        for gone in range(0, 26 * MINUTE, SECOND):
            for index, name in enumerate(names):
                if gone % EVERY == index * SECOND and gone < ends[name]:
                    hand.put(name, noisy(dice))
                    last[name] = hand.clock.wall()
            hand.pass_time(SECOND)
        hand.commit()
        raised = {row.key.place: row.raised for row in hand.alarms("silent")}
        delays += [raised.get(name, 2**50) - last[name] - SILENCE for name in names]
        false += len(hand.alarms("silent")) - len(names)
        with hand.archive() as archive:
            for name in names:
                found = archive.readings(name, Quantity.TEMPERATURE, 0, 2**60)
                gapless += max(one.at for one in found) > last[name] + SECOND
        hand.end()
    delays.sort()
    p99 = delays[math.ceil(0.99 * len(delays)) - 1] / SECOND
    yield Measured(f"p99 of detection after the limit, over {len(delays)} sensors, s", p99, 10)
    yield Measured("silences missed or raised twice", abs(false) + sum(d > 10**9 for d in delays), 0)
    yield Measured("values drawn into a silence", gapless, 0)
    if full:
        yield Measured("silences of a day at two lost messages in a hundred", _lossy(folder / "lossy"), 0)


def _lossy(folder: Path) -> int:
    """Count the silences that a day of random loss raises."""
    dice, names = random.Random(66), [f"box-{n}" for n in range(20)]
    hand = Handled(folder, room(*names))
    hand.start()
    for _ in range(24 * HOUR // EVERY):
        for name in names:
            if dice.random() > 0.02:
                hand.put(name, noisy(dice))
        hand.pass_time(EVERY, step=EVERY)
    hand.commit()
    silences = len(hand.alarms("silent"))
    hand.end()
    return silences


# -- 7 ----------------------------------------------------------------------------------


def ill(folder: Path, full: bool) -> Iterator[Measured]:
    """Stuck, spiking, impossible and wrongly stamped readings are faults, never climate."""
    dice = random.Random(7)
    names = ["stuck", "spike", "nan", "minus-127", "plus-85", "clock", "sound"]
    with http_receiver() as phone:
        hand = Handled(folder, room(*names, contact=True), reach={"first": phone.reach})
        hand.start()
        hours = 48 if full else 26
        for step in range(hours * 120):
            _ill_round(hand, dice, step)
            hand.pass_time(EVERY, step=EVERY)
        hand.commit()
        climate = [row for row in hand.alarms() if row.key.subject == Quantity.TEMPERATURE.value]
        faults = {(row.key.place, row.key.rule) for row in hand.alarms() if row.key.place in names}
        wanted = {"nan", "minus-127", "plus-85", "stuck", "clock"}
        unseen = wanted - {place for place, _ in faults}
        found = verdict(hand, phone)
        with hand.archive() as archive:
            taken = [
                one
                for one in archive.replay_rows(0)
                if one.quality.grade is Grade.GOOD and (one.raw in (-127.0, 85.0) or one.raw != one.raw)
            ]
        hand.end()
    yield Measured("climate alarms from faulty sensors", len(climate), 0, str(sorted(faults)))
    yield Measured("impossible values used as good", len(taken), 0)
    yield Measured("faulty sensors that were not found", len(unseen), 0, f"not found: {sorted(unseen)}")
    yield Measured("alerts an hour", len(phone.got) / hours, 3)
    yield borne_out(found)


def _ill_round(hand: Handled, dice: random.Random, step: int) -> None:
    after = step > 40
    wall = hand.clock.wall()
    hand.put("stuck", 29.37 if after else noisy(dice), stamp=wall)
    hand.put("spike", 45.0 if step % 90 == 60 else noisy(dice), stamp=wall)
    hand.put("nan", math.nan if after and step % 2 else noisy(dice), stamp=wall)
    hand.put("minus-127", -127.0 if after else noisy(dice), stamp=wall)
    hand.put("plus-85", 85.0 if after else noisy(dice), stamp=wall)
    hand.put("clock", noisy(dice), stamp=wall + (3 * HOUR if after else 0))
    hand.put("sound", noisy(dice), stamp=wall)


# -- 17 -----------------------------------------------------------------------------------


def clocks(folder: Path, full: bool) -> Iterator[Measured]:
    """The wall clock jumps, the board boots in 1970, summer time ends: nothing of it is climate."""
    jumps = {"+1 h": HOUR, "-3 h": -3 * HOUR, "+400 days": 400 * 24 * HOUR}
    false = lost = unlogged = 0
    latest: list[int] = []
    for name, jump in jumps.items():
        hand = Handled(folder / name, room("box-1", hold="4 min"))
        hand.start()
        hand.feed({"box-1": WELL}, 10 * MINUTE)
        before = _count(hand)
        hand.feed({"box-1": 35.0}, 2 * MINUTE)
        begun = hand.clock.boottime()
        hand.clock.set_wall(hand.clock.wall() + jump)
        hand.feed({"box-1": 35.0}, 8 * MINUTE)
        hand.commit()
        rows = hand.alarms()
        false += len([row for row in rows if row.key.rule != "too warm" and row.key.place != "watch"])
        lost += abs(_count(hand) - before - 20)
        unlogged += not [one for one in hand.journal(Kind.CLOCK) if one.body.get("by")]
        warm = hand.alarms("too warm")
        room_now = hand.watch._room.now() if hand.watch else 0
        raised_boot = hand.clock.boottime() - (room_now - warm[0].raised) if warm else 2**50
        latest.append(raised_boot - begun - 2 * MINUTE)
        hand.end()
    yield Measured("false alarms after a step of the clock", false, 0)
    yield Measured("readings lost or overwritten by a step", lost, 0)
    yield Measured("steps that the journal does not know", unlogged, 0)
    yield Measured("longest delay of a running hold, s", max(latest) / SECOND, 31)
    yield from _booted_in_1970(folder / "1970")
    yield from _summer_time(folder / "dst")


def _count(hand: Handled) -> int:
    hand.commit()
    with hand.archive() as archive:
        return len([one for one in archive.replay_rows(0) if one.sensor == "box-1"])


def _booted_in_1970(folder: Path) -> Iterator[Measured]:
    hand = Handled(folder, room("box-1", hold="2 min"))
    hand.start()
    hand.feed({"box-1": WELL}, 10 * MINUTE)
    hand.commit()
    hand.drop()
    true = hand.clock.wall() + 20 * MINUTE
    hand.clock.reboot(5_000, trusted=False)
    hand.start()
    hand.feed({"box-1": WELL}, 10 * MINUTE)
    hand.feed({"box-1": 35.0}, 5 * MINUTE)
    in_time = len(hand.alarms("too warm"))
    hand.clock.set_wall(true + 15 * MINUTE)
    hand.clock.set_trusted(True)
    hand.feed({"box-1": WELL}, 10 * MINUTE)
    hand.commit()
    with hand.archive() as archive:
        labels = archive.labels()
        entries = [one for one in archive.replay_rows(0) if one.sensor == "box-1"]
        walls = [labels.wall(one.at) for one in entries]
    rooms = [one.at for one in entries]
    back = sum(b < a for a, b in pairwise(rooms))
    wrong = sum(not WALL - HOUR < wall < true + 2 * HOUR for wall in walls)
    silences = len(hand.alarms("silent"))
    hand.end()
    yield Measured("1970: alarms missed before the clock was right", 1 - in_time, 0)
    yield Measured("1970: room time stepped back", back, 0)
    yield Measured("1970: labels that were not put right", wrong, 0)
    yield Measured("1970: false silences", silences, 0)


SUMMER_TIME = {"begins": "2027-03-28T01:00+00:00", "ends": "2026-10-25T01:00+00:00"}
"""When it does in Lisbon."""


def _summer_time(folder: Path) -> Iterator[Measured]:
    for words, instant in SUMMER_TIME.items():
        before = int(datetime.fromisoformat(instant).timestamp() * 1000) - 90 * MINUTE
        hand = Handled(folder / words, room("box-1"), ManualClock(before, boottime=HOUR))
        hand.start()
        hand.feed({"box-1": WELL}, 4 * HOUR, every=MINUTE)
        hand.commit()
        with hand.archive() as archive:
            rows = [one for one in archive.replay_rows(0) if one.sensor == "box-1"]
        hand.end()
        amiss = abs(len({one.at for one in rows}) - 240) + len(hand.alarms())
        yield Measured(f"readings lost or alarms raised as summer time {words}", amiss, 0)


# -- 18 --------------------------------------------------------------------------------


def power_back(folder: Path, full: bool) -> Iterator[Measured]:
    """The board comes back after three hours: one message with the span and how each place stands."""
    names = [f"box-{n}" for n in range(6)]
    with http_receiver() as phone:
        hand = Handled(folder, room(*names, contact=True), reach={"first": phone.reach})
        hand.start()
        hand.feed(dict.fromkeys(names, WELL), 10 * MINUTE)
        hand.commit()
        hand.drop()
        before = len(phone.got)
        wall = hand.clock.wall() + 3 * HOUR
        hand.clock.reboot(wall)
        hand.start()
        hand.pass_time(7 * SECOND)
        for name in names:
            hand.put(name, 24.0)
        hand.pass_time(5 * SECOND)
        hand.feed(dict.fromkeys(names, 24.0), 12 * MINUTE)
        hand.commit()
        found = verdict(hand, phone)
        away = [got.json for got in phone.got[before:] if "nobody watched" in got.json["title"]]
        hand.end()
    told = away[0]["message"] if away else ""
    lines = told.splitlines()
    unsaid = sum(
        not any(line.startswith(name) and "24.0" in line and "before 29.5" in line for line in lines)
        for name in names
    )
    yield Measured(
        "messages about the span beside one", abs(len(away) - 1), 0, away[0]["title"] if away else ""
    )
    yield Measured("places of which it does not tell before and now", unsaid, 0)
    yield Measured("it does not say that the worst is unknown", float("not known" not in told), 0)
    yield Measured("messages in the first 12 minutes", len(phone.got) - before, 4)
    yield borne_out(found)


# -- 19 ---------------------------------------------------------------------------------


def soaked(folder: Path, full: bool) -> Iterator[Measured]:
    """A season goes by in minutes: memory, files and threads do not grow."""
    days, places, every = (90, 60, 600) if full else (4, 20, 120)
    done = subprocess.run(
        [sys.executable, "-m", "tests.drills.soaking", str(folder), str(days), str(places), str(every)],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[2],
    )
    assert done.returncode == 0, done.stderr[-1500:]
    found = json.loads(done.stdout.splitlines()[-1])
    note = (
        f"{found['readings']} readings of {days} days in {found['seconds']:.0f} s; {found['first']:.1f} MiB"
    )
    yield Measured("growth of memory after the first tenth, MiB", found["growth"], 2 if full else 4, note)
    if full:
        yield Measured("growth of memory after the first tenth, %", 100 * found["growth"] / found["first"], 5)
    yield Measured("open files and threads more than after the first tenth", found["handles"], 0)
    if full:
        yield Measured("bytes of the logbook for each reading", found["bytes"], 30)
    yield Measured("slowest tenth beside the median one", found["slowest"], 2.0)


DRILLS = (
    Drill(6, "a sensor falls silent", silent),
    Drill(7, "sensors that are ill", ill),
    Drill(17, "clock steps and summer time", clocks),
    Drill(18, "power back after three hours", power_back),
    Drill(19, "a season of soak", soaked),
)
