"""teleop: a gamepad's sensor_msgs/Joy to velocities, base targets and requests, with a dead-man."""

from __future__ import annotations

from typing import Any

from diagnostic_msgs.msg import DiagnosticStatus
from sensor_msgs.msg import Joy

from quadleg.health import Health
from quadleg.middleware.interface import Middleware
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.process_host import main_of
from quadleg.nodes.operator_link import operator_on
from quadleg.safety.figure_words import velocity_in_words
from quadleg.teleop.body_offsets import RANGE, BodyOffsets
from quadleg.teleop.control_mapping import BODY, CONTROLS, Reading, inputs_of
from quadleg.teleop.gamepad_teleop import GamepadTeleop, TeleopCommand
from quadleg.teleop.stack_operator import PERIOD

LOOK_PERIOD = 0.25  # s between looks at who publishes joy
MOST_BODY_OFFSET = 0.5  # m and rad: more than any robot of this kind can


class Teleop(QuadlegNode):
    """Joy in; `teleop/cmd_vel` and `teleop/base_target` out while the dead-man is held, and requests on presses."""

    def __init__(self, middleware: Middleware, name: str = "teleop", parameters: dict[str, Any] | None = None) -> None:
        super().__init__(middleware, name, parameters)
        dead_man = self.declare(
            "dead_man_time", 0.5, "Silence of joy in s after which the dead-man counts as let go", 0.2, 2.0
        )
        unmoved = self.declare(
            "unmoved_time", 30.0, "Time in s without any movement on the gamepad after which it is let go", 1.0, 3600.0
        )
        ranges = {
            axis: self.declare(
                f"range.{axis.partition('.')[2]}",
                RANGE[axis],
                f"How far from the standing pose a full stick moves the body, in {'m' if 'shift' in axis else 'rad'}",
                0.0,
                MOST_BODY_OFFSET,
            )
            for axis in BODY
        }
        inputs = inputs_of(
            {
                control.name: self.declare(
                    control.name, control.default, f"Axis or button of joy: {control.effect} ({control.kind})"
                )
                for control in CONTROLS
            }
        )
        self._pilot = GamepadTeleop(inputs, dead_man, unmoved)
        frame = self.prefix + "base_footprint"
        body = BodyOffsets(self.robot.standing.height, ranges)
        self._operator = operator_on(self, frame, body, self.get_logger().warning)
        self._wish = TeleopCommand()
        self._obstacle = ""
        self._doubt = ""
        self.listen("joy", self._joy)
        self.every(PERIOD, self._tick)
        self.every(LOOK_PERIOD, self._look_for_others)

    def _joy(self, message: Joy) -> None:
        reading = Reading(tuple(message.axes), tuple(message.buttons))
        pressed = self._pilot.take(reading, self.steady_time(), self._doubt)
        operator = self._operator
        if "stop" in pressed:
            operator.emergency_stop()
        elif "sit" in pressed:
            operator.enable(False)
        elif "stand" in pressed:
            operator.enable(True)
        elif "next_gait" in pressed:
            operator.choose_gait(1)
        elif "previous_gait" in pressed:
            operator.choose_gait(-1)

    def _look_for_others(self) -> None:
        count = self.count_publishers("joy")
        self._doubt = ""
        if count > 1:
            self._doubt = f"{count} nodes publish joy: end all but one; the emergency stop works from any of them"

    def _tick(self) -> None:
        # What would be too old at the next tick is too old now: the robot stops within the time, not after it.
        self._wish = self._pilot.wish(self.steady_time() + PERIOD)
        self._obstacle = self._operator.tick(self._wish, self._pilot.is_down("stop"))
        self.say_changes(self._wish.why, self._obstacle, self._operator.said)

    def health(self) -> Health:
        wish, operator = self._wish, self._operator
        if self._obstacle:
            message = self._obstacle
        elif wish.walk:
            message = f"asks for {velocity_in_words(operator.velocity)}"
            if operator.state != "active":
                message += f", but the robot is in {operator.state}"
        elif wish.body:
            message = "poses the body"
        else:
            message = wish.why
        values = {"gait": operator.limits.gait if operator.limits else "", "last_answer": operator.said}
        good = not self._obstacle and (wish.walk or wish.body or self._pilot.ready)
        return Health(message, values, DiagnosticStatus.OK if good else DiagnosticStatus.WARN)

    def end(self, alone: bool) -> None:
        self._operator.halt()
        super().end(alone)

    def close(self) -> None:
        self._operator.close()
        super().close()


main = main_of(Teleop)
