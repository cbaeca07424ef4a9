"""The engine's laws (design: one engine, four uses) over evenings of every kind."""

import json
from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.engine import Engine
from rules.events import Away, Order, Tick
from rules.plan import Plan
from rules.reading import DAY, Reading
from tests.kit.rooms import T0, copied, evenings, flat, in_order, play, small_room, told, variant

FEW = settings(max_examples=60, deadline=None)


def sequenced(state: dict[str, object]) -> str:
    """Give a state as text: order counts, repeated dues do not."""
    heap = sorted({json.dumps(due) for due in state["heap"]})  # type: ignore[attr-defined]
    return json.dumps({**state, "heap": heap})


class TestLaws:
    @FEW
    @given(evenings())
    def test_two_engines_told_the_same_say_the_same(self, evening):
        """It is deterministic: effects and state are equal."""
        player = play(evening).end()
        other = Engine(small_room())
        assert told(other, player.events) == flat(player)
        assert json.dumps(other.state()) == json.dumps(player.lead.state())

    @FEW
    @given(evenings(), st.data())
    def test_ticks_change_nothing(self, evening, data):
        """How often it is ticked, and when, changes no effect and no instant of one."""
        player = play(evening).end()
        other, effects, before = Engine(small_room()), [], T0
        for event in player.events:
            due = other.next_due()
            until = event.since if isinstance(event, Away) else event.now
            instants = data.draw(st.lists(st.integers(before, until), max_size=2), label="ticks")
            if due is not None and before <= due <= until:
                instants.append(due)
            for instant in sorted(instants):
                effects += other.step(Tick(instant))
            effects += other.step(event)
            before = event.now
        assert effects == flat(player)
        assert sequenced(other.state()) == sequenced(player.lead.state())

    @FEW
    @given(evenings(20), st.data())
    def test_kept_and_taken_back_goes_straight_on(self, evening, data):
        """Snapshot (as JSON) and replay of the rest = straight through, wherever it is cut."""
        player = play(evening).end()
        cuts = data.draw(st.sets(st.integers(0, len(player.events) - 1), max_size=4), label="cuts")
        engine = Engine(small_room())
        for index, event in enumerate(player.events):
            if index in cuts:
                engine = copied(player.plans[index], engine)
            assert engine.step(event) == player.answers[index], (index, event)
        assert json.dumps(engine.state()) == json.dumps(player.lead.state())

    @FEW
    @given(evenings())
    def test_a_duplicate_changes_nothing(self, evening):
        """A reading that comes again, at once or with the next round, has no effect."""
        player = play(evening)
        other = Engine(small_room())
        last: dict[tuple[str, str], Reading] = {}
        for event, answer in zip(player.events, player.answers, strict=True):
            again = [replace(one, now=event.now) for one in last.values()]
            effects = other.step(event)
            assert effects == answer
            if isinstance(event, Reading):
                last[(event.sensor, event.quantity.value)] = event
                assert other.step(event) == ()
            if isinstance(event, Reading) and event.now > max((one.now for one in again), default=T0):
                assert not told(other, again)
        assert sequenced(other.state()) == sequenced(player.lead.state())

    @FEW
    @given(evenings(15), st.randoms(use_true_random=False))
    def test_any_order_of_arrival_is_one_batch(self, evening, chance):
        """A batch in any order of arrival, sorted at the door, is the same batch."""
        player = play(evening)
        other, effects = Engine(small_room()), []
        batch: list[Reading] = []
        for event in [*player.events, Tick(player.now)]:
            if isinstance(event, Reading) and (not batch or batch[0].now == event.now):
                batch.append(event)
                continue
            chance.shuffle(batch)
            effects += told(other, in_order(batch))
            batch = [event] if isinstance(event, Reading) else []
            if not batch:
                effects += other.step(event)
        assert effects == flat(player) + list(player.lead.step(Tick(player.now)))

    @FEW
    @given(evenings(20))
    def test_the_same_plan_again_changes_nothing(self, evening):
        """Re-issuing an equal plan, however often, has no effect."""
        player = play(evening).end()
        other, effects, before = Engine(small_room()), [], T0
        for event, plan in zip(player.events, player.plans, strict=True):
            until = event.since if isinstance(event, Away) else event.now
            if until - before > 2:
                effects += other.step(replace(plan, now=until - 1))
            effects += other.step(event)
            before = event.now
        assert effects == flat(player)

    @FEW
    @given(evenings())
    def test_the_heap_stays_small(self, evening):
        """What is due is hardly kept twice, whatever comes."""
        player = play(evening)
        counts = Counter(json.dumps(key) for _, key in player.lead.state()["heap"])
        chains = {key: n for key, n in counts.items() if n > 120}
        assert not chains


class TestTheWayIn:
    def test_now_must_not_step_back(self):
        """An event before the engine's own instant is a bug of the caller, and nothing is taken."""
        engine = Engine(small_room())
        engine.step(Tick(T0 + 10))
        before = json.dumps(engine.state())
        with pytest.raises(ValueError, match=str(T0 + 9)):
            engine.step(Tick(T0 + 9))
        assert json.dumps(engine.state()) == before

    def test_an_unknown_sensor_is_no_matter(self):
        """Readings, orders and plans about what is not there have no effect."""
        engine = Engine(small_room())
        ghost = Reading("nobody", small_room().sensors[2].quantities[0], 99.0, T0 + 1, T0 + 1)
        assert engine.step(ghost) == ()
        assert engine.step(Order(T0 + 2, "Ines", verb="acknowledge")) == ()  # type: ignore[arg-type]

    def test_a_state_of_another_form_is_refused(self):
        """A snapshot of another version is told apart by its schema number."""
        state = Engine(small_room()).state()
        state["schema"] = 0
        with pytest.raises(ValueError, match="form 0"):
            Engine.restored(small_room(), state)

    def test_two_hundred_restarts_leave_no_chains(self):
        """Dues of silence and of periods merge: two hundred plans and spans away leave a small heap."""
        engine, now = Engine(small_room()), T0
        for _ in range(200):
            engine.step(Away(now, now + 1_000))
            engine.step(replace(small_room(), now=now + 2_000))
            now += 60_000
            engine.step(Tick(now))
        engine.step(Tick(now + 2 * DAY))
        assert len(engine.state()["heap"]) < 60

    def test_the_room_has_every_kind_of_plan(self):
        """The variants are different plans."""
        plans = [variant(number, T0) for number in range(9)]
        assert len({repr(plan) for plan in plans}) == 9
        assert all(isinstance(plan, Plan) for plan in plans)
