"""The colours of every picture: a muted blue-grey body and one hue a leg.

The hues are of the palette that Okabe & Ito, Color Universal Design (2008), made for readers of every kind
of colour vision (values: matplotlib's colour sequence "okabe_ito").
"""

from __future__ import annotations

BODY = "#7f8fa3"

LEG = {
    "front_left": "#0072b2",  # blue
    "front_right": "#e69f00",  # orange
    "rear_left": "#009e73",  # bluish green
    "rear_right": "#cc79a7",  # reddish purple
}


def rgb(colour: str) -> tuple[float, float, float]:
    """Red, green and blue from 0 to 1 of a colour written `#rrggbb`."""
    red, green, blue = bytes.fromhex(colour.lstrip("#"))
    return red / 255, green / 255, blue / 255
