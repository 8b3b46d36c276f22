"""The board's output-enable pin on a GPIO line of this computer, through libgpiod.

The PCA9685's OE is active low: high switches all outputs off (NXP, data sheet, rev. 4, section 7.4). With a pull-up
the servos are limp whenever the line is not driven.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from quadleg.errors import BoardError
from quadleg.hardware.board import always
from quadleg.robot.model import OutputEnable


def _request(enable: OutputEnable) -> tuple[bool, Callable[[bool], Any]]:
    """Whether the line is found on, and what sets it; until then it stays as it is."""
    try:
        import gpiod
        from gpiod.line import Direction, Value
    except ImportError as error:
        raise BoardError(
            "board.output_enable needs libgpiod's module, version 2", "pip install -e '.[board]' in quadleg's folder"
        ) from error
    looking = gpiod.LineSettings(direction=Direction.AS_IS, active_low=True)
    request: Any = gpiod.request_lines(enable.chip, consumer="quadleg", config={enable.line: looking})
    found = request.get_value(enable.line)
    driving = gpiod.LineSettings(direction=Direction.OUTPUT, active_low=True, output_value=found)
    request.reconfigure_lines({enable.line: driving})
    return found == Value.ACTIVE, lambda on: request.set_value(enable.line, Value.ACTIVE if on else Value.INACTIVE)


class OutputSwitch:
    """Holds the line as it finds it until told otherwise; without a line in the robot file it does nothing.

    `found_on` says whether the outputs were on when it was made. Raises BoardError, with the cure, where the line
    cannot be had.
    """

    def __init__(
        self,
        enable: OutputEnable | None,
        request: Callable[[OutputEnable], tuple[bool, Callable[[bool], Any]]] = _request,
    ) -> None:
        self._turn = threading.Lock()
        self._where = ""
        self.found_on = self._on = True
        self._set: Callable[[bool], Any] = lambda _: None
        if enable is None:
            return
        self._where = f"board.output_enable: line {enable.line} of {enable.chip}"
        try:
            self.found_on, self._set = request(enable)
        except OSError as error:
            raise BoardError(
                f"{self._where} cannot be had, {error.strerror or error}",
                "`gpioinfo` shows which lines there are and who has them; reading them may need the group gpio",
            ) from error
        self._on = self.found_on

    def set(self, on: bool, valid: Callable[[], bool] = always) -> None:
        """Outputs on or off, if `valid` says so in this moment; from any thread.

        Raises BoardError where the line does not obey.
        """
        with self._turn:
            if (on and self._on) or not valid():
                return
            try:
                self._set(on)
            except OSError as error:
                raise BoardError(
                    f"{self._where} does not obey: {error.strerror or error}",
                    "check the line in the robot file; `gpioinfo` shows which there are",
                ) from error
            self._on = on
