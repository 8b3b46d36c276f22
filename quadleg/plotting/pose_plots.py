"""The picture of a run: the robot at the end of each step, and its joint angles over time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, degrees
from textwrap import wrap
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from quadleg.analysis.pose_run import AXES, RunHistory, Step, shown_axes
from quadleg.geometry.registration import fit_pose
from quadleg.kinematics.body_pose import all_forward
from quadleg.plotting.portrait import FRONT, SIDE, PortraitView, Stand, draw_robot
from quadleg.plotting.sheet import (
    INK,
    LINE,
    MARGIN,
    PALE,
    QUIET,
    SECTION,
    WIDTH,
    Sheet,
    leg_handles,
    quiet_frame,
    spread,
    styled,
    tinted,
)
from quadleg.plotting.state_colours import STATES, state_patch
from quadleg.robot.colours import LEG
from quadleg.robot.model import JOINTS, LEGS, RobotModel

_Interval = tuple[float, float, str]

_COLUMNS = 6

# All below in pixels.
_COLUMN_GAP, _ROW_GAP, _CAPTION_GAP = 40, 34, 10
_TOP = 140
_CHARACTER = 12.6  # a little over the mean width of one
_ASKED, _ARROW, _REACHED, _UNIT = 148, 170, 262, 270  # right end, middle, right end, left end
_AXIS_LEFT, _AXIS_RIGHT = 170, 2270
_BRIEF = 9  # a state is drawn this wide at least, however soon it ended
_BAND, _PANEL, _PANEL_GAP = 34, 150, 16

_GROUND = 0.005  # m that the ground is drawn deep
_SHOWN = 0.5  # mm or degrees: what less is reached where nothing was asked is left out

_POWERED = ("rising", "active", "hold", "lowering")

# The legs' curves, so that four that lie on each other are all seen: narrow rear legs on wide front ones, dashed
# right legs on solid left ones.
_CURVES: dict[str, dict[str, Any]] = {
    "front_left": {"linewidth": 3.8, "linestyle": "-"},
    "front_right": {"linewidth": 3.8, "linestyle": (0, (1.5, 1.5))},
    "rear_left": {"linewidth": 1.4, "linestyle": "-"},
    "rear_right": {"linewidth": 1.4, "linestyle": (0, (4.1, 4.1))},
}
_LIMP: dict[str, Any] = {"linestyle": "none", "marker": "o", "markersize": 1.0, "markeredgewidth": 0}
_NEAR_LIMIT = 0.25  # of the angles' range: limits no farther away are shown
_SIDES = {side: {leg for leg in LEGS if side in leg} for side in ("left", "right", "front", "rear")}


def demo_figure(robot: RobotModel, steps: Sequence[Step], history: RunHistory) -> Figure:
    """A run as a figure.

    Above, each step: the robot as it stood at the end, from its right side and from the front, all to one
    scale, and the pose asked and reached in words. Below: its twelve joint angles over time (s), in dots
    while the joints are limp, with the limits that they come near to and the watchdog's states. Where a step
    has no pose reached, its body is drawn where its legs would carry it.
    """
    with styled():
        return PoseSheet(robot, steps, history).figure


class PoseSheet(Sheet):
    """The sheet of a run."""

    def __init__(self, robot: RobotModel, steps: Sequence[Step], history: RunHistory) -> None:
        self._robot = robot
        rows = ceil(len(steps) / _COLUMNS)
        columns = ceil(len(steps) / rows)
        cell = (WIDTH - 2 * MARGIN - (columns - 1) * _COLUMN_GAP) / columns
        captions = [_Caption.of(step, cell) for step in steps]
        stands = [_stand(robot, step) for step in steps]
        spans = {view: _span(stands, view) for view in (SIDE, FRONT)}
        scale = cell / sum(high - low for low, high in spans.values())  # pixels a metre

        in_rows = [range(first, min(first + columns, len(steps))) for first in range(0, len(steps), columns)]
        caption_heights = [LINE * max(captions[i].lines for i in row) + _CAPTION_GAP for row in in_rows]
        tops = [max(stands[i].top for i in row) + 0.002 for row in in_rows]
        view_heights = [scale * (top + _GROUND) for top in tops]
        time_top = _TOP + sum(caption_heights) + sum(view_heights) + _ROW_GAP * rows + 20
        super().__init__(round(time_top + 64 + LINE + _BAND + _PANEL_GAP + 3 * (_PANEL + _PANEL_GAP) + 86))

        explained = "each step at its end, from the right side and from the front; body pose asked → reached"
        self.title(robot.name.replace("_", " "), [explained])
        self.legend(leg_handles(linewidth=4), WIDTH - MARGIN, 50)
        row_top = float(_TOP)
        for row, caption_height, view_height, top in zip(in_rows, caption_heights, view_heights, tops):
            for column, i in enumerate(row):
                left = MARGIN + column * (cell + _COLUMN_GAP)
                self._caption(left, row_top + view_height + _CAPTION_GAP, i + 1, captions[i])
                for view, (low, high) in spans.items():
                    width = scale * (high - low)
                    axes = self.axes(f"{i + 1} {view.name}", left, row_top, width, view_height)
                    axes.set(xlim=(low, high), ylim=(-_GROUND, top))
                    axes.set_axis_off()
                    draw_robot(axes, robot, stands[i], view)
                    _draw_ground(axes)
                    left += width
            row_top += caption_height + view_height + _ROW_GAP
        self._over_time(time_top, steps, history)

    def _caption(self, left: float, top: float, number: int, caption: _Caption) -> None:
        baseline = top + 20
        self.write(left, baseline, f"{number}", fontweight="bold", color=QUIET)
        self.write(left + 42, baseline, caption.name, fontweight="bold")
        for axis, asked, reached, unit in caption.axes:
            baseline += LINE
            self.write(left, baseline, axis, color=QUIET)
            self.write(left + _ASKED, baseline, asked, ha="right")
            self.write(left + _ARROW, baseline, "→", ha="center", color=QUIET)
            self.write(left + _REACHED, baseline, reached, ha="right")
            self.write(left + _UNIT, baseline, unit, color=QUIET)
        for line in caption.note:
            baseline += LINE
            self.write(left, baseline, line, color=QUIET)

    def _over_time(self, top: float, steps: Sequence[Step], history: RunHistory) -> None:
        first, last = min(history.times[0], steps[0].start), max(history.times[-1], steps[-1].end)
        intervals = _intervals(history, last, _BRIEF * (last - first) / (_AXIS_RIGHT - _AXIS_LEFT))
        bounds = sorted({time for step in steps for time in (step.start, step.end)})

        self.write(MARGIN, top + 30, "joint angles over time", fontsize=SECTION, fontweight="bold")
        seen = {state for _, _, state in intervals}
        self.legend([state_patch(state) for state in STATES if state in seen], WIDTH - MARGIN, top + 22)
        self.legend(leg_handles(_CURVES), 1330, top + 22, handlelength=2.6)

        top += 64
        self.write(MARGIN, top + 23, "step", color=QUIET)
        numbers = self._strip("steps", top, LINE, first, last)
        numbers.vlines(bounds, 0, 1, color=PALE, linewidth=0.6)
        middles = [(step.start + step.end) / 2 for step in steps]
        apart = 36 * (last - first) / (_AXIS_RIGHT - _AXIS_LEFT)
        for number, place in enumerate(spread(middles, apart, last), 1):
            numbers.text(place, 0.5, f"{number}", ha="center", va="center", fontweight="bold", color=QUIET)

        top += LINE
        self.write(MARGIN, top + 25, "state", color=QUIET)
        self._states(self._strip("states", top, _BAND, first, last), intervals)

        top += _BAND + _PANEL_GAP
        for joint in JOINTS:
            panel = self.axes(joint, _AXIS_LEFT, top, _AXIS_RIGHT - _AXIS_LEFT, _PANEL)
            panel.set_xlim(first, last)
            for start, end, state in intervals:
                if state in ("hold", "fault"):
                    panel.axvspan(start, end, color=STATES[state][0], alpha=0.45, linewidth=0, zorder=0)
            for bound in bounds:
                panel.axvline(bound, color=PALE, linewidth=0.6, zorder=1)
            self._angles(panel, joint, history)
            if joint != JOINTS[-1]:
                panel.tick_params(axis="x", bottom=False, labelbottom=False)
            top += _PANEL + _PANEL_GAP
        panel.set_xlabel("time (s)", color=INK)

    def _strip(self, label: str, top: float, height: float, first: float, last: float) -> Axes:
        """Bare axes over the panels, with their time across."""
        axes = self.axes(label, _AXIS_LEFT, top, _AXIS_RIGHT - _AXIS_LEFT, height)
        axes.set(xlim=(first, last), ylim=(0, 1))
        axes.set_axis_off()
        return axes

    def _states(self, band: Axes, intervals: Sequence[_Interval]) -> None:
        first, last = band.get_xlim()
        for start, end, state in intervals:
            patch = state_patch(state)
            band.add_patch(patch)
            patch.set_bounds(start, 0, end - start, 1)
            if (end - start) / (last - first) * (_AXIS_RIGHT - _AXIS_LEFT) > len(state) * _CHARACTER + 12:
                words = band.text((start + end) / 2, 0.46, state, ha="center", va="center")
                words.set_bbox({"facecolor": STATES[state][0], "edgecolor": "none", "pad": 1.0})

    def _angles(self, panel: Axes, joint: str, history: RunHistory) -> None:
        """The curves of one joint of each leg, and the limits that they come near to."""
        times, powered = np.array(history.times), _powered(history)
        angles = np.degrees(history.angles)[:, JOINTS.index(joint) :: len(JOINTS)]
        # What moves a limp leg is a hand or its weight: dots, and no line as if a servo had gone that way.
        from_servo = powered | np.append(powered[1:], False)
        for leg, curve in zip(LEGS, angles.T):
            panel.plot(times, np.where(from_servo, curve, np.nan), label=leg, color=LEG[leg], **_CURVES[leg])
            panel.plot(times[~powered], curve[~powered], color=LEG[leg], label=f"{leg} limp", **_LIMP)

        for limit, legs in _limits(self._robot, joint).items():
            own = angles[:, [LEGS.index(leg) for leg in legs]]
            near = _NEAR_LIMIT * np.ptp(own)
            if own.min() - near <= limit <= own.max() + near:
                panel.axhline(limit, color=QUIET, linewidth=0.8, linestyle=(0, (6, 4)), label="limit", zorder=1)
                panel.annotate(
                    "\n".join(["limit", *(side for side in _SIDES if legs == _SIDES[side])]),
                    xy=(1, limit),
                    xycoords=panel.get_yaxis_transform(),
                    xytext=(10, 0),
                    textcoords="offset pixels",
                    va="center",
                    color=QUIET,
                )
        panel.margins(y=0.12)
        panel.set_ylabel(f"{joint} (°)", color=INK)
        panel.yaxis.set_label_coords((MARGIN + 14 - _AXIS_LEFT) / (_AXIS_RIGHT - _AXIS_LEFT), 0.5)
        panel.locator_params(axis="y", nbins=4)
        quiet_frame(panel)


@dataclass(frozen=True)
class _Caption:
    """What stands below a step: its name, lines of (axis, asked, reached, unit), and lines of words."""

    name: str
    axes: list[tuple[str, str, str, str]]
    note: list[str]

    @classmethod
    def of(cls, step: Step, width: float) -> _Caption:
        """The axes that the pose asked for, or the pose reached, has; the note where no pose was asked."""
        if not step.asked:
            return cls(step.name, [], wrap(step.note, int(width / _CHARACTER)))
        axes = []
        reached = shown_axes(step.reached) if step.reached else [None] * 6
        for (name, unit), asked, got in zip(AXES, shown_axes(step.asked), reached):
            if name == "height" or round(asked, 1) or (got and abs(got) >= _SHOWN):
                axes.append((name, _number(asked, "g"), "?" if got is None else _number(got, ".1f"), unit))
        return cls(step.name, axes, [])

    @property
    def lines(self) -> int:
        return 1 + len(self.axes) + len(self.note)


def _number(value: float, form: str) -> str:
    """Format to a tenth, without a negative zero, with a typographic minus."""
    return format(round(value, 1) + 0.0, form).replace("-", "−")


def _stand(robot: RobotModel, step: Step) -> Stand:
    pose = step.reached or fit_pose(all_forward(robot, step.angles), robot.standing.feet)
    return Stand.of(robot, np.array(pose.matrix), np.array(pose.position), step.angles)


def _span(stands: Sequence[Stand], view: PortraitView) -> tuple[float, float]:
    """Return the extent of the robot across a view over all steps, with a margin, in m."""
    across = np.concatenate([view.flat(stand.places)[:, 0] for stand in stands])
    return float(across.min()) - 0.011, float(across.max()) + 0.011


def _draw_ground(axes: Axes) -> None:
    axes.axhspan(-_GROUND, 0.0, color=tinted(QUIET, 0.2), linewidth=0, zorder=9)
    axes.axhline(0.0, color=QUIET, linewidth=0.8, zorder=9)


def _intervals(history: RunHistory, last: float, least: float) -> list[_Interval]:
    """Start, end and name of the states, each `least` long at least, in the order to draw them: brief ones, then
    faults, lie on top.
    """
    ends = [*(time for time, _ in history.states[1:]), last]
    known = [(start, end, state) for (start, state), end in zip(history.states, ends) if state in STATES]
    known.sort(key=lambda interval: (interval[2] == "fault", interval[0] - interval[1]))
    begun = [min(start, last - least) for start, _, _ in known]
    return [(start, max(end, start + least), state) for start, (_, end, state) in zip(begun, known)]


def _powered(history: RunHistory) -> NDArray[np.bool_]:
    """Whether the servos had pulses, at each of the history's times."""
    begun = np.searchsorted([time for time, _ in history.states], history.times, side="right")
    states = ["", *(state for _, state in history.states)]
    return np.array([states[i] in _POWERED for i in begun])


def _limits(robot: RobotModel, joint: str) -> dict[float, set[str]]:
    """The limits of one joint in degrees, and the legs that each holds for."""
    legs: dict[float, set[str]] = {}
    for leg in robot.legs:
        for limit in leg.limits[JOINTS.index(joint)]:
            legs.setdefault(round(degrees(limit), 3), set()).add(leg.name)
    return legs
