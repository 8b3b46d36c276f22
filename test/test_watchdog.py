"""The watchdog's states, stops and words, on a clock that only the tests move.

The categories of stops are those of IEC 60204-1, from memory: 0 removes the power at once, 1 brings the
machine to rest and then removes it, 2 brings it to rest and keeps it.
"""

from __future__ import annotations

from dataclasses import replace
from math import inf, nan, radians

import numpy as np
import pytest
import robots
from draws import examples
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from watchdog_bench import Bench

from quadleg.kinematics.body import Pose, all_forward, legs_inverse
from quadleg.robot.model import JOINT_NAMES, LEGS
from quadleg.safety import rest, supply_watch, watchdog
from quadleg.safety.commands import ALL, NONE, Command
from quadleg.safety.watchdog import State

ROBOTS = (robots.inspector(), robots.digger())
NAMES = [robot.name for robot in ROBOTS]
POWERED = (State.RISING, State.ACTIVE, State.HOLD, State.LOWERING)


@pytest.fixture(params=ROBOTS, ids=NAMES)
def bench(request) -> Bench:
    return Bench(request.param)


@pytest.fixture
def up(bench) -> Bench:
    return bench.up()


def hold(bench: Bench) -> None:
    bench.until(State.HOLD, frames=False)


# Off, and the first words


def test_it_begins_off_and_never_enables_itself(bench):
    bench.follow()
    bench.run(5)
    assert bench.state is State.OFF
    assert bench.sent == Command(bench.rest, NONE)
    assert bench.watchdog.why == "not enabled yet"


def test_it_is_silent_until_servo_output_has_spoken(bench):
    bench.seconds(5.0)
    assert bench.sent is None
    assert "servo_output has not been heard" in bench.refused()
    bench.says("off")
    assert bench.tick() == Command(bench.rest, NONE)


def test_a_new_watchdog_waits_until_a_servo_output_left_powered_would_hold(bench):
    bench.says("following")  # a watchdog that died left it so, and nobody knows with what power
    bench.seconds(0.9)
    assert bench.sent is None
    assert "only just started" in bench.refused()
    bench.seconds(0.2)
    assert bench.sent == Command(bench.rest, NONE)
    bench.enable()


@pytest.mark.parametrize("doing", ["holding", "lowering"])
def test_without_power_it_does_not_cut_short_what_servo_output_does_by_itself(bench, doing):
    bench.says(doing)
    bench.seconds(5)
    assert bench.sent is None
    assert f"servo_output is {doing}" in bench.refused()
    bench.says("off")
    assert bench.tick() == Command(bench.rest, NONE)


@pytest.mark.parametrize("doing", ["off", "stopped", "holding", "lowering"])
def test_it_enables_only_where_servo_output_follows(bench, doing):
    bench.says(doing)
    bench.seconds(1.1)
    bench.watchdog.reset(bench.now)
    assert f"servo_output is {doing}; wait until it is following" in bench.refused()
    bench.says("following")
    assert bench.enable().startswith("rising to")


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
    bench.says("stopped")
    tick()
    assert seen == set(State)


def test_while_active_each_frame_is_one_command_and_a_gap_is_filled(up):
    up.tick()
    for _ in range(20):
        before = up.count
        assert up.frame() is not None
        up.tick()
        assert up.count == before + 1
    before = up.count
    assert up.tick() == up.sent  # a frame is missing: its place is taken by the last one
    assert up.count == before + 1
    assert up.state is State.ACTIVE


# First pulses and rising


def test_first_pulses_are_the_resting_pose_one_servo_after_the_other(bench):
    bench.follow()
    assert bench.enable() == f"rising to {1000 * bench.robot.standing.height:.0f} mm"
    order = []
    while bench.sent.powered != ALL:
        before = bench.sent.powered
        bench.tick()
        assert bench.sent.angles == bench.rest
        new = [i for i in range(12) if bench.sent.powered[i] and not before[i]]
        assert len(new) <= 1
        for i in new:
            order.append((i, bench.now))
            assert bench.watchdog.why == f"first pulses: {JOINT_NAMES[i]}, {i + 1} of 12"
    assert [i for i, _ in order] == list(range(12))
    apart = np.diff([when for _, when in order])
    np.testing.assert_allclose(apart, watchdog.POWER_INTERVAL, atol=bench.period)
    bench.tick(round(watchdog.POWER_INTERVAL / bench.period))
    assert bench.watchdog.why == "rising to the standing height"


