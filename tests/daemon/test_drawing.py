"""The one drawing function: nothing of a night is lost, hidden, cut or invented."""

import math
import re
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.drawing import (
    Curve,
    CurveDrawing,
    Flag,
    Forecast,
    Hue,
    Ink,
    Mark,
    Notch,
    Size,
    Step,
    Stretch,
    draw,
    draw_axis,
    rehearsed,
    stretches,
)
from daemon.drawing_inks import DARK, LIGHT, contrast, page_sheet
from daemon.drawing_shapes import Scale, columns, outside, scale_of
from daemon.drawing_table import table
from rules.reading import HOUR, MINUTE
from rules.span import Range, Span

BOX = Range(Span(28.5, 31.0), Span(26.0, 33.0))


def night(values: list[float], *, every: int = 30_000, **rest: object) -> CurveDrawing:
    """Make a strip of one curve over twelve hours and one hour ahead."""
    at = [i * every for i in range(len(values))]
    given_ = {"steps": (Step(0, 13 * HOUR, BOX),), "now": 12 * HOUR, "words": "Box", **rest}
    return CurveDrawing(0, 13 * HOUR, (Curve("temperature", stretches(at, values, 2 * every)),), **given_)  # type: ignore[arg-type]


def classes(svg: str) -> list[str]:
    """Give the classes of every element, after a strict parse."""
    return [element.get("class", "") for element in ET.fromstring(svg).iter()]


def of(svg: str, kind: str) -> list[ET.Element]:
    """Give the elements of a class."""
    return [element for element in ET.fromstring(svg).iter() if kind in element.get("class", "").split()]


@pytest.mark.parametrize("size", Size, ids=[size.name for size in Size])
@pytest.mark.parametrize("width", [None, 640], ids=["page", "picture"])
def test_each_size_is_well_formed_and_carries_no_style_attribute(size: Size, width: int | None) -> None:
    """Every size, on the page and as a picture, is XML without style attributes or scripts."""
    svg = draw(night([29.0, 30.0] * 700), size, width=width, inks=LIGHT if width else None)
    root = ET.fromstring(svg)
    assert root.get("aria-label") == "Box"
    assert not [e for e in root.iter() if "style" in e.attrib or e.tag.endswith("script")]
    assert ("<style>" in svg) is (width is not None)


def test_a_gap_stays_a_gap_and_says_so() -> None:
    """Two covered stretches are two lines; between them is a dotted rest with words."""
    values = [29.5] * 400 + [math.nan] * 300 + [29.5] * 400
    svg = draw(night(values), Size.TALL, width=700, inks=LIGHT)
    assert len(of(svg, "curve")) == 2
    assert len(of(svg, "gap")) == 1
    assert "no readings" in svg


def test_silence_till_now_is_drawn_till_now() -> None:
    """A curve that ended hours ago goes on as a dotted rest up to the present, not beyond."""
    svg = draw(night([29.5] * 600), Size.TALL, width=1300, inks=LIGHT)
    assert of(svg, "gap")[0].get("d", "").endswith("H1200.0")


@pytest.mark.parametrize("size", Size, ids=[size.name for size in Size])
def test_one_spike_among_thousands_of_readings_is_seen(size: Size) -> None:
    """A single reading out of ideal keeps its height and its thick ink at every size."""
    values = [29.5] * 4_000
    values[1_234] = 40.0
    drawing = night(values, every=10_000)
    svg = draw(drawing, size, width=size.columns, inks=LIGHT)
    assert len(of(svg, "over")) >= 2
    scale = scale_of(drawing, size, size.columns)
    highest = min(float(y) for y in re.findall(r" (-?[\d.]+)", of(svg, "out")[0].get("d", "")))
    assert highest == pytest.approx(scale.y(40.0), abs=0.1)


@given(st.lists(st.floats(-30, 60), min_size=1, max_size=900), st.integers(10, 400))
@settings(max_examples=60, deadline=None)
def test_columns_keep_the_extremes(values: list[float], width: int) -> None:
    """However many readings fall on one px, its lowest and highest are kept."""
    at = list(range(len(values)))
    scale = Scale(start=0, per_ms=width / len(values), high=60, per_unit=1, top=0, bottom=90, width=width)
    part = columns(Stretch(at, values), scale)
    assert min(part.low) == min(values)
    assert max(part.high) == max(values)
    assert len(part.x) <= 1.3 * width + 2
    assert part.x == sorted(part.x)


@given(st.lists(st.floats(20, 40, width=32), min_size=2, max_size=200))
@settings(max_examples=60, deadline=None)
def test_thick_ink_stands_exactly_where_ideal_is_left(values: list[float]) -> None:
    """There is an area on a side if and only if a value lies on that side of ideal."""
    at = list(range(0, 1000 * len(values), 1000))
    scale = Scale(start=0, per_ms=0.01, high=40, per_unit=2, top=0, bottom=40, width=10 * len(values))
    part = columns(Stretch(at, values), scale)
    steps = (Step(0, 1000 * len(values), BOX),)
    assert bool(outside(part, steps, scale, under=True).areas) is (min(values) < 28.5)
    assert bool(outside(part, steps, scale, under=False).areas) is (max(values) > 31.0)


