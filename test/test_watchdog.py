"""The watchdog's states, stops and words, on a clock that only the tests move.

The categories of stops are those of IEC 60204-1, 9.2.2: 0 removes the power at once, 1 brings the
machine to rest and then removes it, 2 brings it to rest and keeps it.
"""

from __future__ import annotations

from dataclasses import replace
from math import inf, nan, radians

import numpy as np
import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from hypothesis_settings import examples
from sample_robots import ROBOTS
from watchdog_rig import WatchdogRig

from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import all_forward, legs_inverse
from quadleg.robot.model import JOINT_NAMES, LEGS
from quadleg.safety import deadlines, transitions
from quadleg.safety.catalogue import Reason
from quadleg.safety.joint_command import ALL, NONE, Command
from quadleg.safety.node_status import NodeStatus
from quadleg.safety.reason_codes import ReasonCode as Code
from quadleg.safety.state_machine import State
from quadleg.safety.watchdog import LAST_WORDS, Answer

NAMES = [robot.name for robot in ROBOTS]
FOLLOWS = {Code.TARGETS_FOLLOWED: {}}
POWERED = (State.RISING, State.ACTIVE, State.HOLD, State.LOWERING)
JUST = 2**-20  # s


@pytest.fixture(params=ROBOTS, ids=NAMES)
def bench(request) -> WatchdogRig:
    return WatchdogRig(request.param)


@pytest.fixture
def up(bench) -> WatchdogRig:
    return bench.up()


@pytest.fixture
def exact() -> WatchdogRig:
    """Up, at a rate with which sums of periods are exact: a deadline is met and not only come near to."""
    return WatchdogRig(replace(ROBOTS[0], control_rate=64.0)).up()


def hold(bench: WatchdogRig) -> None:
    bench.until(State.HOLD, frames=False)


# Off, and the first words


def test_it_begins_off_and_never_enables_itself(bench):
    bench.follow()
    bench.run(5)
    assert bench.state is State.OFF
    assert bench.sent == Command(bench.rest, NONE)
    assert (bench.watchdog.sent, bench.watchdog.slowed) == (0, 0)
    assert bench.codes == {Code.NOT_ENABLED: {}}


def test_it_is_silent_until_servo_output_has_spoken(bench):
    bench.seconds(5.0)
    assert bench.sent is None
    assert Code.OUTPUT_NOT_HEARD in bench.refused()
    bench.says("off")
    assert bench.tick() == Command(bench.rest, NONE)


def test_a_new_watchdog_waits_until_a_servo_output_left_powered_would_hold(bench):
    bench.says("following")  # a watchdog that died left it so, and nobody knows with what power
    bench.seconds(0.9)
    assert bench.sent is None
    assert Code.JUST_STARTED in bench.refused()
    bench.seconds(0.2)
    assert bench.sent == Command(bench.rest, NONE)
    bench.enable()


@pytest.mark.parametrize("doing", ["holding", "lowering"])
def test_without_power_it_does_not_cut_short_what_servo_output_does_by_itself(bench, doing):
    bench.says(doing)
    bench.seconds(5)
    assert bench.sent is None
    assert bench.refused()[Code.OUTPUT_NOT_READY] == {"output": doing}
    bench.says("off")
    assert bench.tick() == Command(bench.rest, NONE)


@pytest.mark.parametrize("doing", ["off", "stopped", "holding", "lowering"])
def test_it_enables_only_where_servo_output_follows(bench, doing):
    bench.says(doing)
    bench.seconds(1.1)
    bench.watchdog.reset(bench.now)
    assert bench.refused()[Code.OUTPUT_NOT_READY] == {"output": doing}
    bench.says("following")
    assert Code.RISES in bench.enable()


def test_a_command_goes_on_at_the_control_rate_in_every_state(bench):
    bench.follow()
    seen = set()

    def tick() -> None:
        before = bench.count
        bench.tick()
        assert bench.count == before + 1, bench.state
        seen.add(bench.state)

    tick()
    bench.enable()
    while bench.state is not State.ACTIVE:
        tick()
    while bench.state is not State.OFF:  # no frames at all: hold, then lowering
        tick()
    bench.enable()
    tick()
    bench.measure(present=False)
    tick()
    assert seen == set(State)


def test_while_servo_output_is_stopped_no_command_lets_it_go(bench):
    """It keeps the stop in mind for a watchdog that is started anew, which then is in fault too, however late it hears
    of it."""
    bench.up()
    bench.says("stopped", Code.EMERGENCY_STOP)
    before = bench.count
    bench.seconds(5.0)
    assert (bench.state, bench.count) == (State.FAULT, before)
    bench.watchdog.reset(bench.now)
    assert bench.tick() == Command(bench.rest, NONE)


def test_while_active_each_frame_is_one_command_and_a_gap_is_filled(up):
    up.tick()
    for _ in range(20):
        before, followed = up.count, up.watchdog.sent
        assert up.frame() is not None
        up.tick()
        assert (up.count, up.watchdog.sent) == (before + 1, followed + 1)
    before = up.count
    assert up.tick() == up.sent  # a frame is missing: its place is taken by the last one
    assert (up.count, up.watchdog.sent) == (before + 1, followed + 1)
    assert up.state is State.ACTIVE


# First pulses and rising


def test_first_pulses_are_the_resting_pose_one_servo_after_the_other(bench):
    bench.follow()
    assert bench.enable() == {Code.RISES: {"height_mm": f"{1000 * bench.robot.standing.height:.0f}"}}
    assert bench.codes == {Code.ENABLED: {}}
    order = []
    while bench.sent.powered != ALL:
        before = bench.sent.powered
        bench.tick()
        assert bench.sent.angles == bench.rest
        new = [i for i in range(12) if bench.sent.powered[i] and not before[i]]
        assert len(new) <= 1
        for i in new:
            order.append((i, bench.now))
            assert bench.codes == {Code.FIRST_PULSES: {"joint": JOINT_NAMES[i], "number": f"{i + 1}", "count": "12"}}
    assert [i for i, _ in order] == list(range(12))
    apart = np.diff([when for _, when in order])
    np.testing.assert_allclose(apart, 0.2, atol=1e-6)  # s
    bench.tick(round(0.2 / bench.period))
    assert bench.codes == {Code.RISING: {}}