def test_rising_ends_at_the_standing_height_within_fifteen_seconds(bench):
    bench.follow()
    bench.enable()
    assert bench.until(State.ACTIVE) < 15.0
    np.testing.assert_allclose(bench.sent.angles, bench.standing, atol=1e-6)
    assert bench.watchdog.why == "following the joint targets"


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
    bench.until(State.OFF, within=rest.SETTLE_TIME + 0.2, frames=False)
    assert bench.sent == Command(bench.rest, NONE)


def test_no_joint_targets_after_rising_end_in_a_hold(bench):
    bench.follow()
    bench.enable()
    bench.until(State.HOLD, frames=False)
    assert "no good frame" in bench.watchdog.why


# Following


def test_good_frames_are_followed(up):
    pose = Pose.from_rpy(0.004, 0.0, 0.98 * up.robot.standing.height, 0.02, 0.01, 0.0)
    angles = legs_inverse(up.robot, pose, up.robot.standing.feet)
    up.run(1.0, angles)
    assert up.sent == Command(angles, ALL)
    assert up.state is State.ACTIVE
    assert up.watchdog.age(up.now) == pytest.approx(up.period)
    assert (up.watchdog.dropped, up.watchdog.late, up.watchdog.refused) == (0, 0, 0)


def test_a_whole_frame_is_one_of_four_targets(up):
    pose = Pose.from_rpy(0.0, 0.0, 0.999 * up.robot.standing.height, 0.0, 0.0, 0.0)
    angles = legs_inverse(up.robot, pose, up.robot.standing.feet)
    up.tick()
    assert up.watchdog.frame(angles, up.now) == Command(angles, ALL)
    assert up.watchdog.age(up.now) == 0.0


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
    assert "slowed to the speed of the servos" in up.watchdog.why
    up.run(4.0, far)
    assert up.state is State.ACTIVE
    assert up.sent.angles == far
    assert "slowed" not in up.watchdog.why


def test_an_incomplete_frame_is_not_sent_and_says_which_leg_was_missing(up):
    sent = up.sent
    up.stamp += 1
    assert up.legs(np.add(up.standing, 0.01), *LEGS[:3]) is None
    up.tick(2)
    assert up.sent == sent
    assert up.watchdog.dropped == 1
    assert up.watchdog.why == "following the joint targets; frame without rear_right not sent"
    assert up.legs(np.add(up.standing, 0.01), LEGS[3]) is None
    assert up.watchdog.late == 1
    up.run(1.5)
    assert up.watchdog.why == "following the joint targets"


def test_a_stamp_that_goes_back_is_no_fault(up):
    up.run(0.5)
    up.stamp = 5
    up.run(0.5)
    assert up.state is State.ACTIVE
    assert (up.watchdog.dropped, up.watchdog.late) == (0, 0)


# No good frame: category 2, then 1


def test_no_good_frame_for_three_frames_is_a_hold_with_power(up):
    up.run(0.5)
    up.tick(1)
    assert up.state is State.ACTIVE
    up.tick(3)
    assert up.state is State.HOLD
    assert up.sent == Command(up.standing, ALL)  # category 2
    assert "no good frame for 3 periods" in up.watchdog.why


def test_two_seconds_of_hold_without_frames_end_in_lowering_and_then_off(up):
    hold(up)
    begun = up.now
    up.until(State.LOWERING, frames=False)
    assert up.now - begun == pytest.approx(watchdog.HOLD_TIME, abs=2 * up.period)
    assert "held for 2 s: no good frame" in up.watchdog.why
    assert up.sent.powered == ALL  # category 1: with power down to the ground
    last = up.sent
    while up.state is State.LOWERING:
        last = up.sent
        up.tick()
    assert last == Command(up.rest, ALL)  # exactly at rest
    assert up.sent == Command(up.rest, NONE)
    assert up.state is State.OFF
    assert up.watchdog.why.startswith("at rest (held for 2 s")


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
    assert up.watchdog.refused == 3
    begun = up.now
    up.until(State.LOWERING)  # good frames do not end this hold
    assert up.now - begun == pytest.approx(watchdog.HOLD_TIME, abs=2 * up.period)
    up.until(State.OFF)


def test_the_reason_for_the_hold_is_what_is_wrong_with_the_targets(up):
    for _ in range(3):
        up.bad()
    up.tick()
    assert "front_left_hip is nan; an angle must be a finite number" in up.watchdog.why


