"""What the watchdog does about a body that does not follow: slower, hold, lower; categories of IEC 60204-1.

The categories are those of IEC 60204-1 (9.2.2 in the edition of 2016, unverified: the standard itself): 0 removes the
power at once, 1 stops and then removes it, 2 stops and keeps it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import radians, sin

import pytest
import sample_robots
from watchdog_rig import WatchdogRig

from quadleg.analysis.events import events, state_intervals
from quadleg.safety.catalogue import Reason
from quadleg.safety.explanation import Weight
from quadleg.safety.joint_command import Command
from quadleg.safety.node_status import NodeStatus
from quadleg.safety.reason_codes import FollowingCode, ReasonCode
from quadleg.safety.state_machine import State

GRAVITY = 9.80665  # m/s², CGPM 1901
ROBOTS = [replace(sample_robots.inspector(), frames=()), replace(sample_robots.digger(), frames=())]


@pytest.fixture(params=ROBOTS, ids=[robot.name for robot in ROBOTS])
def up(request: pytest.FixtureRequest) -> WatchdogRig:
    bench = WatchdogRig(request.param).up()
    leaning(bench, 2.0, 0.0)
    assert bench.state is State.ACTIVE
    return bench


def leaning(bench: WatchdogRig, seconds: float, rate: float, roll: float = 0.0) -> float:
    """Runs for so long with an IMU that turns about x at a rate (rad/s) from an angle (rad); the angle in the end."""
    for _ in range(round(seconds / bench.period)):
        roll += rate * bench.period
        gravity = (0.0, GRAVITY * sin(roll), GRAVITY * (1 - sin(roll) ** 2) ** 0.5)
        bench.watchdog.following.imu((rate, 0.0, 0.0), gravity, bench.now, bench.now)
        bench.run(bench.period)
    return roll


def fastest(bench: WatchdogRig, sends: Callable[[], Command | None]) -> float:
    """By how much of a frame's reach the next command moves a joint at most."""
    before, after = bench.sent, sends()
    return max(abs(b - a) / step for a, b, step in zip(before.angles, after.angles, bench.steps))


def test_a_body_that_falls_is_lowered_at_the_servos_own_speed(up: WatchdogRig) -> None:
    begun, roll = up.now, 0.0
    while up.state is State.ACTIVE:
        roll = leaning(up, up.period, 1.5, roll)
    assert roll < radians(15)
    assert up.state is State.LOWERING
    assert up.watchdog.stop_category == 1
    assert up.watchdog.shortfall.code is FollowingCode.TILTING
    assert FollowingCode.TILTING in up.codes
    assert fastest(up, up.tick) == pytest.approx(1.0)
    fallen = up.now
    up.until(State.OFF)
    # The usual way down takes 2 s; half of it is at rest already: 0.3 s with power for the servos to arrive.
    assert up.now - fallen < 1.2
    assert up.now > begun


def test_a_robot_enabled_on_its_way_down_drops_as_fast_when_it_falls_again(up: WatchdogRig) -> None:
    for _ in range(2):
        roll = 0.0
        while up.state is State.ACTIVE:
            roll = leaning(up, up.period, 1.5, roll)
        assert up.watchdog.shortfall.code is FollowingCode.TILTING
        fallen = up.now
        up.tick(3)
        assert up.state is State.LOWERING
        up.enable()
        assert up.state is State.RISING
        up.until(State.ACTIVE)
        leaning(up, 2.0, 0.0)
    roll = 0.0
    while up.state is State.ACTIVE:
        roll = leaning(up, up.period, 1.5, roll)
    fallen = up.now
    up.until(State.OFF)
    assert up.now - fallen < 1.2  # as above


def test_the_cause_stays_until_somebody_enables_again(up: WatchdogRig) -> None:
    roll = 0.0
    while up.state is State.ACTIVE:
        roll = leaning(up, up.period, 1.5, roll)
    up.until(State.OFF)
    assert up.watchdog.stop_category == 1
    assert up.watchdog.shortfall.code is FollowingCode.TILTING
    up.seconds(5.0)
    up.enable()
    assert up.watchdog.shortfall.code is FollowingCode.FOLLOWS
    assert up.watchdog.stop_category is None


