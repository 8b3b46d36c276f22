"""A gamepad through evdev: found, read, lost and found again. evdev's own code runs, on a made-up kernel."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from conftest import wait_until
from hypothesis import given
from hypothesis import strategies as st

pytest.importorskip("evdev", reason="evdev does not import: the extra `pad` brings it")

import evdev
from fake_gamepad import AXES, BUTTONS, EV_ABS, EV_KEY, EV_SYN, STICK, FakePad, install

from quadleg.errors import GamepadError
from quadleg.teleop import gamepad as pads
from quadleg.teleop.control_mapping import Reading
from quadleg.teleop.gamepad import Gamepad, GamepadWatch, find_pad

REST = (0.0, 0.0, 1.0, 0.0, 0.0, 1.0, 0.0, 0.0)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where gamepads are plugged in."""
    install(tmp_path, monkeypatch.setattr)
    return tmp_path


@pytest.fixture
def fake(folder: Path) -> FakePad:
    return FakePad(folder)


@pytest.fixture
def pad(fake: FakePad) -> Iterator[Gamepad]:
    pad = find_pad()
    yield pad
    pad.close()


def test_the_numbers_are_the_kernel_s() -> None:
    # Against evdev, which takes them from linux/input-event-codes.h.
    for name in ("EV_SYN", "EV_KEY", "EV_ABS", "SYN_REPORT", "SYN_DROPPED", "ABS_X", "BTN_JOYSTICK", "BTN_DIGI"):
        assert getattr(pads, name) == evdev.ecodes.ecodes[name]


def test_left_and_up_are_positive_and_a_trigger_rests_at_one(fake: FakePad, pad: Gamepad) -> None:
    assert pad.reading().axes == pytest.approx(REST, abs=1e-4)
    fake.move(x=-1, y=-1, rx=1, ry=0.5, rz=1, hx=-1, hy=1)
    pad.read()
    assert pad.reading().axes == pytest.approx((1, 1, 1, -1, -0.5, -1, 1, -1), abs=1e-4)


def test_buttons_are_counted_in_the_order_of_their_codes(fake: FakePad, pad: Gamepad) -> None:
    fake.press(1)
    fake.press(7)
    pad.read()
    assert [number for number, down in enumerate(pad.reading().buttons) if down] == [1, 7]
    fake.press(1, down=False)
    pad.read()
    assert [number for number, down in enumerate(pad.reading().buttons) if down] == [7]


def test_codes_below_the_joystick_s_come_last(folder: Path) -> None:
    fake = FakePad(folder, buttons=(0x101, 0xA7, *BUTTONS))
    pad = find_pad()
    fake.press(0)
    pad.read()
    assert pad.reading().buttons == (0,) * (len(BUTTONS) + 1) + (1,)
    pad.close()


def test_a_tap_between_two_readings_is_seen_once(fake: FakePad, pad: Gamepad) -> None:
    fake.press(1)
    fake.press(1, down=False)
    pad.read()
    assert pad.reading().buttons[1] == 1
    assert pad.reading().buttons[1] == 0


def test_what_is_held_when_it_is_opened_is_known(folder: Path) -> None:
    fake = FakePad(folder)
    fake.press(4)
    fake.move(rz=1)
    pad = find_pad()
    assert pad.reading().axes[5] == -1.0
    assert pad.reading().buttons[4] == 1
    pad.close()


def test_after_dropped_events_the_device_is_asked(fake: FakePad, pad: Gamepad) -> None:
    fake.press(4)
    pad.read()
    assert pad.reading().buttons[4] == 1
    # The kernel's buffer ran over: the button was let go and the stick moved unseen.
    fake.down.clear()
    fake.values[0] = -32768
    fake.describe()
    fake.send((EV_SYN, 3, 0), (EV_KEY, BUTTONS[5], 1), (EV_SYN, 0, 0))
    pad.read()
    reading = pad.reading()
    assert sum(reading.buttons) == 0
    assert reading.axes[0] == 1.0


def test_what_it_does_not_have_is_passed_over(fake: FakePad, pad: Gamepad) -> None:
    before = pad.reading()
    fake.send((EV_ABS, 40, 7), (4, 4, 7), (EV_SYN, 0, 0))
    pad.read()
    assert pad.reading() == before


class ConstantAxisDevice:
    """A device with one axis, for figures."""

    path, name, fd = "", "", -1

    def __init__(self, low: int, high: int, value: int) -> None:
        self._info = evdev.AbsInfo(value, low, high, 0, 0, 0)

    def capabilities(self, absinfo: bool) -> dict:
        return {EV_ABS: [(0, self._info)]}

    def absinfo(self, code: int) -> object:
        return self._info

    def active_keys(self) -> list[int]:
        return []