def test_bad_targets_between_good_frames_are_said_and_stop_nothing(up):
    for _ in range(30):
        up.bad()
        up.bad()
        up.frame()
        up.tick()
    assert up.state is State.ACTIVE
    assert up.watchdog.refused == 60
    assert "front_left_hip is nan" in up.watchdog.why
    up.run(1.5)
    assert "nan" not in up.watchdog.why


def test_one_leg_that_is_always_bad_is_a_hold_for_bad_targets(up):
    for _ in range(3):
        up.stamp += 1
        up.legs(up.standing, *LEGS[1:])
        up.bad()
        up.tick()
    assert up.state is State.HOLD
    assert "nan" in up.watchdog.why


def test_enable_ends_a_hold_for_bad_targets(up):
    for _ in range(3):
        up.bad()
    up.tick()
    up.run(0.5)
    assert up.enable() == "goes on"
    up.run(3.0)
    assert up.state is State.ACTIVE


# Limits: said; three seconds long, category 2


def beyond(bench: Bench, leg: int = 1) -> tuple[float, ...]:
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
    assert "front_right_abduction asked for" in up.watchdog.why
    up.run(1.5)
    assert up.watchdog.why == "following the joint targets"


def test_a_limit_for_three_seconds_is_a_hold_that_only_enable_ends(up):
    wanted = beyond(up)
    took = up.until(State.HOLD, angles=wanted)
    assert took == pytest.approx(watchdog.LIMIT_TIME, abs=3 * up.period)
    assert "at a limit for 3 s: front_right_abduction asked for" in up.watchdog.why
    up.run(10.0)  # neither good frames nor time end it
    assert up.state is State.HOLD
    up.seconds(10.0)
    assert up.state is State.HOLD
    assert up.sent.powered == ALL
    up.run(0.5)
    assert up.enable() == "goes on"
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
    up = Bench(ROBOTS[0]).up()
    crossed = list(up.standing)
    crossed[0:3] = map(radians, (0, 80, -60))
    crossed[6:9] = map(radians, (0, 12, -93))
    up.run(1.0, crossed)
    stopped = up.sent
    assert "front_left_lower and rear_left_lower would be" in up.watchdog.why
    up.run(1.0, crossed)
    assert up.sent.angles == stopped.angles
    up.until(State.HOLD, angles=crossed, within=2.0)
    assert "at a limit for 3 s" in up.watchdog.why


def test_the_words_of_a_limit_follow_it_at_most_once_a_second(up):
    up.run(1.5, beyond(up, leg=1))
    up.frame()  # in between a good one: no hold
    up.run(0.3, beyond(up, leg=2))
    assert "front_right_abduction" in up.watchdog.why
    up.run(1.0, beyond(up, leg=2))
    assert "rear_left_abduction" in up.watchdog.why


# enable(true) in a hold without frames


def test_enabled_without_frames_it_holds_two_seconds_more_and_says_for_what(up):
    up.until(State.HOLD, angles=beyond(up))
    up.seconds(5.0)
    assert up.enable().startswith("holds for 2 s more: no good frame")
    assert "no good frame" in up.watchdog.why
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
    assert bench.enable(False) == "lowering the body, then off"
    last = bench.sent
    while bench.state is State.LOWERING:
        last = bench.tick()
        if bench.state is State.LOWERING:
            assert last.powered == ALL
            at_rest = last.angles == bench.rest
    assert at_rest
    assert bench.state is State.OFF
    assert last == Command(bench.rest, NONE)
    assert bench.watchdog.why == "at rest (asked to sit)"


def test_enable_false_is_fulfilled_where_nothing_is_powered(bench):
    bench.follow()
    assert bench.enable(False) == "already off"
    bench.says("stopped")
    assert bench.enable(False) == "already fault"
    assert bench.state is State.FAULT


def test_enable_while_powered_succeeds_and_changes_nothing(bench):
    bench.follow()
    bench.enable()
    assert bench.enable() == "already rising"
    bench.until(State.ACTIVE)
    bench.frame()
    assert bench.enable() == "already active"
    assert bench.state is State.ACTIVE


def test_enable_turns_lowering_back_to_rising_from_where_it_is(up):
    up.enable(False)
    up.seconds(1.0)
    assert up.state is State.LOWERING
    low = up.sent
    assert up.enable().startswith("rising to")
    assert up.state is State.RISING
    up.tick()
    assert np.abs(np.subtract(up.sent.angles, low.angles)).max() < np.max(up.steps)
    assert up.sent.powered == ALL
    while up.state is State.RISING:
        body, _ = rest.standing_over(up.robot, all_forward(up.robot, up.sent.angles))
        assert body.position[2] >= 0.99 * rest.standing_over(up.robot, all_forward(up.robot, low.angles))[0].position[2]
        up.frame()
        up.tick()
    assert up.state is State.ACTIVE
    np.testing.assert_allclose(up.sent.angles, up.standing, atol=1e-6)