@pytest.mark.parametrize(("height", "told"), [(0.14949, "149"), (0.14951, "150")])
def test_the_height_that_it_rises_to_is_told_to_the_millimetre(height, told):
    robot = ROBOTS[0]
    bench = WatchdogRig(replace(robot, standing=replace(robot.standing, height=height)))
    bench.follow()
    assert bench.enable() == {Code.RISES: {"height_mm": told}}


def test_rising_ends_at_the_standing_height_within_fifteen_seconds(bench):
    bench.follow()
    bench.enable()
    assert bench.until(State.ACTIVE) < 15.0
    np.testing.assert_allclose(bench.sent.angles, bench.standing, atol=1e-6)
    assert bench.codes == FOLLOWS


def test_frames_are_not_followed_while_it_rises(bench):
    bench.follow()
    bench.enable()
    bench.seconds(3)
    assert bench.state is State.RISING
    assert bench.frame(bench.rest) is None


def test_disabled_between_the_first_pulses_it_goes_off(bench):
    bench.follow()
    bench.enable()
    bench.seconds(0.5)
    assert 0 < sum(bench.sent.powered) < 12
    bench.enable(False)
    bench.until(State.OFF, within=transitions.SETTLE_TIME + 0.2, frames=False)
    assert bench.sent == Command(bench.rest, NONE)


def test_no_joint_targets_after_rising_end_in_a_hold(bench):
    bench.follow()
    bench.enable()
    bench.until(State.HOLD, frames=False)
    assert Code.NO_FRAME in bench.codes


# Following


def test_good_frames_are_followed(up):
    pose = Pose.from_rpy(0.004, 0.0, 0.98 * up.robot.standing.height, 0.02, 0.01, 0.0)
    angles = legs_inverse(up.robot, pose, up.robot.standing.feet)
    up.run(1.0, angles)
    assert up.sent == Command(angles, ALL)
    assert up.state is State.ACTIVE
    assert up.watchdog.target_watch.age(up.now) == pytest.approx(up.period)
    assert (
        up.watchdog.target_watch.assembly.dropped,
        up.watchdog.target_watch.assembly.late,
        up.watchdog.target_watch.refused,
    ) == (0, 0, 0)


def test_a_whole_frame_is_one_of_four_targets(up):
    pose = Pose.from_rpy(0.0, 0.0, 0.999 * up.robot.standing.height, 0.0, 0.0, 0.0)
    angles = legs_inverse(up.robot, pose, up.robot.standing.feet)
    up.tick()
    assert up.watchdog.frame(angles, up.now) == Command(angles, ALL)
    assert up.watchdog.target_watch.age(up.now) == 0.0


def test_a_frame_faster_than_the_servos_is_slowed_and_said_and_stops_nothing(up):
    far = legs_inverse(up.robot, Pose((0.0, 0.0, 0.7 * up.robot.standing.height)), up.robot.standing.feet)
    way = np.subtract(far, up.standing)
    up.tick()
    up.frame(far)
    gone = np.subtract(up.sent.angles, up.standing)
    share = gone @ way / (way @ way)
    assert 0 < share < 1
    np.testing.assert_allclose(gone, share * way, atol=1e-9)  # all joints alike: the feet keep their lines
    assert np.max(np.abs(gone) / up.steps) == pytest.approx(1.0)
    assert up.watchdog.slowed == 1
    assert Code.SLOWED in up.codes
    up.run(4.0, far)
    assert up.state is State.ACTIVE
    assert up.sent.angles == far
    assert Code.SLOWED not in up.codes


def test_an_incomplete_frame_is_not_sent_and_says_which_leg_was_missing(up):
    sent = up.sent
    up.stamp += 1
    assert up.legs(np.add(up.standing, 0.01), *LEGS[:3]) is None
    up.tick(2)
    assert up.sent == sent
    assert up.watchdog.target_watch.assembly.dropped == 1
    assert up.codes == FOLLOWS | {Code.FRAME_INCOMPLETE: {"legs": "rear_right"}}
    assert up.legs(np.add(up.standing, 0.01), LEGS[3]) is None
    assert up.watchdog.target_watch.assembly.late == 1
    up.run(1.5)
    assert up.codes == FOLLOWS


def test_a_stamp_that_goes_back_is_no_fault(up):
    up.run(0.5)
    up.stamp = 5
    up.run(0.5)
    assert up.state is State.ACTIVE
    assert (up.watchdog.target_watch.assembly.dropped, up.watchdog.target_watch.assembly.late) == (0, 0)


# No good frame: category 2, then 1


def test_no_good_frame_for_three_frames_is_a_hold_with_power(up):
    up.run(0.5)
    up.tick(1)
    assert up.state is State.ACTIVE
    up.tick(3)
    assert up.state is State.HOLD
    assert up.sent == Command(up.standing, ALL)  # category 2
    assert up.codes == {Code.NO_FRAME: {"periods": "3"}}
    assert up.watchdog.holds == 1


def test_two_seconds_of_hold_without_frames_end_in_lowering_and_then_off(up):
    hold(up)
    begun = up.now
    up.until(State.LOWERING, frames=False)
    assert up.now - begun == pytest.approx(deadlines.HOLD_TIME, abs=2 * up.period)
    assert up.codes.keys() == {Code.HELD_TOO_LONG, Code.NO_FRAME}
    assert up.sent.powered == ALL  # category 1: with power down to the ground
    last = up.sent
    while up.state is State.LOWERING:
        last = up.sent
        up.tick()
    assert last == Command(up.rest, ALL)  # exactly at rest
    assert up.sent == Command(up.rest, NONE)
    assert up.state is State.OFF
    assert up.codes.keys() == {Code.AT_REST, Code.HELD_TOO_LONG, Code.NO_FRAME}


def test_the_first_three_good_frames_end_the_hold(up):
    hold(up)
    up.run(2 * up.period)
    assert up.state is State.HOLD
    assert up.frame() is not None
    assert up.state is State.ACTIVE
    up.run(1.0)
    assert up.state is State.ACTIVE


def test_three_good_frames_far_apart_are_not_enough(up):
    hold(up)
    begun = up.now
    while up.now - begun < 1.9:
        up.frame()
        assert up.state is State.HOLD
        up.tick(5)
    up.until(State.LOWERING, frames=False, within=0.2)


def test_a_hold_sets_a_swing_foot_down(up):
    feet = [list(foot) for foot in up.robot.standing.feet]
    feet[2][2] += 0.015
    lifted = legs_inverse(up.robot, Pose((0.0, 0.0, up.robot.standing.height)), feet)
    up.run(1.0, lifted)
    assert up.sent.angles == lifted
    hold(up)
    up.seconds(1.0)
    assert up.state is State.HOLD
    np.testing.assert_allclose(up.sent.angles, up.standing, atol=1e-6)


