"""The self-test asks everything that must work at three in the morning."""

import json
import shutil
import socket
import subprocess
import time

import pytest

from daemon.selftest import (
    Finding,
    check_backup,
    check_broker,
    check_clock,
    check_disk,
    check_heartbeat,
    selftest,
    try_contacts,
    undelivered,
)
from daemon.texts import Speaker
from rules.reading import DAY, HOUR
from tests.kit.receivers import Mode, free_port, http_receiver, mute_port, smtp_receiver

SPEAKER = Speaker(offset=0, now=1_790_000_000_000)


def boottime() -> int:
    """Give the boot-time clock, ms."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000


@pytest.fixture(name="broker")
def _broker(tmp_path):
    """Run a real broker that asks for a password; give its port."""
    port = free_port()
    program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    words = tmp_path / "passwords"
    words.write_text("watch:right\n")
    subprocess.run(["mosquitto_passwd", "-U", words], check=True)
    words.chmod(0o644)
    config = tmp_path / "mosquitto.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {words}\nuser root\n")
    child = subprocess.Popen([program, "-c", config], stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
    while child.poll() is None:
        with socket.socket() as trial:
            if trial.connect_ex(("127.0.0.1", port)) == 0:
                break
        time.sleep(0.02)
    yield port
    child.terminate()
    child.wait(5)


class TestContacts:
    def test_each_contact_gets_a_marked_test_and_says_what_became_of_it(self):
        """Accepted, refused, timed out and no target are told apart, through the real courier."""
        with (
            http_receiver() as web,
            smtp_receiver() as mail,
            http_receiver(Mode.ERROR) as no,
            mute_port() as mute,
        ):
            findings = try_contacts(
                {
                    "web": web.reach(),
                    "mail": mail.reach(),
                    "no": no.reach(),
                    "mute": f"json://127.0.0.1:{mute}/",
                    "none": "",
                },
                "Cellar",
                speaker=SPEAKER,
                boottime=boottime,
            )

            assert [(item.what, item.holds, item.outcome) for item in findings] == [
                ("contact web", True, "accepted"),
                ("contact mail", True, "accepted"),
                ("contact no", False, "refused"),
                ("contact mute", False, "timed out"),
                ("contact none", False, "no such target"),
            ]
            assert web.titles() == ["Test from Cellar: nothing is wrong"]
            assert mail.got[0]["Subject"] == "Test from Cellar: nothing is wrong"
            assert undelivered(findings) == ("no", "mute", "none")

    def test_a_room_without_contacts_is_a_finding(self):
        """Nobody to tell is not "all is well"."""
        (finding,) = try_contacts({}, "Cellar", speaker=SPEAKER, boottime=boottime)

        assert not finding.holds


class TestChecks:
    def test_disk_clock_and_backup_are_judged(self, tmp_path):
        """Each check holds when things are right and says what is wrong when not."""
        assert check_disk(tmp_path, low_water=1).holds
        assert check_disk(tmp_path, low_water=2**70).words.startswith("only ")
        assert check_clock(trusted=True).holds
        assert not check_clock(trusted=False).holds
        assert check_backup(None, 0).words == "none yet"
        assert check_backup(0, 60_000).words == "fresh"
        assert check_backup(0, 5 * HOUR).words == "the newest is 5 h old"
        assert not check_backup(0, 3 * DAY).holds

    @pytest.mark.parametrize(("password", "holds"), [("right", True), ("wrong", False)])
    def test_a_real_broker_is_asked_with_its_password(self, broker, password, holds):
        """A broker that says no is not taken for one that answers."""
        finding = check_broker("127.0.0.1", broker, "watch", password)

        assert finding.holds is holds
        assert password not in finding.words

    def test_a_broker_that_is_not_there_or_mute_is_told(self):
        """A closed port and one that never answers are findings, not errors."""
        assert "no connection" in check_broker("127.0.0.1", free_port()).words
        with mute_port() as mute:
            assert "does not answer" in check_broker("127.0.0.1", mute).words

    @pytest.mark.parametrize(("mode", "holds"), [(Mode.OK, True), (Mode.ERROR, False)], ids=["ok", "says no"])
    def test_one_heartbeat_is_sent(self, mode, holds):
        """The address outside is asked once, and what it answered is told without the address."""
        with http_receiver(mode) as outside:
            finding = check_heartbeat(outside.url("topsecret"), boottime)
            assert [got.method for got in outside.got] == ["GET"]
        assert finding.holds is holds
        assert "topsecret" not in finding.words


class TestReport:
    def test_text_and_json_say_the_same(self):
        """One line a finding and a verdict; the machine form holds every field."""
        told = selftest(
            lambda: [Finding("contact first", holds=True, words="accepted", outcome="accepted")],
            {"disk": lambda: Finding("disk", holds=False, words="only 3 MiB free")},
        )

        assert told.text().splitlines() == [
            "ok   contact first: accepted",
            "NOT  disk: only 3 MiB free",
            "A service that accepted has not yet woken anybody: see that the test is on the phone.",
            "Needs a look: disk.",
        ]
        assert not told.holds
        assert json.loads(json.dumps(told.json()))["findings"][1] == {
            "what": "disk",
            "holds": False,
            "words": "only 3 MiB free",
            "outcome": None,
        }

    def test_a_check_that_cannot_look_stops_no_other(self):
        """An error of the system is a finding of its own."""

        def gone() -> Finding:
            raise FileNotFoundError(2, "No such file or directory")

        told = selftest(list, {"disk": gone, "clock": lambda: check_clock(trusted=True)})

        assert [item.holds for item in told.findings] == [False, True]
        assert "No such file" in told.findings[0].words
