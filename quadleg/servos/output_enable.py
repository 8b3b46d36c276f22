"""The board's output-enable pin on a GPIO line of this computer, through libgpiod.

The PCA9685's OE is active low: high switches all outputs off (NXP, data sheet, rev. 4, section 7.4). With a pull-up
the servos are limp whenever nobody holds the line.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from quadleg.errors import BoardError
from quadleg.robot.model import OutputEnable


def _request(enable: OutputEnable, on: bool) -> Callable[[bool], Any]:
    try:
        import gpiod
        from gpiod.line import Direction, Value
    except ImportError as error:
        raise BoardError(
            "board.output_enable needs libgpiod's Python module, version 2: pip install 'quadleg[board]'"
        ) from error

    def value(on: bool) -> Any:
        return Value.ACTIVE if on else Value.INACTIVE

    settings = gpiod.LineSettings(direction=Direction.OUTPUT, active_low=True, output_value=value(on))
    request = gpiod.request_lines(enable.chip, consumer="quadleg", config={enable.line: settings})
    return lambda on: request.set_value(enable.line, value(on))


class OutputSwitch:
    """Holds the line, from the beginning at `on`; without a line in the robot file it does nothing.

    Raises BoardError, with the cure, where the line cannot be had.
    """

    def __init__(
        self,
        enable: OutputEnable | None,
        on: bool,
        request: Callable[[OutputEnable, bool], Callable[[bool], Any]] = _request,
    ) -> None:
        self._on = on
        self._set: Callable[[bool], Any] = lambda on: None
        if enable is None:
            return
        try:
            self._set = request(enable, on)
        except OSError as error:
            raise BoardError(
                f"board.output_enable: line {enable.line} of {enable.chip} cannot be had, {error.strerror or error}: "
                f"`gpioinfo` shows which lines there are and who has them; reading them may need the group gpio"
            ) from error

    def set(self, on: bool) -> None:
        """Outputs on or off; from any thread."""
        if on != self._on:
            self._set(on)
            self._on = on