def test_the_end_lowers_switches_off_and_enables_nothing_any_more(up):
    up.watchdog.end(up.now)
    assert up.state is State.LOWERING
    assert "ending" in up.refused()
    assert not up.watchdog.finished
    up.until(State.OFF, frames=False)
    assert up.watchdog.finished
    assert "ending" in up.refused()
    assert up.tick() == Command(up.rest, NONE)


def test_the_end_while_off_is_over_at_once(bench):
    bench.follow()
    assert not bench.watchdog.finished
    bench.watchdog.end(bench.now)
    assert bench.watchdog.finished


# Off at once: category 0


@pytest.mark.parametrize("state", POWERED)
def test_off_now_cuts_the_power_at_once_in_every_powered_state(bench, state):
    bench.follow()
    bench.enable()
    bench.until(State.ACTIVE)
    if state is State.LOWERING:
        bench.enable(False)
    elif state is State.RISING:
        bench.enable(False)
        bench.tick()
        bench.enable()
    elif state is State.HOLD:
        hold(bench)
    bench.tick()
    assert bench.state is state
    bench.off_now()
    assert bench.state is State.OFF
    assert bench.tick() == Command(bench.rest, NONE)
    assert bench.watchdog.why == "switched off at once"


def power(bench, state: State) -> None:
    """From off, with frames coming, to one of the powered states."""
    bench.enable()
    bench.until(State.RISING if state is State.RISING else State.ACTIVE)
    if state is State.HOLD:
        hold(bench)
    if state is State.LOWERING:
        bench.enable(False)


@pytest.mark.parametrize("state", [State.OFF, *POWERED])
def test_an_emergency_stop_is_off_at_once_and_a_fault_in_any_state(bench, state):
    bench.follow()
    if state is not State.OFF:
        power(bench, state)
    assert bench.state is state
    bench.says("stopped", "emergency stop")
    assert bench.state is State.FAULT
    assert bench.tick() == Command(bench.rest, NONE)
    assert bench.watchdog.why == "emergency stop"


def test_a_fault_is_left_only_by_reset(bench):
    bench.up()
    bench.says("stopped", "emergency stop")
    assert bench.refused() == "not enabled: in fault (emergency stop); `quadleg reset` first"
    bench.says("off")
    bench.says("following")
    bench.enable(False)
    bench.off_now()
    bench.run(5.0)
    assert bench.state is State.FAULT
    done, words = bench.watchdog.reset(bench.now)
    assert done
    assert words.startswith("reset; put the legs into the resting pose")
    assert bench.state is State.OFF
    assert "enable when the legs are in the resting pose" in bench.watchdog.why
    bench.enable()
    bench.until(State.ACTIVE)


@pytest.mark.parametrize("state", [State.OFF, State.ACTIVE])
def test_reset_without_a_fault_changes_nothing(bench, state):
    bench.up() if state is State.ACTIVE else bench.follow()
    assert bench.watchdog.reset(bench.now) == (True, f"nothing to reset: {state.value}")
    assert bench.state is state


# servo_output's own doings


def test_a_silent_servo_output_is_a_hold_that_ends_when_it_follows_again(up):
    up.alive = False
    took = up.until(State.HOLD)
    assert took == pytest.approx(watchdog.OUTPUT_SILENT, abs=3 * up.period)
    assert up.watchdog.why == "servo_output is silent"
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
    assert up.enable() == "holds for 2 s more: servo_output is silent"
    up.run(0.4)
    up.alive = True
    up.run(0.4)  # its joint states are heard, its word is not: the last one was that of the old servo_output
    assert up.state is State.HOLD
    up.says("holding", "the board was found running")
    up.run(0.4)
    assert up.state is State.HOLD
    up.says("following")
    up.run(0.1)
    assert up.state is State.ACTIVE


def test_enabled_with_a_servo_output_that_does_not_come_back_it_lowers_after_two_seconds(up):
    up.alive = False
    up.until(State.HOLD)
    up.enable()
    assert up.until(State.LOWERING) == pytest.approx(watchdog.HOLD_TIME, abs=2 * up.period)
    assert "servo_output is silent" in up.watchdog.why


