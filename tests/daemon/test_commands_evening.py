"""The commands of the first evening: sensors, find, check beside what runs, check --reach."""

import json
import math
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Thread

import pytest

from daemon.cli import FOUND, OK, UNAVAILABLE, USAGE, main
from daemon.settings import load, load_text
from tests.kit.broker import Broker, free_port
from tests.kit.hand import Handled, room
from tests.kit.receivers import free_port as dead_port
from tests.kit.receivers import http_receiver, smtp_receiver
from tests.kit.sysfs import Tree, scratchpad

ADDRESS = "28-0316a2794bff"


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    """A board with a thermometer on a wire and one that measures the board itself."""
    tree = Tree(tmp_path / "sys")
    tree.wire(ADDRESS, {"w1_slave": scratchpad(28.5)})
    tree.hwmon(0, "cpu_thermal", {"temp1_input": "48000\n"})
    return tree


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    """One broker for all."""
    with Broker(tmp_path_factory.mktemp("broker")) as broker:
        yield broker


@contextmanager
def talking(broker: Broker, warmed: str = "") -> Iterator[None]:
    """Let three sensors talk ten times a second; one of them may be warmed in a hand."""
    ending = Event()

    def talk() -> None:
        client = broker.client()
        began = time.monotonic()
        while not ending.wait(0.1):
            warmth = 6 * (1 - math.exp(-(time.monotonic() - began) / 4))
            for name in ("a", "b", "c"):
                celsius = 22 + (warmth if name == warmed else 0)
                client.publish(f"cellar/{name}", json.dumps({"t": round(celsius, 2), "h": 60}))
        broker.dismiss(client)

    thread = Thread(target=talk)
    thread.start()
    try:
        yield
    finally:
        ending.set()
        thread.join()


