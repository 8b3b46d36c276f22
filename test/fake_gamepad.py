"""Gamepads without hardware: evdev's own InputDevice on a named pipe, with only the kernel's answers made up.

Events are the bytes of struct input_event, as from a device file. `test/pad_site` brings the same into the processes
of a stack: put it on PYTHONPATH and the folder of the pads into QUADLEG_TEST_PADS.
"""

from __future__ import annotations

import errno
import json
import os
import select
import struct
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

FOLDER = "QUADLEG_TEST_PADS"
SITE = Path(__file__).parent / "pad_site"
EVENT = struct.Struct("llHHi")  # struct input_event of 64-bit Linux: seconds, microseconds, type, code, value
AT_ONCE = select.PIPE_BUF // EVENT.size  # events that a pipe takes as a whole
EV_SYN, EV_KEY, EV_ABS = 0, 1, 3

# x, y, z, rx, ry, rz, hat x, hat y; south, east, north, west, shoulders, select, start, mode, and the sticks' buttons
STICK, TRIGGER, HAT = (-32768, 32767), (0, 255), (-1, 1)
AXES = {0: STICK, 1: STICK, 2: TRIGGER, 3: STICK, 4: STICK, 5: TRIGGER, 16: HAT, 17: HAT}
BUTTONS = (0x130, 0x131, 0x133, 0x134, 0x136, 0x137, 0x13A, 0x13B, 0x13C, 0x13D, 0x13E)


class FakePad:
    """One gamepad, plugged in as `event<number>` of a folder."""

    def __init__(
        self,
        folder: Path,
        number: int = 0,
        name: str = "Test Pad",
        axes: dict[int, tuple[int, int]] = AXES,
        buttons: tuple[int, ...] = BUTTONS,
    ) -> None:
        self.path = folder / f"event{number}"
        self._about = folder / f"about{number}"
        self.values = {code: low if low == 0 else 0 for code, (low, _) in axes.items()}
        self.down: set[int] = set()
        self._fixed = {"name": name, "spans": axes, "buttons": buttons}
        self._pipe = -1
        self.plug()

    def plug(self) -> None:
        """Plugs it in again."""
        self.describe()
        os.mkfifo(self.path.with_suffix(".new"))
        self._pipe = os.open(self.path.with_suffix(".new"), os.O_RDWR | os.O_NONBLOCK)
        os.set_blocking(self._pipe, True)
        self.path.with_suffix(".new").rename(self.path)

    def unplug(self) -> None:
        """Pulls the plug: the next read fails as a device does that is gone."""
        self.path.unlink()
        os.close(self._pipe)

    def send(self, *events: tuple[int, int, int]) -> None:
        """Events as they are: type, code, value. A device gives whole events, a pipe only what was written at once."""
        now = int(time.time())
        for k in range(0, len(events), AT_ONCE):
            os.write(self._pipe, b"".join(EVENT.pack(now, 0, *event) for event in events[k : k + AT_ONCE]))

    def move(self, **axes: float) -> None:
        """Axes by name (x, y, z, rx, ry, rz, hx, hy) to shares of their way, 0 to 1 of a trigger."""
        codes = dict(zip(("x", "y", "z", "rx", "ry", "rz", "hx", "hy"), AXES))
        events = []
        for name, share in axes.items():
            low, high = self._fixed["spans"][codes[name]]
            self.values[codes[name]] = value = round(share * high) if share >= 0 else round(-share * low)
            events.append((EV_ABS, codes[name], value))
        self.describe()
        self.send(*events, (EV_SYN, 0, 0))

    def press(self, button: int, down: bool = True) -> None:
        """The button of that place in BUTTONS."""
        code = self._fixed["buttons"][button]
        (self.down.add if down else self.down.discard)(code)
        self.describe()
        self.send((EV_KEY, code, int(down)), (EV_SYN, 0, 0))

    def describe(self) -> None:
        new = self._about.with_suffix(".new")
        new.write_text(json.dumps({**self._fixed, "values": self.values, "down": sorted(self.down)}))
        new.rename(self._about)


def install(folder: Path, put: Callable[[Any, str, Any], None] = setattr) -> None:
    """Lets quadleg look for gamepads in a folder; `put` sets an attribute of a module."""
    from evdev import _input as kernel

    from quadleg.teleop import gamepad

    read_many = kernel.device_read_many

    def about(fd: int) -> dict[str, Any]:
        path = Path(os.readlink(f"/proc/self/fd/{fd}"))
        with suppress(OSError):
            return json.loads(path.with_name(path.name.replace("event", "about")).read_text())
        raise OSError(errno.ENODEV, "No such device")

    def absinfo(fd: int, code: int) -> tuple[int, ...]:
        said = about(fd)
        low, high = said["spans"][str(code)]
        return said["values"][str(code)], low, high, 0, 0, 0

    def capabilities(fd: int) -> dict[int, list[Any]]:
        said = about(fd)
        return {EV_KEY: said["buttons"], EV_ABS: [(int(code), absinfo(fd, code)) for code in said["spans"]]}

    def read(fd: int) -> Any:
        if os.readlink(f"/proc/self/fd/{fd}").endswith("(deleted)"):
            raise OSError(errno.ENODEV, "No such device")
        return read_many(fd)

    put(kernel, "ioctl_devinfo", lambda fd: (3, 1, 1, 1, about(fd)["name"], "", ""))
    put(kernel, "ioctl_EVIOCGVERSION", lambda _: 0x10001)
    put(kernel, "ioctl_EVIOCGEFFECTS", lambda _: 0)
    put(kernel, "ioctl_capabilities", capabilities)
    put(kernel, "ioctl_EVIOCGABS", absinfo)
    put(kernel, "ioctl_EVIOCG_bits", lambda fd, _: about(fd)["down"])
    put(kernel, "device_read_many", read)
    put(gamepad, "INPUTS", folder)
