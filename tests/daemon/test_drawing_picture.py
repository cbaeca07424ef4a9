"""A drawing becomes a PNG in which words can be read."""

import struct
import zlib
from pathlib import Path

import pytest

from daemon import picture
from daemon.drawing import Curve, CurveDrawing, Flag, Mark, Size, Stretch, draw
from daemon.drawing_inks import LIGHT
from rules.reading import HOUR


def pixels(png: bytes) -> tuple[int, int, list[bytes]]:
    """Decode an 8-bit RGBA PNG: width, height and rows, with the five filters of the standard."""
    assert png.startswith(b"\x89PNG\r\n\x1a\n")
    at, packed, head = 8, b"", b""
    while at < len(png):
        (length,) = struct.unpack_from(">I", png, at)
        kind, body = png[at + 4 : at + 8], png[at + 8 : at + 8 + length]
        head = body if kind == b"IHDR" else head
        packed += body if kind == b"IDAT" else b""
        at += 12 + length
    width, height, depth, colour = struct.unpack_from(">IIBB", head)
    assert (depth, colour) == (8, 6)
    raw, rows, before = zlib.decompress(packed), [], bytearray(4 * width)
    for y in range(height):
        begin = y * (4 * width + 1)
        before = _unfiltered(raw[begin], bytearray(raw[begin + 1 : begin + 1 + 4 * width]), before)
        rows.append(bytes(before))
    return width, height, rows


def _unfiltered(kind: int, row: bytearray, up: bytearray) -> bytearray:
    for i in range(len(row)):
        a, b, c = (row[i - 4], up[i], up[i - 4]) if i >= 4 else (0, up[i], 0)
        guess = min((a, b, c), key=lambda v: (abs(a + b - c - v), (a, b, c).index(v)))
        row[i] = (row[i] + (0, a, b, (a + b) // 2, guess)[kind]) & 255
    return row


def strip(words: str) -> CurveDrawing:
    """Make a flat strip with one mark."""
    return CurveDrawing(
        0,
        HOUR,
        (Curve("t", (Stretch([0, HOUR], [20.0, 20.0]),)),),
        flags=(Flag(HOUR // 2, Mark.RAISED, words),),
    )


def dark(rows: list[bytes], columns: range, lines: range) -> int:
    """Count dark pixels in a part of the picture."""
    return sum(sum(rows[y][4 * x : 4 * x + 3]) < 240 for y in lines for x in columns)


def test_words_are_in_the_picture() -> None:
    """Where the words of a mark stand there is ink; without words there is none."""
    with_words, without = (
        pixels(picture.png(draw(strip(words), Size.PRINT, width=400, inks=LIGHT)))[2]
        for words in ("too cool", "")
    )
    part = range(2 * 214, 2 * 270), range(2 * 1, 2 * 13)
    assert dark(with_words, *part) > 100
    assert dark(without, *part) == 0


def test_the_picture_is_twice_its_px() -> None:
    """A picture of 400 px is rendered at 800 for fine screens."""
    width, height, _ = pixels(picture.png(draw(strip("x"), Size.TALL, width=400, inks=LIGHT)))
    assert (width, height) == (800, 120)


def test_a_missing_font_is_said(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Without a font there is an error that names the package, not a picture without words."""
    monkeypatch.setattr(picture, "FACES", (str(tmp_path / "none.ttf"),))
    with pytest.raises(picture.NoFaceError, match="fonts-dejavu-core"):
        picture.png(draw(strip("x"), Size.TALL, width=400, inks=LIGHT))
