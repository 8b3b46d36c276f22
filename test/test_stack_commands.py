"""The commands at a running stack, in simulated time: what they ask of the robot, and what they print."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from sound_stack import SoundStack, stack

from quadleg.cli import main

Said = tuple[int, str, str]  # exit code, stdout, stderr


@pytest.fixture
def quadleg(
    stack: SoundStack, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., Said]:
    """Runs one command at the stack."""
    monkeypatch.setattr("quadleg.client.Robot", lambda _: stack.client())

    def run(*arguments: str) -> Said:
        code = main.main(arguments)
        said = capsys.readouterr()
        return code, said.out, said.err

    return run


def test_the_commands_one_after_the_other(quadleg: Callable[..., Said]) -> None:
    code, _, told = quadleg("pose", "--height", "140")
    assert code == 1
    assert "`stand` first" in told
    assert re.search(r"height 1(49|50)\.\d mm", quadleg("stand", "150")[1])
    assert quadleg("pose", "--height", "140", "--pitch", "5", "--x", "10")[0] == 0
    said = quadleg("status")[1]
    assert "active: following the joint targets" in said
    assert "asked     height 140.0 mm, x +10.0 mm, pitch +5.0°" in said
    assert "12 of 12 powered; joint_states are the true angles" in said
    code, said, told = quadleg("walk", "--to-mm", "40", "0")
    assert code == 0, told
    assert re.search(r"reached   (3|4|5)\d\.\d mm forward", said)
    assert "the servos are off" in quadleg("sit")[1]
    assert quadleg("stop")[0] == 0
    assert "fault" in quadleg("status")[1]
    assert quadleg("reset")[0] == 0
