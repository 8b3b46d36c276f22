"""Learns a gamepad's mapping: asks for each movement, sees what moves, and writes the parameter file."""

from __future__ import annotations

import select
import sys
from collections.abc import Callable
from pathlib import Path

from quadleg.commissioning.dialog import Dialog, Question, Say, ask, run_dialog
from quadleg.errors import GamepadError
from quadleg.robot_file.editor import check_new
from quadleg.teleop.control_mapping import CONTROLS, NEEDED, STICK, Control, Input, Inputs, Reading, as_yaml
from quadleg.teleop.gamepad import Gamepad, find_pad

MOVED = 0.6  # of an axis, away from where it was when the question was asked
BACK = 0.2
STICK_RESTS_WITHIN = 0.5  # of its middle; a trigger rests at an end
SETTLE_TIME = 0.3  # s after the first movement until the largest one is taken
LOOK_PERIOD = 0.02

Look = Callable[[], "Reading | None"]  # what the gamepad shows a moment later; None where the person skips a question


def learn_to(path: Path, wanted: str = "") -> None:
    """Asks in the terminal for each movement and writes the mapping to a new file.

    Raises OutputPathError where it cannot be written, and GamepadError without a gamepad, or when that is lost.
    """
    check_new(path)
    pad = find_pad(wanted)
    print(f"Learns {pad.name}. Let go of everything; Enter skips what this gamepad cannot do, Ctrl-C writes nothing.")
    try:
        inputs = learn(lambda: _look(pad), print)
    except OSError as error:
        raise GamepadError(
            f"{pad.name} is gone: {error.strerror}; nothing is written", "plug it in, then begin again"
        ) from None
    finally:
        pad.close()
    path.write_text(as_yaml(inputs, f"What does what on {pad.name}, as learnt by asking."), encoding="utf-8")
    print(f"Written to {path}: quadleg run --joystick --params-file {path}")


def _look(pad: Gamepad) -> Reading | None:
    if select.select([sys.stdin], [], [], LOOK_PERIOD)[0]:
        if not sys.stdin.readline():
            raise GamepadError("the terminal is closed; nothing is written", "begin again in one that stays open")
        return None
    pad.read()
    return pad.reading()


def learn(look: Look, say: Say) -> Inputs:
    """The inputs that the person moves when asked; `look` is called once every LOOK_PERIOD (s)."""
    return run_dialog(_learning(say), MovementAnswers(look, say))


def _learning(say: Say) -> Dialog[Inputs]:
    learnt: dict[Control, Input] = {}
    for number, control in enumerate(CONTROLS, 1):

        def judge(answer: str, control: Control = control) -> str:
            found = Input.of(answer)
            if found.kind == "none" and control.name in NEEDED:
                return f"this one is needed: {control.movement}"
            clash = [other.name for other, its in learnt.items() if _clashes(control, found, other, its)]
            return f"{found} is what {clash[0]} is on; use another one" if clash else ""

        text = f"{number} of {len(CONTROLS)}, {control.effect}: {control.movement}, all the way, or what you want"
        found = Input.of((yield from ask(Question(control.name, text, judge=judge))))
        learnt[control] = found
        say(f"  {found}" if found.kind != "none" else "  skipped")
    return {control.name: found for control, found in learnt.items()}


class MovementAnswers:
    """Answers the question of a control by the input that the person moves, or `none` where that is skipped."""

    def __init__(self, look: Look, say: Say) -> None:
        self._look = look
        self._say = say
        self._rest = Reading((), ())

    def __call__(self, question: Question) -> str:
        """The input, as a mapping names it."""
        if not question.complaint:
            while (rest := self._look()) is None:  # before the question: who answers fast is not missed
                pass
            self._rest = rest
        self._say(question.complaint or question.text)
        (control,) = (control for control in CONTROLS if control.name == question.key)
        return str(_moved(self._rest, self._look, control))


def _moved(rest: Reading, look: Look, control: Control) -> Input:
    """The input that moves furthest from rest, once it was let go; `none` where the question is skipped."""
    furthest: dict[Input, float] = {}
    left = SETTLE_TIME
    while (reading := look()) is not None:
        moved = _movements(rest, reading, control)
        for found, way in moved.items():
            furthest[found] = max(way, furthest.get(found, 0.0))
        if furthest and max(furthest.values()) > MOVED:
            left -= LOOK_PERIOD
            if left < 0.0 and max(moved.values(), default=0.0) < BACK:
                # Buttons are clear; a trigger that is both counts as its button.
                return max(
                    furthest, key=lambda found: (furthest[found] > MOVED, found.kind == "button", furthest[found])
                )
    return Input("none")


def _movements(rest: Reading, reading: Reading, control: Control) -> dict[Input, float]:
    """How far each input that suits the control is from rest, with the direction in which it moved."""
    moved = {}
    for number, (before, now) in enumerate(zip(rest.axes, reading.axes)):
        if control.kind != STICK or abs(before) < STICK_RESTS_WITHIN:
            moved[Input("axis", number, 1 if now > before else -1)] = abs(now - before)
    if control.kind != STICK:
        moved.update(
            (Input("button", number), float(bool(now and not before)))
            for number, (before, now) in enumerate(zip(rest.buttons, reading.buttons))
        )
    return moved


def _clashes(control: Control, found: Input, other: Control, its: Input) -> bool:
    """Whether one movement would trigger both. Groups of sticks are used one at a time, so they may share."""
    if found.kind == "none" or (found.kind, found.number) != (its.kind, its.number):
        return False
    if control.kind == other.kind == STICK:
        return control.name.partition(".")[0] == other.name.partition(".")[0]
    return STICK in (control.kind, other.kind) or found.sign == its.sign
