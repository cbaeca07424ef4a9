"""The species table: facts as they were written down, derivations and fallbacks marked."""

import pytest

from rules.plan import PlaceKind, Stage, Store
from rules.reading import Quantity
from rules.species import (
    Bound,
    Expected,
    Origin,
    SourcedRange,
    SourcedSpan,
    cold_store,
    derive_safe,
    expected,
    find,
    stages,
    suggest,
)
from rules.species_table import TABLE, Row, Species

T, H = Quantity.TEMPERATURE, Quantity.HUMIDITY


def _species(name: str) -> Species:
    """Find a species that must be there."""
    found = find(name)
    assert found is not None
    return found


def _ends(both: SourcedRange | None, name: str = "ideal") -> tuple[float | None, float | None] | None:
    """Give the bare ends of one span."""
    span: SourcedSpan | None = getattr(both, name) if both is not None else None
    if span is None:
        return None
    return (span.low.value if span.low else None, span.high.value if span.high else None)


def _at(entries: tuple[Expected, ...], spot: str, quantity: Quantity) -> Expected:
    """Pick one entry."""
    return next(each for each in entries if each.spot == spot and each.quantity is quantity)


def test_the_table_has_its_eighteen_species() -> None:
    """Every species has incubation numbers and every row a source."""
    assert len(TABLE) == 18
    assert all(Stage.INCUBATION in stages(species) for species in TABLE)
    assert all(row.source for species in TABLE for row in species.rows)
    assert all(row.temperature[0] < row.temperature[1] for species in TABLE for row in species.rows)


@pytest.mark.parametrize(
    "name", ["Python regius", "python REGIUS", "ball python", "Royal  Python", "ROYAL PYTHON"], ids=str
)
def test_a_species_is_found_by_any_of_its_names(name: str) -> None:
    """Scientific and common names find it, whatever the case."""
    assert _species(name).name == "Python regius"


@pytest.mark.parametrize(
    ("asked", "offered"),
    [("Paroedura pict", "Paroedura picta"), ("beardd dragon", "bearded dragon"), ("tegu", "Argentine tegu")],
    ids=str,
)
def test_an_unknown_name_is_answered_with_the_likely_one(asked: str, offered: str) -> None:
    """A misspelt or partial name brings a suggestion; nonsense brings none."""
    assert find(asked) is None
    assert offered in suggest(asked)
    assert suggest("qqqqqqqq") == ()


@pytest.mark.parametrize(
    ("stage", "ideal", "safe"),
    [
        (Stage.INCUBATION, (25, 29), (22, 30)),
        (Stage.HATCHING, (25, 29), (22, 30)),
    ],
    ids=str,
)
def test_eggs_have_a_narrow_upper_margin(
    stage: Stage, ideal: tuple[float, float], safe: tuple[float, float]
) -> None:
    """Eggs: safe is 3 K below and 1 K above ideal, for every spot of the box."""
    entry = _at(expected(_species("Paroedura picta"), stage, PlaceKind.BOX), "", T)
    assert (_ends(entry.day), _ends(entry.day, "safe")) == (ideal, safe)
    assert entry.day == entry.night


def test_hatching_is_incubation_five_percent_more_humid() -> None:
    """The fallback is marked, its humidity is raised, and 100 is no upper limit."""
    picta = _at(expected(_species("Paroedura picta"), Stage.HATCHING, PlaceKind.BOX), "", H)
    assert _ends(picta.day) == (75, 90)
    assert _ends(picta.day, "safe") == (65, None)
    assert picta.day is not None
    assert picta.day.ideal is not None
    assert picta.day.ideal.low is not None
    assert picta.day.ideal.low.origin is Origin.FALLBACK
    regius = _at(expected(_species("Python regius"), Stage.HATCHING, PlaceKind.BOX), "", H)
    assert _ends(regius.day) == (95, None)


@pytest.mark.parametrize(
    ("stage", "origin", "low", "safe_low"),
    [(Stage.HATCHLING, Origin.COMMON_PRACTICE, 28, 25), (Stage.JUVENILE, Origin.FALLBACK, 28, 25),
     (Stage.ADULT, Origin.COMMON_PRACTICE, 28, 24)],
    ids=str,
)  # fmt: skip
def test_margins_belong_to_the_stage(stage: Stage, origin: Origin, low: float, safe_low: float) -> None:
    """Hatchling and juvenile ±3 K, adult ±4 K; a juvenile's ideal is the hatchling's, marked so."""
    entry = _at(expected(_species("leopard gecko"), stage, PlaceKind.ENCLOSURE), "warm side", T)
    assert entry.day is not None
    assert entry.day.ideal is not None
    assert entry.day.ideal.low is not None
    assert (entry.day.ideal.low.value, entry.day.ideal.low.origin) == (low, origin)
    assert _ends(entry.day, "safe") is not None
    assert (_ends(entry.day, "safe") or (None,))[0] == safe_low


def test_a_juvenile_without_hatchling_rows_is_an_adult() -> None:
    """Where the table has no hatchling, the adult's rows stand in."""
    entry = _at(expected(_species("western hognose"), Stage.JUVENILE, PlaceKind.ENCLOSURE), "warm side", T)
    assert (_ends(entry.day), _ends(entry.day, "safe")) == ((28, 31), (25, 34))