@given(st.integers(-40000, 40000), st.integers(-40000, 40000), st.integers(-90000, 90000), st.floats(0.0, 0.9))
def test_an_axis_stays_within_one_and_keeps_its_side(low: int, high: int, value: int, dead_zone: float) -> None:
    (share,) = Gamepad(ConstantAxisDevice(low, high, value), dead_zone).reading().axes
    assert -1.0 <= share <= 1.0
    if low < high:
        assert share * ((low + high) / 2 - value) >= 0.0
        if abs(2 * value - low - high) / (high - low) <= dead_zone:
            assert share == 0.0
        if value <= low:
            assert share == pytest.approx(1.0)


def test_beyond_the_dead_zone_there_is_no_step() -> None:
    def share(value: int) -> float:
        return Gamepad(ConstantAxisDevice(-1000, 1000, value), 0.1).reading().axes[0]

    assert share(-101) == pytest.approx(0.001 / 0.9)
    assert share(-550) == pytest.approx(0.5)


# Finding


def test_no_pad_one_of_another_name_and_things_that_are_none(folder: Path) -> None:
    with pytest.raises(GamepadError, match="no gamepad is plugged in"):
        find_pad()
    FakePad(folder, 0, "Keyboard", axes={}, buttons=(16, 17, 18))
    FakePad(folder, 1, "Touch pad", axes={0: STICK, 1: STICK}, buttons=(0x110, 0x14A))
    FakePad(folder, 2, "Motion sensor", axes={0: STICK, 1: STICK}, buttons=())
    with pytest.raises(GamepadError, match="no gamepad is plugged in"):
        find_pad()
    FakePad(folder, 3, "Grey Pad")
    FakePad(folder, 10, "Green Pad")
    for wanted, name in (("", "Grey Pad"), ("green", "Green Pad"), (str(folder / "event10"), "Green Pad")):
        pad = find_pad(wanted)
        assert pad.name.startswith(name)
        pad.close()
    (folder / "by-id").symlink_to(folder / "event10")
    find_pad(str(folder / "by-id")).close()
    with pytest.raises(GamepadError, match="no gamepad is 'blue'; there are Grey Pad, Green Pad"):
        find_pad("blue")


def test_no_permission_is_said_with_its_cure(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    FakePad(folder)
    # Root may open anything, so that the mode of the file would not do.
    monkeypatch.setattr(os, "open", lambda *_: (_ for _ in ()).throw(PermissionError(13, "Permission denied")))
    with pytest.raises(GamepadError, match=r"event0: `sudo usermod -aG input \$USER`"):
        find_pad()


def test_evdev_missing_is_said_with_its_cure(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "evdev", None)
    with pytest.raises(GamepadError, match=r"pip install -e '\.\[pad\]'"):
        find_pad()


# Reading in a thread


class PadWatchRig:
    """A PadWatch and what it said."""

    def __init__(self) -> None:
        self.said: list[str] = []
        self._news = threading.Condition()
        self.pad = GamepadWatch("", 0.1, self._hear)

    def _hear(self, said: str) -> None:
        with self._news:
            self.said.append(said)
            self._news.notify_all()

    def wait(self, words: str) -> None:
        with self._news:
            assert self._news.wait_for(lambda: words in (self.said or [""])[-1], 5.0), self.said


@pytest.fixture
def watch(folder: Path) -> Iterator[PadWatchRig]:
    watch = PadWatchRig()
    yield watch
    watch.pad.close()


def test_plugged_in_pulled_and_plugged_in_again(watch: PadWatchRig, folder: Path) -> None:
    watch.wait("no gamepad is plugged in")
    assert watch.pad.reading() is None
    fake = FakePad(folder)
    watch.wait("reads Test Pad")
    fake.press(1)
    wait_until(lambda: _reading(watch).buttons[1] == 1, "the press")
    fake.unplug()
    wait_until(lambda: watch.pad.reading() is None, "the loss")
    assert any("is gone: No such device" in said for said in watch.said)
    watch.wait("no gamepad is plugged in")
    fake.down.clear()
    fake.plug()
    watch.wait("reads Test Pad")
    assert sum(_reading(watch).buttons) == 0


def test_a_defect_in_reading_is_a_lost_pad(watch: PadWatchRig, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(threading, "excepthook", lambda _: None)
    FakePad(folder)
    watch.wait("reads Test Pad")
    monkeypatch.setattr(Gamepad, "read", lambda _: 1 / 0)
    wait_until(lambda: watch.pad.reading() is None, "no reading")


def test_a_flood_ends_at_its_last_event(watch: PadWatchRig, folder: Path) -> None:
    fake = FakePad(folder)
    watch.wait("reads Test Pad")
    for k in range(200):
        fake.send(*((EV_ABS, 0, 100 * ((k + i) % 7)) for i in range(20)), (EV_SYN, 0, 0))
    fake.move(x=-1)
    wait_until(lambda: _reading(watch).axes[0] == 1.0, "the last event")


def _reading(watch: PadWatchRig) -> Reading:
    return watch.pad.reading() or Reading((0.0,) * len(AXES), (0,) * len(BUTTONS))
