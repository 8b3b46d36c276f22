"""How the watchdog's states look in every picture."""

from __future__ import annotations

from matplotlib.patches import Rectangle

from quadleg.plotting.sheet import INK, tinted

# Colour and hatch, apart from the hues of the legs.
STATES = {
    "off": ("#f1f3f5", ""),
    "rising": ("#d3dae2", "///"),
    "active": ("#aebbc9", ""),
    "hold": ("#f3dd9b", "..."),
    "lowering": ("#d3dae2", "\\\\\\"),
    "fault": ("#e58a80", "xxx"),
}
STATE_EDGE = tinted(INK, 0.45)
_OF_OUTPUT = {"following": "active", "holding": "hold", "stopped": "fault"}


def shown_state(state: str) -> str:
    """The watchdog's state in whose colour a state of servo_output is shown."""
    return _OF_OUTPUT.get(state, state)


def state_patch(state: str, label: str = "") -> Rectangle:
    """A patch as the state is shown, for a legend or a band of states."""
    colour, hatch = STATES[state]
    return Rectangle(
        (0, 0), 1, 1, facecolor=colour, edgecolor=STATE_EDGE, hatch=hatch, linewidth=0.5, label=label or state
    )
