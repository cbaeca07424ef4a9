"""The table of promises says what is in the code, and no figure in it is typed."""

import json
import re
from pathlib import Path

import pytest

from tests.drills.promises import BEGIN, END, FILE, PROMISES, main, table, written


def figure(scenario: str, value: float | None, bound: float, skipped: str | None = None) -> dict[str, object]:
    """Make one figure of a run."""
    holds = None if value is None else value <= bound
    return {"scenario": scenario, "figure": value, "bound": bound, "holds": holds, "skipped": skipped}


def test_every_drill_shows_a_promise() -> None:
    """Each of the 25 scenarios stands behind one promise at least."""
    assert {number for promise in PROMISES for number in promise.drills} == set(range(1, 26))


def test_the_table_in_the_file_is_that_of_the_code() -> None:
    """Promise by promise, with its drills and tests; only the last column comes from a run."""
    text = FILE.read_text(encoding="utf-8")
    row = re.compile(r"^\| (.+?) \| (.+?) \| .+ \|$", re.MULTILINE)
    rows = row.findall(text[text.index(BEGIN) : text.index(END)])
    code = row.findall(table([]))
    assert rows == code
    numbers = {
        int(one)
        for _, shown in rows
        for part in re.findall(r"drills? ([\d, ]+)", shown)
        for one in part.split(",")
        if one.strip()
    }
    assert numbers == set(range(1, 26))


def test_a_broken_promise_is_seen_at_once(tmp_path: Path) -> None:
    """A figure above its bound is named as broken, and the exit code says so."""
    file, figures = tmp_path / "D.md", tmp_path / "drills.json"
    file.write_text(f"before\n{BEGIN}\nfigures of long ago\n{END}\nafter\n")
    run = [
        figure("3 a card that lies", None, 0, "only in the full tier"),
        figure("8 alert in time: to the phone, s", 7.5, 5),
        figure("8 alert in time: lost", 0, 0),
        figure("9 dead: lost", 0, 0),
        figure("9 dead: messages", 3, 6),
    ]
    figures.write_text(json.dumps(run))
    assert main([str(figures), str(file)]) == 1
    text = file.read_text()
    assert text.startswith(f"before\n{BEGIN}\n| promise")
    assert text.endswith(f"{END}\nafter\n")
    assert "long ago" not in text
    assert "| drill 8 | **BROKEN** to the phone, s: 7.5, bound 5; 0 faults in 1 counts |" in text
    assert "| drill 9 | 0 faults in 1 counts; closest: messages: 3 of 6 |" in text
    assert "not measured: only in the full tier" in text
    assert "4 figures, 1 broken, 1 not measured." in text
    assert written(text, run) == text


@pytest.mark.parametrize(
    "text", ["", BEGIN, END + BEGIN, BEGIN + BEGIN + END], ids=["none", "one", "order", "two"]
)
def test_a_file_without_its_marks_is_left_alone(text: str) -> None:
    """Where the marks are not there once each, nothing is guessed."""
    with pytest.raises(ValueError, match="must each stand there once"):
        written(text, [])
