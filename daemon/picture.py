"""A drawing as PNG. The renderer takes fonts from the system: without one there are no words."""

from pathlib import Path

FACES = (
    "/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf",
    "/usr/share/fonts/truetype/dejavu/DejaVuSans-Bold.ttf",
)
"""Where Debian's package fonts-dejavu-core puts the face of pictures."""


class NoFaceError(Exception):
    """There is no font to write a picture's words with; who installs can mend it."""


def faces() -> list[str]:
    """Give the font files of pictures.

    Raises:
        NoFaceError: Not one is there.
    """
    found = [face for face in FACES if Path(face).is_file()]
    if not found:
        raise NoFaceError("no font for pictures: install the package fonts-dejavu-core")
    return found


def png(svg: str) -> bytes:
    """Render a fixed-width drawing.

    Raises:
        NoFaceError: There is no font; the text goes out without its picture.
        ValueError: The drawing is not SVG (a bug of ours).
    """
    import resvg_py

    # Twice the size: phones have fine screens.
    return bytes(resvg_py.svg_to_bytes(svg_string=svg, font_files=faces(), zoom=2, skip_system_fonts=True))
