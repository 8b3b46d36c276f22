"""The record of a run: its steps, and the joint angles and states over time."""

from __future__ import annotations

from dataclasses import dataclass
from math import degrees

from quadleg.geometry.transforms import Pose

AXES = (("height", "mm"), ("x", "mm"), ("y", "mm"), ("roll", "°"), ("pitch", "°"), ("yaw", "°"))


def shown_axes(pose: Pose) -> list[float]:
    """A pose of base_link in the order and the units of `AXES`, without the rounding of its rotation."""
    x, y, z = pose.position
    return [round(value, 6) for value in (1000 * z, 1000 * x, 1000 * y, *map(degrees, pose.rpy))]


@dataclass(frozen=True)
class Step:
    """One step of a run: from `start` to `end` in s, the pose asked for, the pose reached, the twelve angles
    in rad at the end, a note, and why it failed, empty where it did not."""

    name: str
    start: float
    end: float
    asked: Pose | None
    reached: Pose | None
    angles: tuple[float, ...]
    note: str
    failure: str = ""


@dataclass
class RunHistory:
    """Joint angles in rad at `times` in s, and the watchdog's states with the times they began at."""

    times: list[float]
    angles: list[tuple[float, ...]]
    states: list[tuple[float, str]]
