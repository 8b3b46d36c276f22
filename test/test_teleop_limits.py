"""Limits as gait says them, the offsets of a posed body, and others who drive."""

from __future__ import annotations

from math import degrees

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quadleg.errors import MessageError
from quadleg.gait.velocity_selection import WalkDirection
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.kinematics.body_pose import legs_inverse
from quadleg.robot_file.load import find_robot, load_robot
from quadleg.teleop.body_offsets import FULL_RANGE_TIME, RANGE, BodyOffsets
from quadleg.teleop.control_mapping import BODY
from quadleg.teleop.stack_operator import PublisherConflicts
from quadleg.teleop.velocity_scale import VelocityScale
from quadleg.topic_table import COMMAND_FRESH

ROBOT = load_robot(find_robot("greenhouse_inspector"))
SAID = """\
gait: creep
gaits: [creep, trot, amble]
max_velocity: [0.07, 0.045, 0.44]   # m/s forward, m/s to the left, rad/s to the left
min_velocity: [-0.06, -0.04, -0.5]
footprint: "[[0.16, 0.13], [0.16, -0.13]]"
"""
share = st.floats(-1.0, 1.0)


def test_a_full_stick_is_the_limit_to_its_side() -> None:
    limits = VelocityScale.of(SAID)
    assert limits.velocity((1.0, 1.0, 1.0)) == pytest.approx((0.07, 0.045, 0.44))
    assert limits.velocity((-1.0, -1.0, -1.0)) == pytest.approx((-0.06, -0.04, -0.5))
    assert limits.velocity((0.5, 0.0, -0.5)) == pytest.approx((0.035, 0.0, -0.25))


def test_a_way_without_a_limit_is_told() -> None:
    limits = VelocityScale.of(SAID.replace("0.045", "0.0"))
    assert limits.left_out((1.0, 0.5, -1.0)) == (WalkDirection.LEFT,)
    assert limits.left_out((1.0, -0.5, 0.0)) == ()
    assert limits.left_out((0.0, 0.0, 0.0)) == ()


@given(share, share, share)
def test_no_share_is_beyond_the_limits(x: float, y: float, yaw: float) -> None:
    limits = VelocityScale.of(SAID)
    for value, ahead, behind in zip(limits.velocity((x, y, yaw)), limits.ahead, limits.behind):
        assert behind <= value <= ahead


def test_what_gait_says_is_understood() -> None:
    gait = ROBOT.gaits[0]
    own = WalkingLimits(ROBOT, gait)
    limits = VelocityScale.of(own.in_words([gait.name, "another"]))
    assert (limits.gait, limits.gaits) == (gait.name, (gait.name, "another"))
    assert limits.ahead == pytest.approx(own.forward, abs=0.0006)
    assert limits.behind == pytest.approx(own.backward, abs=0.0006)


def test_gaits_follow_each_other_around() -> None:
    limits = VelocityScale.of(SAID)
    assert [limits.beside(gait, 1) for gait in limits.gaits] == ["trot", "amble", "creep"]
    assert limits.beside("creep", -1) == "amble"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "bare",
        "gait: [",
        SAID.replace("gaits", "gates"),
        SAID.replace("0.07,", ""),
        SAID.replace("0.07", ".nan"),
        SAID.replace("0.07", "fast"),
        SAID.replace("gait: creep", "gait: gallop"),
        SAID.replace("gait: creep", "gait: &a creep\nother: *a"),
        SAID + "# and so on\n" * 30_000,
        SAID.replace("0.07", "-0.07"),
    ],
)
def test_limits_that_are_none_are_refused(text: str) -> None:
    with pytest.raises(MessageError, match=r"^walking_limits"):
        VelocityScale.of(text)


def test_the_body_follows_with_limited_speed_and_stays() -> None:
    body = BodyOffsets(0.15, RANGE)
    assert body.follow({"shift.up": 1.0}, 0.25 * FULL_RANGE_TIME).position[2] == pytest.approx(0.15 + 0.25 * 0.03)
    assert body.follow({"tilt.nose_down": -1.0}, FULL_RANGE_TIME).rpy == pytest.approx((0.0, -0.14, 0.0))
    assert body.pose.position[2] == pytest.approx(0.15 + 0.25 * 0.03)
    body.forget()
    assert body.pose.position == (0.0, 0.0, 0.15)


@given(st.dictionaries(st.sampled_from(BODY), share), st.floats(0.001, 3.0))
def test_offsets_come_no_further_than_asked(wanted: dict[str, float], dt: float) -> None:
    body = BodyOffsets(0.15, RANGE)
    body.follow(wanted, dt)
    for axis, now in body.shares.items():
        assert abs(now) <= abs(wanted.get(axis, 0.0))


def test_each_range_alone_is_in_reach_of_the_demo_robot() -> None:
    for axis in BODY:
        for end in (-1.0, 1.0):
            pose = BodyOffsets(ROBOT.standing.height, RANGE).follow({axis: end}, FULL_RANGE_TIME)
            legs_inverse(ROBOT, pose, ROBOT.standing.feet)
    assert max(degrees(RANGE[axis]) for axis in BODY if axis.startswith("tilt")) < 12


def test_our_own_messages_are_no_rival_s() -> None:
    rivals = PublisherConflicts()
    for stamp in range(1000):
        rivals.sent(stamp)
        rivals.take(stamp, now=1.0)
        assert not rivals.drive(1.0)
    rivals.take(5000, now=2.0)
    assert rivals.drive(2.0 + COMMAND_FRESH / 2)
    assert not rivals.drive(2.0 + COMMAND_FRESH)
