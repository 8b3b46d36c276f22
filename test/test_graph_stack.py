"""At home in a robotics stack: namespaces, qualities of service, foreign controllers, two stacks, one launch body."""

from __future__ import annotations

import subprocess
import sys
from math import isfinite
from pathlib import Path

import pytest
from conftest import Stack, Wire, wait_until
from journey import from_base_target_to_joint_states

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from geometry_msgs.msg import PointStamped
from rclpy.qos import DurabilityPolicy, QoSProfile, ReliabilityPolicy
from sensor_msgs.msg import JointState, MultiDOFJointState
from std_msgs.msg import String
from trajectory_msgs.msg import JointTrajectory

from quadleg.client import Robot
from quadleg.kinematics.body import all_forward, stance_angles
from quadleg.robot.model import JOINT_NAMES


def test_a_base_target_reaches_joint_states(stack: Stack, wire: Wire) -> None:
    from_base_target_to_joint_states(wire)


def test_two_robots_in_two_namespaces_do_not_hear_each_other(start, wire: Wire) -> None:
    left = start("--namespace", "left", "--frame-prefix", "left/", "--board-memory", "{folder}/left.board")
    right = start("--namespace", "right", "--frame-prefix", "right/", "--board-memory", "{folder}/right.board")
    for one in (left, right):
        one.wait_for_line("ready after")
    feet = {name: wire.hear(PointStamped, f"{name}/front_left/foot_target") for name in ("left", "right")}
    planned = {name: wire.hear(MultiDOFJointState, f"{name}/planned_feet") for name in ("left", "right")}
    with Robot("left") as a, Robot("right") as b:
        a.stand(height_mm=130)
        assert left.powered() == 12
        assert right.powered() == 0
        b.stand(height_mm=165)
        # Where so many processes run, a robot may hold for a moment, and goes on.
        wait_until(lambda: left.height() == pytest.approx(0.130, abs=0.0015), 5.0, "the left one at its height")
        wait_until(lambda: right.height() == pytest.approx(0.165, abs=0.0015), 5.0, "the right one at its height")
        a.stop()
        assert left.powered() == 0
        b.wait_for("active", within=5.0)
        assert right.powered() == 12
    for name in ("left", "right"):
        assert {message.header.frame_id for message in feet[name]} == {f"{name}/base_link"}
        assert {message.header.frame_id for message in planned[name]} == {f"{name}/base_footprint"}


@pytest.mark.parametrize("reliability", [ReliabilityPolicy.RELIABLE, ReliabilityPolicy.BEST_EFFORT])
@pytest.mark.parametrize("durability", [DurabilityPolicy.VOLATILE, DurabilityPolicy.TRANSIENT_LOCAL])
def test_listeners_of_every_usual_quality_hear(
    shared_stack: Stack, shared_wire: Wire, reliability: ReliabilityPolicy, durability: DurabilityPolicy
) -> None:
    """Viewers ask for latched descriptions, recorders take what there is, navigation wants fresh states."""
    wanted = QoSProfile(depth=5, reliability=reliability, durability=durability)
    streams = [(JointState, "joint_states"), (JointTrajectory, "joint_commands"), (DiagnosticArray, "diagnostics")]
    latched = [(String, "state"), (String, "servo_state"), (String, "robot_description")]
    # A stream keeps nothing for late listeners, so nobody can ask it to; what is latched serves both.
    kinds = latched if durability is DurabilityPolicy.TRANSIENT_LOCAL else streams
    if reliability is ReliabilityPolicy.BEST_EFFORT:
        # DDS brings no history to a best-effort listener; it hears what is said again, which the URDF is not.
        kinds = [kind for kind in kinds if kind[1] != "robot_description"]
    for kind, topic in kinds:
        heard = shared_wire.hear(kind, topic, wanted)
        shared_wire.wait(lambda h=heard: h, 10.0, topic)
    if durability is DurabilityPolicy.VOLATILE:
        heard = shared_wire.hear(String, "servo_state", wanted)  # said again twice a second
        shared_wire.wait(lambda: heard, 10.0, "servo_state")


class ForeignController:
    """A controller as other stacks have it: takes a JointTrajectory and moves its own twelve joints to its point."""

    def __init__(self, wire: Wire) -> None:
        self._heard = wire.hear(JointTrajectory, "joint_commands", QoSProfile(depth=1))

    @property
    def positions(self) -> dict[str, float] | None:
        """By joint, none where they are to be limp; None before the first command."""
        if not self._heard:
            return None
        (point,) = self._heard[-1].points
        return dict(zip(self._heard[-1].joint_names, point.positions, strict=True))


def test_joint_commands_drive_a_foreign_controller(shared_stack: Stack, standing: Robot, shared_wire: Wire) -> None:
    controller = ForeignController(shared_wire)
    standing.stand(height_mm=140)

    def height() -> float | None:
        positions = controller.positions
        if not positions:
            return None
        lowest = min(z for _, _, z in all_forward(shared_stack.model, [positions[name] for name in JOINT_NAMES]))
        return shared_stack.model.legs[0].foot_radius - lowest

    shared_wire.wait(lambda: height() == pytest.approx(0.140, abs=1e-4), 5.0, "the height asked for")
    standing.sit()
    shared_wire.wait(lambda: controller.positions == {}, 5.0, "limp joints")


