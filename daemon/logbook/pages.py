"""Hour pages: one series' readings of one hour, packed. Pure.

A page keeps what a replay needs and no more: instant, value, quality, the round in
which each was judged, and notes. Stamps and counters served their purpose when the
row was stored; the page knows how many there were.

**The packing.** Everything is a list of unsigned varints (7 bits a byte, low first;
signed numbers zigzag), deflated where that is smaller:

====================  ==========================================================
field                 meaning
====================  ==========================================================
n                     number of readings
unit                  1000 where every instant is a whole second, else 1 (ms)
grain                 greatest common divisor of the values in thousandths
at[n]                 first offset in the hour, first difference, then
                      differences of differences (signed)
no value              count, then gaps between the positions without a value
raw[n - count]        first value, then differences, in grains (signed)
lag, quality          the commonest, count of others, then (gap, other) pairs
notes                 length, then UTF-8 bytes of a JSON object position -> note
====================  ==========================================================

Lag is now - at: kept exactly, so that a replay sees what live saw.

Source: delta-of-delta coding of instants as in PVLDB 8(12), 1816-1827, 2015.
"""

import hashlib
import json
import struct
import zlib
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise
from math import gcd

from rules.reading import HOUR, SECOND, Grade, Quality

COUNTED = bytes(
    1 if code in {q.code for q in Quality if q.grade in (Grade.GOOD, Grade.LATE)} else 0
    for code in range(256)
)
"""By quality code: 1 where a reading counts in statistics (good or late)."""

_PLAIN, _DEFLATED = b"\x00", b"\x01"
_NO_VALUE = -(2**63) + 1


class PageError(ValueError):
    """The bytes are no page."""


@dataclass(frozen=True, slots=True)
class Column:
    """Readings of one series, in judged order: by instant, then by arrival.

    Attributes:
        at: Instants, room time in ms, ascending.
        raw: Values in thousandths, None where there is none.
        quality: Quality codes, one byte each.
        now: Room time of the round that judged each, ms.
        notes: Notes by position.
    """

    at: Sequence[int]
    raw: Sequence[int | None]
    quality: bytes
    now: Sequence[int]
    notes: tuple[tuple[int, str], ...] = ()

    def __len__(self) -> int:
        return len(self.at)


@dataclass(frozen=True, slots=True)
class Summary:
    """What a page says without being unpacked; values in thousandths.

    Attributes:
        n: Readings in it.
        counted: Those with a value that are good or late.
        low: Lowest counted value, None where none counts.
        high: Highest counted value.
        total: Sum of the counted values: total / counted is the arithmetic mean.
    """

    n: int
    counted: int
    low: int | None
    high: int | None
    total: int


def summarised(column: Column) -> Summary:
    """Count, lowest, highest and sum of the readings that count."""
    counted = [
        raw for raw, code in zip(column.raw, column.quality, strict=True) if raw is not None and COUNTED[code]
    ]
    if not counted:
        return Summary(len(column), 0, None, None, 0)
    return Summary(len(column), len(counted), min(counted), max(counted), sum(counted))


