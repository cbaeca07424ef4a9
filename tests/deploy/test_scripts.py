"""The keeper's command reaches the service's logbook, and nobody else's files."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

DEPLOY = Path(__file__).parents[2] / "deploy"
SCRIPTS = ["install.sh", "ovigil.sh"]

PROGRAM = """#!/bin/sh
echo "$(id -un)|${STATE_DIRECTORY-own}|${OVIGIL_WRAPPER_ROOM-unset}|$*"
"""


@pytest.mark.parametrize("script", SCRIPTS)
def test_scripts_are_plain_shell(script: str) -> None:
    """Both scripts parse in the system's POSIX shell."""
    assert (DEPLOY / script).read_text("utf-8").startswith("#!/bin/sh\n")
    subprocess.run(["sh", "-n", DEPLOY / script], check=True, timeout=30)


def test_the_installer_wants_root() -> None:
    """Called by anybody else, the installer says so and touches nothing."""
    runner = ["setpriv", "--reuid=65534", "--clear-groups"] if os.getuid() == 0 else []
    if runner and shutil.which("setpriv") is None:
        pytest.skip("setpriv is not on this machine")
    told = subprocess.run(
        [*runner, "sh", DEPLOY / "install.sh"], capture_output=True, text=True, check=False, timeout=30
    )
    assert told.returncode == 1
    assert "run this as root" in told.stderr


@pytest.fixture
def wrapped(tmp_path: Path) -> dict[str, str]:
    """A stand-in program that says who runs it on which data, and a room of the service."""
    program = tmp_path / "program"
    program.write_text(PROGRAM)
    program.chmod(0o755)
    (tmp_path / "room.toml").write_text("")
    (tmp_path / "other.toml").write_text("")
    return os.environ | {
        "OVIGIL_WRAPPER_PROGRAM": str(program),
        "OVIGIL_WRAPPER_ROOM": str(tmp_path / "room.toml"),
        "OVIGIL_WRAPPER_STATE": "/var/lib/ovigil",
    }


def _said(wrapped: dict[str, str], folder: Path, *words: str) -> list[str]:
    told = subprocess.run(
        ["sh", DEPLOY / "ovigil.sh", *words],
        env=wrapped,
        cwd=folder,
        capture_output=True,
        text=True,
        check=True,
        timeout=30,
    )
    return told.stdout.strip().split("|")


class TestTheCommand:
    @pytest.mark.parametrize("words", [["night", "other.toml"], ["demo"], ["night", "missing.toml"], []])
    def test_other_rooms_are_left_to_their_owner(
        self, wrapped: dict[str, str], tmp_path: Path, words: list[str]
    ) -> None:
        """A command about another config runs as the caller, on the caller's data."""
        me = subprocess.run(["id", "-un"], capture_output=True, text=True, check=True).stdout.strip()
        assert _said(wrapped, tmp_path, *words) == [me, "own", "unset", " ".join(words)]

    @pytest.mark.parametrize("path", ["room.toml", "./room.toml", "{}/room.toml"])
    def test_the_room_of_the_board_gets_the_service_s_data(
        self, wrapped: dict[str, str], tmp_path: Path, path: str
    ) -> None:
        """However its config is written, the board's room comes with the service's data folder."""
        words = ["night", path.format(tmp_path), "--places", "box 1"]
        _, state, _, said = _said(wrapped, tmp_path, *words)
        assert (state, said) == ("/var/lib/ovigil", " ".join(words))
