"""Every detector: snapshots are exact, and the same readings give the same verdicts."""

import json
import math
import random

import pytest

from rules.agreement import Agreement
from rules.coldstore import ColdStore, ColdStoreParams
from rules.common import CommonFall
from rules.condensation import Condensation
from rules.cooling import Cooling, CoolingParams
from rules.creeping import Creeping, Crept
from rules.cusum import Offset
from rules.degreehours import DegreeHours
from rules.drying import DryingOut
from rules.egg import EggLag, EggLagParams
from rules.gaps import Gaps
from rules.heading import Heading
from rules.mirrored import Mirrored
from rules.moisture import MoistureReference
from rules.outdoor import Ahead, SunOnSensor
from rules.plan import Store
from rules.rate import Erratic
from rules.reading import MINUTE
from rules.saturation import Saturated
from rules.shifted import Shifted
from rules.spike import Spike
from rules.stuck import Stuck
from rules.swinging import Swinging
from rules.thermal import BoxConstant
from rules.verdict import Verdict


def common(detector, at, t):
    """Let one of three places get too cool, or all be right again."""
    if t > 31:
        return detector.sweep(lambda *_: False)
    place = f"box-{int(t * 10) % 3}"
    return detector.see(place, (place, "air", "too cool"), at, 3)


# Every entry is called in one way, whichever of the values it needs.
# ruff: noqa: ARG005
CALLS = {
    Agreement: lambda d, at, t, h: d.see(at, t, 30.0),
    Ahead: lambda d, at, t, h: d.see(at, t, 26.0, 33.0),
    BoxConstant: lambda d, at, t, h: d.see(at, t, 20.0),
    CommonFall: lambda d, at, t, h: common(d, at, t),
    ColdStore: lambda d, at, t, h: d.see(at, t - 25, 21.0),
    Condensation: lambda d, at, t, h: d.see(at, t, h, t - 2),
    Cooling: lambda d, at, t, h: d.see(at, t),
    Creeping: lambda d, at, t, h: d.see(at, t, 29.0, 31.0),
    Crept: lambda d, at, t, h: d.see(at, t),
    DegreeHours: lambda d, at, t, h: d.see(at, t, 29.0, 31.0),
    DryingOut: lambda d, at, t, h: d.see(at, t, h, 60.0),
    EggLag: lambda d, at, t, h: d.see(at, t),
    Erratic: lambda d, at, t, h: d.see(at, t),
    Gaps: lambda d, at, t, h: d.see(at),
    Heading: lambda d, at, t, h: d.see(at, t, 26.0, 33.0, 20.0),
    Mirrored: lambda d, at, t, h: d.see(at, t, h),
    MoistureReference: lambda d, at, t, h: d.see(at, t, h),
    Offset: lambda d, at, t, h: d.see(at, t - 30),
    Saturated: lambda d, at, t, h: d.see(at, h),
    Shifted: lambda d, at, t, h: d.see(at, t),
    Spike: lambda d, at, t, h: d.see(at, t),
    Stuck: lambda d, at, t, h: d.see(at, t, h),
    SunOnSensor: lambda d, at, t, h: d.see(at, t, h, day=True),
    Swinging: lambda d, at, t, h: d.see(at, t),
}

PARAMS = {
    ColdStore: ColdStoreParams.of(Store.REFRIGERATOR),
    Cooling: CoolingParams(learning=6, least=10 * MINUTE),
    EggLag: EggLagParams(20 * MINUTE),
}


def fresh(kind):
    """Give a new detector of a kind."""
    return kind(PARAMS[kind]) if kind in PARAMS else kind()


def wild(seed, count=3000):
    """Give readings through a few days: calm, a fall, wet, leaps, gaps."""
    rng = random.Random(seed)
    at, readings = MINUTE, []
    for index in range(count):
        at += rng.choice([60_000, 60_000, 60_000, 120_000, 30_000]) if rng.random() > 0.002 else 3 * 3_600_000
        calm = 30 + 0.3 * math.sin(index / 9) + rng.gauss(0, 0.05)
        fall = 6 * (1 - math.exp(-(index - 1500) / 80)) if 1500 < index < 1700 else 0.0
        leap = rng.choice([-4.0, 4.0]) if 2000 < index < 2060 else 0.0
        humidity = 99.5 if 2300 < index < 2500 else 80 - index * 0.006 + rng.gauss(0, 0.3)
        readings.append((at, round(calm - fall + leap, 3), round(humidity, 3)))
    return readings


def judged(kind, detector, readings):
    """Give all verdicts of a run."""
    return [CALLS[kind](detector, *reading) for reading in readings]


@pytest.mark.parametrize("kind", CALLS, ids=lambda kind: kind.__name__)
class TestMemory:
    def test_snapshot_is_exact(self, kind):
        """A detector that is stored as JSON anywhere and restored goes on as if nothing had been."""
        readings = wild(1)
        straight = fresh(kind)
        verdicts = judged(kind, straight, readings)
        for cut in (1, 700, 1551, 1620, 2031, 2440):
            first = fresh(kind)
            before = judged(kind, first, readings[:cut])
            text = json.dumps(first.state(), allow_nan=False)
            second = kind.restored(first.params, json.loads(text))
            assert before + judged(kind, second, readings[cut:]) == verdicts, cut
            assert second.state() == straight.state()

    def test_snapshot_shares_nothing(self, kind):
        """A stored state does not change when the detector goes on."""
        detector = fresh(kind)
        judged(kind, detector, wild(2, 800))
        state = detector.state()
        text = json.dumps(state)
        judged(kind, kind.restored(detector.params, state), wild(3, 800))
        judged(kind, detector, [(at + 10**9, t, h) for at, t, h in wild(3, 800)])
        assert json.dumps(state) == text

    def test_deterministic(self, kind):
        """The same readings give the same verdicts."""
        readings = wild(4, 1500)
        assert judged(kind, fresh(kind), readings) == judged(kind, fresh(kind), readings)

    def test_verdicts_alternate(self, kind):
        """Nothing is cleared that was not raised, and no clearing comes twice."""
        open_rules = set()
        for verdict in judged(kind, fresh(kind), wild(5)):
            if not isinstance(verdict, Verdict):
                continue
            if verdict.wrong:
                open_rules.add(verdict.rule)
                assert verdict.reason
            else:
                assert verdict.rule in open_rules
                open_rules.remove(verdict.rule)
