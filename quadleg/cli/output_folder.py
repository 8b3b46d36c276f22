"""Where a command writes pictures and pages: into a new folder of its own, or where the person says."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from quadleg.errors import OutputPathError


def fresh(path: Path) -> Path:
    """The path, with the first number behind its stem for which nothing is there."""
    number, free = 2, path
    while free.exists() or free.is_symlink():
        free = path.with_name(f"{path.stem}_{number}{path.suffix}")
        number += 1
    return free


def own_folder(path: Path) -> Path:
    """A new folder of this name, or with a number behind it. Raises OutputPathError where it cannot be made."""
    folder = fresh(path)
    try:
        folder.mkdir(parents=True)
    except OSError as error:
        raise OutputPathError(f"{folder} cannot be made: {error.strerror or error}. Name another folder") from None
    return folder


def names_in(folder: Path) -> frozenset[str]:
    """The names of what is in a folder now; none where there is no folder."""
    try:
        return frozenset(entry.name for entry in folder.iterdir())
    except OSError:
        return frozenset()


def replaced(made: Iterable[Path], before: frozenset[str]) -> str:
    """A sentence on files that were in their folder before they were made; empty where none was."""
    names = [path.name for path in made if path.name in before]
    return f"Replaced in that folder: {', '.join(names)}" if names else ""
