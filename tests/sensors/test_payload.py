"""Payloads: what devices send, and what they should not."""

import json
import math
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from jsonpointer import EndOfList, JsonPointer, JsonPointerException

from rules.reading import Quality, Quantity
from sensors.payload import MISSING, Measured, PayloadError, Pick, decode, pointer_parts, walk

T, H, C = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.CONTACT
BOTH = Pick({T: "/t", H: "/h"}, time="/ts", counter="/n")
BARE = Pick({T: ""})
DOOR = Pick({C: ""})


def read(payload: bytes | str, pick: Pick = BOTH) -> Measured:
    """Decode and take in one go."""
    raw = payload if isinstance(payload, bytes) else payload.encode()
    return pick.take(decode(raw))


def value(payload: bytes | str, pick: Pick = BARE) -> tuple[float | None, Quality]:
    """Give the only value of a payload; NaN as None."""
    (only,) = read(payload, pick).values.values()
    return (None if math.isnan(only.raw) else only.raw, only.quality)


class TestNumbers:
    @pytest.mark.parametrize(
        ("payload", "expected"),
        [
            ("31.2", 31.2), ("-4", -4.0), (" 31.2\r\n", 31.2), ('"31.2"', 31.2), ('" 31.2 "', 31.2),
            ("+31.2", 31.2), (".5", 0.5), ("3e1", 30.0), ("0", 0.0), ("-0.0", 0.0),
        ],
    )  # fmt: skip
    def test_number_in_any_usual_spelling_is_read(self, payload: str, expected: float) -> None:
        """A bare number is read, as a text too."""
        assert value(payload) == (expected, Quality.GOOD)

    @pytest.mark.parametrize(
        "payload",
        ["null", "NaN", "nan", "Infinity", "-Infinity", "1e400", '"NaN"', '"ERROR"', "ERROR", "NULL",
         '"NULL"', "", "  ", '""', "9" * 400, "1e12", '"inf"', "-1e12"],
    )  # fmt: skip
    def test_device_without_a_value_is_a_sensor_fault(self, payload: str) -> None:
        """What is no number of this world is NaN with its quality, never climate and never a crash."""
        assert value(payload) == (None, Quality.NOT_A_NUMBER)

    @pytest.mark.parametrize(
        ("payload", "reason"),
        [
            ("31,2", "decimal comma"),
            ('"31,2"', "decimal comma"),
            ("true", "true or false"),
            ("[31.2]", "a list"),
            ('{"a":1}', "an object"),
            ("31.2 C", "more than a number"),
            ('"31.2°C"', "more than a number"),
            ('"warm"', "a text"),
            ("open", "a text"),
        ],
    )
    def test_other_kinds_are_refused_with_the_reason(self, payload: str, reason: str) -> None:
        """What is no number is refused in words that the keeper can act on."""
        with pytest.raises(PayloadError, match=reason):
            read(payload, BARE)

    @pytest.mark.parametrize(
        ("fahrenheit", "celsius"),
        [(40, 4.444), (41, 5.0), (0, -17.778), (70, 21.111), (90, 32.222), (185, 85.0), (-196.6, -127.0)],
    )
    def test_fahrenheit_is_converted(self, fahrenheit: float, celsius: float) -> None:
        """°F become °C (domain notes, section 7), and a fault number stays one."""
        got = read(json.dumps({"t": fahrenheit, "h": 80}), Pick({T: "/t", H: "/h"}, fahrenheit=True))

        assert celsius == pytest.approx(got.values[T].raw, abs=5e-4)
        assert got.values[H].raw == 80.0
        if celsius in {85.0, -127.0}:
            assert got.values[T].raw == celsius


class TestContact:
    @pytest.mark.parametrize(
        ("payload", "expected"),
        [("true", 1.0), ("false", 0.0), ("1", 1.0), ("0", 0.0), ("1.0", 1.0), ('"1"', 1.0)],
    )
    def test_two_states_are_read(self, payload: str, expected: float) -> None:
        """True and 1 are as it should be, false and 0 are not."""
        assert value(payload, DOOR) == (expected, Quality.GOOD)

    @pytest.mark.parametrize("payload", ["2", "0.5", "on", '"off"', "[1]", "-1"])
    def test_anything_else_is_refused(self, payload: str) -> None:
        """A contact has two states; words whose sense differs from device to device are refused."""
        with pytest.raises(PayloadError):
            read(payload, DOOR)

    def test_null_is_a_fault(self) -> None:
        """A contact that says null has no value."""
        assert value("null", DOOR) == (None, Quality.NOT_A_NUMBER)


