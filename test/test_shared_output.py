"""The output that servo_output's threads share: what one thread sees is never half of a change by another."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterator

import pytest
import sample_robots

from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import RobotModel
from quadleg.safety.catalogue import Reason
from quadleg.safety.deadlines import STOPPED_TIME
from quadleg.safety.joint_command import ALL, NONE, Command
from quadleg.safety.output_supervisor import OutputState, OutputSupervisor
from quadleg.safety.reason_codes import ReasonCode
from quadleg.safety.shared_output import SharedOutput

PERIOD = 0.02
STOP = Reason.of(ReasonCode.EMERGENCY_STOP)
CHANGES_WITHIN = 30.0  # s until the changing thread has its turn, on a busy computer too
ROBOT: RobotModel = sample_robots.inspector()
REST = stance_angles(ROBOT, ROBOT.resting)
OFF_COMMAND, REST_COMMAND = Command(REST, NONE), Command(REST, ALL)


@pytest.fixture
def output() -> SharedOutput:
    """Powered at rest, following at 0 s."""
    output = SharedOutput(OutputSupervisor(ROBOT, PERIOD, 0.0))
    assert output.follow(OFF_COMMAND, 1, 0.0)
    assert output.follow(REST_COMMAND, 2, 0.0)
    return output


@pytest.fixture
def switching() -> Iterator[None]:
    """Threads switch as often as they can."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    yield
    sys.setswitchinterval(before)


def test_state_reason_and_power_of_a_view_belong_together(output: SharedOutput, switching: None) -> None:
    """Read one after the other, they do not: then this fails within some hundred views."""
    belongs = {
        (OutputState.FOLLOWING, ReasonCode.COMMANDS_FOLLOWED, ALL),
        (OutputState.FOLLOWING, ReasonCode.COMMANDS_FOLLOWED, NONE),
        (OutputState.STOPPED, ReasonCode.EMERGENCY_STOP, NONE),
        (OutputState.OFF, ReasonCode.NO_COMMAND_YET, NONE),
    }
    over = threading.Event()

    def change() -> None:
        now = 0.0
        while not over.is_set():
            output.stop(STOP, now)
            now += 2 * STOPPED_TIME
            output.follow(OFF_COMMAND, 1, now)
            output.follow(REST_COMMAND, 2, now)

    thread = threading.Thread(target=change)
    thread.start()
    try:
        seen: set[tuple[OutputState, str, tuple[bool, ...]]] = set()
        views, deadline = 0, time.monotonic() + CHANGES_WITHIN
        while views < 5000 or (len(seen) < 2 and time.monotonic() < deadline):
            view = output.view()
            seen.add((view.state, view.reason.code, view.powered))
            views += 1
    finally:
        over.set()
        thread.join()
    assert seen <= belongs
    assert len(seen) > 1


def test_no_frame_has_power_after_a_stop(output: SharedOutput) -> None:
    assert output.next_frame().powered == ALL
    output.stop(STOP, 1.0)
    assert output.next_frame().powered == NONE
    assert not output.follow(REST_COMMAND, 3, 1.0 + 2 * STOPPED_TIME)
    assert output.next_frame().powered == NONE


def test_a_stamp_goes_with_one_frame(output: SharedOutput) -> None:
    assert output.view().stamp == 2
    assert output.next_frame().stamp == 2
    assert output.next_frame().stamp is None


def test_power_that_is_lost_is_a_stop_where_a_joint_had_it(output: SharedOutput) -> None:
    assert output.power_lost(Reason.of(ReasonCode.BOARD_POWER_LOST, detail="a test"), 1.0)
    assert output.view().state is OutputState.STOPPED
    assert not output.power_lost(Reason.of(ReasonCode.BOARD_POWER_LOST, detail="a test"), 1.1)


def test_who_ends_gives_no_joint_power_again(output: SharedOutput) -> None:
    output.end(lower=False, now=1.0)
    assert output.follow(REST_COMMAND, 3, 1.0)
    assert output.follow(OFF_COMMAND, 4, 1.1)
    assert not output.follow(REST_COMMAND, 5, 1.2)
    assert output.view().ending


def test_an_end_alone_lowers_and_an_end_at_once_does_not(output: SharedOutput) -> None:
    output.end(lower=True, now=1.0)
    assert output.view().state is OutputState.LOWERING
    output.end_now(1.1)
    assert output.view().state is OutputState.OFF
    assert output.view().powered == NONE


def test_a_board_that_fails_keeps_what_it_shows(output: SharedOutput) -> None:
    shown = tuple(angle + 0.01 for angle in REST)
    output.board_fails("a test", lambda view: shown if view.powered == ALL else view.angles, 1.0)
    assert output.view().angles == shown
    output.board_takes(1.1)
    assert output.view().angles == shown