def test_diagnostics_have_a_status_for_each_node_with_name_level_and_hardware(
    shared_stack: Stack, shared_wire: Wire
) -> None:
    heard = shared_wire.hear(DiagnosticArray, "diagnostics", 50)
    nodes = {"servo_output", "joint_watchdog", "base_motion", "gait", "state_estimator"}
    nodes |= {f"{side}_{hand}_ik" for side in ("front", "rear") for hand in ("left", "right")}

    def names() -> set[str]:
        return {status.name.removeprefix("quadleg: ") for array in heard for status in array.status}

    shared_wire.wait(lambda: names() >= nodes, 10.0, "diagnostics of all nodes")
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


def test_two_stacks_under_the_same_names_are_said_by_both(stack: Stack, wire: Wire) -> None:
    heard = wire.hear(DiagnosticArray, "diagnostics", 50)
    code = "from quadleg.nodes.{0} import main; main()"
    others = [
        subprocess.Popen([sys.executable, "-c", code.format(node)], stderr=subprocess.DEVNULL)
        for node in ("servo_output", "joint_watchdog")
    ]

    def accusers(node: str) -> int:
        said = [s for array in heard for s in array.status if s.name.endswith(node) and "two stacks" in s.message]
        return len({s.values[0].value + s.message for s in said}) and len(said)

    try:
        # Both of a kind say it once a second, so in the time of three rounds there are more than one could say.
        wire.wait(lambda: accusers("servo_output") >= 4 and accusers("joint_watchdog") >= 4, 15.0, "both accuse")
    finally:
        for other in others:
            other.terminate()
        for other in others:
            other.wait(15)


def test_a_watchdog_of_another_robot_does_not_enable(domain: int, wire: Wire, tmp_path: Path) -> None:
    digger = Path(__file__).parent / "data" / "digger.yaml"
    code = "from quadleg.nodes.{0} import main; main()"
    servo = subprocess.Popen([sys.executable, "-c", code.format("servo_output")])
    watchdog = subprocess.Popen(
        [sys.executable, "-c", code.format("joint_watchdog"), "--ros-args", "-p", f"robot:={digger}"]
    )
    try:
        heard = wire.hear(DiagnosticArray, "diagnostics", 50)
        wire.wait(
            lambda: any("another robot" in s.message for array in heard for s in array.status), 15.0, "the mismatch"
        )
        from std_srvs.srv import SetBool

        enable = wire.node.create_client(SetBool, "enable")
        assert enable.wait_for_service(10.0)
        answer = enable.call_async(SetBool.Request(data=True))
        wire.wait(answer.done, 10.0, "an answer")
        assert not answer.result().success
        assert "another robot" in answer.result().message
    finally:
        for process in (servo, watchdog):
            process.terminate()
        assert servo.wait(15) == 0
        assert watchdog.wait(15) == 0


def test_the_shipped_parameter_file_is_what_the_nodes_declare(domain: int, wire: Wire) -> None:
    """Every parameter in it is declared with that default, and none is missing."""
    from rcl_interfaces.srv import DescribeParameters, GetParameters, ListParameters
    from rclpy.parameter import parameter_value_to_python
    from ruamel.yaml import YAML

    file = Path(__file__).parents[1] / "config" / "parameters.yaml"
    document = YAML(typ="safe").load(file.read_text(encoding="utf-8"))
    code = "from quadleg.nodes.{0} import main; main()"

    for node in ("gait", "base_motion", "state_estimator", "servo_output", "recorder", "viewer"):
        process = subprocess.Popen([sys.executable, "-c", code.format(node), "--ros-args", "--params-file", str(file)])
        try:
            written = {**document["/**"]["ros__parameters"], **document[f"/**/{node}"]["ros__parameters"]}
            declared = set(wire.ask(ListParameters, f"{node}/list_parameters").result.names)
            ours = {name for name in declared if name != "use_sim_time" and not name.startswith("start_type")}
            not_written = {"servo_output": {"rate_hz", "joint_angles"}, "recorder": set(), "viewer": set()}.get(
                node, {"rate_hz"}
            )
            assert ours == set(written) | not_written
            values = wire.ask(GetParameters, f"{node}/get_parameters", names=list(written)).values
            assert [parameter_value_to_python(value) for value in values] == list(written.values())
            for described in wire.ask(DescribeParameters, f"{node}/describe_parameters", names=list(ours)).descriptors:
                assert len(described.description) > 10, described.name
                assert described.read_only == (described.name not in ("gait", "paused"))
                if described.floating_point_range:
                    assert isfinite(described.floating_point_range[0].to_value)
        finally:
            process.terminate()
            assert process.wait(15) == 0


def test_resting_angles_are_where_a_robot_that_is_off_lies(stack: Stack, wire: Wire) -> None:
    heard = wire.hear(JointState, "joint_states")
    message = wire.wait(lambda: heard, 10.0, "joint_states")[0]
    rest = stance_angles(stack.model, stack.model.resting)
    # A hand placed the legs within 12° of rest.
    assert all(abs(a - b) < 0.22 for a, b in zip(message.position, rest))
