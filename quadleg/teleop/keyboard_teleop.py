"""A keyboard in a terminal as a hand on the robot: keys from bytes, notches from keys, and a dead-man.

A terminal says when a key is pressed, never when it is let go. So a press changes a speed by a notch, and the speed
lasts until another press, or until no key was pressed for the dead-man time.
"""

from __future__ import annotations

import re
from math import inf

from quadleg.teleop.control_mapping import BODY, WALK
from quadleg.teleop.gamepad_teleop import TeleopCommand

NOTCHES = 5  # from the middle to the limit

# Cursor keys in their two modes: ECMA-48's control sequences, and single shifts as the DEC VT100 began them.
_CURSOR = {b"A": "up", b"B": "down", b"C": "right", b"D": "left"}
_SEQUENCE = re.compile(rb"\x1b(?:\[[0-?]*[ -/]*[@-~]|O[@-~])")
_BEGUN = re.compile(rb"\x1b(?:\[[0-?]*[ -/]*|O)?")
_NAMES = {b"\r": "enter", b"\n": "enter", b" ": "space", b"\t": "tab"}

# In each group: the axis, the key for more of it, the key for less, and what they do.
GROUPS = {
    "walk": (
        ("walk.forward", "up", "down", "forward", "back"),
        ("walk.turn_left", "left", "right", "turn left", "turn right"),
        ("walk.left", ",", ".", "to the left", "to the right"),
    ),
    "shift the body": (
        ("shift.forward", "up", "down", "forward", "back"),
        ("shift.left", "left", "right", "to the left", "to the right"),
        ("shift.up", ".", ",", "higher", "lower"),
    ),
    "tilt the body": (
        ("tilt.nose_down", "up", "down", "front down", "front up"),
        ("tilt.right_down", "right", "left", "right side down", "left side down"),
        ("tilt.turn_left", ",", ".", "turn left", "turn right"),
    ),
}
COMMANDS = {
    "e": ("stop", "EMERGENCY STOP, it falls"),
    "u": ("stand", "stand up"),
    "d": ("sit", "sit down, then off"),
    "r": ("reset", "reset after a fault"),
    "g": ("next_gait", "next gait"),
    "q": ("quit", "stop walking and leave"),
}
OTHERS = {
    "enter": "go on like this",
    "space": "stop; any other key does too",
    "c": "body back to its middle",
    "tab": "walk, shift or tilt",
}


class KeyReader:
    """Keys from the bytes of a terminal; what it does not know is a key without a meaning."""

    def __init__(self) -> None:
        self._begun = b""

    def take(self, data: bytes) -> list[str]:
        """The keys in what was read; nothing read ends a sequence that has begun."""
        ended = not data
        data, self._begun = self._begun + data, b""
        keys = []
        while data:
            if found := _SEQUENCE.match(data):
                sequence, data = found.group(), data[found.end() :]
                keys.append(_CURSOR.get(sequence[2:], repr(sequence)))
            elif not ended and _BEGUN.fullmatch(data):
                self._begun = data
                break
            else:
                key, data = data[:1], data[1:]
                keys.append(_NAMES.get(key, key.decode("latin-1").lower()))
        return keys


class KeyboardTeleop:
    """What the keys pressed so far ask for; times are those of a steady clock in s."""

    def __init__(self, dead_man_time: float) -> None:
        self._dead_man_time = dead_man_time
        self._pressed_at = -inf
        self._walk = dict.fromkeys(WALK, 0)
        self._body = dict.fromkeys(BODY, 0)
        self._poses = False
        self.group = next(iter(GROUPS))
        self.at_limit = ""  # what the last key asked for more of than there is

    def press(self, key: str, now: float) -> str:
        """Takes a key; the command that it is, or an empty text."""
        if self.left(now) == 0.0:
            self.release()
        self.at_limit = ""
        if key in COMMANDS:
            command, _ = COMMANDS[key]
            if command != "next_gait":
                self.release()
            return command
        if key == "enter":
            if self.left(now):
                self._pressed_at = now
        elif key == "tab":
            groups = list(GROUPS)
            self.group = groups[(groups.index(self.group) + 1) % len(groups)]
        elif key == "c":
            self._body = dict.fromkeys(BODY, 0)
            self._poses, self._pressed_at = True, now
        elif not self._change(key, now):
            self._walk = dict.fromkeys(WALK, 0)
            self._poses, self._pressed_at = False, now
        return ""

    def _change(self, key: str, now: float) -> bool:
        for axis, more, less, does, undoes in GROUPS[self.group]:
            if key in (more, less):
                notches = self._walk if axis in WALK else self._body
                wanted = notches[axis] + (1 if key == more else -1)
                notches[axis] = max(-NOTCHES, min(NOTCHES, wanted))
                if wanted != notches[axis]:
                    self.at_limit = does if key == more else undoes
                self._poses |= axis in BODY
                self._pressed_at = now
                return True
        return False

    def release(self) -> None:
        """Lets go of everything: the body stays as it is."""
        self._walk = dict.fromkeys(WALK, 0)
        self._poses = False
        self._pressed_at = -inf

    @property
    def asks_for_speed(self) -> bool:
        return any(self._walk.values())

    def left(self, now: float) -> float:
        """Seconds until the dead-man time is over."""
        return max(0.0, self._pressed_at + self._dead_man_time - now)

    def wish(self, now: float) -> TeleopCommand:
        if self.left(now) == 0.0:
            return TeleopCommand(why="no key is pressed")
        forward, left, turn = (self._walk[axis] / NOTCHES for axis in WALK)
        body = {axis: notches / NOTCHES for axis, notches in self._body.items()} if self._poses else {}
        return TeleopCommand((forward, left, turn), body)

    def forget_body(self) -> None:
        """The body is in its standing pose, as of a robot that has no power."""
        self._body = dict.fromkeys(BODY, 0)
