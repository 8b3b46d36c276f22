"""How high the parts are over the ground, and body poses that keep them out of it: against MuJoCo's placed shapes."""

from __future__ import annotations

import numpy as np
import pytest
from ground_geometry import GroundGeometry
from sample_robots import digger, inspector, varied

from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_codes import PoseLimit
from quadleg.kinematics.body_pose import legs_inverse
from quadleg.kinematics.ground_clearance import GroundClearance, Part
from quadleg.kinematics.posture import Posture
from quadleg.robot.model import RobotModel
from quadleg.safety.motion_sentences import POSE_STOPS

ROBOTS = [inspector(), digger(), *varied()]
each = pytest.mark.parametrize("robot", ROBOTS, ids=lambda robot: robot.name)
UNMOVED = Pose((0.0, 0.0, 0.0))


def random_poses(robot: RobotModel, count: int, seed: int) -> list[Pose]:
    """Body poses over the standing feet, as a person might ask for: from the belly up, shifted and tilted."""
    draw = np.random.default_rng(seed)
    straight = robot.legs[0].upper_length + robot.legs[0].lower_length
    low = robot.body.size[2] / 2 - robot.body.centre[2]
    reach = np.array([0.2 * straight, 0.15 * straight, 0.0, 0.15, 0.15, 0.2])
    axes = draw.uniform(-reach, reach, (count, 6))
    axes[:, 2] = draw.uniform(0.9 * low, 0.9 * straight, count)
    return [Pose.from_rpy(*row) for row in axes.tolist()]


@each
def test_the_lowest_point_is_that_of_the_shapes(robot: RobotModel) -> None:
    """MuJoCo places the URDF's shapes; the lower legs' own, at the feet, are never the lowest in the ground."""
    ground, judge = GroundClearance(robot), GroundGeometry(robot)
    draw = np.random.default_rng(1)
    lower, upper = np.array([(joint.lower, joint.upper) for joint in robot.joints]).T
    angles = draw.uniform(lower, upper, (60, 12))
    poses = [Pose.from_rpy(*row) for row in draw.uniform(-0.5, 0.5, (60, 6)).tolist()]
    for pose, row in zip(poses, angles):
        judge.place(pose.position, pose.quaternion, row)
        heights = {name: height for name, height in judge.heights().items() if not name.endswith(("_foot", "_lower"))}
        least = ground.least(pose, row.tolist())
        assert least.height == pytest.approx(min(heights.values()), abs=1e-9)
        assert heights[least.link] == pytest.approx(least.height, abs=1e-9)
        assert (ground.sunk(pose, row.tolist()) is None) == (least.height >= -1e-6)
    found = ground.least_batch(
        angles, np.array([pose.position[2] for pose in poses]), np.array([pose.matrix[2] for pose in poses])
    )
    assert found == pytest.approx([ground.least(pose, row).height for pose, row in zip(poses, angles)], abs=1e-12)


def test_a_knee_in_the_ground_stops_the_body_and_is_named() -> None:
    """Height 60 mm and 50 mm back: a front knee would be 35 mm in the ground."""
    robot = inspector()
    target = Pose((-0.05, 0.0, 0.06))
    judge = GroundGeometry(robot)
    judge.place(target.position, target.quaternion, legs_inverse(robot, target, robot.standing.feet))
    assert judge.lowest_but_feet()[1] < -0.02
    posture = Posture(robot)
    posture.lead(legs_inverse(robot, Pose((0.0, 0.0, 0.15)), robot.standing.feet), robot.standing.feet)
    for _ in range(400):
        posture.step(target, robot.standing.feet, UNMOVED, 0.02)
        pose = posture.pose
        judge.place(pose.position, pose.quaternion, legs_inverse(robot, pose, robot.standing.feet))
        assert judge.lowest_but_feet()[1] > -2e-6
    assert posture.stop is not None
    assert posture.stop.limit is PoseLimit.GROUND
    assert posture.stop.parts[0].endswith("_upper")
    assert "knee, which touches the ground" in POSE_STOPS[posture.stop.limit].format_map(posture.stop.figures)


def accepts(robot: RobotModel, pose: Pose) -> Posture:
    """A posture that was asked for a pose, and went there in one step unless something stopped it."""
    posture = Posture(robot, speed=1.0, turn_speed=1.0, acceleration_time=1e-6)
    posture.lead(legs_inverse(robot, Pose((0.0, 0.0, robot.standing.height)), robot.standing.feet), robot.standing.feet)
    for _ in range(100):
        posture.step(pose, robot.standing.feet, UNMOVED, 1.0)
        if posture.pose == pose or posture.stop is not None:
            return posture
    raise AssertionError(f"{robot.name} neither comes to {pose} nor stops")


@pytest.mark.parametrize("count", [150, pytest.param(1000, marks=pytest.mark.long)])
def test_no_accepted_pose_has_a_link_in_the_ground_and_few_good_ones_are_refused(count: int) -> None:
    """Random poses of ten robots: those refused for the ground or for parts too near are looked at by MuJoCo."""
    accepted = refused = sunk = wrongly = 0
    for number, robot in enumerate(varied()):
        judge = GroundGeometry(robot)
        for pose in random_poses(robot, count, number):
            posture = accepts(robot, pose)
            stop = posture.stop
            there = posture.pose  # which is as near to a pose that was refused as it could come
            judge.place(there.position, there.quaternion, legs_inverse(robot, there, robot.standing.feet))
            assert judge.lowest_but_feet()[1] > -2e-6
            if stop is not None and stop.limit is PoseLimit.JOINT:
                continue
            judge.place(pose.position, pose.quaternion, legs_inverse(robot, pose, robot.standing.feet))
            _, height = judge.lowest_but_feet()
            if stop is None:
                accepted += 1
                sunk += height < -2e-6
            else:
                refused += 1
                if stop.limit is PoseLimit.GROUND:
                    wrongly += height >= 0.0
                else:
                    wrongly += judge.distance(*stop.parts) >= robot.clearance
    print(f"accepted {accepted}, {sunk} of them in the ground; refused {refused}, {wrongly} of them wrongly")
    assert accepted > 4 * count
    assert refused > 0.4 * count
    assert sunk == 0
    assert wrongly <= 0.005 * (accepted + refused)


def test_parts_have_names() -> None:
    robot = inspector()
    ground = GroundClearance(robot)
    angles = legs_inverse(robot, Pose((0.0, 0.0, 0.15)), robot.standing.feet)
    assert ground.sunk(Pose((0.0, 0.0, 0.15)), angles) is None
    belly = ground.sunk(Pose((0.0, 0.0, 0.04)), (0.0, 1.5, -2.5) * 4)
    assert belly is not None
    assert (belly.part, belly.link, belly.height) == (Part.BODY, "base_link", pytest.approx(-0.01))
