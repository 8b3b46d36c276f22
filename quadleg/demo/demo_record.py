"""The acts of the demo, and the record of a run from which its tables and pictures are made."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from quadleg.analysis.course_measures import MeasuredCourse
from quadleg.analysis.pose_run import RunHistory, Step
from quadleg.analysis.walk_measures import Walk
from quadleg.geometry.transforms import Pose
from quadleg.robot.model import RobotModel


@dataclass(frozen=True)
class Act:
    """One step of the demo: its name, the pose it asks for, and what it does; a note for the table comes back.

    An act that provokes a fault, or ends one, is for simulated boards alone, as is one that is hasty.
    """

    name: str
    asked: Pose | None
    do: Callable[..., str]
    faulty: bool = False
    hasty: bool = False


@dataclass
class DemoRecord:
    """What the demo has done so far with one robot.

    `droops` (m, by act) say how far the simulated body is below the height asked for. `walk_rows` have, by gait, a row
    a planned frame: stamp in s, twelve angles in rad, feet and body shift in m, and which feet are in the air.
    """

    model: RobotModel
    steps: list[Step] = field(default_factory=list)
    history: RunHistory = field(default_factory=lambda: RunHistory([], [], []))
    figures: dict[str, str] = field(default_factory=dict)
    course: MeasuredCourse | None = None
    droops: dict[str, float] = field(default_factory=dict)
    walk_rows: dict[str, list[tuple[Any, ...]]] = field(default_factory=dict)

    def walks(self) -> list[Walk]:
        """The walks, one for each gait."""
        return [
            Walk(gait, self.model.gait(gait), *(np.array(column) for column in zip(*rows)))
            for gait, rows in self.walk_rows.items()
            if len(rows) > 1
        ]

    @property
    def failures(self) -> list[Step]:
        """The steps that did not do what they show."""
        return [step for step in self.steps if step.failure]
