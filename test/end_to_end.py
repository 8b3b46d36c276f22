"""From a base target to joint_states over plain ROS: the one test body for every way to start the nodes."""

from __future__ import annotations

import pytest
from conftest import RosProbe, wait_until

from quadleg.geometry.registration import fit_pose
from quadleg.kinematics.body_pose import all_forward
from quadleg.robot.model import JOINT_NAMES
from quadleg.robot_file.load import find_robot, load_robot


def from_base_target_to_joint_states(probe: RosProbe, namespace: str = "", prefix: str = "") -> None:
    """Enables the robot, sends one base target, and waits until the servos' angles show that pose; then lowers it."""
    from geometry_msgs.msg import PoseStamped
    from sensor_msgs.msg import JointState
    from std_msgs.msg import String
    from std_srvs.srv import SetBool

    from quadleg.middleware.topics import LATCHED

    model = load_robot(find_robot("greenhouse_inspector"))
    names = f"/{namespace}/" if namespace else "/"
    states = probe.hear(String, f"{names}state", LATCHED)
    joints = probe.hear(JointState, f"{names}joint_states")
    servo = probe.hear(String, f"{names}servo_state", LATCHED)
    probe.wait(lambda: servo and servo[-1].data.startswith("following"), "servo_output following the watchdog")
    enable = probe.node.create_client(SetBool, f"{names}enable")
    assert enable.wait_for_service(10.0)

    def asked(on: bool) -> bool:
        answer = enable.call_async(SetBool.Request(data=on))
        wait_until(answer.done, "an answer from enable")
        return bool(answer.result().success)

    # The watchdog may hear later than the probe that servo_output follows.
    wait_until(lambda: asked(True), "power")
    probe.wait(lambda: states and states[-1].data.startswith("active"), "active")
    target = PoseStamped()
    target.header.frame_id = f"{prefix}base_footprint"
    target.pose.position.x, target.pose.position.z = 0.01, 0.135
    probe.publisher(PoseStamped, f"{names}base_target").publish(target)

    def there() -> bool:
        angles = dict(zip(joints[-1].name, joints[-1].position))
        feet = all_forward(model, [angles[name] for name in JOINT_NAMES])
        reached = fit_pose(feet, model.standing.feet)
        return reached.position == pytest.approx((0.01, 0.0, 0.135), abs=0.0015)

    probe.wait(there, "the pose of the base target in joint_states")
    assert asked(False)
    probe.wait(lambda: states[-1].data.startswith("off"), "off")
