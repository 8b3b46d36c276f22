"""teleop as a node: what goes out of a gamepad's messages, what does not, and what is said."""

from __future__ import annotations

from collections.abc import Iterator
from math import nan

import pytest

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from fake_stack import FakeStack
from sensor_msgs.msg import Joy
from simulated_client import SOUND, SimulatedProbe, VelocityPublisher
from std_srvs.srv import Trigger

from quadleg.middleware.simulated_bus import SimulatedBus
from quadleg.middleware.simulated_middleware import SimulatedMiddleware
from quadleg.middleware.simulated_time import SimulatedTime
from quadleg.nodes.teleop import Teleop
from quadleg.robot_file.load import find_robot, load_robot

WALK = {5: -1.0}
TILT = {2: -1.0}


class GamepadRig:
    """Publishes what it shows, as often as it is told (Hz), until it is told to end. `last` is when it did last."""

    def __init__(self, probe: SimulatedProbe, rate: float = 20.0) -> None:
        self._probe = probe
        self._publisher = probe.publisher(Joy, "joy")
        self._ended = False
        self.last = 0.0
        self.show()
        probe.node.create_timer(1 / rate, self._publish)

    def show(self, axes: dict[int, float] | None = None, *buttons: int, count: int = 8) -> None:
        at = {2: 1.0, 5: 1.0, **(axes or {})}
        self._message = Joy(axes=[at.get(k, 0.0) for k in range(count)], buttons=[int(k in buttons) for k in range(11)])

    def _publish(self) -> None:
        if not self._ended:
            self.last = self._probe.now
            self._publisher.publish(self._message)

    def end(self) -> None:
        if not self._ended:
            self._ended = True
            self._probe.node.destroy_publisher(self._publisher)


@pytest.fixture
def fake_stack() -> FakeStack:
    """What teleop takes for a stack, with frames `test/...`."""
    bus = SimulatedBus(SimulatedTime(), conditions=SOUND)
    Teleop(SimulatedMiddleware(bus, "teleop"), parameters={"frame_prefix": "test/", "unmoved_time": 3.0})
    return FakeStack(SimulatedProbe(bus))


@pytest.fixture
def gamepad(fake_stack: FakeStack) -> Iterator[GamepadRig]:
    """A gamepad at rest that teleop hears, with a robot that is active."""
    fake_stack.limits()
    gamepad = GamepadRig(fake_stack.probe)
    fake_stack.says("the dead-man is not held")
    yield gamepad
    gamepad.end()
    fake_stack.says("the gamepad is lost")


def test_before_the_limits_are_heard_there_is_no_velocity(fake_stack: FakeStack) -> None:
    fake_stack.says("no joy is heard")
    gamepad = GamepadRig(fake_stack.probe)
    fake_stack.says("the dead-man is not held")
    gamepad.show({**WALK, 1: 1.0})
    fake_stack.says("walking_limits is not heard")
    assert fake_stack.is_silent(fake_stack.velocities)
    fake_stack.limits()
    fake_stack.goes(0.07, 0.0, 0.0)
    fake_stack.limits("gait: [")
    fake_stack.says("walking_limits cannot be read")
    fake_stack.goes(0.0, 0.0, 0.0)
    assert fake_stack.is_silent(fake_stack.velocities)
    gamepad.end()


def test_held_it_walks_and_let_go_it_says_zero_once(fake_stack: FakeStack, gamepad: GamepadRig) -> None:
    assert fake_stack.is_silent(fake_stack.velocities)
    gamepad.show({**WALK, 0: 1.0, 1: -1.0, 3: -0.5})
    fake_stack.goes(-0.06, 0.04, -0.25)
    assert fake_stack.velocities[-1].header.frame_id == "test/base_footprint"
    fake_stack.says("asks for 0.060 m/s backward, 0.040 m/s to the left, 0.250 rad/s right")
    before = len(fake_stack.velocities)
    gamepad.show({0: 1.0, 1: -1.0})
    fake_stack.goes(0.0, 0.0, 0.0)
    assert fake_stack.is_silent(fake_stack.velocities)
    zeros = [message for message in fake_stack.velocities[before:] if message.twist.linear.x == 0.0]
    assert len(zeros) == 1


