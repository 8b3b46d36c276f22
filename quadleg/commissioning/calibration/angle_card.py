"""A card with angles, to print and hold to a joint: a circle on A4 paper, in SVG with true millimetres."""

from __future__ import annotations

from math import cos, radians, sin
from pathlib import Path

from quadleg.errors import OutputPathError

WIDTH, HEIGHT = 190, 265  # mm, within the margins of A4
CENTRE = (95.0, 95.0)  # mm from the left and the top: the joint's axis
RADIUS = 82.0
END = 170  # degrees to both sides of 0
RULER = 100.0

_HOW = (
    "Print at 100 %: this ruler has to be 100 mm long.",
    "Cut the circle out, and hold its cross to the joint's axis.",
    "Abduction, from the front: 0 points straight down from the level body.",
    "Hip, from the side: 0 points straight down from the level body.",
    "Knee, from the side: 0 points on along the upper leg.",
    "Read along the middle of the link, from axis to axis. Which side is positive is on the screen.",
)


def card() -> str:
    """The card as SVG: degrees to both sides of 0, a tick each degree, a number each 10."""
    x, y = CENTRE
    size = f'width="{WIDTH}mm" height="{HEIGHT}mm" viewBox="0 0 {WIDTH} {HEIGHT}"'
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" {size}>',
        '<g stroke="black" stroke-width="0.25" fill="none" font-family="sans-serif" font-size="3.6">',
        f'<rect x="0" y="0" width="{WIDTH}" height="{HEIGHT}" fill="white" stroke="none"/>',
        f'<path d="M{x - 6} {y}h12M{x} {y - 6}v12"/>',
    ]
    for degrees in range(-END, END + 1):
        length = 9.0 if degrees % 30 == 0 else 6.0 if degrees % 10 == 0 else 4.5 if degrees % 5 == 0 else 3.0
        inner = 12.0 if degrees % 30 == 0 else RADIUS - length
        (x0, y0), (x1, y1) = (_place(degrees, radius) for radius in (inner, RADIUS))
        parts.append(f'<path d="M{x0:.3f} {y0:.3f}L{x1:.3f} {y1:.3f}"/>')
        if degrees % 10 == 0:
            u, v = _place(degrees, RADIUS + 4.0)
            parts.append(_text(u, v + 1.3, f"{abs(degrees)}", "middle"))
    left, top = (WIDTH - RULER) / 2, 200
    ticks = "".join(f"M{left + mm} {top}v{3 if mm % 10 == 0 else 1.5}" for mm in range(0, int(RULER) + 1, 5))
    parts.append(f'<path d="M{left} {top}h{RULER}{ticks}"/>')
    parts += [_text(WIDTH / 2, top + 10 + 6 * number, line, "middle") for number, line in enumerate(_HOW)]
    return "\n".join([*parts, "</g>", "</svg>", ""])


def save_card(path: Path) -> None:
    """Write the card into a new file.

    Raises OutputPathError where that is not possible, or something is there already.
    """
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(card())
    except FileExistsError:
        raise OutputPathError(f"{path} exists already and is never overwritten: name a new file") from None
    except OSError as error:
        raise OutputPathError(f"{path} cannot be written: {error.strerror}") from error


def _place(degrees: float, radius: float) -> tuple[float, float]:
    """The place on the card of an angle from straight down."""
    angle = radians(degrees)
    return CENTRE[0] + radius * sin(angle), CENTRE[1] + radius * cos(angle)


def _text(x: float, y: float, words: str, anchor: str) -> str:
    return f'<text x="{x:.2f}" y="{y:.2f}" fill="black" stroke="none" text-anchor="{anchor}">{words}</text>'
