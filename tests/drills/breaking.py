"""Show that each drill fails when its property is broken: ``python -m tests.drills.breaking [N …]``.

For each scenario a copy of the program is broken on purpose in one place and its drill is
played there. Prints what was broken and which figure showed it; exit code 1 where a drill
held all the same.
"""

import json
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True, slots=True)
class Break:
    """One deliberate break.

    Attributes:
        words: What is broken.
        shows: Words of the figure that must show it: another one may be broken by a busy machine.
        edits: (file, what stands there, what is put in its place).
        full: Only the full tier shows it.
    """

    words: str
    shows: str
    edits: tuple[tuple[str, str, str], ...]
    full: bool = False


BREAKS: dict[int, Break] = {
    1: Break(
        "messages are acknowledged before the commit",
        "lost, doubled",
        (
            (
                "daemon/recorder.py",
                "        self._pending.add(work)\n        if not",
                "        self._pending.add(work)\n        self._debts.pay(number)\n        if not",
            ),
        ),
    ),
    2: Break(
        "a commit does not wait for the card",
        "lost, doubled",
        (("daemon/logbook/schema.py", '"PRAGMA synchronous=FULL"', '"PRAGMA synchronous=OFF"'),),
    ),
    3: Break(
        "the span away is not journaled",
        "lost, doubled",
        (("daemon/opening.py", "        batches.append(judge.away(last, now))\n", "        pass\n"),),
        full=True,
    ),
    4: Break(
        "readings of a round are not put in order",
        "judged out of order",
        (("daemon/judge.py", "key=_order\n", "key=_order, reverse=True\n"),),
    ),
    5: Break(
        "the session at the broker is not kept",
        "watch away: lost, doubled",
        (("sensors/link.py", "clean_start=False", "clean_start=True"),),
    ),
    6: Break(
        "silence is noticed a minute later",
        "p99 of detection",
        (("daemon/compile.py", "0 if imported else silence", "0 if imported else silence + MINUTE"),),
    ),
    7: Break(
        "fault codes are taken for values",
        "climate alarms",
        (
            (
                "daemon/door.py",
                "        if found.grade is Grade.BAD:\n            return found\n",
                "        if found.grade is Grade.BAD:\n            return Quality.GOOD\n",
            ),
        ),
    ),
    8: Break(
        "the inbox is drained every 4 s",
        "alarm due to courier started",
        (("daemon/watch.py", "TICK = 200\n", "TICK = 4000\n"),),
    ),
    9: Break(
        "what waits in the outbox is forgotten at a start",
        "still waiting",
        (("daemon/watch.py", "if alert.done is None)", "if alert.done is not None)"),),
    ),
    10: Break(
        "an alert may be tried fifty times in an hour",
        "attempts with one alert",
        (
            ("daemon/delivery.py", "PER_HOUR = 3\n", "PER_HOUR = 50\n"),
            ("daemon/delivery.py", "(1, 2, 57, 20)", "(1, 1, 1, 1)"),
        ),
    ),
    11: Break(
        "an attempt may take a minute",
        "the attempt ended",
        (("daemon/courier.py", "DEADLINE = 15.0\n", "DEADLINE = 60.0\n"),),
    ),
    12: Break(
        "tries come ever more seldom while nobody can be reached",
        "back to told",
        (("daemon/delivery.py", "ALONE_WAIT = MINUTE\n", "ALONE_WAIT = HOUR\n"),),
    ),
    13: Break(
        "the service manager waits ten minutes",
        "patience",
        (("deploy/ovigil.service", "WatchdogSec=60\n", "WatchdogSec=600\n"),),
    ),
    14: Break(
        "alarms wait for the card",
        "told meanwhile",
        (("daemon/watch.py", "        if stuck or not self._recorder.well:\n", "        if False:\n"),),
    ),
    15: Break(
        "the judge waits for the card",
        "without a sign of life",
        (
            (
                "daemon/watch.py",
                "            self._recorder.put(work)\n",
                (
                    "            self._recorder.put(work)\n"
                    "            while not self._recorder.settled():\n"
                    '                __import__("time").sleep(0.01)\n'
                ),
            ),
        ),
    ),
    16: Break(
        "a damaged logbook is not set aside",
        "did not get to its end",
        (
            (
                "daemon/commands/run.py",
                "    if recovered is not None:\n",
                "    recovered = None\n    if recovered is not None:\n",
            ),
            (
                "daemon/logbook/recovery.py",
                "    if not found:\n        return None\n    backup",
                "    if True:\n        return None\n    backup",
            ),
        ),
    ),
    17: Break(
        "steps of the wall clock are not noticed",
        "the journal does not know",
        (("daemon/clock.py", "        elif abs(ahead - self._ahead) > STEP:\n", "        elif False:\n"),),
    ),
    18: Break(
        "nothing is said after a span away",
        "messages about the span",
        (("daemon/reports.py", "        self._away = history.away\n", "        self._away = None\n"),),
    ),
    19: Break(
        "the judge keeps every reading",
        "growth of memory",
        (
            (
                "daemon/judge.py",
                "        self.taken += len(pairs)\n",
                (
                    "        self.taken += len(pairs)\n"
                    '        self.__dict__.setdefault("kept", []).extend(pairs * 4)\n'
                ),
            ),
        ),
    ),
    20: Break(
        "deep nesting is not caught",
        "that got out",
        (("sensors/payload.py", "    except RecursionError:\n", "    except ZeroDivisionError:\n"),),
    ),
    21: Break(
        "any host name is served",
        "not refused",
        (("daemon/page/guard.py", "            return 421, ", "            return None  # "),),
    ),
    22: Break(
        "addresses are logged",
        "marks in log",
        (
            (
                "daemon/commands/run.py",
                "    install(Redactor.of([secret for secret in known if secret]))\n",
                '    log.warning("%s", known)\n',
            ),
        ),
    ),
    23: Break(
        "the logbook is open to others",
        "others may read",
        (
            ("daemon/logbook/schema.py", "os.O_RDWR, 0o600))", "os.O_RDWR, 0o644))"),
            ("daemon/commands/run.py", "os.umask(0o077)", "os.umask(0o022)"),
        ),
    ),
    24: Break(
        "50 MB are kept for nothing",
        "memory of the watch",
        (
            (
                "daemon/commands/run.py",
                'log = logging.getLogger("ovigil")\n',
                'log = logging.getLogger("ovigil")\nHOARD = bytes(range(256)) * 200_000\n',
            ),
        ),
    ),
    25: Break(
        "a copy is cut short and not read back",
        "copy is damaged",
        (
            (
                "daemon/logbook/backup.py",
                "        found = _found_in(half, rows)\n",
                "        half.write_bytes(half.read_bytes()[:-40960])\n        found = []\n",
            ),
        ),
    ),
}  # fmt: skip


