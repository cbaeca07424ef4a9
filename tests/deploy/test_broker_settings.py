"""The broker with the shipped settings: it starts, asks for a password, and holds what waits."""

import getpass
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.kit.store_receiver import free_port, until

DROP_IN = Path(__file__).parents[2] / "deploy/mosquitto-ovigil.conf"

pytestmark = pytest.mark.skipif(shutil.which("mosquitto") is None, reason="mosquitto is not on this machine")


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[int]:
    """Run the broker with the drop-in; only port and places are this test's own."""
    port = free_port()
    (tmp_path / "passwd").write_text("ovigil:right\n")
    subprocess.run(["mosquitto_passwd", "-U", tmp_path / "passwd"], check=True, timeout=20)
    text = DROP_IN.read_text("utf-8")
    text = text.replace("listener 1883", f"listener {port} 127.0.0.1")
    text = text.replace("/etc/mosquitto/ovigil.passwd", str(tmp_path / "passwd"))
    text += f"\npersistence_location {tmp_path}/\nuser {getpass.getuser()}\n"
    (tmp_path / "broker.conf").write_text(text)
    command = ["mosquitto", "-c", str(tmp_path / "broker.conf")]
    with (tmp_path / "log").open("wb") as log:
        process = subprocess.Popen(command, stdout=log, stderr=log)
    try:
        assert until(lambda: "running" in (tmp_path / "log").read_text()), (tmp_path / "log").read_text()
        assert "Error" not in (tmp_path / "log").read_text()
        yield port
    finally:
        process.terminate()
        process.wait(10)


def _connect(port: int, name: str, password: str | None) -> tuple[mqtt.Client, list[bool]]:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=False)
    if password is not None:
        client.username_pw_set("ovigil", password)
    refused: list[bool] = []
    client.on_connect = lambda _c, _u, _f, code, _p: refused.append(code.is_failure)
    client.connect("127.0.0.1", port)
    client.loop_start()
    assert until(lambda: bool(refused))
    return client, refused


@pytest.mark.parametrize(("password", "expected"), [(None, True), ("wrong", True), ("right", False)])
def test_only_the_password_opens(broker: int, password: str | None, expected: bool) -> None:
    """Nobody is anonymous."""
    client, refused = _connect(broker, "somebody", password)
    client.disconnect()
    client.loop_stop()
    assert refused[0] is expected


def test_more_than_the_usual_thousand_wait_for_the_watch(broker: int) -> None:
    """3,000 messages that came while the watch was away are all delivered when it is back."""
    watch, _ = _connect(broker, "watch", "right")
    watch.subscribe("room/#", qos=1)
    watch.disconnect()
    watch.loop_stop()
    sensor, _ = _connect(broker, "sensor", "right")
    sent = [sensor.publish("room/box-2", str(number), qos=1) for number in range(3_000)]
    sent[-1].wait_for_publish(20)
    sensor.disconnect()
    sensor.loop_stop()
    got: list[bytes] = []
    back = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="watch", clean_session=False)
    back.username_pw_set("ovigil", "right")
    back.on_message = lambda _c, _u, message: got.append(message.payload)
    back.connect("127.0.0.1", broker)
    back.loop_start()
    assert until(lambda: len(got) == 3_000), len(got)
    back.disconnect()
    back.loop_stop()
