"""The soak of drill 19, in a process of its own so that its memory can be measured.

``python -m tests.drills.soaking FOLDER DAYS PLACES EVERY`` prints one JSON line.
"""

import json
import os
import random
import statistics
import sys
import threading
import time
from pathlib import Path

from rules.reading import SECOND
from tests.bench.memory import resident
from tests.kit.hand import Handled, room


def soak(folder: Path, days: int, places: int, every: int) -> dict[str, float]:
    """Feed a watch for so many days; give how it fared."""
    dice = random.Random(19)
    names = [f"box-{n}" for n in range(places)]
    hand = Handled(folder, room(*names).replace('every = "30 s"', f'every = "{every} s"'))
    hand.start()
    value = {name: 29.5 + dice.gauss(0, 0.3) for name in names}
    rounds = days * 86_400 // every
    tenth, first = max(rounds // 10, 1), (0.0, 0)
    took: list[float] = []
    begun = mark = time.monotonic()
    for number in range(rounds):
        for name in names:
            value[name] += dice.gauss(0, 0.02) - 0.01 * (value[name] - 29.5)
            hand.put(name, round(value[name], 2))
        hand.pass_time(every * SECOND, step=every * SECOND)
        if number % tenth == tenth - 1:
            took.append(time.monotonic() - mark)
            mark = time.monotonic()
            if len(took) == 1:
                first = (resident(os.getpid()), handles())
    grown, more = resident(os.getpid()) - first[0], handles() - first[1]
    hand.commit()
    hand.end()
    size = sum(file.stat().st_size for file in hand.state.glob("logbook.db"))
    return {
        "readings": rounds * places,
        "seconds": time.monotonic() - begun,
        "first": first[0],
        "growth": grown,
        "handles": max(more, 0),
        "bytes": size / (rounds * places),
        "slowest": max(took[1:]) / statistics.median(took[1:]),
    }


def handles() -> int:
    """Count open files and threads."""
    return len(list(Path("/proc/self/fd").iterdir())) + threading.active_count()


if __name__ == "__main__":
    print(json.dumps(soak(Path(sys.argv[1]), *map(int, sys.argv[2:5]))))
