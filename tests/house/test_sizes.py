"""Small modules, small functions, few parameters, one word per concept."""

import statistics

import pytest

from tests.kit.source import FLOORS, functions, parts_of, public_names, python_files, text_of

BANNED = frozenset(
    [
        "site",
        "project",
        "zone",
        "node",
        "tank",
        "region",
        "probe",
        "metric",
        "channel",
        "sample",
        "datapoint",
        "threshold",
        "setpoint",
        "incident",
        "breach",
        "severity",
        "level",
        "notification",
        "push",
        "user",
        "recipient",
        "trace",
        "dashboard",
        "backtest",
    ]
)
"""Synonyms of words of the glossary: one word per concept."""

OTHER_CONCEPTS = (
    ("daemon/", "zone"),  # a time zone, as in the key time_zone
    ("daemon/", "time_zone"),  # the key itself
    ("daemon/", "user"),  # who logs in at the broker: the key that its own documentation has
    ("sensors/link.py", "user"),  # the same
    ("daemon/settings_sensor.py", "channel"),  # the kernel's word for "temp1" of a hwmon driver
    ("daemon/settings_sensor.py", "Channel"),  # the same
    ("rules/incubation/", "threshold"),  # the developmental threshold of the literature on degree-days
    ("rules/incubation/", "THRESHOLDS"),  # the same
    ("rules/incubation/", "GENERIC_THRESHOLD"),  # the same
)
"""Words that name something else there: (beginning of the file, name)."""


def names_another_concept(name, word):
    """Tell whether a word is a term of its own in that file."""
    return any(name.startswith(where) and word == term for where, term in OTHER_CONCEPTS)


class TestSizes:
    @pytest.mark.parametrize("floor", FLOORS)
    def test_no_module_is_longer_than_600_lines(self, floor):
        """A module that grows beyond 600 lines is two modules."""
        lengths = {name: len(text_of(name).splitlines()) for name in python_files(floor)}
        assert not {name: length for name, length in lengths.items() if length > 600}

    @pytest.mark.parametrize("floor", FLOORS)
    def test_no_function_is_longer_than_50_lines_of_code(self, floor):
        """A function has at most 50 lines of code, half of them at most 10."""
        found = [one for name in python_files(floor) for one in functions(name)]
        assert not [f"{one.where}: {one.lines}" for one in found if one.lines > 50]
        assert statistics.median(one.lines for one in found) <= 10

    @pytest.mark.parametrize("floor", FLOORS)
    def test_no_function_has_more_than_5_positional_parameters(self, floor):
        """More than five positional parameters are a dataclass."""
        found = [one for name in python_files(floor) for one in functions(name)]
        dunder = ("__init__", "__new__", "__call__", "__exit__")
        assert not [
            f"{one.where}: {one.parameters}"
            for one in found
            if one.parameters > 5 and not one.where.endswith(dunder)
        ]


class TestWords:
    @pytest.mark.parametrize("floor", FLOORS)
    def test_one_word_per_concept(self, floor):
        """No public name uses a synonym of a word of the glossary."""
        wrong = [
            f"{name}:{line} {word}"
            for name in python_files(floor)
            for line, word in public_names(name)
            if BANNED & parts_of(word) and not word.startswith("_") and not names_another_concept(name, word)
        ]
        assert not wrong

    @pytest.mark.parametrize(
        ("identifier", "found"),
        [
            ("sample_rate", True),
            ("SetpointChange", True),
            ("channels", True),
            ("example", False),
            ("HTTPUser", True),
        ],
        ids=str,
    )
    def test_the_look_for_words_is_sharp(self, identifier, found):
        """The test itself tells a banned word from one that only contains its letters."""
        assert bool(BANNED & parts_of(identifier)) is found
