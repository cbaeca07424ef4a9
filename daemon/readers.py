"""Readers out of the settings: one for each way of reading that is in use."""

from collections.abc import Iterator
from pathlib import Path

from daemon.secrets import Secrets
from daemon.settings import Loaded
from daemon.settings_model import RoomFile
from daemon.settings_sensor import ReadMqtt, SensorTable
from sensors.link import MqttLink
from sensors.mqtt import MqttReader
from sensors.payload import Pick
from sensors.reader import Boottime, Reader
from sensors.topics import MqttSensor

BROKER_SECRET = "broker"  # noqa: S105 - the name of a secret, not a secret
"""Name of the secret that holds the broker's password."""


def named_sensors(model: RoomFile) -> Iterator[tuple[str, SensorTable]]:
    """Give every sensor of the settings with its name."""
    for place in model.place:
        yield from zip(place.sensor_names(), place.sensor, strict=True)


def build(loaded: Loaded, secrets: Secrets, boottime: Boottime) -> list[Reader]:
    """Make the readers that the settings ask for; none is started.

    Raises:
        ValueError: A reader's own settings are refused (a file that is no certificate).
    """
    model = loaded.model
    readers: list[Reader] = []
    wanted = {sensor.read.by for _, sensor in named_sensors(model)}
    if "mqtt" in wanted:
        readers.append(_mqtt(loaded, secrets, boottime))
    return readers


def _mqtt(loaded: Loaded, secrets: Secrets, boottime: Boottime) -> MqttReader:
    model = loaded.model
    sensors = [
        MqttSensor(name, sensor.read.topic, _pick(sensor.read))
        for name, sensor in named_sensors(model)
        if isinstance(sensor.read, ReadMqtt)
    ]
    taken = frozenset(name for name, sensor in named_sensors(model) if not isinstance(sensor.read, ReadMqtt))
    return MqttReader(mqtt_link(model, secrets, loaded.path), sensors, boottime, taken)


def mqtt_link(model: RoomFile, secrets: Secrets, path: Path) -> MqttLink:
    """Give the way to the broker.

    Raises:
        ValueError: There is no [broker].
    """
    broker = model.broker
    if broker is None:
        raise ValueError("a sensor is read by mqtt; the settings need [broker]")
    return MqttLink(
        host=broker.host,
        port=broker.port,
        client_id=broker.client,
        user=broker.user,
        password=secrets.get(BROKER_SECRET) if broker.user else None,
        window=broker.window,
        ca=_beside(path, broker.ca) if broker.tls else None,
    )


def _beside(path: Path, name: str | None) -> Path | None:
    return None if name is None else path.absolute().parent / name


def _pick(read: ReadMqtt) -> Pick:
    return Pick(read.pointers, read.time, read.counter, fahrenheit=read.unit == "F")
