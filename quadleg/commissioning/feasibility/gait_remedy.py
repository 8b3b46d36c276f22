"""Which figure of a robot file, changed alone, lets a gait walk that something else than torque keeps from it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import ceil, floor

import numpy as np

from quadleg.commissioning.feasibility.verdict import Need, Quantity
from quadleg.gait.steady_strides import Balance
from quadleg.gait.stride_feasibility import StrideFeasibility, StrideObstacle
from quadleg.robot.model import GaitParameters, RobotModel

_HALVINGS = 5

_KEYS = {
    Quantity.FOOT_CLEARANCE_MM: "gaits.{gait}.foot_clearance_mm",
    Quantity.STRIDE_PERIOD_S: "gaits.{gait}.stride_period_s",
    Quantity.STANDING_HEIGHT_MM: "stance.standing_height_mm",
    Quantity.FEET_OUT_ACROSS_MM: "stance.feet_out_across_mm",
}


_OF_THE_STANCE = (StrideObstacle.BALANCE, StrideObstacle.CLEARANCE, StrideObstacle.GROUND)


@dataclass(frozen=True)
class _Figure:
    """One that may be changed: what it is and the farthest tried, in the unit of the file, to so many `digits`."""

    quantity: Quantity
    now: float
    farthest: float
    digits: int
    changed: Callable[[float], tuple[RobotModel, GaitParameters]]


def gait_remedies(robot: RobotModel, gait: GaitParameters, obstacle: StrideObstacle, speed: float) -> tuple[Need, ...]:
    """For each figure that helps when changed alone, about the nearest value with which the gait goes `speed` (m/s).

    By halving between what there is and the farthest value: a try takes some 20 ms.
    """
    if obstacle is StrideObstacle.TORQUE:
        return ()
    figures = [] if obstacle in _OF_THE_STANCE else _of_gait(robot, gait)
    if obstacle is not StrideObstacle.SPEED:
        figures += _of_stance(robot, gait)
    found = (_nearest(figure, speed) for figure in figures)
    return tuple(need for need in found if need)


def remedy_words(needs: Sequence[Need], gait: GaitParameters) -> str:
    """What `gait_remedies` found, in words; empty where it found nothing."""
    return ", or ".join(
        f"{_KEYS[need.quantity].format(gait=gait.name)}: {need.value:g} instead of {need.have:g}" for need in needs
    )


def _of_gait(robot: RobotModel, gait: GaitParameters) -> list[_Figure]:
    lift, period = 1000 * gait.foot_clearance, gait.stride_period
    return [
        _Figure(
            Quantity.FOOT_CLEARANCE_MM,
            lift,
            0.15 * lift,
            0,
            lambda mm: (robot, replace(gait, foot_clearance=mm / 1000)),
        ),
        _Figure(Quantity.STRIDE_PERIOD_S, period, 6 * period, 1, lambda s: (robot, replace(gait, stride_period=s))),
    ]


def _of_stance(robot: RobotModel, gait: GaitParameters) -> list[_Figure]:
    leg, standing = robot.legs[0], robot.standing
    out = 1000 * (abs(standing.feet[0][1]) - abs(leg.hip[1]) - abs(leg.hip_offset))

    def wider(mm: float) -> tuple[RobotModel, GaitParameters]:
        more = (mm - out) / 1000
        front_left, front_right, rear_left, rear_right = ((x, y + np.sign(y) * more, z) for x, y, z in standing.feet)
        feet = front_left, front_right, rear_left, rear_right
        return replace(robot, standing=replace(standing, feet=feet)), gait

    farthest = out + 300 * (leg.upper_length + leg.lower_length)
    across = _Figure(Quantity.FEET_OUT_ACROSS_MM, out, farthest, 0, wider)
    return [across, _height(robot, gait, 1.3), _height(robot, gait, 0.75)]


def _height(robot: RobotModel, gait: GaitParameters, times: float) -> _Figure:
    standing = robot.standing
    return _Figure(
        Quantity.STANDING_HEIGHT_MM,
        1000 * standing.height,
        times * 1000 * standing.height,
        0,
        lambda mm: (replace(robot, standing=replace(standing, height=mm / 1000)), gait),
    )


def _nearest(figure: _Figure, speed: float) -> Need | None:
    if not _walks(*figure.changed(figure.farthest), speed):
        return None
    bad, good = figure.now, figure.farthest
    for _ in range(_HALVINGS):
        middle = (bad + good) / 2
        if _walks(*figure.changed(middle), speed):
            good = middle
        else:
            bad = middle
    scale = 10.0**figure.digits
    value = (ceil if good > figure.now else floor)(good * scale) / scale
    if not _walks(*figure.changed(value), speed):
        return None
    return Need(figure.quantity, value, round(figure.now, 2))


def _walks(robot: RobotModel, gait: GaitParameters, speed: float) -> bool:
    """On the spot and at a speed (m/s), with some margin of the gait, or none."""
    lean = Balance.of(robot).lean
    twists = np.array([(0.0, 0.0, 0.0), (speed, 0.0, 0.0)])
    choices = [(share * lean, margin) for share in (1.0, 0.0) for margin in {gait.margin, gait.margin and 0.0}]
    return any(StrideFeasibility(robot, gait, lean).walks(twists, margin).all() for lean, margin in choices)
