"""Sentences of gait, base_motion, leg_ik and state_estimator."""

from __future__ import annotations

from enum import Enum

from quadleg.estimation.estimate_codes import EstimateCode, FootCode
from quadleg.gait.walk_obstacles import GaitRefusal, Obstacle, StrideTrouble, WalkMotion
from quadleg.kinematics.body_codes import BodyMotionState, BodyNotice, FootTargetCode, PoseLimit
from quadleg.robot.model import LEGS
from quadleg.safety.explanation import Explanation, Sentence, Weight


def _trouble(says: str, what: str, then: str = "", cure: str = "") -> Sentence:
    return Sentence(says, Explanation(what, then, cure, Weight.NOTICE))


# Gait

_STANCE_KEYS = "raise stance.feet_out_across_mm or stance.standing_height_mm"
_OTHER_VELOCITY = "look for the program that publishes the velocity"
_WALK: dict[Enum, Sentence] = {
    WalkMotion.STANDS: Sentence("stands"),
    WalkMotion.STOPS: Sentence("stops in a square stance"),
    WalkMotion.WALKS: Sentence("walks in the {gait}, {velocity}"),
    WalkMotion.CHANGES_GAIT: Sentence("changes from {gait} to {next_gait} as soon as it stands square"),
    Obstacle.PAUSED: _trouble(
        "paused by its parameter",
        "gait's parameter `paused` was set",
        "no frame is planned; the watchdog holds the robot",
        "set the parameter to false",
    ),
    Obstacle.VELOCITY_REFUSED: _trouble(
        "velocity refused: {detail}",
        "a velocity could not be used",
        "it counts as no velocity",
        _OTHER_VELOCITY,
    ),
    Obstacle.UNHEARD_TYPE: _trouble(
        "cmd_vel is published as {types}, which is not heard; it must be {wanted}",
        "cmd_vel was published as a type that is not heard",
        "those velocities were not walked",
        "publish geometry_msgs/msg/TwistStamped",
    ),
    Obstacle.SEVERAL_PUBLISHERS: _trouble(
        "more than one publisher of {topic}: the newest message counts, so that they block each other",
        "several programs asked for a velocity on one topic",
        "the newest message counted",
        "end all of them but one",
    ),
    Obstacle.CANNOT_WALK: _trouble(
        "gaits.{gait}: {cause}: {cure}",
        "the robot cannot walk in this gait at all",
        "it stands",
        "`quadleg check` says what would do",
    ),
    Obstacle.LEANS: _trouble(
        "the body leans so far that {margin_mm} mm are left until the robot would tip over",
        "the body leaned so far that the robot nearly tipped over",
        "it goes on",
        "walk slower, or on flatter ground",
    ),
    Obstacle.WAY_IMPOSSIBLE: _trouble(
        "this robot cannot {ways} in the gait {gait}: its limit there is zero",
        "a direction was asked for in which the robot cannot walk in this gait",
        "it walks in the other directions",
        "another gait; `quadleg check` says what would do",
    ),
    Obstacle.TOO_FAST: Sentence("asked for {asked_velocity}, which is {times} times too fast"),
    GaitRefusal.UNKNOWN_GAIT: Sentence("there is no gait '{name}'; there are {gaits}"),
    # The cause of CANNOT_WALK; `check` adds the figures that would do.
    StrideTrouble.NO_TORQUE: _trouble(
        "{joint} needs {needed_kg_cm} kg·cm ({needed_nm} N·m) of stall torque only to step on the spot and has "
        "{has_kg_cm} ({has_nm})",
        "a joint needs more torque than its servo has, only to step on the spot",
        cure="less mass, stand higher, or stronger servos: `quadleg check` says which do for rising and walking",
    ),
    StrideTrouble.NO_BALANCE: _trouble(
        "the body cannot sway so far that the feet on the ground carry it",
        "the body cannot sway far enough",
        cure="put the masses nearer to its middle, or raise stance.feet_out_across_mm",
    ),
    StrideTrouble.NO_CLEARANCE: _trouble(
        "the legs come too near to each other or to the body",
        "the legs come too near to each other or to the body",
        cure=_STANCE_KEYS,
    ),
    StrideTrouble.TOUCHES_GROUND: _trouble(
        "the legs' links come too near to the ground",
        "the legs' links come too near to the ground",
        cure=_STANCE_KEYS,
    ),
    StrideTrouble.NO_LIFT: _trouble(
        "the legs cannot lift a foot by {foot_clearance_mm} mm and back in {swing_s} s and go anywhere",
        "the legs cannot lift a foot and bring it back in time",
        cure="lower foot_clearance_mm, or raise stride_period_s",
    ),
}

# base_motion and leg_ik

