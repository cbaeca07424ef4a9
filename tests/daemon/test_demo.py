"""The demo: a made-up night that anybody can look at, and what it leaves behind."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.cli import main
from daemon.logbook import Archive
from tests.kit.history import History, judged

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """Play the night once; give its folder and what it said."""
    folder = tmp_path_factory.mktemp("demo") / "d"
    done = subprocess.run(
        [sys.executable, "-m", "daemon.cli", "demo", "--dir", str(folder)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=90,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return folder, done.stdout


@pytest.mark.timeout(120)
class TestDemo:
    def test_its_alerts_and_its_review_come_to_the_terminal(self, played: tuple[Path, str]) -> None:
        """What happens in the night is told as it happens, and reviewed at the end."""
        _, said = played
        assert "mains lost" in said
        assert "Figures:" in said
        assert "Traceback" not in said

    def test_it_leaves_one_config_and_the_logbook(self, played: tuple[Path, str]) -> None:
        """The folder can be used by the other commands."""
        folder, _ = played
        assert [one.name for one in folder.rglob("*.toml")] == ["room.toml"]
        with Archive.open(folder / "state") as archive:
            assert archive.verify() == []
            assert judged(archive, History()).faults == 0
            assert archive.alarms()

    def test_its_night_can_be_asked_for(
        self, played: tuple[Path, str], capsys: pytest.CaptureFixture[str]
    ) -> None:
        """``night`` without dates gives the demo's own night, with its alarms."""
        folder, _ = played
        assert main(["night", str(folder / "room.toml"), "--json"]) == 0
        found = json.loads(capsys.readouterr().out)
        assert {one["rule"] for one in found["alarms"]} & {"mains lost", "silent"}
        assert all(curve["covered"] > 50 for curve in found["curves"])

    def test_it_does_not_write_over_settings(
        self, played: tuple[Path, str], capsys: pytest.CaptureFixture[str]
    ) -> None:
        """A folder that has settings is refused in a sentence."""
        folder, _ = played
        before = (folder / "room.toml").read_text()
        assert main(["demo", "--dir", str(folder)]) == 2
        assert "is there already" in capsys.readouterr().err
        assert (folder / "room.toml").read_text() == before
