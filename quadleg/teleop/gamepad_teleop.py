"""From what a gamepad shows to what the person wants: dead-man, presses, and when nothing of it counts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import inf

from quadleg.errors import MessageError
from quadleg.geometry.planar import Planar
from quadleg.teleop.control_mapping import BODY, CONTROLS, PRESS, WALK, Inputs, Reading, check

STAND_HELD = 2.0  # s that the button is held with the dead-man until the robot stands up
HOLDS = ("walk.hold", "shift.hold", "tilt.hold")
PRESSES = tuple(control.name for control in CONTROLS if control.kind == PRESS)


@dataclass(frozen=True)
class TeleopCommand:
    """What the person wants now: shares (-1 to 1) of the gait's limits, or of the body's range by axis of BODY.

    Neither where the dead-man is not held, or does not count; `why` says so.
    """

    walk: Planar | None = None
    body: Mapping[str, float] = field(default_factory=dict)
    why: str = ""


class GamepadTeleop:
    """Takes readings and says what is wanted; times are those of a steady clock in s.

    `silent_after`: a gamepad that says nothing for so long is lost. `unmoved_after`: one on which nothing moves for
    so long while the dead-man is held may have lost its radio, whose receiver repeats the last it heard. After
    either, after an emergency stop or a bad reading, and at first, the dead-man counts only once it was let go.
    """

    def __init__(self, inputs: Inputs, silent_after: float, unmoved_after: float) -> None:
        self._inputs = inputs
        self._silent_after = silent_after
        self._unmoved_after = unmoved_after
        self._reading: Reading | None = None
        self._heard = self._moved = -inf
        self._armed = False
        self._down: frozenset[str] = frozenset()
        self._stand_since: float | None = None
        self._refusal = ""

    def take(self, reading: Reading, now: float, refusal: str = "") -> frozenset[str]:
        """Takes a reading, unless there is a `refusal` of all readings; what was pressed by it, by the controls' names.

        The emergency stop is pressed by any reading that shows it, however bad the rest is.
        """
        if self._silent(now):
            self._let_go()
        down = self._down_in(reading)
        pressed = down - self._down
        self._down = down
        self._heard = now
        self._refusal = refusal
        if not refusal:
            try:
                check(reading, self._inputs)
            except MessageError as error:
                self._refusal = str(error)
        if self._refusal:
            self._reading, self._armed, self._stand_since = None, False, None
            return pressed & {"stop"}
        if reading != self._reading:
            self._reading, self._moved = reading, now
        if "stop" in down:
            self._armed = False
        elif not any(self._inputs[name].pressed(reading) for name in HOLDS):
            self._armed = True
        return (pressed - {"stand"}) | self._stand(now)

    def wish(self, now: float) -> TeleopCommand:
        if self._silent(now):
            self._let_go()
        if self._reading is None:
            return TeleopCommand(why=self._why_nothing())
        held = [name for name in HOLDS if self._inputs[name].pressed(self._reading)]
        unmoved = bool(held) and now - self._moved > self._unmoved_after
        if unmoved:
            self._armed = False
        if not held or not self._armed:
            return TeleopCommand(why=self._why_let_go(bool(held), unmoved))
        groups = {name.partition(".")[0] for name in held}
        body = {axis: self._value(axis) for axis in BODY if axis.partition(".")[0] in groups}
        if body:
            return TeleopCommand(body=body)
        forward, left, turn = map(self._value, WALK)
        return TeleopCommand(walk=(forward, left, turn))

    def _why_nothing(self) -> str:
        if self._heard == -inf:
            return "no joy is heard: is a gamepad plugged in, and the node joystick or another driver running?"
        return self._refusal or f"joy is silent for {self._silent_after:g} s: the gamepad is lost"

    def _why_let_go(self, held: bool, unmoved: bool) -> str:
        if not held:
            return "the dead-man is not held"
        if unmoved:
            seconds = f"{self._unmoved_after:g} s"
            return f"nothing on the gamepad has moved for {seconds}: is it in reach? Let the dead-man go once"
        return "let the dead-man go once: it counts from the next time it is held"

    @property
    def ready(self) -> bool:
        """Whether good readings come in."""
        return self._reading is not None

    def is_down(self, name: str) -> bool:
        """Whether a control was pressed in the last reading."""
        return name in self._down

    def _down_in(self, reading: Reading) -> frozenset[str]:
        there = (name for name in PRESSES if self._inputs[name].there(reading))
        return frozenset(name for name in there if self._inputs[name].pressed(reading))

    def _stand(self, now: float) -> frozenset[str]:
        """Standing up powers the servos: no slip of a thumb may do that."""
        assert self._reading is not None
        if not (self._armed and "stand" in self._down and self._inputs["walk.hold"].pressed(self._reading)):
            self._stand_since = None
        elif self._stand_since is None:
            self._stand_since = now
        elif now - self._stand_since >= STAND_HELD:
            self._stand_since = inf  # once a press
            return frozenset({"stand"})
        return frozenset()

    def _value(self, name: str) -> float:
        assert self._reading is not None
        return self._inputs[name].value(self._reading)

    def _silent(self, now: float) -> bool:
        return now - self._heard > self._silent_after

    def _let_go(self) -> None:
        self._reading, self._armed, self._stand_since = None, False, None
        self._down, self._refusal = frozenset(), ""
