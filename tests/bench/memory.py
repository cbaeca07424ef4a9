"""Memory of the watch at 120 curves, beside bare Python with the same two libraries.

Ours is ``ovigil run`` after a while of readings with alarms and commits; the baseline a
Python that has imported paho and pydantic-settings and holds a client. Resident memory as
the kernel counts it for the process.
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.bench.figure import Figure, bounded
from tests.bench.message import send
from tests.kit.broker import Broker, until
from tests.kit.watch import Layout, LiveWatch

NAME = "resident memory of the watch at 120 curves, MiB (beside bare Python with paho and pydantic-settings)"
BOUND = 56.0
CURVES = 120
SECONDS = 15

BARE = """
import sys, time
import pydantic_settings
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
client = Client(CallbackAPIVersion.VERSION2)
print("ready", flush=True)
sys.stdin.read()
"""


def figures() -> list[Figure]:
    """Measure both."""
    base = bare()
    with (
        tempfile.TemporaryDirectory() as folder,
        Broker(Path(folder) / "broker", extra=["max_inflight_messages 1000"]) as broker,
        LiveWatch(Path(folder) / "watch", Layout(sensors=CURVES, every="30 s", window=1000), broker) as watch,
    ):
        count = send(watch, SECONDS)
        until(lambda: len(watch.entries()) >= count, "all is on the card", 60)
        time.sleep(2)
        assert watch.process is not None
        ours = resident(watch.process.pid)
    return [
        bounded(NAME, ours, base, bound=BOUND, note=f"the bound is {BOUND / base:.2f} × the bare process")
    ]


def bare() -> float:
    """Give the resident memory of bare Python with the two libraries, MiB."""
    process = subprocess.Popen(
        [sys.executable, "-c", BARE], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    process.stdout.readline()
    found = resident(process.pid)
    process.communicate()
    return found


def resident(process: int) -> float:
    """Give the resident memory of a process, MiB."""
    for line in Path(f"/proc/{process}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    raise ProcessLookupError(process)
