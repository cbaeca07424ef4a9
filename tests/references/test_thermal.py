"""Newton's law of cooling: vectors computed from the closed form (Incropera & DeWitt ch. 5)."""

import math
import random

import pytest

from rules.egg import EggLag, EggLagParams, lag_of_mass
from rules.reading import MINUTE
from rules.thermal import DecayFit, Surroundings, cooled, forecast, time_to_limit

EXACT = [30.0, 29.4596, 28.9484, 28.4648, 28.0074, 27.5747, 27.1653]
SIXTEENTH = [30.0, 29.4375, 28.9375, 28.4375, 28.0, 27.5625, 27.1875]
TENTH = [30.0, 29.5, 28.9, 28.5, 28.0, 27.6, 27.2]


def fitted(values, ambient=20.0):
    """Fit points that are five minutes apart; give τ in minutes."""
    fit = DecayFit()
    for index, value in enumerate(values):
        fit.add(5.0 * index, value, ambient)
    return fit.tau()


class TestVectors:
    @pytest.mark.parametrize(
        ("minutes", "value"),
        [(0, 30.0), (15, 28.464817), (30, 27.165313), (45, 26.065307), (60, 25.134171), (90, 23.678794),
         (120, 22.635971), (180, 21.353353)],
        ids=str,
    )  # fmt: skip
    def test_a_curve(self, minutes, value):
        """Vector A: a box of 90 min from 30 °C in a room of 20 °C."""
        assert cooled(30, 20, 90, minutes) == pytest.approx(value, abs=1e-6)

    def test_a_limit(self):
        """Vector A: 26 °C is reached after 45.974306 min."""
        assert time_to_limit(30, 20, 90, 26) == pytest.approx(45.974306, abs=1e-6)

    @pytest.mark.parametrize("limit", [20, 19, 30, 31], ids=str)
    def test_unreachable_limit(self, limit):
        """A limit that is not strictly between the two is never reached."""
        assert time_to_limit(30, 20, 90, limit) is None

    @pytest.mark.parametrize(
        ("values", "tau"),
        [(EXACT, 90.0), (SIXTEENTH, 90.643), (TENTH, 91.003)],
        ids=["exact", "1/16 K", "0.1 K"],
    )
    def test_b_fit(self, values, tau):
        """Vector B: τ of seven points, exact and at two resolutions."""
        assert fitted(values) == pytest.approx(tau, abs=0.01)

    @pytest.mark.parametrize(
        ("ambient", "tau", "minutes"), [(19, 100.662, 45.498), (21, 79.319, 46.623)], ids=str
    )
    def test_c_wrong_ambient(self, ambient, tau, minutes):
        """Vector C: a wrong ambient spoils τ by 12 %, the time to the limit by 1.4 %."""
        found = fitted(EXACT, ambient)
        assert found == pytest.approx(tau, abs=0.01)
        assert time_to_limit(30, ambient, found, 26) == pytest.approx(minutes, abs=0.01)

    def test_d_band(self):
        """Vector D: the early bound is that of the delta method and before the true 5 % point."""
        ahead = forecast(30, 26, Surroundings(20, 90, 1.0, 0.1))
        assert ahead is not None
        assert ahead.early == pytest.approx(33.5, abs=0.1)
        assert ahead.late == pytest.approx(58.4, abs=0.1)
        rng = random.Random(1)
        times = []
        for _ in range(20_000):
            tau, ambient = 90 * math.exp(rng.gauss(0, 0.1)), rng.gauss(20, 1)
            times.append(time_to_limit(30, ambient, tau, 26) or math.inf)
        times.sort()
        assert times[len(times) // 2] == pytest.approx(46.1, abs=0.4)
        assert times[len(times) // 20] == pytest.approx(35.6, abs=0.6)
        assert times[len(times) // 20] > ahead.early

    def test_e_heater_known(self):
        """Vector E: the discrete law with a heater of 15 K, as the egg's filter steps it."""
        a = math.exp(-60 / 5400)
        assert a == pytest.approx(0.9889503893, abs=1e-10)
        value, seen = 24.0, {}
        for k, on in enumerate([1] * 30 + [0] * 30 + [1] * 10, start=1):
            value = cooled(value, 20 + 15 * on, 90, 1)
            seen[k] = value
        expected = {1: 24.12154572, 30: 27.11815558, 31: 27.03950274, 60: 25.10038135, 70: 26.14143201}
        assert {k: seen[k] for k in expected} == pytest.approx(expected, abs=1e-7)

    def test_f_refrigerator(self):
        """Vector F: from 3 °C in 22 °C with 600 min, 5 °C after 66.735 and 8 °C after 183.229 min."""
        assert time_to_limit(3, 22, 600, 5) == pytest.approx(66.735, abs=1e-3)
        assert time_to_limit(3, 22, 600, 8) == pytest.approx(183.229, abs=1e-3)


class TestEgg:
    @pytest.mark.parametrize(("grams", "minutes"), [(1, 12.9), (10, 27.8), (20, 35.0), (50, 47.5)], ids=str)
    def test_lag_of_mass(self, grams, minutes):
        """The lag of a sphere in still air (table computed from m·c/(h·A))."""
        assert lag_of_mass(grams) / MINUTE == pytest.approx(minutes, abs=0.06)

    @pytest.mark.parametrize("grams", [0, -1, math.nan, math.inf], ids=str)
    def test_mass_must_be_above_zero(self, grams):
        """A mass that is none is refused."""
        with pytest.raises(ValueError, match="above 0 g"):
            lag_of_mass(grams)

    @pytest.mark.parametrize(("minutes", "fallen"), [(35, 3.16), (70, 4.32), (105, 4.75)], ids=str)
    @pytest.mark.parametrize("steps", [1, 7, 100], ids=str)
    def test_step_is_exact_for_any_steps(self, minutes, fallen, steps):
        """After a step of -5 K an egg of 35 min has fallen as the law says, however it is sampled."""
        egg = EggLag(EggLagParams(35 * MINUTE, cover=1000 * MINUTE))
        egg.see(0, 30.0)
        egg.see(1, 25.0)
        for step in range(1, steps + 1):
            felt = egg.see(1 + minutes * MINUTE * step // steps, 25.0)
        assert 30 - felt == pytest.approx(fallen, abs=0.01)

    def test_lid_hardly_reaches_the_egg(self):
        """Two minutes at 24 °C cool a 10 g egg from 30 °C by less than half a degree."""
        egg = EggLag(EggLagParams(lag_of_mass(10), cover=MINUTE))
        felt = [egg.see(step * 30_000, 24.0 if 10 <= step < 14 else 30.0) for step in range(30)]
        assert 29.5 < min(felt) < 29.7

    def test_long_gap_begins_anew(self):
        """After a long gap the egg is taken to be as the air is; a short one is bridged."""
        egg = EggLag(EggLagParams(30 * MINUTE, cover=MINUTE))
        egg.see(0, 30.0)
        assert 29 < egg.see(5 * MINUTE, 25.0) < 30
        assert egg.see(60 * MINUTE, 22.0) == 22.0
        assert egg.see(59 * MINUTE, 10.0) == 22.0
