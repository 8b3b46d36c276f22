"""The pictures of `quadleg check`: where a leg can go, what standing takes at each height, and what a stride draws."""

from __future__ import annotations

from math import ceil
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import ListedColormap
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from numpy.typing import NDArray

from quadleg.commissioning.feasibility.check import Check
from quadleg.commissioning.feasibility.standing_torque import FEET, IN_WORDS, MARGIN
from quadleg.commissioning.feasibility.stride_effort import GaitUse
from quadleg.geometry.arrays import Array
from quadleg.kinematics.body_pose import stance_angles
from quadleg.kinematics.clearance import Clearance
from quadleg.kinematics.leg import forward, inverse_batch
from quadleg.plotting.portrait import FRONT, SIDE, PortraitView, Stand, draw_robot
from quadleg.plotting.sheet import (
    INK,
    PALE,
    QUIET,
    SECTION,
    WIDTH,
    Sheet,
    leg_handles,
    quiet_frame,
    save_png,
    styled,
    tinted,
)
from quadleg.plotting.sheet import MARGIN as EDGE
from quadleg.robot.colours import LEG
from quadleg.robot.model import JOINTS, LEGS, RobotModel

SHOWN_LEG = "front_right"  # near in both views
_CELL = 0.0015  # m, of the workspace
_OUT, _NEAR, _FREE = range(3)  # of reach; in reach but too near another part; free

# Points. Each leg narrower than those below it, since their curves mostly lie on each other; a dash for each joint.
_WIDTHS = dict(zip(LEGS, (5.6, 3.9, 2.3, 0.9)))
_DASH = {"abduction": (2.5, 4.5), "hip": (11.0, 4.5), "knee": ()}
_LIMIT: dict[str, Any] = {"color": QUIET, "linewidth": 0.9, "linestyle": (0, (6, 4))}
_WAY: dict[str, Any] = {"sideways": (0, (4, 1.6)), "turning": (0, (1, 1.2))}
_COLUMNS = 2  # of gaits


