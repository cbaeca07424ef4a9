"""Recorded nights, and the alarms that they bring, as text.

``shelf.csv`` is a made-up night of one enclosure, minute by minute: a lid for three minutes,
a heater that is off for two hours, twelve minutes without readings, an hour a little too
warm. Each setting's alarms stand in a text beside it; a change of a rule shows there.
"""

from pathlib import Path

import pytest

from daemon import cli
from daemon.logbook import Archive
from daemon.rehearsal import window_of
from daemon.rehearsal_judge import judge
from daemon.rehearsal_values import Life, Task
from rules.reading import MINUTE
from tests.kit.played import Pen, room_text, written

HERE = Path(__file__).parent

SETTINGS = {
    "usual": Pen("shelf", by="import"),
    "patient": Pen("shelf", by="import", hold="30 min"),
    "strict": Pen("shelf", by="import", ideal='"29 C", "30 C"', hold="5 min"),
}


def line(life: Life, start: int) -> str:
    """Write one alarm: minutes of the night, who, and its priority."""
    ends = "open" if life.cleared is None else f"{(life.cleared - start) // MINUTE}"
    key = life.key
    who = f"{key.place} {key.subject} {key.rule} ({life.priority.value})"
    return f"{(life.raised - start) // MINUTE} to {ends}: {who}"


@pytest.mark.parametrize("name", SETTINGS)
def test_a_night_brings_the_alarms_that_stand_beside_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    """The shelf's night judged by three settings gives the alarms of ``shelf.txt``."""
    loaded = written(tmp_path, room_text(SETTINGS[name], broker=False, contact=False))
    assert cli.main(["import", str(loaded.path), str(HERE / "shelf.csv")]) == cli.OK
    assert "lines passed over" in capsys.readouterr().out
    with Archive.open(tmp_path / "state") as archive:
        window = window_of(archive, None)
        imported = [(row.key, row.raised, row.cleared) for row in archive.alarms()]
    assert window is not None
    found = judge(Task(loaded, tmp_path / "state", window), lambda _: None)
    said = [f"[{name}]", *(line(life, window.start) for life in found.alarms)]
    assert "\n".join(said) in (HERE / "shelf.txt").read_text("utf-8")
    assert [(life.key, life.raised, life.cleared) for life in found.alarms] == imported