# What stops the body: one sentence for each limit.
POSE_STOPS = {
    PoseLimit.JOINT: "{leg}, {limit}",
    PoseLimit.GROUND: "{part}, which touches the ground",
    PoseLimit.PARTS: "{part} and {other}, which would be {distance_mm} mm apart",
}
_BODY: dict[Enum, Sentence] = {
    BodyMotionState.WAITING: Sentence("follows the watchdog until it is active"),
    BodyMotionState.MOVING: Sentence("on the way to the base target"),
    BodyMotionState.ARRIVED: Sentence("at the base target"),
    BodyNotice.BASE_TARGET_REFUSED: _trouble(
        "base target refused: {detail}; the last good one stays",
        "a base target could not be used",
        "the last good one stays",
        "look for the program that publishes base targets",
    ),
    **{
        BodyNotice.stopped_by(limit): _trouble(
            f"goes no further than {{pose}}, short of the {{axes}} asked for, stopped by {stop}",
            "the body could not go as far as was asked",
            "it stays as near as it can come",
            "ask for less",
        )
        for limit, stop in POSE_STOPS.items()
    },
    FootTargetCode.IN_REACH: Sentence("foot targets in reach"),
    FootTargetCode.OUT_OF_REACH: _trouble(
        "foot target out of reach, at the nearest point: {leg}, {limit}",
        "a foot target was out of reach",
        "the leg went to the nearest point that it reaches",
        "ask for less",
    ),
    FootTargetCode.FOOT_TARGET_REFUSED: _trouble(
        "foot target refused: {detail}",
        "a foot target could not be used",
        "the leg kept its last good angles",
        "look for a program that publishes foot targets beside quadleg",
    ),
}

# state_estimator

_IMU_CURE = "look at the IMU's driver, its rate, and its cable"
_ESTIMATE: dict[Enum, Sentence] = {
    EstimateCode.RESTS: Sentence("the robot is {robot_state}: the estimate rests"),
    EstimateCode.FOLLOWS: Sentence("follows the body with {angles} joint angles"),
    EstimateCode.FOLLOWS_WITHOUT_IMU: Sentence("follows the body with {angles} joint angles, without an IMU"),
    EstimateCode.ANGLES_UNTOLD: _trouble(
        "servo_output does not say whether joint_states are measured or modelled: it has to run, or the parameter "
        "joint_angles to say so",
        "it was not known whether joint angles are measured or modelled",
        "nothing is estimated",
        "start servo_output, or set the parameter joint_angles",
    ),
    EstimateCode.NO_JOINT_STATES: _trouble(
        "no joint_states are heard", "no joint_states were heard", "nothing is estimated", "start servo_output"
    ),
    EstimateCode.PLAN_REFUSED: _trouble(
        "planned feet refused: {detail}",
        "a plan of the feet could not be used",
        "the last good one stays",
        "look for a program that publishes planned_feet beside quadleg",
    ),
    EstimateCode.IMU_INCOMPLETE: _trouble(
        "imu/data says that it has no {quantity}: both it and the other are needed",
        "the IMU measures only one of angular velocity and linear acceleration",
        "its samples are not used",
        "an IMU that measures both",
    ),
    EstimateCode.IMU_FROZEN: _trouble(
        "the IMU repeats one and the same sample: it is left out",
        "the IMU repeated one sample",
        "its samples are not used",
        _IMU_CURE,
    ),
    EstimateCode.IMU_SLOW: _trouble(
        "the IMU's samples are {apart_ms} ms apart; {most_ms} ms is the most",
        "the IMU's samples came too seldom",
        "the estimate is less certain",
        _IMU_CURE,
    ),
    EstimateCode.NO_IMU: _trouble(
        "no IMU: estimating from leg kinematics; uncertainty grows",
        "no samples of an IMU came",
        "it estimates from leg kinematics; uncertainty grows",
        _IMU_CURE,
    ),
    EstimateCode.CARRIED: _trouble(
        "the robot is moved while it is off: its place is not followed", "the robot was moved while it was off"
    ),
    EstimateCode.TIME_JUMPED: _trouble(
        "time jumped by {seconds} s: how the robot moved in it is not known", "the stamps jumped ahead"
    ),
    EstimateCode.TIME_WENT_BACK: _trouble(
        "time went back: the estimate has begun anew", "the stamps went back", "the estimate began anew"
    ),
    EstimateCode.ESTIMATE_LOST: _trouble(
        "the estimate made no sense, {speed} m/s: it has begun anew where it was good last",
        "the estimate of the body's velocity made no sense",
        "the estimate began anew where it was good last",
        _IMU_CURE,
    ),
    **{
        FootCode.unknown(leg): _trouble(
            f"{leg}: not all of its joint angles are known; the foot is left out",
            "not all joint angles of a leg are known",
            "its foot is not used for the estimate",
            "look for the sensor or servo that is missing",
        )
        for leg in LEGS
    },
    **{
        FootCode.slips(leg): _trouble(
            f"{leg} slips: the foot is left out",
            "a foot slipped",
            "it is not used for the estimate",
            "a floor with more grip, or softer feet",
        )
        for leg in LEGS
    },
}
MOTION_SENTENCES = {code.value: sentence for code, sentence in (_WALK | _BODY | _ESTIMATE).items()}
