"""Which gait is walked: the robot's gaits by name, each with its walking limits, and the one that is chosen."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

from quadleg.gait.walk_obstacles import GaitRefusal
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.health import CodedFact
from quadleg.robot.model import GaitParameters, RobotModel

# The limits of a robot's gait follow from the two alone, and take most of a second.
limits_of: Callable[[RobotModel, GaitParameters], WalkingLimits] = functools.cache(WalkingLimits)


class GaitSelection:
    """The gaits of one robot. The limits of the chosen gait are worked out at once, those of the others one after the
    other by a thread of `start_worker`, as middleware/interface.py has it.

    Raises ValueError for a name that is no gait's.
    """

    def __init__(self, robot: RobotModel, chosen: str, start_worker: Callable[..., Any]) -> None:
        gaits = {gait.name: gait for gait in robot.gaits}
        self.names = tuple(gaits)
        if chosen not in gaits:
            raise ValueError(f"parameter gait is '{chosen}'; it must be one of {', '.join(self.names)}")
        self.chosen = chosen
        self._robot = robot
        self._limits = {chosen: limits_of(robot, gaits.pop(chosen))}
        self._left = list(gaits.values())
        self._worker = start_worker("walking_limits", self._work_out)

    def choose(self, name: str) -> CodedFact | None:
        """Choose a gait; why it is refused, None where it is not."""
        if name not in self.names:
            return CodedFact.of(GaitRefusal.UNKNOWN_GAIT, name=name, gaits=", ".join(self.names))
        limits = self._limits.get(name)
        if limits and limits.cannot_walk:
            return limits.cannot_walk
        self.chosen = name
        return None

    def limits(self) -> WalkingLimits | None:
        """The limits of the chosen gait, None while they are not known."""
        return self._limits.get(self.chosen)

    def close(self) -> None:
        """Work out no more."""
        self._worker.close()

    def _work_out(self, _: bool) -> float | None:
        if not self._left:
            return None
        gait = self._left.pop(0)
        self._limits[gait.name] = limits_of(self._robot, gait)
        return 0.0
