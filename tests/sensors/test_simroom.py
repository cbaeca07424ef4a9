"""The simulated room: its physics, its faults, and that it plays the same each time."""

import math
import time
from collections import defaultdict
from dataclasses import replace

import pytest

from rules.plan import ContactKind, PlaceKind, Store
from rules.reading import DAY, HOUR, MINUTE, Quality, Quantity
from sensors.happenings import DISTURBANCES, FAULTS, NATURES, Happening, Happens, Target
from sensors.reader import Inbox
from sensors.scene import Scene, SimPlace, SimSensor, possible, truths, with_disturbances, with_faults
from sensors.simroom import Heard, SimRoom
from sensors.simulated import SimulatedReader
from tests.sensors.conftest import Judge, boottime

T, H, C = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.CONTACT
SPOTS = {
    PlaceKind.ENCLOSURE: ("cool side", "warm side", "basking surface"),
    PlaceKind.BOX: ("substrate", "air"),
}


def scene(seed: int = 1, *happenings: Happening, boxes: int = 2) -> Scene:
    """Make a room with one of each kind of place and a few boxes."""
    places = [
        SimPlace("room", PlaceKind.ROOM),
        SimPlace("incubator", PlaceKind.INCUBATOR),
        *(SimPlace(f"box-{n}", PlaceKind.BOX, "incubator", humidity=80) for n in range(boxes)),
        SimPlace("enclosure", PlaceKind.ENCLOSURE),
        SimPlace("pen", PlaceKind.OUTDOOR),
        SimPlace("fridge", PlaceKind.COLD_STORE, store=Store.REFRIGERATOR),
        SimPlace("freezer", PlaceKind.COLD_STORE, store=Store.FREEZER),
    ]
    sensors = [
        SimSensor(f"{place.name} {spot}", place.name, spot, stamped=True)
        for place in places
        for spot in SPOTS.get(place.kind, ("air",))
    ]
    sensors.append(SimSensor("mains", "room", contact=ContactKind.MAINS, every=MINUTE))
    sensors.append(SimSensor("lid", "box-0", contact=ContactKind.LID, every=MINUTE))
    return Scene(seed, tuple(places), tuple(sensors), happenings)


def curves(played: list[Heard], quantity: Quantity = T) -> dict[str, list[tuple[int, float]]]:
    """Sort what was heard by sensor."""
    sorted_: dict[str, list[tuple[int, float]]] = defaultdict(list)
    for one in played:
        if quantity in one.values:
            sorted_[one.sensor].append((one.at, one.values[quantity]))
    return sorted_


def play(one: Scene, hours: float, quantity: Quantity = T) -> dict[str, list[tuple[int, float]]]:
    """Play a scene and give its curves."""
    return curves(SimRoom(one).advance(round(hours * HOUR)), quantity)


def between(curve: list[tuple[int, float]], start: float, end: float) -> list[float]:
    """Give the values between two hours."""
    return [value for at, value in curve if start * HOUR <= at < end * HOUR]


class TestPlaying:
    def test_same_seed_same_night(self) -> None:
        """Two equal scenes play alike, another seed differs."""
        first = SimRoom(scene(7)).advance(2 * HOUR)

        assert SimRoom(scene(7)).advance(2 * HOUR) == first
        assert SimRoom(scene(8)).advance(2 * HOUR) != first

    @pytest.mark.parametrize("stride", [1_000, 9_999, 61_000, 20 * MINUTE])
    def test_pace_of_advancing_changes_nothing(self, stride: int) -> None:
        """In small strides or in one, the same is heard."""
        one = with_faults(scene(3), (Happens.HEATER_LOST, Happens.SPIKES), first=10 * MINUTE, gap=20 * MINUTE)
        whole = SimRoom(one).advance(HOUR)
        room, parts = SimRoom(one), []
        for to in range(0, HOUR + stride, stride):
            parts += room.advance(min(to, HOUR))

        assert sorted(parts, key=str) == sorted(whole, key=str)

    def test_another_sensor_changes_no_curve(self) -> None:
        """Chance belongs to each sensor: one more leaves the others as they were."""
        one = scene(3)
        more = replace(one, sensors=(*one.sensors, SimSensor("extra", "pen")))

        assert play(one, 2)["incubator air"] == play(more, 2)["incubator air"]

    def test_readings_come_at_their_pace(self) -> None:
        """Each sensor speaks at its interval, less what is lost."""
        one = scene(3)
        lossy = replace(one, sensors=(replace(one.sensors[1], lost=0.02), *one.sensors[2:]))

        assert len(play(one, 2)["incubator air"]) in {239, 240}
        assert 220 <= len(play(lossy, 2)["incubator air"]) < 239

    def test_night_of_twenty_places_is_quick(self) -> None:
        """Twelve hours of twenty places at 30 s take a few seconds of processor time at most."""
        before = time.process_time()
        played = SimRoom(scene(1, boxes=14)).advance(12 * HOUR)

        assert len(played) > 40_000
        assert time.process_time() - before < 20

    @pytest.mark.parametrize(
        "change",
        [
            {"places": (SimPlace("a", PlaceKind.BOX, "later"),)},
            {"places": (SimPlace("a", PlaceKind.BOX), SimPlace("a", PlaceKind.BOX))},
            {"sensors": (SimSensor("s", "nowhere"),)},
            {"sensors": (SimSensor("s", "room"), SimSensor("s", "room"))},
            {"happenings": (Happening(0, Happens.STUCK, "nobody"),)},
        ],
        ids=["order", "twice", "place", "names", "who"],
    )
    def test_impossible_scene_is_refused(self, change: dict[str, object]) -> None:
        """A scene that cannot be played is refused with the reason."""
        with pytest.raises(ValueError, match=r'"|two'):
            replace(scene(), **change)  # type: ignore[arg-type]