def check_pictures(checked: Check, folder: Path) -> list[Path]:
    """Draw all three into PNG files in a folder that is made where it is missing; the files.

    Raises OSError where they cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    made = []
    for name, figure in figures(checked).items():
        path = folder / f"{checked.robot.name}_{name}.png"
        save_png(figure, path)
        made.append(path)
    return made


def figures(checked: Check) -> dict[str, Figure]:
    """By name; `strides` only where there is a gait that works."""
    with styled():
        made = {"workspace": _workspace(checked.robot), "heights": _heights(checked)}
        if any(use.strides for use in checked.gaits):
            made["strides"] = _strides(checked)
    return made


def workspace(robot: RobotModel, view: PortraitView, across: Array, up: Array) -> NDArray[np.int_]:
    """(up, across) whether the foot of `SHOWN_LEG` can be at places of a view in m, in the plane of its place in the
    stance: _OUT, _NEAR or _FREE, the other legs standing.
    """
    number = LEGS.index(SHOWN_LEG)
    leg, standing = robot.legs[number], stance_angles(robot, robot.standing)
    own = slice(3 * number, 3 * number + 3)
    home = np.array(forward(leg, standing[own]))
    right, top = np.meshgrid(across, up - robot.standing.height)
    axes = np.array([view.across, view.up])
    out_of_plane = home - (home @ axes.T) @ axes
    places = right.reshape(-1, 1) * axes[0] + top.reshape(-1, 1) * axes[1] + out_of_plane
    own_angles, reached = inverse_batch(leg, places)
    angles = np.tile(standing, (int(reached.sum()), 1))
    angles[:, own] = own_angles[reached]
    state = np.full(len(places), _OUT)
    state[reached] = np.where(Clearance(robot).least_batch(angles) >= robot.clearance, _FREE, _NEAR)
    return state.reshape(right.shape)


def _workspace(robot: RobotModel) -> Figure:
    pose = np.array([0.0, 0.0, robot.standing.height])
    stand = Stand.of(robot, np.eye(3), pose, stance_angles(robot, robot.standing))
    leg = robot.leg(SHOWN_LEG)
    reach = leg.upper_length + leg.lower_length + abs(leg.hip_offset)
    hip = np.array(leg.hip) + pose
    spans = {}
    for view in (SIDE, FRONT):
        places = np.append(view.flat(stand.places)[:, 0], view.flat(hip[None])[0, 0] + np.array([-reach, reach]))
        spans[view] = float(places.min()) - 0.01, float(places.max()) + 0.01
    low, high = float(hip[2]) - leg.upper_length - leg.lower_length - 0.02, stand.top + 0.015
    gap, top = 120, 190
    scale = (WIDTH - 2 * EDGE - 2 * gap) / sum(right - left for left, right in spans.values())
    height = scale * (high - low)
    sheet = Sheet(round(top + height + 110))
    words = f"{SHOWN_LEG.replace('_', ' ')} foot, the others standing at {1000 * robot.standing.height:.0f} mm"
    sheet.title(_title(robot, "where a leg can go"), [f"{words}; each view is a cut through the place of that foot"])
    free, near = tinted(LEG[SHOWN_LEG], 0.42), tinted("#c0392b", 0.75)
    marks = [Patch(color=free, label="free"), Patch(color=near, label="in reach, too near another part")]
    sheet.legend(marks, WIDTH - EDGE, 54)
    left = float(EDGE + gap)
    for (view, (first, last)), words in zip(spans.items(), ("from the right side", "from the front")):
        across, up = np.arange(first, last, _CELL), np.arange(low, high, _CELL)
        axes = sheet.axes(view.name, left, top, scale * (last - first), height)
        sheet.write(left, top - 18, words, fontsize=SECTION, fontweight="bold")
        state = workspace(robot, view, across, up)
        colours = ListedColormap([(1.0, 1.0, 1.0, 0.0), (*near, 1.0), (*free, 1.0)])
        axes.pcolormesh(1000 * across, 1000 * up, state, cmap=colours, vmin=0, vmax=2, zorder=1, rasterized=True)
        # The portrait is drawn in m, the ticks are in mm.
        inner = axes.inset_axes((0.0, 0.0, 1.0, 1.0))
        inner.set(xlim=(first, last), ylim=(low, high))
        inner.set_axis_off()
        inner.axhline(0.0, color=QUIET, linewidth=1.0, zorder=2)
        draw_robot(inner, robot, stand, view)
        axes.set(xlim=(1000 * first, 1000 * last), ylim=(1000 * low, 1000 * high))
        axes.set_xlabel("x (mm)" if view is SIDE else "y (mm)")
        axes.set_ylabel("height over the ground (mm)" if view is SIDE else "")
        quiet_frame(axes)
        left += scale * (last - first) + gap
    return sheet.figure


def _heights(checked: Check) -> Figure:
    torque, current, robot = checked.torque, checked.current, checked.robot
    sheet = Sheet(980)
    words = "torque of each joint, static, and current on four feet, over the standing height"
    sheet.title(_title(robot, "what standing takes"), [words])
    diagonal = (
        "With the body's weight over the middle, it is over a diagonal: of three feet two carry it, the third nothing."
    )
    sheet.write(EDGE, 136, diagonal, color=QUIET)
    joints = [Line2D([], [], color=INK, linewidth=1.4, linestyle=_dash(joint, 1.4), label=joint) for joint in JOINTS]
    widths = {leg: {"linewidth": width} for leg, width in _WIDTHS.items()}
    sheet.legend(leg_handles(widths), WIDTH - EDGE, 54, handlelength=2.4)
    sheet.legend(joints, WIDTH - EDGE, 96, handlelength=2.4)
    heights = 1000 * torque.heights
    width, gap, top, left = 470.0, 90.0, 210.0, 170.0
    most = 1.08 * float(torque.stall.max())
    for count in FEET:
        axes = _panel(sheet, left, top, width, f"torque, {IN_WORDS[count]}", "N·m")
        for i, joint in enumerate(robot.joints):
            leg, name = LEGS[i // 3], JOINTS[i % 3]
            style = {"color": LEG[leg], "linestyle": _dash(name, _WIDTHS[leg]), "linewidth": _WIDTHS[leg]}
            axes.plot(heights, torque.over[count][:, i], label=joint.name, zorder=3, **style)
        for share, words in ((1.0, "stall torque"), (1 / MARGIN, f"margin {MARGIN:g}")):
            level = share * float(torque.stall.min())
            axes.axhline(level, label=words, **_LIMIT)
            axes.text(heights[-1], level, words, ha="right", va="bottom", color=QUIET)
        axes.set(xlim=(heights[0], heights[-1]), ylim=(0.0, most))
        _mark_standing(axes, robot)
        left += width + gap
    axes = _panel(sheet, left, top, width, "current, four feet", "A")
    axes.plot(heights, current.over, color=INK, linewidth=2.0, label="current")
    axes.set(xlim=(heights[0], heights[-1]), ylim=(0.0, 1.25 * float(current.over.max())))
    _mark_standing(axes, robot)
    return sheet.figure


def _strides(checked: Check) -> Figure:
    uses = [use for use in checked.gaits if use.strides]
    rows = ceil(len(uses) / _COLUMNS)
    top, height, row = 220.0, 520.0, 700.0
    sheet = Sheet(round(top + row * rows))
    rated = checked.current.supply.rated_current
    words = (
        "current of the servos over a stride at the gait's fastest, once a servo frame; stacked by leg: walking ahead"
    )
    sheet.title(_title(checked.robot, "what a stride draws"), [f"{words}; the supply is rated for {rated:g} A"])
    marks: list[Any] = [Patch(color=tinted(LEG[leg], 0.6), label=leg.replace("_", " ")) for leg in LEGS]
    sheet.legend(marks, WIDTH - EDGE, 54)
    ways = [Line2D([], [], color=INK, linewidth=1.4, linestyle=dash, label=way) for way, dash in _WAY.items()]
    sheet.legend([Line2D([], [], color=INK, linewidth=1.4, label="ahead"), *ways], WIDTH - EDGE, 96, handlelength=2.4)
    most = 1.15 * checked.current.in_use
    width, gap = 1010.0, 120.0
    for i, use in enumerate(uses):
        left = 150.0 + (i % _COLUMNS) * (width + gap)
        axes = sheet.axes(use.gait.name, left, top + row * (i // _COLUMNS), width, height)
        _one_gait(axes, use, rated, most)
        heading = f"{use.gait.name}: {use.mean:.1f} A on average, {use.peak:.1f} A at most"
        sheet.write(left, top + row * (i // _COLUMNS) - 18, heading, fontsize=SECTION, fontweight="bold")
    return sheet.figure


def _one_gait(axes: Axes, use: GaitUse, rated: float, most: float) -> None:
    first, *others = use.strides.items()
    stride = first[1]
    period = use.gait.stride_period
    times = np.append(stride.phases, 1.0) * period
    by_leg = stride.currents.reshape(len(stride.phases), len(LEGS), -1).sum(axis=2)
    by_leg = np.vstack([by_leg, by_leg[:1]])
    colours = [tinted(LEG[leg], 0.6) for leg in LEGS]
    axes.stackplot(times, by_leg.T, colors=colours, labels=LEGS, linewidth=0)
    axes.plot(times, by_leg.sum(axis=1), color=INK, linewidth=1.4, label=first[0])
    for way, other in others:
        total = np.append(other.total, other.total[0])
        axes.plot(times, total, color=INK, linewidth=1.2, linestyle=_WAY[way], label=way)
    if rated <= most:
        axes.axhline(rated, label="rated", **_LIMIT)
        axes.text(period, rated, f"the supply's {rated:g} A", ha="right", va="bottom", color=QUIET)
    axes.set(xlim=(0.0, period), ylim=(0.0, most), xlabel="time (s)", ylabel="A")
    quiet_frame(axes)


def _title(robot: RobotModel, words: str) -> str:
    return f"{robot.name.replace('_', ' ')}: {words}"


def _panel(sheet: Sheet, left: float, top: float, width: float, name: str, unit: str) -> Axes:
    axes = sheet.axes(name, left, top, width, 640)
    sheet.write(left, top - 18, f"{name} ({unit})", fontsize=SECTION, fontweight="bold")
    axes.set_xlabel("height (mm)")
    quiet_frame(axes)
    return axes


def _mark_standing(axes: Axes, robot: RobotModel) -> None:
    axes.axvline(1000 * robot.standing.height, color=PALE, linewidth=1.0, zorder=1, label="standing height")


def _dash(joint: str, width: float) -> Any:
    """The joint's dashes, as long in lines of every width (points): matplotlib takes their lengths in widths."""
    return (0, tuple(length / width for length in _DASH[joint])) if _DASH[joint] else "-"
