"""Learning a mapping: a person who does what is asked, in good and in bad ways."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from fake_gamepad import FOLDER, SITE, FakePad
from ruamel.yaml import YAML

from quadleg.commissioning.gamepad_learning import LOOK_PERIOD, SETTLE_TIME, learn, learn_to
from quadleg.errors import OutputPathError
from quadleg.teleop.control_mapping import CONTROLS, Input, Reading, inputs_of

DEFAULTS = inputs_of({control.name: control.default for control in CONTROLS})
REST = Reading((0.0, 0.0, 1.0, 0.02, 0.0, 1.0, 0.0, 0.0), (0,) * 11)
SETTLED = round(SETTLE_TIME / LOOK_PERIOD) + 2


def moved(found: Input, way: float = 1.0) -> Reading:
    """The gamepad with one input moved so far."""
    if found.kind == "button":
        return replace(REST, buttons=tuple(int(k == found.number) for k in range(11)))
    end = found.sign * way
    return replace(REST, axes=tuple(end if k == found.number else value for k, value in enumerate(REST.axes)))


class ScriptedGamepad:
    """Answers the questions in order: each answer is what the gamepad shows from then on."""

    def __init__(self, *answers: list[Reading | None]) -> None:
        self.said: list[str] = []
        self._shown = self._show(answers)

    def _show(self, answers: tuple[list[Reading | None], ...]) -> Iterator[Reading | None]:
        for answer in answers:
            yield REST
            yield from answer

    def look(self) -> Reading | None:
        return next(self._shown)

    def hear(self, said: str) -> None:
        self.said.append(said)


def does(found: Input) -> list[Reading | None]:
    """Moves an input for long enough, and lets go."""
    way = moved(found, 0.7), *[moved(found)] * SETTLED
    return [*way, REST]


def test_each_movement_is_found() -> None:
    person = ScriptedGamepad(*(does(DEFAULTS[control.name]) for control in CONTROLS))
    assert learn(person.look, person.hear) == DEFAULTS
    questions = [said for said in person.said if " of " in said]
    assert len(questions) == len(CONTROLS)
    assert all(control.movement in said for control, said in zip(CONTROLS, questions))


def learnt(number: int, *answers: list[Reading | None]) -> tuple[str, list[str]]:
    """What is found for the control of that number, with the usual answers to all others; and what was said."""
    usual = [does(DEFAULTS[control.name]) for control in CONTROLS]
    person = ScriptedGamepad(*usual[:number], *answers, *usual[number + 1 :])
    found = learn(person.look, person.hear)
    return str(found[CONTROLS[number].name]), person.said


NAMES = [control.name for control in CONTROLS]
FORWARD, SHIFT, STOP, UP = map(NAMES.index, ("walk.forward", "shift.hold", "stop", "shift.up"))


def test_an_axis_the_other_way_round_is_found() -> None:
    assert learnt(FORWARD, does(Input.of("-axis 1")))[0] == "-axis 1"


def test_the_furthest_of_several_movements_counts() -> None:
    both = replace(REST, axes=(0.8, 1.0, *REST.axes[2:]))
    assert learnt(FORWARD, [both] * SETTLED + [REST])[0] == "axis 1"


def test_a_small_movement_is_none() -> None:
    assert learnt(FORWARD, [moved(Input("axis", 4), 0.4)] * 100 + does(Input("axis", 1)))[0] == "axis 1"


def test_what_can_be_skipped_is_skipped() -> None:
    assert learnt(UP, [None])[0] == "none"


def test_what_is_needed_is_asked_for_again() -> None:
    found, said = learnt(STOP, [None], does(Input.of("button 1")))
    assert found == "button 1"
    assert any("this one is needed" in line for line in said)


def test_a_stick_is_no_trigger() -> None:
    trigger, stick = does(Input.of("-axis 5")), does(Input.of("axis 1"))
    assert learnt(FORWARD, trigger + stick)[0] == "axis 1"


def test_one_movement_for_two_things_is_refused() -> None:
    found, said = learnt(FORWARD + 1, does(Input.of("axis 1")), does(Input.of("axis 0")))
    assert found == "axis 0"
    assert any("axis 1 is what walk.forward is on" in line for line in said)
    # The hold of a group may not be that of another, nor may one direction of a hat be two things.
    found, said = learnt(SHIFT, does(Input.of("-axis 5")), does(Input.of("button 4")))
    assert any("-axis 5 is what walk.hold is on" in line for line in said)


def test_a_trigger_that_is_a_button_too_counts_as_the_button() -> None:
    both = replace(moved(Input("axis", 2, -1)), buttons=(0,) * 9 + (1, 0))
    assert learnt(SHIFT, [moved(Input("axis", 2, -1)), *[both] * SETTLED, REST])[0] == "button 9"


def test_a_file_that_is_there_is_kept(tmp_path: Path) -> None:
    file = tmp_path / "mine.yaml"
    file.write_text("mine")
    with pytest.raises(OutputPathError, match="is there already"):
        learn_to(file)
    with pytest.raises(OutputPathError, match="there is no folder"):
        learn_to(tmp_path / "nowhere" / "mine.yaml")
    assert file.read_text() == "mine"


# In a terminal


class LearnProcess:
    """`quadleg joystick --learn` with a gamepad, in a process of its own."""

    def __init__(self, folder: Path, *command: str) -> None:
        pytest.importorskip("evdev", reason="evdev does not import: the extra `pad` brings it")
        self.fake = FakePad(folder)
        self.file = folder / "mine.yaml"
        self.process = subprocess.Popen(
            # As a terminal starts it: a test run in the background may have inherited an ignored SIGINT.
            ["env", "--default-signal=INT", sys.executable, *command, "--learn", str(self.file)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env={**os.environ, FOLDER: str(folder), "PYTHONPATH": str(SITE), "PYTHONUNBUFFERED": "1"},
        )
        self.said = ""
        self._patience = threading.Timer(30.0, self.process.kill)
        self._patience.start()

    def close(self) -> None:
        self._patience.cancel()
        self.process.kill()
        self.process.communicate()

    def reads(self, words: str) -> None:
        """Reads on until a line has these words in it."""
        for line in self.process.stdout or ():
            self.said += line
            if words in line:
                return
        raise AssertionError(f"'{words}' is not said in {self.said}")

    def skip(self) -> None:
        assert self.process.stdin
        self.process.stdin.write("\n")
        self.process.stdin.flush()


@pytest.fixture
def learning(tmp_path: Path) -> Iterator[LearnProcess]:
    learning = LearnProcess(tmp_path, "-m", "quadleg.cli.main", "joystick")
    yield learning
    learning.close()


def test_the_file_is_written_and_understood(learning: LearnProcess) -> None:
    moves = {"walk.hold": {"rz": 1.0}, "walk.forward": {"y": -1.0}, "walk.left": {"x": 1.0}}
    learning.reads("Learns Test Pad")
    for number, control in enumerate(CONTROLS, 1):
        learning.reads(f"{number} of {len(CONTROLS)}")
        if control.name in moves:
            learning.fake.move(**moves[control.name])
            time.sleep(0.1)  # nothing says that it was seen
            learning.fake.move(**dict.fromkeys(moves[control.name], 0.0))
        elif control.name == "stop":
            learning.fake.press(3)
            time.sleep(0.1)
            learning.fake.press(3, down=False)
        else:
            learning.skip()
    learning.reads("Written to")
    assert learning.process.wait(10) == 0
    written = YAML(typ="safe").load(learning.file)["/**/teleop"]["ros__parameters"]
    assert written["walk"] == {"hold": "-axis 5", "forward": "axis 1", "left": "-axis 0", "turn_left": "none"}
    assert written["stop"] == "button 3"
    assert written["stand"] == "none"


def test_a_gamepad_that_is_pulled_out_leaves_no_file(learning: LearnProcess) -> None:
    learning.reads("1 of")
    learning.fake.unplug()
    learning.reads("Test Pad")
    assert "is gone: No such device; nothing is written" in learning.said
    assert learning.process.wait(10) == 1
    assert not learning.file.exists()


def test_an_interrupt_leaves_no_file(learning: LearnProcess) -> None:
    learning.reads("1 of")
    learning.process.send_signal(signal.SIGINT)
    learning.reads("interrupted: nothing is written")
    assert learning.process.wait(10) == 130
    assert not learning.file.exists()


def test_the_executable_joystick_learns_too(tmp_path: Path) -> None:
    pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")
    learning = LearnProcess(tmp_path, "-c", "from quadleg.nodes.joystick import main; main()")
    learning.reads("1 of")
    learning.close()
