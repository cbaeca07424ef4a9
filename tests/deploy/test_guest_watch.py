"""The watch itself as a service in a booted guest, installed by the installer from a built wheel."""

import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.kit.guest import Guest, booted, missing
from tests.kit.store_receiver import until

ROOT = Path(__file__).parents[2]
CONTACT = '\n[[contact]]\nname = "first"\nreach = "phone"\n'

pytestmark = [
    pytest.mark.full,
    pytest.mark.timeout(300),
    pytest.mark.skipif(bool(missing()), reason=f"a guest cannot be booted here: {missing()}"),
]


@pytest.fixture(scope="module")
def guest(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Guest]:
    """Boot a guest and install this tree's wheel in it, with a contact whose phone service is dead."""
    dist = tmp_path_factory.mktemp("dist")
    pip = [sys.executable, "-m", "pip", "-q"]
    lock = ["--require-hashes", "--only-binary", ":all:", "-r", str(ROOT / "deploy/requirements.txt")]
    subprocess.run(
        [*pip, "wheel", "--no-deps", "-w", str(dist / "own"), str(ROOT)],
        check=True,
        timeout=240,
        capture_output=True,
    )
    subprocess.run(
        [*pip, "download", *lock, "-d", str(dist / "wheels")], check=True, timeout=240, capture_output=True
    )
    (wheel,) = (dist / "own").glob("ovigil-*.whl")
    with booted(
        tmp_path_factory.mktemp("console"), [(dist, "/dist"), (ROOT / "deploy", "/deploy")]
    ) as running:
        running.call("mkdir", "-p", "/etc/ovigil/credentials", "/run/systemd/system/ovigil.service.d")
        running.write("/etc/ovigil/credentials/phone", "json://127.0.0.1:9/marker-secret\n", "600")
        running.write("/run/systemd/system/ovigil.service.d/fast.conf", "[Service]\nWatchdogSec=6\n")
        running.write("/etc/ovigil/room.toml", (ROOT / "deploy/room.toml").read_text() + CONTACT)
        offline = {"PIP_NO_INDEX": "1", "PIP_FIND_LINKS": "/dist/wheels"}
        started = time.monotonic()
        for _ in range(2):
            told = running.call(
                "sh", "/deploy/install.sh", f"/dist/own/{wheel.name}", env=offline, check=False
            )
            assert told.returncode == 0, told.stdout + told.stderr + running.log.read_text()[-3_000:]
        print(f"installed twice in {time.monotonic() - started:.0f} s")
        yield running


def test_it_is_ready(guest: Guest) -> None:
    """The watch says READY after its first round, in words, and has a private logbook."""
    assert guest.show("ovigil", "ActiveState") == "active"
    assert "places" in guest.show("ovigil", "StatusText")
    assert guest.call("stat", "-c", "%a %U", "/var/lib/ovigil/logbook.db").stdout.strip() == "600 ovigil"


def test_it_stays_ready_in_the_sandbox(guest: Guest) -> None:
    """Ten seconds of rounds feed the watchdog of 6 s: no restart, nothing refused that it needs."""
    before = guest.show("ovigil", "MainPID")
    time.sleep(10)
    assert guest.show("ovigil", "MainPID") == before
    assert "Traceback" not in guest.said()


def test_the_keeper_s_check_reads_the_board_s_room(guest: Guest) -> None:
    """The installed config passes ``check`` through the keeper's command."""
    guest.call("ovigil", "check", "/etc/ovigil/room.toml")


def test_a_frozen_watch_is_restarted(guest: Guest) -> None:
    """Stopped in its tracks, the watch is killed by the watchdog and ready again."""
    before = int(guest.show("ovigil", "NRestarts"))
    started = time.monotonic()
    guest.call("kill", "-STOP", guest.show("ovigil", "MainPID"))
    assert until(lambda: int(guest.show("ovigil", "NRestarts")) > before, 25)
    noticed = time.monotonic()
    assert until(lambda: guest.show("ovigil", "ActiveState") == "active")
    print(f"frozen: noticed after {noticed - started:.1f} s, ready {time.monotonic() - noticed:.1f} s later")
    assert time.monotonic() - noticed <= 10


def test_good_and_bad_reload(guest: Guest) -> None:
    """A good reload applies; a bad one keeps the old settings and says file and line; neither restarts."""
    before = guest.show("ovigil", "MainPID")
    guest.call("sh", "-c", 'sed -i \'s/"31 C"/"30.5 C"/\' /etc/ovigil/room.toml')
    guest.call("systemctl", "reload", "ovigil")
    time.sleep(2)
    guest.call("sh", "-c", "cp /etc/ovigil/room.toml /tmp/good; echo 'wrong = 1' >>/etc/ovigil/room.toml")
    guest.call("systemctl", "reload", "ovigil")
    told = until(lambda: "/etc/ovigil/room.toml:" in guest.said(), 10)
    guest.call("cp", "/tmp/good", "/etc/ovigil/room.toml")
    assert told
    assert guest.show("ovigil", "MainPID") == before
    assert guest.show("ovigil", "ActiveState") == "active"


def test_it_stops_in_five_seconds_with_everything_dead(guest: Guest) -> None:
    """With broker and phone service dead, a stop takes at most 5 s and is a clean one."""
    guest.call("systemctl", "stop", "mosquitto")
    time.sleep(2)
    started = time.monotonic()
    guest.call("systemctl", "stop", "ovigil")
    seconds = time.monotonic() - started
    print(f"stopped in {seconds:.1f} s")
    assert seconds <= 5
    assert guest.show("ovigil", "Result") == "success"


def test_it_starts_without_the_broker(guest: Guest) -> None:
    """The watch is ready while the broker is down."""
    guest.call("systemctl", "start", "ovigil", seconds=40)
    assert guest.show("ovigil", "ActiveState") == "active"
    guest.call("systemctl", "start", "mosquitto")


def test_secrets_stay_out_of_the_log(guest: Guest) -> None:
    """The phone service's address is nowhere in what the services said."""
    assert "marker-secret" not in guest.said()


def test_a_wrong_config_at_the_start_is_exit_78(guest: Guest) -> None:
    """A watch that cannot use its config ends with 78 and is not started again and again."""
    guest.call("sh", "-c", "cp /etc/ovigil/room.toml /tmp/good; echo 'wrong = 1' >>/etc/ovigil/room.toml")
    guest.call("systemctl", "restart", "ovigil", check=False)
    assert until(lambda: guest.show("ovigil", "ActiveState") == "failed")
    assert guest.show("ovigil", "ExecMainStatus") == "78"
    guest.call("cp", "/tmp/good", "/etc/ovigil/room.toml")
