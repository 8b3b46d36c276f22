"""What a tape has told of a gait's way: strides are longer by it, limits shorter, odometry and walks are true again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

pytest.importorskip("mujoco", reason="mujoco does not import: install the extra `sim`")

from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis_settings import examples
from physics_walks import recorded
from sample_walks import ROBOTS, limits_of

from quadleg.errors import RobotFileError
from quadleg.estimation.body_estimate import Estimate
from quadleg.estimation.error_state_filter import POSITION
from quadleg.estimation.odometry import Estimator
from quadleg.gait.planner import Planner
from quadleg.gait.walking_limits import RAMP_STRIDES, WalkingLimits
from quadleg.geometry.planar import Planar
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import legs_inverse
from quadleg.robot.model import AS_PLANNED, MEASURED, MODELLED, RobotModel
from quadleg.robot_file.load import load_robot

DEMO = ROBOTS["greenhouse_inspector"]
TEXT = (Path(__file__).parents[1] / "config" / "greenhouse_inspector.yaml").read_text(encoding="utf-8")
SCALE, DEVIATION = (0.8, 0.7, 1.25), (0.02, 0.03, 0.01)
KEYS = f"""
gaits:
  trot:
    way_scale: {list(SCALE)}
    way_scale_deviation: {list(DEVIATION)}
    odometry_scale: {list(SCALE)}
    odometry_scale_deviation: {list(DEVIATION)}
"""

ways = st.tuples(*[st.floats(-1.0, 1.0)] * 3)


@cache
def scaled(gait: str, scale: Planar) -> WalkingLimits:
    return WalkingLimits(DEMO, replace(DEMO.gait(gait), way_scale=scale))


def robot_of(folder: Path, section: str) -> RobotModel:
    path = folder / "robot.yaml"
    path.write_text(TEXT + section, encoding="utf-8")
    return load_robot(path)


def test_the_robot_file_has_it_for_each_gait(tmp_path: Path) -> None:
    creep, trot = robot_of(tmp_path, KEYS).gaits
    told = {
        "way_scale": SCALE,
        "way_scale_deviation": DEVIATION,
        "odometry_scale": SCALE,
        "odometry_scale_deviation": DEVIATION,
    }
    assert trot == replace(DEMO.gait("trot"), **told)
    assert creep == DEMO.gait("creep")
    assert (creep.way_scale, creep.way_scale_deviation) == (AS_PLANNED, None)


@pytest.mark.parametrize("numbers", ["[0.8, 0.7]", "[0.8, 0.7, 0]", "[0.8, -0.7, 1]", "0.8", "[0.8, 0.7, .nan]"])
def test_a_scale_that_no_robot_has_is_a_fault(numbers: str, tmp_path: Path) -> None:
    with pytest.raises(RobotFileError, match=r"gaits\.trot\.way_scale"):
        robot_of(tmp_path, f"\ngaits:\n  trot: {{way_scale: {numbers}}}\n")


@pytest.mark.parametrize("gait", ["creep", "trot"])
def test_limits_are_over_the_ground(gait: str) -> None:
    usual, limits = limits_of("greenhouse_inspector", gait), scaled(gait, SCALE)
    assert limits.forward == pytest.approx([a * s for a, s in zip(usual.forward, SCALE)], rel=0.02)
    assert limits.backward == pytest.approx([a * s for a, s in zip(usual.backward, SCALE)], rel=0.02)


@settings(max_examples=examples(20))
@given(
    gait=st.sampled_from(["creep", "trot"]),
    way=st.tuples(*[st.floats(-1.0, 1.0)] * 3),
    scale=st.sampled_from([0.6, 1.3]),
)
def test_feet_that_stand_go_faster_than_the_robot_by_it(gait: str, way: Sequence[float], scale: float) -> None:
    limits = scaled(gait, (scale,) * 3)
    x, y, yaw = limits.scaled(tuple(share * most for share, most in zip(way, limits.forward)))
    planner = Planner(DEMO, limits, 0.02)
    planner.walk((x, y, yaw))
    plans = [planner.step() for _ in range(round((RAMP_STRIDES + 2) * limits.gait.stride_period / 0.02))]
    assert planner.twist == pytest.approx((x, y, yaw), abs=1e-9), "the velocity over the ground"
    for foot, (vx, vy, _), load in zip(plans[-1].feet, plans[-1].velocities, plans[-1].loads):
        if load:
            assert scale * vx == pytest.approx(yaw * foot[1] - x, abs=1e-6)
            assert scale * vy == pytest.approx(-yaw * foot[0] - y, abs=1e-6)


def walked(twist: Planar, seconds: float, scale: Planar, angles: str) -> Estimate:
    """The estimate of a trot whose legs do as they are planned, with a scale, without an IMU."""
    limits = scaled("trot", scale)
    planner, estimator = Planner(DEMO, limits, 0.02), Estimator(DEMO, angles)
    estimator.walk_in(replace(limits.gait, odometry_scale=scale))
    planner.walk(twist)
    for tick in range(round(seconds / 0.02)):
        plan = planner.step()
        joints = legs_inverse(DEMO, Pose((*plan.shift, DEMO.standing.height)), plan.feet)
        estimator.legs(0.02 * tick, joints, plan)
    return estimator.estimate


@pytest.mark.parametrize(("axis", "twist"), [(0, (0.08, 0.0, 0.0)), (1, (0.0, 0.06, 0.0)), (2, (0.0, 0.0, 0.4))])
def test_odometry_with_modelled_joints_goes_by_it(axis: int, twist: Planar) -> None:
    def way(scale: Planar, angles: str) -> float:
        found = walked(twist, 5.0, scale, angles)
        return (*found.position[:2], Pose(found.position, found.quaternion).yaw)[axis]

    assert way(SCALE, MODELLED) == pytest.approx(way(AS_PLANNED, MODELLED), rel=0.02), "longer strides lead as far"
    longer = way(AS_PLANNED, MEASURED) / SCALE[axis]
    assert way(SCALE, MEASURED) == pytest.approx(longer, rel=0.05), "these legs are not seen to give way"


def test_odometry_says_how_sure_a_measured_way_is() -> None:
    run = recorded("trot", (0.08, 0.0, 0.0), 4.0, 1)

    def deviation(off: Planar | None) -> float:
        estimator = Estimator(DEMO, MODELLED)
        estimator.walk_in(replace(DEMO.gait("trot"), odometry_scale_deviation=off))
        for tick in run.ticks:
            for sample in tick.imu:
                estimator.imu(sample.time, tuple(sample.gyro.tolist()), tuple(sample.acceleration.tolist()))
            estimator.legs(tick.time, tick.commanded, tick.plan)
        return float(estimator.estimate.covariance[POSITION, POSITION][0, 0]) ** 0.5

    assert deviation((0.01, 0.01, 0.0)) < deviation(None) < deviation((0.3, 0.3, 0.0))
