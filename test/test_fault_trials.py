"""Failures in physics: noticed by an IMU and modelled joints, and of no effect where the truth says so."""

from __future__ import annotations

import json
from math import degrees, inf, isnan, radians
from pathlib import Path

import pytest
import sample_robots
from faults import physics
from robot_campaign import drawn

from quadleg.gait.walking_limits import WalkingLimits
from quadleg.geometry.transforms import Pose
from quadleg.robot.model import MEASURED, MODELLED
from quadleg.safety.following import FOLLOWS, Response
from quadleg.safety.reason_codes import FollowingCode
from quadleg.safety.state_machine import State
from quadleg.simulation.fault_kinds import FaultKind
from quadleg.simulation.fault_trials import STAND, FaultOutcome, fault_trial, in_words
from quadleg.simulation.faults import InjectedFault, inject
from quadleg.simulation.ground import Ground
from quadleg.simulation.rollout import Rollout
from quadleg.simulation.world import World

ROBOT = sample_robots.inspector()
HARD_WORKERS = (169, 171)  # robots of seed 4242 of test/robot_campaign.py, near the boundary of walking
# Seeds whose fault meets a joint that carries, or is hard enough to matter: see `-m faults.physics --lines`.
CASES = (
    (FaultKind.WEAK_SERVOS, STAND, 15),
    (FaultKind.LIMP_SERVO, "creep", 21),
)


@pytest.mark.parametrize(("kind", "gait", "seed"), CASES, ids=[kind.value for kind, _, _ in CASES])
def test_a_failure_is_reported_and_the_robot_lies_before_it_tips(kind: FaultKind, gait: str, seed: int) -> None:
    found = fault_trial(ROBOT, gait, kind, seed)
    assert found.failed < inf, in_words(gait, found)
    assert found.reported < found.failed + 1.0, in_words(gait, found)
    assert degrees(found.tilt) < 25, in_words(gait, found)
    assert found.state in ("lowering", "off", "fault")


def test_a_weak_supply_is_reported_although_the_body_would_go_on() -> None:
    found = fault_trial(ROBOT, "creep", FaultKind.WEAK_SUPPLY, 2)
    assert found.failed == inf  # nothing lowers the twin that nobody watches
    assert found.reported < 1.0
    assert found.state in ("lowering", "off", "fault")


def test_a_joint_that_jams_where_it_should_be_is_no_failure() -> None:
    found = fault_trial(ROBOT, STAND, FaultKind.STUCK_SERVO, 1)
    assert found.failed == inf
    assert found.reported == inf
    assert "as a sound one would" in in_words(STAND, found)


@pytest.mark.parametrize("gait", ["creep", "trot"])
def test_sound_walking_over_bumps_with_pushes_raises_no_alarm(gait: str) -> None:
    limits = WalkingLimits(ROBOT, ROBOT.gait(gait))
    rollout = Rollout(ROBOT, limits, Ground(roughness=0.008, push=0.3), 3, None)
    rollout.stand()
    for _ in range(500):
        rollout.tick((0.5 * limits.forward[0], 0.0, 0.2))
        assert rollout.watchdog.following.shortfall.response is Response.NONE
    assert rollout.watchdog.state is State.ACTIVE


def test_a_trot_that_begins_while_the_body_turns_on_a_slope_raises_no_alarm() -> None:
    rollout = Rollout(ROBOT, WalkingLimits(ROBOT, ROBOT.gait("trot")), Ground(slope=radians(5)), 5061, None)
    rollout.stand()
    rollout.target = Pose.from_rpy(-0.005, -0.007, 0.143, radians(4), radians(2.3), radians(-1.8))
    for _ in range(round(2.0 / rollout.period)):
        rollout.tick((0.108, 0.0, -0.217))
        assert rollout.watchdog.following.shortfall.response is Response.NONE
    assert rollout.watchdog.state is State.ACTIVE


@pytest.mark.parametrize(("ground", "seed"), [("pushes", 12066), pytest.param("all", 11024, marks=pytest.mark.long)])
def test_a_creep_that_a_push_leans_and_that_comes_back_raises_no_alarm(ground: str, seed: int) -> None:
    limits = WalkingLimits(ROBOT, ROBOT.gait("creep"))
    walk = physics.sound_walk(ROBOT, limits, physics.SETTINGS[ground], "creep", seed, None, True)
    assert walk["lean"] > 0.95, "it leaned by about as much as servos that give way explain"
    assert not walk["said"]
    assert walk["state"] == State.ACTIVE.value