# Bad targets: category 2, then 1

BAD = [
    (JOINT_NAMES[:3], [(0.0, nan, 0.0)]),
    (JOINT_NAMES[:2], [(0.0, 0.0)]),
    (JOINT_NAMES[:3], []),
    (("tail", *JOINT_NAMES[:2]), [(0.0, 0.0, 0.0)]),
    (JOINT_NAMES[1:4], [(0.0, 0.0, 0.0)]),
]


@pytest.mark.parametrize(("names", "points"), BAD)
def test_three_bad_targets_in_a_row_are_a_hold_and_then_lowering(up, names, points):
    for _ in range(2):
        up.bad(names, points)
    up.tick()
    assert up.state is State.ACTIVE
    up.bad(names, points)
    up.tick()
    assert up.state is State.HOLD
    assert up.sent.powered == ALL
    assert up.watchdog.target_watch.refused == 3
    begun = up.now
    up.until(State.LOWERING)  # good frames do not end this hold
    assert up.now - begun == pytest.approx(deadlines.HOLD_TIME, abs=2 * up.period)
    up.until(State.OFF)


def test_three_bad_targets_are_a_hold_where_a_good_frame_comes_before_the_tick(up):
    for _ in range(3):
        up.bad()
    up.watchdog.frame(up.standing, up.now)
    up.tick()
    assert up.state is State.HOLD


def test_the_reason_for_the_hold_is_what_is_wrong_with_the_targets(up):
    for _ in range(3):
        up.bad()
    up.tick()
    assert "front_left_hip is nan" in up.codes[Code.BAD_TARGETS]["detail"]


def test_bad_targets_between_good_frames_are_said_and_stop_nothing(up):
    for _ in range(30):
        up.bad()
        up.bad()
        up.frame()
        up.tick()
    assert up.state is State.ACTIVE
    assert up.watchdog.target_watch.refused == 60
    assert "front_left_hip is nan" in up.codes[Code.TARGET_REFUSED]["detail"]
    up.run(1.5)
    assert Code.TARGET_REFUSED not in up.codes


def test_a_new_state_begins_without_the_notices_of_the_last(up):
    up.bad()
    assert Code.TARGET_REFUSED in up.codes
    up.enable(False)
    assert up.codes.keys() == {Code.ASKED_TO_SIT}


def test_one_leg_that_is_always_bad_is_a_hold_for_bad_targets(up):
    for _ in range(3):
        up.stamp += 1
        up.legs(up.standing, *LEGS[1:])
        up.bad()
        up.tick()
    assert up.state is State.HOLD
    assert Code.BAD_TARGETS in up.codes


def test_enable_ends_a_hold_for_bad_targets(up):
    for _ in range(3):
        up.bad()
    up.tick()
    up.run(0.5)
    assert up.enable() == {Code.GOES_ON: {}}
    up.run(3.0)
    assert up.state is State.ACTIVE


# Limits: said; three seconds long, category 2


def beyond(bench: WatchdogRig, leg: int = 1) -> tuple[float, ...]:
    """The standing pose with one leg's abduction past its limit, and another leg somewhere else."""
    angles = list(bench.standing)
    angles[3 * leg] = bench.robot.joints[3 * leg].upper + 0.01
    angles[3 * leg + 1] += 0.05
    other = 3 * ((leg + 1) % 4)
    angles[other] += 0.02
    return tuple(angles)


def test_a_leg_past_a_joint_limit_stays_at_its_last_good_point_and_the_others_go_on(up):
    wanted = beyond(up)
    up.run(1.0, wanted)
    assert up.state is State.ACTIVE
    assert up.sent.angles[3:6] == up.standing[3:6]
    assert up.sent.angles[6:9] == wanted[6:9]
    assert up.codes[Code.JOINT_LIMIT]["joint"] == "front_right_abduction"
    up.run(1.5)
    assert up.codes == FOLLOWS


def test_a_limit_for_three_seconds_is_a_hold_that_only_enable_ends(up):
    wanted = beyond(up)
    took = up.until(State.HOLD, angles=wanted)
    assert took == pytest.approx(deadlines.LIMIT_TIME, abs=3 * up.period)
    assert up.codes[Code.AT_LIMIT] == {"seconds": "3"}
    assert up.codes[Code.JOINT_LIMIT]["joint"] == "front_right_abduction"
    up.run(10.0)  # neither good frames nor time end it
    assert up.state is State.HOLD
    up.seconds(10.0)
    assert up.state is State.HOLD
    assert up.sent.powered == ALL
    up.run(0.5)
    assert up.enable() == {Code.GOES_ON: {}}
    up.run(4.0)
    assert up.state is State.ACTIVE


def test_a_limit_that_passes_within_three_seconds_is_no_hold(up):
    for _ in range(3):
        up.run(2.5, beyond(up))
        up.run(0.1)
    assert up.state is State.ACTIVE


def test_enabled_again_at_the_limit_it_holds_again_after_three_seconds(up):
    up.until(State.HOLD, angles=beyond(up))
    up.run(1.0, beyond(up))
    up.enable()
    up.run(2.5, beyond(up))
    assert up.state is State.ACTIVE
    assert up.until(State.HOLD, angles=beyond(up)) < 1.0


def test_legs_nearer_than_the_clearance_stop_and_hold_after_three_seconds():
    up = WatchdogRig(ROBOTS[0]).up()
    crossed = list(up.standing)
    crossed[0:3] = map(radians, (0, 80, -60))
    crossed[6:9] = map(radians, (0, 12, -93))
    up.run(1.0, crossed)
    stopped = up.sent
    near = up.codes[Code.PARTS_TOO_NEAR]
    assert (near["part"], near["other"]) == ("front_left_lower", "rear_left_lower")
    up.run(1.0, crossed)
    assert up.sent.angles == stopped.angles
    up.until(State.HOLD, angles=crossed, within=2.0)
    assert Code.AT_LIMIT in up.codes


def test_the_words_of_a_limit_follow_it_at_most_once_a_second(up):
    up.run(1.5, beyond(up, leg=1))
    up.frame()  # in between a good one: no hold
    up.run(0.3, beyond(up, leg=2))
    assert up.codes[Code.JOINT_LIMIT]["joint"] == "front_right_abduction"
    up.run(1.0, beyond(up, leg=2))
    assert up.codes[Code.JOINT_LIMIT]["joint"] == "rear_left_abduction"