def test_a_servo_output_that_fell_silent_while_it_rose_is_a_hold(bench):
    bench.follow()
    bench.enable()
    bench.alive = False
    bench.until(State.HOLD)
    assert bench.watchdog.why == "servo_output is silent"


@pytest.mark.parametrize(("doing", "patience"), [("holding", 4.0), ("lowering", 1.0)])
def test_a_watchdog_that_finds_itself_ignored_goes_off_and_keeps_silent(up, doing, patience):
    up.says(doing)
    up.run(patience - 0.1)
    assert up.state is State.ACTIVE  # its commands may yet be taken
    up.run(0.2)
    assert up.state is State.OFF
    assert up.watchdog.why.startswith(f"servo_output does not follow, it is {doing}; ")
    assert up.watchdog.why.endswith("by itself, the servos are powered")
    before = up.count
    up.run(1.0)
    assert up.count == before
    up.says("off", "at rest")
    assert up.tick() == Command(up.rest, NONE)


def test_a_hold_of_servo_output_that_soon_ends_is_nothing(up):
    up.says("holding")
    up.run(0.5)
    up.says("following")
    up.run(2.0)
    assert up.state is State.ACTIVE


def test_while_another_watchdog_has_the_power_this_one_is_silent_and_does_not_enable(bench):
    bench.follow()
    for _ in range(round(2 / bench.period)):
        bench.watchdog.other_commands(bench.now)
        assert bench.tick() is None, "a command without joints would cut the other's power"
    done, why = bench.watchdog.enable(True, bench.now)
    assert not done
    assert "another joint_watchdog" in why


def test_another_watchdog_does_not_disturb_one_that_has_the_power(up):
    up.watchdog.other_commands(up.now)
    up.tick()
    assert up.state is State.ACTIVE
    done, _ = up.watchdog.enable(True, up.now)
    assert done


@pytest.mark.parametrize("state", POWERED)
def test_servo_outputs_off_ends_the_power_here_too(bench, state):
    bench.follow()
    power(bench, state)
    bench.says("off", "the board does not answer")
    assert bench.state is State.OFF
    assert bench.watchdog.why == "servo_output switched off: the board does not answer"
    assert bench.tick() == Command(bench.rest, NONE)


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
    assert bench.watchdog.why.startswith("servo supply lost: ")
    bench.measured(3.0, volts(bench, 1.0))  # the switch is closed again
    assert bench.state is State.FAULT
    assert "`quadleg reset` first" in bench.refused()
    bench.watchdog.reset(bench.now)
    bench.enable()
    bench.until(State.ACTIVE)


@pytest.mark.parametrize(
    ("share", "present", "words"),
    [
        (0.0, True, "not enabled: servo supply lost: 0.0 V of"),
        (1.0, False, "not enabled: servo supply lost: it says that it is not present"),
        (0.8, True, "not enabled: servo supply low: "),
    ],
)
def test_without_a_good_supply_it_stays_off_without_a_fault_as_long_as_messages_say_so(bench, share, present, words):
    bench.follow()
    bench.measure(volts(bench, share), present=present)
    bench.seconds(1.9)
    assert bench.state is State.OFF
    assert bench.refused().startswith(words)
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
    up.measured(supply_watch.LOW_TIME - up.period, low)
    assert up.state is State.ACTIVE
    up.measured(4 * up.period, low)
    assert up.state is State.LOWERING
    assert up.sent.powered == ALL
    limit = 0.85 * up.robot.supply.voltage
    assert up.watchdog.why == f"servo supply low: {low:.2f} V, the limit is {limit:.2f} V"
    assert up.refused().startswith("not enabled: servo supply low")
    up.until(State.OFF)
    assert up.watchdog.why.startswith("at rest (servo supply low")


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
    assert "servo supply low" in bench.watchdog.why


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
    words = f"supply gives {amperes(up, 1.1):.1f} A, it is rated for {amperes(up, 1):g} A"
    assert up.watchdog.why == f"following the joint targets; slowed to half of the servos' speed: {words}"
    up.measure(current=amperes(up, 0.9))
    up.tick()
    before = up.sent.angles
    up.frame(far)
    assert np.max(np.abs(np.subtract(up.sent.angles, before)) / up.steps) == pytest.approx(1.0)
    up.run(2.0)
    assert up.state is State.ACTIVE
    assert up.watchdog.why == "following the joint targets"