def test_ranges_of_day_and_night_are_steps() -> None:
    """By night another range holds: the spans change over at the edge, and so does what is out."""
    cool = Range(Span(20, 25), Span(18, 28))
    drawing = night([24.0] * 1_440, steps=(Step(0, 6 * HOUR, cool), Step(6 * HOUR, 13 * HOUR, BOX)))
    svg = draw(drawing, Size.TALL, width=1300, inks=LIGHT)
    assert of(svg, "ideal")[0].get("d", "").count("M") == 2
    left = re.match(r"M([\d.]+) ", of(svg, "fill")[0].get("d", ""))
    assert left is not None
    assert float(left[1]) == pytest.approx(600, abs=1)


def test_words_of_marks_never_meet_and_stay_inside() -> None:
    """Marks close together and at the right edge keep their words inside and apart."""
    flags = tuple(Flag(int((i + 10.4) * HOUR / 1), Mark.RAISED, "too humid") for i in (0, 0.1, 0.2, 2.5))
    svg = draw(night([29.5] * 1_440, flags=flags), Size.FULL, width=900, inks=LIGHT)
    spans = []
    for group in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}g"):
        for text in group.iter("{http://www.w3.org/2000/svg}text"):
            if text.text != "too humid":
                continue
            x = float(re.findall(r"[\d.]+", group.get("transform", ""))[0]) + float(text.get("x", "0"))
            wide = 6.2 * len(text.text)
            left = x - wide if text.get("text-anchor") == "end" else x
            assert left >= 0
            assert left + wide <= 900
            spans.append((float(text.get("y", "0")), left, left + wide))
    assert len(spans) == 4
    for i, (y, left, right) in enumerate(spans):
        assert all(y != other[0] or right <= other[1] or left >= other[2] for other in spans[:i])


def test_words_are_escaped() -> None:
    """A name that looks like markup stays words."""
    nasty = '<script>"&'
    drawing = night([29.5] * 10, words=nasty, flags=(Flag(HOUR, Mark.NOTE, nasty),))
    svg = draw(drawing, Size.FULL)
    assert "<script>" not in svg
    ET.fromstring(svg)


def test_a_forecast_is_a_cone_with_a_ring() -> None:
    """Right of now: a dashed line to the limit, early and late as a cone, a ring where safe is left."""
    ahead = Forecast(12 * HOUR, 27.0, 26.0, 12 * HOUR + 10 * MINUTE, 12 * HOUR + 20 * MINUTE, None)
    svg = draw(night([29.5] * 1_400 + [27.0] * 40, forecast=ahead), Size.TALL, width=1300, inks=LIGHT)
    assert [len(of(svg, kind)) for kind in ("cone", "ahead", "ring")] == [1, 1, 1]


def test_past_nights_are_drawn_but_not_judged() -> None:
    """Earlier nights lie behind as thin lines; only the present one is filled towards ideal."""
    last, this = (Stretch([0, HOUR], [value, value]) for value in (20.0, 29.5))
    curves = (Curve("last night", (last,), Ink.PAST), Curve("tonight", (this,)))
    drawing = CurveDrawing(0, HOUR, curves, steps=(Step(0, HOUR, BOX),))
    svg = draw(drawing, Size.FULL)
    assert len(of(svg, "past")) == 1
    assert not of(svg, "fill")


@pytest.mark.parametrize(
    "values", [[], [29.5], [math.nan] * 5, [29.5, 29.5]], ids=["none", "one", "nan", "flat"]
)
def test_little_data_is_drawn_all_the_same(values: list[float]) -> None:
    """No reading, one reading or a flat curve still give a strip."""
    for size in Size:
        ET.fromstring(draw(night(values), size))


def test_one_sided_and_missing_ranges_are_drawn() -> None:
    """A freezer has only an upper end; a new place has no range at all."""
    freezer = Range(None, Span(None, -17.8))
    for steps in ((Step(0, 13 * HOUR, freezer),), (Step(0, 13 * HOUR, None),), ()):
        svg = draw(night([-19.0, -16.0] * 600, steps=steps), Size.FULL)
        assert bool(of(svg, "fill")) is (bool(steps) and steps[0].range is not None)


def test_the_axis_is_whole_at_both_edges() -> None:
    """Hours at the edges are turned inwards, and the one under "now" makes room for it."""
    notches = tuple(Notch(i * HOUR, f"{(19 + i) % 24:02}", i == 5) for i in range(14))
    svg = draw_axis(night([], notches=notches), width=700, inks=LIGHT)
    texts = list(ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}text"))
    assert texts[0].get("text-anchor") is None
    assert "07" not in [text.text for text in texts]
    assert texts[-1].text == "now"


