"""A running stack from a Python script.

from quadleg.client import Robot

with Robot() as robot:
    robot.stand(height_mm=150)
    robot.pose(height_mm=140, pitch_deg=5)
    robot.walk(forward_m_s=0.05, seconds=4)
    robot.walk_to(x_mm=300, y_mm=100, heading_deg=30)
    robot.sit()
"""

from quadleg.client.results import EstimateSource, GroundMove, PoseResult, WalkResult, pose_difference
from quadleg.client.snapshot import NodeReport, Snapshot
from quadleg.client.walking_robot import Robot
from quadleg.robot.model import SIMULATED

__all__ = [
    "SIMULATED",
    "EstimateSource",
    "GroundMove",
    "NodeReport",
    "PoseResult",
    "Robot",
    "Snapshot",
    "WalkResult",
    "pose_difference",
]
