"""A small record that several processes share and that outlives them, in a memory-mapped file."""

from __future__ import annotations

import mmap
import os
import struct
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO, Generic, TypeVar

from quadleg.errors import BoardError

State = TypeVar("State")

_MAGIC = b"quadleg\0"
_VERSION = 4
_HEADER = struct.Struct("<8sH245sB")


class BoardMemory(Generic[State]):
    """What is known of one thing, as a record of fixed size. Use `load` and `store` within `locked`.

    The file holds two slots and one byte that says which is valid. `store` fills the other slot and then
    turns that byte, so a process killed half-way leaves the former record whole; the kernel then frees
    its lock too. Without a file nothing is packed: `load` gives what was stored itself.
    """

    def __init__(
        self,
        path: Path | None,
        owner: str,
        size: int,
        pack: Callable[[State], bytes],
        unpack: Callable[[bytes], State],
        initial: Callable[[], State],
    ) -> None:
        """Open the file, or make it with `initial()` if there is none; without a path, keep to this process.

        Raises BoardError if the file cannot be opened or was not made for this owner.
        """
        self._size, self._pack, self._unpack = size, pack, unpack
        self._turn = threading.Lock()
        self._closed = False
        self._file: BinaryIO | None = None
        if path is None:
            self._private = initial()
            return
        header = _HEADER.pack(_MAGIC, _VERSION, owner.encode()[:245], 0)
        length = len(header) + 2 * size
        try:
            if not path.exists():
                _create(path, header + 2 * pack(initial()))
            self._file = path.open("r+b")
        except OSError as error:
            raise BoardError(
                f"{path}: {error.strerror}", "a place where files can be made and written would be right"
            ) from error
        try:
            _check(path, self._file, header, length)
            self._map = mmap.mmap(self._file.fileno(), length)
        except BaseException:
            self._file.close()
            raise

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Keep all other threads and processes off the record."""
        with self._turn:
            if self._closed:
                raise BoardError("the simulated board is closed", "open it again")
            if self._file is None:
                yield
                return
            # Not on every system; a board without a file needs none.
            import fcntl

            fcntl.flock(self._file, fcntl.LOCK_EX)
            try:
                yield
            finally:
                fcntl.flock(self._file, fcntl.LOCK_UN)

    def load(self) -> State:
        if self._file is None:
            return self._private
        start = self._slot(self._map[_HEADER.size - 1])
        return self._unpack(self._map[start : start + self._size])

    def store(self, state: State) -> None:
        if self._file is None:
            self._private = state
            return
        other = 1 - self._map[_HEADER.size - 1]
        start = self._slot(other)
        self._map[start : start + self._size] = self._pack(state)
        self._map[_HEADER.size - 1] = other

    def close(self) -> None:
        """Let go of the file, which stays."""
        with self._turn:
            self._closed = True
            if self._file is not None:
                self._map.close()
                self._file.close()

    def _slot(self, index: int) -> int:
        return _HEADER.size + index * self._size


def _create(path: Path, content: bytes) -> None:
    # A file that is there is whole: it gets its name last. Another process may have been faster.
    with tempfile.NamedTemporaryFile(dir=path.parent, prefix=f".{path.name}.") as file:
        file.write(content)
        file.flush()
        with suppress(FileExistsError):
            os.link(file.name, path)


def _check(path: Path, file: BinaryIO, header: bytes, length: int) -> None:
    magic, version, wanted, _ = _HEADER.unpack(header)
    content = file.read()
    if content[: len(magic)] != magic:
        raise BoardError(f"{path} is not the memory of a simulated board", "give another path")
    if len(content) != length or struct.unpack_from("<H", content, len(magic))[0] != version:
        raise BoardError(f"{path} was written by another version of quadleg", "delete it, or give another path")
    found = _HEADER.unpack_from(content)[2]
    if found != wanted:
        names = [name.rstrip(b"\0").decode(errors="replace") for name in (found, wanted)]
        raise BoardError(f"{path} is the memory of {names[0]}, not of {names[1]}", "give another path, or delete it")
