"""The table of an alarm's life, and what lies over it."""

import pytest

from rules.life import TRANSITIONS, Life, Over, Signal, after, seen_as


class TestTable:
    def test_every_state_can_be_left_and_entered(self):
        """No state is a dead end and none is out of reach."""
        entered = {state for moves in TRANSITIONS.values() for state in moves.values()}
        assert entered == set(Life) == set(TRANSITIONS)
        assert all(TRANSITIONS.values())

    @pytest.mark.parametrize("state", list(Life), ids=lambda state: state.name)
    @pytest.mark.parametrize("signal", list(Signal), ids=lambda signal: signal.name)
    def test_a_pair_that_is_missing_is_a_bug(self, state, signal):
        """A transition gives the table's state, or KeyError where the table has none."""
        if signal in TRANSITIONS[state]:
            assert after(state, signal) is TRANSITIONS[state][signal]
        else:
            with pytest.raises(KeyError):
                after(state, signal)

    def test_getting_worse_always_wants_to_be_seen(self):
        """Whatever somebody has seen before, WORSE leads to unacknowledged."""
        moves = [states[Signal.WORSE] for states in TRANSITIONS.values() if Signal.WORSE in states]
        assert moves == [Life.UNACKNOWLEDGED] * 2


class TestSeenAs:
    @pytest.mark.parametrize(
        ("over", "seen"),
        [
            ((False, False, False), Life.ACKNOWLEDGED),
            ((True, False, False), Over.SHELVED),
            ((True, True, False), Over.SUPPRESSED),
            ((False, True, False), Over.SUPPRESSED),
            ((True, True, True), Over.OUT_OF_SERVICE),
            ((False, False, True), Over.OUT_OF_SERVICE),
        ],
        ids=["bare", "shelved", "both", "suppressed", "all", "out of service"],
    )
    def test_the_topmost_is_seen(self, over, seen):
        """Out of service lies over suppressed, which lies over shelved."""
        shelved, suppressed, out = over
        state = Life.ACKNOWLEDGED
        assert seen_as(state, shelved=shelved, suppressed=suppressed, out_of_service=out) is seen

    def test_letters_are_those_of_the_standard(self):
        """A B C D for the alarm's own states, G H I for what lies over them."""
        assert [state.value for state in (*Life, *Over)] == ["A", "B", "C", "D", "G", "H", "I"]
