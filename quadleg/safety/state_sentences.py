"""Sentences for the reasons of the watchdog's and servo_output's states, and for answers to `enable` and `reset`.

Those about the supply are in supply_sentences.py.
"""

from __future__ import annotations

from quadleg.safety.deadlines import (
    HOLD_TIME,
    LIMIT_TIME,
    MAX_BAD_TARGETS,
    MISSING_FRAMES,
    SILENCE_HOLD,
    SILENCE_LOWER,
)
from quadleg.safety.explanation import Explanation, Sentence, Weight
from quadleg.safety.reason_codes import ReasonCode as Code

STAND_AGAIN = "when the cause is gone: put the legs into the resting pose, then `quadleg stand`"
LOWERED = "it lowered the body to the resting pose and switched the servos off"
_GO_ON = "`quadleg stand` lets it go on"
RESET = "take hold of the robot, see to the cause, put the legs into the resting pose, then `quadleg reset` and `stand`"
_LIMP = "all pulses were off at once: the joints are limp, and the body dropped to the ground"
HELD = "it kept its power and put down the feet that were in the air"
_RISING = Explanation(
    "it was enabled (`quadleg stand`, or the service `enable`)",
    "the servos got their first pulses one after the other, then the body rose to the standing height",
)
_OUTPUT_ABSENT = Explanation(
    "servo_output fell silent, or acted by itself: the watchdog's commands were not carried out",
    f"{HELD}, as far as servo_output was there to do it",
    "if it stays: see the terminal of `quadleg run`, and the cable to the board",
    Weight.TROUBLE,
)
_LOWERED_ALONE = Explanation(
    "servo_output lowered the robot by itself, without the watchdog", LOWERED, STAND_AGAIN, Weight.TROUBLE
)
_STOPPED = Explanation("servo_output stopped the robot", _LIMP, RESET, Weight.FAULT)

