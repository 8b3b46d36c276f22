"""What servo_output does without a watchdog, against one, and together with one.

The categories of stops are those of IEC 60204-1, 9.2.2: 0 removes the power at once, 1 brings the
machine to rest and then removes it, 2 brings it to rest and keeps it.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from hypothesis_settings import examples
from sample_robots import ROBOTS

from quadleg.dynamics.servo_motors import joint_steps
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import all_forward, legs_inverse, stance_angles
from quadleg.robot.model import JOINT_NAMES, LEGS
from quadleg.safety import deadlines
from quadleg.safety.catalogue import Reason
from quadleg.safety.joint_command import ALL, NONE, Command
from quadleg.safety.output_supervisor import OutputState, OutputSupervisor
from quadleg.safety.reason_codes import ReasonCode
from quadleg.safety.state_machine import State
from quadleg.safety.watchdog import Watchdog

STOP, ENDING = Reason.of(ReasonCode.EMERGENCY_STOP), Reason.of(ReasonCode.OUTPUT_ENDING)
NAMES = [robot.name for robot in ROBOTS]
JUST = 2**-20  # s: it and the times of a rig that has not ticked are sums that a float holds exactly


class OutputRig:
    """An output on a bench with the clock that it sees. No powered joint may ever jump."""

    def __init__(self, robot, found=None) -> None:
        self.robot = robot
        self.period = 1 / robot.control_rate
        self.now = 50.0
        self.rest = stance_angles(robot, robot.resting)
        self.standing = stance_angles(robot, robot.standing)
        self.steps = np.array(joint_steps(robot, self.period))
        self.output = OutputSupervisor(robot, self.period, self.now, found)

    @property
    def state(self) -> OutputState:
        return self.output.state

    def command(self, angles=None, powered=ALL) -> bool:
        return self.output.command(Command(tuple(self.standing if angles is None else angles), powered), self.now)

    def empty(self) -> bool:
        return self.command(self.rest, NONE)

    def tick(self) -> None:
        before = self.output.angles, self.output.powered
        self.now += self.period
        self.output.tick(self.now)
        for i in range(12):
            if self.output.powered[i]:
                assert before[1][i], "only a command powers a joint"
                assert abs(self.output.angles[i] - before[0][i]) <= self.steps[i] * (1 + 1e-9)

    def seconds(self, seconds: float) -> None:
        for _ in range(round(seconds / self.period)):
            self.tick()

    def fails(self, seconds: float, held=None) -> None:
        """The board takes nothing for so long, and holds this; the standing pose by default."""
        for _ in range(round(seconds / self.period)):
            self.output.board_fails("unplugged", held or self.standing, self.now)
            self.tick()

    def lowered(self) -> tuple[float, ...]:
        """Goes on to the end of the way down; the last angles on it."""
        while self.state is OutputState.LOWERING:
            last = self.output.angles
            self.tick()
        return last

    def until(self, state: OutputState, within: float = 15.0) -> float:
        begun = self.now
        while self.state is not state:
            assert self.now - begun < within, f"{self.state} for {within} s: {self.output.reason!s}"
            self.tick()
        return self.now - begun

    def follow(self) -> OutputRig:
        """Following at the standing pose."""
        assert self.empty()
        assert self.command(self.rest)
        while self.output.angles != self.standing:
            self.tick()
            assert self.command()
        self.output.slowed = 0
        self.tick()
        return self


@pytest.fixture(params=ROBOTS, ids=NAMES)
def bench(request) -> OutputRig:
    return OutputRig(request.param)


@pytest.fixture
def following(bench) -> OutputRig:
    return bench.follow()


# Following


def test_it_begins_off_and_stays_off_by_itself(bench):
    bench.seconds(5.0)
    assert bench.state is OutputState.OFF
    assert (bench.output.powered, bench.output.slowed) == (NONE, 0)
    assert str(bench.output.reason) == "no command yet"


def test_powered_commands_are_ignored_until_one_names_no_joint(bench):
    assert not bench.command()
    assert not bench.command(bench.rest)
    assert not bench.command(bench.rest, (True, *NONE[1:]))
    assert bench.output.powered == NONE
    assert bench.empty()
    assert bench.state is OutputState.FOLLOWING
    assert bench.command(bench.rest, (True, *NONE[1:]))
    assert (bench.output.angles, bench.output.powered) == (bench.rest, (True, *NONE[1:]))


def test_commands_are_shown_as_they_are(following):
    angles = tuple(np.add(following.standing, 0.01))
    assert following.command(angles)
    assert (following.output.angles, following.output.powered) == (angles, ALL)
    assert following.output.slowed == 0
    assert following.empty()
    assert following.output.powered == NONE
    assert following.state is OutputState.FOLLOWING


def test_while_commands_come_it_follows(following):
    for _ in range(200):
        following.tick()
        following.command()
    following.seconds(0.4)
    assert following.state is OutputState.FOLLOWING


def test_without_power_silence_changes_nothing(bench):
    bench.empty()
    bench.seconds(10.0)
    assert bench.state is OutputState.FOLLOWING


# Silence: category 2, then 1


def test_after_half_a_second_of_silence_it_holds_with_power(following):
    assert following.until(OutputState.HOLDING) == pytest.approx(0.5, abs=2 * following.period)
    assert (following.output.angles, following.output.powered) == (following.standing, ALL)
    assert "no command from the watchdog for 0.5 s" in str(following.output.reason)


def test_after_three_seconds_of_silence_it_lowers_to_rest_and_switches_off(following):
    assert following.until(OutputState.LOWERING) == pytest.approx(3.0, abs=2 * following.period)
    assert following.output.powered == ALL
    assert following.lowered() == following.rest
    assert following.state is OutputState.OFF
    assert following.output.powered == NONE
    assert str(following.output.reason).startswith("at rest (no command from the watchdog")


def test_it_lowers_along_vertical_lines(following):
    following.until(OutputState.LOWERING)
    heights = []
    while following.state is OutputState.LOWERING:
        feet = np.array(all_forward(following.robot, following.output.angles))
        if feet[0, 2] > following.robot.legs[0].foot_radius - following.robot.resting.height - 1e-9:
            break
        np.testing.assert_allclose(feet[:, :2], np.array(following.robot.standing.feet)[:, :2], atol=1e-6)
        assert np.ptp(feet[:, 2]) < 1e-6
        heights.append(-feet[0, 2])
        following.tick()
    assert heights[-1] < 0.55 * heights[0]


def first_servo(bench: OutputRig) -> None:
    """Power on one servo, at the time at which the bench began."""
    assert bench.empty()
    assert bench.command(bench.rest, (True, *NONE[1:]))


def test_silence_and_a_board_that_takes_each_frame_are_a_hold_past_the_deadline_and_a_lowering_past_the_next(bench):
    first_servo(bench)
    for silence, state in (
        (deadlines.SILENCE_HOLD, OutputState.FOLLOWING),
        (deadlines.SILENCE_HOLD + JUST, OutputState.HOLDING),
        (deadlines.SILENCE_LOWER, OutputState.HOLDING),
        (deadlines.SILENCE_LOWER + JUST, OutputState.LOWERING),
    ):
        bench.output.board_takes(50.0 + silence)
        bench.output.tick(50.0 + silence)
        assert bench.state is state


def test_a_board_that_fails_is_a_hold_past_the_deadline(bench):
    first_servo(bench)
    for failing, state in (
        (0.0, OutputState.FOLLOWING),
        (deadlines.SILENCE_HOLD, OutputState.FOLLOWING),
        (deadlines.SILENCE_HOLD + JUST, OutputState.HOLDING),
    ):
        bench.output.board_fails("unplugged", bench.output.angles, 50.0 + failing)
        bench.output.tick(50.0 + failing)
        assert bench.state is state


def test_a_joint_whose_first_pulse_the_board_did_not_take_has_no_power(bench):
    first_servo(bench)
    bench.output.board_fails("a disturbance", [None] * 12, 50.0)
    assert not any(bench.output.powered)
    bench.output.board_takes(50.1)
    assert not bench.command(tuple(np.add(bench.rest, 2 * bench.steps)), (True, *NONE[1:]))
    assert not any(bench.output.powered)


# Back from holding, or not


def test_while_holding_a_command_within_reach_is_followed(following):
    following.until(OutputState.HOLDING)
    near = tuple(following.standing + 0.99 * following.steps)
    assert following.command(near)
    assert following.state is OutputState.FOLLOWING
    assert following.output.angles == near


@pytest.mark.parametrize("joint", range(12))
def test_while_holding_one_joint_out_of_reach_is_enough_to_be_ignored(following, joint):
    following.until(OutputState.HOLDING)
    far = following.standing + 0.5 * following.steps
    far[joint] = following.standing[joint] - 1.01 * following.steps[joint]
    assert not following.command(far)
    assert following.state is OutputState.HOLDING
    assert following.output.angles == following.standing


def test_while_holding_a_command_of_other_joints_is_ignored(following):
    following.until(OutputState.HOLDING)
    assert not following.command(following.standing, (*ALL[1:], False))
    assert following.output.powered == ALL


def test_ignored_commands_do_not_prolong_the_holding(following):
    following.until(OutputState.HOLDING)
    begun = following.now
    while following.state is OutputState.HOLDING:
        assert not following.command(following.rest)
        following.tick()
    assert following.state is OutputState.LOWERING
    assert following.now - begun == pytest.approx(2.5, abs=3 * following.period)


def test_while_lowering_powered_commands_are_ignored_even_within_reach(following):
    following.until(OutputState.LOWERING)
    following.seconds(0.5)
    assert not following.command(following.output.angles)
    assert following.state is OutputState.LOWERING
    following.until(OutputState.OFF)
    assert not following.command(following.rest)
    assert following.empty()
    assert following.state is OutputState.FOLLOWING


@pytest.mark.parametrize("state", [OutputState.HOLDING, OutputState.LOWERING])
def test_a_command_without_joints_is_obeyed_at_once(following, state):
    following.until(state)
    assert following.empty()
    assert following.state is OutputState.FOLLOWING
    assert following.output.powered == NONE


# Stops


@pytest.mark.parametrize("state", [s for s in OutputState if s is not OutputState.STOPPED])
def test_a_stop_is_limp_at_once_in_every_state(bench, state):
    if state is not OutputState.OFF:
        bench.follow().until(state)
    bench.output.stop(STOP, bench.now)
    assert (bench.state, str(bench.output.reason)) == (OutputState.STOPPED, "emergency stop")
    assert (bench.output.angles, bench.output.powered) == (bench.rest, NONE)
    bench.seconds(10.0)
    assert bench.state is OutputState.STOPPED
    assert not bench.command()
    assert not bench.command(bench.rest)


def test_a_stop_stands_for_half_a_second_so_that_everyone_hears_of_it(following):
    following.output.stop(STOP, following.now)
    begun = following.now
    while not following.empty():
        assert following.state is OutputState.STOPPED
        following.tick()
    assert following.now - begun == pytest.approx(deadlines.STOPPED_TIME, abs=2 * following.period)
    assert following.state is OutputState.FOLLOWING


def test_a_stop_ends_at_its_deadline_and_not_before(bench):
    bench.output.stop(STOP, bench.now)
    bench.now += deadlines.STOPPED_TIME - JUST
    assert not bench.empty()
    bench.now += JUST
    assert bench.empty()


def test_a_second_stop_begins_the_half_second_anew(following):
    following.output.stop(STOP, following.now)
    following.seconds(0.4)
    following.output.stop(STOP, following.now)
    following.seconds(0.4)
    assert not following.empty()


@pytest.mark.parametrize("end", [OutputSupervisor.off, OutputSupervisor.lower])
def test_an_end_does_not_hide_a_stop(following, end):
    following.output.stop(STOP, following.now)
    end(following.output, "servo_output is ending", following.now)
    assert (following.state, str(following.output.reason)) == (OutputState.STOPPED, "emergency stop")


def test_off_is_limp_at_once_without_a_fault(following):
    following.output.off(Reason.of(ReasonCode.SWITCHED_OFF), following.now)
    assert (following.state, str(following.output.reason)) == (OutputState.OFF, "switched off at once")
    assert following.output.powered == NONE


# Lowering that is asked for


def test_lowering_goes_on_whatever_the_watchdog_says(following):
    following.output.lower(ENDING, following.now)
    assert following.state is OutputState.LOWERING
    while following.state is OutputState.LOWERING:
        assert not following.command()
        following.tick()
    assert following.state is OutputState.OFF
    assert str(following.output.reason) == "at rest (servo_output is ending)"


def test_lowering_asked_for_twice_goes_on_as_it_began(following):
    following.output.lower(Reason.of(ReasonCode.DEFECT, detail="first"), following.now)
    following.seconds(1.0)
    at = following.output.angles
    following.output.lower(ENDING, following.now)
    assert (following.output.angles, str(following.output.reason)) == (at, "first")
    following.until(OutputState.OFF)


def test_lowering_without_power_is_off(bench):
    bench.empty()
    bench.output.lower(ENDING, bench.now)
    assert (bench.state, str(bench.output.reason)) == (OutputState.OFF, "servo_output is ending")


# A board found running


def test_a_board_found_running_is_held_then_lowered(bench):
    pose = Pose.from_rpy(0.01, 0.0, 0.9 * bench.robot.standing.height, 0.05, -0.03, 0.1)
    found = legs_inverse(bench.robot, pose, bench.robot.standing.feet)
    bench = OutputRig(bench.robot, found)
    assert (bench.state, bench.output.angles, bench.output.powered) == (OutputState.HOLDING, found, ALL)
    assert "found running" in str(bench.output.reason)
    assert bench.until(OutputState.LOWERING) == pytest.approx(3.0 + deadlines.FOUND_TIME, abs=2 * bench.period)
    assert bench.lowered() == bench.rest
    assert bench.state is OutputState.OFF


def test_a_board_found_running_goes_on_with_commands_within_reach(bench):
    found = tuple(np.add(bench.standing, 0.005))  # read back in whole counts
    bench = OutputRig(bench.robot, found)
    assert bench.command()
    assert bench.state is OutputState.FOLLOWING


def test_a_board_found_without_pulses_is_off(bench):
    bench = OutputRig(bench.robot, (None,) * 12)
    assert (bench.state, bench.output.powered) == (OutputState.OFF, NONE)


def test_joints_found_limp_stay_limp_through_the_lowering(bench):
    found = [None if i in (1, 7) else angle for i, angle in enumerate(bench.standing)]
    bench = OutputRig(bench.robot, found)
    powered = tuple(angle is not None for angle in found)
    assert bench.output.powered == powered
    while bench.state is not OutputState.OFF:
        assert bench.output.powered == powered
        last = bench.output.angles
        bench.tick()
    assert last == bench.rest


# Together with a watchdog


class WatchdogAndOutput:
    """A watchdog and an output on one clock; what the watchdog sends arrives while `joined`."""

    def __init__(self, robot) -> None:
        self.bench = OutputRig(robot)
        self.joined = True
        self.told = True  # what the output says of its state arrives
        self.frozen = False  # the watchdog
        self.stalled = False  # the output
        self.targets = self.bench.standing
        self.stamp = 0
        self.said: tuple[OutputState, Reason] | None = None
        self.new_watchdog()

    def new_watchdog(self) -> None:
        self.watchdog = Watchdog(self.bench.robot, self.bench.period, self.bench.now)
        self.command: Command | None = None
        self.said = None  # servo_state is latched: a newcomer hears it

    def new_output(self) -> None:
        """servo_output dies and comes back: it finds the board as it was."""
        before = self.bench.output
        found = [angle if on else None for angle, on in zip(before.angles, before.powered)]
        self.bench.output = OutputSupervisor(self.bench.robot, self.bench.period, self.bench.now, found)

    def tick(self) -> None:
        before = self.bench.output.angles, self.bench.output.powered
        if self.stalled:
            self.bench.now += self.bench.period
        else:
            self.bench.tick()
        now = self.bench.now
        if not self.frozen:
            self.watchdog_tick(now)
        self.look(*before)

    def watchdog_tick(self, now: float) -> None:
        if not self.stalled:
            said = (self.bench.output.state, self.bench.output.reason)
            if self.told and said != self.said:
                self.said = said
                self.watchdog.output_says(said[0].value, said[1], now)
            self.watchdog.output_watch.heard(now)
            if self.watchdog.wants_joints:
                self.watchdog.joints(self.bench.output.angles, now)
        self.stamp += 1
        commands = [
            self.watchdog.targets(self.stamp, JOINT_NAMES[3 * i : 3 * i + 3], [self.targets[3 * i : 3 * i + 3]], now)
            for i in range(len(LEGS))
        ]
        for command in (*commands, self.watchdog.tick(now)):
            self.command = command or self.command
            if command and self.joined and not self.stalled:
                self.bench.output.command(command, now)

    @property
    def watchdog_is_lowered(self) -> bool:
        """Whether its last command is the resting pose."""
        return self.command is not None and self.command.angles == self.bench.rest

    def look(self, angles, powered) -> None:
        """On the wire: no jump of a powered joint, first pulses at rest."""
        output = self.bench.output
        for i in range(12):
            if output.powered[i] and powered[i]:
                # servo_output's own way down and a command at the same tick: two steps at most
                assert abs(output.angles[i] - angles[i]) <= 2 * self.bench.steps[i] * (1 + 1e-9)
            elif output.powered[i]:
                assert output.angles[i] == self.bench.rest[i]

    def seconds(self, seconds: float) -> None:
        for _ in range(round(seconds / self.bench.period)):
            self.tick()

    def until(self, state: State, within: float = 20.0) -> None:
        begun = self.bench.now
        while self.watchdog.state is not state:
            assert self.bench.now - begun < within, f"{self.watchdog.state}: {self.watchdog.why}"
            self.tick()

    def up(self) -> WatchdogAndOutput:
        self.seconds(1.2)
        assert self.bench.state is OutputState.FOLLOWING
        done, words = self.watchdog.enable(True, self.bench.now)
        assert done, words
        self.until(State.ACTIVE)
        self.seconds(0.5)
        assert (self.bench.output.angles, self.bench.output.powered) == (self.bench.standing, ALL)
        return self


@pytest.fixture(params=ROBOTS, ids=NAMES)
def pair(request) -> WatchdogAndOutput:
    return WatchdogAndOutput(request.param).up()


def test_from_off_to_standing_to_off(pair):
    pair.watchdog.enable(False, pair.bench.now)
    pair.until(State.OFF)
    pair.tick()
    assert pair.bench.output.powered == NONE
    assert pair.bench.state is OutputState.FOLLOWING
    pair.watchdog.enable(True, pair.bench.now)
    pair.until(State.ACTIVE)


def test_a_lowering_whose_commands_do_not_arrive_drops_nothing(pair):
    """On a computer short of time they come late, and so does the word that the output holds."""
    pair.watchdog.enable(False, pair.bench.now)
    pair.seconds(0.5)
    pair.joined = pair.told = False
    while not pair.watchdog_is_lowered:
        pair.tick()
    pair.seconds(0.3)
    pair.joined = True
    pair.seconds(0.3)
    assert pair.bench.output.powered == ALL
    assert not np.allclose(pair.bench.output.angles, pair.bench.rest, atol=0.1)
    pair.told = True
    pair.until(State.OFF)
    while any(pair.bench.output.powered):
        before = pair.bench.output.angles
        pair.tick()
    np.testing.assert_allclose(before, pair.bench.rest)


def test_a_watchdog_frozen_for_a_second_goes_on_afterwards(pair):
    pair.frozen = True
    pair.seconds(1.0)
    assert pair.bench.state is OutputState.HOLDING
    pair.frozen = False
    pair.seconds(1.0)
    assert pair.bench.state is OutputState.FOLLOWING
    assert pair.watchdog.state is State.ACTIVE


def test_a_watchdog_frozen_for_long_finds_the_robot_lowered_and_goes_off(pair):
    pair.frozen = True
    pair.seconds(4.0)
    assert pair.bench.state is OutputState.LOWERING
    pair.frozen = False
    while pair.bench.output.powered == ALL:
        last = pair.bench.output.angles
        pair.tick()
    assert last == pair.bench.rest
    assert pair.watchdog.state is State.OFF
    pair.seconds(0.2)
    assert pair.bench.state is OutputState.FOLLOWING
    pair.up()


@pytest.mark.parametrize("dead", [0.02, 0.3, 0.6, 2.0, 4.0, 10.0])
def test_a_new_watchdog_lets_the_robot_be_lowered_and_then_may_enable(pair, dead):
    pair.frozen = True
    pair.seconds(dead)
    pair.new_watchdog()
    pair.frozen = False
    last = pair.bench.output.angles
    while pair.bench.output.powered == ALL:
        assert not pair.watchdog.enable(True, pair.bench.now)[0]
        last = pair.bench.output.angles
        pair.tick()
    assert last == pair.bench.rest
    pair.up()


def test_a_new_servo_output_finds_the_board_and_goes_on(pair):
    pair.new_output()
    assert pair.bench.state is OutputState.HOLDING
    pair.seconds(2.0)
    assert pair.bench.state is OutputState.FOLLOWING
    assert pair.watchdog.state is State.ACTIVE


def test_a_new_servo_output_far_from_the_commands_lowers_and_the_watchdog_goes_off(pair):
    low = Pose((0.0, 0.0, 0.8 * pair.bench.robot.standing.height))
    pair.joined = False
    pair.targets = legs_inverse(pair.bench.robot, low, pair.bench.robot.standing.feet)
    pair.seconds(0.4)
    pair.new_output()
    pair.joined = True
    pair.until(State.OFF, within=4.5)
    assert pair.bench.state is OutputState.HOLDING
    pair.seconds(10.0)
    assert pair.bench.output.powered == NONE
    assert pair.bench.state is OutputState.FOLLOWING


def test_after_a_stall_of_servo_output_both_come_to_rest_and_stand_again(pair):
    """It stalled without dying, so that it has no news to say: the watchdog goes the safe way."""
    pair.stalled = True
    pair.seconds(1.0)
    assert pair.watchdog.state is State.HOLD
    pair.stalled = False
    pair.seconds(1.0)
    assert pair.bench.output.angles == pair.bench.standing
    pair.watchdog.enable(True, pair.bench.now)
    pair.seconds(20.0)
    assert pair.watchdog.state in (State.OFF, State.ACTIVE)
    if pair.watchdog.state is State.OFF:
        assert pair.bench.output.powered == NONE
        pair.up()


def test_an_emergency_stop_wants_reset_and_then_enable(pair):
    pair.bench.output.stop(STOP, pair.bench.now)
    pair.seconds(2.0)
    assert pair.watchdog.state is State.FAULT
    assert pair.bench.output.powered == NONE
    assert not pair.watchdog.enable(True, pair.bench.now)[0]
    pair.watchdog.reset(pair.bench.now)
    pair.up()


def test_commands_of_two_publishers_in_one_period_go_no_farther_than_one(following):
    held, begun = np.array(following.standing), following.now
    assert following.command()
    for k in range(40):
        following.now = begun + (k + 1) * following.period / 4
        following.command(tuple(held + (1, -1)[k % 2] * 10 * following.steps))
        moved = np.abs(np.subtract(following.output.angles, held))
        assert (moved <= following.steps / 4 * (1 + 1e-9)).all()
        held = np.array(following.output.angles)


def test_a_second_command_at_the_same_moment_goes_a_twentieth_of_a_step(following):
    assert following.command()
    assert following.command(tuple(following.standing + 10 * following.steps))
    np.testing.assert_allclose(np.subtract(following.output.angles, following.standing), following.steps / 20)


# A board that fails


def test_a_frame_that_the_board_did_not_take_is_made_up_no_faster_than_the_servos(following):
    held = following.standing
    assert following.command(tuple(np.add(held, following.steps)))
    following.output.board_fails("a disturbance", held, following.now)
    following.output.board_takes(following.now)
    following.now += following.period
    assert following.command(tuple(np.add(held, 2 * following.steps)))
    assert np.allclose(following.output.angles, np.add(held, following.steps))
    assert following.state is OutputState.FOLLOWING


def test_a_board_that_fails_for_long_is_a_hold_at_what_it_holds(following):
    while following.state is OutputState.FOLLOWING:
        following.command(tuple(np.add(following.standing, 0.05)))
        following.output.board_fails("unplugged", following.standing, following.now)
        following.tick()
        assert following.now < 51.0
    assert following.state is OutputState.HOLDING
    assert "unplugged" in str(following.output.reason)
    assert following.output.angles == following.standing
    assert not following.command(), "nobody may be followed to a board that takes nothing"


def test_a_board_that_fails_for_a_moment_changes_no_state_however_long_it_worked_before(following):
    for _ in range(2):
        for _ in range(round(deadlines.SILENCE_HOLD / following.period)):
            following.tick()
            assert following.command()
        following.fails(0.5 * deadlines.SILENCE_HOLD)
        assert following.state is OutputState.FOLLOWING
        assert following.command(), "in time"
        following.output.board_takes(following.now)


def test_nothing_moves_while_the_board_fails_and_it_is_lowered_after(following):
    following.fails(10.0)
    assert following.state is OutputState.HOLDING
    following.output.board_takes(following.now)
    assert following.until(OutputState.LOWERING) == pytest.approx(deadlines.SILENCE_LOWER, abs=0.05)
    following.until(OutputState.OFF)


def test_a_board_that_is_back_may_be_followed_from_where_it_stands(following):
    following.fails(1.0)
    following.output.board_takes(following.now)
    assert following.command()
    assert following.state is OutputState.FOLLOWING


def test_a_way_down_waits_for_the_board(following):
    following.output.lower(ENDING, following.now)
    following.seconds(0.5)
    held = following.output.angles
    following.fails(2.0, held)
    assert following.output.angles == held
    following.output.board_takes(following.now)
    following.until(OutputState.OFF)


def test_a_board_that_fails_now_and_then_does_not_hide_the_watchdogs_silence(following):
    begun = following.now
    while following.state is OutputState.FOLLOWING:
        following.output.board_fails("a loose plug", following.standing, following.now)
        following.tick()
        following.output.board_takes(following.now)
        for _ in range(round(0.3 / following.period)):
            following.tick()
        assert following.now - begun < 2 * deadlines.SILENCE_HOLD


def test_who_would_rise_without_a_board_is_told_and_begins_again(bench):
    bench.empty()
    bench.fails(1.0, [None] * 12)
    assert not bench.command(bench.rest)
    assert bench.state is OutputState.OFF
    bench.output.board_takes(bench.now)
    assert not bench.command(), "twelve first pulses in the standing pose"
    assert bench.empty()
    assert bench.command(bench.rest)


def test_a_first_pulse_away_from_rest_is_refused(bench):
    bench.empty()
    assert not bench.command(bench.standing)
    assert bench.output.powered == NONE
    assert "first pulse" in str(bench.output.reason)
    bench.empty()
    assert bench.command(bench.rest, (True, *NONE[1:]))
    assert not bench.command(bench.standing)
    assert bench.output.powered == (True, *NONE[1:])


@pytest.mark.parametrize("joint", range(12))
def test_power_goes_from_all_joints_or_from_none(following, joint):
    some = tuple(i != joint for i in range(12))
    assert not following.command(powered=some)
    assert not following.command(powered=tuple(not on for on in some))
    assert following.output.powered == ALL
    assert following.empty()


def test_a_failure_at_the_first_pulses_leaves_them_at_rest(following):
    following.empty()
    assert following.output.angles == following.rest
    assert following.command(following.rest, (True, *NONE[1:]))
    following.output.board_fails("a disturbance", [None] * 12, following.now)
    assert following.output.angles == following.rest


def test_a_stop_stands_though_the_board_fails(following):
    following.output.board_fails("unplugged", following.standing, following.now)
    following.output.stop(STOP, following.now)
    following.output.board_fails("unplugged", following.standing, following.now)
    following.tick()
    assert following.state is OutputState.STOPPED
    assert following.output.powered == NONE


class OutputStateMachine(RuleBasedStateMachine):
    """Both together, with freezes, deaths and stops in any order. `WatchdogAndOutput.look` judges the wire."""

    @initialize(name=st.sampled_from(NAMES))
    def begin(self, name) -> None:
        self.pair = WatchdogAndOutput(ROBOTS[NAMES.index(name)]).up()

    @rule(seconds=st.floats(0.02, 2.0))
    def run(self, seconds) -> None:
        self.pair.seconds(seconds)

    @rule(seconds=st.sampled_from((0.1, 0.45, 0.6, 1.0, 2.8, 3.2, 5.0)))
    def freeze(self, seconds) -> None:
        self.pair.frozen = True
        self.pair.seconds(seconds)
        self.pair.frozen = False

    @rule(seconds=st.sampled_from((0.1, 0.45, 0.6, 1.0, 2.8)))
    def cut(self, seconds) -> None:
        self.pair.joined = False
        self.pair.seconds(seconds)
        self.pair.joined = True

    @rule(seed=st.integers(0, 2**16), size=st.sampled_from((0.02, 0.3)))
    def other_targets(self, seed, size) -> None:
        offsets = np.random.default_rng(seed).uniform(-size, size, 12)
        self.pair.targets = tuple(np.add(self.pair.bench.standing, offsets))

    @rule(on=st.booleans())
    def enable(self, on) -> None:
        self.pair.watchdog.enable(on, self.pair.bench.now)

    @rule()
    def watchdog_dies(self) -> None:
        self.pair.new_watchdog()

    @rule()
    def output_dies(self) -> None:
        self.pair.new_output()

    @rule()
    def stop(self) -> None:
        self.pair.bench.output.stop(STOP, self.pair.bench.now)
        assert self.pair.bench.output.powered == NONE

    @rule()
    def reset(self) -> None:
        self.pair.watchdog.reset(self.pair.bench.now)

    @invariant()
    def it_says_what_it_does(self) -> None:
        if hasattr(self, "pair"):
            assert str(self.pair.bench.output.reason).strip()
            if self.pair.bench.state in (OutputState.OFF, OutputState.STOPPED):
                assert self.pair.bench.output.powered == NONE

    def teardown(self) -> None:
        """From anywhere, the two come to rest and stand again when asked to."""
        if not hasattr(self, "pair"):
            return
        pair = self.pair
        pair.targets = pair.bench.standing
        pair.seconds(1.0)
        pair.watchdog.enable(False, pair.bench.now)
        pair.seconds(15.0)
        assert pair.bench.output.powered == NONE
        pair.watchdog.reset(pair.bench.now)
        pair.up()


TestAnything = OutputStateMachine.TestCase
TestAnything.settings = settings(max_examples=examples(10), stateful_step_count=15)


def test_a_second_publisher_of_commands_cannot_make_a_joint_faster_than_its_servo(following):
    rogue = tuple(angle + 1.0 for angle in following.standing)
    following.tick()
    following.command(rogue)
    furthest = max(
        abs(b - a) / step for a, b, step in zip(following.standing, following.output.angles, following.steps)
    )
    assert furthest == pytest.approx(1.0)
    assert following.output.slowed == 1
