"""A person at a gamepad: `joy` as the node joystick publishes it.

That node itself is left out: it reads its device in a thread that waits in `select`, which takes real time.
"""

from __future__ import annotations

from collections.abc import Mapping

from sensor_msgs.msg import Joy

from quadleg.middleware.guarded_node import GuardedNode
from quadleg.middleware.simulated_middleware import SimulatedMiddleware
from quadleg.nodes.joystick import REPEAT_PERIOD
from quadleg.runtime.node_table import PAD
from quadleg.teleop.control_mapping import CONTROLS, Input
from simulated_graph.stack import SimulatedStack

AXES, BUTTONS = 8, 11
TRIGGERS = (2, 5)  # axes that rest at 1
INPUTS = {control.name: Input.of(control.default) for control in CONTROLS}


class GamepadHand:
    """Moves controls by the names in `CONTROLS`, with the mapping that teleop has by default."""

    def __init__(self, stack: SimulatedStack) -> None:
        self._stack = stack
        self._node = GuardedNode(SimulatedMiddleware(stack.bus, "joystick", stack.namespace), "joystick")
        self._joy = self._node.advertise("joy")
        self._lost_until = stack.now
        self.moved: dict[str, float] = {}
        if PAD in stack.options.beside:
            self._node.every(REPEAT_PERIOD, self._publish)

    @property
    def lost(self) -> bool:
        """Whether it is out of reach."""
        return self._stack.now < self._lost_until

    def move(self, controls: Mapping[str, float], seconds: float) -> None:
        """Hold controls where they are told (-1 to 1, 1 of a pressed one), then let go of them."""
        self.moved |= controls
        self._publish()

        def let_go() -> None:
            for name in controls:
                self.moved.pop(name, None)
            self._publish()

        self._stack.time.after(seconds, let_go)

    def lose(self, seconds: float) -> None:
        """Let it say nothing, as one out of reach."""
        self._lost_until = self._stack.now + seconds

    def _publish(self) -> None:
        if self.lost:
            return
        axes = [1.0 if axis in TRIGGERS else 0.0 for axis in range(AXES)]
        buttons = [0] * BUTTONS
        for name, share in self.moved.items():
            control = INPUTS[name]
            if control.kind == "axis":
                axes[control.number] = control.sign * share
            else:
                buttons[control.number] = 1
        message = Joy(axes=axes, buttons=buttons)
        message.header.stamp = self._node.stamp()
        self._joy.publish(message)
