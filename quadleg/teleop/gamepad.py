"""A gamepad as Linux's input devices show it, through evdev: found, read in a thread, and found again."""

from __future__ import annotations

import select
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from quadleg.errors import GamepadError
from quadleg.teleop.control_mapping import Reading

INPUTS = Path("/dev/input")
LOOK_PERIOD = 0.5  # s between looks for a gamepad
_PATIENCE = 0.1  # s that a read waits, so that the thread's end is short

# Linux's include/uapi/linux/input-event-codes.h
EV_SYN, EV_KEY, EV_ABS = 0x00, 0x01, 0x03
SYN_REPORT, SYN_DROPPED = 0, 3
ABS_X = 0x00
BTN_JOYSTICK, BTN_DIGI = 0x120, 0x140  # from one to the other: the buttons of joysticks and gamepads


class Gamepad:
    """One open gamepad.

    Its axes are counted in the order of their codes, its buttons from BTN_JOYSTICK on and then those below, as the
    kernel's joystick interface counts them (drivers/input/joydev.c, joydev_connect). Left and up are positive, as
    usual in sensor_msgs/Joy (common practice, no source); so a trigger is +1 at rest and -1 when it is squeezed.
    Within `dead_zone` (a share of 1) about the middle an axis is 0.
    """

    def __init__(self, device: Any, dead_zone: float = 0.0) -> None:
        self._device = device
        self._dead_zone = dead_zone
        able = device.capabilities(absinfo=True)
        self._spans = {code: (info.min, info.max) for code, info in sorted(able.get(EV_ABS, []))}
        self._codes = sorted(able.get(EV_KEY, []), key=lambda code: (code < BTN_JOYSTICK, code))
        self._values: dict[int, int] = {}
        self._down: set[int] = set()
        self._tapped: set[int] = set()
        self._missed = False
        self._look()

    @property
    def name(self) -> str:
        return f"{self._device.name} ({self._device.path})"

    def fileno(self) -> int:
        """For select."""
        return self._device.fd

    def read(self) -> None:
        """Takes all events that have come; raises OSError when the gamepad is gone."""
        try:
            for event in self._device.read():
                self._take(event)
        except BlockingIOError:
            pass

    def reading(self) -> Reading:
        """What it shows; a button that was pressed and let go since the last reading is pressed once."""
        axes = tuple(self._share(code) for code in self._spans)
        down = self._down | self._tapped
        self._tapped = set()
        return Reading(axes, tuple(int(code in down) for code in self._codes))

    def close(self) -> None:
        self._device.close()

    def _look(self) -> None:
        """Asks the device for everything, where the events do not tell."""
        self._values = {code: self._device.absinfo(code).value for code in self._spans}
        self._down = set(self._device.active_keys())

    def _take(self, event: Any) -> None:
        # After SYN_DROPPED events are missing up to the next report: Documentation/input/event-codes.rst.
        if event.type == EV_SYN and event.code == SYN_DROPPED:
            self._missed = True
        elif event.type == EV_SYN and self._missed:
            self._missed = False
            self._look()
        elif self._missed:
            return
        elif event.type == EV_ABS and event.code in self._values:
            self._values[event.code] = event.value
        elif event.type == EV_KEY and event.value:
            self._down.add(event.code)
            self._tapped.add(event.code)
        elif event.type == EV_KEY:
            self._down.discard(event.code)

    def _share(self, code: int) -> float:
        low, high = self._spans[code]
        if low >= high:
            return 0.0
        share = max(-1.0, min(1.0, (low + high - 2 * self._values[code]) / (high - low)))
        beyond = abs(share) - self._dead_zone
        if beyond <= 0.0:
            return 0.0
        return beyond / (1.0 - self._dead_zone) * (1.0 if share > 0 else -1.0)


def need_evdev() -> Any:
    """The class evdev.InputDevice; raises GamepadError where evdev is missing."""
    try:
        from evdev import InputDevice
    except ImportError:
        raise GamepadError(
            "a gamepad needs evdev",
            "`pip install -e '.[pad]'` in quadleg's folder (with a compiler), or `apt install python3-evdev`",
        ) from None
    return InputDevice


def find_pad(wanted: str = "", dead_zone: float = 0.0) -> Gamepad:
    """Opens the first gamepad, or the one whose path is `wanted`, or the first with that in its name.

    Raises GamepadError where there is none.
    """
    open_device = need_evdev()
    closed, others = [], []
    for path in sorted(INPUTS.glob("event*"), key=lambda path: (len(path.name), path.name)):
        try:
            device = open_device(str(path))
            able = device.capabilities(absinfo=False)
        except PermissionError:
            closed.append(str(path))
            continue
        except OSError:  # gone while it was looked at
            continue
        is_pad = ABS_X in able.get(EV_ABS, []) and any(BTN_JOYSTICK <= code < BTN_DIGI for code in able.get(EV_KEY, []))
        if is_pad and _is_meant(wanted, path, device.name):
            try:
                return Gamepad(device, dead_zone)
            except OSError:
                is_pad = False
        device.close()
        if is_pad:
            others.append(device.name)
    raise _no_pad(wanted, closed, others)


def _is_meant(wanted: str, path: Path, name: str) -> bool:
    if wanted.startswith("/"):  # links as in /dev/input/by-id keep their name when the gamepad is plugged in again
        return Path(wanted).resolve() == path.resolve()
    return wanted.lower() in name.lower()


def _no_pad(wanted: str, closed: list[str], others: list[str]) -> GamepadError:
    if others:
        return GamepadError(
            f"no gamepad is '{wanted}'; there are {', '.join(others)}", "name one of these, or plug it in"
        )
    if closed:
        return GamepadError(
            f"no gamepad is found, and {len(closed)} input devices may not be read by you, as {closed[0]}",
            "`sudo usermod -aG input $USER`, then log in again",
        )
    return GamepadError("no gamepad is plugged in", "plug one in; a joystick node that runs finds it at once")


class GamepadWatch:
    """Finds a gamepad, reads it in a thread of its own, and finds it again when it was lost.

    `said` is which one it reads, or why it reads none. `say` hears each new `said`, in that thread.
    """

    def __init__(self, wanted: str, dead_zone: float, say: Callable[[str], None]) -> None:
        self._wanted = wanted
        self._dead_zone = dead_zone
        self._say = say
        self.said = ""
        self._pad: Gamepad | None = None
        self._turn = threading.Lock()
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name="gamepad", daemon=True)
        self._thread.start()

    def reading(self) -> Reading | None:
        """What the gamepad shows now; None without one."""
        with self._turn:
            return self._pad.reading() if self._pad else None

    @property
    def found(self) -> bool:
        return self._pad is not None

    def close(self) -> None:
        self._end.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._end.is_set():
            try:
                pad = find_pad(self._wanted, self._dead_zone)
            except GamepadError as error:
                self._tell(str(error))
                self._end.wait(LOOK_PERIOD)
                continue
            try:
                self._pad = pad
                self._tell(f"reads {pad.name}")
                self._read(pad)
            except OSError as error:
                self._pad = None
                self._tell(f"{pad.name} is gone: {error.strerror}; it is read again when it comes back")
                self._end.wait(LOOK_PERIOD)
            finally:  # also of a defect: what is read no more must not count
                self._pad = None
                pad.close()

    def _read(self, pad: Gamepad) -> None:
        while not self._end.is_set():
            select.select([pad], [], [], _PATIENCE)
            with self._turn:
                pad.read()

    def _tell(self, said: str) -> None:
        if said != self.said:
            self.said = said
            self._say(said)
