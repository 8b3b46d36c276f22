"""joystick: a gamepad of this computer as sensor_msgs/Joy."""

from __future__ import annotations

import argparse
import sys
from math import inf
from pathlib import Path
from typing import Any

from diagnostic_msgs.msg import DiagnosticStatus
from sensor_msgs.msg import Joy

from quadleg.commissioning.gamepad_learning import learn_to
from quadleg.errors import QuadlegError
from quadleg.health import Health
from quadleg.middleware.interface import Middleware
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.process_host import host
from quadleg.teleop.control_mapping import Reading
from quadleg.teleop.gamepad import GamepadWatch, need_evdev

PERIOD = 0.02  # s between looks at what the gamepad shows
REPEAT_PERIOD = 0.06  # s after which it is said again where nothing changed, so that silence means loss


class Joystick(QuadlegNode):
    """Publishes `joy` while there is a gamepad: on every change, and otherwise sixteen times a second."""

    def __init__(
        self, middleware: Middleware, name: str = "joystick", parameters: dict[str, Any] | None = None
    ) -> None:
        super().__init__(middleware, name, parameters)
        wanted = self.declare("device", "", "Gamepad: path of its input device, or a part of its name; any where empty")
        dead_zone = self.declare("dead_zone", 0.1, "Share of a stick's way about its middle that is no way", 0.0, 0.9)
        need_evdev()
        self._joy = self.advertise("joy")
        self._last: Reading | None = None
        self._last_at = -inf
        self._pad = GamepadWatch(wanted, dead_zone, self.get_logger().info)
        self.every(PERIOD, self._look)

    def _look(self) -> None:
        reading, now = self._pad.reading(), self.steady_time()
        if reading is None or (reading == self._last and now - self._last_at < REPEAT_PERIOD):
            return
        self._last, self._last_at = reading, now
        message = Joy(axes=reading.axes, buttons=reading.buttons)
        message.header.stamp = self.stamp()
        self._joy.publish(message)

    def health(self) -> Health:
        return Health(self._pad.said, level=DiagnosticStatus.OK if self._pad.found else DiagnosticStatus.WARN)

    def close(self) -> None:
        self._pad.close()
        super().close()


def main() -> None:
    """The executable: the node, or with --learn the questions that write a mapping for teleop."""
    parser = argparse.ArgumentParser(prog="joystick", description=__doc__, allow_abbrev=False)
    parser.add_argument("--learn", type=Path, metavar="FILE", help="ask for each movement, write a mapping for teleop")
    parser.add_argument("--device", default="", help="with --learn: path of the gamepad, or a part of its name")
    options, _ = parser.parse_known_args()
    if not options.learn:
        sys.exit(host([Joystick], sys.argv))
    try:
        learn_to(options.learn, options.device)
    except QuadlegError as error:
        sys.exit(f"quadleg: {error}")
    except KeyboardInterrupt:
        sys.exit("quadleg: interrupted, nothing is written")
