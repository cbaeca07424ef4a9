"""Alarms, mouths and sentences as plain JSON values, and back."""

import json

from hypothesis import given
from hypothesis import strategies as st

from rules.alarms import Alarm, Wrong
from rules.events import AlarmKey
from rules.life import Life
from rules.plan import Priority
from rules.snapshot import alarm_of, alarm_state, sentence_of, sentence_state
from rules.words import Degrees, Instant, Kelvin, Lasting, Number, Percent

NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
PIECES = st.one_of(
    st.text(max_size=20),
    st.builds(Degrees, NUMBERS),
    st.builds(Kelvin, NUMBERS),
    st.builds(Percent, NUMBERS),
    st.builds(Number, NUMBERS, st.text(max_size=5), st.integers(0, 3)),
    st.builds(Instant, st.integers(0, 1 << 60)),
    st.builds(Lasting, st.integers(0, 1 << 60)),
)
SENTENCES = st.lists(PIECES, max_size=8).map(tuple)
NAMES = st.text(min_size=1, max_size=8)
KEYS = st.builds(AlarmKey, NAMES, NAMES, NAMES, NAMES)
WRONGS = st.builds(
    Wrong, st.sampled_from(Priority), st.integers(0, 1 << 60), st.none() | NUMBERS, SENTENCES, SENTENCES
)


@st.composite
def alarms(draw):
    """Give any open alarm."""
    names = st.lists(NAMES, max_size=3).map(dict.fromkeys)
    return Alarm(
        draw(KEYS),
        draw(st.integers(0, 1 << 60)),
        draw(WRONGS),
        draw(st.sampled_from(Life)),
        draw(names),
        draw(st.none() | KEYS),
        draw(st.none() | st.sampled_from(Priority)),
        draw(st.integers(0, 1 << 60)),
        draw(st.integers(0, 8)),
        draw(names) or None,
        draw(st.booleans()),
    )


class TestRoundTrips:
    @given(SENTENCES)
    def test_a_sentence_comes_back_as_it_was(self, sentence):
        """Every kind of piece goes through JSON and back, floats exactly."""
        assert sentence_of(json.loads(json.dumps(sentence_state(sentence)))) == sentence

    @given(alarms())
    def test_an_alarm_comes_back_as_it_was(self, alarm):
        """Every field of an open alarm goes through JSON and back."""
        assert alarm_of(json.loads(json.dumps(alarm_state(alarm)))) == alarm
