"""A bad supply and a fall through all nodes, judged by the board's registers and servos."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from contextlib import contextmanager
from math import cos, nan, radians, sin

import pytest

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from foreign_targets import ForeignTargets, step_shares
from rclpy.qos import qos_profile_sensor_data
from sensor_msgs.msg import BatteryState, Imu
from simulated_client import SimulatedProbe, repeated
from sound_stack import SoundStack, shared_probe, shared_stack, standing
from trajectory_msgs.msg import JointTrajectory

from quadleg.client import Robot
from quadleg.errors import Refused
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import stance_angles

OFF_WITHIN = 0.1  # s


def battery(voltage: float = nan, current: float = nan, present: bool = True) -> BatteryState:
    """A supply measured so; by the message's definition a current drawn is negative."""
    return BatteryState(voltage=voltage, current=-current, present=present)


def upright() -> Imu:
    message = Imu()
    message.linear_acceleration.z = 9.8
    return message


def on_its_side() -> Imu:
    message = upright()
    message.orientation.w, message.orientation.x = cos(radians(45)), sin(radians(45))
    return message


def on_its_side_by_acceleration() -> Imu:
    message = Imu()
    message.orientation_covariance[0] = -1.0  # REP-145: no orientation
    message.linear_acceleration.y = 9.8
    return message


@contextmanager
def moving(stack: SoundStack, robot: Robot) -> Iterator[None]:
    """In the middle of a move of the body; how it ends is the test's concern."""
    robot.stand()
    robot.send(Pose.from_rpy(0.0, 0.0, 0.12, 0.0, 0.0, 0.0))
    stack.wait_until(lambda: stack.height() < 0.145, "on the way", 10.0)
    yield


@pytest.mark.parametrize("lost", [battery(voltage=0.4), battery(voltage=6.0, present=False)], ids=["0.4 V", "absent"])
def test_a_supply_lost_in_mid_move_switches_off_at_once_and_is_a_fault(
    shared_stack: SoundStack, standing: Robot, shared_probe: SimulatedProbe, lost: BatteryState
) -> None:
    supply = shared_probe.publisher(BatteryState, "supply")
    with moving(shared_stack, standing):
        begun = shared_stack.now
        supply.publish(lost)
        shared_stack.wait_until(lambda: shared_stack.powered() == 0, "limp", 5.0)
        took = shared_stack.now - begun
        standing.wait_for("fault", within=5.0)
    assert took < OFF_WITHIN
    assert standing.status().why.startswith("servo supply lost: ")
    with pytest.raises(Refused, match=r"servo supply lost.*`quadleg reset` first"):
        standing.stand()
    standing.reset()
    supply.publish(lost)
    shared_probe.wait(lambda: refused(standing, "not enabled: servo supply lost"), "a refusal", 5.0)
    supply.publish(battery(voltage=6.0))
    standing.stand()


def refused(robot: Robot, words: str) -> bool:
    try:
        robot.enable(True)
    except Refused as error:
        return words in str(error)
    return False


def test_a_low_supply_brings_it_down_gently_with_power_to_the_ground(
    shared_stack: SoundStack, standing: Robot, shared_probe: SimulatedProbe
) -> None:
    supply = shared_probe.publisher(BatteryState, "supply")
    with repeated(shared_probe, supply, battery(voltage=5.0, current=3.0), rate=10):
        standing.wait_for("lowering", within=5.0)
        assert shared_stack.powered() == 12
        assert standing.status().why.startswith("servo supply low: 5.00 V, the limit is 5.10 V")
        values = standing.status().values("joint_watchdog")
        assert (values["supply_v"], values["supply_a"]) == ("5.00", "3.00")
        shared_stack.wait_until(
            lambda: shared_stack.height() < shared_stack.model.resting.height + 0.002, "on the ground", 20.0
        )
        standing.wait_for("off", within=5.0)
    shared_stack.wait_until(lambda: shared_stack.powered() == 0, "limp at rest", 2.0)
    # A supply that nobody measures any more is no obstacle.
    shared_stack.wait_until(lambda: not refused(standing, "servo supply low"), "the low voltage is forgotten", 5.0)
    standing.wait_for("active", within=20.0)


