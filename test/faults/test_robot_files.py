"""A thousand robot files spoilt at random: each is a robot or a clear error, never a traceback."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from quadleg.errors import RobotFileError
from quadleg.robot_file.load import find_robot, load_robot

FILES = 1000
TEXT = Path(find_robot("greenhouse_inspector")).read_bytes()


def spoilt(chance: random.Random) -> bytes:
    """The demo robot's file after some edits that a slip of the hand or a bad disk makes."""
    text = bytearray(TEXT)
    for _ in range(chance.choice((1, 1, 1, 2, 5, 20))):
        lines = text.split(b"\n")
        at = chance.randrange(len(lines))
        place = chance.randrange(len(text))
        edit = chance.randrange(8)
        if edit == 0:
            del lines[at]
        elif edit == 1:
            lines.insert(at, chance.choice(lines))
        elif edit == 2:
            lines[at] = chance.choice((b" ", b"\t", b"- ", b"? ")) + lines[at]
        if edit < 3:
            text = bytearray(b"\n".join(lines))
        elif edit == 3:
            text[place] = chance.randrange(256)
        elif edit == 4:
            text[place:place] = bytes(chance.randrange(256) for _ in range(chance.randrange(1, 5)))
        elif edit == 5:
            del text[place : place + chance.choice((1, 1, 10, 500))]
        elif edit == 6:
            digits = [i for i, value in enumerate(text) if chr(value).isdigit()]
            text[chance.choice(digits)] = ord(chance.choice("0123456789.-e"))
        else:
            text[place:place] = chance.choice((b": ", b"{", b"[", b"&a ", b"*a", b"!!int ", b".nan", b"~", b"\xff"))
        if not text:
            break
    return bytes(text)


@pytest.mark.parametrize("tenth", range(10))
def test_a_spoilt_robot_file_is_a_robot_or_a_clear_error(tmp_path: Path, tenth: int) -> None:
    path = tmp_path / "robot.yaml"
    for seed in range(tenth * FILES // 10, (tenth + 1) * FILES // 10):
        path.write_bytes(spoilt(random.Random(seed)))
        try:
            robot = load_robot(path)
        except RobotFileError as error:
            assert str(path) in str(error), f"seed {seed}"
            assert all(len(fault.remedy) > 10 for fault in error.faults), f"seed {seed}"
        except Exception as error:
            raise AssertionError(f"seed {seed}") from error
        else:
            assert len(robot.joints) == 12
