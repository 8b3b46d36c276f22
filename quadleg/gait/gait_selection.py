"""Which gait is walked: the robot's gaits by name, each with its walking limits, and the one that is chosen."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor

from quadleg.gait.walking_limits import WalkingLimits
from quadleg.robot.model import RobotModel


class GaitSelection:
    """The gaits of one robot. Limits take a second each: a thread works them out, those of the first gait first.

    Raises ValueError for a name that is no gait's.
    """

    def __init__(self, robot: RobotModel, chosen: str) -> None:
        self.names = tuple(gait.name for gait in robot.gaits)
        if chosen not in self.names:
            raise ValueError(f"parameter gait is '{chosen}'; it must be one of {', '.join(self.names)}")
        self.chosen = chosen
        self._worker = ThreadPoolExecutor(1)
        self._limits: dict[str, Future[WalkingLimits]] = {}
        for gait in sorted(robot.gaits, key=lambda gait: gait.name != chosen):
            self._limits[gait.name] = self._worker.submit(WalkingLimits, robot, gait)

    def choose(self, name: str) -> str:
        """Choose a gait; why it is refused, or an empty text."""
        if name not in self.names:
            return f"there is no gait '{name}'; there are {', '.join(self.names)}"
        limits = self._limits[name]
        if limits.done() and (trouble := limits.result().trouble):
            return trouble
        self.chosen = name
        return ""

    def wait(self) -> WalkingLimits:
        """The limits of the chosen gait, as soon as they are known."""
        return self._limits[self.chosen].result()

    def limits(self) -> WalkingLimits | None:
        """The limits of the chosen gait, None while they are not known."""
        limits = self._limits[self.chosen]
        return limits.result() if limits.done() else None

    def close(self) -> None:
        """Work out no more."""
        self._worker.shutdown(cancel_futures=True)