# enable(true) in a hold without frames


def test_enabled_without_frames_it_holds_two_seconds_more_and_says_for_what(up):
    up.until(State.HOLD, angles=beyond(up))
    up.seconds(5.0)
    assert up.enable().keys() == {Code.HOLDS_ON, Code.NO_FRAME}
    assert Code.NO_FRAME in up.codes
    up.seconds(1.8)
    assert up.state is State.HOLD
    up.run(3 * up.period)
    assert up.state is State.ACTIVE
    up.until(State.LOWERING, frames=False, within=3.0)


# enable(false), the end: category 1


@pytest.mark.parametrize("state", [State.RISING, State.ACTIVE, State.HOLD])
def test_enable_false_lowers_from_every_powered_state_exactly_to_rest_and_then_off(bench, state):
    bench.follow()
    bench.enable()
    bench.until(state, frames=False)
    if state is State.RISING:
        bench.seconds(3.5)
        assert bench.sent.angles != bench.rest
    assert bench.enable(False) == {Code.LOWERS: {}}
    last = bench.sent
    while bench.state is State.LOWERING:
        last = bench.tick()
        if bench.state is State.LOWERING:
            assert last.powered == ALL
            at_rest = last.angles == bench.rest
    assert at_rest
    assert bench.state is State.OFF
    assert last == Command(bench.rest, NONE)
    assert bench.codes.keys() == {Code.AT_REST, Code.ASKED_TO_SIT}


def test_enable_false_is_fulfilled_where_nothing_is_powered(bench):
    bench.follow()
    assert bench.enable(False) == {Code.ALREADY: {"state": "off"}}
    bench.says("stopped")
    assert bench.enable(False) == {Code.ALREADY: {"state": "fault"}}
    assert bench.state is State.FAULT


def test_enable_while_powered_succeeds_and_changes_nothing(bench):
    bench.follow()
    bench.enable()
    assert bench.enable() == {Code.ALREADY: {"state": "rising"}}
    bench.until(State.ACTIVE)
    bench.frame()
    assert bench.enable() == {Code.ALREADY: {"state": "active"}}
    assert bench.state is State.ACTIVE


def test_enable_turns_lowering_back_to_rising_from_where_it_is(up):
    up.enable(False)
    up.seconds(1.0)
    assert up.state is State.LOWERING
    low = up.sent
    assert Code.RISES in up.enable()
    assert up.state is State.RISING
    assert up.codes == {Code.TURNED_BACK: {}}
    up.tick()
    assert np.abs(np.subtract(up.sent.angles, low.angles)).max() < np.max(up.steps)
    assert up.sent.powered == ALL
    while up.state is State.RISING:
        body, _ = transitions.standing_over(up.robot, all_forward(up.robot, up.sent.angles))
        assert (
            body.position[2]
            >= 0.99 * transitions.standing_over(up.robot, all_forward(up.robot, low.angles))[0].position[2]
        )
        up.frame()
        up.tick()
    assert up.state is State.ACTIVE
    np.testing.assert_allclose(up.sent.angles, up.standing, atol=1e-6)


def test_the_end_lowers_switches_off_and_enables_nothing_any_more(up):
    up.watchdog.end(up.now)
    assert up.state is State.LOWERING
    assert Code.ENDING in up.refused()
    assert not up.watchdog.finished
    up.until(State.OFF, frames=False)
    assert up.watchdog.finished
    assert Code.ENDING in up.refused()
    assert up.tick() == Command(up.rest, NONE)


def test_an_end_is_said_for_some_periods_so_that_it_surely_arrives(bench):
    bench.follow()
    bench.tick()
    assert not bench.watchdog.ended
    bench.watchdog.end_at_once(bench.now)
    said = [bench.tick() for _ in range(LAST_WORDS) if not bench.watchdog.ended]
    assert bench.watchdog.ended
    assert said == [Command(bench.rest, NONE)] * LAST_WORDS


def test_an_end_at_once_takes_the_power_off_and_enables_nothing_any_more(up):
    up.watchdog.end_at_once(up.now)
    assert up.state is State.OFF
    assert up.codes == {Code.SWITCHED_OFF: {}}
    assert Code.ENDING in up.refused()


@pytest.mark.parametrize(("kind", "wanted"), [("measured", True), ("modelled", False)])
def test_joint_states_are_wanted_where_they_are_measured_under_power(bench, kind, wanted):
    said = NodeStatus("following", Reason.of(Code.COMMANDS_FOLLOWED), figures={"joint_angles": kind})
    bench.watchdog.output_status(said, bench.now)
    assert not bench.watchdog.wants_joints
    bench.up()
    bench.watchdog.output_status(said, bench.now)
    assert bench.watchdog.wants_joints is wanted


def test_a_leg_that_is_caught_keeps_a_lowering_from_its_end_for_a_while_only(exact):
    said = NodeStatus("following", Reason.of(Code.COMMANDS_FOLLOWED), figures={"joint_angles": "measured"})
    exact.watchdog.output_status(said, exact.now)
    exact.enable(False)
    sound = exact.until(State.OFF, frames=False)
    exact.enable()
    exact.until(State.ACTIVE)
    exact.caught = (0.2, *[0.0] * 11)
    exact.enable(False)
    caught = exact.until(State.OFF, frames=False)
    assert caught - sound == deadlines.LOWERED_WAIT


def test_joint_angles_that_are_not_all_finite_are_left_out(up):
    """The last ones that are say that the joints are at rest."""
    up.enable(False)
    while up.sent.angles != up.rest:
        up.tick()
    up.tick()
    up.caught = (nan, *[0.0] * 11)
    assert up.until(State.OFF, frames=False) < deadlines.LOWERED_WAIT


def test_a_status_of_servo_output_without_a_reason_is_told_as_a_defect(up):
    up.watchdog.output_status(NodeStatus("stopped"), up.now)
    assert up.state is State.FAULT
    assert "tells no reason" in up.watchdog.why


def test_the_end_while_off_is_over_at_once(bench):
    bench.follow()
    assert not bench.watchdog.finished
    bench.watchdog.end(bench.now)
    assert bench.watchdog.finished


# Off at once: category 0


def power(bench, state: State) -> None:
    """From off, with frames coming, to one of the powered states."""
    bench.enable()
    bench.until(State.RISING if state is State.RISING else State.ACTIVE)
    if state is State.HOLD:
        hold(bench)
    if state is State.LOWERING:
        bench.enable(False)


