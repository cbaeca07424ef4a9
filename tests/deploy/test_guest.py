"""The service in a booted guest: installed twice, watched, reloaded, stopped, upgraded, taken back.

A stand-in plays the watch here, so that what is proved is the installer and the unit.
"""

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.kit.guest import Guest, booted, missing
from tests.kit.standin import wheel
from tests.kit.store_receiver import until

ROOT = Path(__file__).parents[2]
OFFLINE = {"PIP_NO_INDEX": "1", "PIP_FIND_LINKS": "/wheels"}

pytestmark = [
    pytest.mark.full,
    pytest.mark.timeout(300),
    pytest.mark.skipif(bool(missing()), reason=f"a guest cannot be booted here: {missing()}"),
]


@pytest.fixture(scope="module")
def wheels(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Fetch what the lock names, held against its hashes."""
    folder = tmp_path_factory.mktemp("wheels")
    command = [sys.executable, "-m", "pip", "download", "-q", "--require-hashes", "--only-binary", ":all:"]
    command += ["-r", str(ROOT / "deploy/requirements.txt"), "-d", str(folder)]
    subprocess.run(command, check=True, timeout=240, capture_output=True)
    return folder


@pytest.fixture(scope="module")
def guest(tmp_path_factory: pytest.TempPathFactory, wheels: Path) -> Iterator[Guest]:
    """Boot a guest with the stand-in installed, and a secret of the keeper's."""
    dist = tmp_path_factory.mktemp("dist")
    for version, broken in (("0.0.1", False), ("0.0.2", False), ("0.0.3", True)):
        wheel(dist, version, broken=broken)
    binds = [(dist, "/dist"), (wheels, "/wheels"), (ROOT / "deploy", "/deploy")]
    with booted(tmp_path_factory.mktemp("console"), binds) as running:
        running.call("mkdir", "-p", "/etc/ovigil/credentials")
        running.write("/etc/ovigil/credentials/phone", "marker-secret\n", "600")
        running.call("mkdir", "-p", "/run/systemd/system/ovigil.service.d")
        running.write("/run/systemd/system/ovigil.service.d/fast.conf", "[Service]\nWatchdogSec=3\n")
        assert "0.0.1 is in place" in _install(running, "0.0.1")
        yield running


def _install(guest: Guest, version: str, *, fails: bool = False) -> str:
    told = guest.call(
        "sh", "/deploy/install.sh", f"/dist/ovigil-{version}-py3-none-any.whl", env=OFFLINE, check=False
    )
    assert (told.returncode != 0) is fails, told.stdout + told.stderr
    return told.stdout + told.stderr


def _report(guest: Guest) -> dict[str, Any]:
    report: dict[str, Any] = json.loads(guest.call("cat", "/var/lib/ovigil/report.json").stdout)
    return report


def test_it_is_ready_and_runs_as_its_own_user(guest: Guest) -> None:
    """After one call of the installer watch and page run, and the watch said READY with a status line."""
    assert guest.show("ovigil", "ActiveState") == guest.show("ovigil-page", "ActiveState") == "active"
    assert guest.show("ovigil", "StatusText").startswith("good")
    assert _report(guest)["uid"] != 0
    assert guest.call("stat", "-c", "%a %U", "/var/lib/ovigil").stdout.strip() == "700 ovigil"


def test_installing_again_changes_nothing(guest: Guest) -> None:
    """A second run keeps config, passwords and broker settings, and does not restart the watch."""
    listing = "find /etc/ovigil /etc/mosquitto /opt/ovigil -type f -exec sha256sum {} + | sort"
    before = guest.call("sh", "-c", listing).stdout, guest.show("ovigil", "MainPID")
    said = _install(guest, "0.0.1")
    assert "installed already" in said
    assert (guest.call("sh", "-c", listing).stdout, guest.show("ovigil", "MainPID")) == before


def test_secrets_come_from_the_service_manager_only(guest: Guest) -> None:
    """The watch gets its secrets as credentials, and cannot read the folder that they come from."""
    report = _report(guest)
    assert report["secrets"] == ["ovigil_broker", "ovigil_phone"]
    assert report["plain_secrets"] in (None, [])
    assert guest.call("stat", "-c", "%a %U", "/etc/ovigil/credentials/phone").stdout.strip() == "600 ovigil"
    assert "marker-secret" not in guest.said()


def test_clock_and_sysfs_stay_readable_in_the_sandbox(guest: Guest) -> None:
    """The boot's identity, the clock query and sysfs work inside the sandbox: nobody is killed for asking."""
    report = _report(guest)
    assert len(report["boot"]) == 36
    assert report["kernel"] in (True, False)
    assert report["sysfs"] > 0
    assert report["hwmon"].isdecimal()


def test_the_keeper_s_command_reaches_the_service_s_data(guest: Guest) -> None:
    """Root's ``ovigil`` on the board's room runs as the service's user on the service's logbook."""
    uid = guest.call("id", "-u", "ovigil").stdout.strip()
    assert guest.call("ovigil", "whoami", "/etc/ovigil/room.toml").stdout == f"{uid} /var/lib/ovigil\n"
    assert guest.call("ovigil", "whoami").stdout == "0 own\n"


def test_a_good_and_a_bad_reload_keep_it_running(guest: Guest) -> None:
    """Reload reaches the watch; wrong settings leave it on the old ones, in the same process."""
    before = guest.show("ovigil", "MainPID")
    guest.call("systemctl", "reload", "ovigil")
    assert until(lambda: guest.show("ovigil", "StatusText") == "reloaded")
    guest.call("sh", "-c", "cp /etc/ovigil/room.toml /tmp/good; echo wrong >>/etc/ovigil/room.toml")
    guest.call("systemctl", "reload", "ovigil")
    assert until(lambda: guest.show("ovigil", "StatusText") == "kept the old settings")
    guest.call("cp", "/tmp/good", "/etc/ovigil/room.toml")
    assert guest.show("ovigil", "MainPID") == before


def test_a_killed_watch_comes_back(guest: Guest) -> None:
    """SIGKILL costs two seconds and a restart that is counted."""
    before = int(guest.show("ovigil", "NRestarts"))
    guest.call("systemctl", "kill", "-s", "KILL", "ovigil")
    assert until(lambda: int(guest.show("ovigil", "NRestarts")) > before)
    assert until(lambda: guest.show("ovigil", "ActiveState") == "active")


def test_a_frozen_watch_is_restarted(guest: Guest) -> None:
    """A watch that stops feeding the watchdog is killed and started again (3 s here, 60 s as shipped)."""
    before = int(guest.show("ovigil", "NRestarts"))
    started = time.monotonic()
    guest.call("touch", "/var/lib/ovigil/freeze")
    assert until(lambda: int(guest.show("ovigil", "NRestarts")) > before)
    assert until(lambda: guest.show("ovigil", "ActiveState") == "active")
    print(f"frozen to ready: {time.monotonic() - started:.1f} s with a watchdog of 3 s")
    assert "watchdog" in guest.said().lower()


def test_a_wrong_config_is_not_tried_for_ever(guest: Guest) -> None:
    """Exit code 78 ends the restarts: only the keeper can mend a config."""
    guest.call("sh", "-c", "cp /etc/ovigil/room.toml /tmp/good; echo wrong >>/etc/ovigil/room.toml")
    guest.call("systemctl", "restart", "ovigil", check=False)
    assert until(lambda: guest.show("ovigil", "ActiveState") == "failed")
    time.sleep(3)
    assert guest.show("ovigil", "ExecMainStatus") == "78"
    assert guest.show("ovigil", "ActiveState") == "failed"
    guest.call("cp", "/tmp/good", "/etc/ovigil/room.toml")
    guest.call("systemctl", "reset-failed", "ovigil")
    guest.call("systemctl", "start", "ovigil")


def test_it_stops_within_five_seconds(guest: Guest) -> None:
    """A stop takes at most 5 s and is a clean one."""
    started = time.monotonic()
    guest.call("systemctl", "stop", "ovigil")
    assert time.monotonic() - started <= 5
    assert guest.show("ovigil", "Result") == "success"
    guest.call("systemctl", "start", "ovigil")


def test_the_broker_wants_a_password_and_keeps_much(guest: Guest) -> None:
    """The drop-in is in force, its passwords are hashed, and the broker runs with it."""
    assert guest.show("mosquitto", "ActiveState") == "active"
    shipped = (ROOT / "deploy/mosquitto-ovigil.conf").read_text().replace("persistence true\n", "")
    assert guest.call("cat", "/etc/mosquitto/conf.d/ovigil.conf").stdout == shipped
    assert "$7$" in guest.call("cat", "/etc/mosquitto/ovigil.passwd").stdout


def test_upgrade_and_way_back(guest: Guest) -> None:
    """A version goes in beside the old one; one that is not ready in 30 s is taken back with its changes."""
    _install(guest, "0.0.2")
    assert guest.show("ovigil", "StatusText") == "good, version 0.0.2"
    started = time.monotonic()
    said = _install(guest, "0.0.3", fails=True)
    print(f"failed upgrade and way back: {time.monotonic() - started:.0f} s")
    assert "going back to 0.0.2" in said
    assert guest.show("ovigil", "StatusText") == "good, version 0.0.2"
    assert guest.call("cat", "/var/lib/ovigil/logbook").stdout == "made by 0.0.1"
    assert guest.call("readlink", "/opt/ovigil/current").stdout.strip() == "0.0.2"
    assert guest.call("cat", "/var/lib/ovigil-of-0.0.3/logbook").stdout == "changed by 0.0.3"
