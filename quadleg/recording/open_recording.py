"""Opening of a recording that a person names: a missing end is written first."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from quadleg.errors import RecordingError
from quadleg.recording.reader import Recording
from quadleg.recording.records import MAGIC


def opened(path: Path, say: Callable[[str], None]) -> Recording:
    """Open a recording, and say if it was cut. Raises RecordingError if the file is not a recording."""
    repair(path, say)
    return Recording(path)


def repair(path: Path, say: Callable[[str], None]) -> None:
    """Write the end of a recording that was cut, and say so; a file that cannot be written stays as it is."""
    if not path.is_file() or _has_end(path):
        return
    # A medium that cannot be written, a system without file locks.
    try:
        from quadleg.recording.mcap_file import finish

        if finish(path):
            say(f"{path} was cut; all that got onto the disk is there, and its end is written now.")
            return
    except RecordingError:
        return  # reading it reports the error
    except (OSError, ImportError):
        pass
    say(f"{path} has no end: it is still being written, or was cut. It is read as far as it goes.")


def _has_end(path: Path) -> bool:
    with suppress(OSError), path.open("rb") as file:
        file.seek(-len(MAGIC), os.SEEK_END)
        return file.read() == MAGIC
    return False
