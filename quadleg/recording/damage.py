"""What of a recording cannot be read or used, in sentences: the same for reports, tables and replays."""

from __future__ import annotations

from quadleg.errors import shortened
from quadleg.recording.reader import Recording
from quadleg.recording.signals import Signals


def skipped(recording: Recording, signals: Signals) -> list[str]:
    """What `signals_of` left out of a recording: how much, where and why; empty where all was read."""
    said = []
    if recording.damage:
        place, why = next(iter(recording.damage.items()))
        parts = "1 part of the file is" if recording.lost == 1 else f"{recording.lost} parts of the file are"
        said.append(f"{parts} damaged and left out; at byte {place}: {shortened(why)}")
    for topic, count in signals.left_out.items():
        if count:
            said.append(f"{count} messages of {topic} are damaged, or of too many shapes; they are left out")
    for topic, kind in signals.odd.items():
        said.append(f"{topic} has messages ({shortened(kind)}) that no robot of quadleg says there; they are left out")
    if signals.strangers:
        strangers = shortened(", ".join(sorted(signals.strangers)), 200)
        said.append(f"joint_states also name {strangers}, which is left out")
    return said
