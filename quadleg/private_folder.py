"""The folder of this user's running stacks: lock files, stop sockets and the memory of simulated boards.

`/tmp/quadleg-<user id>`, mode 0700. It is the same for a service and for every terminal, whatever their environment:
a stop has to find the socket of a stack that something else started. XDG_RUNTIME_DIR is not used, because a service
may not have it and it is removed when its user logs out.

Only the standard library, and little of it: `quadleg stop` waits for this import.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager

PARENT = "/tmp"
LONGEST_NAME = 40  # characters; the path of a socket has 107 at most (unix(7))


def private_folder(parent: str = PARENT) -> str:
    """Return the folder's path; make it where it is missing.

    Raises OutputPathError where something else has its name: a link, a file, a folder of another user or one that
    others may enter.
    """
    path = f"{parent}/quadleg-{os.getuid()}"
    try:
        os.mkdir(path, 0o700)
    except FileExistsError:
        pass
    except OSError as error:
        raise _refusal(f"{path} cannot be made: {error.strerror}") from error
    found = os.lstat(path)
    if not stat.S_ISDIR(found.st_mode):
        raise _refusal(f"{path} is no folder: remove it, quadleg makes it anew")
    if found.st_uid != os.getuid():
        raise _refusal(f"{path} belongs to user id {found.st_uid}: have it removed, quadleg makes its own")
    if stat.S_IMODE(found.st_mode) & 0o077:
        raise _refusal(f"{path} is open to other users: chmod 700 {path}")
    return path


def stack_name(domain: str | int | None, namespace: str) -> str:
    """Return the part of a file's name that stands for one stack: its ROS domain and namespace."""
    name = f"{domain or 0}-{namespace.strip('/').replace('/', '.')}"
    if len(name) <= LONGEST_NAME:
        return name
    from hashlib import sha256

    return f"{domain or 0}-{sha256(name.encode()).hexdigest()[: LONGEST_NAME // 2]}"


def open_private(path: str) -> int:
    """Open a file for reading and writing, make it where it is missing; the file descriptor.

    Raises OutputPathError where the path is anything but a regular file of this user (a link, a FIFO, another name of a
    file elsewhere). Does not block on any of them.
    """
    flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
    try:
        opened = os.open(path, flags, 0o600)
    except OSError as error:
        raise _refusal(
            f"{path} cannot be opened: {error.strerror}; a regular file of your own would be right"
        ) from error
    found = os.fstat(opened)
    if stat.S_ISREG(found.st_mode) and found.st_uid == os.getuid() and found.st_nlink == 1:
        return opened
    os.close(opened)
    raise _refusal(f"{path} is not a regular file of your own: remove it")


@contextmanager
def locked(path: str) -> Iterator[bool]:
    """Hold the lock of a private file while inside; gives whether it was free.

    Raises OutputPathError like `open_private`.
    """
    import fcntl

    opened = open_private(path)
    try:
        fcntl.flock(opened, fcntl.LOCK_EX | fcntl.LOCK_NB)
        free = True
    except BlockingIOError:
        free = False
    try:
        yield free
    finally:
        os.close(opened)


def _refusal(why: str) -> Exception:
    from quadleg.errors import OutputPathError  # imported late, it brings more than a stop needs

    return OutputPathError(why)