class TestPhysics:
    def test_undisturbed_places_stay_around_their_target(self) -> None:
        """Two days without a fault: every place stays where it is kept."""
        played = play(scene(5), 48)
        kept = [("incubator air", 30, 0.8), ("box-0 substrate", 29.5, 0.8), ("fridge air", 3, 2)]
        for name, around, off in [*kept, ("room air", 20, 3)]:
            values = [v for _, v in played[name]]
            assert around - off < min(values), name
            assert max(values) < around + off, name
        assert min(v for _, v in played["freezer air"]) > -25
        assert max(v for _, v in played["freezer air"]) < -5

    def test_humidity_settles_where_it_is_kept(self) -> None:
        """Substrate and leak balance at the humidity that the place is kept around."""
        values = between(play(scene(5), 12, H)["box-1 air"], 6, 12)

        assert 76 < sum(values) / len(values) < 84

    def test_enclosure_follows_day_and_night(self) -> None:
        """By day the basking surface is hot and the cool side cool; by night all is near the night's air."""
        played = play(scene(5), 24)
        noon, night = (17.5, 18.5), (9.5, 10.5)  # the scene starts at 18 h
        day = {spot: between(played[f"enclosure {spot}"], *noon) for spot in SPOTS[PlaceKind.ENCLOSURE]}

        assert min(day["basking surface"]) > 36
        assert max(day["cool side"]) < 28
        assert (
            max(day["cool side"])
            < min(day["warm side"])
            < max(day["warm side"])
            < min(day["basking surface"])
        )
        assert max(between(played["enclosure basking surface"], *night)) < 24

    def test_lost_heater_falls_as_newton_says(self) -> None:
        """Without its heater an incubator falls exponentially, with the time constant of its fabric."""
        played = play(scene(5, Happening(2 * HOUR, Happens.HEATER_LOST, "incubator", lasting=DAY)), 8)
        curve, room = played["incubator air"], play(scene(5), 8)["room air"]
        ambient = sum(v for _, v in room) / len(room)
        start, end = between(curve, 3, 3.1), between(curve, 5, 5.1)
        drop = math.log((sum(start) / len(start) - ambient) / (sum(end) / len(end) - ambient))

        assert 7_200 / drop == pytest.approx(9_000, rel=0.15)

    def test_lid_opened_briefly_hardly_touches_the_mass(self) -> None:
        """Two minutes of open lid are felt by the air, hardly by the substrate."""
        lone = SimPlace("lone", PlaceKind.BOX, around=29.0)
        one = Scene(
            2,
            (lone,),
            (
                SimSensor("air", "lone", lag=0, noise=(0, 0)),
                SimSensor("deep", "lone", "substrate", noise=(0, 0)),
            ),
            (Happening(HOUR, Happens.LID_OPENED, "lone"),),
        )
        played = play(one, 1.5)
        air, deep = between(played["air"], 1, 1.1), between(played["deep"], 1, 1.1)

        assert min(air) < 26.5
        assert min(deep) > 28.0
        assert min(between(play(one, 1.5, H)["air"], 1, 1.1)) < 70

    def test_mains_lost_stops_everything_and_its_contact_says_so(self) -> None:
        """All heat and cold ends with the mains and comes back with it."""
        one = scene(5, Happening(2 * HOUR, Happens.MAINS_LOST, lasting=4 * HOUR))
        played = play(one, 12)
        for name, side in [
            ("incubator air", -1),
            ("box-0 substrate", -1),
            ("fridge air", 1),
            ("freezer air", 1),
        ]:
            before, during = between(played[name], 1, 2), between(played[name], 5.5, 6)
            assert side * (sum(during) / len(during) - sum(before) / len(before)) > 1, name
        mains = play(one, 12, C)["mains"]
        assert set(between(mains, 0.1, 1.9)) == {1.0}
        assert set(between(mains, 2.1, 5.9)) == {0.0}
        assert set(between(mains, 6.1, 12)) == {1.0}
        assert 29 < sum(between(played["incubator air"], 11, 12)) / 120 < 31

    def test_lid_contact_follows_the_lid(self) -> None:
        """The lid's contact is 0 while it is open."""
        lid = play(scene(5, Happening(HOUR, Happens.LID_LEFT_OPEN, "box-0")), 3, C)["lid"]

        assert set(between(lid, 0, 0.98)) == {1.0}
        assert set(between(lid, 1.02, 3)) == {0.0}

    def test_warming_a_wet_box_is_no_drying(self) -> None:
        """When the water is gone vapour pressure falls to what surrounds the box; a wet box keeps it."""
        room = SimRoom(scene(5, Happening(HOUR, Happens.DRYING_OUT, "box-0", lasting=DAY)))
        room.advance(HOUR)
        before = room.bodies["box-0"].vapour
        room.advance(HOUR + DAY - MINUTE)

        assert room.bodies["box-0"].vapour < 0.8 * before
        assert room.bodies["box-1"].vapour > 0.95 * before


