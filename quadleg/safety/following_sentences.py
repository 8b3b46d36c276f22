"""Sentences for a body that does not do what is commanded. A supply that is too weak for it: supply_sentences.py."""

from __future__ import annotations

from dataclasses import replace
from enum import Enum

from quadleg.safety.explanation import Explanation, Sentence, Weight
from quadleg.safety.reason_codes import FollowingCode
from quadleg.safety.reason_codes import ReasonCode as Code
from quadleg.safety.state_sentences import LOWERED

WENT_SLOWER = "it went slower"
SLOWED = f"{WENT_SLOWER}, then held, then lowered itself"
OTHER_FAILURE = Explanation("the body did not do what was commanded", SLOWED, "look at the robot", Weight.FAULT)


def went_slower(explanation: Explanation) -> Explanation:
    """The same where the robot still went on."""
    return replace(explanation, then=WENT_SLOWER)


def _not_followed(says: str, what: str, then: str, cure: str, many: str = "") -> Sentence:
    return Sentence(says, Explanation(what, then, cure, Weight.FAULT), many)


_OWN: dict[Enum, Sentence] = {
    FollowingCode.TORQUE_LIMIT: _not_followed(
        "{joints} at its torque limit: {figure}",
        "joints needed more torque than their servos have",
        SLOWED,
        "stronger servos, less load, a higher stance",
        many="{joints} at their torque limit: {figure}",
    ),
    FollowingCode.JOINT_LIMP: _not_followed(
        "{joints} gives way, {figure} from the commanded angle",
        "a joint gave way: its servo has no power, or its horn slips",
        SLOWED,
        "look at the servo's plug, gears and horn",
        many="{joints} give way, {figure} from the commanded angle",
    ),
    FollowingCode.JOINT_STUCK: _not_followed(
        "{joints} stands still, {figure} from the commanded angle",
        "a joint stood still while it was sent on",
        SLOWED,
        "look for what blocks the joint; turn it by hand, unpowered",
        many="{joints} stand still, {figure} from the commanded angle",
    ),
    FollowingCode.LEG_CAUGHT: _not_followed(
        "the body turned by {figure} without a command: a leg is caught",
        "a leg was held by something",
        SLOWED,
        "free the leg",
    ),
    FollowingCode.SLIPPING: _not_followed(
        "the body turned by {figure} without a command: the feet slip, or a leg is caught",
        "the feet slipped",
        SLOWED,
        "a floor with more grip, or softer feet",
    ),
    FollowingCode.TILTING: _not_followed(
        "the body leans {figure} towards {joints}, sound servos allow {limit_deg}°",
        "the body leaned farther than servos that carry it would let it",
        "it lowered itself at once, as fast as the servos go",
        "look at the leg that is named: plug, horn, gears, torque; then at the ground",
    ),
    FollowingCode.SINKING: _not_followed(
        "the body has sunk by {figure}, sound servos give way by {limit_mm} mm",
        "the body sank farther than servos that carry it would let it",
        LOWERED,
        "stronger servos, less load",
    ),
    FollowingCode.OVERLOADED: _not_followed(
        "the servos draw {figure} current: a leg is caught, a joint is stuck, or the load is more than usual",
        "the servos drew more current than the motion explains",
        SLOWED,
        "look for a caught leg, a stuck joint, or more load than the robot file says",
    ),
    FollowingCode.WEAK_OR_LIMP: _not_followed(
        "the servos draw {figure} current: a servo is weak or limp, or the feet slip",
        "the servos drew less current than usual: one is weak or limp, or the feet slipped",
        SLOWED,
        "look at plugs, horns and gears with the power off, then at the floor",
    ),
    Code.NEAR_TORQUE_LIMIT: Sentence("by the robot file {joints} near the torque limit"),
}
FOLLOWING_SENTENCES = {code.value: sentence for code, sentence in _OWN.items()}
