"""servo_output's board by its parameters; a simulated one has feedback, a hand at the legs and a body in physics."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quadleg.errors import BoardError, Uncalibrated
from quadleg.kinematics.body_pose import stance_angles
from quadleg.middleware.node import QuadlegNode
from quadleg.robot.model import MEASURED, MODELLED, SIMULATED, Angles, RobotModel
from quadleg.servos.board_kinds import open_board
from quadleg.servos.board_link import BoardLink
from quadleg.servos.simulated_hand import SimulatedHand
from quadleg.simulation.spread_kinds import Spread

if TYPE_CHECKING:
    from quadleg.nodes.physics_board import PhysicsBoard
    from quadleg.nodes.sensor_publishers import SensorPublishers


class ServoBoard:
    """Declares the parameters and opens the board. `robot` is the node's robot on this board, `link` the way to it,
    `joint_angles` whether joint states are measured or modelled, `hand` that of a simulated robot, else None.

    Raises BoardError, Uncalibrated for a real board, and ValueError for a parameter.
    """

    def __init__(self, node: QuadlegNode) -> None:
        self._node = node
        memory = node.declare("board_memory", "", "File that is the simulated board's memory; empty: none")
        self._seed: int = node.declare("seed", 0, "Seed of the simulated servos' first places", 0, 2**31 - 1)
        kind = node.declare("board", "", "How the computer reaches the PWM board; empty: the robot file's kind")
        self.robot: RobotModel = node.robot.on_board(kind)
        if not self.robot.board.simulated and self.robot.uncalibrated:
            raise Uncalibrated(self.robot.path, self.robot.uncalibrated)
        rest = stance_angles(self.robot, self.robot.resting)
        path = Path(memory) if memory else None
        clock = node.steady_time
        self.link = BoardLink(self.robot, lambda: open_board(self.robot, rest, path, self._seed, clock), clock)
        self._is_simulated = self.robot.board.simulated
        self._ground = self._declare_ground()
        self._spread = self._declare_spread()
        self.joint_angles = self._declare_joint_angles()
        self._physics: PhysicsBoard | None = None
        self.hand: SimulatedHand | None = None
        if self._is_simulated:
            self.hand = SimulatedHand(self.robot, rest, self._simulated, self._seed, self._put_down)

    def _declare_ground(self) -> dict[str, float] | None:
        """The ground that a simulated body stands on, None where there is no body."""
        declare = self._node.declare
        on = declare("physics", False, "Whether the simulated board moves a simulated body, by MuJoCo")
        ground = {
            "friction": declare("ground_friction", 0.8, "Friction between feet and simulated ground", 0.0, 2.0),
            "slope": declare("ground_slope", 0.0, "Slope of the simulated ground, uphill ahead, in rad", -0.7, 0.7),
            "roughness": declare("ground_roughness", 0.0, "Height of the simulated ground's bumps, m", 0.0, 0.1),
        }
        if on and not self._is_simulated:
            raise ValueError(
                f"parameter physics is true on a board of kind {self.robot.board.kind}; it must be false there, or "
                f"parameter board '{SIMULATED}'"
            )
        return ground if on else None

    def _declare_spread(self) -> str:
        described = "How far a simulated body differs from the robot file, by seed: see docs/spread.md"
        spread: str = self._node.declare("spread", Spread.NONE.value, described)
        valid = [kind.value for kind in Spread]
        if spread not in valid:
            raise ValueError(f"parameter spread is '{spread}'; it must be one of {', '.join(valid)}")
        return spread

    def _declare_joint_angles(self) -> str:
        simulated, described = self._is_simulated, f"joint_states are {MEASURED} or {MODELLED}"
        source: str = self._node.declare("joint_angles", MEASURED if simulated else MODELLED, described)
        if source not in (MEASURED, MODELLED) or (source == MEASURED and not simulated):
            valid = f"{MEASURED} or {MODELLED}" if simulated else f"{MODELLED} on a board without feedback"
            raise ValueError(f"parameter joint_angles is '{source}'; it must be {valid}")
        return source

    @property
    def has_physics(self) -> bool:
        """Whether a simulated body moves, which then says by its own clock where the joints are."""
        return self._ground is not None

    def start_physics(self, sensors: SensorPublishers, after: Callable[[PhysicsBoard], None]) -> None:
        """The body moves from here on; `after` is called after each frame. Raises ValueError."""
        try:
            from quadleg.nodes.physics_board import PhysicsBoard
            from quadleg.simulation.ground import Ground
            from quadleg.simulation.spread import world_spread
        except ImportError as error:
            raise ValueError(
                "parameter physics is true, which needs MuJoCo: pip install -e '.[sim]' in quadleg's folder"
            ) from error
        ground = Ground(**self._ground or {})
        difference = world_spread(self._spread).draw(self._seed)
        self._physics = PhysicsBoard(self._node, ground, self._seed, self._simulated, sensors, after, difference)

    def _simulated(self) -> Any:
        return self.link.board

    def _put_down(self, angles: Angles) -> None:
        if self._physics:
            self._physics.put_at_rest(angles)

    def measured(self) -> Sequence[float] | None:
        """Where the servos are (rad); None where that is not measured, or the board is about to be opened again."""
        if self.joint_angles == MEASURED:
            with suppress(BoardError):
                return self._simulated().angles()
        return None

    def close(self, orderly: bool) -> None:
        """Let go of the board; after an orderly end nothing of a simulated one is left."""
        if self._physics:
            self._physics.close()
        if orderly and self._is_simulated:
            self._simulated().remove()
        else:
            self.link.close()
