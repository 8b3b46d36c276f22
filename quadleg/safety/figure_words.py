"""How figures of codes are shown to people: joints, ways to walk, velocities, axes, and the digits of quantities."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from math import degrees

from quadleg.gait.velocity_selection import WalkDirection
from quadleg.geometry.planar import Planar
from quadleg.robot.model import JOINTS

_WAYS = {
    WalkDirection.FORWARD.value: "walk forward",
    WalkDirection.BACKWARD.value: "walk backward",
    WalkDirection.LEFT.value: "walk to the left",
    WalkDirection.RIGHT.value: "walk to the right",
    WalkDirection.TURN_LEFT.value: "turn left",
    WalkDirection.TURN_RIGHT.value: "turn right",
}


def joints_in_words(joints: Iterable[str]) -> str:
    """Joints as a person calls them: "rear knees" for both of them."""
    rest = list(joints)
    said = []
    for end in ("front", "rear"):
        for kind in JOINTS:
            pair = [f"{end}_left_{kind}", f"{end}_right_{kind}"]
            if all(name in rest for name in pair):
                said.append(f"{end} {kind}s")
                rest = [name for name in rest if name not in pair]
    return ", ".join([*said, *rest])


def code_in_words(code: str) -> str:
    """A code as words of a sentence: "walks badly"."""
    return code.replace("_", " ")


def velocity_in_words(twist: Planar) -> str:
    """A body velocity (m/s, m/s, rad/s); what is nothing is left out."""
    ways = (("m/s forward", "m/s backward"), ("m/s to the left", "m/s to the right"), ("rad/s left", "rad/s right"))
    parts = [f"{abs(value):.3f} {way[value < 0]}" for value, way in zip(twist, ways) if abs(value) >= 0.0005]
    return ", ".join(parts) or "on the spot"


def volts(voltage: float) -> str:
    """A voltage, without its unit, as all below."""
    return f"{voltage:.2f}"


def amperes(current: float) -> str:
    """A current in A."""
    return f"{current:.1f}"


def whole_degrees(angle: float) -> str:
    """An angle in rad, in degrees."""
    return f"{degrees(angle):.0f}"


def whole_millimetres(length: float) -> str:
    """A length in m, in mm."""
    return f"{1000 * length:.0f}"


def whole_percent(share: float) -> str:
    """A share of one, in %."""
    return f"{100 * share:.0f}"


def _velocity(text: str) -> str:
    try:
        x, y, yaw = map(float, text.split())
    except ValueError:  # of another program
        return text
    return velocity_in_words((x, y, yaw))


# By the name of a figure; others are shown as they are.
FIGURE_WORDS: Mapping[str, Callable[[str], str]] = {
    "joints": lambda text: joints_in_words(text.split()),
    "ways": lambda text: " or ".join(_WAYS.get(way, way) for way in text.split()),
    "velocity": _velocity,
    "asked_velocity": _velocity,
    "axes": lambda text: " and ".join(text.split()),
}