def test_with_the_current_near_the_rating_frames_go_at_half_speed_and_on(up):
    far = legs_inverse(up.robot, Pose((0.0, 0.0, 0.7 * up.robot.standing.height)), up.robot.standing.feet)
    near = amperes(up, 0.95)
    up.measured(1.5 * (supply_watch.OVER_TIME + watchdog.HOLD_TIME), current=near)
    assert up.state is State.ACTIVE
    words = f"supply gives {near:.1f} A, it is rated for {amperes(up, 1):g} A"
    assert up.watchdog.why == f"following the joint targets; slowed to half of the servos' speed: {words}"
    before = up.sent.angles
    up.frame(far)
    assert np.max(np.abs(np.subtract(up.sent.angles, before)) / up.steps) == pytest.approx(0.5)


def test_a_current_over_the_rating_for_a_second_is_a_hold_and_two_seconds_later_lowering(up):
    over = amperes(up, 1.2)
    up.measured(supply_watch.OVER_TIME - up.period, current=over)
    assert up.state is State.ACTIVE
    up.measured(4 * up.period, current=over)
    assert up.state is State.HOLD
    assert up.sent.powered == ALL
    assert up.watchdog.why.startswith("supply gives ")
    assert "supply gives" in up.refused()
    up.measured(watchdog.HOLD_TIME - 0.1, current=over)  # good frames do not end it
    assert up.state is State.HOLD
    up.measured(0.2, current=over)
    assert up.state is State.LOWERING
    assert up.refused().startswith("not enabled: supply gives")
    up.until(State.OFF)


def test_back_under_the_rating_the_hold_ends_by_enable_only(up):
    up.measured(1.1, current=amperes(up, 1.2))
    assert up.state is State.HOLD
    up.measured(5.0, current=amperes(up, 0.5))
    assert up.state is State.HOLD
    assert up.enable() == "goes on"
    up.measured(2.0, current=amperes(up, 0.5))
    assert up.state is State.ACTIVE


def test_a_hold_for_another_reason_becomes_one_for_the_current(up):
    hold(up)
    for _ in range(round(1.1 / up.period)):
        up.measure(current=amperes(up, 1.2))
        up.tick()
    assert up.state is State.HOLD
    up.run(1.0)  # good frames would have ended the one before
    assert up.state is State.HOLD
    assert "supply gives" in up.watchdog.why


def test_a_current_over_the_rating_while_it_rises_is_lowered_after_a_second(bench):
    bench.follow()
    bench.enable()
    bench.seconds(1.0)
    begun = bench.now
    while bench.state is State.RISING:
        bench.measure(current=amperes(bench, 1.2))
        bench.tick()
    assert bench.state is State.LOWERING
    assert bench.now - begun == pytest.approx(supply_watch.OVER_TIME, abs=3 * bench.period)
    assert bench.watchdog.why.startswith("supply gives ")


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
    assert up.watchdog.why == "following the joint targets"


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
    assert bench.watchdog.why == "body tipped by 60°, the limit is 45°"
    assert bench.refused() == "not enabled: body tipped by 60°, the limit is 45°"
    bench.tilted(0.1, radians(2))
    bench.enable()


def test_a_jolt_or_a_lean_is_not_tipped(up):
    for _ in range(10):
        up.tilted(0.08, radians(80))
        up.tilted(0.3, radians(44))
    assert up.state is State.ACTIVE


def test_the_tip_angle_is_the_robot_files(bench):
    bench = Bench(replace(bench.robot, tip_angle=radians(20))).up()
    bench.tilted(1.0, radians(19))
    assert bench.state is State.ACTIVE
    bench.tilted(0.2, radians(21))
    assert bench.state is State.OFF


def test_a_tilt_not_measured_any_more_is_forgotten(up):
    up.watchdog.tilt(radians(80), up.now)
    up.run(2.1)
    assert np.isnan(up.watchdog.tilted)
    up.watchdog.tilt(radians(80), up.now)  # a first one again
    up.tick()
    assert up.state is State.ACTIVE


# Whatever happens


class Anything(RuleBasedStateMachine):
    """Targets, ticks, calls and servo_output's words in any order. `Bench.look` judges each command."""

    @initialize(name=st.sampled_from(NAMES), up=st.sampled_from((True, True, False)))
    def begin(self, name, up) -> None:
        self.bench = Bench(ROBOTS[NAMES.index(name)])
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
        assert words
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


TestAnything = Anything.TestCase
TestAnything.settings = settings(max_examples=examples(40), stateful_step_count=25)
