"""The resting pose, for the person who puts the legs there: its angles in words, and as a picture."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import degrees
from pathlib import Path
from typing import Any

import numpy as np

from quadleg.kinematics.body_pose import stance_angles
from quadleg.kinematics.leg import points
from quadleg.robot.model import JOINTS, LEGS, RobotModel

Point = tuple[float, float]


@dataclass(frozen=True)
class RestingView:
    """The robot at rest from one side: places across and up in m, the ground at 0.

    `body` is the lower left and the upper right corner of its box. A leg runs from its abduction axis over hip
    and knee to the foot centre; the far legs come first.
    """

    title: str
    body: tuple[Point, Point]
    legs: dict[str, tuple[Point, ...]]

    @property
    def span(self) -> tuple[float, float]:
        """The leftmost and the rightmost place."""
        across = [x for x, _ in self._places()]
        return min(across), max(across)

    @property
    def top(self) -> float:
        """The height of the highest place."""
        return max(z for _, z in self._places())

    def _places(self) -> Iterator[Point]:
        yield from self.body
        for leg in self.legs.values():
            yield from leg


def views(robot: RobotModel) -> tuple[RestingView, RestingView]:
    """The resting pose from the robot's right side, where forward is to the right, and from the front."""
    angles, height = stance_angles(robot, robot.resting), robot.resting.height
    places = {leg.name: points(leg, angles[3 * i : 3 * i + 3]) for i, leg in enumerate(robot.legs)}

    def view(title: str, axis: int, far: str) -> RestingView:
        def seen(place: Sequence[float]) -> Point:
            return place[axis], height + place[2]

        low, high = (
            seen([c + sign * s / 2 for c, s in zip(robot.body.centre, robot.body.size)]) for sign in (-1.0, 1.0)
        )
        far_first = sorted(LEGS, key=lambda leg: far not in leg)
        return RestingView(title, (low, high), {leg: tuple(map(seen, places[leg])) for leg in far_first})

    return view("from its right side, forward is to the right", 0, "left"), view("from the front", 1, "rear")


def angles_in_words(robot: RobotModel, degree: str = "°") -> list[str]:
    """Return the table of the twelve angles in degrees, each with its direction."""
    lines = [f"{'':<16}" + "".join(f"{joint:<18}" for joint in JOINTS).rstrip()]
    angles = stance_angles(robot, robot.resting)
    for i, leg in enumerate(robot.legs):
        row = f"{leg.name.replace('_', ' '):<16}"
        for joint, angle in zip(JOINTS, angles[3 * i : 3 * i + 3]):
            turned = round(degrees(angle))
            row += f"{f'{turned}{degree} {_way(joint, turned, leg.hip_offset)}':<18}"
        lines.append(row.rstrip())
    return lines


def _way(joint: str, angle: int, outward: float) -> str:
    if not angle:
        return "straight"
    if joint == "abduction":
        return "outward" if angle * outward > 0 else "inward"
    if joint == "hip":
        return "rearward" if angle > 0 else "forward"
    return "points rearward" if angle < 0 else "points forward"


def described(robot: RobotModel, encoding: str) -> list[str]:
    """Return the resting pose in lines for a terminal of this `encoding`: the height and the twelve angles."""
    degree = "°" if encoding.lower().startswith("utf") else " deg"
    height = f"hip axes {1000 * robot.resting.height:.0f} mm above the ground"
    lines = [f"{robot.name} at rest", height, "", *angles_in_words(robot, degree)]
    return [f"  {line}".rstrip() for line in lines]


# As a picture

_WIDTH, _TITLE, _TABLE = 12.0, 1.0, 1.7  # inches
_BESIDE, _BELOW, _ABOVE = 0.03, 0.006, 0.02  # m around the robot


def save_picture(robot: RobotModel, path: Path) -> None:
    """Draw both views and the angles into a PNG file.

    Raises ImportError without matplotlib, and OSError if the file cannot be written.
    """
    from matplotlib.figure import Figure

    from quadleg.plotting.portrait import FRONT, SIDE, Stand, draw_robot
    from quadleg.plotting.sheet import leg_handles, save_png, styled

    both = views(robot)
    spans = [(low - _BESIDE, high + _BESIDE) for low, high in (view.span for view in both)]
    widths = [high - low for low, high in spans]
    top = max(view.top for view in both) + _ABOVE
    drawn = (top + _BELOW) * _WIDTH / sum(widths)
    height = _TITLE + drawn + _TABLE
    stand = Stand.of(robot, np.eye(3), np.array([0.0, 0.0, robot.resting.height]), stance_angles(robot, robot.resting))
    with styled():
        figure = Figure(figsize=(_WIDTH, height))
        title = f"{robot.name.replace('_', ' ')}: the resting pose"
        figure.text(0.02, 1 - 0.4 / height, title, fontweight="bold", fontsize=15)
        table: dict[str, Any] = {"family": "DejaVu Sans Mono", "fontsize": 11, "linespacing": 1.4, "va": "center"}
        figure.text(0.02, 0.5 * _TABLE / height, "\n".join(angles_in_words(robot)), **table)
        figure.subplots_adjust(0, _TABLE / height, 1, (_TABLE + drawn) / height, 0)
        side, front = figure.subplots(1, 2, width_ratios=widths)
        for axes, view, seen, span in zip((side, front), (SIDE, FRONT), both, spans):
            axes.set(xlim=span, ylim=(-_BELOW, top))
            axes.set_title(seen.title, fontsize=12)
            axes.set_axis_off()
            axes.axhline(0.0, color="black", linewidth=1)
            draw_robot(axes, robot, stand, view, far_width=11, near_width=4)
        for places in list(both[0].legs.values())[2:]:
            for joint, place in zip(JOINTS[1:], places[1:3]):
                side.annotate(joint, place, (0, 10), textcoords="offset points", ha="center", fontsize=10, zorder=9)
        legend: dict[str, Any] = {"loc": "upper right", "ncol": 4, "frameon": False, "fontsize": 10}
        figure.legend(handles=leg_handles(linewidth=4), bbox_to_anchor=(0.99, 1 - 0.15 / height), **legend)
        save_png(figure, path)
