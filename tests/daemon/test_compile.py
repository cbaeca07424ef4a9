"""The plan that a config makes."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.calendars import WallOffset, at_hour, dates_calendar, hours_calendar, instant_of
from daemon.compile import Overrides, compile, correction_of, provenance  # noqa: A004  # the contract's own name
from daemon.settings import load_text
from daemon.settings_model import RoomFile
from daemon.units import Dates, Hours
from rules.calendar import Calendar
from rules.plan import ROOM_DAY, ContactKind, PlacePlan, Plan, Priority, SensorPlan, SpotRange, Stage
from rules.reading import HOUR, MINUTE, Quantity
from rules.span import Range, Span

T, H = Quantity.TEMPERATURE, Quantity.HUMIDITY
HEAD = '[room]\ntime_zone = "Europe/Lisbon"\n[broker]\n'
CLOCK = WallOffset(1_790_000_000_000)


def _model(text: str) -> RoomFile:
    """Load a text under the usual head."""
    return load_text(HEAD + text, Path("room.toml"), {}).model


def _plan(text: str, **more: object) -> Plan:
    """Compile a text at room time 0."""
    return compile(_model(text), now=0, clock=CLOCK, **more)  # type: ignore[arg-type]


def _place(plan: Plan, name: str) -> PlacePlan:
    """Pick a place."""
    return next(place for place in plan.places if place.name == name)


def _sensor(plan: Plan, name: str) -> SensorPlan:
    """Pick a sensor."""
    return next(sensor for sensor in plan.sensors if sensor.name == name)


def _range(place: PlacePlan, spot: str, quantity: Quantity) -> SpotRange:
    """Pick a range."""
    return next(each for each in place.ranges if (each.spot, each.quantity) == (spot, quantity))


BOX = '[[place]]\nname = "box"\nkind = "box"\nspecies = "Paroedura picta"\nstage = "incubation"\n'


def test_a_boxs_own_numbers_win_for_the_whole_place() -> None:
    """Own temperature replaces the table's; humidity stays the table's, for every spot."""
    box = _place(
        _plan(BOX + 'temperature = { ideal = ["28.5 C", "31 C"], safe = ["26 C", "33 C"] }\n'), "box"
    )
    own = Range(Span(28.5, 31.0), Span(26.0, 33.0))
    assert _range(box, "", T) == SpotRange("", T, own, own, 0.3)
    assert _range(box, "", H).day == Range(Span(70, 85), Span(60, 95))


@pytest.mark.parametrize(
    ("own", "whole"),
    [
        ('{ ideal = ["27 C", "30 C"] }', Range(Span(27, 30), Span(24, 31))),
        ('{ safe = ["26 C", "33 C"] }', Range(Span(26, 29), Span(26, 33))),
        ('{ safe = ["30 C", "33 C"] }', Range(None, Span(30, 33))),
        ('{ safe = ["none", "33 C"] }', Range(Span(25, 29), Span(None, 33))),
    ],
    ids=["ideal only", "safe cuts ideal", "safe elsewhere", "one-sided"],
)
def test_what_the_keeper_leaves_out_is_derived(own: str, whole: Range) -> None:
    """Safe is derived around an own ideal; the table's ideal is cut to an own safe."""
    assert _range(_place(_plan(BOX + f"temperature = {own}\n"), "box"), "", T).day == whole


def test_a_cold_stores_published_limit_stays_with_an_own_ideal() -> None:
    """Own ideal in a refrigerator keeps the safe limit, and widens it only to hold that ideal."""
    store = '[[place]]\nname = "c"\nkind = "cold-store"\nstore = "refrigerator"\n'
    cold = _place(_plan(store), "c")
    assert (cold.hold_ideal, cold.hold_safe) == (60 * MINUTE, 45 * MINUTE)
    assert _range(cold, "", T).day == Range(Span(0, 3.9), Span(None, 4.4))
    for own, safe in (('["1 C", "4 C"]', Span(None, 4.4)), ('["1 C", "6 C"]', Span(None, 6))):
        whole = _range(_place(_plan(store + f"temperature = {{ ideal = {own} }}\n"), "c"), "", T).day
        assert whole is not None
        assert whole.safe == safe


def test_spots_and_periods_of_an_enclosure() -> None:
    """Own numbers of one spot and period are laid over the table's, the rest stays."""
    plan = _plan(
        '[[place]]\nname = "e"\nkind = "enclosure"\nspecies = "bearded dragon"\nstage = "adult"\n'
        '[[place.range]]\nspot = "basking surface"\nwhen = "day"\n'
        'temperature = { ideal = ["39 C", "41 C"], safe = ["32 C", "48 C"] }\n'
    )
    place = _place(plan, "e")
    basking = _range(place, "basking surface", T)
    assert basking.day == Range(Span(39, 41), Span(32, 48))
    assert basking.night is None
    assert _range(place, "cool side", T).day == Range(Span(22, 26), Span(18, 30))


