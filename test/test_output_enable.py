"""libgpiod is asked as its version 2 wants it, checked against the library's own classes."""

from __future__ import annotations

import pytest

from quadleg.robot.model import OutputEnable
from quadleg.servos.output_enable import OutputSwitch

gpiod = pytest.importorskip("gpiod", reason="gpiod is not installed: the extra `board` brings it")


@pytest.mark.parametrize("on", [False, True])
def test_the_line_is_an_active_low_output_from_the_first_moment(monkeypatch: pytest.MonkeyPatch, on: bool) -> None:
    # PCA9685's OE is active low: NXP, data sheet, rev. 4, section 7.4.
    asked = []

    class Request:
        def set_value(self, line: int, value: object) -> None:
            asked.append((line, value))

    def request_lines(path: str, consumer: str, config: dict) -> Request:
        (line, settings), *_ = config.items()
        asked.append((path, line, settings.direction, settings.active_low, settings.output_value))
        return Request()

    monkeypatch.setattr(gpiod, "request_lines", request_lines)
    value = gpiod.line.Value.ACTIVE if on else gpiod.line.Value.INACTIVE
    other = gpiod.line.Value.INACTIVE if on else gpiod.line.Value.ACTIVE
    switch = OutputSwitch(OutputEnable("/dev/gpiochip0", 17), on)
    switch.set(on)
    switch.set(not on)
    assert asked == [("/dev/gpiochip0", 17, gpiod.line.Direction.OUTPUT, True, value), (17, other)]


def test_a_robot_without_the_line_needs_nothing() -> None:
    OutputSwitch(None, False).set(True)