def test_measured_joints_name_the_joint() -> None:
    limits = WalkingLimits(ROBOT, ROBOT.gait("creep"))
    rollout = Rollout(ROBOT, limits, seed=1, angles=MEASURED)
    rollout.stand()
    fault = inject(rollout.world, ROBOT, FaultKind.STUCK_SERVO, 9)
    hip = "rear_right_hip"
    assert fault.where == (hip,)
    while rollout.watchdog.following.shortfall.response is Response.NONE and rollout.world.time < 30.0:
        rollout.tick((0.05, 0.0, 0.0))
    assert rollout.watchdog.following.shortfall.where == (hip,)
    assert rollout.watchdog.following.shortfall.code is FollowingCode.JOINT_STUCK
    assert hip in rollout.watchdog.why


def test_a_robot_with_too_weak_servos_is_told_so_while_it_rises() -> None:
    robot = sample_robots.with_servo_kind(ROBOT, stall_torque=0.17)
    rollout = Rollout(robot, WalkingLimits(robot, robot.gait("creep")), seed=1, angles=MODELLED)
    while rollout.world.time < 2.0:
        rollout.tick()
    rollout.watchdog.enable(True, rollout.world.time)
    codes = set()
    while rollout.world.time < 12.0:
        rollout.tick()
        codes.add(rollout.watchdog.shortfall.code)
    assert FollowingCode.TORQUE_LIMIT in codes
    assert rollout.watchdog.state is not State.ACTIVE


@pytest.mark.parametrize("kind", list(FaultKind))
def test_a_fault_is_the_same_for_the_same_seed(kind: FaultKind) -> None:
    one, other = (inject(World(ROBOT, seed=1), ROBOT, kind, 7) for _ in range(2))
    assert one == other
    assert one.kind is kind


def test_a_missed_failure_is_told_as_such() -> None:
    fault = InjectedFault(FaultKind.LEG_CAUGHT, ("rear_left",), 1.0)
    missed = FaultOutcome(fault, 0.5, inf, inf, 0.4, FOLLOWS, "active", "following the joint targets")
    assert in_words("trot", missed) == (
        "trot, leg caught rear_left: unnoticed, the body falls or sinks after 0.5 s; not reported"
    )


def test_without_a_supply_sensor_the_watchdog_hears_no_voltage_or_current() -> None:
    rollout = Rollout(ROBOT, WalkingLimits(ROBOT, ROBOT.gait("creep")), supply_sensor=False)
    rollout.stand()
    assert isnan(rollout.watchdog.supply_watch.voltage)
    assert isnan(rollout.watchdog.supply_watch.current)
    assert rollout.watchdog.following.drawn == 0.0


def test_lines_of_several_processes_come_to_one_table(tmp_path: Path) -> None:
    fault = InjectedFault(FaultKind.WEAK_SERVOS, (), 0.3)
    paths = []
    for seed, reported in ((1, 0.5), (2, 2.5), (3, inf)):
        outcome = FaultOutcome(fault, 1.0, inf, reported, radians(12), FOLLOWS, "off", "at rest")
        paths.append(tmp_path / f"{seed}.jsonl")
        paths[-1].write_text(f"{json.dumps(physics.line('creep', seed, outcome))}\n\n| a table |\n", encoding="utf-8")
    said = physics.table(physics.read(paths))
    # Medians of 0 and 1.5 s after the fall, and of 0.5 and 2.5 s after the fault.
    assert "| weak servos | creep | 3 | - | 2 of 3 (0.75, 1.50 s; 1.50, 2.50 s) | - | 12° | 0 |" in said
    assert "1 within 1 s" in said


@pytest.mark.parametrize("number", [HARD_WORKERS[0], pytest.param(HARD_WORKERS[1], marks=pytest.mark.long)])
def test_a_sound_robot_that_works_hard_raises_no_alarm(number: int) -> None:
    """Its feet press against each other after it has risen, and its knees are at their torque limit for a third of a
    stride: it draws up to 1.7 times the model's current."""
    _, robot = next(drawn(1, 4242, number))
    limits = WalkingLimits(robot, robot.gait("trot"))
    rollout = Rollout(robot, limits, seed=1, angles=None)
    rollout.stand()
    most = 0.0
    for _ in range(round(6.0 / rollout.period)):
        rollout.tick((0.8 * limits.forward[0], 0.0, 0.0))
        most = max(most, rollout.watchdog.following.drawn)
        assert rollout.watchdog.following.shortfall.response is Response.NONE
    assert most > 1.4  # it does work hard


@pytest.mark.long
def test_no_fall_goes_unreported_standing_and_creeping() -> None:
    found = physics.fault_trials(ROBOT, range(1, 4), None, True, tuple(FaultKind))
    missed = [
        in_words(doing, one)
        for doing, _, one in found
        if doing != physics.TROT and one.fall < inf and one.reported > one.fall + 1.0
    ]
    assert not missed


@pytest.mark.long
def test_sound_walks_raise_no_alarm_on_any_ground() -> None:
    assert not [walk for walk in physics.sound_walking(ROBOT, 0.3, 1, None, True) if walk["said"]]