CUTS = {
    # What cuts the power; the state that it ends in; what is told.
    "the end at once": (lambda bench: bench.off_now(), State.OFF, {Code.SWITCHED_OFF: {}}),
    "an emergency stop": (
        lambda bench: bench.says("stopped", Code.EMERGENCY_STOP),
        State.FAULT,
        {Code.EMERGENCY_STOP: {}},
    ),
    "servo_output's own end": (
        lambda bench: bench.says("off", Code.BOARD_FAILS, detail="it does not answer"),
        State.OFF,
        {Code.OUTPUT_SWITCHED_OFF: {}, Code.BOARD_FAILS: {"detail": "it does not answer"}},
    ),
}


@pytest.mark.parametrize("state", POWERED)
@pytest.mark.parametrize("how", CUTS)
def test_the_power_is_cut_at_once_in_every_powered_state(bench, state, how):
    cut, end, told = CUTS[how]
    bench.follow()
    power(bench, state)
    assert bench.state is state
    cut(bench)
    assert bench.state is end
    # A command would release servo_output's own stop, once that is a second old.
    assert bench.tick() == (None if end is State.FAULT else Command(bench.rest, NONE))
    assert bench.codes == told


def test_a_fault_is_left_only_by_reset(bench):
    bench.up()
    bench.says("stopped", Code.EMERGENCY_STOP)
    assert bench.refused().keys() == {Code.REFUSED, Code.IN_FAULT, Code.EMERGENCY_STOP}
    bench.says("off")
    bench.says("following")
    bench.enable(False)
    bench.off_now()
    bench.run(5.0)
    assert bench.state is State.FAULT
    assert bench.watchdog.reset(bench.now) == Answer(True, Reason.of(Code.FAULT_LEFT))
    assert bench.state is State.OFF
    assert bench.codes == {Code.RESET: {}}
    bench.enable()
    bench.until(State.ACTIVE)


@pytest.mark.parametrize("state", [State.OFF, State.ACTIVE])
def test_reset_without_a_fault_changes_nothing(bench, state):
    bench.up() if state is State.ACTIVE else bench.follow()
    assert bench.watchdog.reset(bench.now) == Answer(True, Reason.of(Code.NO_FAULT, state=state.value))
    assert bench.state is state


# servo_output's own doings


def test_a_silent_servo_output_is_a_hold_that_ends_when_it_follows_again(up):
    up.alive = False
    took = up.until(State.HOLD)
    assert took == pytest.approx(deadlines.OUTPUT_SILENT_TIME, abs=3 * up.period)
    assert up.codes == {Code.OUTPUT_SILENT: {}}
    up.run(5.0)
    assert up.state is State.HOLD  # it would not hear of a lowering
    up.alive = True
    up.says("following")
    up.run(4 * up.period)
    assert up.state is State.ACTIVE


def test_enabled_before_servo_output_is_back_it_goes_on_when_that_follows(up):
    """Else it would walk away from where a new servo_output holds the legs, and be ignored."""
    up.alive = False
    up.until(State.HOLD)
    assert up.enable().keys() == {Code.HOLDS_ON, Code.OUTPUT_SILENT}
    up.run(0.4)
    up.alive = True
    up.run(0.4)  # its joint states are heard, its word is not: the last one was that of the old servo_output
    assert up.state is State.HOLD
    up.says("holding", Code.FOUND_RUNNING)
    up.run(0.4)
    assert up.state is State.HOLD
    up.says("following")
    up.run(0.1)
    assert up.state is State.ACTIVE


def test_enabled_with_a_servo_output_that_does_not_come_back_it_lowers_after_two_seconds(up):
    up.alive = False
    up.until(State.HOLD)
    up.enable()
    assert up.until(State.LOWERING) == pytest.approx(deadlines.HOLD_TIME, abs=2 * up.period)
    assert Code.OUTPUT_SILENT in up.codes


def test_a_servo_output_that_fell_silent_while_it_rose_is_a_hold(bench):
    bench.follow()
    bench.enable()
    bench.alive = False
    bench.until(State.HOLD)
    assert Code.OUTPUT_SILENT in bench.codes


@pytest.mark.parametrize(("doing", "patience"), [("holding", 4.0), ("lowering", 1.0)])
def test_a_watchdog_that_finds_itself_ignored_goes_off_and_keeps_silent(up, doing, patience):
    up.says(doing)
    up.run(patience - 0.1)
    assert up.state is State.ACTIVE  # its commands may yet be taken
    up.run(0.2)
    assert up.state is State.OFF
    assert up.codes == {Code.OUTPUT_IGNORES: {"output": doing}, Code.OUTPUT_BY_ITSELF: {"output": doing}}
    before = up.count
    up.run(1.0)
    assert up.count == before
    up.says("off", Code.OUTPUT_ENDING)
    assert up.tick() == Command(up.rest, NONE)


def test_after_it_found_itself_ignored_it_leaves_the_power_to_servo_output_whatever_that_follows(up):
    """A last command, late on its way, has servo_output follow once more; no command then lets the robot drop."""
    up.says("lowering")
    up.run(1.1)
    before = up.count
    up.says("following", has_power=True)
    up.run(0.5)
    assert up.count == before
    assert Code.OUTPUT_POWERED in up.codes
    assert Code.OUTPUT_POWERED in up.refused()
    up.says("off")
    assert up.tick() == Command(up.rest, NONE)


def test_power_of_a_servo_output_that_was_silent_to_the_end_of_a_lowering_is_left_to_it(up):
    """It may have stood still all the while, with the robot up."""
    up.enable(False)
    up.alive = False
    up.until(State.OFF)
    up.alive = True
    before = up.count
    up.says("following", has_power=True)
    up.run(1.0)
    assert up.count == before
    assert Code.OUTPUT_POWERED in up.refused()
    up.says("off")
    assert up.tick() == Command(up.rest, NONE)


def test_power_that_another_watchdog_gave_is_not_taken_away(bench):
    """Its commands may not be heard for seconds, where the two are slow to find each other."""
    bench.says("following", has_power=True)
    bench.seconds(3.0)
    assert bench.sent is None
    assert Code.OUTPUT_POWERED in bench.codes
    assert Code.OUTPUT_POWERED in bench.refused()
    bench.says("following")
    assert bench.tick() == Command(bench.rest, NONE)
    bench.enable()
    bench.tick()
    bench.says("following", has_power=True)
    bench.watchdog.end_at_once(bench.now)
    assert bench.tick() == Command(bench.rest, NONE), "its own power it takes away"
    bench.says("following")
    bench.says("following", has_power=True)
    bench.seconds(1.0)
    assert Code.OUTPUT_POWERED in bench.codes


