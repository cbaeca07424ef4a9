"""CPU for each MQTT message end to end, beside a bare subscriber that parses the JSON.

The same broker, the same messages in the same run: QoS 1, at 20 messages a second. Ours is
the whole ``ovigil run`` process: received, parsed, judged, committed, acknowledged. The bare
one is a paho client that parses the JSON and lets the library acknowledge. What a process
costs while nothing comes in is measured first and taken off on both sides alike.
"""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.bench.figure import Figure, compared
from tests.kit.broker import Broker, until
from tests.kit.watch import Layout, LiveWatch, message, wall

NAME = "CPU per MQTT message end to end, ms (beside a bare subscriber that parses the JSON)"
BOUND = 2.5
SENSORS = 60
PER_SECOND = 100
SECONDS = 20
IDLE = 6
TICKS = os.sysconf("SC_CLK_TCK")

BARE = """
import json, sys
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
heard = 0
def take(client, userdata, message):
    global heard
    document = json.loads(message.payload)
    heard += 1 if document["t"] > 0 else 0
client = Client(CallbackAPIVersion.VERSION2, client_id="bare", protocol=MQTTProtocolVersion.MQTTv5)
client.on_message = take
client.on_connect = lambda *_: (client.subscribe("cellar/#", qos=1), print("ready", flush=True))
client.connect("127.0.0.1", int(sys.argv[1]), keepalive=20)
client.loop_forever()
"""


def figures() -> list[Figure]:
    """Measure both on one broker."""
    with (
        tempfile.TemporaryDirectory() as folder,
        Broker(Path(folder) / "broker", extra=["max_inflight_messages 1000"]) as broker,
    ):
        layout = Layout(sensors=SENSORS, every="30 s", window=1000, commit="15 s")
        with LiveWatch(Path(folder) / "watch", layout, broker) as watch:
            assert watch.process is not None
            bare = subprocess.Popen([sys.executable, "-c", BARE, str(broker.port)], stdout=subprocess.PIPE)
            assert bare.stdout is not None
            bare.stdout.readline()
            try:
                ours, base = spent(watch, watch.process.pid, bare.pid)
            finally:
                bare.kill()
                bare.wait()
                bare.stdout.close()
    note = f"{PER_SECOND} messages a second of {SENSORS} sensors for {SECONDS} s; idle costs taken off"
    return [compared(NAME, ours, base, bound=BOUND, note=note)]


def spent(watch: LiveWatch, ours: int, bare: int) -> tuple[float, float]:
    """Give the CPU for each message of both processes, ms."""
    send(watch, 2)
    before = cpu(ours), cpu(bare)
    time.sleep(IDLE)
    idle = [(now - then) / IDLE for now, then in zip((cpu(ours), cpu(bare)), before, strict=True)]
    start, begun = (cpu(ours), cpu(bare)), time.monotonic()
    count = send(watch, SECONDS)
    until(lambda: len(watch.entries()) >= count + 2 * PER_SECOND, "all is on the card", 60)
    lasted = time.monotonic() - begun
    used = [
        now - then - rate * lasted
        for now, then, rate in zip((cpu(ours), cpu(bare)), start, idle, strict=True)
    ]
    return used[0] * 1000 / count, used[1] * 1000 / count


def send(watch: LiveWatch, seconds: int) -> int:
    """Publish at a steady pace; give how many messages that were."""
    client = watch.broker.client()
    begun, count = time.monotonic(), seconds * PER_SECOND
    for number in range(count):
        topic, payload = message(watch.layout, number % SENSORS, 29 + number % 100 / 100, wall())
        client.publish(topic, payload, qos=1)
        ahead = begun + number / PER_SECOND - time.monotonic()
        if ahead > 0:
            time.sleep(ahead)
    until(lambda: not client.want_write(), "all is sent")
    time.sleep(1)
    watch.broker.dismiss(client)
    return count


def cpu(process: int) -> float:
    """Give the CPU time of a process so far, s."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS
