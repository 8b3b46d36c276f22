"""Emergency stop over a local socket: category 0 of IEC 60204-1 within milliseconds, without ROS.

Each servo_output serves a Unix socket of its own in the user's private folder, named by ROS domain, namespace and
process. `stop_here` asks every servo_output of these names on this computer. One packet each way: `STOP`, then `OFF`
or `NOT_OFF` followed by a sentence. A service of the operating system's kernel names the peer (SO_PEERCRED, unix(7));
another user is refused.

Only the standard library, and little of it: `quadleg stop` waits for this import.
"""

from __future__ import annotations

import os
import socket
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress

from quadleg.private_folder import private_folder, stack_name

STOP, OFF, NOT_OFF = b"stop", b"+", b"-"
ANSWER_WITHIN = 1.0  # s that a servo_output is waited for, before the stop goes over ROS alone
WORD_WITHIN = 0.2  # s that a peer is given to say its word, while others wait
LONGEST = 1000  # bytes of an answer
SILENT = "servo_output does not answer on its stop socket"

Stop = Callable[[], "tuple[bool, str]"]  # cuts the pulses: whether they are off, and a sentence


def stop_here(namespace: str, within: float = ANSWER_WITHIN, folder: str | None = None) -> list[tuple[bool, str]]:
    """Stop every servo_output of this namespace and this process's ROS domain on this computer.

    Return one answer for each that is there: whether its pulses are off, and a sentence. Return an empty list where
    none is there. Raises nothing: a stop goes on over ROS whatever happens here.
    """
    lines = []
    for path in _paths(folder, stack_name(os.environ.get("ROS_DOMAIN_ID"), namespace)):
        line = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        line.settimeout(within)
        try:
            line.connect(path)
            line.send(STOP)
        except TimeoutError:  # it is there, and takes nothing
            pass
        except OSError:  # its process has ended
            line.close()
            continue
        lines.append(line)
    return [_answer(line) for line in lines]


def _answer(line: socket.socket) -> tuple[bool, str]:
    with line:
        try:
            answer = line.recv(LONGEST)
        except OSError:
            answer = b""
    if not answer:
        return False, SILENT
    return answer[:1] == OFF, answer[1:].decode(errors="replace")


def _paths(folder: str | None, name: str) -> Iterator[str]:
    try:
        folder = folder or private_folder()
        for entry in sorted(os.listdir(folder)):
            if entry.startswith(f"{name}-") and entry.endswith(".stop"):
                yield f"{folder}/{entry}"
    except Exception:  # no folder, or one that is not ours: no stop socket of ours listens there
        return


class StopSocket:
    """Serves one servo_output's stop in a thread of its own, until `close`.

    `stop` cuts the pulses; it is called in that thread. `report` takes a sentence about what went wrong; the thread
    goes on. `owner` is the user id whose processes may stop. Raises OutputPathError or OSError where no socket can be
    made.
    """

    def __init__(
        self,
        namespace: str,
        domain: int | str | None,
        stop: Stop,
        report: Callable[[str], None],
        folder: str | None = None,
        owner: int | None = None,
    ) -> None:
        self._stop, self._report = stop, report
        self._owner = os.getuid() if owner is None else owner
        self._closed = threading.Event()
        folder = folder or private_folder()
        name = stack_name(domain, namespace)
        _remove_stale(folder, name)
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self.path = _bind(self._listener, folder, f"{name}-{os.getpid()}")
        self._thread = threading.Thread(target=self._serve, name="stop_socket", daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._closed.set()
        with suppress(OSError):
            os.unlink(self.path)
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)  # wakes the thread that waits in accept
        self._thread.join()
        self._listener.close()

    def _serve(self) -> None:
        while not self._closed.is_set():
            try:
                line, _ = self._listener.accept()
                with line:
                    line.settimeout(WORD_WITHIN)
                    self._serve_one(line)
            except Exception as error:
                if not self._closed.is_set():
                    self._report(f"the stop socket: {error!r}")
                    self._closed.wait(WORD_WITHIN)  # whatever is wrong, do not spin

    def _serve_one(self, line: socket.socket) -> None:
        try:
            word = line.recv(len(STOP) + 1)
        except TimeoutError:
            return
        if word != STOP:
            return
        _, user, _ = struct.unpack("3i", line.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i")))
        if user == self._owner:
            done, said = self._stopped()
        else:
            done, said = False, "refused: this servo_output belongs to another user"
            self._report(f"the stop socket refused user id {user}: only {self._owner} may stop here")
        with suppress(OSError):  # who asked may have gone; the pulses are off all the same
            line.send((OFF if done else NOT_OFF) + said.encode()[: LONGEST - 1])

    def _stopped(self) -> tuple[bool, str]:
        try:
            return self._stop()
        except Exception as error:
            self._report(f"defect in a stop, please report: {error!r}")
            return False, f"defect in servo_output: {error!r}"


def _bind(listener: socket.socket, folder: str, name: str) -> str:
    """Bind, and listen before the socket has its name: one that is seen and refuses is stale."""
    number = 0
    while os.path.lexists(path := f"{folder}/{name}.{number}.stop"):  # another servo_output of this very process
        number += 1
    unnamed = f"{path}.new"
    with suppress(FileNotFoundError):
        os.unlink(unnamed)
    listener.bind(unnamed)
    os.chmod(unnamed, 0o600)
    listener.listen()
    os.rename(unnamed, path)
    return path


def _remove_stale(folder: str, name: str) -> None:
    for path in _paths(folder, name):
        with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as line:
            line.settimeout(WORD_WITHIN)
            try:
                line.connect(path)
            except ConnectionRefusedError:
                with suppress(OSError):
                    os.unlink(path)
            except OSError:
                pass
