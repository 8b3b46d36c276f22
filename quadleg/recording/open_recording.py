"""A recording as a person names it: its end is written first where that is missing."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from quadleg.errors import RecordingError
from quadleg.recording.reader import Recording
from quadleg.recording.records import MAGIC


def opened(path: Path, say: Callable[[str], None]) -> Recording:
    """The recording, and a sentence where it was cut. Raises RecordingError for what is none."""
    repair(path, say)
    return Recording(path)


def repair(path: Path, say: Callable[[str], None]) -> None:
    """Write the end of a recording that was cut, and say so; one that cannot be written is left as it is."""
    if not path.is_file() or _has_end(path):
        return
    # A medium that cannot be written, a system without file locks.
    try:
        from quadleg.recording.mcap_file import finish

        if finish(path):
            say(f"{path} was cut; all that got onto the disk is there, and its end is written now.")
            return
    except RecordingError:
        return  # whoever reads it says so
    except (OSError, ImportError):
        pass
    say(f"{path} has no end: it is still being written, or was cut. It is read as far as it goes.")


def _has_end(path: Path) -> bool:
    with suppress(OSError), path.open("rb") as file:
        file.seek(-len(MAGIC), os.SEEK_END)
        return file.read() == MAGIC
    return False
