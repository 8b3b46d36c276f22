"""`Robot.walk_to` on a made-up robot that slips as it is told to."""

from __future__ import annotations

from collections.abc import Iterator
from math import degrees, hypot, radians

import pytest

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from simulated_client import SOUND, client_on
from slipping_stack import SlippingStack

from quadleg.client import EstimateSource, Robot, WalkResult, walking
from quadleg.errors import NotReached
from quadleg.geometry.planar import ZERO_TWIST, Planar, compose_planar
from quadleg.middleware.simulated_bus import SimulatedBus
from quadleg.middleware.simulated_time import SimulatedTime

MOST_OFF, MOST_TURNED = 0.015, radians(3.0)  # as walk_to's words have it


def walk_to(robot: Robot, goal: Planar) -> WalkResult:
    return robot.walk_to(x_mm=1000 * goal[0], y_mm=1000 * goal[1], heading_deg=degrees(goal[2]))


def planar(result: WalkResult) -> Planar:
    reached = result.reached
    return reached.forward_mm / 1000, reached.left_mm / 1000, radians(reached.heading_deg)


@pytest.fixture
def slippery() -> SlippingStack:
    return SlippingStack(SimulatedBus(SimulatedTime(), conditions=SOUND))


@pytest.fixture
def robot(slippery: SlippingStack) -> Iterator[Robot]:
    with client_on(slippery.bus) as robot:
        yield robot


def off(place: Planar, goal: Planar) -> tuple[float, float]:
    return hypot(place[0] - goal[0], place[1] - goal[1]), abs(place[2] - goal[2])


def test_it_goes_by_odometry_where_that_is_heard(robot: Robot, slippery: SlippingStack):
    slippery.grip, slippery.drift = 0.8, 0.5
    for goal in ((0.3, 0.1, 0.5), (-0.1, 0.0, 4.0)):  # more than half a turn too
        slippery.began = slippery.place
        result = walk_to(robot, goal)
        assert result.source is EstimateSource.ODOMETRY
        came = planar(result)
        distance, turn = off(slippery.went, goal)
        assert distance < MOST_OFF
        assert turn < MOST_TURNED
        # It drifts on while the last of its odometry is on the way; by the plan alone it would be 0.06 m off.
        assert came == pytest.approx(slippery.went, abs=5e-3)


def test_where_it_is_not_known_what_is_level_it_goes_by_the_plan(robot: Robot, slippery: SlippingStack):
    slippery.grip, slippery.known_tilt = 0.8, 0.1
    goal = (0.3, 0.0, 0.0)
    result = walk_to(robot, goal)
    assert result.source is EstimateSource.PLAN
    came = planar(result)
    assert came == pytest.approx(slippery.planned, abs=1e-3)
    assert came == pytest.approx(goal, abs=0.003)
    assert slippery.went[0] == pytest.approx(0.24, abs=0.005)


def test_an_estimate_that_ends_on_the_way_is_gone_on_with_by_the_plan(robot: Robot, slippery: SlippingStack):
    slippery.grip = 0.8
    robot.walk(forward_m_s=0.2, seconds=0.5)
    slippery.began, slippery.planned = slippery.place, ZERO_TWIST
    before: list[Planar] = []

    def on_plan(_: object) -> None:
        if slippery.went[0] > 0.1 and not before:
            slippery.known_tilt = 0.1
            before.extend((slippery.went, slippery.planned))

    robot.on_plan = on_plan
    came = planar(robot.walk_to(x_mm=300))
    went, planned = before
    assert came[0] == pytest.approx(went[0] + slippery.planned[0] - planned[0], abs=0.01)


def test_it_walks_on_where_it_slips_with_its_last_step(robot: Robot, slippery: SlippingStack):
    stops: list[Planar] = []

    def slip() -> None:
        if not stops:
            slippery.place = compose_planar(slippery.place, (-0.04, 0.02, 0.1))
        stops.append(slippery.went)

    slippery.on_stop = slip
    came = planar(robot.walk_to(x_mm=200))
    assert len(stops) == 2
    assert off(stops[0], (0.2, 0.0, 0.0))[0] > 0.03
    assert off(slippery.went, (0.2, 0.0, 0.0))[0] < MOST_OFF
    assert came == pytest.approx(slippery.went, abs=1e-3)


def test_a_robot_that_does_not_come_nearer_is_said_to_by_odometry(
    robot: Robot, slippery: SlippingStack, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(walking, "WALK_PATIENCE", 0.5)
    slippery.grip = 0.0
    with pytest.raises(
        NotReached, match=r"still (99|100) mm and 5\.\d° away by odometry after .*; the plan went"
    ) as found:
        walk_to(robot, (0.1, 0.0, 0.1))
    assert found.value.result.error_mm == pytest.approx(100, abs=1)


def test_a_robot_that_does_not_come_to_a_square_stance_says_how_far_it_came(
    robot: Robot, slippery: SlippingStack, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(walking, "STOP_WALKING_WITHIN", 1.0)
    slippery.steps_on = True
    with pytest.raises(NotReached, match=r"no square stance.*; it came ") as caught:
        robot.walk(forward_m_s=0.2, seconds=0.4)
    assert planar(caught.value.result) == pytest.approx((0.08, 0.0, 0.0), abs=0.02)
