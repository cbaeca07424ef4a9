"""The watch is killed at random moments: against a real broker and real receivers nothing is lost."""

import random
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.record import Asked
from tests.kit.broker import Broker, until
from tests.kit.history import History, judged
from tests.kit.receivers import http_receiver
from tests.kit.watch import Feeder, Layout, LiveWatch, message, missing, wall

SENSORS = 10
READINGS = 2_000
INFLIGHT = ("max_inflight_messages 1000",)


def published(watch: LiveWatch, first: int, count: int) -> list[tuple[str, int, float]]:
    """Publish a stretch of readings; give what the broker took: all of it."""
    layout, start = watch.layout, wall()
    sent = [
        (f"box-{n % SENSORS}", start + n, round(29 + n % 70 / 100, 2)) for n in range(first, first + count)
    ]
    watch.broker.publish(message(layout, int(name[4:]), celsius, stamp) for name, stamp, celsius in sent)
    return sent


class TestThreeKills:
    @pytest.mark.parametrize("stamped", [True, False], ids=["stamped", "unstamped"])
    def test_two_thousand_readings_survive_three_kills(self, tmp_path: Path, *, stamped: bool) -> None:
        """Stamped, each reading is on the card exactly once; unstamped, none is missing and repeats count."""
        dice = random.Random(3)
        layout = Layout(sensors=SENSORS, stamped=stamped, window=400)
        with (
            Broker(tmp_path / "broker", extra=INFLIGHT) as broker,
            LiveWatch(tmp_path / "w", layout, broker) as watch,
        ):
            sent = []
            for part in range(4):
                sent += published(watch, part * READINGS // 4, READINGS // 4)
                if part < 3:
                    time.sleep(dice.uniform(0.1, 1.2))
                    watch.kill()
                    watch.start(wait=part == 2)
            until(lambda: len(watch.entries()) >= READINGS, "all are on the card", 40)
            time.sleep(1.5)
            values = Counter((one.sensor, one.raw) for one in watch.entries())
            expected = Counter((name, celsius) for name, _, celsius in sent)
            assert not expected - values
            repeats = sum((values - expected).values())
            assert repeats <= 3 * 1000, "more than the broker may have had on its way"
            if stamped:
                assert repeats == 0
                with watch.archive() as archive:
                    verdict = judged(archive, History(acked=sent, sent=set(sent)))
                assert verdict.faults == 0, str(verdict)
            assert watch.starts == 4


def killed_often(folder: Path, kills: int, seed: int) -> None:
    """Kill the watch at random moments while readings, orders and alarms go on; hold it to account."""
    dice = random.Random(seed)
    layout = Layout(sensors=4, hold="2 s")
    with (
        http_receiver() as receiver,
        Broker(folder / "broker", extra=INFLIGHT) as broker,
        LiveWatch(folder / "w", replace(layout, contacts={"first": receiver.reach()}), broker) as watch,
        Feeder(watch, pace=0.05) as feeder,
    ):
        places = 0
        for kill in range(kills):
            feeder.celsius = 36.0 if kill % 3 == 1 else 29.5
            time.sleep(dice.uniform(0.05, 1.2))
            if kill % 4 == 2:
                done = watch.command("service", f"box-{places % 4}", "out" if places % 2 == 0 else "in")
                assert done.returncode == 0, done.stderr
                places += 1
            watch.kill()
            watch.start(wait=dice.random() < 0.7 or kill == kills - 1)
        feeder.celsius = 29.5
        time.sleep(2)
        feeder.stop()
        until(lambda: not missing(watch, feeder.acked), "all readings are on the card", 20)
        with watch.archive() as archive:
            history = History(acked=list(feeder.acked))
            history.take(receiver.got)
            verdict = judged(archive, history)
            assert verdict.faults == 0, str(verdict)
            assert archive.alarms()
            assert history.delivered
            orders = archive.orders()
            assert len(orders) == places
            assert archive.verify() == []
        until(lambda: all(one.taken for one in _orders(watch)), "every order is taken", 10)
        assert "Traceback" not in watch.log, watch.log


def _orders(watch: LiveWatch) -> list[Asked]:
    with watch.archive() as archive:
        return list(archive.orders())


class TestManyKills:
    @pytest.mark.parametrize("seed", [11, 13])
    def test_five_kills_lose_nothing(self, tmp_path: Path, seed: int) -> None:
        """No reading, order or alert is lost over kills at random moments."""
        killed_often(tmp_path, 5, seed)

    @pytest.mark.full
    @pytest.mark.timeout(300)
    def test_twenty_five_kills_lose_nothing(self, tmp_path: Path) -> None:
        """The same twenty-five times."""
        killed_often(tmp_path, 25, seed=12)
