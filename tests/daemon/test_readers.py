"""Readers out of the settings."""

import time
from pathlib import Path

import pytest

from daemon.readers import build, mqtt_link, slow_buses
from daemon.secrets import Secrets
from daemon.settings import Loaded, load
from rules.reading import Quantity
from sensors.reader import Arrival, Inbox, Reader
from tests.kit.sysfs import Tree, scratchpad

ADDRESS = "28-0316a2794bff"


def _loaded(folder: Path, sensors: str, more: str = "") -> Loaded:
    path = folder / "room.toml"
    places = "".join(
        f'[[place]]\nname = "p{n}"\nkind = "enclosure"\n[[place.sensor]]\nread = {read}\n'
        for n, read in enumerate(sensors.splitlines())
    )
    path.write_text(f'[room]\ntime_zone = "UTC"\nsysfs = "sys"\n{more}{places}')
    return load(path, {})


def _readers(loaded: Loaded) -> list[Reader]:
    return build(
        loaded, Secrets(loaded.path.parent / "credentials"), lambda: time.monotonic_ns() // 1_000_000
    )


def _heard(readers: list[Reader], names: set[str]) -> dict[str, Arrival]:
    """Let readers run until each name was heard."""
    inbox = Inbox()
    heard: dict[str, Arrival] = {}
    for reader in readers:
        reader.start(inbox)
    try:
        ends = time.monotonic() + 15
        while not names <= heard.keys() and time.monotonic() < ends:
            time.sleep(0.05)
            heard.update({one.sensor: one for one in inbox.drain() if isinstance(one, Arrival)})
    finally:
        for reader in readers:
            reader.stop()
    return heard


def test_every_way_of_reading_gives_its_readings(tmp_path: Path) -> None:
    """1-wire, hwmon, IIO and the simulated room are read under the config's sysfs root."""
    tree = Tree(tmp_path / "sys")
    tree.wire(ADDRESS, {"w1_slave": scratchpad(28.5)})
    tree.hwmon(3, "sht3x", {"temp1_input": "27250\n", "humidity1_input": "81500\n"})
    tree.iio(0, "hdc1080", {"in_temp_raw": "100\n", "in_temp_scale": "250\n"})
    reads = "\n".join(
        (
            f'{{ by = "1-wire", address = "{ADDRESS.upper()}", every = "1 s" }}',
            '{ by = "hwmon", device = "sht3x", channel = ["temp1", "humidity1"], every = "1 s" }',
            '{ by = "iio", device = "hdc1080", quantities = ["temperature"], every = "1 s" }',
            '{ by = "simulated", every = "1 s" }',
        )
    )
    readers = _readers(_loaded(tmp_path, reads))
    assert [reader.name for reader in readers] == ["1-wire", "hwmon", "iio", "simulated"]
    heard = _heard(readers, {"p0", "p1", "p2", "p3"})
    assert heard["p0"].values[Quantity.TEMPERATURE].raw == 28.5
    assert {q: v.raw for q, v in heard["p1"].values.items()} == {
        Quantity.TEMPERATURE: 27.25,
        Quantity.HUMIDITY: 81.5,
    }
    assert heard["p2"].values[Quantity.TEMPERATURE].raw == 25.0
    assert heard["p3"].values.keys() == {Quantity.TEMPERATURE, Quantity.HUMIDITY}


def test_the_supply_is_watched_where_no_sensor_is_read_by_hwmon(tmp_path: Path) -> None:
    """A board that flags its supply is heard although no place has a hwmon sensor."""
    tree = Tree(tmp_path / "sys")
    tree.hwmon(0, "rpi_volt", {"in0_lcrit_alarm": "1\n"})
    readers = _readers(_loaded(tmp_path, '{ by = "import" }'))
    heard = _heard(readers, {"watch/supply"})
    assert heard["watch/supply"].note == "power supply weak"


def test_a_slow_bus_is_named_with_its_round(tmp_path: Path) -> None:
    """Three thermometers of 750 ms cannot all be read each second without bulk conversion."""
    tree = Tree(tmp_path / "sys")
    addresses = [f"28-0316a2794b{n:02x}" for n in range(3)]
    for address in addresses:
        tree.wire(address, {"w1_slave": scratchpad(28.5)})
    fast = "\n".join(f'{{ by = "1-wire", address = "{a}", every = "1 s" }}' for a in addresses)
    (words,) = slow_buses(_loaded(tmp_path, fast))
    assert "w1_bus_master1" in words
    assert "2.4 s" in words
    assert slow_buses(_loaded(tmp_path, fast.replace('"1 s"', '"30 s"'))) == ()


@pytest.mark.parametrize(
    ("lines", "trusts"),
    [("", False), ("tls = true\n", True), ('tls = true\nca = "ca.pem"\n', True)],
    ids=["plain", "the system's authorities", "one of its own"],
)
def test_tls_is_spoken_exactly_where_the_config_says(tmp_path: Path, lines: str, *, trusts: bool) -> None:
    """With tls = true there is always an authority: never a plain connection by accident."""
    read = '{ by = "mqtt", topic = "t", temperature = "" }'
    loaded = _loaded(tmp_path, read, f"[broker]\n{lines}")
    link = mqtt_link(loaded.model, Secrets(tmp_path), loaded.path)
    assert (link.ca is not None) is trusts