def broken_copy(folder: Path, one: Break) -> None:
    """Copy the program and break it."""
    ignore = shutil.ignore_patterns(".git", "__pycache__", "node_modules", ".*_cache", ".hypothesis")
    shutil.copytree(ROOT, folder, ignore=ignore)
    for name, old, new in one.edits:
        file = folder / name
        text = file.read_text()
        assert text.count(old) == 1, f"{name}: {old!r} stands there {text.count(old)} times"
        file.write_text(text.replace(old, new))


def shown(number: int, one: Break) -> str:
    """Play the drill on a broken copy; give the figure that showed it, "" where it was not that one."""
    with tempfile.TemporaryDirectory(prefix="broken-") as base:
        copy, file = Path(base, "copy"), Path(base, "figures.json")
        broken_copy(copy, one)
        words = [sys.executable, "-m", "tests.drills", "--only", str(number), "--json", str(file)]
        words += ["--full"] if one.full else []
        subprocess.run(words, cwd=copy, capture_output=True, check=False, timeout=1200)
        if not file.exists():
            return "the drill could not even begin"
        figures = json.loads(file.read_text())
    found = [f"{figure['scenario']} = {figure['figure']}" for figure in figures if figure["holds"] is False]
    return next((words for words in found if one.shows in words), "")


def main(numbers: list[int]) -> int:
    """Break one after the other."""
    held = 0
    for number in numbers or sorted(BREAKS):
        found = shown(number, BREAKS[number])
        held += not found
        print(f"{number}: {BREAKS[number].words} → {found or 'NOT SHOWN'}", flush=True)
    print(f"{held} breaks were not shown")
    return 1 if held else 0


if __name__ == "__main__":
    sys.exit(main([int(one) for one in sys.argv[1:]]))