def test_a_lost_gamepad_is_zero_within_the_dead_man_time(fake_stack: FakeStack, gamepad: GamepadRig) -> None:
    gamepad.show({**WALK, 1: 1.0})
    fake_stack.goes(0.07, 0.0, 0.0)
    gamepad.end()
    fake_stack.goes(0.0, 0.0, 0.0)
    assert fake_stack.probe.now - gamepad.last < 0.5 + 0.1
    assert fake_stack.is_silent(fake_stack.velocities)
    # Back again with the trigger still held, it waits for a new squeeze.
    again = GamepadRig(fake_stack.probe)
    again.show({**WALK, 1: 1.0})
    fake_stack.says("let the dead-man go once")
    assert fake_stack.is_silent(fake_stack.velocities, 0.2)
    again.end()


def test_a_flood_is_not_passed_on(fake_stack: FakeStack) -> None:
    fake_stack.limits()
    gamepad = GamepadRig(fake_stack.probe, rate=1000.0)
    fake_stack.says("the dead-man is not held")
    gamepad.show({**WALK, 1: 1.0})
    fake_stack.goes(0.07, 0.0, 0.0)
    begun, before = fake_stack.probe.now, len(fake_stack.velocities)
    fake_stack.probe.wait(lambda: len(fake_stack.velocities) >= before + 20, "twenty velocities", 5.0)
    assert fake_stack.probe.now - begun > 0.8
    gamepad.show()
    fake_stack.goes(0.0, 0.0, 0.0)
    gamepad.end()


@pytest.mark.parametrize(
    ("axes", "count", "words"),
    [
        ({**WALK, 1: 1.0}, 4, "walk.hold is on -axis 5, but joy has 4 axes and 11 buttons"),
        ({**WALK, 1: nan}, 8, "axis 1 of joy is nan"),
    ],
)
def test_a_bad_joy_is_a_dead_man_let_go(
    fake_stack: FakeStack, gamepad: GamepadRig, axes: dict[int, float], count: int, words: str
) -> None:
    gamepad.show({**WALK, 1: 1.0})
    fake_stack.goes(0.07, 0.0, 0.0)
    gamepad.show(axes, count=count)
    fake_stack.goes(0.0, 0.0, 0.0)
    fake_stack.says(words)
    assert fake_stack.is_silent(fake_stack.velocities, 0.2)


def test_two_publishers_of_joy_are_none(fake_stack: FakeStack, gamepad: GamepadRig) -> None:
    gamepad.show({**WALK, 1: 1.0})
    fake_stack.goes(0.07, 0.0, 0.0)
    other = GamepadRig(fake_stack.probe)
    fake_stack.says("2 nodes publish joy: end all but one")
    fake_stack.goes(0.0, 0.0, 0.0)
    assert fake_stack.is_silent(fake_stack.velocities, 0.2)
    other.end()


def test_who_drives_already_is_not_disturbed(fake_stack: FakeStack, gamepad: GamepadRig) -> None:
    with VelocityPublisher(fake_stack.probe, topic="teleop/cmd_vel") as rival:
        rival.go(0.01, 0.0, 0.0)
        gamepad.show({**WALK, 1: 1.0})
        fake_stack.probe.run(1.0)
        assert fake_stack.velocity() == pytest.approx((0.01, 0.0, 0.0))
        fake_stack.says("another publisher drives on teleop/cmd_vel")
    fake_stack.goes(0.07, 0.0, 0.0)


def test_a_gamepad_that_only_repeats_itself_is_let_go(fake_stack: FakeStack, gamepad: GamepadRig) -> None:
    gamepad.show({**WALK, 1: 1.0})
    fake_stack.goes(0.07, 0.0, 0.0)
    fake_stack.probe.wait(lambda: fake_stack.velocity() == (0.0, 0.0, 0.0), "let go", 8.0)
    fake_stack.says("nothing on the gamepad has moved for 3 s")


# Requests