def test_the_table_tells_what_the_picture_shows() -> None:
    """For ears: each hour's lowest and highest, its state in words, silence, and marks."""
    values = [29.5] * 600 + [27.0] * 360 + [25.0] * 60
    flags = (Flag(6 * HOUR, Mark.RAISED, "too cool"),)
    rows = table(night(values, flags=flags), lambda at: f"{at // HOUR}:00")
    assert len(rows) == 12
    assert [row.state for row in rows] == [
        *["in ideal"] * 5,
        *["below ideal"] * 3,
        "below safe",
        *["no readings"] * 3,
    ]
    assert rows[6].marks == "6:00 too cool"
    assert (rows[0].lowest, rows[8].lowest) == ("29.5", "25.0")


@pytest.mark.parametrize("inks", [LIGHT, DARK], ids=["light", "dark"])
def test_contrast_is_enough(inks: dict[str, str]) -> None:
    """Words reach 4.5 to 1 on every ground, lines and marks 3 to 1 (WCAG 2.2, 1.4.3 and 1.4.11)."""
    for ground in ("paper", "leaf", "night", "safe", "ideal"):
        for words in ("ink", "soft"):
            assert contrast(inks[words], inks[ground]) >= 4.5, (words, ground)
        for mark in ("curve", "second", "cool", "warm", "dry", "humid", "focus"):
            assert contrast(inks[mark], inks[ground]) >= 3, (mark, ground)
    for mark in ("edge",):
        assert contrast(inks[mark], inks["paper"]) >= 3


def blended(colour: str, share: float, ground: str) -> str:
    """Lay a colour over a ground with that opacity."""
    pairs = zip(*((int(c[i : i + 2], 16) for i in (1, 3, 5)) for c in (colour, ground)), strict=True)
    return "#" + "".join(f"{round(share * top + (1 - share) * below):02x}" for top, below in pairs)


@pytest.mark.parametrize("inks", [LIGHT, DARK], ids=["light", "dark"])
def test_words_are_read_on_filled_areas_too(inks: dict[str, str]) -> None:
    """Over what left ideal, and over a forecast, ink still reaches 4.5 to 1; each word has its halo."""
    for side in ("cool", "warm", "dry", "humid"):
        for ground in ("paper", "night", "safe", "ideal"):
            assert contrast(inks["ink"], blended(inks[side], 0.24, inks[ground])) >= 4.5, (side, ground)
    flags = (Flag(6 * HOUR, Mark.RAISED, "too cool"),)
    svg = draw(night([27.0] * 900, flags=flags), Size.FULL)
    words = list(ET.fromstring(svg).iter("text"))
    assert words
    assert all({"halo", "bold", "faint"} & set(text.get("class", "").split()) for text in words)


def test_a_rehearsal_shows_both_sets_of_marks() -> None:
    """What is judged hangs from the top, what is proposed stands at the foot, each with its words."""
    current = (Flag(3 * HOUR, Mark.RAISED, "too cool"), Flag(4 * HOUR, Mark.CLEARED, "right again"))
    proposed = (Flag(5 * HOUR, Mark.RAISED, "too cool"), Flag(20 * HOUR, Mark.RAISED, "beyond"))
    svg = draw(rehearsed(night([29.0] * 900), current, proposed), Size.FULL, width=700, inks=LIGHT)
    titles = [e.text for e in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}title")]
    assert titles == ["too cool", "right again", "proposed: too cool"]
    assert len(of(svg, "mast")) == 1
    assert svg.count(">too cool</text>") == 2


def test_whole_hours_are_written_first() -> None:
    """Where not every line of the axis has room for words, half hours give way to whole ones."""
    notches = tuple(Notch(i * HOUR // 2, f"{i // 2:02}:{30 * (i % 2):02}") for i in range(1, 26))
    svg = draw_axis(night([], notches=notches, now=None))
    words = [text.text or "" for text in ET.fromstring(svg).iter("text")]
    assert len(words) >= 5
    assert all(word.endswith(":00") for word in words)


def test_known_contrasts() -> None:
    """Black on white is 21 to 1; #767676 on white is the lightest grey that reaches 4.5."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert 4.5 <= contrast("#767676", "#ffffff") < 4.6


def test_the_page_sheet_knows_every_ink_in_both_lights() -> None:
    """Each colour is a property by day and by night, and no rule is left with a blank."""
    sheet = page_sheet()
    for name in LIGHT:
        assert sheet.count(f"--{name}:#") == 2
    assert "$" not in sheet


def test_hues_tell_dry_from_cool() -> None:
    """Leaving ideal downwards has another class for humidity than for temperature."""
    svg = draw(night([60.0] * 100, hue=Hue.HUMIDITY), Size.THIN)
    assert "strip thin humidity" in classes(svg)


def test_an_axis_without_length_is_refused() -> None:
    """An end that is not after the start is a bug of the caller."""
    with pytest.raises(ValueError, match="end after its start"):
        CurveDrawing(5, 5, ())
