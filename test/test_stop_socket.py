"""The stop socket: who stops whom, who is refused, and that nothing on the way can keep a stop back."""

from __future__ import annotations

import os
import socket
import stat
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from quadleg.cli import stop_command as command
from quadleg.errors import OutputPathError, StackNotFound
from quadleg.safety.stop_socket import ANSWER_WITHIN, SILENT, StopSocket, stop_here

DOMAIN = "77"


class FakeOutputs:
    """The stops of some made-up servo_outputs."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.stopped: list[str] = []
        self.reported: list[str] = []
        self.sockets: list[StopSocket] = []

    def serve(
        self, name: str, namespace: str = "", answer: Callable[[], tuple[bool, str]] | None = None, **more: int
    ) -> StopSocket:
        def stop() -> tuple[bool, str]:
            self.stopped.append(name)
            return answer() if answer else (True, f"{name} is off")

        self.sockets.append(StopSocket(namespace, DOMAIN, stop, self.reported.append, str(self.folder), **more))
        return self.sockets[-1]

    def stop(self, namespace: str = "", within: float = ANSWER_WITHIN) -> list[tuple[bool, str]]:
        return stop_here(namespace, within, str(self.folder))


@pytest.fixture
def outputs(monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeOutputs]:
    monkeypatch.setenv("ROS_DOMAIN_ID", DOMAIN)
    with TemporaryDirectory(dir="/tmp") as folder:  # short, as a socket's path has to be
        outputs = FakeOutputs(Path(folder))
        yield outputs
        for served in outputs.sockets:
            served.close()


def test_a_stop_is_done_and_answered(outputs: FakeOutputs) -> None:
    outputs.serve("robot")
    assert outputs.stop() == [(True, "robot is off")]
    assert outputs.stop() == [(True, "robot is off")]
    assert outputs.stopped == ["robot", "robot"]


def test_only_the_robot_of_the_namespace_and_domain_is_stopped(
    outputs: FakeOutputs, monkeypatch: pytest.MonkeyPatch
) -> None:
    for namespace in ("", "left", "left/front", "left_front"):
        outputs.serve(namespace or "none", namespace)
    for asked in ("left", "/left/", "left/front", "/left_front", "", "/"):
        outputs.stopped.clear()
        assert len(outputs.stop(asked)) == 1
        assert outputs.stopped == [asked.strip("/") or "none"]
    assert outputs.stop("right") == []
    monkeypatch.setenv("ROS_DOMAIN_ID", "7")
    assert outputs.stop() == []


def test_all_that_run_under_the_same_names_are_stopped(outputs: FakeOutputs) -> None:
    outputs.serve("first")
    outputs.serve("second")
    assert sorted(outputs.stop()) == [(True, "first is off"), (True, "second is off")]


def test_a_long_namespace_fits_into_the_path_of_a_socket(outputs: FakeOutputs) -> None:
    longest = "/".join(["a_robot_with_a_name"] * 10)
    outputs.serve("long", longest)
    outputs.serve("longer", f"{longest}s")
    assert outputs.stop(longest) == [(True, "long is off")]


def test_the_socket_is_for_its_user_alone(outputs: FakeOutputs) -> None:
    path = outputs.serve("robot").path
    assert stat.S_IMODE(os.lstat(path).st_mode) == 0o600
    assert stat.S_ISSOCK(os.lstat(path).st_mode)


def test_a_peer_of_another_user_is_refused(outputs: FakeOutputs) -> None:
    outputs.serve("robot", owner=os.getuid() + 1)
    ((done, said),) = outputs.stop()
    assert not done
    assert "another user" in said
    assert outputs.stopped == []
    assert f"refused user id {os.getuid()}" in outputs.reported[0]


@pytest.mark.skipif(os.getuid() != 0, reason="only root can be another user")
def test_another_user_who_reaches_the_socket_is_refused_by_the_kernels_word(outputs: FakeOutputs) -> None:
    path = outputs.serve("robot").path
    os.chmod(outputs.folder, 0o755)
    os.chmod(path, 0o666)  # else its mode keeps the other user off
    code = (
        "import os, socket, sys; os.setuid(65534)\n"
        "line = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)\n"
        "line.connect(sys.argv[1]); line.send(b'stop'); print(line.recv(1000).decode())"
    )
    told = subprocess.run([sys.executable, "-S", "-c", code, path], capture_output=True, text=True, check=False)
    assert told.stdout.startswith("-refused"), told.stderr
    assert outputs.stopped == []


def test_the_socket_of_a_process_that_died_is_passed_over_and_removed(outputs: FakeOutputs) -> None:
    stale = outputs.serve("robot").path.replace(".0.stop", ".9.stop")
    with socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) as line:
        line.bind(stale)
    assert outputs.stop() == [(True, "robot is off")]
    outputs.serve("next")
    assert not Path(stale).exists()
    assert len(outputs.stop()) == 2


def test_a_servo_output_that_ends_takes_its_socket_with_it(outputs: FakeOutputs) -> None:
    outputs.serve("robot").close()
    outputs.sockets.clear()
    assert list(outputs.folder.iterdir()) == []
    assert outputs.stop() == []


def test_a_frozen_servo_output_is_no_success(outputs: FakeOutputs) -> None:
    goes = threading.Event()
    outputs.serve("robot", answer=lambda: (goes.wait(10), "late"))
    assert outputs.stop(within=0.05) == [(False, SILENT)]
    goes.set()


def test_pulses_that_cannot_be_cut_are_said(outputs: FakeOutputs) -> None:
    outputs.serve("robot", answer=lambda: (False, "the board takes nothing"))
    assert outputs.stop() == [(False, "the board takes nothing")]


def test_a_defect_in_a_stop_does_not_end_the_thread(outputs: FakeOutputs) -> None:
    answers = iter([1 / 2, 0.0])

    def stop() -> tuple[bool, str]:
        return bool(1 / (next(answers) - 0.5)), "off"

    outputs.serve("robot", answer=stop)
    assert outputs.stop() == [(False, "defect in servo_output: ZeroDivisionError('float division by zero')")]
    assert "ZeroDivisionError" in outputs.reported[0]
    assert outputs.stop() == [(True, "off")]


def test_peers_that_say_nothing_or_something_else_stop_nothing_and_keep_no_stop_waiting(outputs: FakeOutputs) -> None:
    path = outputs.serve("robot").path
    silent, odd = (socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET) for _ in range(2))
    with silent, odd:
        silent.connect(path)
        odd.connect(path)
        odd.send(b"stopped?")
        assert outputs.stop() == [(True, "robot is off")]
    assert outputs.stopped == ["robot"]


def test_a_folder_of_others_is_not_used(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_folder() -> str:
        raise OutputPathError("it belongs to somebody else")

    monkeypatch.setattr("quadleg.safety.stop_socket.private_folder", no_folder)
    with pytest.raises(OutputPathError):
        StopSocket("", DOMAIN, lambda: (True, ""), print)
    assert stop_here("") == []


# The command

HEAVY = ("numpy", "rclpy", "argparse", "ruamel", "jsonschema", "rich", "dataclasses", "inspect", "subprocess")


def test_nothing_heavy_is_imported_before_the_pulses_are_off() -> None:
    code = (
        "import sys; from quadleg.cli import stop_command\n"
        f"stop_command.stop_here = lambda _: (print([m for m in {HEAVY} if m in sys.modules]), sys.exit(0))\n"
        "from quadleg.cli.main import main; main(['stop', '--namespace', 'left'])"
    )
    # -S: of the interpreter's own start nothing counts, only what the command imports.
    told = subprocess.run([sys.executable, "-S", "-c", code], capture_output=True, text=True, check=False)
    assert told.stdout.strip() == "[]", told.stderr


class FakeClient:
    """A client of a stack that is not there, or of one whose stop ends in an error."""

    error: Exception | None = None
    there = True

    def __init__(self, namespace: str) -> None:
        if not self.there:
            raise StackNotFound("no running stack is heard")

    def __enter__(self) -> FakeClient:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def stop(self) -> None:
        if self.error:
            raise self.error


@pytest.mark.parametrize(
    ("here", "there", "code", "out", "err"),
    [
        ([(True, "off")], True, 0, "stopped: pulses are off", ""),
        ([(True, "off")], False, 0, "stopped: pulses are off", "not confirmed over ROS"),
        ([], True, 0, "stopped: pulses are off", ""),
        ([], False, 1, "", "Nothing was stopped over ROS. If a servo is powered, open the switch"),
        ([(False, "the board fails")], False, 1, "", "the board fails. If a servo is powered, open the switch"),
        ([(True, "off"), (False, SILENT)], False, 1, "", SILENT),
        ([(False, SILENT)], True, 0, "stopped: pulses are off", SILENT),
    ],
)
def test_what_is_said_and_the_exit_code(
    here: list[tuple[bool, str]], there: bool, code: int, out: str, err: str, monkeypatch, capsys
) -> None:
    monkeypatch.setattr(command, "stop_here", lambda _: here)
    monkeypatch.setattr("quadleg.client.Robot", FakeClient)
    monkeypatch.setattr(FakeClient, "there", there)
    assert command.stop("") == code
    said = capsys.readouterr()
    assert out in said.out
    assert bool(out) == bool(said.out)
    assert err in said.err
    assert bool(err) == bool(said.err)