def test_a_current_that_nothing_explains_is_said_first_then_holds_then_lowers(up: WatchdogRig) -> None:
    volts = up.robot.supply.voltage
    draws = 0.8 * up.robot.supply.rated_current
    states, said = [], []
    for _ in range(round(8.0 / up.period)):
        up.measured(up.period, volts, draws)
        if not states or states[-1] is not up.state:
            states.append(up.state)
        said.append((up.codes, up.watchdog.why))
    assert states[:3] == [State.ACTIVE, State.HOLD, State.LOWERING]
    told, sentence = next((told, sentence) for told, sentence in said if FollowingCode.OVERLOADED in told)
    assert ReasonCode.TARGETS_FOLLOWED in told
    assert "it goes slower" in sentence
    assert up.watchdog.shortfall.code is FollowingCode.OVERLOADED


def test_a_body_that_does_not_follow_goes_at_half_speed_while_it_is_said(up: WatchdogRig) -> None:
    volts, draws = up.robot.supply.voltage, 0.8 * up.robot.supply.rated_current
    far = [angle + 0.3 for angle in up.standing]
    while FollowingCode.OVERLOADED not in up.codes:
        up.measured(up.period, volts, draws)
    up.tick()
    assert fastest(up, lambda: up.frame(far)) == pytest.approx(0.5)
    assert up.state is State.ACTIVE


@pytest.mark.parametrize(
    ("kind", "code"), [("measured", FollowingCode.JOINT_STUCK), ("modelled", FollowingCode.FOLLOWS)]
)
def test_a_joint_away_from_its_command_is_told_where_it_is_measured(
    up: WatchdogRig, kind: str, code: FollowingCode
) -> None:
    said = NodeStatus("following", Reason.of(ReasonCode.COMMANDS_FOLLOWED), figures={"joint_angles": kind})
    up.watchdog.output_status(said, up.now)
    for _ in range(round(1.0 / up.period)):
        up.watchdog.joints([*up.standing[:11], up.standing[11] - 0.4], up.now)
        up.run(up.period)
    assert up.watchdog.shortfall.code is code


def test_a_hold_is_category_2(up: WatchdogRig) -> None:
    volts, draws = up.robot.supply.voltage, 0.8 * up.robot.supply.rated_current
    while up.state is State.ACTIVE:
        up.measured(up.period, volts, draws)
    assert up.state is State.HOLD
    assert up.watchdog.stop_category == 2
    up.enable()
    assert up.state is State.ACTIVE
    assert up.watchdog.shortfall.code is FollowingCode.FOLLOWS


def test_a_switch_off_at_once_is_category_0(up: WatchdogRig) -> None:
    up.off_now()
    assert up.watchdog.stop_category == 0


def test_reports_tell_the_cause_by_its_code() -> None:
    tilting = Reason.of(FollowingCode.TILTING, joints="rear_left", figure="14°", limit_deg="9")
    told = [(0.0, NodeStatus("active")), (5.0, NodeStatus("lowering", tilting)), (7.0, NodeStatus("off"))]
    lowering = next(event for event in events(state_intervals(told, 9.0), []) if event.state == "lowering")
    assert "leaned farther" in lowering.explanation.what
    assert lowering.weight is Weight.FAULT
    assert lowering.why == "the body leans 14° towards rear_left, sound servos allow 9°"


def test_reports_tell_what_was_said_while_it_still_went_on() -> None:
    active = NodeStatus("active", Reason.of(ReasonCode.TARGETS_FOLLOWED))
    slower = replace(active, notices=(Reason.of(FollowingCode.OVERLOADED, figure="1.8 times the modelled"),))
    found = events(state_intervals([(0.0, active), (3.0, slower), (6.0, active)], 9.0), [])
    told = next(event for event in found if event.weight is Weight.FAULT)
    assert (told.start, told.end) == (3.0, 6.0)
    assert "more current than the motion explains" in told.explanation.what
    assert told.explanation.then == "it went slower"


@pytest.mark.parametrize("code", [code for code in FollowingCode if code is not FollowingCode.FOLLOWS])
def test_every_code_is_explained(code: FollowingCode) -> None:
    found = events(state_intervals([(0.0, NodeStatus("hold", Reason.of(code)))], 5.0), [])
    assert found[0].weight is Weight.FAULT
    assert found[0].explanation.cure