def test_a_spots_other_period_falls_back_to_the_whole_place() -> None:
    """A spot with a range by day only keeps the place's range by night."""
    plan = _plan(
        '[[place]]\nname = "e"\nkind = "incubator"\ntemperature = { safe = ["20 C", "30 C"] }\n'
        '[[place.range]]\nspot = "top"\nwhen = "day"\ntemperature = { safe = ["20 C", "35 C"] }\n'
    )
    top = _range(_place(plan, "e"), "top", T)
    assert (top.day, top.night) == (Range(None, Span(20, 35)), Range(None, Span(20, 30)))


@pytest.mark.parametrize(
    ("more", "stage", "lag"),
    [
        ('egg_mass = "1 g"\n', None, 12.9),
        ('egg_mass = "20 g"\n', None, 35.0),
        ('egg_mass = "20 g"\nlag = "25 min"\n', None, 25.0),
        ('lag = "0 min"\n', None, None),
        ("", None, None),
        ('egg_mass = "20 g"\n', Stage.HATCHING, 35.0),
        ('egg_mass = "20 g"\n', Stage.ADULT, None),
    ],
    ids=["1 g", "20 g", "measured", "none", "unknown", "hatching", "no eggs"],
)
def test_the_lag_of_an_egg(more: str, stage: Stage | None, lag: float | None) -> None:
    """Measured wins over mass; only a box with eggs has one."""
    ordered = Overrides(stage={"box": stage} if stage else {})
    found = _place(_plan(BOX + more, overrides=ordered), "box").egg_lag
    assert (found is None) if lag is None else (found is not None and abs(found / MINUTE - lag) < 0.1)


def test_orders_win_over_the_config() -> None:
    """Stage, species and use as ordered; what the table lacks is judged by nothing."""
    ordered = Overrides(stage={"box": Stage.HATCHING}, species={"box": "corn snake"}, in_use={"box": False})
    box = _place(_plan(BOX, overrides=ordered), "box")
    assert (box.stage, box.species, box.in_use) == (Stage.HATCHING, "Pantherophis guttatus", False)
    assert _range(box, "", H).day == Range(Span(80, None), Span(70, None))
    assert _place(_plan(BOX, overrides=Overrides(stage={"box": Stage.ADULT})), "box").ranges == ()
    (effective,) = provenance(_model(BOX), ordered)
    assert (effective.stage_in_config, effective.species_in_config) == (Stage.INCUBATION, "Paroedura picta")


@pytest.mark.parametrize(
    ("kind", "more", "stage"),
    [
        ("box", 'species = "corn snake"\n', Stage.INCUBATION),
        ("enclosure", 'species = "corn snake"\n', Stage.ADULT),
        ("cold-store", 'store = "hibernation"\nspecies = "Testudo hermanni"\n', Stage.COOLING),
        ("incubator", 'species = "corn snake"\n', None),
        ("room", "", None),
    ],
    ids=str,
)
def test_the_usual_stage_of_a_kind(kind: str, more: str, stage: Stage | None) -> None:
    """Without a stage the usual one for the kind of place counts."""
    place = _place(_plan(f'[[place]]\nname = "a"\nkind = "{kind}"\n{more}'), "a")
    assert place.stage is stage
    assert bool(place.ranges) is (stage is not None)


def test_outdoors_waits_longer() -> None:
    """Outdoors: safe only, ten minutes."""
    place = _place(_plan('[[place]]\nname = "o"\nkind = "outdoor"\nspecies = "Testudo hermanni"\n'), "o")
    assert place.hold_safe == 10 * MINUTE
    assert all(r is None or r.ideal is None for each in place.ranges for r in (each.day, each.night))


SENSORS = BOX + (
    '[[place.sensor]]\nspot = "substrate"\nmodel = "SHT31"\ncorrection = { temperature = [[0.0, 0.3]], '
    "humidity = [[32.78, 35.1], [75.29, 72.0]] }\n"
    'read = { by = "mqtt", topic = "a", temperature = "/t", humidity = "/h", battery = "/b", '
    'every = "3 min" }\n'
    '[[place.sensor]]\ncontact = "lid"\nread = { by = "mqtt", topic = "b", every = "5 min" }\n'
    '[[place.sensor]]\nname = "past"\nread = { by = "import" }\n'
    '[[place.sensor]]\nname = "wire"\nsilence = "1 h"\nerror = { temperature = "0.9 F" }\n'
    'read = { by = "1-wire", address = "28-0316A2794BFF" }\n'
)