def test_spots_without_a_row_borrow_by_named_fallbacks() -> None:
    """Sides at night take the air's night, air by day spans cool to warm, basking ends at night."""
    found = expected(_species("bearded dragon"), Stage.ADULT, PlaceKind.ENCLOSURE, ["air", "hide"])
    assert _ends(_at(found, "warm side", T).night) == (18, 24)
    assert _ends(_at(found, "cool side", T).night) == (18, 24)
    assert _ends(_at(found, "air", T).day) == (22, 32)
    assert _at(found, "basking surface", T).night is None
    assert not [entry for entry in found if entry.spot == "hide"]
    air = _at(found, "air", T).day
    assert air is not None
    assert air.ideal is not None
    assert air.ideal.low is not None
    assert air.ideal.low.origin is Origin.DERIVED


def test_outdoors_only_safe_counts() -> None:
    """Ideal is no promise of the weather."""
    found = expected(_species("Hermann's tortoise"), Stage.ADULT, PlaceKind.OUTDOOR)
    assert found
    assert all(both is None or both.ideal is None for each in found for both in (each.day, each.night))
    assert _ends(_at(found, "warm side", T).day, "safe") == (21, 34)


def test_cooling_is_two_kelvin_around() -> None:
    """Hibernation: ±2 K, everywhere in the store."""
    found = expected(_species("Testudo hermanni"), Stage.COOLING, PlaceKind.COLD_STORE)
    assert _ends(_at(found, "", T).day, "safe") == (2, 10)


@pytest.mark.parametrize(
    ("store", "ideal", "safe"),
    [(Store.REFRIGERATOR, (0.0, 3.9), (None, 4.4)), (Store.FREEZER, (None, -18.3), (None, -17.8))],
    ids=str,
)
def test_a_cold_stores_published_limit_is_its_safe_one(
    store: Store, ideal: tuple[float | None, float], safe: tuple[None, float]
) -> None:
    """The limit is safe and has its source; ideal ends inside it and is marked derived."""
    (entry,) = cold_store(store)
    assert (_ends(entry.day), _ends(entry.day, "safe")) == (ideal, safe)
    assert entry.day is not None
    assert entry.day.safe is not None
    assert entry.day.safe.high is not None
    assert entry.day.safe.high.origin is Origin.SOURCE
    assert entry.day.ideal is not None
    assert entry.day.ideal.high is not None
    assert entry.day.ideal.high.origin is Origin.DERIVED
    assert cold_store(Store.HIBERNATION) == ()


def test_every_range_of_the_table_is_sound() -> None:
    """All species, stages and kinds give nested spans, and nothing for the room."""
    for species in TABLE:
        for stage in stages(species):
            for kind in PlaceKind:
                found = expected(species, stage, kind, ["air", "warm side"])
                assert kind is not PlaceKind.ROOM or not found
                for each in found:
                    for both in (each.day, each.night):
                        assert both is None or both.range() is not None


def test_what_the_table_lacks_gives_nothing() -> None:
    """A stage without rows or fallback has no range."""
    picta = _species("Paroedura picta")
    assert stages(picta) == (Stage.INCUBATION, Stage.HATCHING)
    assert expected(picta, Stage.ADULT, PlaceKind.ENCLOSURE) == ()
    assert (
        _at(expected(_species("Trachemys scripta"), Stage.ADULT, PlaceKind.ENCLOSURE), "water", T).night
        is None
    )


def test_open_sides_stay_open() -> None:
    """Nothing is derived beyond an open side; humidity is clipped to 0 to 100."""
    one = SourcedSpan(None, Bound(5.0, Origin.YOURS))
    assert _ends(SourcedRange(None, derive_safe(one, T, Stage.ADULT)), "safe") == (None, 9)
    wet = SourcedSpan(Bound(5.0, Origin.YOURS), Bound(95.0, Origin.YOURS))
    assert _ends(SourcedRange(None, derive_safe(wet, H, Stage.ADULT)), "safe") == (0, None)
    assert derive_safe(SourcedSpan(None, None), T, Stage.ADULT) is None
    assert derive_safe(SourcedSpan(None, Bound(95.0, Origin.YOURS)), H, Stage.ADULT) is None
    assert SourcedRange(SourcedSpan(None, None), None).range() is None


def test_fallbacks_of_incomplete_rows_give_nothing() -> None:
    """Where the rows that would be borrowed name no humidity, none is judged."""
    rows = (
        Row(Stage.ADULT, "warm side", "day", (28.0, 31.0), (50.0, 70.0)),
        Row(Stage.ADULT, "cool side", "day", (24.0, 27.0)),
        Row(Stage.ADULT, "air", "night", (20.0, 24.0)),
    )
    found = expected(Species("Exempli gratia", ("example",), rows), Stage.ADULT, PlaceKind.ENCLOSURE)
    assert [(each.spot, each.quantity) for each in found if each.quantity is H] == [("warm side", H)]
    assert _at(found, "warm side", H).night is None
    assert _ends(_at(found, "air", T).day) == (24, 31)
