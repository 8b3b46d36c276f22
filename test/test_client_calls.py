"""The client against a made-up stack: callbacks that raise, targets that are lost, someone else who drives."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import sample_recordings

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from geometry_msgs.msg import TwistStamped
from simulated_client import SOUND, SimulatedProbe, VelocityPublisher, client_on
from slipping_stack import SlippingStack
from std_srvs.srv import Trigger

from quadleg.client import EstimateSource, Robot, posed_robot
from quadleg.client.replay import asked_for, replay_on
from quadleg.client.status_sentences import status_in_words
from quadleg.errors import CallbackFailed, NotReached, Overridden, Refused, StackNotFound
from quadleg.middleware.simulated_bus import SimulatedBus
from quadleg.middleware.simulated_endpoints import SimulatedFuture
from quadleg.middleware.simulated_time import SimulatedTime
from quadleg.recording.reader import Recording


@pytest.fixture
def stack() -> SlippingStack:
    return SlippingStack(SimulatedBus(SimulatedTime(), conditions=SOUND))


@pytest.fixture
def robot(stack: SlippingStack) -> Iterator[Robot]:
    with client_on(stack.bus) as robot:
        yield robot


@pytest.fixture
def probe(stack: SlippingStack) -> SimulatedProbe:
    return SimulatedProbe(stack.bus)


@pytest.mark.parametrize("gait_every", [8, 30])  # 0.8 s, 3 s: it speaks last of all nodes, or is found late
def test_status_waits_for_gait_so_that_walk_and_limits_are_told(stack: SlippingStack, gait_every: int):
    stack.gait_every = gait_every
    for _ in range(3):
        with client_on(stack.bus) as robot:
            told = dict(status_in_words(robot.status(), None, None))
        assert {"walk", "limits"} <= told.keys()


@pytest.mark.parametrize("name", ["on_angles", "on_state"])
def test_a_callback_that_raises_ends_no_listener_and_is_told(robot: Robot, stack: SlippingStack, name: str):
    def fails(*_: object) -> None:
        raise ValueError("a caller at fault")

    setattr(robot, name, fails)
    stack.say_state("active", "again")
    with pytest.raises(CallbackFailed, match=rf"{name} raised ValueError"):
        robot.wait(lambda: False, 5.0, lambda: "a callback")
    assert getattr(robot, name) is None
    # And all goes on as before.
    stack.say_state("hold", "for a test")
    robot.wait_for("hold", within=5.0)
    assert robot.status().state == "hold"


def test_a_callback_that_raises_while_the_robot_walks_ends_the_walk(robot: Robot, stack: SlippingStack):
    def fails(_: object) -> None:
        raise ValueError("a caller at fault")

    robot.on_plan = fails
    with pytest.raises(CallbackFailed, match="on_plan"):
        robot.walk(forward_m_s=0.2, seconds=5.0)
    robot.wait(lambda: robot.last.values("gait")["motion"] == "stands", 5.0, lambda: "a stop")


def test_a_snapshot_that_was_handed_out_does_not_change(robot: Robot, stack: SlippingStack):
    before = robot.status()
    stack.say_state("hold", "for a test")
    robot.wait_for("hold", within=5.0)
    assert before.state == "active"
    assert robot.last is not before


def test_each_service_has_one_client(robot: Robot, monkeypatch: pytest.MonkeyPatch):
    made: list[str] = []
    create = robot.node.create_client
    monkeypatch.setattr(robot.node, "create_client", lambda kind, name: (made.append(name), create(kind, name))[1])
    for _ in range(3):
        robot.parameters("servo_output", "robot")
    assert made == ["servo_output/get_parameters"]


def test_a_request_without_an_answer_is_withdrawn_and_told_with_what_is_known(robot: Robot):
    class SilentService:
        """A service that never answers."""

        srv_name = "mute"
        withdrawn = 0

        def service_is_ready(self) -> bool:
            return True

        def call_async(self, _: object) -> SimulatedFuture:
            return SimulatedFuture()

        def remove_pending_request(self, future: SimulatedFuture) -> None:
            SilentService.withdrawn += 1

    with pytest.raises(
        StackNotFound, match=r"no answer from mute within 0.1 s; the robot is active \(for a test\); no diag"
    ):
        robot.answer(SilentService(), Trigger.Request(), 0.1)
    assert SilentService.withdrawn == 1


def test_a_stop_in_simulated_time_reaches_no_real_robot(robot: Robot, monkeypatch: pytest.MonkeyPatch):
    reached: list[str] = []
    monkeypatch.setattr(posed_robot, "stop_here", reached.append)
    with pytest.raises(StackNotFound, match="no node offers emergency_stop"):
        robot.stop()
    assert not reached


def test_a_base_target_that_is_lost_is_sent_again(robot: Robot, stack: SlippingStack):
    stack.targets_lost = 2
    result = robot.pose(height_mm=140)
    assert len(set(stack.targets)) == 1  # with the same stamp
    assert result.error_mm < 0.1
    assert result.asked.position[2] == pytest.approx(0.14)


def test_a_base_target_that_no_one_takes_is_told_so(robot: Robot, stack: SlippingStack):
    stack.targets_lost = 1000
    with pytest.raises(StackNotFound, match="base_motion takes no target; the robot is active"):
        robot.pose(height_mm=140)


def test_a_walk_s_result_says_what_was_asked_and_reached_and_by_what_it_is_known(robot: Robot, stack: SlippingStack):
    result = robot.walk(forward_m_s=0.2, turn_deg_s=20, seconds=1.0)
    assert (result.asked.forward_mm, result.asked.heading_deg) == pytest.approx((196, 20), abs=0.1)
    assert result.error_mm < 30
    assert result.error_deg < 3
    assert result.source is EstimateSource.ODOMETRY
    assert (result.scale, result.overridden_by) == (1.0, "")


def test_a_velocity_that_is_too_fast_is_in_the_result(robot: Robot, stack: SlippingStack):
    result = robot.walk(forward_m_s=0.8, seconds=0.5)
    assert result.scale == pytest.approx(0.5)
    assert result.reached.forward_mm == pytest.approx(200, abs=30)
    assert result.error_mm > 150


def test_with_exact_a_velocity_that_is_too_fast_is_refused_before_anything_moves(robot: Robot, stack: SlippingStack):
    with pytest.raises(Refused, match=r"0.8 m/s forward, at most 0.4"):
        robot.walk(forward_m_s=0.8, seconds=0.5, exact=True)
    assert stack.went == (0.0, 0.0, 0.0)


def test_a_robot_that_cannot_walk_says_so_at_once(robot: Robot, stack: SlippingStack):
    stack.trouble, stack.limits = "the legs cannot lift a foot", (0.0, 0.0, 0.0)
    robot.wait(lambda: robot.last.values("gait").get("trouble"), 5.0, lambda: "the trouble")
    for walk in (lambda: robot.walk(forward_m_s=0.05, seconds=1), lambda: robot.walk_to(x_mm=100)):
        with pytest.raises(Refused, match="cannot walk in the gait glide: the legs cannot lift a foot"):
            walk()


def test_an_axis_that_cannot_be_walked_is_named(robot: Robot, stack: SlippingStack):
    stack.limits = (0.4, 0.0, 2.0)
    robot.wait(lambda: " 0.0000 " in robot.last.values("gait").get("limits_forward", ""), 5.0, lambda: "the limits")
    with pytest.raises(Refused, match="cannot walk to the left in the gait glide: its limit there is zero"):
        robot.walk(left_m_s=0.05, seconds=1)


def test_a_robot_that_does_not_move_has_not_walked(robot: Robot, stack: SlippingStack):
    stack.grip = 0.0
    with pytest.raises(
        NotReached, match=r"did not walk as it was asked to: asked 200\.0 mm forward.* the plan went \d+"
    ):
        robot.walk(forward_m_s=0.2, seconds=1.0)


def test_an_operator_who_drives_ends_the_walk(robot: Robot, stack: SlippingStack):
    stack.bus.time.after(1.0, lambda: setattr(stack, "teleop", (0.0, 0.1, 0.0)))
    with pytest.raises(Overridden, match="someone else drives the robot, by teleop/cmd_vel") as found:
        robot.walk(forward_m_s=0.2, seconds=10.0)
    result = found.value.result
    assert result.overridden_by == "teleop/cmd_vel"
    assert 50 < result.reached.forward_mm < 1000


def test_a_walk_does_not_begin_while_another_drives(robot: Robot, stack: SlippingStack, probe: SimulatedProbe):
    with VelocityPublisher(probe) as first:
        first.go(0.1, 0.0, 0.0)
        robot.wait(lambda: robot.last.values("gait").get("motion") == "walks", 5.0, lambda: "the first walk")
        with pytest.raises(Overridden, match=r"by another publisher of cmd_vel, and this walk has not begun") as found:
            robot.walk(left_m_s=0.2, seconds=1.0)
        robot.pause(1.0)
    assert found.value.result.overridden_by == "another publisher of cmd_vel"
    forward, left, turned = stack.went
    assert forward > 0.25
    assert (left, turned) == pytest.approx((0.0, 0.0), abs=0.01), "the first walk was not disturbed"


@pytest.fixture
def course(tmp_path: Path) -> Recording:
    """Ten seconds of walking ahead and a stop, with a body pose at their begin."""

    def ahead(speed: float) -> object:
        twist = sample_recordings.twist((speed, 0.0, 0.0))
        return sample_recordings.msg("geometry_msgs/TwistStamped", header=sample_recordings.header(), twist=twist)

    pose = sample_recordings.msg(
        "geometry_msgs/PoseStamped", header=sample_recordings.header(), pose=sample_recordings.pose_of((0.0, 0.0, 0.14))
    )
    messages = [(0.05 * k, "joint_states", sample_recordings.joint_state([0.0] * 12)) for k in range(200)]
    messages += [(0.05 * k + 0.01, "cmd_vel", ahead(0.1)) for k in range(200)]
    messages += [(0.02, "base_target", pose), (10.0, "cmd_vel", ahead(0.0))]
    messages.sort(key=lambda message: message[0])
    return Recording(sample_recordings.write(tmp_path / "course.mcap", messages, sample_recordings.metadata()))


def take_over(probe: SimulatedProbe, action: Callable[[], object]) -> None:
    """Do it once 40 velocities were replayed."""
    velocities: list[TwistStamped] = []

    def count(message: TwistStamped) -> None:
        velocities.append(message)
        if len(velocities) == 40:
            action()

    probe.node.create_subscription(TwistStamped, "cmd_vel", count, 100)


def replayed(robot: Robot, course: Recording, speed: float = 1.0) -> list[str]:
    """What is said of a replay."""
    said: list[str] = []
    replay_on(robot, list(asked_for(course)), course.path, speed, said.append)
    return said


def test_a_replay_that_is_not_disturbed_goes_to_its_end(robot: Robot, course: Recording, stack: SlippingStack) -> None:
    assert replayed(robot, course, speed=5.0)[-1] == "replayed"
    assert len(stack.targets) == 1
    assert stack.went[0] > 0.5


def test_an_operator_who_drives_ends_a_replay(
    robot: Robot, course: Recording, stack: SlippingStack, probe: SimulatedProbe
) -> None:
    take_over(probe, lambda: setattr(stack, "teleop", (0.0, 0.1, 0.0)))
    with pytest.raises(
        Overridden, match=r"someone else drives the robot, by teleop/cmd_vel; the replay has ended after \d+ s"
    ):
        replayed(robot, course)


def test_an_operator_who_poses_the_body_ends_a_replay(
    robot: Robot, course: Recording, stack: SlippingStack, probe: SimulatedProbe
) -> None:
    take_over(probe, lambda: stack.targets.append(7))
    with pytest.raises(Overridden, match="another base target came after those sent"):
        replayed(robot, course)


def test_a_walk_that_the_watchdog_ends_tells_why_and_how_far_it_came(robot: Robot, stack: SlippingStack):
    stack.bus.time.after(1.0, lambda: stack.say_state("lowering", "supply low, 4.9 V"))
    with pytest.raises(NotReached, match=r"the robot is lowering \(supply low, 4.9 V\); it came \d+") as found:
        robot.walk_to(x_mm=2000)
    assert found.value.result.reached.forward_mm > 50
