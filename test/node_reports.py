"""What nodes say in their diagnostics, as a client hears it."""

from __future__ import annotations

from quadleg.client import NodeReport

GAIT = {
    "gait": "creep",
    "motion": "stands",
    "asked": "0 0 0",
    "asker": "",
    "asker_stamp": "0",
    "planned": "0 0 0",
    "scale": "1.0000",
    "limits_forward": "0.08 0.05 0.4",
    "limits_backward": "-0.06 -0.05 -0.4",
    "ramp_s": "3.2",
    "footprint_mm": "310 260",
    "margin_mm": "12.0",
    "froude_number": "0.0010",
    "obstacle": "none",
    "trouble": "",
}


def report(message: str = "", level: bytes = b"\x00", heard: float = 0.0, **values: object) -> NodeReport:
    """The report of a node, heard at that time (s)."""
    return NodeReport(message, level, {key: str(value) for key, value in values.items()}, heard)