def test_sensors_in_the_rules_terms() -> None:
    """Names, quantities, silence, errors and corrections arrive in the plan."""
    plan = _plan(SENSORS)
    first = _sensor(plan, "box-substrate")
    assert first.quantities == (T, H, Quantity.BATTERY)
    assert (first.every, first.silence) == (3 * MINUTE, 15 * MINUTE)
    assert dict(first.error) == {T: 0.3, H: 2.0}
    assert first.corrections[T].apply(0.3) == 0.0
    assert first.corrections[H].apply(60.0) == pytest.approx(61.466)
    lid = _sensor(plan, "box-lid")
    assert (lid.contact, lid.on_change, lid.quantities) == (ContactKind.LID, True, (Quantity.CONTACT,))
    past = _sensor(plan, "past")
    assert (past.imported, past.silence, past.every) == (True, 0, HOUR)
    wire = _sensor(plan, "wire")
    assert (wire.silence, dict(wire.error), wire.reader) == (HOUR, {T: 0.5}, "1-wire")


def test_a_two_point_correction_has_gain_and_offset() -> None:
    """The published vector of two salt points."""
    found = correction_of(((32.78, 35.10), (75.29, 72.00)))
    assert found.gain == pytest.approx(1.1520325203)
    assert found.offset == pytest.approx(-7.6563414634)


def test_a_wildcard_gives_one_sensor_for_each_name_heard() -> None:
    """Nothing before anything was heard; never one name twice."""
    text = BOX + (
        '[[place.sensor]]\nname = "many"\nread = { by = "mqtt", topic = "a/+/t", temperature = "" }\n'
        '[[place.sensor]]\nname = "x"\nread = { by = "mqtt", topic = "b", temperature = "" }\n'
    )
    names = [sensor.name for sensor in _plan(text).sensors if sensor.place == "box"]
    assert names == ["x"]
    heard = _plan(text, heard={"many": ["q", "p", "x", "p"], "other": ["z"]})
    assert [sensor.name for sensor in heard.sensors if sensor.place == "box"] == ["p", "q", "x"]


def test_the_watch_has_organs_of_its_own() -> None:
    """One for each reader and contact, and the fixed ones; none is ever silent."""
    plan = _plan(SENSORS + '[[contact]]\nname = "first"\nreach = "phone"\n')
    organs = {sensor.name: sensor for sensor in plan.sensors if sensor.place == "watch"}
    assert set(organs) == {
        "watch/reader/mqtt", "watch/reader/1-wire", "watch/recorder", "watch/delivery/first", "watch/disk",
        "watch/clock", "watch/settings", "watch/supply",
    }  # fmt: skip
    assert all(each.on_change and each.silence == 0 for each in organs.values())
    assert organs["watch/delivery/first"].contact is ContactKind.DELIVERY
    assert _place(plan, "watch").ranges == ()


def test_equal_settings_make_equal_plans() -> None:
    """A plan is a value."""
    assert _plan(SENSORS) == _plan(SENSORS)


CONTACT = (
    '[[contact]]\nname = "first"\nreach = "phone"\npriorities = ["high"]\nquiet = "22:30-06:30"\n'
    'after = "20 min"\non_duty = ["2026-12-20/2027-01-03"]\n[[place]]\nname = "room"\nkind = "room"\n'
    'day = "08:00-20:00"\n'
)


def test_calendars_have_the_keys_that_the_plan_names() -> None:
    """Each key that a place or contact names is there; a place called room keeps its own day."""
    plan = _plan(CONTACT)
    contact = plan.contacts[0]
    assert (contact.priorities, contact.after) == (frozenset({Priority.HIGH}), 20 * MINUTE)
    assert set(plan.calendars) == {ROOM_DAY, "day:room/own", "quiet:first", "duty:first"}
    assert _place(plan, "room").calendar == "day:room/own"
    assert (contact.quiet, contact.on_duty) == ("quiet:first", "duty:first")


def test_without_a_trusted_clock_the_last_states_go_on() -> None:
    """Known states stay, without edges; unknown ones are missing."""
    last = {ROOM_DAY: True, "duty:first": False, "gone": True}
    plan = compile(_model(CONTACT), now=0, clock=None, last=last)
    assert plan.calendars == {ROOM_DAY: Calendar(True), "duty:first": Calendar(False)}


def _states(calendar: Calendar) -> Iterator[tuple[int, bool]]:
    """Give the state from each edge on."""
    state = calendar.first
    for edge in calendar.edges:
        state = not state
        yield edge, state