_OWN: dict[Code, Sentence] = {
    # Reasons of the watchdog: off
    Code.NOT_ENABLED: Sentence(
        "not enabled yet", Explanation("the watchdog has begun; no servo has power", "", "`quadleg stand`")
    ),
    Code.RESET: Sentence(
        "reset after a fault; enable when the legs are in the resting pose",
        Explanation("the fault was reset", "the servos stayed without power"),
    ),
    Code.AT_REST: Sentence("at rest ({cause})", Explanation("the body was down, and the servos were switched off")),
    Code.OUTPUT_SWITCHED_OFF: Sentence(
        "servo_output switched off: {cause}",
        Explanation(
            "servo_output took the power off by itself; its own reason is told with it",
            "the watchdog followed: the joints are limp",
            STAND_AGAIN,
            Weight.TROUBLE,
        ),
    ),
    Code.OUTPUT_IGNORES: Sentence(
        "servo_output does not follow, it is {output}",
        Explanation(
            "servo_output did not obey the watchdog any more, as after an end of its process or without commands",
            "the watchdog gave the power up; servo_output put the robot down by itself",
            "look for what stopped one of the two processes (`quadleg status`, the terminal of `quadleg run`)",
            Weight.TROUBLE,
        ),
    ),
    Code.TIPPED: Sentence(
        "body tipped by {tilt_deg}°, the limit is {limit_deg}°",
        Explanation(
            "the body leaned farther than the robot file allows: it was about to fall, or had fallen",
            _LIMP,
            "put the robot on its feet; walk slower, on flatter ground, or look at what the feet slipped on",
            Weight.FAULT,
        ),
    ),
    Code.SWITCHED_OFF: Sentence(
        "switched off at once", Explanation("a second Ctrl-C ended quadleg", _LIMP, "", Weight.TROUBLE)
    ),
    # rising
    Code.TURNED_BACK: Sentence(
        "enabled while it was lowering",
        Explanation("it was enabled on the way down", "it turned back and rose to the standing height"),
    ),
    Code.ENABLED: Sentence("enabled", _RISING),
    Code.FIRST_PULSES: Sentence("first pulses: {joint}, {number} of {count}", _RISING),
    Code.RISING: Sentence("rising to the standing height", _RISING),
    # active
    Code.TARGETS_FOLLOWED: Sentence("following the joint targets", Explanation("it followed what was asked of it")),
    # hold
    Code.NO_FRAME: Sentence(
        "no good frame for {periods} periods; are gait, base_motion and leg_ik running?",
        Explanation(
            "the frames of joint angles stopped coming: a node of the chain ended, froze, or the computer was too busy",
            f"{HELD}; after {HOLD_TIME:g} s without frames it would lower itself, with {MISSING_FRAMES} good ones it "
            "goes on by itself",
            "look which node is missing (`quadleg status`) and whether the computer is overloaded",
            Weight.TROUBLE,
        ),
    ),
    Code.AT_LIMIT: Sentence(
        "at a limit for {seconds} s: {cause}",
        Explanation(
            "it was asked for something that a joint limit or the clearance between two parts forbids, for "
            f"{LIMIT_TIME:g} s",
            f"{HELD}, and does not go on by itself",
            f"ask for less (height, lean, speed); then {_GO_ON}",
            Weight.TROUBLE,
        ),
    ),
    Code.BAD_TARGETS: Sentence(
        "{detail}",
        Explanation(
            f"{MAX_BAD_TARGETS} joint targets in a row could not be used (their own words say why)",
            f"{HELD}; after {HOLD_TIME:g} s it lowers itself",
            "look for a program that publishes joint_targets beside quadleg, or asks for what is not finite",
            Weight.TROUBLE,
        ),
    ),
    Code.OUTPUT_SILENT: Sentence("servo_output is silent", _OUTPUT_ABSENT),
    Code.OUTPUT_BUSY: Sentence("servo_output is {output}", _OUTPUT_ABSENT),
    # lowering
    Code.ASKED_TO_SIT: Sentence("asked to sit", Explanation("it was asked to sit", LOWERED)),
    Code.ENDING: Sentence("quadleg is ending", Explanation("quadleg was asked to end (Ctrl-C)", LOWERED)),
    Code.HELD_TOO_LONG: Sentence(
        "held for {seconds} s: {cause}",
        Explanation(
            f"it had held for {HOLD_TIME:g} s, and the cause did not go away",
            LOWERED,
            "as for the hold: nothing moves until the cause is gone",
            Weight.TROUBLE,
        ),
    ),
    # fault
    Code.EMERGENCY_STOP: Sentence(
        "emergency stop",
        Explanation("the emergency stop was pressed (`quadleg stop`, or the service)", _LIMP, RESET, Weight.FAULT),
    ),
    Code.BOARD_POWER_LOST: Sentence(
        "{detail}",
        Explanation(
            "the PWM board was without power for a moment: its registers were those of a fresh start",
            "the pulses stayed off, so that nothing jumps",
            f"look for a loose plug of the board; then {RESET}",
            Weight.FAULT,
        ),
    ),
    Code.STOPPED_BY_KEY: Sentence("stopped by a key", _STOPPED),
    Code.DEFECT: Sentence("{detail}", _STOPPED),
    # Reasons of servo_output
    Code.NO_COMMAND_YET: Sentence("no command yet", Explanation("servo_output has begun; no servo has power")),
    Code.COMMANDS_FOLLOWED: Sentence("the watchdog's commands", Explanation("servo_output followed the watchdog")),
    Code.WATCHDOG_SILENT: Sentence(
        "no command from the watchdog for {seconds} s",
        Explanation(
            f"servo_output did not hear the watchdog for {SILENCE_HOLD:g} s: the control process ended, froze, or was "
            "late",
            f"it held the servos where they were; after {SILENCE_LOWER:g} s it would lower the robot by itself",
            "see the terminal of `quadleg run`, and whether the computer is overloaded",
            Weight.TROUBLE,
        ),
    ),
    Code.BOARD_FAILS: Sentence(
        "the board takes no frame: {detail}",
        Explanation(
            "the board did not take what was written: a cable, its power, or the bus",
            "the servos keep the last pulses that the board got; motion waits",
            "look at the cables between computer and board",
            Weight.TROUBLE,
        ),
    ),
    Code.FOUND_RUNNING: Sentence(
        "the board was found running; it holds what it held",
        Explanation(
            "servo_output was started again while the servos had power",
            "it held them where they were",
            "",
            Weight.TROUBLE,
        ),
    ),
    Code.SILENCE_LASTS: Sentence("{cause}; no command to go on for {seconds} s", _LOWERED_ALONE),
    Code.OUTPUT_ENDING: Sentence("servo_output is ending", _LOWERED_ALONE),
    Code.FIRST_PULSE_FAR: Sentence(
        "the first pulse of {joint} would not be the resting pose",
        Explanation(
            "the first command was far from the resting pose, and servo_output refused it",
            "the servos stayed without power",
            "put the legs into the resting pose, then `quadleg stand`",
            Weight.TROUBLE,
        ),
    ),
    Code.TOLD_IN_WORDS: Sentence("{detail}"),
    # Answers
    Code.REFUSED: Sentence("not enabled: {cause}"),
    Code.IN_FAULT: Sentence("in fault ({cause}); `quadleg reset` first"),
    Code.OUTPUT_NOT_HEARD: Sentence("servo_output has not been heard; start it with `quadleg run`"),
    Code.OUTPUT_NOT_READY: Sentence("servo_output is {output}; wait until it is following"),
    Code.ANOTHER_WATCHDOG: Sentence(
        "another joint_watchdog under the same names has the servos powered; end one of the two"
    ),
    Code.ANOTHER_ROBOT: Sentence(
        "servo_output runs another robot, joint_watchdog has {path}: give all nodes the same file"
    ),
    Code.JUST_STARTED: Sentence("the watchdog has only just started; try again in a second"),
    Code.COOLING: Sentence(
        "{joint} is {level}, about {celsius} °C by the model of its current: let it cool for about {minutes} min"
    ),
    Code.ALREADY: Sentence("already {state}"),
    Code.RISES: Sentence("rising to {height_mm} mm"),
    Code.GOES_ON: Sentence("goes on"),
    Code.HOLDS_ON: Sentence("holds for {seconds} s more: {cause}"),
    Code.LOWERS: Sentence("lowering the body, then off"),
    Code.NO_FAULT: Sentence("nothing to reset: {state}"),
    Code.NO_SPEED_TAKEN: Sentence("no speed is taken: the robot does not stand, its state is {state}"),
    Code.ANOTHER_DRIVES: Sentence("another publisher drives on teleop/cmd_vel: end it first"),
    Code.POSED_ONLY_ACTIVE: Sentence("the body is posed only while the robot is active; its state is {state}"),
    Code.STAND_FIRST: Sentence("the state is {state}: the robot has to stand first"),
    Code.LEGS_NOT_CONFIRMED: Sentence(
        "first confirm that the legs are in the resting pose: servos take their first pulses at full speed"
    ),
    Code.FAULT_LEFT: Sentence("reset; put the legs into the resting pose, then `quadleg stand` goes on"),
}
# What a person does next, by the watchdog's state. Who offers keys or buttons may say after it which.
NEXT_STEPS = {
    "off": "No servo has power. Put the legs into the resting pose, then stand up.",
    "rising": "It rises. Sit down turns it back.",
    "active": "It stands on its feet: walk, or move the body.",
    "hold": "It holds still with power. Stand up goes on, if nothing is wrong any more.",
    "lowering": "It is being lowered, then the servos are switched off. Stand up turns it back.",
    "fault": "Stopped, the servos have no power. 1. See that nothing is wrong. 2. Reset. 3. Put the legs into the "
    "resting pose. 4. Stand up.",
}
STATE_SENTENCES = {code.value: sentence for code, sentence in _OWN.items()}

# What servo_output's own states mean where its reason alone does not tell.
BY_OUTPUT_STATE = {
    "lowering": _LOWERED_ALONE,
    "off": Explanation("servo_output switched the servos off by itself", _LIMP, STAND_AGAIN, Weight.TROUBLE),
    "stopped": _STOPPED,
}
UNKNOWN = Explanation(
    "a state that this version of quadleg does not know", "", "its own words say what there is to say"
)