EFFECTS = {
    Happens.HEATER_STUCK: ("incubator air", 2), Happens.SET_POINT_MOVED: ("incubator air", 2),
    Happens.LAMP_DEAD: ("enclosure basking surface", -5),
    Happens.LAMP_STUCK: ("enclosure basking surface", 5),
    Happens.COMPRESSOR_LOST: ("fridge air", 1), Happens.COMPRESSOR_STUCK: ("fridge air", -2),
    Happens.DEFROST_STUCK: ("freezer air", 5), Happens.DOOR_AJAR: ("freezer air", 2),
    Happens.FROST: ("pen air", -4),
    Happens.HEAT_WAVE: ("pen air", 4), Happens.ROOM_COLD: ("room air", -5), Happens.ROOM_HOT: ("room air", 5),
    Happens.LID_LEFT_OPEN: ("incubator air", -1), Happens.OFFSET: ("incubator air", 2),
    Happens.FELL_OUT: ("incubator air", -5), Happens.POWER_ON_VALUE: ("incubator air", 40),
    Happens.BUS_OPEN: ("incubator air", -100), Happens.THERMOSTAT_CREEPS: ("incubator air", 0.1),
    Happens.HEATER_WEAK: ("incubator air", -1), Happens.DRIFTS: ("incubator air", 0.1),
}  # fmt: skip
"""What a fault does to a curve: an hourly mean of its first 12 h is off by more than this, K."""


