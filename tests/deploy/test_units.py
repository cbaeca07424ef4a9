"""The service files say what the service manager understands, and shut what is not needed."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

DEPLOY = Path(__file__).parents[2] / "deploy"
UNITS = sorted(path.name for path in DEPLOY.glob("*.service"))

needs_analyze = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="systemd-analyze is not on this machine"
)


def _settings(unit: str) -> dict[str, list[str]]:
    """Read a unit file's settings, in the order of the file."""
    settings: dict[str, list[str]] = {}
    for row in (DEPLOY / unit).read_text("utf-8").splitlines():
        key, mark, value = row.partition("=")
        if mark and not row.startswith("#"):
            settings.setdefault(key, []).append(value)
    return settings


def test_the_three_services_are_there() -> None:
    """Watch, page and uplink have a unit each."""
    assert UNITS == ["ovigil-page.service", "ovigil-uplink.service", "ovigil.service"]


@needs_analyze
@pytest.mark.parametrize("unit", UNITS)
def test_verify_is_silent(unit: str, tmp_path: Path) -> None:
    """No unknown key and no bad value: the verifier prints nothing (it exits 0 even on warnings)."""
    text = (DEPLOY / unit).read_text("utf-8").replace("/opt/ovigil/current/bin/ovigil", "/bin/true")
    (tmp_path / unit).write_text(text)
    told = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", tmp_path / unit],
        capture_output=True,
        text=True,
        check=True,
        timeout=30,
    )
    ours = [
        row for row in (told.stdout + told.stderr).splitlines() if "ovigil" in row or str(tmp_path) in row
    ]
    assert ours == []


@needs_analyze
@pytest.mark.parametrize("unit", UNITS)
def test_the_sandbox_scores_at_most_two(unit: str) -> None:
    """The offline security score of each unit is 2.0 or less."""
    told = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=20", DEPLOY / unit],
        capture_output=True,
        text=True,
        check=False,
        timeout=30,
    )
    score = re.search(r"exposure level for \S+: (\d+\.\d)", told.stdout)
    assert score is not None
    print(f"{unit}: {score.group(1)}")
    assert float(score.group(1)) <= 2.0
    assert told.returncode == 0


class TestTheWatch:
    @pytest.mark.parametrize(
        ("key", "value"),
        [
            ("Type", "notify"),
            ("WatchdogSec", "60"),
            ("Restart", "always"),
            ("RestartSec", "2"),
            ("StartLimitIntervalSec", "0"),
            ("RestartPreventExitStatus", "78"),
            ("ExecReload", "/bin/kill -HUP $MAINPID"),
            ("User", "ovigil"),
            ("StateDirectory", "ovigil"),
            ("UMask", "0077"),
            ("LoadCredential", "ovigil:/etc/ovigil/credentials"),
        ],
    )
    def test_promises(self, key: str, value: str) -> None:
        """The watch never gives up, is watched itself, and runs as its own user."""
        assert _settings("ovigil.service")[key] == [value]

    def test_the_clock_may_be_asked(self) -> None:
        """What would kill or blind the clock query is not in the unit (measured in a booted guest)."""
        settings = _settings("ovigil.service")
        assert "ProtectClock" not in settings
        assert "ProcSubset" not in settings
        assert settings["SystemCallFilter"] == ["@system-service adjtimex clock_adjtime"]
        assert settings["SystemCallErrorNumber"] == ["EPERM"]

    def test_it_does_not_wait_for_network_or_broker(self) -> None:
        """The watch starts without network: it wants and requires nothing."""
        assert not {"Wants", "Requires", "BindsTo"} & _settings("ovigil.service").keys()


@pytest.mark.parametrize("unit", UNITS)
def test_all_services_share_user_state_and_secrets(unit: str) -> None:
    """One fixed user for watch, page and uplink; only the service manager hands out secrets."""
    settings = _settings(unit)
    assert (settings["User"], settings["Group"]) == (["ovigil"], ["ovigil"])
    assert settings["StateDirectoryMode"] == ["0700"]
    assert settings["InaccessiblePaths"] == ["-/etc/ovigil/credentials"]
