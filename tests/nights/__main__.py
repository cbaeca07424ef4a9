"""Play the nights and print what was found: ``python -m tests.nights [--json FILE]``."""

import argparse
import json
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.nights.baselines import check
from tests.nights.early import losses
from tests.nights.judged import FIRST, SLEEPLESS, judge, plan_for
from tests.nights.played import Played, planted, play
from tests.nights.scoring import Score, score, together

TUNED_ON = (11, 12, 13, 14, 15, 16, 17, 18, 19)
"""Seeds that were looked at while tuning; never judged on."""

QUIET_SEEDS, QUIET_DAYS = (901, 902, 903), 10
"""Thirty nights without faults, in three rooms."""

FAULT_SEEDS, FAULT_DAYS, FAULTS = (911, 912, 913), 14, 45
"""Fortnights with faults."""

OTHER_SEEDS = (921, 922)
"""Fortnights with faults by the other physics of ``tests.kit.otherroom``."""

EARLY_SEED, EARLY_LOSSES = 931, 300

OURS = "ovigil"
OURS_QUIET = "ovigil, quiet hours, high and medium only"

Job = tuple[int, int, int, bool]


def run(job: Job) -> dict[str, Score]:
    """Play one room; give the score of every judge by name."""
    seed, days, faults, other = job
    scene = planted(seed, days=days, faults=faults, other=other)
    played: Played = play(scene, plan_for({}), days=days, other=other)
    told = judge(played)
    found = {
        OURS: score(played, told[SLEEPLESS].alerts, told[SLEEPLESS].messages),
        OURS_QUIET: score(played, told[FIRST].alerts, told[FIRST].messages),
    }
    for name, alerts in check(played):
        found[name] = score(played, alerts, tuple(one.at for one in alerts))
    return found


def jobs() -> dict[str, list[Job]]:
    """Give what is played, by name of the part."""
    return {
        "quiet": [(seed, QUIET_DAYS, 0, False) for seed in QUIET_SEEDS],
        "faults": [(seed, FAULT_DAYS, FAULTS, False) for seed in FAULT_SEEDS],
        "other": [(seed, FAULT_DAYS, FAULTS, True) for seed in OTHER_SEEDS],
    }


def figures(parts: dict[str, list[dict[str, Score]]]) -> dict[str, object]:
    """Put together what is printed and written."""
    names = list(parts["quiet"][0])
    by_name = {
        name: {part: together([one[name] for one in runs]).figures() for part, runs in parts.items()}
        for name in names
    }
    answer: dict[str, object] = dict(by_name[OURS]["faults"])
    quiet = by_name[OURS]["quiet"]
    answer["false_alerts"], answer["false_at_night"] = quiet["false_alerts"], quiet["false_at_night"]
    answer["false_among_faults"] = by_name[OURS]["faults"]["false_alerts"]
    answer["parts"] = by_name[OURS]
    answer["baselines"] = {}
    for name in names[1:]:
        mine = dict(by_name[name]["faults"])
        mine["false_among_faults"] = mine["false_alerts"]
        mine["false_alerts"] = by_name[name]["quiet"]["false_alerts"]
        mine["false_at_night"] = by_name[name]["quiet"]["false_at_night"]
        mine["parts"] = by_name[name]
        answer["baselines"][name] = mine  # type: ignore[index]
    return answer


COLUMNS = ("found", "planted", "in_time", "damaging", "false_alerts", "false_at_night", "false_a_day",
           "alerts_per_fault_found", "most_messages_in_ten_minutes")  # fmt: skip


def table(answer: dict[str, object], say: Callable[[str], None]) -> None:
    """Print every judge beside ours, part by part, then kind by kind."""
    judges: dict[str, dict[str, dict[str, object]]] = {OURS: answer["parts"]}  # type: ignore[dict-item]
    judges |= {name: one["parts"] for name, one in answer["baselines"].items()}  # type: ignore[attr-defined]
    for part in ("quiet", "faults", "other"):
        days = judges[OURS][part]["days"]
        say(f"\n{part}: {days} days\n{'':44}" + " ".join(f"{name[:12]:>12}" for name in COLUMNS))
        for name, parts in judges.items():
            say(f"{name:44}" + " ".join(f"{parts[part][column]!s:>12}" for column in COLUMNS))
        worse = _worse(judges, part)
        say("  where ours is not better: " + ("; ".join(worse) or "nowhere"))
    for part in ("faults", "other"):
        say(f"\nkinds ({part}): found of planted, median minutes until told; beside it the tuned range check")
        theirs = {row["kind"]: row for row in judges["ideal, well tuned"][part]["per_kind"]}  # type: ignore[attr-defined]
        for row in judges[OURS][part]["per_kind"]:  # type: ignore[attr-defined]
            other = theirs[row["kind"]]
            say(
                f"  {row['kind']:32} {row['found']} of {row['planted']}  {row['minutes']!s:>8}"
                f"     {other['found']} of {other['planted']}  {other['minutes']!s:>8}"
            )


def _worse(judges: dict[str, dict[str, dict[str, object]]], part: str) -> list[str]:
    """Name the figures in which a range check beats ours."""
    ours, found = judges[OURS][part], []
    for name, parts in judges.items():
        if name in (OURS, OURS_QUIET):
            continue
        for column, sign in (
            ("found", 1),
            ("in_time", 1),
            ("false_alerts", -1),
            ("alerts_per_fault_found", -1),
        ):
            if sign * float(parts[part][column]) > sign * float(ours[column]):  # type: ignore[arg-type]
                found.append(f"{column} ({name}: {parts[part][column]}, ours {ours[column]})")
    return found


def main(given: list[str] | None = None) -> int:
    """Play, print, and write the figures where wanted."""
    parser = argparse.ArgumentParser(prog="nights", description=__doc__)
    parser.add_argument("--json", default="", help="write the figures to this file")
    parser.add_argument("file", nargs="?", default="", help="the same, by place")
    args = parser.parse_args(given)
    with ProcessPoolExecutor() as pool:
        waiting = {part: [pool.submit(run, job) for job in todo] for part, todo in jobs().items()}
        early = pool.submit(losses, EARLY_LOSSES, EARLY_SEED)
        parts = {part: [one.result() for one in runs] for part, runs in waiting.items()}
        answer = figures(parts)
        answer["early_bound"] = early.result().figures()
    answer["seeds"] = {
        "tuned_on": TUNED_ON,
        "judged_on": (*QUIET_SEEDS, *FAULT_SEEDS, *OTHER_SEEDS, EARLY_SEED),
    }
    table(answer, lambda line: print(line, file=sys.stdout))
    print("\nearly bound of heading out of range:", json.dumps(answer["early_bound"]))
    print("seeds:", json.dumps(answer["seeds"]))
    if args.json or args.file:
        Path(args.json or args.file).write_text(json.dumps(answer, indent=1) + "\n", "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
