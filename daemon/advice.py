"""Advice from labels: settings that keep every real alarm and drop nuisances.

Each place whose alarms were called nuisances is rehearsed alone, with one knob turned
after the other, and then with the best ones together. Every proposal is a text of the
config that was read again and rehearsed; nothing is applied.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from difflib import unified_diff
from pathlib import Path

from daemon.advice_knobs import Knob, knobs
from daemon.effective import Effective, Overrides, provenance
from daemon.logbook import Archive
from daemon.night import Window
from daemon.record import AlarmRow, Kind
from daemon.rehearsal_difference import row_of
from daemon.rehearsal_judge import judge
from daemon.rehearsal_values import AT_LEAST, Life, Task
from daemon.settings import Loaded, SettingsError, load_text
from daemon.standing import basis_of
from rules.causes import RANGE_RULES

REAL, NUISANCE = "real", "nuisance"
NEEDED_REAL, NEEDED_NUISANCE = 2, 3
"""So many labelled alarms of a place are needed before anything is said of it."""

ROUNDS = 3
"""So many knobs of a place are turned at most."""

Told = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class Labelled:
    """A labelled alarm as the current settings judge it."""

    row: AlarmRow
    life: Life


@dataclass(frozen=True, slots=True)
class Pays:
    """What becomes of a real alarm: how much later (ms), or None: it is lost."""

    number: int
    later_by: int | None


@dataclass(frozen=True, slots=True)
class Trial:
    """Some settings of one place, rehearsed.

    Attributes:
        turned: (knob, value) in order of turning; () the current settings.
        dropped: Nuisances that vanish.
        nuisances: How many there are.
        pays: Real alarms that come later or not at all.
        unlabelled: Alarms without a label that vanish.
        text: The config with these settings.
    """

    turned: tuple[tuple[Knob, float], ...]
    dropped: int
    nuisances: int
    pays: tuple[Pays, ...]
    unlabelled: int
    text: str

    @property
    def latest(self) -> float:
        """How much later the latest real alarm comes (ms); infinite where one is lost."""
        return max((float("inf") if one.later_by is None else one.later_by for one in self.pays), default=0)

    def words(self) -> str:
        """Say what was turned."""
        return ", ".join(f"{knob.name} {knob.now} -> {knob.say(value)}" for knob, value in self.turned)


@dataclass(frozen=True, slots=True)
class PlaceAdvice:
    """What can be said of one place.

    Attributes:
        place: Its name.
        real: Labelled real alarms of it.
        nuisances: Labelled nuisances of it.
        enough: Whether that is enough to say anything.
        best: The best settings within the delay, or None: there are none.
        trials: The trade-off: what each step costs, the best ones of each delay.
    """

    place: str
    real: int
    nuisances: int
    enough: bool
    best: Trial | None = None
    trials: tuple[Trial, ...] = ()


@dataclass(frozen=True, slots=True)
class Advice:
    """The whole advice.

    Attributes:
        window: The nights that were rehearsed.
        delay: How much later a real alarm may come (ms).
        places: Those with labelled nuisances.
        others: Nuisances of rules that these settings do not touch.
        text: The config with every best setting; the current text where there is none.
        difference: The same as a unified difference, or "".
        rehearsed: How many settings were tried.
    """

    window: Window
    delay: int
    places: tuple[PlaceAdvice, ...]
    others: int
    text: str
    difference: str
    rehearsed: int


@dataclass(slots=True)
class _Search:
    """The search at one place."""

    loaded: Loaded
    folder: Path
    window: Window
    place: str
    delay: int
    told: Told
    overrides: Overrides
    labelled: list[Labelled] = field(default_factory=list)
    base: tuple[Life, ...] = ()
    tried: dict[tuple[tuple[str, float], ...], Trial | None] = field(default_factory=dict)

    def begin(self, rows: Sequence[AlarmRow]) -> None:
        """Judge by the current settings and find the labelled alarms in that."""
        self.base = self._judged(self.loaded)
        for row in rows:
            life = next((one for one in self.base if row_of(one, [row]) is not None), None)
            if life is not None:
                self.labelled.append(Labelled(row, life))

    def _judged(self, loaded: Loaded) -> tuple[Life, ...]:
        task = Task(loaded, self.folder, self.window, places=frozenset({self.place}))
        alarms = judge(task, lambda _: None).alarms
        return tuple(life for life in alarms if life.key.place == self.place and life.key.rule in RANGE_RULES)

    def trial(self, turned: Sequence[tuple[Knob, float]]) -> Trial | None:
        """Rehearse some settings; None where the config does not allow them."""
        key = tuple(sorted((knob.name, value) for knob, value in turned))
        if key not in self.tried:
            self.told(len(self.tried))
            self.tried[key] = self._trial(tuple(turned))
        return self.tried[key]

    def _trial(self, turned: tuple[tuple[Knob, float], ...]) -> Trial | None:
        loaded = turned_text(self.loaded, turned, self.overrides)
        if loaded is None:
            return None
        lives = self._judged(loaded)
        return weighed(turned, self.base, lives, self.labelled, loaded.text)

    def best(self, some: Iterable[Knob]) -> Trial | None:
        """Turn one knob after the other as long as that drops more nuisances."""
        all_knobs = list(some)
        best: Trial | None = None
        for _ in range(ROUNDS):
            found = self._better(all_knobs, best)
            if found is None:
                break
            best = found
            if best.dropped == best.nuisances:
                break
        return best

    def _better(self, some: Sequence[Knob], best: Trial | None) -> Trial | None:
        turned = best.turned if best else ()
        before = best.dropped if best else 0
        found: Trial | None = None
        for knob in some:
            rest = [one for one in turned if one[0].name != knob.name]
            for value in knob.ladder:
                trial = self.trial([*rest, (knob, value)])
                if trial is None:
                    continue
                if trial.latest > self.delay:
                    break
                if trial.dropped > before and (found is None or _rank(trial) > _rank(found)):
                    found = trial
        return found


def _rank(trial: Trial) -> tuple[float, ...]:
    """Order trials: most dropped, least late, fewest unlabelled, fewest knobs."""
    return trial.dropped, -trial.latest, -trial.unlabelled, -len(trial.turned)


def turned_text(loaded: Loaded, turned: Iterable[tuple[Knob, float]], overrides: Overrides) -> Loaded | None:
    """Write some settings into the config; None where that is not allowed or touches safe."""
    text = loaded.text
    try:
        for knob, value in turned:
            text = knob.write(text, value)
        made = load_text(text, loaded.path)
    except (SettingsError, KeyError, ValueError):
        return None
    return made if _safe(made, overrides) == _safe(loaded, overrides) else None


def _safe(loaded: Loaded, overrides: Overrides) -> list[object]:
    """Give every safe span and its hold, by place and spot and period, as they are judged."""
    return [
        (place.place, place.hold_safe.value, place.hold_slow.value, *_safe_of(place))
        for place in provenance(loaded.model, overrides)
    ]


def _safe_of(place: Effective) -> Iterator[object]:
    spots = {sensor.table.spot for sensor in place.sensors}
    for spot in sorted(spots):
        for quantity in sorted({one.quantity.value for one in place.spots}):
            mine = [one for one in place.spots if one.quantity.value == quantity and one.spot in (spot, "")]
            one = next((each for each in mine if each.spot == spot), mine[0] if mine else None)
            for both in (one.day, one.night) if one else ():
                range_ = both.range() if both else None
                yield spot, quantity, range_.safe if range_ else None


def weighed(
    turned: tuple[tuple[Knob, float], ...],
    base: Sequence[Life],
    lives: Sequence[Life],
    labelled: Sequence[Labelled],
    text: str,
) -> Trial:
    """Say what some settings keep, delay and drop."""
    real = [(one, _match(one.life, lives)) for one in labelled if one.row.label == REAL]
    pays = [Pays(one.row.number, _later(one.life, match)) for one, match in real]
    kept = {id(match) for one, match in real if _later(one.life, match) is not None}
    nuisances = [one for one in labelled if one.row.label == NUISANCE]
    left = {
        id(life)
        for one in nuisances
        for life in lives
        if life.key == one.life.key and life.overlaps(one.life)
    }
    known = {id(one.life) for one in labelled}
    gone = [
        life
        for life in base
        if id(life) not in known and not any(o.key == life.key and o.overlaps(life) for o in lives)
    ]
    return Trial(
        turned,
        len(nuisances) - min(len(left - kept), len(nuisances)),
        len(nuisances),
        tuple(one for one in pays if one.later_by is None or one.later_by >= AT_LEAST),
        len(gone),
        text,
    )


def _match(life: Life, lives: Iterable[Life]) -> Life | None:
    return next((one for one in lives if one.key == life.key and one.overlaps(life)), None)


def _later(was: Life, will: Life | None) -> int | None:
    """Give how much later a real alarm comes; one that drowns in an earlier alarm is lost."""
    if will is None or will.raised < was.raised - AT_LEAST:
        return None
    return will.raised - was.raised


# -- the whole -----------------------------------------------------------------------------------


def advise(loaded: Loaded, folder: Path, window: Window, delay: int, told: Told) -> Advice:
    """Search settings that keep every real alarm and drop the most nuisances.

    Args:
        loaded: The current settings.
        folder: Folder of the logbook.
        window: The nights to rehearse.
        delay: How much later a real alarm may come (ms).
        told: Told how many settings were tried at the place under way.

    Raises:
        NoLogbook, LogbookNewer, LogbookDamaged, CannotRecord: The record cannot be read.
    """
    with Archive.open(folder) as archive:
        rows = [row for row in archive.alarms(window.start, window.end) if row.label]
        plans = archive.journal(until=window.end, kinds=[Kind.PLAN])
    nuisances = [row for row in rows if row.label == NUISANCE]
    tunable = [row for row in nuisances if row.key.rule in RANGE_RULES]
    overrides = basis_of(plans[-1].body).overrides if plans else Overrides()
    places, count = [], 0
    for place in dict.fromkeys(row.key.place for row in tunable):
        mine = [row for row in rows if row.key.place == place and row.key.rule in RANGE_RULES]
        search = _Search(loaded, folder, window, place, delay, told, overrides)
        places.append(_advised(search, mine))
        count += len(search.tried)
    turned = [one for place in places if place.best for one in place.best.turned]
    made = turned_text(loaded, turned, overrides) if turned else None
    text = made.text if made else loaded.text
    return Advice(
        window, delay, tuple(places), len(nuisances) - len(tunable), text, _difference(loaded, text), count
    )


def _advised(search: _Search, rows: Sequence[AlarmRow]) -> PlaceAdvice:
    real = sum(row.label == REAL for row in rows)
    nuisances = sum(row.label == NUISANCE for row in rows)
    if real < NEEDED_REAL or nuisances < NEEDED_NUISANCE:
        return PlaceAdvice(search.place, real, nuisances, enough=False)
    search.begin(rows)
    effective = provenance(search.loaded.model, search.overrides)
    too_many = [(row.key.rule, row.key.spot) for row in rows if row.label == NUISANCE]
    best = search.best(knobs(search.loaded, effective, search.place, too_many))
    trials = [trial for trial in search.tried.values() if trial is not None]
    return PlaceAdvice(
        search.place, real, nuisances, enough=True, best=best, trials=tuple(trade_off(trials, search.delay))
    )


def trade_off(trials: Iterable[Trial], delay: int) -> Iterator[Trial]:
    """Give the trials of which none is better in both ways: what a nuisance less costs."""
    best = 0
    beyond = 0
    for trial in sorted(trials, key=lambda one: (one.latest, -one.dropped, one.unlabelled, len(one.turned))):
        if trial.dropped <= best:
            continue
        best = trial.dropped
        beyond += trial.latest > delay
        if beyond <= 2:
            yield trial


def _difference(loaded: Loaded, text: str) -> str:
    name = str(loaded.path)
    lines = unified_diff(
        loaded.text.splitlines(keepends=True), text.splitlines(keepends=True), name, f"{name} (proposed)"
    )
    return "".join(line if line.endswith("\n") else f"{line}\n" for line in lines)
