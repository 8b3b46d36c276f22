"""The picture of a measured course: the true and the estimated path, the estimate's errors, and the load."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from quadleg.analysis.course_measures import MeasuredCourse, course_figures, footholds, slips
from quadleg.geometry.arrays import Array
from quadleg.plotting.sheet import INK, MARGIN, PALE, QUIET, WIDTH, Sheet, leg_handles, quiet_frame, styled, tinted
from quadleg.robot.colours import LEG
from quadleg.robot.model import LEGS, RobotModel

ESTIMATE = "#d55e00"  # vermilion, of the same palette as the legs' hues and none of theirs
BAND = 3.0  # standard deviations
_SHADE: dict[str, Any] = {"color": tinted(ESTIMATE, 0.2), "linewidth": 0}

# All below in pixels.
_ABOVE = (170, 256, 2170, 400)  # left, top, width, height
_FIRST_ROW, _ROW = 800, 300  # top of the small panels, from one to the next
_COLUMN, _PANEL = 770, (630, 180)  # from one to the next; width, height
_HEAD = 24  # of a panel's head over it
_HEIGHT = 1690
_BEYOND = 0.15  # m that are shown before and after the way: half a robot
_STRAIGHT: dict[str, Any] = {"color": PALE, "linewidth": 1.2, "linestyle": (0, (6, 4))}
_EXPLAINED = (
    "a simulated body walks straight ahead on flat ground; the estimator knows the IMU, the joint angles and the plan, "
    "not the truth. Both begin at one place",
    "errors: the estimate less the truth. Bands: three standard deviations, as the estimate itself says, of what has "
    "come since the beginning",
)


def course_figure(robot: RobotModel, course: MeasuredCourse) -> Figure:
    """A course as a figure.

    Above, the true and the estimated way from above. Below, over time (s): the errors of the estimated place and
    attitude with the estimate's own bands, and torque, current and tilt.
    """
    with styled():
        return CourseSheet(robot, course).figure


class CourseSheet(Sheet):
    """The sheet of a measured course."""

    def __init__(self, robot: RobotModel, course: MeasuredCourse) -> None:
        super().__init__(_HEIGHT)
        self._robot, self._course = robot, course
        self._figures = course_figures(robot, course)
        self._titled()
        self._above()
        for column, name in enumerate(("ahead", "sideways", "height")):
            self._errors(0, column, name, "mm", 1000 * course.place_errors[:, column], 1000 * self._band[:, column])
        for column, name in enumerate(("roll", "pitch", "yaw")):
            errors, band = np.degrees(course.attitude_errors), np.degrees(self._band[:, 3:])
            self._errors(1, column, name, "°", errors[:, column], band[:, column])
        self._loads()

    @property
    def _band(self) -> Array:
        return BAND * self._course.deviations

    def _titled(self) -> None:
        self.title(f"{self._robot.name.replace('_', ' ')}, a measured course", _EXPLAINED)
        marks = [
            Line2D([], [], color=INK, linewidth=2.4, label="true way"),
            Line2D([], [], color=ESTIMATE, linewidth=1.4, label="estimate"),
            Patch(**_SHADE, label=f"estimate ± {BAND:g}σ"),
            Line2D([], [], label="straight ahead", **_STRAIGHT),
        ]
        self.legend(marks, WIDTH - MARGIN, 54)
        feet = leg_handles(marker="o", linestyle="none", markersize=4)
        for mark in feet:
            mark.set_label(f"{mark.get_label()} foot")
        self.legend(feet, WIDTH - MARGIN, 180)

    def _above(self) -> None:
        """The ground from above, to one scale, with the places where the feet stood."""
        _, top, width, height = _ABOVE
        course, figures = self._course, self._figures
        words = f"{figures['way']}; speed {figures['speed']}; drift {figures['drift of the estimate']}"
        self.named(MARGIN, top - _HEAD, "from above", words)
        axes = self.axes("above", *_ABOVE)
        quiet_frame(axes)
        true, found = course.true.path, course.estimated.path
        near, far = true[:, 0].min() - _BEYOND, true[:, 0].max() + _BEYOND
        half = (far - near) * height / width / 2
        axes.set(xlim=(near, far), ylim=(-half, half), xlabel="x (m)", ylabel="y (m)")

        walks = np.flatnonzero(course.planned > 0.0)
        walking = slice(walks[0], walks[-1] + 1)
        sides = found[walking, 1] + np.array([[-1.0], [1.0]]) * self._band[walking, 1]
        axes.fill_between(found[walking, 0], *sides, label="band", **_SHADE)
        axes.axhline(0.0, zorder=1, **_STRAIGHT)
        axes.plot(*true[:, :2].T, color=INK, linewidth=2.4, label="true")
        axes.plot(*found[:, :2].T, color=ESTIMATE, linewidth=1.2, label="estimate")
        for leg, places in zip(LEGS, footholds(self._robot, course)):
            axes.plot(*places.T, "o", color=LEG[leg], markersize=3.6, markeredgewidth=0, label=leg)

    def _panel(self, row: int, column: int, name: str, words: str, unit: str) -> Axes:
        """One of the small panels, over the time of the course."""
        left, top = 170 + _COLUMN * column, _FIRST_ROW + _ROW * row
        self.named(left - 4, top - _HEAD, name, words)
        axes = self.axes(name, left, top, *_PANEL)
        quiet_frame(axes)
        axes.set_xlim(0, self._course.times[-1])
        axes.set_ylabel(unit, labelpad=2)
        axes.locator_params(axis="y", nbins=5)
        if row == 2:
            axes.set_xlabel("time (s)")
        else:
            axes.tick_params(labelbottom=False)
        return axes

    def _errors(self, row: int, column: int, name: str, unit: str, errors: Array, band: Array) -> None:
        within = 100 * float(np.mean(np.abs(errors) <= band))
        space = "" if unit == "°" else " "
        rms = float(np.sqrt(np.square(errors).mean()))
        words = f"{rms:.2g}{space}{unit} rms, {within:.0f} % within the band"
        axes = self._panel(row, column, f"{name}: error", words, unit)
        axes.fill_between(self._course.times, -band, band, label="band", **_SHADE)
        axes.axhline(0.0, color=QUIET, linewidth=0.6, zorder=1)
        axes.plot(self._course.times, errors, color=ESTIMATE, linewidth=1.1, label="error")

    def _loads(self) -> None:
        """Torque, current and tilt of the walk."""
        course, robot = self._course, self._robot
        stall = np.array([robot.stall_torque(joint) for joint in robot.joints])
        shares = 100 * (np.abs(course.torques) / stall).max(axis=1)
        slid = 1000 * np.concatenate(slips(robot, course)).mean()
        rated = robot.supply.rated_current
        for column, (name, unit, values, words) in enumerate(
            (
                ("torque", "% of stall", shares, f"the most of twelve joints; {shares.max():.0f} % at most"),
                ("current", "A", course.currents, f"{course.currents.max():.1f} A at most; the supply can {rated:g} A"),
                ("tilt", "°", np.degrees(course.tilts), f"true; a standing foot slips {slid:.1f} mm a stride"),
            )
        ):
            axes = self._panel(2, column, name, words, unit)
            axes.fill_between(course.times, values, color=tinted(QUIET, 0.35), linewidth=0)
            axes.plot(course.times, values, color=INK, linewidth=0.7, label=name)
            axes.set_ylim(bottom=0.0)