class TestSensors:
    def test_everything_that_speaks_is_listed_with_lines_that_work(
        self, tree: Tree, broker: Broker, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Kernel sensors and topics stand there with their value, and the lines can be pasted."""
        with talking(broker):
            words = ["sensors", "--sysfs", str(tree.root), "--broker", "127.0.0.1"]
            assert main([*words, "--port", str(broker.port), "--for", "1 s", "--json"]) == OK
        found = {one["name"]: one for one in json.loads(capsys.readouterr().out)["sensors"]}
        assert found[ADDRESS]["values"] == {"temperature": 28.5}
        assert found["cellar/a"]["values"] == {"temperature": 22, "humidity": 60}
        assert found["cpu_thermal"]["own"] is True
        pasted = '[broker]\n[[place]]\nname = "p"\nkind = "room"\n'
        for name in (ADDRESS, "cellar/a"):
            pasted += "\n".join(found[name]["lines"]).replace("read", f'name = "{name[-1]}"\nread', 1) + "\n"
        assert len(load_text(pasted, Path("room.toml"), {}).model.place[0].sensor) == 2

    def test_a_broker_that_is_not_there_is_named(
        self, tree: Tree, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """A broker that was asked for and does not answer ends the command with a reason."""
        words = ["sensors", "--sysfs", str(tree.root), "--broker", "127.0.0.1", "--for", "1 s"]
        assert main([*words, "--port", str(free_port())]) == UNAVAILABLE
        assert "127.0.0.1" in capsys.readouterr().err

    def test_without_a_broker_the_board_alone_is_listed(
        self, tree: Tree, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """The board's own temperature is told apart from a place's."""
        words = ["sensors", "--sysfs", str(tree.root), "--port", str(free_port()), "--for", "1 s"]
        assert main(words) == OK
        out = capsys.readouterr().out
        assert f"{ADDRESS} (1-wire): 28.5 °C" in out
        assert "measures the board itself" in out


class TestFind:
    def test_the_warmed_one_is_named(self, broker: Broker, capsys: pytest.CaptureFixture[str]) -> None:
        """The topic whose temperature rises is named with the lines to paste."""
        with talking(broker, warmed="b"):
            words = ["find", "--sysfs", "/nowhere", "--broker", "127.0.0.1", "--port", str(broker.port)]
            assert main([*words, "--for", "25 s", "--json"]) == OK
        answer = json.loads(capsys.readouterr().out)
        assert answer["name"] == "cellar/b"
        assert answer["rise"] >= 1
        assert 'topic = "cellar/b"' in answer["lines"][1]

    def test_none_is_named_where_none_rises(self, broker: Broker, capsys: pytest.CaptureFixture[str]) -> None:
        """After its time it ends with 1 and says what to do."""
        with talking(broker):
            words = ["find", "--sysfs", "/nowhere", "--broker", "127.0.0.1", "--port", str(broker.port)]
            assert main([*words, "--for", "2 s"]) == FOUND
        assert "warm one sensor only" in capsys.readouterr().err

    def test_a_wrong_span_is_refused(self, capsys: pytest.CaptureFixture[str]) -> None:
        """--for takes a span of time."""
        assert main(["find", "--for", "soon"]) == USAGE
        assert "span of time" in capsys.readouterr().err


def _config(folder: Path, text: str, **secrets: str) -> Path:
    (folder / "credentials").mkdir(mode=0o700, exist_ok=True)
    for name, secret in secrets.items():
        (folder / "credentials" / name).touch(0o600)
        (folder / "credentials" / name).write_text(secret)
    path = folder / "room.toml"
    path.write_text(text)
    return path


class TestCheck:
    def test_what_differs_from_what_runs_is_shown(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """An edit that is not applied yet stands below, in words and for programs; an equal text has none."""
        hand = Handled(tmp_path, room("box-1"))
        hand.start()
        hand.pass_time(5000)
        hand.end()
        assert main(["check", str(hand.config), "--json"]) == OK
        assert json.loads(capsys.readouterr().out)["changes"] == []
        hand.config.write_text(hand.text.replace('safe = ["26 C", "33 C"]', 'safe = ["25 C", "33 C"]'))
        assert main(["check", str(hand.config), "--json"]) == OK
        (first, *_) = json.loads(capsys.readouterr().out)["changes"]
        assert first == "box-1: everywhere, temperature, day, safe: 26 °C to 33 °C → 25 °C to 33 °C"
        assert main(["check", str(hand.config)]) == OK
        assert "compared with what runs:\n  box-1:" in capsys.readouterr().out

    def test_a_bus_that_cannot_keep_its_pace_is_said(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Two thermometers of 750 ms on one bus cannot both be read each second."""
        tree = Tree(tmp_path / "sys")
        text = '[room]\nsysfs = "sys"\n'
        for number in range(2):
            address = f"28-0316a2794b{number:02x}"
            tree.wire(address, {"w1_slave": scratchpad(28.5)})
            text += f'[[place]]\nname = "p{number}"\nkind = "room"\n[[place.sensor]]\n'
            text += f'read = {{ by = "1-wire", address = "{address}", every = "1 s" }}\n'
        assert main(["check", str(_config(tmp_path, text))]) == OK
        assert "longer than every = 1 s" in capsys.readouterr().out

    def test_reach_tries_everything_and_sends_nothing(
        self, tmp_path: Path, broker: Broker, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Broker, contacts and servers answer: 0, and no message arrives; no secret is printed."""
        text = f'[broker]\nport = {broker.port}\n[[contact]]\nname = "a"\nreach = "web"\n'
        text += (
            '[[contact]]\nname = "b"\nreach = "mail"\n[watch]\nheartbeat = "beat"\n[uplink]\nurl = "{url}"\n'
        )
        with http_receiver() as phone, smtp_receiver() as mail:
            path = _config(
                tmp_path,
                text.replace("{url}", phone.url("")),
                web=phone.reach("topsecret"),
                mail=mail.reach(),
                beat=phone.url("topsecret"),
                uplink="token",
            )
            assert main(["check", str(path), "--reach", "--json"]) == OK
            assert (phone.got, mail.got) == ([], [])
        out = capsys.readouterr().out
        tried = json.loads(out)["reach"]
        assert [one["what"] for one in tried] == ["broker", "contact a", "contact b", "uplink", "heartbeat"]
        assert all(one["holds"] for one in tried)
        assert "topsecret" not in out

    @pytest.mark.parametrize(
        ("secret", "words"),
        [
            (f"json://127.0.0.1:{dead_port()}/x", "no connection to its server"),
            ("nonsense://x", "no service understands its address"),
            ("", "no address is there"),
        ],
        ids=["dead server", "no service", "missing"],
    )
    def test_reach_ends_with_1_where_one_fails(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str], secret: str, words: str
    ) -> None:
        """A contact whose address leads nowhere is named with the reason."""
        path = _config(tmp_path, '[[contact]]\nname = "a"\nreach = "web"\n', web=secret)
        assert main(["check", str(path), "--reach"]) == FOUND
        assert f"NOT contact a: {words}" in capsys.readouterr().out


def test_the_pasted_lines_of_start_are_those_of_sensors(tmp_path: Path, broker: Broker) -> None:
    """What start writes for a topic that it heard has the pointers that were found."""
    with talking(broker):
        words = ["start", "--dir", str(tmp_path), "--broker", "127.0.0.1", "--port", str(broker.port)]
        assert main([*words, "--for", "1 s", "--place", "x, enclosure, , cellar/a"]) == OK
    read = load(tmp_path / "room.toml", {}).model.place[0].sensor[0].read
    assert (read.by, getattr(read, "temperature", "")) == ("mqtt", "/t")
