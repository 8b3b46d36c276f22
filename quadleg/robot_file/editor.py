"""Writing found figures into a robot file: comments stay, the file is always whole, and each earlier one is kept."""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import datetime
from difflib import SequenceMatcher
from io import StringIO
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq

from quadleg.errors import OutputPathError, RobotFileError
from quadleg.robot.model import RobotModel
from quadleg.robot_file.load import load_robot, robot_from_text
from quadleg.robot_file.schema_document import read_text
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


class RobotFileEditor:
    """A person's robot file. Each `save` keeps the file as it was before; `kept` is the first that this object kept."""

    def __init__(self, path: Path) -> None:
        self.path = path.resolve()
        self.kept: Path | None = None

    def save(self, changes: Changes) -> RobotModel:
        """Write the changes; the robot that the file describes now.

        Raises OutputPathError where it cannot be written, and RobotFileError where the changes would contradict the
        rest of the file; then the file is as it was.
        """
        try:
            before = read_text(self.path)
            robot_from_text(before, self.path)  # it may have been edited since
            with _checked(self.path, changed(before, changes)) as temporary:
                version = keep_version(self.path)
                self.kept = self.kept or version
                shutil.copymode(self.path, temporary)
                temporary.replace(self.path)
                _sync_folder(self.path.parent)
            return load_robot(self.path)
        except OSError as error:
            raise OutputPathError(
                f"{self.path} stays as it was: {error.strerror or error}. Make room, or the file and its folder "
                f"writable, and save again"
            ) from error


def copy_to(source: Path, target: Path) -> None:
    """A copy of a robot file that may be changed.

    Raises OutputPathError where there is something already, or no place.
    """
    text = read_text(source)
    try:
        with target.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise OutputPathError(
            f"{target} is there already: work on it with `quadleg calibrate {target}`, or move it"
        ) from None
    except OSError as error:
        raise OutputPathError(f"{target} cannot be written: {error.strerror}") from error


def check_new(path: Path) -> None:
    """Raise OutputPathError if no new file can be written at a path."""
    if os.path.lexists(path):
        raise OutputPathError(f"{path} is there already and stays as it is: name a new file, or remove that one first")
    if not path.parent.is_dir():
        raise OutputPathError(f"{path} cannot be written: there is no folder {path.parent}; make it first")
    try:
        tempfile.TemporaryFile(dir=path.parent).close()
    except OSError as error:
        raise OutputPathError(
            f"{path} cannot be written, {error.strerror}: name a file in a folder of yours"
        ) from error


def write_new(path: Path, text: str) -> RobotModel:
    """Write a new robot file, whole or not at all; the robot that it describes.

    Raises OutputPathError as `check_new` does, and where there is no room.
    """
    check_new(path)
    try:
        with _checked(path, text) as temporary:
            umask = os.umask(0)  # it can be read by setting it only
            os.umask(umask)
            temporary.chmod(0o666 & ~umask)
            temporary.replace(path)
            _sync_folder(path.parent)
    except OSError as error:
        raise OutputPathError(f"{path} cannot be written, {error.strerror}: put the text above there") from error
    return load_robot(path)


def changed(text: str, changes: Changes) -> str:
    """The text of a robot file with other values; every line that says the same stays as it was written."""
    yaml = YAML()
    yaml.preserve_quotes = True
    yaml.width = 4096
    document = yaml.load(text)
    for section, names in changes.items():
        for name, keys in names.items():
            if name in document.get(section, ()):
                for key, value in keys.items():
                    _change(document[section][name], key, value)
            else:
                _add(document, section, name, keys)
    written = StringIO()
    yaml.dump(document, written)
    before, after = text.splitlines(keepends=True), written.getvalue().splitlines(keepends=True)
    lines: list[str] = []
    old, new = ([re.sub(r"\s+", "", line) for line in text] for text in (before, after))
    matcher = SequenceMatcher(None, old, new, autojunk=False)
    for same, i0, i1, j0, j1 in matcher.get_opcodes():
        lines += before[i0:i1] if same == "equal" else after[j0:j1]
    return "".join(lines)


def _add(document: CommentedMap, section: str, name: str, keys: Mapping[str, Any]) -> None:
    """Add what the file does not have yet: a name as the first of its section, a section at the file's end."""
    if section in document:
        document[section].insert(0, name, _as_written(keys))
    else:
        document[section] = CommentedMap({name: _as_written(keys)})


def _as_written(keys: Mapping[str, Any]) -> CommentedMap:
    """Keys in one line."""
    written = CommentedMap((key, value) for key, value in keys.items() if value is not None)
    written.fa.set_flow_style()
    return written


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


def versions_folder(robot_file: Path) -> Path:
    """Where the earlier versions of a robot file are."""
    return robot_file.with_name(f"{robot_file.name}.versions")


def keep_version(robot_file: Path, source: Path | None = None) -> Path:
    """Copy a robot file, or another of its files (`source`), among its versions, with a new number and the time.

    Where the newest version is the same, that one. Raises OutputPathError where it cannot be written.
    """
    source = source or robot_file
    folder = versions_folder(robot_file)
    try:
        data = source.read_bytes()
        folder.mkdir(exist_ok=True)
        kept = sorted((int(entry.name[:4]), entry) for entry in folder.iterdir() if entry.name[:4].isdecimal())
        if kept and kept[-1][1].suffix == source.suffix and kept[-1][1].read_bytes() == data:
            return kept[-1][1]
        number = kept[-1][0] + 1 if kept else 1
        version = folder / f"{number:04d}_{datetime.now():%Y-%m-%d_%H-%M-%S}{source.suffix}"
        with version.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        _sync_folder(folder)
        return version
    except OSError as error:
        raise OutputPathError(
            f"{source} stays as it was, since it cannot be kept in {folder}: {error.strerror or error}. Make room, or "
            f"the folder writable"
        ) from error


def write_whole(path: Path, text: str) -> None:
    """Put a file into its place as a whole, or leave what is there.

    Raises OutputPathError where it cannot be written.
    """
    try:
        with _temporary(path, text) as temporary:
            temporary.replace(path)
            _sync_folder(path.parent)
    except OSError as error:
        raise OutputPathError(f"{path} cannot be written: {error.strerror or error}") from error


@contextmanager
def _temporary(path: Path, text: str) -> Iterator[Path]:
    """A file beside another with this text, on the disk; what is not moved from there is removed."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".yaml")
    temporary = Path(name)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        yield temporary
    finally:
        with suppress(FileNotFoundError):
            temporary.unlink()


@contextmanager
def _checked(path: Path, text: str) -> Iterator[Path]:
    """The same of a sound robot file. Raises RobotFileError, in the name of `path`, where the file is not sound."""
    with _temporary(path, text) as temporary:
        try:
            load_robot(temporary)
        except RobotFileError as error:
            raise RobotFileError([replace(fault, file=path) for fault in error.faults]) from None
        yield temporary


def _sync_folder(folder: Path) -> None:
    """The new name itself is on the disk, too; only POSIX systems open folders."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
