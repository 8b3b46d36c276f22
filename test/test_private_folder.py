"""The private folder and its files: nothing that somebody else planted there is followed, opened or waited for."""

from __future__ import annotations

import os
import socket
import stat
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quadleg.errors import OutputPathError
from quadleg.private_folder import LONGEST_NAME, locked, open_private, private_folder, stack_name


def test_the_folder_is_made_for_its_user_alone_and_found_again(tmp_path: Path) -> None:
    path = private_folder(str(tmp_path))
    found = os.lstat(path)
    assert stat.S_ISDIR(found.st_mode)
    assert (stat.S_IMODE(found.st_mode), found.st_uid) == (0o700, os.getuid())
    assert private_folder(str(tmp_path)) == path


@pytest.mark.parametrize("mode", [0o701, 0o720, 0o777])
def test_a_folder_that_others_may_enter_is_refused_with_the_cure(tmp_path: Path, mode: int) -> None:
    path = Path(private_folder(str(tmp_path)))
    path.chmod(mode)
    with pytest.raises(OutputPathError, match=f"chmod 700 {path}"):
        private_folder(str(tmp_path))


def test_a_link_or_a_file_in_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    path = Path(private_folder(str(tmp_path)))
    path.rmdir()
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir(mode=0o700)
    path.symlink_to(elsewhere)
    with pytest.raises(OutputPathError, match="is no folder"):
        private_folder(str(tmp_path))
    path.unlink()
    path.touch()
    with pytest.raises(OutputPathError, match="is no folder"):
        private_folder(str(tmp_path))


@pytest.mark.skipif(os.getuid() != 0, reason="only root can give a folder away")
def test_a_folder_of_another_user_is_refused(tmp_path: Path) -> None:
    os.chown(private_folder(str(tmp_path)), 65534, 65534)
    with pytest.raises(OutputPathError, match="belongs to user id 65534"):
        private_folder(str(tmp_path))


def test_where_no_folder_can_be_made_it_is_said() -> None:
    with pytest.raises(OutputPathError, match="cannot be made"):
        private_folder("/nonexistent")


def test_a_planted_link_is_not_followed(tmp_path: Path) -> None:
    target, path = tmp_path / "target", tmp_path / "running.lock"
    path.symlink_to(target)
    with pytest.raises(OutputPathError, match="a regular file of your own"), locked(str(path)):
        pass
    assert not target.exists()


def test_a_planted_hard_link_is_not_opened(tmp_path: Path) -> None:
    target, path = tmp_path / "target", tmp_path / "running.lock"
    target.touch()
    os.link(target, path)
    with pytest.raises(OutputPathError, match="not a regular file"):
        open_private(str(path))


@pytest.mark.parametrize("kind", ["fifo", "socket", "folder"])
def test_what_is_no_file_is_refused_at_once(tmp_path: Path, kind: str) -> None:
    """Opening a FIFO for writing waits for its reader, for ever."""
    path = tmp_path / "running.lock"
    if kind == "fifo":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    else:
        with socket.socket(socket.AF_UNIX) as planted:
            planted.bind(str(path))
    with pytest.raises(OutputPathError, match="regular file"):
        open_private(str(path))


def test_a_lock_is_held_by_one_and_free_again_after(tmp_path: Path) -> None:
    path = str(tmp_path / "running.lock")
    with locked(path) as free:
        assert free
        with locked(path) as second:
            assert not second
    with locked(path) as again:
        assert again
    assert stat.S_IMODE(os.stat(path).st_mode) == 0o600


NAMES = st.lists(st.from_regex(r"[A-Za-z_][A-Za-z0-9_]{0,20}", fullmatch=True), max_size=6).map("/".join)


@given(NAMES, NAMES, st.integers(0, 232), st.integers(0, 232))
def test_two_stacks_never_share_a_name(a: str, b: str, first: int, second: int) -> None:
    same = (a, first) == (b, second)
    assert (stack_name(first, a) == stack_name(second, b)) == same
    assert len(stack_name(first, a)) <= LONGEST_NAME
    assert "/" not in stack_name(first, f"/{a}/")
    assert stack_name(first, f"/{a}/") == stack_name(str(first), a)