def _state(calendar: Calendar, at: int) -> bool:
    """Give the state at an instant."""
    return calendar.first ^ (sum(1 for edge in calendar.edges if edge <= at) % 2 == 1)


@pytest.mark.parametrize(
    ("zone", "day", "minute", "utc"),
    [
        ("Europe/Lisbon", (2026, 7, 1), 420, "2026-07-01T06:00"),
        ("Europe/Lisbon", (2026, 3, 29), 90, "2026-03-29T01:00"),
        ("Europe/Lisbon", (2026, 10, 25), 90, "2026-10-25T00:30"),
        ("Europe/Berlin", (2026, 3, 29), 150, "2026-03-29T01:00"),
        ("America/Havana", (2026, 3, 8), 0, "2026-03-08T05:00"),
        ("Australia/Lord_Howe", (2026, 10, 4), 135, "2026-10-03T15:30"),
        ("UTC", (2026, 1, 1), 1440, "2026-01-02T00:00"),
    ],
    ids=["summer", "gap", "repeated", "gap in the middle", "no midnight", "half an hour", "end of day"],
)
def test_local_hours_as_instants(zone: str, day: tuple[int, int, int], minute: int, utc: str) -> None:
    """A missing hour is the instant of the change, a repeated one its first pass."""
    wanted = datetime.fromisoformat(utc).replace(tzinfo=UTC)
    found = instant_of(datetime(*day, tzinfo=UTC).date(), minute, ZoneInfo(zone))
    assert datetime.fromtimestamp(found / 1000, UTC) == wanted


@given(
    st.sampled_from(["Europe/Lisbon", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC"]),
    st.integers(0, 1439),
    st.integers(0, 1440),
    st.integers(1_577_836_800, 1_893_456_000),
    st.integers(0, 10**12),
)
@settings(deadline=None, max_examples=60)
def test_hours_of_the_day_follow_the_local_clock(
    zone: str, start: int, end: int, wall: int, now: int
) -> None:
    """Away from changes of the clock, the calendar is true exactly within the hours."""
    if start == end:
        return
    there = ZoneInfo(zone)
    clock = WallOffset(wall * 1000 - now)
    calendar = hours_calendar(Hours(start, end), there, now, clock)
    assert list(calendar.edges) == sorted(set(calendar.edges))
    for hours in range(-24, 24 * 39, 7):
        at = now + hours * HOUR
        local = datetime.fromtimestamp((at + clock.offset_ms) / 1000, there)
        if local.utcoffset() != (local - timedelta(days=1)).utcoffset():
            continue
        if local.utcoffset() != (local + timedelta(days=1)).utcoffset():
            continue
        minute = local.hour * 60 + local.minute + local.second / 60
        inside = start <= minute < end if start < end else minute >= start or minute < end
        assert _state(calendar, at) is inside


def test_the_last_change_is_in_the_calendar() -> None:
    """Two days back and forty ahead, so that settling after a change survives a restart."""
    now = 10**10
    calendar = hours_calendar(Hours(420, 1260), ZoneInfo("Europe/Lisbon"), now, CLOCK)
    assert calendar.edges[0] < now - 24 * HOUR
    assert calendar.edges[-1] > now + 39 * 24 * HOUR
    assert len(calendar.edges) == 84


def test_the_whole_day_has_no_edges() -> None:
    """From 00:00 to 24:00 it is always day."""
    calendar = hours_calendar(Hours(0, 1440), ZoneInfo("Europe/Lisbon"), 0, CLOCK)
    assert calendar == Calendar(True)


def test_dates_hold_from_midnight_to_midnight() -> None:
    """Both days are included; days that meet are one span."""
    zone = ZoneInfo("Europe/Lisbon")
    start = instant_of(datetime(2026, 12, 20, tzinfo=UTC).date(), 0, zone)
    first, second = datetime(2026, 12, 20, tzinfo=UTC).date(), datetime(2026, 12, 21, tzinfo=UTC).date()
    days = (Dates(second, second), Dates(first, first))
    calendar = dates_calendar(days, zone, 0, WallOffset(start - HOUR))
    assert list(_states(calendar)) == [(HOUR, True), (49 * HOUR, False)]
    later = dates_calendar(days, zone, 0, WallOffset(start + 30 * 24 * HOUR))
    assert later == Calendar(False)


def test_the_next_hour_of_the_day() -> None:
    """Today's where it is still to come, else tomorrow's."""
    zone = ZoneInfo("Europe/Lisbon")
    seven = instant_of(datetime(2026, 7, 1, tzinfo=UTC).date(), 435, zone)
    assert at_hour(435, zone, seven - 1) == seven
    assert at_hour(435, zone, seven) == seven + 24 * HOUR
