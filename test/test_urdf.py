"""The URDF against pinocchio and MuJoCo, which read the same text, and against the closed-form kinematics."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import mujoco
import numpy as np
import pinocchio
import pytest
from mujoco_robot import fixed_base
from sample_robots import digger, inspector, random_angles

from quadleg.kinematics import leg as kinematics
from quadleg.robot import colours
from quadleg.robot.model import JOINT_NAMES, LEGS, RobotModel
from quadleg.robot.urdf import box_inertia, cylinder_inertia, sphere_inertia, urdf
from quadleg.robot_file.load import load_robot

TOLERANCE = 1e-9
HERE = Path(__file__).parent
ROBOTS = {
    "inspector": inspector(),
    "digger": digger(),
    "inspector's file": load_robot(HERE.parent / "config" / "greenhouse_inspector.yaml"),
    "digger's file": load_robot(HERE / "data" / "digger.yaml"),
}


@pytest.fixture(params=ROBOTS)
def robot(request: pytest.FixtureRequest) -> RobotModel:
    return ROBOTS[request.param]


def test_feet_and_jacobians_in_pinocchio(robot: RobotModel) -> None:
    model = pinocchio.buildModelFromXML(urdf(robot))
    data = model.createData()
    columns = [model.joints[model.getJointId(name)].idx_v for name in JOINT_NAMES]
    assert sorted(columns) == list(range(12))
    for angles in random_angles(robot, 50):
        q = np.empty(12)
        q[columns] = angles
        pinocchio.computeJointJacobians(model, data, q)
        pinocchio.updateFramePlacements(model, data)
        for index, leg in enumerate(robot.legs):
            own = slice(3 * index, 3 * index + 3)
            frame = model.getFrameId(f"{leg.name}_foot")
            np.testing.assert_allclose(
                data.oMf[frame].translation, kinematics.forward(leg, angles[own]), rtol=0, atol=TOLERANCE
            )
            jacobian = pinocchio.getFrameJacobian(model, data, frame, pinocchio.LOCAL_WORLD_ALIGNED)[:3]
            np.testing.assert_allclose(
                jacobian[:, columns[own]], kinematics.jacobian(leg, angles[own]), rtol=0, atol=TOLERANCE
            )


def test_feet_and_jacobians_in_mujoco(robot: RobotModel) -> None:
    model = fixed_base(robot)
    data = mujoco.MjData(model)
    columns = [model.joint(name).dofadr[0] for name in JOINT_NAMES]
    jacobian = np.empty((3, model.nv))
    for angles in random_angles(robot, 50):
        data.qpos[columns] = angles
        mujoco.mj_kinematics(model, data)
        mujoco.mj_comPos(model, data)
        for index, leg in enumerate(robot.legs):
            own = slice(3 * index, 3 * index + 3)
            foot = model.body(f"{leg.name}_foot").id
            np.testing.assert_allclose(data.xpos[foot], kinematics.forward(leg, angles[own]), rtol=0, atol=TOLERANCE)
            mujoco.mj_jac(model, data, jacobian, None, data.xpos[foot], foot)
            np.testing.assert_allclose(
                jacobian[:, columns[own]], kinematics.jacobian(leg, angles[own]), rtol=0, atol=TOLERANCE
            )


def test_masses_in_both(robot: RobotModel) -> None:
    model = pinocchio.buildModelFromXML(urdf(robot), pinocchio.JointModelFreeFlyer())
    assert pinocchio.computeTotalMass(model) == pytest.approx(robot.masses.total, abs=TOLERANCE)
    model = fixed_base(robot)
    assert sum(model.body_mass) == pytest.approx(robot.masses.total, abs=TOLERANCE)
    for leg in LEGS:
        for link in ("abductor", "upper", "lower"):
            wanted = getattr(robot.masses, link)
            assert model.body(f"{leg}_{link}").mass[0] == pytest.approx(wanted, abs=TOLERANCE)
        assert model.body(f"{leg}_foot").mass[0] == 0


def test_limits_in_both(robot: RobotModel) -> None:
    pin, muj = pinocchio.buildModelFromXML(urdf(robot)), fixed_base(robot)
    for joint in robot.joints:
        index = pin.joints[pin.getJointId(joint.name)].idx_v
        limits = pin.lowerPositionLimit[index], pin.upperPositionLimit[index]
        assert limits == pytest.approx((joint.lower, joint.upper), abs=TOLERANCE)
        assert muj.joint(joint.name).range == pytest.approx((joint.lower, joint.upper), abs=TOLERANCE)
        assert pin.velocityLimit[index] == pytest.approx(robot.no_load_speed(joint))
        assert pin.effortLimit[index] == pytest.approx(robot.stall_torque(joint))


def test_effort_and_velocity_are_those_at_the_supply_s_voltage() -> None:
    # 7.4 V servos at 6.6 V: both go with the voltage, 0.55 N·m and 9.0 rad/s times 6.6 / 7.4.
    limit = ElementTree.fromstring(urdf(digger())).find("joint[@name='rear_left_knee']/limit")
    assert limit is not None
    assert float(limit.attrib["effort"]) == pytest.approx(0.55 * 6.6 / 7.4)
    assert float(limit.attrib["velocity"]) == pytest.approx(9.0 * 6.6 / 7.4)


def test_inertias_are_those_of_real_bodies(robot: RobotModel) -> None:
    for link in ElementTree.fromstring(urdf(robot)).findall("link"):
        inertia = link.find("inertial/inertia")
        if inertia is None:
            assert link.attrib["name"].endswith("_foot")
            continue
        i = {name: float(value) for name, value in inertia.attrib.items()}
        matrix = np.array(
            [[i["ixx"], i["ixy"], i["ixz"]], [i["ixy"], i["iyy"], i["iyz"]], [i["ixz"], i["iyz"], i["izz"]]]
        )
        moments = np.linalg.eigvalsh(matrix)
        assert moments[0] > 0
        assert moments[0] + moments[1] >= moments[2]


def test_inertias_by_adding_up_small_pieces() -> None:
    """The formulas against a sum over a fine grid of points within each shape."""
    line = (np.arange(60) + 0.5) / 60 - 0.5
    x, y, z = (axis.ravel() for axis in np.meshgrid(line, line, line))

    def summed(inside: np.ndarray, size: tuple[float, float, float]) -> list[float]:
        a, b, c = (axis[inside] * side for axis, side in zip((x, y, z), size))
        mass = 2.0 / len(a)
        return [mass * np.sum(b * b + c * c), mass * np.sum(a * a + c * c), mass * np.sum(a * a + b * b)]

    box = summed(np.full(len(x), True), (0.3, 0.2, 0.1))
    assert box_inertia(2.0, (0.3, 0.2, 0.1)) == pytest.approx(box, rel=0.01)
    cylinder = summed(x * x + y * y < 0.25, (0.1, 0.1, 0.4))
    assert cylinder_inertia(2.0, 0.05, 0.4) == pytest.approx(cylinder, rel=0.01)
    sphere = summed(x * x + y * y + z * z < 0.25, (0.1, 0.1, 0.1))
    assert sphere_inertia(2.0, 0.05) == pytest.approx(sphere, rel=0.01)


def test_centres_of_mass_lie_halfway_along_each_link(robot: RobotModel) -> None:
    model = fixed_base(robot)
    for leg in robot.legs:
        centres = {link: model.body(f"{leg.name}_{link}").ipos for link in ("abductor", "upper", "lower")}
        assert centres["abductor"] == pytest.approx((0, leg.hip_offset / 2, 0))
        assert centres["upper"] == pytest.approx((0, 0, -leg.upper_length / 2))
        assert centres["lower"] == pytest.approx((0, 0, -leg.lower_length / 2))


def test_names_and_shapes(robot: RobotModel) -> None:
    root = ElementTree.fromstring(urdf(robot))
    links = [link.attrib["name"] for link in root.findall("link")]
    legs = [f"{leg}_{link}" for leg in LEGS for link in ("abductor", "upper", "lower", "foot")]
    assert links == ["base_link", *(frame.name for frame in robot.frames), *legs]
    turning = [joint.attrib["name"] for joint in root.findall("joint[@type='revolute']")]
    assert turning == list(JOINT_NAMES)
    assert root.findall(".//mesh") == []
    for leg in robot.legs:
        foot = root.find(f"link[@name='{leg.name}_foot']/collision")
        assert foot is not None
        origin, sphere = foot.find("origin"), foot.find("geometry/sphere")
        assert origin is not None
        assert sphere is not None
        assert [float(number) for number in origin.attrib["xyz"].split()] == [0, 0, 0]
        assert float(sphere.attrib["radius"]) == pytest.approx(leg.foot_radius)


def test_frames_stand_where_the_robot_says(robot: RobotModel) -> None:
    model = pinocchio.buildModelFromXML(urdf(robot))
    data = model.createData()
    pinocchio.framesForwardKinematics(model, data, np.zeros(12))
    for frame in robot.frames:
        placed = data.oMf[model.getFrameId(frame.name)]
        assert placed.translation == pytest.approx(frame.position, abs=TOLERANCE)
        # URDF: roll, pitch, yaw about fixed axes, the same as pinocchio's own rpyToMatrix.
        np.testing.assert_allclose(placed.rotation, pinocchio.rpy.rpyToMatrix(*frame.rpy), atol=TOLERANCE)


def test_each_leg_has_its_own_hue() -> None:
    # Okabe & Ito, Color Universal Design (2008), as matplotlib 3.11 has them.
    palette = {"#000000", "#e69f00", "#56b4e9", "#009e73", "#f0e442", "#0072b2", "#d55e00", "#cc79a7"}
    assert tuple(colours.LEG) == LEGS
    assert len(set(colours.LEG.values())) == 4
    assert set(colours.LEG.values()) <= palette
    assert colours.rgb("#ff0033") == pytest.approx((1, 0, 0.2))
    root = ElementTree.fromstring(urdf(inspector()))
    for name, colour in {"body": colours.BODY, **colours.LEG}.items():
        element = root.find(f"material[@name='{name}']/color")
        assert element is not None
        assert [float(part) for part in element.attrib["rgba"].split()] == pytest.approx([*colours.rgb(colour), 1])
