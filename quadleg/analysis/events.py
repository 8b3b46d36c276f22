"""What happened in a recording, one event after the other, each in plain words: what, why, what then, and the cure."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from itertools import pairwise

from quadleg.safety.following import FollowingCode
from quadleg.safety.heat_watch import HeatLevel
from quadleg.safety.idle_watch import IdleCode

STATES = ("off", "rising", "active", "hold", "lowering", "fault")
POWERED = ("rising", "active", "hold", "lowering")
_SEPARATOR = ": "  # between a state and its reason, in `state` and `servo_state`
_SAME = 3.0  # s: a notice or a complaint that is heard again within this is the same one
_LIMP_AT = 1.5  # s around a stop in which servo_output tells the same as the watchdog


class Weight(IntEnum):
    """How much an event matters: as it should be, worth a look, not as it should be, an end."""

    USUAL = 0
    NOTICE = 1
    TROUBLE = 2
    FAULT = 3


@dataclass(frozen=True)
class StateInterval:
    """One state from `start` to `end` in s, with the reason that it began with and all that were said in it."""

    start: float
    end: float
    state: str
    why: str
    said: tuple[tuple[float, str], ...] = ()


@dataclass(frozen=True)
class Explanation:
    """`what` happened, what the robot did `then`, and the `cure`; the last two empty where there is nothing to say."""

    what: str
    then: str = ""
    cure: str = ""
    weight: Weight = Weight.USUAL


@dataclass(frozen=True)
class Event:
    """One event from `start` to `end` in s: who said it, its state, the reason in its own words, what that means."""

    start: float
    end: float
    source: str
    state: str
    why: str
    explanation: Explanation

    @property
    def weight(self) -> Weight:
        return self.explanation.weight


@dataclass(frozen=True)
class Complaint:
    """What a node complained of, how often, and from when until when in s."""

    node: str
    level: int
    message: str
    count: int
    first: float
    last: float


def spells(texts: Sequence[tuple[float, str]], end: float) -> list[StateInterval]:
    """The states that were told as `<state>: <why>`, from the first until `end` in s; what is only repeated is left."""
    changes: list[tuple[float, str, list[tuple[float, str]]]] = []
    for time, text in texts:
        state, _, why = text.partition(_SEPARATOR)
        if not changes or changes[-1][1] != state:
            changes.append((time, state, []))
        said = changes[-1][2]
        if not said or said[-1][1] != why:
            said.append((time, why))
    ends = [*(time for time, _, _ in changes[1:]), max(end, changes[-1][0] if changes else end)]
    return [
        StateInterval(start, stop, state, said[0][1], tuple(said)) for (start, state, said), stop in zip(changes, ends)
    ]


# What the reasons of the watchdog and of servo_output mean; the first that fits counts.

_GO_ON = "`quadleg stand` lets it go on"
_STAND_AGAIN = "when the cause is gone: put the legs into the resting pose, then `quadleg stand`"
_RESET = (
    "take hold of the robot, see to the cause, put the legs into the resting pose, then `quadleg reset` and `stand`"
)
_LIMP = "all pulses were off at once: the joints are limp, and the body dropped to the ground"
_HELD = "it kept its power and put down the feet that were in the air"
_LOWERED = "it lowered the body to the resting pose and switched the servos off"
_LEAD = "nothing moves until the cause is gone"

_RULES: tuple[tuple[tuple[str, ...], str, Explanation], ...] = (
    # off
    (("off",), r"not enabled yet", Explanation("the watchdog has begun; no servo has power", "", "`quadleg stand`")),
    (("off",), r"reset after a fault", Explanation("somebody has reset the fault", "the servos stayed without power")),
    (
        ("off",),
        r"at rest \((held for|servo supply low|supply gives)",
        Explanation(
            "the body was down, and the servos were switched off; the lowering before says why", "", _STAND_AGAIN
        ),
    ),
    (("off",), r"at rest", Explanation("the body was down, and the servos were switched off")),
    (
        ("off",),
        r"servo_output switched off",
        Explanation(
            "servo_output took the power off by itself; its own reason is told with it",
            "the watchdog followed: the joints are limp",
            _STAND_AGAIN,
            Weight.TROUBLE,
        ),
    ),
    (
        ("off",),
        r"servo_output does not follow",
        Explanation(
            "servo_output did not obey the watchdog any more, as after an end of its process or without commands",
            "the watchdog gave the power up; servo_output put the robot down by itself",
            "look for what stopped one of the two processes (`quadleg status`, the terminal of `quadleg run`)",
            Weight.TROUBLE,
        ),
    ),
    (
        ("off",),
        r"body tipped",
        Explanation(
            "the body leaned farther than the robot file allows: it was about to fall, or had fallen",
            _LIMP,
            "put the robot on its feet; walk slower, on flatter ground, or look at what the feet slipped on",
            Weight.FAULT,
        ),
    ),
    (("off",), r"switched off at once", Explanation("a second Ctrl-C ended quadleg", _LIMP, "", Weight.TROUBLE)),
    # rising
    (
        ("rising",),
        r"enabled while it was lowering",
        Explanation("somebody enabled it on the way down", "it turned back and rose to the standing height"),
    ),
    (
        ("rising",),
        r"enabled|first pulses|rising to",
        Explanation(
            "somebody enabled it (`quadleg stand`, or the service `enable`)",
            "the servos got their first pulses one after the other, then the body rose to the standing height",
        ),
    ),
    # active
    (("active",), r"following the joint targets", Explanation("it followed what was asked of it")),
    # hold
    (
        ("hold",),
        r"no good frame",
        Explanation(
            "the frames of joint angles stopped coming: a node of the chain ended, froze, or the computer was too busy",
            f"{_HELD}; after 2 s without frames it would lower itself, with three good ones it goes on by itself",
            "look which node is missing (`quadleg status`) and whether the computer is overloaded",
            Weight.TROUBLE,
        ),
    ),
    (
        ("hold",),
        r"at a limit for",
        Explanation(
            "it was asked for something that a joint limit or the clearance between two parts forbids, for 3 s",
            f"{_HELD}, and does not go on by itself",
            f"ask for less (height, lean, speed); then {_GO_ON}",
            Weight.TROUBLE,
        ),
    ),
    (
        ("hold",),
        r"servo_output is",
        Explanation(
            "servo_output fell silent, or acted by itself: the watchdog had nobody who carries out its commands",
            f"{_HELD}, as far as servo_output was there to do it",
            "if it stays: see the terminal of `quadleg run`, and the cable to the board",
            Weight.TROUBLE,
        ),
    ),
    (
        ("hold", "rising", "lowering"),
        r"supply gives",
        Explanation(
            "the servos drew more than the supply is rated for, and slowing down to half speed was not enough",
            f"{_HELD}; if the current stays too high, it lowers itself",
            "look for a leg that pushes against something or against another; carry less; a stronger supply",
            Weight.TROUBLE,
        ),
    ),
    (
        ("hold",),
        r".",
        Explanation(
            "three joint targets in a row could not be used (their own words say why)",
            f"{_HELD}; after 2 s it lowers itself",
            "look for a program that publishes joint_targets beside quadleg, or asks for what is not finite",
            Weight.TROUBLE,
        ),
    ),
    # lowering
    (("lowering",), r"asked to sit", Explanation("somebody asked it to sit", _LOWERED)),
    (("lowering",), r"quadleg is ending", Explanation("quadleg was asked to end (Ctrl-C)", _LOWERED)),
    (
        ("lowering",),
        r"held for",
        Explanation(
            "it had held for 2 s, and the cause did not go away", _LOWERED, f"as for the hold: {_LEAD}", Weight.TROUBLE
        ),
    ),
    (
        ("lowering",),
        r"servo supply low",
        Explanation(
            "the servos' voltage was too low for half a second: they would soon not carry the robot any more",
            _LOWERED,
            "charge the battery; or thicker and shorter wires, and plugs that sit; or a stronger supply",
            Weight.FAULT,
        ),
    ),
    # fault
    (
        ("fault", "stopped"),
        r"emergency stop",
        Explanation(
            "somebody pressed the emergency stop (`quadleg stop`, or the service)", _LIMP, _RESET, Weight.FAULT
        ),
    ),
    (
        ("fault", "stopped"),
        r"servo supply lost",
        Explanation(
            "the servos lost their power: a switch, fuse, plug or wire",
            "the pulses were switched off, so that nothing jumps when the power comes back",
            _RESET,
            Weight.FAULT,
        ),
    ),
    (
        ("fault", "stopped"),
        r"the board has lost its power",
        Explanation(
            "the PWM board was without power for a moment: its registers were those of a fresh start",
            "the pulses stayed off, so that nothing jumps",
            f"look for a loose plug of the board; then {_RESET}",
            Weight.FAULT,
        ),
    ),
    (("fault", "stopped"), r".", Explanation("servo_output stopped the robot", _LIMP, _RESET, Weight.FAULT)),
    # servo_output by itself
    (
        ("holding",),
        r"no command from the watchdog",
        Explanation(
            "servo_output did not hear the watchdog for half a second: the control process ended, froze, or was late",
            "it held the servos where they were; after 3 s it would lower the robot by itself",
            "see the terminal of `quadleg run`, and whether the computer is overloaded",
            Weight.TROUBLE,
        ),
    ),
    (
        ("holding",),
        r"the board takes no frame",
        Explanation(
            "the board did not take what was written: a cable, its power, or the bus",
            "the servos keep the last pulses that the board got; motion waits",
            "look at the cables between computer and board",
            Weight.TROUBLE,
        ),
    ),
    (
        ("holding",),
        r"the board was found running",
        Explanation(
            "servo_output was started again while the servos had power",
            "it held them where they were",
            "",
            Weight.TROUBLE,
        ),
    ),
    (
        ("lowering by servo_output",),
        r".",
        Explanation(
            "servo_output lowered the robot by itself, without the watchdog", _LOWERED, _STAND_AGAIN, Weight.TROUBLE
        ),
    ),
    (
        ("off by servo_output",),
        r"the first pulse of",
        Explanation(
            "the first command was far from the resting pose, and servo_output refused it",
            "the servos stayed without power",
            "put the legs into the resting pose, then `quadleg stand`",
            Weight.TROUBLE,
        ),
    ),
    (("off by servo_output",), r"at rest", Explanation("servo_output had the body down", "it switched the servos off")),
    (
        ("off by servo_output",),
        r".",
        Explanation("servo_output switched the servos off by itself", _LIMP, _STAND_AGAIN, Weight.TROUBLE),
    ),
)

# What goes on within a state, said as long as it lasts.
_NOTICES: tuple[tuple[str, Explanation], ...] = (
    (
        r"frame without [\w, ]+ not sent",
        Explanation(
            "a frame was not complete in time: the angles of these legs came too late",
            "it was left out; the servos kept the angles of the frame before",
            "seldom is harmless; often: the computer is too busy, or control.rate_hz is too high for it",
            Weight.NOTICE,
        ),
    ),
    (
        r"slowed to half of the servos' speed: [^;]*",
        Explanation(
            "the current was near the supply's rating",
            "it went on at half the servos' speed, to draw less",
            "look at the current below: carry less, walk slower, or a stronger supply",
            Weight.NOTICE,
        ),
    ),
    (
        r"slowed to the speed of the servos",
        Explanation(
            "more was asked than the servos can turn",
            "it went the same way, more slowly",
            "ask for slower or smaller motion",
            Weight.NOTICE,
        ),
    ),
    (
        r"\w+ asked for -?[\d.]+°, allowed is [^;]*",
        Explanation(
            "a joint was asked beyond its limit",
            "that leg stayed at its last good angles",
            "ask for less",
            Weight.NOTICE,
        ),
    ),
    (
        r"\w+ and \w+ would be -?[\d.]+ mm apart, [^;]*",
        Explanation(
            "two parts would have come nearer than the clearance",
            "the legs in question stayed at their last good angles",
            "ask for less; or a wider stance",
            Weight.NOTICE,
        ),
    ),
    (
        r"servo_output is (?:holding|lowering) by itself, the servos are powered",
        Explanation(
            "servo_output held or lowered the robot without the watchdog",
            "it took no commands meanwhile",
            "wait until it is down",
            Weight.NOTICE,
        ),
    ),
    (
        r"(?:a joint target has|unknown joint|joints? \w+ (?:is named|are not)|\w+ is (?:nan|inf|-inf); an angle)[^;]*",
        Explanation(
            "a joint target could not be used",
            "it was refused; the leg kept its last good angles",
            "look for a program that publishes joint_targets beside quadleg",
            Weight.NOTICE,
        ),
    ),
)
# How the body did not follow, by the code in joint_watchdog's diagnostics (safety/following.py).
_SLOWED = "it went slower, then held, then lowered itself"
_NOT_FOLLOWED: dict[FollowingCode, Explanation] = {
    FollowingCode.TORQUE_LIMIT: Explanation(
        "joints needed more torque than their servos have", _SLOWED, "stronger servos, less load, a higher stance"
    ),
    FollowingCode.JOINT_LIMP: Explanation(
        "a joint gave way: its servo has no power, or its horn slips",
        _SLOWED,
        "look at the servo's plug, gears and horn",
    ),
    FollowingCode.JOINT_STUCK: Explanation(
        "a joint stood still while it was sent on",
        _SLOWED,
        "look for what blocks the joint; turn it by hand, unpowered",
    ),
    FollowingCode.LEG_CAUGHT: Explanation("a leg was held by something", _SLOWED, "free the leg"),
    FollowingCode.SLIPPING: Explanation("the feet slipped", _SLOWED, "a floor with more grip, or softer feet"),
    FollowingCode.TILTING: Explanation(
        "the body leaned farther than servos that carry it would let it",
        "it lowered itself at once, as fast as the servos go",
        "look at the leg that is named: plug, horn, gears, torque; then at the ground",
    ),
    FollowingCode.SINKING: Explanation(
        "the body sank farther than servos that carry it would let it", _LOWERED, "stronger servos, less load"
    ),
    FollowingCode.OVERLOADED: Explanation(
        "the servos drew more current than the motion explains",
        _SLOWED,
        "look for a caught leg, a stuck joint, or more load than the robot file says",
    ),
    FollowingCode.SUPPLY_WEAK: Explanation(
        "the servos' voltage broke down under load",
        "it went slower",
        "charge the battery; thicker wires; stronger supply",
    ),
    FollowingCode.WEAK_OR_LIMP: Explanation(
        "the servos drew less current than usual: one is weak or limp, or the feet slipped",
        _SLOWED,
        "look at plugs, horns and gears with the power off, then at the floor",
    ),
}
_OTHER_FAILURE = Explanation("the body did not do what was commanded", _SLOWED, "look at the robot")
# Hot servos and standing for nothing, by the codes of safety/heat_watch.py and idle_watch.py in the diagnostics:
# within a state, and as the reason for a lowering.
_WITHIN: dict[str, Explanation] = {
    HeatLevel.WARM.value: Explanation(
        "a servo was warm by the model of its current",
        "it went on; nothing measures the temperature",
        "feel the servo with care; rest between walks",
        Weight.NOTICE,
    ),
    HeatLevel.HOT.value: Explanation(
        "a servo was hot by the model of its current",
        "it went on, and asked for rest; hotter, it is lowered",
        "let it sit and cool; carry less, stand higher, or fit stronger servos there",
        Weight.TROUBLE,
    ),
    IdleCode.LOWERS_SOON.value: Explanation("no command had come for a while", "it would lower itself soon"),
}
_LOWERED_FOR: dict[str, Explanation] = {
    HeatLevel.TOO_HOT.value: Explanation(
        "a servo was too hot by the model of its current, which nothing measures",
        _LOWERED,
        "let it cool; rest between walks, carry less, stand higher, or fit stronger servos there",
        Weight.TROUBLE,
    ),
    IdleCode.LOWERED.value: Explanation(
        "no command came for a while",
        f"{_LOWERED}, to keep the servos cool",
        "parameter idle_time of joint_watchdog sets the while; 0 is never",
    ),
}
Codes = Sequence[tuple[float, str]]  # times (s) and the codes that joint_watchdog told then
_TOLD_WITHIN = 0.5  # s: joint_watchdog's diagnostics follow its state

_UNKNOWN = Explanation(
    "a state that this version of quadleg does not know", "", "its own words say what there is to say"
)


def explain(
    state: str, why: str, code: str = FollowingCode.FOLLOWS.value, heat: str = "", idle: str = ""
) -> Explanation:
    """What a state and its reason mean, the reason in the words of the watchdog or of servo_output.

    `code` says how the body did not follow then, `heat` and `idle` are the values of HeatLevel and IdleCode.
    """
    failed = not_followed(code) if state in ("hold", "lowering") else None
    if state == "lowering":
        failed = _LOWERED_FOR.get(heat) or _LOWERED_FOR.get(idle) or failed
    for states, pattern, explanation in _RULES:
        if state in states and re.match(pattern, why) and not (failed and pattern == "."):
            return explanation
    return failed or _UNKNOWN


def not_followed(code: str) -> Explanation | None:
    """What a code of FollowingCode means, one of another version too; None where the body follows."""
    if code == FollowingCode.FOLLOWS.value:
        return None
    known = {each.value: explanation for each, explanation in _NOT_FOLLOWED.items()}
    return replace(known.get(code, _OTHER_FAILURE), weight=Weight.FAULT)


def notices(why: str) -> Iterator[tuple[str, Explanation]]:
    """What a reason says besides of what goes on within the state: its words, and what they mean."""
    for pattern, explanation in _NOTICES:
        found = re.search(pattern, why)
        if found:
            yield found.group(), explanation


def events(
    states: Sequence[StateInterval],
    servo_states: Sequence[StateInterval],
    following: Codes = (),
    heat: Codes = (),
    idle: Codes = (),
) -> list[Event]:
    """All events in the order of time: the watchdog's states, what went on within them, and what servo_output did by
    itself. The codes are values of FollowingCode, HeatLevel and IdleCode."""
    found = [event for spell in states for event in _of_spell(spell, following, heat, idle)]
    stops = [spell.start for spell in states if spell.state == "fault"]
    for before, spell in pairwise(servo_states):
        told = spell.state == "stopped" and any(abs(spell.start - stop) < _LIMP_AT for stop in stops)
        by_itself = before.state in ("holding", "lowering")
        if told or spell.state == "following" or (spell.state == "off" and not by_itself and not _refused(spell)):
            continue
        state = f"{spell.state} by servo_output" if spell.state in ("off", "lowering") else spell.state
        explanation = explain(state, spell.why)
        found.append(Event(spell.start, spell.end, "servo_output", spell.state, spell.why, explanation))
    return sorted(found, key=lambda event: event.start)


def _refused(spell: StateInterval) -> bool:
    return not spell.why.startswith(("at rest", "no command yet", "quadleg is ending", "servo_output is ending"))


def _told_by(codes: Codes, time: float, otherwise: str = "") -> str:
    """The last code that was told until a time (s)."""
    return next((code for at, code in reversed(codes) if at <= time), otherwise)


def _of_spell(spell: StateInterval, following: Codes, heat: Codes, idle: Codes) -> Iterator[Event]:
    time = spell.start + _TOLD_WITHIN
    code = _told_by(following, time, FollowingCode.FOLLOWS.value)
    meaning = explain(spell.state, spell.why, code, _told_by(heat, time), _told_by(idle, time))
    yield Event(spell.start, spell.end, "watchdog", spell.state, spell.why, meaning)
    yield from _while_active(spell, following)
    for codes in (heat, idle):
        yield from _within(spell, codes)
    going_on: dict[Explanation, Event] = {}
    for (time, why), (until, _) in pairwise([*spell.said, (spell.end, "")]):
        for words, explanation in notices(why):
            if spell.state == "hold" and words in spell.why:
                continue  # it is the reason for the hold itself
            before = going_on.get(explanation)
            if before and time - before.end < _SAME:
                begun, said = before.start, before.why
            else:
                if before:
                    yield before
                begun, said = time, words
            going_on[explanation] = Event(begun, until, "watchdog", spell.state, said, explanation)
    yield from going_on.values()


def _while_active(spell: StateInterval, following: Sequence[tuple[float, str]]) -> Iterator[Event]:
    """How the body did not follow while the robot still went on."""
    if spell.state != "active":
        return
    told = [(time, code) for time, code in following if spell.start < time < spell.end]
    for (time, code), (until, _), (_, before) in zip(told, [*told[1:], (spell.end, "")], [(0.0, ""), *told]):
        explanation = not_followed(code)
        if explanation and code != before:
            words = [why for at, why in spell.said if at <= time + _TOLD_WITHIN][-1]
            yield Event(time, until, "watchdog", spell.state, words, replace(explanation, then="it went slower"))


def _within(spell: StateInterval, codes: Codes) -> Iterator[Event]:
    """What its codes tell of servos that heat and of standing for nothing, while the robot has power."""
    if spell.state not in POWERED:
        return
    told = [(time, code) for time, code in codes if spell.start < time < spell.end]
    changes = [(time, code) for (time, code), (_, before) in zip(told, [(0.0, ""), *told]) if code != before]
    for (time, code), (until, _) in pairwise([*changes, (spell.end, "")]):
        if code in _WITHIN:
            words = _told_by(spell.said, time + _TOLD_WITHIN)
            yield Event(time, until, "watchdog", spell.state, words, _WITHIN[code])


def complaints(diagnostics: Sequence[tuple[float, str, int, str]]) -> list[Complaint]:
    """The warnings and errors among (time, node, level, message), each node's alike ones together; numbers in a
    message do not make it another one."""
    found: dict[tuple[str, int, str], Complaint] = {}
    for time, node, level, message in _one_by_one(diagnostics):
        key = (node, level, re.sub(r"-?\d+(\.\d+)?", "#", message))
        known = found.get(key)
        count, first = (known.count, known.first) if known else (0, time)
        found[key] = Complaint(node, level, known.message if known else message, count + 1, first, time)
    return sorted(found.values(), key=lambda complaint: (-complaint.level, complaint.first))


def _one_by_one(said: Sequence[tuple[float, str, int, str]]) -> Iterator[tuple[float, str, int, str]]:
    """The estimator tells all its troubles in one message."""
    for time, node, level, message in said:
        for part in message.split("; ") if node == "state_estimator" else (message,):
            if level:
                yield time, node, level, part
