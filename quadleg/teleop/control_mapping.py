"""Which axis or button of a gamepad does what: the controls, their default inputs, and how inputs are written."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite

from quadleg.errors import MessageError, shortened

STICK, HOLD, PRESS = "stick", "hold", "press"
PRESSED = 0.5  # an axis that is pushed further than this counts as a pressed button


@dataclass(frozen=True)
class Control:
    """One thing that a person can do with a gamepad: the parameter's name, its kind, its usual input, and words.

    `movement` is what the person does, `effect` what the robot does.
    """

    name: str
    kind: str
    default: str
    movement: str
    effect: str


# The numbers are those of a gamepad as Linux's "gamepad" document (Documentation/input/gamepad.rst)
# describes it, counted in the order of their codes: X, Y, Z, RX, RY, RZ, HAT0X, HAT0Y; south, east, north, west, left
# and right shoulder, select, start. A trigger rests at +1 and goes to -1.
CONTROLS = (
    Control("walk.hold", HOLD, "-axis 5", "squeeze the right trigger", "while held, the sticks make it walk"),
    Control("walk.forward", STICK, "axis 1", "push the left stick forward", "walks forward"),
    Control("walk.left", STICK, "axis 0", "push the left stick to the left", "walks to the left"),
    Control("walk.turn_left", STICK, "axis 3", "push the right stick to the left", "turns to the left"),
    Control("shift.hold", HOLD, "button 4", "press the left shoulder button", "while held, the sticks shift the body"),
    Control("shift.forward", STICK, "axis 1", "push the left stick forward", "shifts the body forward"),
    Control("shift.left", STICK, "axis 0", "push the left stick to the left", "shifts the body to the left"),
    Control("shift.up", STICK, "axis 4", "push the right stick forward", "raises the body"),
    Control("tilt.hold", HOLD, "-axis 2", "squeeze the left trigger", "while held, the sticks tilt the body"),
    Control("tilt.nose_down", STICK, "axis 1", "push the left stick forward", "lowers the front"),
    Control("tilt.right_down", STICK, "-axis 0", "push the left stick to the right", "lowers the right side"),
    Control("tilt.turn_left", STICK, "axis 3", "push the right stick to the left", "turns the body to the left"),
    Control("stop", PRESS, "button 1", "press the button for the emergency stop", "emergency stop, at any time"),
    Control("stand", PRESS, "button 7", "press the button for standing up", "stands up"),
    Control("sit", PRESS, "button 6", "press the button for sitting down", "sits down, then off"),
    Control("next_gait", PRESS, "-axis 6", "press the hat to the right", "walks in the next gait"),
    Control("previous_gait", PRESS, "axis 6", "press the hat to the left", "walks in the gait before"),
)
NEEDED = ("walk.hold", "stop")  # without these there is no mapping
WALK = ("walk.forward", "walk.left", "walk.turn_left")
BODY = ("shift.forward", "shift.left", "shift.up", "tilt.right_down", "tilt.nose_down", "tilt.turn_left")


@dataclass(frozen=True)
class Reading:
    """What a gamepad shows: axes from -1 to 1, and buttons of which 1 is pressed, as in sensor_msgs/Joy."""

    axes: tuple[float, ...]
    buttons: tuple[int, ...]


@dataclass(frozen=True)
class Input:
    """One axis (`axis 1`, or `-axis 1` the other way round), one button (`button 4`), or `none`."""

    kind: str
    number: int = 0
    sign: int = 1

    @staticmethod
    def of(text: str) -> Input:
        """Raises ValueError for anything else than the four forms."""
        if text == "none":
            return Input("none")
        found = re.fullmatch(r"(-?)(axis) (\d{1,3})|(button) (\d{1,3})", text)
        if not found:
            raise ValueError(f"'{text}' is no input; it must be as axis 1, -axis 1, button 4, or none")
        sign, axis, axis_number, button, button_number = found.groups()
        if axis:
            return Input(axis, int(axis_number), -1 if sign else 1)
        return Input(button, int(button_number))

    def __str__(self) -> str:
        if self.kind == "none":
            return self.kind
        return f"{'-' if self.sign < 0 else ''}{self.kind} {self.number}"

    def there(self, reading: Reading) -> bool:
        """Whether the reading goes as far as this input."""
        have = {"axis": len(reading.axes), "button": len(reading.buttons), "none": 1}
        return self.number < have[self.kind]

    def value(self, reading: Reading) -> float:
        """From -1 to 1; 0 or 1 of a button."""
        if self.kind == "axis":
            return self.sign * max(min(reading.axes[self.number], 1.0), -1.0)
        return float(self.kind == "button" and reading.buttons[self.number] != 0)

    def pressed(self, reading: Reading) -> bool:
        """Whether it is pressed, or pushed further than half."""
        return self.value(reading) > PRESSED


Inputs = Mapping[str, Input]  # of all controls, by their names


def inputs_of(texts: Mapping[str, str]) -> Inputs:
    """The inputs as they are written for each control; raises ValueError with the parameter's name."""
    inputs = {}
    for control in CONTROLS:
        try:
            inputs[control.name] = found = Input.of(texts[control.name])
        except ValueError as error:
            raise ValueError(f"parameter {control.name}: {error}") from None
        if control.kind == STICK and found.kind == "button":
            raise ValueError(f"parameter {control.name} is '{found}'; it must be an axis, as in axis 1, or none")
        if control.name in NEEDED and found.kind == "none":
            raise ValueError(f"parameter {control.name} is 'none'; it must be an axis or a button")
    return inputs


def check(reading: Reading, inputs: Inputs) -> None:
    """Raises MessageError where the reading is too short for the inputs or has an axis that is no number."""
    for name, wanted in inputs.items():
        if not wanted.there(reading):
            raise MessageError(
                f"{name} is on {wanted}, but joy has {len(reading.axes)} axes and {len(reading.buttons)} buttons, "
                f"counted from 0: another gamepad? `quadleg joystick --learn FILE` writes its mapping"
            )
    for number, value in enumerate(reading.axes):
        if not isfinite(value):
            raise MessageError(f"axis {number} of joy is {value}; it must be a number from -1 to 1")


def as_yaml(inputs: Inputs, heading: str) -> str:
    """The parameter file of the node teleop with these inputs; `heading` says where they come from."""
    lines = [
        f"# {shortened(heading, 200)}",
        "# Use it with: quadleg run --joystick --params-file THIS_FILE",
        "/**/teleop:",
    ]
    lines.append("  ros__parameters:")
    group = ""
    for control in CONTROLS:
        before, dot, name = control.name.rpartition(".")
        if before != group:
            group = before
            if group:
                lines.append(f"    {group}:")
        indent = "      " if dot else "    "
        lines.append(f"{indent}{f'{name}: {inputs[control.name]}':<24}# {control.effect}")
    return "\n".join(lines) + "\n"
