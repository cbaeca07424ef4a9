"""The runner of the drills is honest: every scenario is there, and what is skipped is counted."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.drills.__main__ import DRILLS, Sums, main, played, settled
from tests.drills.breaking import BREAKS, ROOT
from tests.drills.drill import Drill, Measured, Skip
from tests.kit.history import _numbers


def test_every_scenario_has_a_drill() -> None:
    """The table has 25 scenarios; each is played by one drill."""
    assert [drill.number for drill in DRILLS] == list(range(1, 26))


def test_every_drill_can_be_shown_to_fail() -> None:
    """Each scenario has a deliberate break, and what it breaks stands in the program exactly once."""
    assert sorted(BREAKS) == list(range(1, 26))
    for one in BREAKS.values():
        for name, old, _ in one.edits:
            assert (ROOT / name).read_text().count(old) == 1, f"{name}: {old!r}"


@pytest.mark.parametrize(
    ("figure", "holds"), [(0, True), (3, True), (3.5, False)], ids=["below", "at", "above"]
)
def test_a_figure_holds_up_to_its_bound(figure: float, *, holds: bool) -> None:
    """The bound itself holds."""
    drill = Drill(99, "made up", lambda _folder, _full: (one for one in [Measured("x", figure, 3)]))
    (found,) = played(drill, Sums(), full=False)
    assert found.holds is holds
    assert found.skipped is None


def test_a_skip_is_a_figure_with_its_reason() -> None:
    """What this machine cannot show is neither held nor broken."""

    def refused(_folder: Path, _full: bool) -> Iterator[Measured]:
        raise Skip("no loop devices")

    (found,) = played(Drill(99, "made up", refused), Sums(), full=True)
    assert (found.holds, found.skipped) == (None, "no loop devices")
    (found,) = played(Drill(99, "made up", refused, fast=False), Sums(), full=False)
    assert found.skipped == "only in the full tier"


def test_a_drill_that_does_not_get_to_its_end_is_broken() -> None:
    """A failed expectation inside a drill is not passed over."""

    def failing(_folder: Path, _full: bool) -> Iterator[Measured]:
        raise AssertionError("not within 15 s")

    (found,) = played(Drill(99, "made up", failing), Sums(), full=True)
    assert found.holds is False


def test_the_file_has_one_object_a_figure(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``--json FILE``: scenario, figure, bound, holds, skipped."""
    file = tmp_path / "drills.json"
    assert main(["--only", "18", "--json", str(file)]) == 0
    found = json.loads(file.read_text())
    assert found
    assert all(set(one) == {"scenario", "figure", "bound", "holds", "skipped"} for one in found)
    assert f"{len(found)} figures" in capsys.readouterr().out


def test_the_checker_reads_numbers_of_alarms_only() -> None:
    """How many more there are is no alarm's number."""
    assert _numbers("explains: box-3 and 4 more (alarms 1001, 1002 and 2 more).") == [1001, 1002]
    assert _numbers("Alarm 7, high priority; alarms 12, 13 and 14") == [7, 12, 13, 14]


@pytest.mark.parametrize(
    ("what", "plays", "holds"),
    [("told after, s", 2, True), ("waited, ms", 2, True), ("readings lost", 1, False)],
    ids=["seconds", "milliseconds", "a loss"],
)
def test_only_times_are_played_once_more(what: str, plays: int, *, holds: bool) -> None:
    """A machine that was busy for a moment is no fault of the watch; a loss is, the first time."""
    figures = iter([9.0, 1.0])
    count: list[float] = []

    def once(_folder: Path, _full: bool) -> Iterator[Measured]:
        count.append(next(figures))
        yield Measured(what, count[-1], 3)

    found = settled(Drill(99, "made up", once), Sums(), full=False)
    assert len(count) == plays
    assert [one.holds for one in found] == [holds]
