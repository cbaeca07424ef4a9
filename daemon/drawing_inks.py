"""Paper, ink and two greens: every colour of page, picture and report, once.

The page gets them as custom properties with a rule for darkness; a picture
carries them as literals. Contrast is computed in a test, not judged by eye.
"""

from collections.abc import Mapping
from string import Template
from types import MappingProxyType

LIGHT: Mapping[str, str] = MappingProxyType({
    "paper": "#faf8f1", "leaf": "#f2efe4", "ink": "#1c2b2a", "soft": "#535f5c", "rule": "#d9d5c6",
    "edge": "#75807a", "night": "#f1eee2", "safe": "#e6eadb", "ideal": "#cbdfca", "curve": "#1d4a46",
    "second": "#6a5a80", "past": "#8d9a92", "cool": "#3448b0", "warm": "#a33a17", "dry": "#835200",
    "humid": "#126a80", "plain": "#444444", "focus": "#0b57a4",
})  # fmt: skip
"""Colours by day."""

DARK: Mapping[str, str] = MappingProxyType({
    "paper": "#111817", "leaf": "#1a2321", "ink": "#ece8da", "soft": "#a7b1aa", "rule": "#2d3835",
    "edge": "#84908a", "night": "#0b100f", "safe": "#1a2824", "ideal": "#264037", "curve": "#b4dccd",
    "second": "#c9b5e6", "past": "#728179", "cool": "#b0bdff", "warm": "#f4a586", "dry": "#e6c06c",
    "humid": "#86cfe2", "plain": "#cccccc", "focus": "#8cc4ff",
})  # fmt: skip
"""Colours by night."""

_SIDES = {
    "temperature": ("cool", "warm"),
    "humidity": ("dry", "humid"),
    "plain": ("plain", "plain"),
}

_RULES = Template("""\
.strip .paper{fill:$paper}
.strip .night{fill:$night}
.strip .safe{fill:$safe}
.strip .ideal{fill:$ideal}
.strip .notch{stroke:$rule;stroke-width:1;fill:none}
.strip .midnight{stroke:$edge;stroke-width:1;fill:none;stroke-dasharray:1 3}
.strip .now{stroke:$ink;stroke-width:1;fill:none}
.strip .curve{fill:none;stroke:$curve;stroke-width:1.4;stroke-linejoin:round}
.strip .band{fill:$curve;fill-opacity:.38;stroke:$curve;stroke-width:.6;stroke-opacity:.7}
.strip .second{fill:none;stroke:$second;stroke-width:1.2;stroke-dasharray:7 2}
.strip .felt{fill:none;stroke:$second;stroke-width:1.6}
.strip .past{fill:none;stroke:$past;stroke-width:1}
.strip .gap{fill:none;stroke:$edge;stroke-width:1.2;stroke-dasharray:1 4}
.strip .cone{stroke:none;fill-opacity:.22}
.strip .ahead{fill:none;stroke-width:1.6;stroke-dasharray:4 3}
.strip .ring{fill:$paper;stroke-width:1.6}
.strip .fill{stroke:none;fill-opacity:.24}
.strip .out{fill:none;stroke-width:2.6;stroke-linejoin:round}
.strip .dot{fill:$curve;stroke:$paper;stroke-width:1.5}
.strip .flag{fill:$ink;stroke:$ink;stroke-width:1.2}
.strip .mast{fill:none;stroke:$ink;stroke-width:1;stroke-dasharray:2 3}
.strip .order{fill:$paper;stroke:$ink;stroke-width:1.2}
.strip text{fill:$ink;font-family:$face;font-size:11px}
.strip .halo{stroke:$paper;stroke-width:3;stroke-linejoin:round;paint-order:stroke}
.strip .faint{fill:$soft}
.strip .bold{font-weight:bold}
""")

_SIDE_RULES = Template("""\
.strip.$hue .under.fill,.strip.$hue .under.cone{fill:$low}
.strip.$hue .over.fill,.strip.$hue .over.cone{fill:$high}
.strip.$hue .under.out,.strip.$hue .under.ahead,.strip.$hue .under.ring{stroke:$low}
.strip.$hue .over.out,.strip.$hue .over.ahead,.strip.$hue .over.ring{stroke:$high}
""")

PAGE_FACE = "ui-sans-serif,'Helvetica Neue','DejaVu Sans',sans-serif"
"""Faces of small words on the page: what the device has."""

PICTURE_FACE = "DejaVu Sans"
"""Face of words in a PNG."""


def rules(inks: Mapping[str, str], face: str) -> str:
    """Give the style rules of a strip with these colours.

    Args:
        inks: A colour for every name of ``LIGHT``.
        face: Font family of the words.
    """
    parts = [_RULES.substitute(inks, face=face)]
    for hue, (low, high) in _SIDES.items():
        parts.append(_SIDE_RULES.substitute(hue=hue, low=inks[low], high=inks[high]))
    return "".join(parts)


def _properties(inks: Mapping[str, str]) -> str:
    return "".join(f"--{name}:{colour};" for name, colour in inks.items())


def page_sheet() -> str:
    """Give the style sheet of the page's strips: light, dark, and light in print."""
    variables = {name: f"var(--{name})" for name in LIGHT}
    return (
        f":root{{color-scheme:light dark;{_properties(LIGHT)}}}\n"
        f"@media screen and (prefers-color-scheme:dark){{:root{{{_properties(DARK)}}}}}\n"
        ".strip path,.strip rect{vector-effect:non-scaling-stroke}\n.strip>svg{overflow:visible}\n"
        + rules(variables, PAGE_FACE)
    )


def contrast(one: str, other: str) -> float:
    """Give the contrast of two colours written #rrggbb, 1 to 21.

    Source: WCAG 2.2, definitions of contrast ratio and relative luminance.
    """
    bright, dim = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)


def _luminance(colour: str) -> float:
    """Relative luminance of #rrggbb."""
    parts = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