def test_power_that_servo_output_reports_counts_by_its_figure(bench):
    bench.watchdog.output_status(NodeStatus("following", figures={"joints_powered": "12"}), bench.now)
    assert Code.OUTPUT_POWERED in bench.codes
    bench.watchdog.output_status(NodeStatus("following", figures={"joints_powered": "0"}), bench.now)
    assert Code.OUTPUT_POWERED not in bench.codes


def test_a_hold_of_servo_output_that_soon_ends_is_nothing(up):
    up.says("holding")
    up.run(0.5)
    up.says("following")
    up.run(2.0)
    assert up.state is State.ACTIVE


def test_while_another_watchdog_has_the_power_this_one_is_silent_and_does_not_enable(bench):
    bench.follow()
    for _ in range(round(2 / bench.period)):
        bench.watchdog.powering_command(bench.stamp, bench.now)
        assert bench.tick() is None, "a command without joints would cut the other's power"
    done, reason = bench.watchdog.enable(True, bench.now)
    assert not done
    assert reason.cause.code == Code.ANOTHER_WATCHDOG


def test_another_watchdog_does_not_disturb_one_that_has_the_power(up):
    up.watchdog.powering_command(up.stamp, up.now)
    up.tick()
    assert up.state is State.ACTIVE
    done, _ = up.watchdog.enable(True, up.now)
    assert done


# The supply


def volts(bench, share: float) -> float:
    return share * bench.robot.supply.voltage


def amperes(bench, share: float) -> float:
    return share * bench.robot.supply.rated_current


LOST = {"voltage gone": (0.3, True), "said not to be present": (nan, False), "both": (0.0, False)}


@pytest.mark.parametrize("state", POWERED)
@pytest.mark.parametrize("how", LOST)
def test_a_lost_supply_is_off_at_once_and_a_fault_that_only_reset_leaves(bench, state, how):
    share, present = LOST[how]
    bench.follow()
    power(bench, state)
    bench.measure(volts(bench, share), present=present)
    assert bench.state is State.FAULT
    assert bench.tick() == Command(bench.rest, NONE)
    assert bench.codes.keys() <= {Code.SUPPLY_LOST, Code.SUPPLY_ABSENT}
    bench.measured(3.0, volts(bench, 1.0))  # the switch is closed again
    assert bench.state is State.FAULT
    assert Code.IN_FAULT in bench.refused()
    bench.watchdog.reset(bench.now)
    bench.enable()
    bench.until(State.ACTIVE)


@pytest.mark.parametrize(
    ("share", "present", "code"),
    [(0.0, True, Code.SUPPLY_LOST), (1.0, False, Code.SUPPLY_ABSENT), (0.8, True, Code.SUPPLY_LOW)],
)
def test_without_a_good_supply_it_stays_off_without_a_fault_as_long_as_messages_say_so(bench, share, present, code):
    bench.follow()
    bench.measure(volts(bench, share), present=present)
    bench.seconds(1.9)
    assert bench.state is State.OFF
    assert code in bench.refused()
    bench.seconds(0.2)  # the last message is 2 s old
    bench.enable()


def test_a_good_supply_message_after_a_bad_one_lets_it_be_enabled(bench):
    bench.follow()
    bench.measure(0.0)
    bench.refused()
    bench.measure(volts(bench, 1.0))
    bench.enable()


def test_a_low_supply_lowers_after_half_a_second_and_says_voltage_and_limit(up):
    low = volts(up, 0.84)
    up.measured(deadlines.LOW_TIME - up.period, low)
    assert up.state is State.ACTIVE
    up.measured(4 * up.period, low)
    assert up.state is State.LOWERING
    assert up.sent.powered == ALL
    limit = 0.85 * up.robot.supply.voltage
    assert up.codes == {Code.SUPPLY_LOW: {"voltage_v": f"{low:.2f}", "limit_v": f"{limit:.2f}"}}
    assert Code.SUPPLY_LOW in up.refused()
    up.until(State.OFF)
    assert up.codes.keys() == {Code.AT_REST, Code.SUPPLY_LOW}


def test_an_inrush_is_no_low_supply(up):
    for _ in range(5):
        up.measured(0.4, volts(up, 0.5))
        up.measured(up.period, volts(up, 0.9))
    assert up.state is State.ACTIVE


@pytest.mark.parametrize("state", [State.RISING, State.HOLD])
def test_a_low_supply_lowers_from_every_powered_state(bench, state):
    bench.follow()
    power(bench, state)
    for _ in range(round(0.6 / bench.period)):
        bench.measure(volts(bench, 0.5))
        bench.tick()
    assert bench.state in (State.LOWERING, State.OFF)
    assert Code.SUPPLY_LOW in bench.codes


def test_with_the_current_over_the_rating_frames_go_at_half_speed_and_it_is_said(up):
    far = legs_inverse(up.robot, Pose((0.0, 0.0, 0.7 * up.robot.standing.height)), up.robot.standing.feet)
    up.measure(current=amperes(up, 1.1))
    up.run(up.period, far)
    for _ in range(3):
        before = up.sent.angles
        up.frame(far)
        gone = np.subtract(up.sent.angles, before)
        way = np.subtract(far, before)
        np.testing.assert_allclose(gone, gone @ way / (way @ way) * way, atol=1e-9)  # all joints alike
        assert np.max(np.abs(gone) / up.steps) == pytest.approx(0.5)
        up.tick()
    gives = {"current_a": f"{amperes(up, 1.1):.1f}", "rated_a": f"{amperes(up, 1):g}"}
    assert up.codes == FOLLOWS | {Code.SLOWED_FOR_CURRENT: {}, Code.OVER_CURRENT: gives}
    up.measure(current=amperes(up, 0.9))
    up.tick()
    before = up.sent.angles
    up.frame(far)
    assert np.max(np.abs(np.subtract(up.sent.angles, before)) / up.steps) == pytest.approx(1.0)
    up.run(2.0)
    assert up.state is State.ACTIVE
    assert up.codes == FOLLOWS


def test_with_the_current_near_the_rating_frames_go_at_half_speed_and_on(up):
    far = legs_inverse(up.robot, Pose((0.0, 0.0, 0.7 * up.robot.standing.height)), up.robot.standing.feet)
    near = amperes(up, 0.95)
    up.measured(1.5 * (deadlines.OVER_TIME + deadlines.OVER_LOWER), current=near)
    assert up.state is State.ACTIVE
    assert up.codes[Code.OVER_CURRENT]["current_a"] == f"{near:.1f}"
    assert Code.SLOWED_FOR_CURRENT in up.codes
    before = up.sent.angles
    up.frame(far)
    assert np.max(np.abs(np.subtract(up.sent.angles, before)) / up.steps) == pytest.approx(0.5)


def test_a_current_over_the_rating_for_a_second_is_a_hold_and_two_seconds_later_lowering(up):
    over = amperes(up, 1.2)
    up.measured(deadlines.OVER_TIME - up.period, current=over)
    assert up.state is State.ACTIVE
    up.measured(4 * up.period, current=over)
    assert up.state is State.HOLD
    assert up.sent.powered == ALL
    assert Code.OVER_CURRENT in up.codes
    assert Code.OVER_CURRENT in up.refused()
    up.measured(deadlines.OVER_LOWER - 0.1, current=over)  # good frames do not end it
    assert up.state is State.HOLD
    up.measured(0.2, current=over)
    assert up.state is State.LOWERING
    assert Code.OVER_CURRENT in up.refused()
    up.until(State.OFF)


def test_back_under_the_rating_the_hold_ends_by_enable_only(up):
    up.measured(1.1, current=amperes(up, 1.2))
    assert up.state is State.HOLD
    up.measured(5.0, current=amperes(up, 0.5))
    assert up.state is State.HOLD
    assert up.enable() == {Code.GOES_ON: {}}
    up.measured(2.0, current=amperes(up, 0.5))
    assert up.state is State.ACTIVE


def test_a_current_over_the_rating_holds_again_after_it_was_enabled_again(up):
    for _ in range(2):
        up.measured(1.1, current=amperes(up, 1.2))
        assert up.state is State.HOLD
        up.measured(up.period, current=amperes(up, 0.5))
        up.enable()
        assert up.state is State.ACTIVE


def test_a_hold_for_another_reason_becomes_one_for_the_current(up):
    hold(up)
    for _ in range(round(1.1 / up.period)):
        up.measure(current=amperes(up, 1.2))
        up.tick()
    assert up.state is State.HOLD
    up.run(1.0)  # good frames would have ended the one before
    assert up.state is State.HOLD
    assert Code.OVER_CURRENT in up.codes


def test_a_current_over_the_rating_while_it_rises_is_lowered_after_a_second(bench):
    bench.follow()
    bench.enable()
    bench.seconds(1.0)
    begun = bench.now
    while bench.state is State.RISING:
        bench.measure(current=amperes(bench, 1.2))
        bench.tick()
    assert bench.state is State.LOWERING
    assert bench.now - begun == pytest.approx(deadlines.OVER_TIME, abs=3 * bench.period)
    assert Code.OVER_CURRENT in bench.codes


def test_a_supply_that_is_low_when_its_current_is_over_the_rating_lowers_without_a_hold(exact):
    exact.measure(current=amperes(exact, 1.2))
    exact.run(deadlines.OVER_TIME - deadlines.LOW_TIME)
    exact.measure(volts(exact, 0.5), amperes(exact, 1.2))
    exact.run(deadlines.LOW_TIME)
    assert exact.state is State.ACTIVE
    exact.run(exact.period)  # past both deadlines
    assert exact.state is State.LOWERING
    assert Code.SUPPLY_LOW in exact.codes
    assert exact.watchdog.holds == 0


def test_a_charging_current_is_not_over_the_rating(up):
    up.measured(5.0, current=-amperes(up, 2.0))
    assert up.state is State.ACTIVE


def test_supply_messages_that_stop_are_no_fault_and_are_forgotten(up):
    up.measure(volts(up, 0.9), amperes(up, 0.5))
    up.run(1.9)
    assert (up.watchdog.supply_watch.voltage, up.watchdog.supply_watch.current) == (volts(up, 0.9), amperes(up, 0.5))
    up.run(0.2)
    assert np.isnan([up.watchdog.supply_watch.voltage, up.watchdog.supply_watch.current]).all()
    up.run(5.0)
    assert up.state is State.ACTIVE
    assert up.codes == FOLLOWS


@pytest.mark.parametrize("value", [nan, inf, -inf])
def test_what_is_not_measured_stops_nothing(up, value):
    up.measured(5.0, value, value)
    assert up.state is State.ACTIVE


# The body tipped: category 0


@pytest.mark.parametrize("state", POWERED)
def test_a_tipped_body_is_off_at_once_and_no_fault(bench, state):
    bench.follow()
    power(bench, state)
    bench.tilted(0.08, radians(60), frames=state is not State.HOLD)
    assert bench.state is state
    bench.tilted(0.06, radians(60), frames=state is not State.HOLD)
    assert bench.state is State.OFF
    assert bench.tick() == Command(bench.rest, NONE)
    assert bench.codes == {Code.TIPPED: {"tilt_deg": "60", "limit_deg": "45"}}
    assert bench.refused() == {Code.REFUSED: {}} | bench.codes
    bench.tilted(0.1, radians(2))
    bench.enable()


def test_a_jolt_or_a_lean_is_not_tipped(up):
    for _ in range(10):
        up.tilted(0.08, radians(80))
        up.tilted(0.3, radians(44))
    assert up.state is State.ACTIVE


def test_the_tip_angle_is_the_robot_files(bench):
    bench = WatchdogRig(replace(bench.robot, tip_angle=radians(20))).up()
    bench.tilted(1.0, radians(19))
    assert bench.state is State.ACTIVE
    bench.tilted(0.2, radians(21))
    assert bench.state is State.OFF


def test_a_tilt_not_measured_any_more_is_forgotten(up):
    up.watchdog.tilt(radians(80), up.now)
    up.run(2.1)
    assert np.isnan(up.watchdog.tilt_watch.tilt)
    up.watchdog.tilt(radians(80), up.now)  # a first one again
    up.tick()
    assert up.state is State.ACTIVE


# Deadlines at their very end: nothing is late before it is past


def test_a_gap_is_filled_from_one_and_a_half_periods_on(exact):
    exact.tick()
    exact.frame()
    begun = exact.now
    assert exact.tick_at(begun + 1.5 * exact.period - JUST) is None
    assert exact.tick_at(begun + 1.5 * exact.period) == exact.sent