def test_the_emergency_stop_needs_no_dead_man_and_is_repeated_until_it_is_answered(
    fake_stack: FakeStack, gamepad: GamepadRig
) -> None:
    gamepad.show({**WALK, 1: 1.0})
    fake_stack.goes(0.07, 0.0, 0.0)
    gamepad.show({**WALK, 1: 1.0}, 1)
    fake_stack.goes(0.0, 0.0, 0.0)
    fake_stack.says("emergency stop asked for")
    fake_stack.says("open the switch in the servo supply NOW")
    # No node has offered it so far, as of a servo_output that is being started again.
    stopped = fake_stack.answers("emergency_stop", lambda _: None)
    fake_stack.probe.node.create_service(Trigger, "emergency_stop", stopped)
    fake_stack.asks("emergency_stop", None)
    # Held on, it is no new press; the dead-man counts when it was let go.
    fake_stack.says("let the dead-man go once")
    fake_stack.asked.clear()
    assert fake_stack.is_silent(fake_stack.asked, 0.3)
    gamepad.show()
    fake_stack.says("not held")
    # Without the dead-man, and even with a message that is too short.
    gamepad.show({}, 1, count=2)
    fake_stack.asks("emergency_stop", None)


def test_standing_up_and_sitting_down(fake_stack: FakeStack, gamepad: GamepadRig) -> None:
    gamepad.show(None, 7)
    assert fake_stack.is_silent(fake_stack.asked, 2.3)
    gamepad.show()
    fake_stack.says("not held")
    gamepad.show(WALK, 7)
    fake_stack.asks("enable", True)
    gamepad.show(None, 6)
    fake_stack.asks("enable", False)
    assert fake_stack.asked == [("enable", True), ("enable", False)]


def test_the_hat_chooses_the_gait(fake_stack: FakeStack, gamepad: GamepadRig) -> None:
    for push, gait in ((-1.0, "trot"), (-1.0, "creep"), (1.0, "trot"), (1.0, "creep")):
        gamepad.show({6: push})
        fake_stack.asks("gait", gait)
        gamepad.show()
        fake_stack.says("not held")
        assert fake_stack.is_silent(fake_stack.asked, 0.1)


# Posing


def test_posing_moves_the_target_and_leaves_it_where_it_is(fake_stack: FakeStack, gamepad: GamepadRig) -> None:
    height = load_robot(find_robot("greenhouse_inspector")).standing.height
    gamepad.show({4: 1.0}, 4)
    fake_stack.probe.wait(
        lambda: fake_stack.targets and fake_stack.targets[-1].pose.position.z > height + 0.0299, "the full range", 5.0
    )
    heights = [message.pose.position.z for message in fake_stack.targets]
    assert max(b - a for a, b in zip([height, *heights], heights)) < 0.002
    assert fake_stack.targets[-1].header.frame_id == "test/base_footprint"
    assert not fake_stack.kept
    gamepad.show()
    fake_stack.probe.wait(lambda: fake_stack.kept, "the pose that is left", 5.0)
    assert fake_stack.kept[-1].pose == fake_stack.targets[-1].pose
    assert fake_stack.is_silent(fake_stack.targets, 0.2)
    # The other group leaves these offsets alone, and the middle of the stick is the middle of the range.
    gamepad.show({**TILT, 1: 1.0})
    fake_stack.probe.wait(lambda: fake_stack.targets[-1].pose.orientation.y > 0.069, "the front down by 8 degrees", 5.0)
    assert fake_stack.targets[-1].pose.position.z == pytest.approx(height + 0.03)
    gamepad.show(None, 4)
    fake_stack.probe.wait(lambda: fake_stack.targets[-1].pose.position.z == pytest.approx(height), "the middle", 5.0)
    assert len(fake_stack.kept) == 1


def test_only_an_active_robot_is_posed(fake_stack: FakeStack, gamepad: GamepadRig) -> None:
    fake_stack.state("off")
    gamepad.show({**TILT, 1: 1.0})
    fake_stack.says("posed only while the robot is active; its state is off")
    before = len(fake_stack.kept)
    assert fake_stack.is_silent(fake_stack.targets, 0.3)
    fake_stack.state("active")
    fake_stack.probe.wait(lambda: fake_stack.targets and fake_stack.targets[-1].pose.orientation.y > 0.02, "posed", 5.0)
    # It was off: the offsets began from the standing pose, and those of a robot that goes off are not kept.
    fake_stack.state("off")
    fake_stack.says("its state is off")
    gamepad.show()
    fake_stack.says("not held")
    assert len(fake_stack.kept) == before
