"""The one catalogue of sentences: every code has one, and codes and figures from below it become sentences."""

from __future__ import annotations

from enum import Enum

import pytest
from sample_robots import inspector

from quadleg.estimation.estimate_codes import EstimateCode, FootCode
from quadleg.estimation.state_observer import StateObserver
from quadleg.gait.walk_obstacles import GaitRefusal, Obstacle, StrideTrouble, WalkMotion
from quadleg.geometry.transforms import Pose
from quadleg.health import OK, WARN, CodedFact
from quadleg.kinematics.body_codes import BodyMotionState, BodyNotice, FootTargetCode
from quadleg.kinematics.body_motion import BodyMotion
from quadleg.kinematics.body_pose import legs_inverse
from quadleg.kinematics.posture import Posture
from quadleg.safety.catalogue import CATALOGUE, PARTS, Reason, sentence_of
from quadleg.safety.node_status import NodeStatus
from quadleg.safety.reason_codes import ReasonCode
from quadleg.safety.state_machine import State
from quadleg.safety.state_sentences import NEXT_STEPS

PERIOD = 0.02
UNMOVED = Pose((0.0, 0.0, 0.0))
# What gait's key `obstacle` says without a sentence: other nodes tell the cause.
SILENT = {Obstacle.NONE, Obstacle.NOT_ACTIVE, BodyMotionState.STOPPED}
CODES = (WalkMotion, Obstacle, GaitRefusal, StrideTrouble, BodyMotionState, BodyNotice, FootTargetCode)


@pytest.mark.parametrize("codes", [*CODES, EstimateCode, FootCode, ReasonCode], ids=lambda codes: codes.__name__)
def test_every_code_has_a_sentence(codes: type[Enum]) -> None:
    assert [code for code in codes if code not in SILENT and not sentence_of(code.value)] == []


def test_no_code_stands_in_two_parts_of_the_catalogue() -> None:
    assert len(CATALOGUE) == sum(map(len, PARTS))


def test_every_state_of_the_watchdog_has_a_next_step() -> None:
    assert NEXT_STEPS.keys() == {state.value for state in State}


def test_a_coded_fact_goes_through_a_status_and_is_said_with_its_cause_and_cure() -> None:
    why = CodedFact.of(StrideTrouble.NO_LIFT, foot_clearance_mm=90, swing_s=0.09)
    told = Reason.of_fact(CodedFact.of(Obstacle.CANNOT_WALK, why, gait="hop"))
    heard = NodeStatus.of_values(NodeStatus("stands", notices=(told,)).values())
    assert heard.notices == (told,)
    assert heard.sentence == (
        "gaits.hop: the legs cannot lift a foot by 90 mm and back in 0.09 s and go anywhere: lower foot_clearance_mm, "
        "or raise stride_period_s"
    )


@pytest.mark.parametrize(
    ("velocity", "words"),
    [
        ("0.050 0.000 -0.100", "walks in the creep, 0.050 m/s forward, 0.100 rad/s right"),
        ("0.000 -0.000 0.000", "walks in the creep, on the spot"),
        ("fast", "walks in the creep, fast"),  # of another program
    ],
)
def test_a_velocity_is_figures_in_a_status_and_words_in_its_sentence(velocity: str, words: str) -> None:
    assert str(Reason.of(WalkMotion.WALKS, gait="creep", velocity=velocity)) == words


def body() -> BodyMotion:
    """base_motion's object, active with its robot at standing height."""
    robot = inspector()
    motion = BodyMotion(robot, Posture(robot), PERIOD)
    motion.follow_state("rising")
    motion.lead(legs_inverse(robot, Pose((0.0, 0.0, robot.standing.height)), robot.standing.feet))
    motion.follow_state("active")
    return motion


def test_a_body_that_is_stopped_tells_a_code_whose_figures_make_the_sentence() -> None:
    motion, feet = body(), inspector().standing.feet
    motion.step(feet, UNMOVED, 0.0)
    assert motion.health(0.0).reason == CodedFact("arrived")
    motion.target(Pose((0.0, 0.0, 1.0)), stamp=7)
    for tick in range(200):
        motion.step(feet, UNMOVED, PERIOD * tick)
    health = motion.health(4.0)
    (notice,) = health.notices
    assert (health.level, health.state, notice.code) == (WARN, "stopped", BodyNotice.STOPPED_BY_JOINT_LIMIT.value)
    assert notice.figures["axes"] == "height"
    assert notice.figures["limit"].startswith("knee at its upper limit of ")
    words = NodeStatus.of_health(health).sentence
    assert words.startswith("goes no further than height ")
    stop = f"{notice.figures['leg']}, {notice.figures['limit']}"
    assert words.endswith(f", short of the height asked for, stopped by {stop}")


def test_a_base_target_that_is_refused_is_told_until_the_next_good_one() -> None:
    motion = body()
    refusal = motion.refuse("its frame is map", stamp=3)
    health = motion.health(0.0)
    assert health.notices == (refusal,)
    assert NodeStatus.of_health(health).sentence == "base target refused: its frame is map; the last good one stays"
    motion.target(Pose((0.0, 0.0, inspector().standing.height)), stamp=4)
    assert (motion.health(0.0).level, motion.health(0.0).notices) == (OK, ())


def test_an_estimate_that_waits_tells_what_for() -> None:
    robot = inspector()
    observer = StateObserver(robot, PERIOD)
    assert observer.health().notices == (CodedFact.of(EstimateCode.ANGLES_UNTOLD),)
    observer.angles_are("measured")
    assert observer.health().notices == (CodedFact.of(EstimateCode.NO_JOINT_STATES),)
    observer.joints(0.0, legs_inverse(robot, Pose((0.0, 0.0, robot.standing.height)), robot.standing.feet), 0.0)
    assert observer.health().reason == CodedFact.of(EstimateCode.RESTS, robot_state="off")
    observer.refuse_plan("there is no rear_right")
    said = NodeStatus.of_health(observer.health())
    assert (said.state, said.sentence) == ("rests", "planned feet refused: there is no rear_right")