def test_a_hold_without_frames_lowers_past_its_deadline(exact):
    hold(exact)
    begun = exact.now
    exact.tick_at(begun + deadlines.HOLD_TIME)
    assert exact.state is State.HOLD
    exact.tick_at(begun + deadlines.HOLD_TIME + JUST)
    assert exact.state is State.LOWERING


def test_a_leg_at_its_limit_is_a_hold_past_its_deadline(exact):
    wanted, begun = beyond(exact), exact.now
    for now, state in (
        (begun, State.ACTIVE),
        (begun + deadlines.LIMIT_TIME, State.ACTIVE),
        (begun + deadlines.LIMIT_TIME + JUST, State.HOLD),
    ):
        exact.now = now
        assert exact.frame(wanted) is not None
        assert exact.state is state


def test_a_low_supply_lowers_past_its_deadline(exact):
    begun = exact.now
    exact.measure(volts(exact, 0.8))
    exact.tick_at(begun + deadlines.LOW_TIME)
    assert exact.state is not State.LOWERING
    exact.tick_at(begun + deadlines.LOW_TIME + JUST)
    assert exact.state is State.LOWERING


def test_a_current_over_the_rating_holds_past_its_deadline_and_lowers_past_the_next(exact):
    begun = exact.now
    for after, state in (
        (deadlines.OVER_TIME, State.ACTIVE),
        (deadlines.OVER_TIME + JUST, State.HOLD),
        (deadlines.OVER_TIME + deadlines.OVER_LOWER, State.HOLD),
        (deadlines.OVER_TIME + deadlines.OVER_LOWER + JUST, State.LOWERING),
    ):
        exact.measure(current=amperes(exact, 1.2))
        exact.now = begun + after
        exact.frame()
        exact.tick_at(exact.now)
        assert exact.state is state


def test_a_stop_of_servo_output_is_answered_by_silence_which_leaves_it_stopped(exact):
    exact.says("stopped")
    assert exact.state is State.FAULT
    assert exact.tick_at(exact.now + JUST) is None
    exact.says("following")
    assert exact.tick_at(exact.now + exact.period) == Command(exact.rest, NONE)


def test_each_hold_counts_good_frames_of_its_own(up):
    hold(up)
    up.run(3 * up.period)
    assert up.state is State.ACTIVE
    up.alive = False
    up.until(State.HOLD)
    up.says("following")
    for state in (State.HOLD, State.HOLD, State.ACTIVE):
        up.frame()
        assert up.state is state


# Whatever happens


class WatchdogStateMachine(RuleBasedStateMachine):
    """Targets, ticks, calls and servo_output's words in any order. `WatchdogRig.look` judges each command."""

    @initialize(name=st.sampled_from(NAMES), up=st.sampled_from((True, True, False)))
    def begin(self, name, up) -> None:
        self.bench = WatchdogRig(ROBOTS[NAMES.index(name)])
        if up:
            self.bench.up()
        self.targets = self.bench.standing

    @rule()
    def rise(self) -> None:
        self.bench.follow()
        self.bench.watchdog.enable(True, self.bench.now)
        for _ in range(600):
            if self.bench.state is not State.RISING:
                break
            self.bench.frame(self.targets)
            self.bench.tick()

    @rule(count=st.integers(1, 200))
    def ticks(self, count) -> None:
        self.bench.tick(count)

    @rule(count=st.integers(1, 40))
    def frames(self, count) -> None:
        self.bench.run(count * self.bench.period, self.targets)

    @rule(seed=st.integers(0, 2**16), size=st.sampled_from((0.0, 0.02, 0.3, 2.0)))
    def other_targets(self, seed, size) -> None:
        offsets = np.random.default_rng(seed).uniform(-size, size, 12)
        self.targets = tuple(np.add(self.bench.standing, offsets))

    @rule(bad=st.sampled_from(BAD), count=st.integers(1, 4))
    def bad_targets(self, bad, count) -> None:
        for _ in range(count):
            self.bench.bad(*bad)

    @rule(leg=st.sampled_from(LEGS), back=st.integers(0, 3))
    def one_leg(self, leg, back) -> None:
        self.bench.stamp -= back
        self.bench.legs(self.targets, leg)

    @rule(on=st.booleans())
    def enable(self, on) -> None:
        done, words = self.bench.watchdog.enable(on, self.bench.now)
        assert str(words)
        if on and done:
            assert self.bench.watchdog.powered

    @rule()
    def reset(self) -> None:
        self.bench.watchdog.reset(self.bench.now)
        assert self.bench.state is not State.FAULT

    @rule(state=st.sampled_from(("following", "following", "holding", "lowering", "off", "stopped")))
    def output(self, state) -> None:
        self.bench.says(state)
        if state == "stopped":
            assert self.bench.state is State.FAULT

    @rule(alive=st.booleans())
    def silence(self, alive) -> None:
        self.bench.alive = alive

    @rule(
        voltage=st.sampled_from((1.0, 1.0, 0.8, 0.2, nan)),
        current=st.sampled_from((0.5, 0.5, 1.5, nan)),
        present=st.sampled_from((True, True, True, False)),
        count=st.integers(1, 100),
    )
    def supply(self, voltage, current, present, count) -> None:
        for _ in range(count):
            self.bench.measure(volts(self.bench, voltage), amperes(self.bench, current), present)
            self.bench.run(self.bench.period, self.targets)
        if voltage == 0.2 or not present:
            assert not self.bench.watchdog.powered

    @rule(angle=st.floats(0, 3.1), count=st.integers(1, 40))
    def tilt(self, angle, count) -> None:
        self.bench.tilted(count * self.bench.period, angle)

    @rule()
    def off_now(self) -> None:
        self.bench.off_now()
        assert not self.bench.watchdog.powered

    @invariant()
    def it_says_what_it_does(self) -> None:
        if hasattr(self, "bench"):
            assert self.bench.watchdog.why.strip()

    def teardown(self) -> None:
        """From anywhere an end is over in time, and unpowered."""
        if not hasattr(self, "bench"):
            return
        bench = self.bench
        bench.watchdog.end(bench.now)
        for _ in range(round(20 / bench.period)):
            assert bench.watchdog.finished is not bench.watchdog.powered
            if bench.watchdog.finished:
                break
            bench.tick()
        assert bench.watchdog.finished
        bench.follow()
        assert bench.tick().powered == NONE


TestAnything = WatchdogStateMachine.TestCase
TestAnything.settings = settings(max_examples=examples(20), stateful_step_count=25)
