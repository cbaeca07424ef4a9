"""A newcomer's evening, from an empty folder to the review of the night, with the real programs."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Thread

from daemon.logbook import Archive, NoLogbook
from tests.kit.broker import Broker, until
from tests.kit.receivers import http_receiver

TOPICS = ("attic/incubator-1", "attic/box-1", "attic/mains")


def ovigil(*words: str | Path, code: int = 0) -> str:
    """Run one command to its end and give what it printed."""
    done = subprocess.run(
        [sys.executable, "-m", "daemon.cli", *map(str, words)],
        capture_output=True,
        text=True,
        timeout=25,
        check=False,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )
    assert done.returncode == code, done.stderr + done.stdout
    return done.stdout


@contextmanager
def talking(broker: Broker, mains: Event) -> Iterator[None]:
    """Let three sensors talk each half second; the mains are there until ``mains`` is set."""
    ending = Event()

    def talk() -> None:
        client = broker.client()
        number = 0
        while not ending.wait(0.5):
            number += 1
            stamp = {"n": number, "ts": round(time.time(), 3)}
            climate = {"t": 26.5 + number % 3 / 10, "h": 78, **stamp}
            for topic in TOPICS[:2]:
                client.publish(topic, json.dumps(climate), qos=1)
            client.publish(TOPICS[2], json.dumps({"ok": not mains.is_set(), **stamp}), qos=1)
        broker.dismiss(client)

    thread = Thread(target=talk)
    thread.start()
    try:
        yield
    finally:
        ending.set()
        thread.join()


@contextmanager
def watching(path: Path) -> Iterator["subprocess.Popen[str]"]:
    """Run the watch; it is ended by SIGTERM, within 5 s and with code 0."""
    process = subprocess.Popen(
        [sys.executable, "-m", "daemon.cli", "run", str(path)],
        text=True,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )
    try:
        yield process
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            _, said = process.communicate(timeout=8)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()
            raise
    assert process.returncode == 0, said


def recorded(folder: Path, sensors: Sequence[str]) -> bool:
    """Tell whether readings of every sensor are in the logbook."""
    try:
        with Archive.open(folder) as archive:
            return {name for name, _ in archive.series()} >= set(sensors)
    except NoLogbook:
        return False


def test_a_newcomers_evening(tmp_path: Path) -> None:
    """Empty folder, start, check, run, an alert on the phone, and the night in review."""
    mains, folder = Event(), tmp_path / "room"
    path = folder / "room.toml"
    with Broker(tmp_path / "broker") as broker, http_receiver() as phone, talking(broker, mains):
        written = ovigil(
            "start", "--dir", folder, "--name", "Attic", "--time-zone", "Europe/Lisbon",
            "--broker", "127.0.0.1", "--port", str(broker.port), "--for", "2 s", "--contact", "bedside",
            "--place", "attic, room, , attic/mains, mains",
            "--place", "incubator-1, incubator, , attic/incubator-1",
            "--place", "box-1, box, Paroedura picta, attic/box-1",
        )  # fmt: skip
        assert f"ovigil check {path}" in written
        secret = folder / "credentials" / "phone"
        secret.write_text(phone.reach())
        secret.chmod(0o600)
        assert "box-1: box, Paroedura picta" in ovigil("check", path)
        with watching(path):
            state = folder / "state"
            until(lambda: recorded(state, ("attic", "incubator-1", "box-1")), "all three are recorded", 20)
            mains.set()
            until(lambda: any("mains lost" in title for title in phone.titles()), "the phone rings", 15)
    night = json.loads(ovigil("night", path, "--json"))
    assert [alarm["rule"] for alarm in night["alarms"]] == ["mains lost"]
    assert {curve["sensor"] for curve in night["curves"]} == {"attic", "incubator-1", "box-1"}
    assert "mains lost" in ovigil("night", path)
