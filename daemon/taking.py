"""Taking orders: what page and command line wrote becomes events, settings and notes.

Every order is answered in words and stands in the journal with who, when and from
where. An order names an alarm by its number; here it gets the identity and the instant
that the engine knows it by. An order can be undone for ten minutes,
a line of the egg log always: that is how it is put right.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from daemon.compile import Overrides
from daemon.orders import UNDO
from daemon.record import AlarmRow, Asked, Entered, Json, Kind
from rules.clutch import ClutchError
from rules.events import AlarmKey, Order, Verb
from rules.plan import PlacePlan, Plan, Stage

ENGINE_VERBS: Mapping[str, Verb] = {
    "acknowledge": Verb.ACKNOWLEDGE,
    "shelve": Verb.SHELVE,
    "unshelve": Verb.UNSHELVE,
}
"""Orders about an alarm that the engine takes."""


@dataclass(frozen=True, slots=True)
class Look:
    """What an order is looked at against.

    Attributes:
        now: Room time, ms.
        plan: The plan in force.
        row: Gives an alarm's row by its number, or None.
        overrides: What orders changed so far.
        order: Gives an earlier order by its number, or None.
        eggs: Takes a line of the egg log and gives what is to be answered; it raises
            ``ClutchError`` where the line cannot be.
    """

    now: int
    plan: Plan
    row: Callable[[int], AlarmRow | None]
    overrides: Overrides
    order: Callable[[int], Asked | None]
    eggs: Callable[[Entered], str] = lambda _: "noted"


@dataclass(frozen=True, slots=True)
class TakenOrder:
    """What came of one order.

    Attributes:
        answer: In words, for whoever gave it.
        events: For the engine.
        entered: The journal entry, or None where the order was refused.
        row: An alarm row that changed without the engine, or None.
        overrides: Changed settings, or None.
    """

    answer: str
    events: tuple[Order, ...] = ()
    entered: Entered | None = None
    row: AlarmRow | None = None
    overrides: Overrides | None = None


@dataclass(frozen=True, slots=True)
class _Wish:
    """An order with its parts at hand."""

    asked: Asked
    look: Look
    body: Mapping[str, Json] = field(default_factory=dict)

    @property
    def verb(self) -> str:
        return str(self.body.get("verb", ""))

    def number(self, name: str) -> int:
        value = self.body.get(name)
        return value if isinstance(value, int) else 0


def take(asked: Asked, look: Look) -> TakenOrder:
    """Take one order.

    Returns:
        What came of it; an order that cannot be taken is answered with the reason and
        changes nothing.
    """
    wish = _Wish(asked, look, asked.body)
    verb = wish.verb
    if verb in ENGINE_VERBS or verb in ("note", "label"):
        return _about_alarm(wish)
    if verb == "service":
        return _service(wish)
    if verb in ("stage", "use"):
        return _setting(wish)
    if verb == "egg":
        return _egg(wish.look, _entered(wish, Kind.EGG_LOG))
    if verb == "undo":
        return _undo(wish)
    return TakenOrder(f"refused: there is no order {verb!r}")


def order_of(entered: Entered) -> Order | None:
    """Make the engine's event of a journaled order; None where it is none of the engine's."""
    given = entered.body.get("engine")
    if not isinstance(given, dict):
        return None
    alarm = given.get("alarm")
    return Order(
        entered.now,
        str(given.get("by", "")),
        Verb(str(given["verb"])),
        AlarmKey(*(str(part) for part in alarm)) if isinstance(alarm, list) else None,
        _whole(given.get("raised")),
        str(given.get("place", "")),
        _whole(given.get("until")),
    )


def _whole(value: Json) -> int | None:
    return value if isinstance(value, int) else None


def _entered(wish: _Wish, kind: Kind = Kind.ORDER, event: Order | None = None) -> Entered:
    asked = wish.asked
    body: dict[str, Json] = {
        **wish.body,
        "order": asked.id,
        "by": asked.by,
        "source": asked.source,
        "wall": asked.wall,
    }
    if event is not None:
        body["engine"] = {
            "verb": event.verb.value,
            "by": event.by,
            "alarm": list(event.alarm) if event.alarm else None,
            "raised": event.raised,
            "place": event.place,
            "until": event.until,
        }
    return Entered(wish.look.now, kind, body)


def _about_alarm(wish: _Wish) -> TakenOrder:
    row = wish.look.row(wish.number("alarm"))
    if row is None:
        return TakenOrder(f"refused: there is no alarm {wish.number('alarm')}")
    if wish.verb == "note":
        return TakenOrder("noted", entered=_entered(wish, Kind.NOTE))
    if wish.verb == "label":
        label = str(wish.body.get("label", ""))
        return TakenOrder("noted", entered=_entered(wish, Kind.NOTE), row=replace(row, label=label))
    if row.cleared is not None and wish.verb != "acknowledge":
        return TakenOrder(f"refused: alarm {row.number} has ended")
    return _given(wish, _engine_order(wish, ENGINE_VERBS[wish.verb], row))


def _engine_order(wish: _Wish, verb: Verb, row: AlarmRow) -> Order:
    now = wish.look.now
    until = now + wish.number("for_ms") if verb is Verb.SHELVE else None
    return Order(now, wish.asked.by, verb, row.key, row.raised, until=until)


def _given(wish: _Wish, order: Order) -> TakenOrder:
    return TakenOrder("done", (order,), _entered(wish, event=order))


def _place(wish: _Wish) -> PlacePlan | None:
    name = wish.body.get("place")
    return next((place for place in wish.look.plan.places if place.name == name), None)


def _service(wish: _Wish) -> TakenOrder:
    place = _place(wish)
    if place is None:
        return TakenOrder(f"refused: there is no place {wish.body.get('place')!r}")
    verb = Verb.IN_SERVICE if wish.body.get("in") else Verb.OUT_OF_SERVICE
    return _given(wish, Order(wish.look.now, wish.asked.by, verb, place=place.name))


def _setting(wish: _Wish) -> TakenOrder:
    place = _place(wish)
    if place is None:
        return TakenOrder(f"refused: there is no place {wish.body.get('place')!r}")
    was = wish.look.overrides
    if wish.verb == "use":
        use = bool(wish.body.get("in"))
        overrides = replace(was, in_use={**was.in_use, place.name: use})
        return TakenOrder("done", entered=_entered(wish), overrides=overrides)
    try:
        stage = Stage(str(wish.body.get("stage")))
    except ValueError:
        known = ", ".join(one.value for one in Stage)
        return TakenOrder(f"refused: a stage is one of {known}")
    overrides = replace(was, stage={**was.stage, place.name: stage})
    return TakenOrder("done", entered=_entered(wish), overrides=overrides)


def _egg(look: Look, entered: Entered) -> TakenOrder:
    """Take a line of the egg log; one that cannot be is refused and not written."""
    try:
        answer = look.eggs(entered)
    except ClutchError as error:
        return TakenOrder(f"refused: {error}")
    return TakenOrder(answer, entered=entered)


def _undo(wish: _Wish) -> TakenOrder:
    earlier = wish.look.order(wish.number("order"))
    if earlier is None or earlier.taken is None:
        return TakenOrder(f"refused: there is no order {wish.number('order')} to undo")
    if wish.look.now - earlier.taken > UNDO and earlier.body.get("verb") != "egg":
        return TakenOrder("refused: an order can be undone for 10 minutes")
    if not earlier.answer.startswith(("done", "noted")):
        return TakenOrder("refused: that order changed nothing")
    return _undone(wish, _Wish(earlier, wish.look, earlier.body))


def _undone(wish: _Wish, earlier: _Wish) -> TakenOrder:
    """Make the order that takes another back."""
    row = wish.look.row(earlier.number("alarm"))
    now, by = wish.look.now, wish.asked.by
    if earlier.verb == "label" and row is not None:
        return TakenOrder("done", entered=_entered(wish, Kind.NOTE), row=replace(row, label=""))
    if earlier.verb in ("note", "egg"):
        undoing = replace(wish, body=_undo_body(wish, earlier))
        if earlier.verb == "egg":
            return _egg(wish.look, _entered(undoing, Kind.EGG_LOG))
        return TakenOrder("done", entered=_entered(undoing, Kind.NOTE))
    if earlier.verb == "service":
        verb = Verb.OUT_OF_SERVICE if earlier.body.get("in") else Verb.IN_SERVICE
        return _given(wish, Order(now, by, verb, place=str(earlier.body.get("place"))))
    if earlier.verb not in ("acknowledge", "shelve"):
        return TakenOrder(f"refused: {earlier.verb} cannot be undone")
    if row is None or row.cleared is not None:
        return TakenOrder("refused: its alarm has ended")
    if earlier.verb == "acknowledge":
        return _given(wish, Order(now, by, Verb.TAKE_BACK, row.key, row.raised))
    return _given(wish, Order(now, by, Verb.UNSHELVE, row.key, row.raised))


def _undo_body(wish: _Wish, earlier: _Wish) -> Mapping[str, Json]:
    """Name what an undo takes back, so that an egg log needs no other row to be read."""
    clutch = earlier.body.get("clutch")
    return {**wish.body, "undoes": earlier.asked.id, **({"clutch": clutch} if clutch else {})}
