"""Writing found figures into a robot file: comments stay, the file is always whole, and one backup is kept."""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from difflib import SequenceMatcher
from io import StringIO
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq

from quadleg.errors import NoPlace, RobotFileError
from quadleg.robot.document import read_text
from quadleg.robot.load import load_robot, robot_from_text
from quadleg.robot.model import Robot
from quadleg.shipped import config_folder

# section -> name -> key -> value; a value of None takes the key out
Changes = Mapping[str, Mapping[str, Mapping[str, Any]]]

_INSTALLED = ("site-packages", "dist-packages")


def installed(path: Path) -> str | None:
    """Why a file should not be changed where it is, in words; None where it may be."""
    path = path.resolve()
    if set(_INSTALLED) & set(path.parts) or path.is_relative_to("/opt/ros") or path.parent == config_folder():
        return f"{path} belongs to the installation: the next one would overwrite it"
    if not os.access(path, os.W_OK) or not os.access(path.parent, os.W_OK):
        return f"{path} or its folder is read-only"
    return None


class RobotFile:
    """A person's robot file. The first `save` keeps it as it was, as `<name>.before`."""

    def __init__(self, path: Path) -> None:
        self.path = path.resolve()
        self.backup = self.path.with_name(f"{self.path.name}.before")
        self._backed_up = False

    def save(self, changes: Changes) -> Robot:
        """Write the changes; the robot that the file describes now.

        Raises NoPlace where it cannot be written, and RobotFileError where the changes would contradict the rest of
        the file; then the file is as it was.
        """
        try:
            before = read_text(self.path)
            robot_from_text(before, self.path)  # somebody may have edited it since
            text = changed(before, changes)
            if not self._backed_up:
                _replace(self.backup, before, self.path)
                self._backed_up = True
            return _replace(self.path, text, self.path)
        except OSError as error:
            raise NoPlace(
                f"{self.path} stays as it was: {error.strerror or error}. Make room, or the file and its folder "
                f"writable, and save again"
            ) from error


def copy_to(source: Path, target: Path) -> None:
    """A copy of a robot file that may be changed. Raises NoPlace where there is something already, or no place."""
    text = read_text(source)
    try:
        with target.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise NoPlace(f"{target} is there already: work on it with `quadleg calibrate {target}`, or move it") from None
    except OSError as error:
        raise NoPlace(f"{target} cannot be written: {error.strerror}") from error


def changed(text: str, changes: Changes) -> str:
    """The text of a robot file with other values; every line that says the same stays as it was written."""
    yaml = YAML()
    yaml.preserve_quotes = True
    yaml.width = 4096
    document = yaml.load(text)
    for section, names in changes.items():
        for name, keys in names.items():
            for key, value in keys.items():
                _change(document[section][name], key, value)
    written = StringIO()
    yaml.dump(document, written)
    before, after = text.splitlines(keepends=True), written.getvalue().splitlines(keepends=True)
    lines: list[str] = []
    old, new = ([re.sub(r"\s+", "", line) for line in text] for text in (before, after))
    matcher = SequenceMatcher(None, old, new, autojunk=False)
    for same, i0, i1, j0, j1 in matcher.get_opcodes():
        lines += before[i0:i1] if same == "equal" else after[j0:j1]
    return "".join(lines)


def _change(keys: CommentedMap, key: str, value: Any) -> None:
    """Set or take out one key. What follows a section in the file is a comment of its last key, and has to stay."""
    if value is None:
        _take_out(keys, key)
    elif isinstance(value, list) and key in keys:
        keys[key][:] = value
    else:
        if isinstance(value, list):
            value = CommentedSeq(value)
            value.fa.set_flow_style()
        if key in keys or keys.fa.flow_style():
            keys[key] = value
        else:
            keys.insert(len(keys) - 1, key, value)


def _take_out(keys: CommentedMap, key: str) -> None:
    old = keys.pop(key, None)
    comment = keys.ca.items.pop(key, None)
    if comment is None and isinstance(old, CommentedSeq) and old.ca.comment:
        comment = [None, None, old.ca.comment[0], None]
    last = next(reversed(keys))
    if comment and last not in keys.ca.items:
        keys.ca.items[last] = comment


def _replace(path: Path, text: str, like: Path) -> Robot:
    """Put a whole, sound robot file in the place of another, or leave that as it was."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".yaml")
    temporary = Path(name)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        load_robot(temporary)
        shutil.copymode(like, temporary)
        temporary.replace(path)
        _sync_folder(path.parent)
    except RobotFileError as error:
        raise RobotFileError(
            [type(fault)(path, fault.line, fault.key, fault.value, fault.remedy) for fault in error.faults]
        ) from None
    finally:
        with suppress(FileNotFoundError):
            temporary.unlink()
    return load_robot(path)


def _sync_folder(folder: Path) -> None:
    """The new name itself is on the disk, too; only POSIX systems open folders."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
