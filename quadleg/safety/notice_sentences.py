"""The catalogue's second part: a body that does not follow, a weak supply, hot servos, idleness, and notices.

A supply that is too low, which lowers the robot, is SUPPLY_LOW of state_sentences.py.
"""

from __future__ import annotations

from enum import Enum

from quadleg.safety.explanation import Explanation, Sentence, Weight
from quadleg.safety.reason_codes import FollowingCode, HeatLevel, IdleCode
from quadleg.safety.reason_codes import ReasonCode as Code
from quadleg.safety.state_sentences import LOWERED

SLOWED = "it went slower, then held, then lowered itself"


def _not_followed(says: str, what: str, then: str, cure: str, many: str = "") -> Sentence:
    return Sentence(says, Explanation(what, then, cure, Weight.FAULT), many)


_BY_LIMIT = "that leg stayed at its last good angles"
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
    FollowingCode.SUPPLY_WEAK: _not_followed(
        "the servos' supply gives {figure} under load, {limit_v} V is the least",
        "the servos' voltage broke down under load",
        "it went slower",
        "charge the battery; thicker wires; stronger supply",
    ),
    FollowingCode.WEAK_OR_LIMP: _not_followed(
        "the servos draw {figure} current: a servo is weak or limp, or the feet slip",
        "the servos drew less current than usual: one is weak or limp, or the feet slipped",
        SLOWED,
        "look at plugs, horns and gears with the power off, then at the floor",
    ),
    HeatLevel.WARM: Sentence(
        "{joint} is warm, about {celsius} °C by the model of its current",
        Explanation(
            "a servo was warm by the model of its current",
            "it went on; nothing measures the temperature",
            "feel the servo with care; rest between walks",
            Weight.NOTICE,
        ),
    ),
    HeatLevel.HOT: Sentence(
        "{joint} is hot, about {celsius} °C by the model of its current: let the robot rest, `quadleg sit`",
        Explanation(
            "a servo was hot by the model of its current",
            "it went on, and asked for rest; hotter, it is lowered",
            "let it sit and cool; carry less, stand higher, or fit stronger servos there",
            Weight.TROUBLE,
        ),
    ),
    HeatLevel.TOO_HOT: Sentence(
        "{joint} is too hot, about {celsius} °C by the model of its current: let it cool",
        Explanation(
            "a servo was too hot by the model of its current, which nothing measures",
            LOWERED,
            "let it cool; rest between walks, carry less, stand higher, or fit stronger servos there",
            Weight.TROUBLE,
        ),
    ),
    IdleCode.LOWERS_SOON: Sentence(
        "lowers itself after {seconds} s without a command",
        Explanation("no command had come for a while", "it would lower itself soon"),
    ),
    IdleCode.LOWERED: Sentence(
        "stood for {seconds} s without a command",
        Explanation(
            "no command came for a while",
            f"{LOWERED}, to keep the servos cool",
            "parameter idle_time of joint_watchdog sets the while; 0 is never",
        ),
    ),
    Code.FRAME_INCOMPLETE: Sentence(
        "frame without {legs} not sent",
        Explanation(
            "a frame was not complete in time: the angles of these legs came too late",
            "it was left out; the servos kept the angles of the frame before",
            "seldom is harmless; often: the computer is too busy, or control.rate_hz is too high for it",
            Weight.NOTICE,
        ),
    ),
    Code.SLOWED: Sentence(
        "slowed to the speed of the servos",
        Explanation(
            "more was asked than the servos can turn",
            "it went the same way, more slowly",
            "ask for slower or smaller motion",
            Weight.NOTICE,
        ),
    ),
    Code.SLOWED_FOR_CURRENT: Sentence(
        "slowed to half of the servos' speed: {cause}",
        Explanation(
            "the current was near the supply's rating",
            "it went on at half the servos' speed, to draw less",
            "look at the current below: carry less, walk slower, or a stronger supply",
            Weight.NOTICE,
        ),
    ),
    Code.JOINT_LIMIT: Sentence(
        "{joint} asked for {angle_deg}°, allowed is {lower_deg}° to {upper_deg}°",
        Explanation("a joint was asked beyond its limit", _BY_LIMIT, "ask for less", Weight.NOTICE),
    ),
    Code.PARTS_TOO_NEAR: Sentence(
        "{part} and {other} would be {distance_mm} mm apart, the clearance is {clearance_mm} mm",
        Explanation(
            "two parts would have come nearer than the clearance",
            "the legs in question stayed at their last good angles",
            "ask for less; or a wider stance",
            Weight.NOTICE,
        ),
    ),
    Code.INTO_GROUND: Sentence(
        "{part} would be pressed {depth_mm} mm into the ground that the feet stand on",
        Explanation(
            "a part would have been pressed into the ground",
            "all legs stayed at their last good angles",
            "ask for less: a higher body, or less lean",
            Weight.NOTICE,
        ),
    ),
    Code.NEAR_TORQUE_LIMIT: Sentence("by the robot file {joints} near the torque limit"),
    Code.OUTPUT_BY_ITSELF: Sentence(
        "servo_output is {output} by itself, the servos are powered",
        Explanation(
            "servo_output held or lowered the robot without the watchdog",
            "it took no commands meanwhile",
            "wait until it is down",
            Weight.NOTICE,
        ),
    ),
    Code.TARGET_REFUSED: Sentence(
        "{detail}",
        Explanation(
            "a joint target could not be used",
            "it was refused; the leg kept its last good angles",
            "look for a program that publishes joint_targets beside quadleg",
            Weight.NOTICE,
        ),
    ),
}
NOTICE_SENTENCES = {code.value: sentence for code, sentence in _OWN.items()}