class TestDocument:
    def test_everything_is_read_by_pointer(self) -> None:
        """Values, stamp and counter come out of one document."""
        got = read('{"t": 31.25, "h": "88", "ts": 1763020800.25, "n": 7}')

        assert (got.values[T].raw, got.values[H].raw) == (31.25, 88.0)
        assert (got.stamp, got.counter, got.problems) == (1_763_020_800_250, 7, ())

    def test_deep_pointer(self) -> None:
        """A pointer leads through objects and arrays, with the escapes of RFC 6901."""
        got = read('{"a/b": [{"~": {"": 28.5}}]}', Pick({T: "/a~1b/0/~0/"}))

        assert got.values[T].raw == 28.5

    def test_missing_quantity_beside_another_is_fine(self) -> None:
        """A message may bring only one of the quantities."""
        got = read('{"h": 80}', Pick({T: "/t", H: "/h"}))

        assert list(got.values) == [H]
        assert got.problems == ()

    def test_malformed_quantity_beside_another_is_counted(self) -> None:
        """One malformed value does not cost the other, and is told."""
        got = read('{"t": "31,2", "h": 80}', Pick({T: "/t", H: "/h"}))

        assert list(got.values) == [H]
        assert got.problems == ("temperature has a decimal comma; a point is needed",)

    def test_nothing_at_the_pointers_is_refused(self) -> None:
        """A document without any of the values is refused, and the pointers are named."""
        with pytest.raises(PayloadError, match='nothing at "/t", "/h"'):
            read('{"temp": 3}', Pick({T: "/t", H: "/h"}))

    def test_pointer_does_not_walk_into_a_text(self) -> None:
        """The pointer /t/0 finds nothing in "31", not 3."""
        with pytest.raises(PayloadError):
            read('{"t": "31"}', Pick({T: "/t/0"}))

    def test_fault_word_for_the_whole_measurement(self) -> None:
        """A device that sends ERROR instead of its document has no value of anything."""
        got = read("ERROR", Pick({T: "/t", H: "/h"}))

        assert [v.quality for v in got.values.values()] == [Quality.NOT_A_NUMBER] * 2

    @pytest.mark.parametrize(
        ("payload", "reason"),
        [
            (b"\xff\xfe3\x001\x00", "UTF-16"),
            ("31".encode("utf-16-be"), "NUL"),
            (b"\xef\xbb\xbf31.2", "byte-order mark"),
            (b"\xef\xbb\xbf{}", "byte-order mark"),
            (b'{"t": 1, "t": 2}', "stands twice"),
            (b'{"a": {"x": 1, "x": 1}, "t": 3}', "stands twice"),
            (b"[" * 4000, "nested|not JSON"),
            (b'{"a":' * 500 + b"1" + b"}" * 500, "nested|nothing"),
            (b'{"t": 31.2', "not JSON"),
            (b"{'t': 31.2}", "not JSON"),
            (b"\x80\x81", "not UTF-8"),
            (b'{"t": "' + b"a" * 5000 + b'"}', "longer than"),
            (b"9" * 5000, "longer than"),
            (b"\x1b" * 50, "not JSON"),
        ],
        ids=range(14),
    )  # fmt: skip
    def test_broken_documents_are_refused_with_the_reason(self, payload: bytes, reason: str) -> None:
        """Every known trap of JSON ends in a reason (trust notes, R12)."""
        with pytest.raises(PayloadError, match=reason):
            read(payload, Pick({T: "/t"}))

    @pytest.mark.parametrize("limit", [10_000, 100_000])
    def test_huge_integer_is_refused_under_a_wide_limit(self, limit: int) -> None:
        """An integer of 5,000 digits is no number, however long a payload may be."""
        got = BARE.take(decode(b"9" * 4000, limit))
        assert got.values[T].quality is Quality.NOT_A_NUMBER
        with pytest.raises(PayloadError):
            BARE.take(decode(b"9" * 5000, limit))


