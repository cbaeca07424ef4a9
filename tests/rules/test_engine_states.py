"""The life of every alarm, whatever a room, its keepers and its power do (stateful)."""

from collections import Counter
from typing import ClassVar

import pytest
from hypothesis import Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from rules.events import Verb
from rules.plan import Priority
from rules.track import EGG
from tests.kit.oracles import (
    CLIMATE,
    Lives,
    Story,
    every_alarm_had_its_hold,
    nothing_clears_unseen,
    notices_keep_the_rules,
    repeats_end,
)
from tests.kit.rooms import CONTACTS, MOODS, SENSORS, VARIANTS, Act, Mood, Player, copied, flat

VERBS = tuple(Verb)


class Evening(RuleBasedStateMachine):
    """An evening whose sensors drift towards the limits; a keeper and the power meddle."""

    counted: ClassVar[Counter[str]] = Counter()

    def __init__(self) -> None:
        super().__init__()
        self.player = Player()
        self.lives = Lives()
        self.taken = 0

    def act(self, what: str, **given: object) -> None:
        """Play one act."""
        self.player.act(Act(what, **given))  # type: ignore[arg-type]

    @rule(who=st.integers(0, len(SENSORS) - 1), mood=st.sampled_from(MOODS))
    def drift(self, who, mood):
        """A sensor drifts, mostly towards a limit, and three rounds come."""
        self.act("mood", who=who, mood=mood)
        self.act("rounds", much=3)

    @rule(much=st.integers(1, 12))
    def rounds(self, much):
        """Readings come."""
        self.act("rounds", much=much)

    @rule(mood=st.sampled_from((Mood.ABOVE, Mood.TOO_HIGH, Mood.BELOW, Mood.TOO_LOW)))
    def everything_leaves(self, mood):
        """The whole cellar leaves its range for as long as it takes."""
        self.act("all", mood=mood)
        self.act("rounds", much=9)

    @rule()
    def right_again(self):
        """Everything becomes right again."""
        self.act("all", mood=Mood.IDEAL)
        self.act("rounds", much=6)

    @rule(who=st.integers(0, len(CONTACTS) - 1), much=st.integers(0, 1))
    def switch(self, who, much):
        """The mains, the reader or a lid changes."""
        self.act("contact", who=who, much=much)

    @precondition(lambda self: self.player.lead.open_alarms())
    @rule(who=st.integers(0, 9), verb=st.sampled_from(VERBS[:4]))
    def order(self, who, verb):
        """A keeper acknowledges, takes back, shelves or unshelves."""
        self.act("order", who=who, much=VERBS.index(verb))

    @rule(who=st.integers(0, 9), verb=st.sampled_from(VERBS[4:]))
    def service(self, who, verb):
        """A keeper takes a place out of service, or back in."""
        self.act("order", who=who, much=VERBS.index(verb))

    @rule(much=st.integers(1, 90))
    def away(self, much):
        """The watch does not run for a while."""
        self.act("away", much=much)

    @rule(much=st.integers(0, VARIANTS - 1))
    def plan(self, much):
        """A keeper loads other settings."""
        self.act("plan", much=much)

    @rule(much=st.integers(1, 60))
    def wait(self, much):
        """Nothing comes for a while."""
        self.act("wait", much=much)

    @rule()
    def keep_and_take_back(self):
        """The engine is kept as text and taken back."""
        self.player.lead = copied(self.player.plan, self.player.lead)

    @invariant()
    def lives_are_legal(self):
        """Every effect is a legal step in the life of its alarm."""
        for answer in self.player.answers[self.taken :]:
            self.lives.take(answer)
        self.taken = len(self.player.answers)
        self.lives.agree(self.player.lead)

    @invariant()
    def tracks_and_alarms_agree(self):
        """A curve that holds an alarm is one of its holders, and the other way round."""
        engine = self.player.lead
        held = {
            (track.key(side.rule), track.holder)
            for track in engine._tracks.values()
            for side in (track.lower, track.upper)
            if side.active is not None
        }
        sensors = {one.removesuffix(EGG) for one in SENSORS}
        climate = {
            (alarm.key, holder)
            for alarm in engine.open_alarms()
            for holder in alarm.holders
            if alarm.key.rule in CLIMATE and holder.removesuffix(EGG) in sensors
        }
        assert held == climate

    def teardown(self):
        """Let everything become due, then look over the whole evening."""
        self.player.end()
        self.lives_are_legal()
        effects = flat(self.player)
        story = Story(self.player.events, self.player.plans)
        self.counted["holds"] += every_alarm_had_its_hold(story, effects)
        self.counted["clearings"] += nothing_clears_unseen(story, effects)
        self.counted["notices"] += notices_keep_the_rules(story, effects)
        self.counted["most repeats"] = max(self.counted["most repeats"], repeats_end(effects))
        self.counted["worse"] += self.lives.worst
        for priority in Priority:
            told = (one.priority for one in self.lives.open.values())
            self.counted[priority.value] += sum(one is priority for one in told)
        self.counted.update(self.player.counted)


@pytest.mark.timeout(120)
def test_every_state_is_entered():
    """Evenings keep every law, and every state of an alarm (A B C D G H I) was entered."""
    Evening.counted.clear()
    machine = settings(
        max_examples=60, stateful_step_count=30, deadline=None, derandomize=True, phases=[Phase.generate]
    )
    run_state_machine_as_test(Evening, settings=machine)
    counted = Evening.counted
    assert all(counted[letter] >= 50 for letter in "ABCDGHI"), counted
    assert counted["holds"] >= 100, counted
    assert counted["clearings"] >= 20, counted
    assert counted["notices"] >= 200, counted
    assert counted["worse"] >= 20, counted
