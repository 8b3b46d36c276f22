"""servo_output without ROS: its loop on a simulated board, by a clock and workers that the test moves."""

from __future__ import annotations

from collections.abc import Callable
from math import inf
from pathlib import Path

import pytest
import sample_robots

from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import JOINT_NAMES
from quadleg.safety.output_loop import OutputLoop
from quadleg.safety.output_supervisor import OutputState
from quadleg.safety.reason_codes import ReasonCode
from quadleg.safety.shared_output import OutputView
from quadleg.servos.board_link import BoardLink
from quadleg.servos.simulated_board import SimulatedBoard
from quadleg.servos.simulated_hand import SimulatedHand

ROBOT = sample_robots.inspector()
REST = tuple(stance_angles(ROBOT, ROBOT.resting))
PERIOD = 0.02


class HandMovedWorker:
    """Steps when the rig says so: where it is due, or was woken."""

    def __init__(self, step: Callable[[bool], float | None], due: float) -> None:
        self._step = step
        self.due = due
        self._woken = False

    def wake(self) -> None:
        self._woken = True

    def close(self) -> None:
        self.due = inf

    def run(self, now: float) -> bool:
        if self.due == inf or not (self._woken or now >= self.due):
            return False
        woken, self._woken = self._woken, False
        wait = self._step(woken)
        self.due = inf if wait is None else now + wait
        return True


class LoopRig:
    """The loop and what it told."""

    def __init__(self, memory: Path | None = None) -> None:
        self._memory = memory
        self.now = 100.0
        self.states: list[OutputState] = []
        self.stamps: list[int] = []
        self.periods = 0
        self.is_ended = False
        self.said: list[str] = []
        self.may_say = False
        self.placed: list[object] = []
        link = BoardLink(ROBOT, self._open, self._clock)
        hand = SimulatedHand(ROBOT, REST, lambda: link.board, 0, self.placed.append)
        self._workers: list[HandMovedWorker] = []
        self.loop = OutputLoop(ROBOT, PERIOD, link, self._clock, self, hand)
        self.loop.start(self._start_worker)

    def _clock(self) -> float:
        return self.now

    def _open(self) -> SimulatedBoard:
        """The board of `memory`: opened again, it is the same chip."""
        self.board = SimulatedBoard(ROBOT, REST, self._memory, clock=self._clock)
        return self.board

    def _start_worker(self, _: str, step: Callable[[bool], float | None], delay: float = 0.0) -> HandMovedWorker:
        self._workers.append(HandMovedWorker(step, self.now + delay))
        return self._workers[-1]

    def run(self, seconds: float) -> None:
        """Move the clock on."""
        end = self.now + seconds
        while self.now < end:
            while any(worker.run(self.now) for worker in self._workers):
                pass
            self.now = min([end, *(worker.due for worker in self._workers)])

    def stand(self) -> None:
        """As a watchdog does: first a command without joints, then one with all."""
        self.loop.command((), [()], 1)
        self.loop.command(JOINT_NAMES, [REST], 2)
        self.run(0.02)

    # As a node is

    def log(self, level: bytes, sentence: str) -> None:
        assert self.may_say, sentence
        self.said.append(sentence)

    def publish_state(self, view: OutputView) -> None:
        self.states.append(view.state)

    def publish_joints(self) -> None:
        self.periods += 1

    def frame_written(self, stamp: int | None) -> None:
        if stamp is not None:
            self.stamps.append(stamp)

    def ended(self) -> None:
        self.is_ended = True


@pytest.fixture
def rig() -> LoopRig:
    return LoopRig()


def test_a_command_reaches_the_chip_after_a_hand_has_placed_the_legs(rig: LoopRig) -> None:
    rig.stand()
    assert all(rig.board.powered())
    assert rig.stamps == [2]  # of two commands that wait the newest is written
    assert len(rig.placed) == 1
    assert rig.states == [OutputState.FOLLOWING]


def test_a_bus_that_fails_at_the_first_pulses_is_opened_again(tmp_path: Path) -> None:
    rig = LoopRig(tmp_path / "board")
    rig.may_say = True
    chip = SimulatedBoard(ROBOT, REST, tmp_path / "board", clock=lambda: rig.now)
    rig.loop.command((), [()], 1)
    rig.run(0.02)
    chip.break_bus(1.0)
    for stamp in range(2, 60):
        rig.loop.command(JOINT_NAMES, [REST], stamp)
        rig.run(0.02)
    assert not any(chip.powered())
    rig.run(4.0)
    assert rig.said[-1] == "the board takes frames again"
    rig.loop.command((), [()], 100)
    rig.loop.command(JOINT_NAMES, [REST], 101)
    rig.run(0.1)
    assert all(chip.powered())


def test_a_stop_leaves_no_pulse(rig: LoopRig) -> None:
    rig.stand()
    done, _ = rig.loop.stop()
    assert done
    assert not any(rig.board.powered())
    assert rig.states[-1] is OutputState.STOPPED
    rig.loop.command(JOINT_NAMES, [REST], 3)
    rig.run(0.1)
    assert not any(rig.board.powered())


def test_a_stop_whose_cut_is_the_first_transfer_to_fail_says_why_and_is_cut_later(tmp_path: Path) -> None:
    rig = LoopRig(tmp_path / "board")
    rig.may_say = True
    chip = SimulatedBoard(ROBOT, REST, tmp_path / "board", clock=lambda: rig.now)
    rig.stand()
    chip.break_bus(1.0)
    done, said = rig.loop.stop()
    assert not done
    assert said.startswith("no chip answers")
    assert "may be powered" in said
    assert all(chip.powered())
    rig.run(4.0)
    assert not any(chip.powered())


def test_joint_states_come_at_the_control_rate_without_commands(rig: LoopRig) -> None:
    rig.run(1.0)
    assert rig.periods == pytest.approx(50, abs=2)


def test_silence_holds_then_lowers_then_is_off(rig: LoopRig) -> None:
    rig.stand()
    rig.run(20.0)
    assert rig.states[:3] == [OutputState.FOLLOWING, OutputState.HOLDING, OutputState.LOWERING]
    assert rig.states[-1] is OutputState.OFF
    assert not any(rig.board.powered())


def test_what_is_no_command_is_refused_and_told(rig: LoopRig) -> None:
    assert not rig.loop.command(["no_such_joint"], [(0.0,)], 1)
    (notice,) = rig.loop.health({}, "").notices
    assert notice.code == ReasonCode.COMMAND_REFUSED.value


def test_an_end_alone_lowers_and_then_ends(rig: LoopRig) -> None:
    rig.stand()
    rig.loop.end(alone=True)
    rig.run(20.0)
    assert rig.is_ended
    assert not any(rig.board.powered())