class TestStamp:
    @pytest.mark.parametrize(
        ("stamp", "expected"),
        [
            (1763020800, 1_763_020_800_000),
            (1763020800.25, 1_763_020_800_250),
            (1763020800250, 1_763_020_800_250),
            ("1763020800", 1_763_020_800_000),
            ("2025-11-13T08:00:00Z", 1_763_020_800_000),
            ("2025-11-13T09:00:00.250+01:00", 1_763_020_800_250),
            (12, 12_000),
        ],
    )
    def test_usual_stamps_are_read(self, stamp: Any, expected: int) -> None:
        """Unix seconds, Unix milliseconds and ISO 8601 with an offset are one instant."""
        assert read(json.dumps({"t": 1, "ts": stamp, "n": 1})).stamp == expected

    @pytest.mark.parametrize(
        "stamp",
        [None, True, "", "2025-11-13T08:00:00", "yesterday", -1, 1e18, [], {}, "0001-01-01T00:00:00+23:00",
         "9999-12-31T23:59:59-23:00", "2025-02-30T00:00:00Z", "NaN"],
        ids=repr,
    )  # fmt: skip
    def test_nonsense_keeps_the_value_and_is_counted(self, stamp: Any) -> None:
        """A stamp that is none costs no reading and is told."""
        got = read(json.dumps({"t": 31.2, "ts": stamp, "n": 1}))

        assert got.values[T].raw == 31.2
        assert got.stamp is None
        assert len(got.problems) == 1

    @pytest.mark.parametrize("counter", [None, True, -1, 1.5, "x", [], 2**63, "NaN", 1e400], ids=repr)
    def test_counter_that_is_none_is_counted(self, counter: Any) -> None:
        """A counter is a whole number from 0; anything else is told and left out."""
        got = read(json.dumps({"t": 31.2, "ts": 12, "n": counter}))

        assert got.counter is None
        assert len(got.problems) == 1

    def test_missing_stamp_is_told(self) -> None:
        """A stamp that the config promises and the message lacks is told."""
        got = read('{"t": 31.2, "n": 1}')

        assert (got.stamp, got.problems) == (None, ('nothing at "/ts"',))


class TestPick:
    @pytest.mark.parametrize("pointer", ["t", "/~2", "//~"])
    def test_bad_pointer_is_the_settings_fault(self, pointer: str) -> None:
        """A pointer that is none is refused before anything runs."""
        with pytest.raises(ValueError, match="no JSON pointer"):
            Pick({T: pointer})

    def test_no_quantity_is_refused(self) -> None:
        """A sensor that reads nothing is a mistake in the settings."""
        with pytest.raises(ValueError, match="no quantity"):
            Pick({})


KEYS = ["t", "h", "ts", "n", "0"]

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=6),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(KEYS), inner, max_size=4),
    max_leaves=12,
)


class TestAnyBytes:
    @given(
        st.binary(max_size=200)
        | json_values.map(lambda v: json.dumps(v).encode())
        | st.text(max_size=60).map(str.encode)
    )
    @example(b"[" * 5000)
    @example(b"9" * 4090)
    @example(b'{"t":' + b"9" * 4080 + b"}")
    def test_values_or_payload_error_and_nothing_else(self, payload: bytes) -> None:
        """Any bytes on any topic are values or a payload error."""
        for pick in (BOTH, BARE, DOOR, Pick({T: "/t/0", C: "/n"}, time="", counter="/0")):
            try:
                got = pick.take(decode(payload))
            except PayloadError:
                continue
            assert got.values
            for one in got.values.values():
                assert math.isnan(one.raw) == (one.quality is Quality.NOT_A_NUMBER)
                assert not math.isinf(one.raw)

    @given(json_values, st.lists(st.sampled_from(["t", "h", "0", "1", "n", "00", "-"]), max_size=3))
    def test_pointers_agree_with_the_library(self, document: Any, tokens: list[str]) -> None:
        """On objects and arrays our walk finds what the RFC 6901 library finds."""
        pointer = JsonPointer.from_parts(tokens)
        ours = walk(document, pointer_parts(pointer.path))
        try:
            theirs = pointer.resolve(document)
        except JsonPointerException:
            theirs = MISSING
        reached = [walk(document, tuple(tokens[:n])) for n in range(len(tokens))]
        if any(isinstance(here, str) for here in reached) or isinstance(theirs, EndOfList):
            theirs = MISSING  # The library walks into texts and past the end; we do not.

        assert ours is theirs or ours == theirs