def pack(column: Column, hour: int) -> bytes:
    """Pack the readings of one hour.

    Args:
        column: At least one reading; instants ascending.
        hour: The hour, in hours since room time 0.

    Returns:
        The bytes; :func:`unpack` gives exactly the same column.
    """
    start = hour * HOUR
    unit = SECOND if all(at % SECOND == 0 for at in column.at) else 1
    values = [raw for raw in column.raw if raw is not None]
    grain = gcd(*values) or 1
    numbers = [len(column), unit, grain]
    numbers += map(_zigzag, _second_differences([(at - start) // unit for at in column.at]))
    missing = [index for index, raw in enumerate(column.raw) if raw is None]
    numbers += [len(missing), *_gaps(missing)]
    numbers += map(_zigzag, _differences([value // grain for value in values]))
    numbers += _exceptions([now - at for now, at in zip(column.now, column.at, strict=True)])
    numbers += _exceptions(column.quality)
    notes = json.dumps(dict(column.notes)).encode() if column.notes else b""
    numbers += [len(notes), *notes]
    return _squeezed(_varints(numbers))


def unpack(packed: bytes, hour: int) -> Column:
    """Unpack what :func:`pack` made.

    Raises:
        PageError: The bytes are no page.
    """
    try:
        return _unpacked(_numbers(_opened(packed)), hour * HOUR)
    except (ValueError, IndexError, OverflowError, MemoryError, zlib.error) as error:
        raise PageError(f"the packed readings cannot be read: {error}") from error


def digest(
    name: str, hour: int, summary: Summary, extra: Sequence[int | None], column: Column | None
) -> bytes:
    """Digest the content of a page, whatever its packing.

    Args:
        name: Sensor and quantity, as one text.
        hour: The hour.
        summary: Its summary.
        extra: The page's other numbers (rows, stamped, flags).
        column: Its readings, or None where they were given up for room.

    Returns:
        16 bytes of SHA-256.
    """
    numbers = (summary.n, summary.counted, summary.low, summary.high, summary.total)
    seen = hashlib.sha256(repr((name, hour, numbers, tuple(extra))).encode())
    if column is not None:
        n = len(column)
        raws = [_NO_VALUE if raw is None else raw for raw in column.raw]
        seen.update(struct.pack(f"<{3 * n}q", *column.at, *raws, *column.now))
        seen.update(column.quality)
        seen.update(repr(column.notes).encode("utf-8", "backslashreplace"))
    return seen.digest()[:16]


def merged(first: Column, second: Column) -> Column:
    """Merge two columns of one series; of equal instants the first column's come first."""
    notes_first, notes_second = dict(first.notes), dict(second.notes)
    rows = [
        (at, first.raw[i], first.quality[i], first.now[i], notes_first.get(i))
        for i, at in enumerate(first.at)
    ]
    rows += [
        (at, second.raw[i], second.quality[i], second.now[i], notes_second.get(i))
        for i, at in enumerate(second.at)
    ]
    return column_of(rows)


def column_of(rows: Iterable[tuple[int, int | None, int, int, str | None]]) -> Column:
    """Make a column of (at, raw, quality code, now, note) in order of arrival."""
    ordered = sorted(rows, key=lambda row: row[0])
    return Column(
        at=[row[0] for row in ordered],
        raw=[row[1] for row in ordered],
        quality=bytes(row[2] for row in ordered),
        now=[row[3] for row in ordered],
        notes=tuple((index, row[4]) for index, row in enumerate(ordered) if row[4]),
    )


def _zigzag(number: int) -> int:
    return number * 2 if number >= 0 else -number * 2 - 1


def _zagzig(number: int) -> int:
    return -(number >> 1) - 1 if number & 1 else number >> 1


def _differences(numbers: Sequence[int]) -> list[int]:
    return [number - before for before, number in zip([0, *numbers], numbers, strict=False)]


def _second_differences(numbers: Sequence[int]) -> list[int]:
    first = _differences(numbers)
    return [*first[:2], *(number - before for before, number in pairwise(first[1:]))]


def _from_second_differences(numbers: list[int]) -> list[int]:
    return list(accumulate([*numbers[:1], *accumulate(numbers[1:])]))


def _gaps(positions: Sequence[int]) -> list[int]:
    return [number - before - 1 for before, number in zip([-1, *positions], positions, strict=False)]


def _exceptions(numbers: Sequence[int]) -> list[int]:
    usual = Counter(numbers).most_common(1)[0][0]
    others = [index for index, number in enumerate(numbers) if number != usual]
    out = [_zigzag(usual), len(others)]
    for gap, index in zip(_gaps(others), others, strict=True):
        out += (gap, _zigzag(numbers[index]))
    return out


def _varints(numbers: Iterable[int]) -> bytes:
    out = bytearray()
    for number in numbers:
        rest = number
        while rest > 127:
            out.append(rest & 127 | 128)
            rest >>= 7
        out.append(rest)
    return bytes(out)


def _numbers(data: bytes) -> list[int]:
    out: list[int] = []
    number = shift = 0
    for byte in data:
        if byte > 127:
            number |= (byte & 127) << shift
            shift += 7
        elif shift:
            out.append(number | byte << shift)
            number = shift = 0
        else:
            out.append(byte)
    if shift:
        raise PageError("the last number is cut off")
    return out


def _squeezed(data: bytes) -> bytes:
    squeezer = zlib.compressobj(9, zlib.DEFLATED, -15)
    small = squeezer.compress(data) + squeezer.flush()
    return _DEFLATED + small if len(small) < len(data) else _PLAIN + data


def _opened(packed: bytes) -> bytes:
    if packed[:1] == _PLAIN:
        return packed[1:]
    if packed[:1] == _DEFLATED:
        return zlib.decompressobj(-15).decompress(packed[1:], 16_000_000)
    raise PageError("unknown packing")


def _unpacked(numbers: list[int], start: int) -> Column:
    n, unit, grain = numbers[:3]
    if n < 1 or 3 + n > len(numbers):
        raise PageError("the count is wrong")
    place = 3 + n
    at = [
        start + unit * number for number in _from_second_differences([_zagzig(x) for x in numbers[3:place]])
    ]
    missing, place = _positions(numbers, place)
    values = accumulate(_zagzig(x) for x in numbers[place : place + n - len(missing)])
    place += n - len(missing)
    raw: list[int | None] = [grain * value for value in values]
    for index in missing:
        raw.insert(index, None)
    lag, place = _with_exceptions(numbers, place, n)
    quality, place = _with_exceptions(numbers, place, n)
    notes = bytes(numbers[place + 1 : place + 1 + numbers[place]])
    if len(raw) != n or place + 1 + numbers[place] != len(numbers):
        raise PageError("the count is wrong")
    now = [instant + late for instant, late in zip(at, lag, strict=True)]
    listed = tuple((int(key), str(note)) for key, note in json.loads(notes).items()) if notes else ()
    return Column(at, raw, bytes(quality), now, listed)


def _positions(numbers: list[int], place: int) -> tuple[list[int], int]:
    count = numbers[place]
    end = place + 1 + count
    gaps = numbers[place + 1 : end]
    if len(gaps) != count:
        raise PageError("the count is wrong")
    return [position - 1 for position in accumulate(gap + 1 for gap in gaps)], end


def _with_exceptions(numbers: list[int], place: int, n: int) -> tuple[list[int], int]:
    usual, count = _zagzig(numbers[place]), numbers[place + 1]
    out = [usual] * n
    position = -1
    end = place + 2 + 2 * count
    if end > len(numbers):
        raise PageError("the count is wrong")
    for index in range(place + 2, end, 2):
        position += numbers[index] + 1
        out[position] = _zagzig(numbers[index + 1])
    return out, end
