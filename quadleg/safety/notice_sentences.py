"""Sentences for hot servos, idleness and notices within a state.

Those about the supply are in supply_sentences.py, those about a body that does not follow in following_sentences.py.
"""

from __future__ import annotations

from enum import Enum

from quadleg.safety.explanation import Explanation, Sentence, Weight
from quadleg.safety.reason_codes import HeatLevel, IdleCode
from quadleg.safety.reason_codes import ReasonCode as Code
from quadleg.safety.state_sentences import LOWERED

_BY_LIMIT = "that leg stayed at its last good angles"
_OWN: dict[Enum, Sentence] = {
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
            "parameter idle_time of joint_watchdog sets this time; 0 turns it off",
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
    Code.OUTPUT_BY_ITSELF: Sentence(
        "servo_output is {output} by itself, the servos are powered",
        Explanation(
            "servo_output held or lowered the robot without the watchdog",
            "it took no commands meanwhile",
            "wait until it is down",
            Weight.NOTICE,
        ),
    ),
    Code.OUTPUT_POWERED: Sentence(
        "the servos have power that this joint_watchdog did not give: another one under the same names gives it, or "
        "servo_output has yet to lower the robot",
        Explanation(
            "servo_output had the servos powered without the watchdog",
            "the watchdog commanded nothing meanwhile",
            "wait until it is down; if it stays up, end the other joint_watchdog",
            Weight.NOTICE,
        ),
    ),
    Code.BOARD_SLOW: Sentence("{detail}"),
    Code.COMMAND_REFUSED: Sentence("command refused: {detail}"),
    Code.SENSOR_TROUBLE: Sentence("{detail}"),
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
