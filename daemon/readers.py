"""Readers out of the settings: one for each way of reading that is in use."""

import ssl
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from daemon.secrets import Secrets
from daemon.settings import Loaded
from daemon.settings_model import RoomFile
from daemon.settings_sensor import ReadHwmon, ReadIio, ReadMqtt, ReadSimulated, ReadWire, SensorTable
from daemon.units import say_duration
from rules.reading import Quantity
from sensors.hwmon import HwmonReader, HwmonSensor
from sensors.iio import IioReader, IioSensor
from sensors.link import MqttLink
from sensors.mqtt import MqttReader
from sensors.onewire import OneWireReader, WireSensor, bus_of, round_times
from sensors.payload import Pick
from sensors.reader import Boottime, Reader
from sensors.topics import MqttSensor

BROKER_SECRET = "broker"  # noqa: S105 - the name of a secret, not a secret
"""Name of the secret that holds the broker's password."""

SIMULATED_SEED = 7
"""Everything by chance in a simulated room comes out of it."""

SYSTEM_AUTHORITIES = "/etc/ssl/certs/ca-certificates.crt"
"""The authorities that a Debian trusts, where the library names no file."""


def named_sensors(model: RoomFile) -> Iterator[tuple[str, SensorTable]]:
    """Give every sensor of the settings with its name."""
    for place in model.place:
        yield from zip(place.sensor_names(), place.sensor, strict=True)


def build(loaded: Loaded, secrets: Secrets, boottime: Boottime) -> list[Reader]:
    """Make the readers that the settings ask for; none is started.

    Where the kernel shows hwmon devices, its reader is there in any case: it also looks
    at the board's supply.

    Raises:
        ValueError: A reader's own settings are refused (a file that is no certificate).
    """
    model = loaded.model
    sensors = dict(named_sensors(model))
    root = sysfs_root(loaded)
    readers: list[Reader] = []
    if any(isinstance(sensor.read, ReadMqtt) for sensor in sensors.values()):
        readers.append(_mqtt(loaded, secrets, boottime))
    if wires := wire_sensors(model):
        readers.append(OneWireReader(wires, boottime, root))
    hwmons = [_hwmon(n, s.read) for n, s in sensors.items() if isinstance(s.read, ReadHwmon)]
    if hwmons or (root / "class/hwmon").is_dir():
        readers.append(HwmonReader(hwmons, boottime, root))
    iios = [_iio(n, s.read) for n, s in sensors.items() if isinstance(s.read, ReadIio)]
    if iios:
        readers.append(IioReader(iios, boottime, root))
    if any(isinstance(sensor.read, ReadSimulated) for sensor in sensors.values()):
        readers.append(_simulated(model, boottime))
    return readers


def sysfs_root(loaded: Loaded) -> Path:
    """Give the folder in which the kernel shows its devices; a relative one lies beside the config."""
    return loaded.path.absolute().parent / loaded.model.room.sysfs


def wire_sensors(model: RoomFile) -> list[WireSensor]:
    """Give the 1-wire thermometers of the settings."""
    return [
        WireSensor(name, sensor.read.address, sensor.read.every)
        for name, sensor in named_sensors(model)
        if isinstance(sensor.read, ReadWire)
    ]


def slow_buses(loaded: Loaded) -> tuple[str, ...]:
    """Say which 1-wire buses cannot keep the pace that the settings ask for; looks, changes nothing."""
    wires, root = wire_sensors(loaded.model), sysfs_root(loaded)
    found = []
    for bus in round_times(root, [wire.address for wire in wires]):
        every = min(wire.every for wire in wires if bus_of(root, wire.address) == bus.bus)
        if bus.takes > every:
            found.append(
                f"1-wire bus {bus.bus}: a round of its {bus.sensors} sensors takes "
                f"{bus.takes / 1000:.1f} s, longer than every = {say_duration(every)}"
            )
    return tuple(found)


def _hwmon(name: str, read: ReadHwmon) -> HwmonSensor:
    return HwmonSensor(name, read.device, read.path, read.channel, read.every)


def _iio(name: str, read: ReadIio) -> IioSensor:
    quantities = tuple(Quantity(word) for word in read.quantities)
    return IioSensor(name, read.device, read.path, quantities, read.every)


def _simulated(model: RoomFile, boottime: Boottime) -> Reader:
    """Make the simulated room; it begins at this hour of the day, each start anew."""
    from daemon.scenes import scene_of
    from sensors.simulated import SimulatedReader

    here = datetime.now(ZoneInfo(model.room.time_zone))
    scene = scene_of(model, seed=SIMULATED_SEED, start_hour=here.hour + here.minute / 60)
    return SimulatedReader(scene, boottime, time.time_ns() // 1_000_000)


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
        ca=_authority(path, broker.ca) if broker.tls else None,
    )


def _authority(path: Path, name: str | None) -> Path:
    """Give the file of the authority: the one that is named, else the system's."""
    if name is not None:
        return path.absolute().parent / name
    return Path(ssl.get_default_verify_paths().cafile or SYSTEM_AUTHORITIES)


def _pick(read: ReadMqtt) -> Pick:
    return Pick(read.pointers, read.time, read.counter, fahrenheit=read.unit == "F")