class TestFaults:
    def test_enough_kinds_are_known(self) -> None:
        """At least 24 kinds of fault can be planted in one scene, and everyday life besides."""
        one = scene()

        assert sum(bool(possible(one, kind)) for kind in FAULTS) >= 24
        assert set(FAULTS) | set(DISTURBANCES) == set(NATURES) == set(Happens)
        assert sum(NATURES[kind].damaging for kind in FAULTS) >= 12

    @pytest.mark.parametrize("kind", EFFECTS, ids=lambda kind: kind.value)
    def test_fault_moves_its_curve(self, kind: Happens) -> None:
        """The fault shows in the curve that it belongs to, against the same scene without it."""
        name, least = EFFECTS[kind]
        place = name.rsplit(" ", 1)[0] if "basking" not in name else "enclosure"
        who = {Target.ROOM: "", Target.PLACE: place, Target.SENSOR: name}[NATURES[kind].target]
        faulty = play(scene(5, Happening(HOUR // 2, kind, who, lasting=14 * HOUR)), 14)[name]
        sound = play(scene(5), 14)[name]
        off = [
            sum(between(faulty, h, h + 1)) / len(between(faulty, h, h + 1))
            - sum(between(sound, h, h + 1)) / len(between(sound, h, h + 1))
            for h in range(1, 13)
        ]

        assert (max(off) if least > 0 else -min(off)) > abs(least)

    def test_sensor_faults_leave_the_place_alone(self) -> None:
        """A faulty sensor changes what is heard, never what is."""
        one = with_faults(
            scene(5), [k for k in FAULTS if NATURES[k].target is Target.SENSOR], first=HOUR, gap=HOUR
        )
        faulty, sound = SimRoom(one), SimRoom(scene(5))
        faulty.advance(6 * HOUR)
        sound.advance(6 * HOUR)

        assert [b.air for b in faulty.bodies.values()] == [b.air for b in sound.bodies.values()]

    @pytest.mark.parametrize(
        ("kind", "quantity"), [(Happens.STUCK, T), (Happens.SATURATED, H), (Happens.ALL_ONES, H)]
    )
    def test_frozen_values_stay(self, kind: Happens, quantity: Quantity) -> None:
        """A stuck or saturated sensor gives one value."""
        played = play(scene(5, Happening(HOUR, kind, "box-0 air")), 3, quantity)["box-0 air"]

        assert len(set(between(played, 1.1, 3))) == 1

    def test_silence_gaps_and_no_number(self) -> None:
        """A silent sensor says nothing, a dying one less and less, a broken one no number."""
        silent = play(scene(5, Happening(HOUR, Happens.SILENT, "box-0 air")), 3)["box-0 air"]
        dying = play(scene(5, Happening(0, Happens.DYING_BATTERY, "box-0 air", lasting=4 * HOUR)), 4)[
            "box-0 air"
        ]
        broken = play(scene(5, Happening(HOUR, Happens.NO_NUMBER, "box-0 air")), 3)["box-0 air"]

        assert between(silent, 1.1, 3) == []
        assert len(between(dying, 3, 4)) < len(between(dying, 0, 1)) / 2
        assert all(math.isnan(v) for v in between(broken, 1.1, 3))

    def test_wrong_clock_only_moves_the_stamp(self) -> None:
        """A sensor whose clock is wrong gives the same values at the same instants."""
        heard = SimRoom(scene(5, Happening(HOUR, Happens.WRONG_CLOCK, "pen air"))).advance(2 * HOUR)
        off = {one.stamp - one.at for one in heard if one.sensor == "pen air" and one.stamp is not None}

        assert off == {0, 3_300_000}
        assert curves(heard) == play(scene(5), 2)

    def test_truths_name_place_sensor_onset_and_harm(self) -> None:
        """What is planted is listed for those who count what was found; disturbances are not."""
        one = scene(
            5,
            Happening(2 * HOUR, Happens.STUCK, "box-0 air"),
            Happening(HOUR, Happens.HEATER_LOST, "incubator"),
            Happening(0, Happens.LID_OPENED, "box-0"),
        )

        assert [(t.place, t.sensor, t.kind, t.start, t.damaging) for t in truths(one)] == [
            ("incubator", "", Happens.HEATER_LOST, HOUR, True),
            ("box-0", "box-0 air", Happens.STUCK, 2 * HOUR, False),
        ]

    def test_planting_by_seed(self) -> None:
        """Faults and everyday life are planted by the seed, where the scene can have them."""
        one = with_disturbances(with_faults(scene(9)), days=14)

        assert with_disturbances(with_faults(scene(9)), days=14) == one
        assert len(truths(one)) == sum(bool(possible(one, kind)) for kind in FAULTS)
        assert len(one.happenings) > 200
        hours = {(one.start_hour + h.at / HOUR) % 24 for h in one.happenings if not h.nature.fault}
        assert min(hours) > 7
        assert max(hours) < 22


class TestReader:
    def test_pumped_by_a_simulated_clock(self) -> None:
        """A night is pumped through the reader in no time, with instants of the simulated clock."""
        inbox = Inbox(size=100_000)
        one = SimulatedReader(
            scene(5, Happening(0, Happens.NO_NUMBER, "pen air")), lambda: 5_000, unix=10**12
        )
        taken = one.pump(inbox, 5_000 + HOUR)
        arrivals = inbox.drain()

        assert taken == len(arrivals) > 1_000
        assert all(5_000 <= a.arrived <= 5_000 + HOUR for a in arrivals)
        pen = [a for a in arrivals if getattr(a, "sensor", "") == "pen air"]
        assert {v.quality for a in pen for v in a.values.values()} == {Quality.NOT_A_NUMBER}  # type: ignore[union-attr]
        assert all(a.stamp == 10**12 + a.arrived - 5_000 for a in pen)  # type: ignore[union-attr, operator]

    def test_in_real_time(self, judge: Judge) -> None:
        """Started as a reader it speaks at its pace and ends when told."""
        fast = replace(scene(5), step=100, sensors=(SimSensor("s", "room", every=200),))
        one = judge.run(SimulatedReader(fast, boottime))
        judge.wait(5)
        one.stop()
        one.stop()
        judge.look()
        count = len(judge.arrivals)

        assert len(judge.look().arrivals) == count
