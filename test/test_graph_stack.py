"""At home in a robotics stack: namespaces, qualities of service, foreign controllers, two stacks, one launch body."""

from __future__ import annotations

import subprocess
import sys
from math import isfinite
from pathlib import Path

import pytest
from conftest import RosProbe, Stack, wait_until
from end_to_end import from_base_target_to_joint_states

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from diagnostic_msgs.msg import DiagnosticArray
from geometry_msgs.msg import PointStamped
from rclpy.qos import DurabilityPolicy, QoSProfile, ReliabilityPolicy
from sensor_msgs.msg import JointState, MultiDOFJointState
from spun_middleware import SpunMiddleware
from std_msgs.msg import String
from trajectory_msgs.msg import JointTrajectory

from quadleg.client import Robot
from quadleg.runtime.node_table import entries


def test_a_base_target_reaches_joint_states(shared_stack: Stack, shared_probe: RosProbe) -> None:
    from_base_target_to_joint_states(shared_probe)


def test_two_robots_in_two_namespaces_do_not_hear_each_other(start, probe: RosProbe) -> None:
    left = start("--namespace", "left", "--frame-prefix", "left/", "--board-memory", "{folder}/left.board")
    right = start("--namespace", "right", "--frame-prefix", "right/", "--board-memory", "{folder}/right.board")
    for one in (left, right):
        one.wait_for_line("ready after")
    feet = {name: probe.hear(PointStamped, f"{name}/front_left/foot_target") for name in ("left", "right")}
    planned = {name: probe.hear(MultiDOFJointState, f"{name}/planned_feet") for name in ("left", "right")}
    with Robot("left") as a, Robot("right") as b:
        a.stand(height_mm=130)
        assert left.powered() == 12
        assert right.powered() == 0
        b.stand(height_mm=165)
        # Where so many processes run, a robot may hold for a moment, and goes on.
        wait_until(lambda: left.height() == pytest.approx(0.130, abs=0.0015), "the left one at its height")
        wait_until(lambda: right.height() == pytest.approx(0.165, abs=0.0015), "the right one at its height")
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
    shared_stack: Stack, shared_probe: RosProbe, reliability: ReliabilityPolicy, durability: DurabilityPolicy
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
        heard = shared_probe.hear(kind, topic, wanted)
        shared_probe.wait(lambda h=heard: h, topic)
    if durability is DurabilityPolicy.VOLATILE:
        heard = shared_probe.hear(String, "servo_state", wanted)  # said again twice a second
        shared_probe.wait(lambda: heard, "servo_state")


def test_two_stacks_under_the_same_names_are_said_by_both(stack: Stack, probe: RosProbe) -> None:
    heard = probe.hear(DiagnosticArray, "diagnostics", 50)
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
        probe.wait(lambda: accusers("servo_output") >= 4 and accusers("joint_watchdog") >= 4, "both accuse")
    finally:
        for other in others:
            other.terminate()
        for other in others:
            other.wait(15)


def test_the_shipped_parameter_file_is_what_the_nodes_declare(domain: int, probe: RosProbe) -> None:
    """Every parameter in it is declared with that default, and none is missing."""
    from rcl_interfaces.srv import DescribeParameters, GetParameters, ListParameters
    from rclpy.parameter import parameter_value_to_python
    from ruamel.yaml import YAML

    file = Path(__file__).parents[1] / "config" / "parameters.yaml"
    document = YAML(typ="safe").load(file.read_text(encoding="utf-8"))
    host = SpunMiddleware(["--ros-args", "--params-file", str(file)])
    names = ("gait", "base_motion", "state_estimator", "servo_output", "recorder", "viewer")
    nodes = [entry.make(host, {}) for entry in entries(names)]
    host.start()
    try:
        for node in names:
            written = {**document["/**"]["ros__parameters"], **document[f"/**/{node}"]["ros__parameters"]}
            declared = set(probe.ask(ListParameters, f"{node}/list_parameters").result.names)
            ours = {name for name in declared if name != "use_sim_time" and not name.startswith("start_type")}
            not_written = {"servo_output": {"rate_hz", "joint_angles"}, "recorder": set(), "viewer": set()}.get(
                node, {"rate_hz"}
            )
            assert ours == set(written) | not_written
            values = probe.ask(GetParameters, f"{node}/get_parameters", names=list(written)).values
            assert [parameter_value_to_python(value) for value in values] == list(written.values())
            for described in probe.ask(DescribeParameters, f"{node}/describe_parameters", names=list(ours)).descriptors:
                assert len(described.description) > 10, described.name
                assert described.read_only == (described.name not in ("gait", "keep_course", "paused"))
                if described.floating_point_range:
                    assert isfinite(described.floating_point_range[0].to_value)
    finally:
        host.close_with(*nodes)
