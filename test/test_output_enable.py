"""libgpiod is asked as its version 2 wants it, checked against the library's own classes."""

from __future__ import annotations

import pytest

from quadleg.hardware.output_enable import OutputSwitch
from quadleg.robot.model import OutputEnable

gpiod = pytest.importorskip("gpiod", reason="gpiod is not installed: the extra `board` brings it")


@pytest.mark.parametrize("found", [False, True])
def test_the_line_stays_as_it_is_until_it_is_set(monkeypatch: pytest.MonkeyPatch, found: bool) -> None:
    # PCA9685's OE is active low: NXP, data sheet, rev. 4, section 7.4.
    direction, value = gpiod.line.Direction, gpiod.line.Value
    asked = []

    class Request:
        def get_value(self, line: int) -> object:
            return value.ACTIVE if found else value.INACTIVE

        def reconfigure_lines(self, config: dict) -> None:
            (line, settings), *_ = config.items()
            asked.append((line, settings.direction, settings.active_low, settings.output_value))

        def set_value(self, line: int, value: object) -> None:
            asked.append((line, value))

    def request_lines(path: str, consumer: str, config: dict) -> Request:
        (line, settings), *_ = config.items()
        asked.append((path, line, settings.direction, settings.active_low))
        return Request()

    monkeypatch.setattr(gpiod, "request_lines", request_lines)
    switch = OutputSwitch(OutputEnable("/dev/gpiochip0", 17))
    assert switch.found_on is found
    assert asked == [
        ("/dev/gpiochip0", 17, direction.AS_IS, True),
        (17, direction.OUTPUT, True, value.ACTIVE if found else value.INACTIVE),
    ]
    switch.set(not found)
    assert asked[-1] == (17, value.INACTIVE if found else value.ACTIVE)


def test_a_robot_without_the_line_needs_nothing() -> None:
    switch = OutputSwitch(None)
    assert switch.found_on
    switch.set(True)
    switch.set(False)
