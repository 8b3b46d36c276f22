"""The robot of a running stack, as it walks along a tape for `quadleg calibrate --walk`."""

from __future__ import annotations

from math import degrees
from pathlib import Path

from quadleg.client.results import EstimateSource
from quadleg.client.walking_robot import Robot
from quadleg.commissioning.calibration.tape_walk import WalkedWay
from quadleg.errors import NotReached, Refused
from quadleg.geometry.planar import Planar
from quadleg.robot.model import MODELLED


class TapeDriver:
    """A `TapeRobot` (commissioning/calibration/tape_walk.py) on the client library.

    Raises Refused where the stack runs another robot file than `path`.
    """

    def __init__(self, robot: Robot, path: Path) -> None:
        running = robot.model.path.resolve()
        if running != path.resolve():
            raise Refused(f"the stack runs {running}, and {path.resolve()} is to be calibrated: start it with that one")
        self._robot = robot

    def choose_gait(self, gait: str) -> None:
        self._robot.choose_gait(gait)

    def fastest(self) -> Planar:
        return self._robot.gait_report().forward

    def scales(self) -> tuple[Planar, Planar]:
        """The scales that gait says it walks with: the file may have others by now."""
        values = self._robot.last.values("gait")
        (a, b, c), (x, y, z) = (map(float, values[key].split()) for key in ("way_scale", "odometry_scale"))
        return (a, b, c), (x, y, z)

    def go(self, twist: Planar, seconds: float) -> WalkedWay:
        x, y, yaw = twist
        (kept,) = self._robot.parameters("gait", "keep_course")
        self._robot.set_parameter("gait", "keep_course", False)
        try:
            result = self._robot.walk(forward_m_s=x, left_m_s=y, turn_deg_s=degrees(yaw), seconds=seconds)
        finally:
            self._robot.set_parameter("gait", "keep_course", kept)
        if result.overridden_by or result.shortfall:
            raise NotReached(str(result), result)
        assert result.planned
        modelled = self._robot.last.codes("servo_output").get("joint_angles") == MODELLED
        estimated = modelled and result.source is EstimateSource.ODOMETRY
        return WalkedWay(result.planned.planar, result.reached.planar if estimated else None)

    def stop(self) -> None:
        """Emergency stop, from any thread."""
        self._robot.stop()
