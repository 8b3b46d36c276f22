"""At home in a robotics stack: what foreign controllers and those who look on hear of a robot, in simulated time."""

from __future__ import annotations

from pathlib import Path

import pytest

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus, KeyValue
from rclpy.qos import QoSProfile
from sensor_msgs.msg import JointState
from simulated_client import SimulatedProbe
from sound_stack import SoundStack, probe, running_stack, shared_probe, shared_stack, stack, standing
from std_srvs.srv import SetBool
from trajectory_msgs.msg import JointTrajectory

from quadleg.client import Robot
from quadleg.kinematics.body_pose import all_forward, stance_angles
from quadleg.robot.model import JOINT_NAMES


class ForeignController:
    """A controller as other stacks have it: takes a JointTrajectory and moves its own twelve joints to its point."""

    def __init__(self, probe: SimulatedProbe) -> None:
        self._heard = probe.hear(JointTrajectory, "joint_commands", QoSProfile(depth=1))

    @property
    def positions(self) -> dict[str, float] | None:
        """By joint, none where they are to be limp; None before the first command."""
        if not self._heard:
            return None
        (point,) = self._heard[-1].points
        return dict(zip(self._heard[-1].joint_names, point.positions, strict=True))


def test_joint_commands_drive_a_foreign_controller(
    shared_stack: SoundStack, standing: Robot, shared_probe: SimulatedProbe
) -> None:
    controller = ForeignController(shared_probe)
    standing.stand(height_mm=140)

    def height() -> float | None:
        positions = controller.positions
        if not positions:
            return None
        lowest = min(z for _, _, z in all_forward(shared_stack.model, [positions[name] for name in JOINT_NAMES]))
        return shared_stack.model.legs[0].foot_radius - lowest

    shared_probe.wait(lambda: height() == pytest.approx(0.140, abs=1e-4), "the height asked for", 5.0)
    standing.sit()
    shared_probe.wait(lambda: controller.positions == {}, "limp joints", 5.0)


def test_diagnostics_have_a_status_for_each_node_with_name_level_and_hardware(
    shared_stack: SoundStack, shared_probe: SimulatedProbe
) -> None:
    heard = shared_probe.hear(DiagnosticArray, "diagnostics", 50)
    nodes = {"servo_output", "joint_watchdog", "base_motion", "gait", "state_estimator"}
    nodes |= {f"{side}_{hand}_ik" for side in ("front", "rear") for hand in ("left", "right")}

    def names() -> set[str]:
        return {status.name.removeprefix("quadleg: ") for array in heard for status in array.status}

    shared_probe.wait(lambda: names() >= nodes, "diagnostics of all nodes", 10.0)
    for array in heard:
        for status in array.status:
            assert status.level in (DiagnosticStatus.OK, DiagnosticStatus.WARN, DiagnosticStatus.ERROR)
            assert status.hardware_id == shared_stack.model.name
            assert status.message
            if status.name.endswith("joint_watchdog"):
                figures = {pair.key: pair.value for pair in status.values}
                temperatures = [float(word) for word in figures["servo_temperatures_c"].split()]
                assert len(temperatures) == len(JOINT_NAMES)
                assert max(temperatures) == pytest.approx(float(figures["servo_hottest_c"]), abs=0.55)


def test_a_watchdog_of_another_robot_does_not_enable(tmp_path: Path) -> None:
    digger = Path(__file__).parent / "data" / "digger.yaml"
    with running_stack(tmp_path, parameters={"joint_watchdog": {"robot": str(digger)}}) as stack:
        probe = stack.probe()
        heard = probe.hear(DiagnosticArray, "diagnostics", 50)
        probe.wait(
            lambda: any("another robot" in s.message for array in heard for s in array.status), "the mismatch", 15.0
        )
        answer = probe.ask(SetBool, "enable", data=True)
        assert not answer.success
        assert "another robot" in answer.message


def test_codes_that_another_node_said_for_the_watchdog_are_put_right(stack: SoundStack, probe: SimulatedProbe) -> None:
    heard = probe.hear(DiagnosticStatus, "joint_watchdog/status")

    def state() -> str:
        return next(pair.value for pair in heard[-1].values if pair.key == "state") if heard else ""

    probe.wait(lambda: state() == "off", "the watchdog's state")
    foreign = probe.publisher(DiagnosticStatus, "joint_watchdog/status")
    foreign.publish(DiagnosticStatus(values=[KeyValue(key="state", value="active")]))
    probe.wait(lambda: state() == "active", "what the other said")
    probe.wait(lambda: state() == "off", "the watchdog's state again", 2.0)


def test_resting_angles_are_where_a_robot_that_is_off_lies(stack: SoundStack, probe: SimulatedProbe) -> None:
    heard = probe.hear(JointState, "joint_states")
    message = probe.wait(lambda: heard, "joint_states", 10.0)[0]
    rest = stance_angles(stack.model, stack.model.resting)
    # A hand placed the legs within 12° of rest.
    assert all(abs(a - b) < 0.22 for a, b in zip(message.position, rest))