def test_a_current_over_the_rating_slows_then_holds_then_lowers(
    shared_stack: SoundStack, standing: Robot, shared_probe: SimulatedProbe
) -> None:
    supply = shared_probe.publisher(BatteryState, "supply")
    rest, stands = shared_stack.model.resting, shared_stack.model.standing
    commands = shared_probe.hear(JointTrajectory, "joint_commands")
    with ForeignTargets(shared_stack, shared_probe, standing) as foreign:
        standing.wait_for("active", within=5.0)
        with repeated(shared_probe, supply, battery(voltage=5.8, current=21.0), rate=50):
            words = "slowed to half of the servos' speed: supply gives 21.0 A, it is rated for 20 A"
            standing.wait(lambda: words in standing.last.why, 5.0, lambda: words)
            seen = len(commands)
            poses = [stance_angles(shared_stack.model, stance) for stance in (rest, stands)]
            for pose in itertools.cycle(poses):  # there and back, until the hold
                foreign.angles, here = list(pose), len(commands)
                shared_probe.wait(lambda n=here: len(commands) > n + 10 or standing.last.state == "hold", "hold", 5.0)
                if standing.last.state == "hold":
                    break
            slowed = commands[seen:]
            assert shared_stack.powered() == 12
            standing.wait_for("lowering", within=5.0)
            assert shared_stack.powered() == 12
            standing.wait_for("off", within=20.0)
    assert max(step_shares(slowed, shared_stack.model)) == pytest.approx(0.5, abs=1e-6)
    shared_stack.wait_until(lambda: shared_stack.powered() == 0, "limp at rest", 2.0)


def test_a_current_back_under_the_rating_leaves_a_hold_that_enable_ends(
    shared_stack: SoundStack, standing: Robot, shared_probe: SimulatedProbe
) -> None:
    supply = shared_probe.publisher(BatteryState, "supply")
    with repeated(shared_probe, supply, battery(current=21.0), rate=20):
        standing.wait_for("hold", within=5.0)
        assert refused(standing, "not enabled: supply gives 21.0 A")
    with repeated(shared_probe, supply, battery(current=2.0), rate=20):
        shared_stack.wait_until(lambda: not refused(standing, "not enabled"), "goes on", 5.0)
        standing.wait_for("active", within=5.0)
    assert shared_stack.powered() == 12


@pytest.mark.parametrize("fallen", [on_its_side(), on_its_side_by_acceleration()], ids=["orientation", "acceleration"])
def test_a_tipped_body_switches_off_at_once(
    shared_stack: SoundStack, standing: Robot, shared_probe: SimulatedProbe, fallen: Imu
) -> None:
    imu = shared_probe.node.create_publisher(Imu, "imu/data", qos_profile_sensor_data)
    shared_stack.wait_until(lambda: imu.get_subscription_count() > 0, "a subscriber of imu/data", 10.0)
    with repeated(shared_probe, imu, upright(), rate=50):
        standing.wait(
            lambda: standing.last.values("joint_watchdog").get("tilt_deg") == "0.00", 5.0, lambda: "an upright body"
        )
        standing.wait_for("active", within=5.0)
    begun = shared_stack.now
    with repeated(shared_probe, imu, fallen, rate=50):
        shared_stack.wait_until(lambda: shared_stack.powered() == 0, "limp", 5.0)
        took = shared_stack.now - begun
        standing.wait_for("off", within=5.0)
        assert standing.status().why == "body tipped by 90°, the limit is 45°"
        with pytest.raises(Refused, match="not enabled: body tipped by 90°"):
            standing.stand()
    assert took < 0.1 + 0.02 + OFF_WITHIN  # it has to last, and messages come every 20 ms
    with repeated(shared_probe, imu, upright(), rate=50):
        shared_stack.wait_until(lambda: not refused(standing, "body tipped"), "enabled again", 5.0)
        standing.wait_for("active", within=20.0)


# The board


def test_after_a_loss_of_power_it_stands_again_as_from_cold(shared_stack: SoundStack, standing: Robot) -> None:
    with moving(shared_stack, standing):
        shared_stack.eye.power_loss()
        standing.wait_for("fault", within=2.0)
    assert shared_stack.powered() == 0
    assert "lost its power" in standing.status().why
    with pytest.raises(Refused, match="reset"):
        standing.stand()
    standing.reset()
    standing.stand()
    assert shared_stack.powered() == 12
    assert shared_stack.height() == pytest.approx(0.150, abs=0.0015)


def test_a_stop_that_the_board_does_not_take_says_so_and_is_made_good(
    shared_stack: SoundStack, standing: Robot
) -> None:
    with moving(shared_stack, standing):
        shared_stack.eye.break_bus(1.5)
        with pytest.raises(Refused, match="open the switch in the servo supply NOW"):
            standing.stop()
    assert shared_stack.powered() == 12
    shared_stack.wait_until(lambda: shared_stack.powered() == 0, "pulses off once the bus is back", 5.0)
    assert standing.status().state == "fault"


def test_a_board_that_is_away_is_said_and_gone_on_with(shared_stack: SoundStack, standing: Robot) -> None:
    def said() -> dict[str, str]:
        return standing.status().values("servo_output")

    shared_stack.eye.break_bus(1.5)
    standing.pose(height_mm=149)  # frames that the board does not take, since it is away
    shared_stack.wait_until(
        lambda: "board_trouble" in said() and not said()["board_trouble"], "the board takes frames again", 5.0
    )
    assert int(said()["board_errors"]) >= 2
    standing.stand(height_mm=140)
    assert shared_stack.height() == pytest.approx(0.140, abs=0.0015)
