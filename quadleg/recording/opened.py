"""A recording as a person names it: its end is written first where that is missing."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from quadleg.recording.reader import Recording


def opened(path: Path, say: Callable[[str], None]) -> Recording:
    """The recording, and a sentence where it was cut. Raises BadRecording for what is none."""
    recording = Recording(path)
    if not recording.cut:
        return recording
    with suppress(
        OSError, ImportError
    ):  # a medium that cannot be written, a system without file locks: it is read as it is
        from quadleg.recording.mcap_file import finish

        if finish(path):
            say(f"{path} was cut; all that got onto the disk is there, and its end is written now.")
            return Recording(path)
    say(f"{path} has no end: it is still being written, or was cut. It is read as far as it goes.")
    return recording
