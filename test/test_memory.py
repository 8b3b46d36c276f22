"""The record that several processes share."""

from __future__ import annotations

from pathlib import Path

import pytest

from quadleg.errors import BoardError
from quadleg.servos.board_memory import BoardMemory


def opened(path: Path | None, owner: str = "robot a", initial: bytes = b"first") -> BoardMemory[bytes]:
    return BoardMemory(path, owner, 5, bytes, bytes, lambda: initial)


def content(memory: BoardMemory[bytes]) -> bytes:
    with memory.locked():
        return memory.load()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "memory"


@pytest.mark.parametrize("in_file", [False, True])
def test_it_keeps_what_is_stored(path: Path, in_file: bool) -> None:
    memory = opened(path if in_file else None)
    assert content(memory) == b"first"
    for record in (b"other", b"third"):
        with memory.locked():
            memory.store(record)
        assert content(memory) == record


def test_two_that_have_it_open_see_each_other(path: Path) -> None:
    one, two = opened(path), opened(path, initial=b"never")
    assert content(two) == b"first"
    with two.locked():
        two.store(b"other")
    assert content(one) == b"other"


def test_it_outlives_its_closing(path: Path) -> None:
    memory = opened(path)
    with memory.locked():
        memory.store(b"other")
    memory.close()
    assert content(opened(path, initial=b"never")) == b"other"


def test_a_store_cut_short_leaves_the_former_record(path: Path) -> None:
    memory = opened(path)
    for record in (b"other", b"whole"):
        with memory.locked():
            memory.store(record)
    memory.close()
    # A killed process has written part of the slot not in use, here all of it, but not turned the byte
    # that chooses. The slots are the file's last ten bytes.
    file = bytearray(path.read_bytes())
    start = file.index(b"other", len(file) - 10)
    file[start : start + 5] = b"torn!"
    path.write_bytes(file)
    assert content(opened(path)) == b"whole"


def test_nothing_but_the_file_is_left_in_the_folder(path: Path) -> None:
    opened(path).close()
    assert list(path.parent.iterdir()) == [path]


def test_a_file_of_another_robot(path: Path) -> None:
    opened(path).close()
    with pytest.raises(BoardError, match="is the memory of robot a, not of robot b: give another path"):
        opened(path, owner="robot b")


@pytest.mark.parametrize("strange", [b"", b"# notes\n", b"quadleg"])
def test_a_file_that_is_something_else_is_not_touched(path: Path, strange: bytes) -> None:
    path.write_bytes(strange)
    with pytest.raises(BoardError, match="is not the memory of a simulated board: give another path"):
        opened(path)
    assert path.read_bytes() == strange


def test_a_file_of_another_version(path: Path) -> None:
    opened(path).close()
    file = bytearray(path.read_bytes())
    file[8] += 1
    path.write_bytes(file)
    with pytest.raises(BoardError, match="another version of quadleg: delete it"):
        opened(path)


def test_a_folder_that_is_not_there(path: Path) -> None:
    with pytest.raises(BoardError, match="a place where files can be made"):
        opened(path / "nowhere")
