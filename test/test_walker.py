"""The walk with what is known of place and slope given back; the planner's own tests are test_planner.py."""

from __future__ import annotations

from functools import cache
from math import cos, radians, sin

import pytest
from sample_robots import inspector

from quadleg.gait.walker import LOOK_PERIOD, PLACE_FRESH, Walker
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.geometry.planar import ZERO_TWIST, compose_planar, from_frame, motion
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import legs_inverse

ROBOT = inspector()
PERIOD = 0.02
FORWARD = (0.05, 0.0, 0.0)
UPRIGHT = (0.0, 0.0, 1.0)


@cache
def limits() -> WalkingLimits:
    return WalkingLimits(ROBOT, ROBOT.gait("creep"))


class WalkerRig:
    """A walker, and a robot that does what is planned but for its slip, a share; its body is posed as `body` says."""

    def __init__(self, slip: float = 0.0, **options: bool) -> None:
        self.walker = Walker(ROBOT, limits(), PERIOD, **options)
        self.body, self.slip = Pose((0.0, 0.0, ROBOT.standing.height)), slip
        self.place, self.now = ZERO_TWIST, 0.0

    def go(self, seconds: float, asked=FORWARD, estimate: bool = True, up=UPRIGHT) -> None:
        walker = self.walker
        for _ in range(round(seconds / PERIOD)):
            self.now += PERIOD
            walker.step(asked, self.now)
            x, y, yaw = walker.planner.twist
            self.place = compose_planar(self.place, motion(((1 - self.slip) * x, (1 - self.slip) * y, yaw), PERIOD))
            (x, y, z), (shift_x, shift_y) = self.body.position, walker.plan.shift
            posed = Pose((x + shift_x, y + shift_y, z), self.body.quaternion)
            if walker.body_update_due(self.now):
                walker.update_body(legs_inverse(ROBOT, posed, walker.plan.feet), up, self.now)
            if estimate and walker.uses_pose():
                x, y = from_frame(self.place, *posed.position[:2])
                walker.update_pose(Pose.from_rpy(x, y, z, 0.0, 0.0, self.place[2] + posed.rpy[2]), self.now)


def test_a_walk_that_slips_is_given_back_what_it_lost() -> None:
    lost, kept = WalkerRig(slip=0.15), WalkerRig(slip=0.15)
    lost.go(30.0, estimate=False)
    kept.go(30.0)
    slowly = 0.09  # m, lost to the first shift of the body and to the ramp
    assert lost.place[0] < 0.85 * (30 * 0.05 - slowly) + 0.03
    assert kept.place[0] > 30 * 0.05 - slowly


def test_a_body_that_is_posed_is_no_deviation_from_the_course() -> None:
    height = ROBOT.standing.height
    scene = WalkerRig()
    scene.go(5.0)
    scene.body = Pose.from_rpy(0.01, -0.008, height - 0.01, 0.05, 0.05, 0.2)
    scene.go(10.0)
    assert scene.place[1] == pytest.approx(0.0, abs=0.003)
    assert scene.place[2] == pytest.approx(0.0, abs=0.02)


def test_without_course_or_with_an_old_place_nothing_is_given_back() -> None:
    for scene in (WalkerRig(slip=0.15, keep_course=False), WalkerRig(slip=0.15)):
        scene.go(5.0)
        scene.go(PLACE_FRESH + 2 * ROBOT.gait("creep").stride_period, estimate=False)  # turned to at a stride
        assert not scene.walker.uses_pose() or scene.walker.planner.twist == pytest.approx(FORWARD)
    assert not WalkerRig(keep_course=False).walker.uses_pose()


def test_a_course_that_is_no_longer_kept_is_given_up_at_once() -> None:
    scene = WalkerRig(slip=0.15)
    scene.go(5.0)
    assert scene.walker.planner.twist[0] > 1.05 * FORWARD[0]
    scene.walker.keep_course = False
    scene.go(2 * ROBOT.gait("creep").stride_period)
    assert not scene.walker.uses_pose()
    assert scene.walker.planner.twist == pytest.approx(FORWARD)


@pytest.mark.parametrize("level", [True, False])
def test_uphill_the_body_shifts_forward_and_is_level_where_it_shall_be(level: bool) -> None:
    scene = WalkerRig(level=level)
    slope = radians(5)
    for _ in range(3):
        scene.body = Pose(scene.body.position, scene.walker.shift.quaternion)
        # Up in base_link: by the body's pitch against ground that rises ahead.
        pitch = scene.body.rpy[1] - slope
        scene.go(5.0, ZERO_TWIST, up=(-sin(pitch), 0.0, cos(pitch)))
    assert scene.walker.slope == pytest.approx(5.0, abs=0.3)
    shift = scene.walker.shift
    assert shift.position[0] > 0.005
    assert shift.rpy[1] == pytest.approx(slope if level else 0.0, abs=radians(0.3))


def test_how_much_of_what_is_possible_is_asked_for_is_told() -> None:
    walker = Walker(ROBOT, limits(), PERIOD)
    assert walker.step((2 * limits().forward[0], 0.0, 0.0), 0.0) == pytest.approx(2.0)
    assert walker.step(None, PERIOD) == 0.0


def test_it_looks_at_the_body_ten_times_a_second_at_most() -> None:
    walker = Walker(ROBOT, limits(), PERIOD)
    assert walker.body_update_due(1.0)
    walker.update_body(legs_inverse(ROBOT, Pose((0.0, 0.0, ROBOT.standing.height)), walker.plan.feet), UPRIGHT, 1.0)
    assert not walker.body_update_due(1.0 + 0.9 * LOOK_PERIOD)
    assert walker.body_update_due(1.0 + LOOK_PERIOD)
