"""Names of automatic recordings, and removal of the oldest."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

ON_FAULT, ON_REQUEST = "fault", "asked"

# A name that `recording_name` gives to what is saved on a fault, with the number of a second one in the same second.
_AUTOMATIC = re.compile(rf".+_\d{{4}}-\d\d-\d\d_\d\d-\d\d-\d\d_{ON_FAULT}(_\d+)?\.mcap")


def recording_name(robot: str, reason: str, now: float) -> str:
    """The name of a file for the last minute, by the time (s since 1970); `reason` is ON_FAULT or ON_REQUEST."""
    return f"{robot}_{time.strftime('%Y-%m-%d_%H-%M-%S', time.localtime(now))}_{reason}.mcap"


def remove_oldest(folder: Path, most_bytes: int, spare: Path) -> list[Path]:
    """Remove the oldest automatic recordings until those of a folder take at most so many bytes; which were removed.

    Automatic is what a fault has saved under the name that it was given then: what was asked for, named or renamed by
    a person stays and is not counted. `spare`, the newest, stays too. What cannot be removed is left.
    """
    found = []
    for entry in _entries(folder):
        if _AUTOMATIC.fullmatch(entry.name) and entry.is_file(follow_symlinks=False) and Path(entry.path) != spare:
            with suppress(FileNotFoundError):
                seen = entry.stat(follow_symlinks=False)
                found.append((seen.st_mtime_ns, entry.path, seen.st_size))
    with suppress(OSError):
        most_bytes -= spare.stat().st_size
    total = sum(size for _, _, size in found)
    removed = []
    for _, path, size in sorted(found):
        if total <= most_bytes:
            break
        with suppress(OSError):
            os.unlink(path)
            removed.append(Path(path))
            total -= size
    return removed


def obstacle_to(folder: Path) -> str:
    """Why nothing can be saved in a folder that need not exist yet, in words; empty where it can."""
    there = folder
    while not there.exists() and there != there.parent:
        there = there.parent
    if not there.is_dir():
        return f"{there} is a file, and not a folder"
    return "" if os.access(there, os.W_OK | os.X_OK) else f"{there} cannot be written into"


def _entries(folder: Path) -> Iterable[os.DirEntry[str]]:
    try:
        with os.scandir(folder) as entries:
            return list(entries)
    except OSError:
        return []
