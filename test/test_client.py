"""What a client makes of what it hears, and of its arguments, without a stack."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import FrozenInstanceError
from math import inf, nan
from typing import Any

import pytest
import sample_robots
from node_reports import GAIT, report

from quadleg.client import GroundMove, Robot, Snapshot
from quadleg.client.gait_report import GaitReport
from quadleg.client.keywords import check_place
from quadleg.client.override_watch import OverrideWatch
from quadleg.client.posing import PoseRequest
from quadleg.client.results import EstimateSource, WalkResult
from quadleg.client.walking import WalkClock
from quadleg.errors import NotReached, Overridden, Refused
from quadleg.geometry.planar import ZERO_TWIST
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import legs_inverse
from quadleg.robot.model import JOINT_NAMES
from quadleg.safety.catalogue import Reason
from quadleg.safety.node_status import NodeStatus
from quadleg.safety.reason_codes import ReasonCode

ASKED = 1_000
MODEL = sample_robots.inspector()


def standing(state: str, motion: str, planned: float, height: float, **more: object) -> Snapshot:
    """A robot that stands still at a height in m, and whose base_motion says a height and how it moves."""
    angles = legs_inverse(MODEL, Pose.from_rpy(0, 0, height, 0, 0, 0), MODEL.standing.feet)
    values = {"target_stamp": ASKED, "motion": motion, "planned": f"0 0 {planned} 0 0 0", **more}
    now = (
        Snapshot()
        .with_status("joint_watchdog", NodeStatus(state), 0.0)
        .with_reports({"base_motion": report(motion, **values)})
    )
    return now.with_angles(dict(zip(JOINT_NAMES, angles))).with_angles(dict(zip(JOINT_NAMES, angles)))


def reached(now: Snapshot, time: float = 1.0) -> bool:
    return PoseRequest(ASKED).reached(now, time, MODEL)


def test_the_servos_are_there_where_the_plan_has_arrived_and_they_stand_by_it() -> None:
    assert reached(standing("active", "arrived", 0.130, 0.131))
    assert not reached(standing("active", "arrived", 0.130, 0.145))
    assert not reached(standing("active", "moving", 0.145, 0.145))


def test_a_hold_between_the_plan_s_arrival_and_the_servos_is_no_arrival() -> None:
    assert not reached(standing("hold", "waiting", 0.145, 0.145))
    with pytest.raises(NotReached, match=r"^the robot is in hold"):
        reached(standing("hold", "waiting", 0.145, 0.145), time=10.0)


def test_a_plan_that_is_stopped_is_not_reached() -> None:
    with pytest.raises(NotReached, match="stopped"):
        reached(standing("active", "stopped", 0.145, 0.145))


def test_a_body_that_does_not_follow_for_a_while_is_told_with_its_code_where_and_how_much() -> None:
    now, request = standing("active", "arrived", 0.14, 0.14), PoseRequest(ASKED)
    weak = {"following": "torque_limit", "following_where": "rear_left_knee", "following_figure": "104 % of stall"}
    lags = now.with_status("joint_watchdog", NodeStatus("active", figures=weak), 0.0)
    sound = NodeStatus("active", figures={"following": "follows"})
    assert request.reached(now.with_status("joint_watchdog", sound, 0.0), 1.0, MODEL)
    assert request.following.shortfall == ""
    assert request.reached(lags, 2.0, MODEL)  # a short lag is in the result
    assert request.following.shortfall == "torque limit, rear_left_knee, 104 % of stall"
    request.reached(now, 2.5, MODEL)
    request.reached(lags, 3.0, MODEL)
    with pytest.raises(
        NotReached, match=r"does not follow its commands \(torque limit, rear_left_knee, 104 % of stall"
    ):
        request.reached(lags, 4.1, MODEL)


def test_a_pose_that_another_target_replaces_is_overridden() -> None:
    request = PoseRequest(ASKED)
    assert not request.taken(standing("active", "moving", 0.14, 0.15, target_stamp=7))  # not heard yet
    assert request.taken(standing("active", "moving", 0.14, 0.15))
    with pytest.raises(Overridden, match="another base target"):
        request.taken(standing("active", "moving", 0.14, 0.15, target_stamp=2_000))
    with pytest.raises(Overridden, match="teleop/base_target"):
        PoseRequest(ASKED).taken(standing("active", "moving", 0.14, 0.15, asker="teleop/base_target"))


def commanded(gait: tuple[str, int] = ("", 0), body: tuple[str, int] = ("", 0), heard: float = 10.0) -> Snapshot:
    """A robot that follows the velocity and the base target of these topics and stamps."""
    reports = {
        "gait": report(heard=heard, asker=gait[0], asker_stamp=str(gait[1])),
        "base_motion": report(heard=heard, asker=body[0], target_stamp=str(body[1])),
    }
    return Snapshot().with_status("joint_watchdog", NodeStatus("active"), 0.0).with_reports(reports)


def watch() -> OverrideWatch:
    sent = (("cmd_vel", 1), ("cmd_vel", 2), ("base_target", 3), ("teleop/base_target", 4))
    watch = OverrideWatch({topic for topic, _ in sent}, began=5.0)
    for topic, stamp in sent:
        watch.sent(topic, stamp)
    return watch


@pytest.mark.parametrize("gait", [("", 0), ("cmd_vel", 1), ("cmd_vel", 2)])
@pytest.mark.parametrize("body", [("", 0), ("base_target", 3), ("teleop/base_target", 4), ("base_target", 99)])
def test_own_commands_and_a_target_from_before_override_nothing(gait: tuple[str, int], body: tuple[str, int]) -> None:
    watch().judge(commanded(gait, body))


@pytest.mark.parametrize(
    ("gait", "body", "words"),
    [
        (("teleop/cmd_vel", 7), ("", 0), "drives the robot, by teleop/cmd_vel"),
        (("cmd_vel", 7), ("", 0), "drives the robot, by another publisher of cmd_vel"),
        (("", 0), ("teleop/base_target", 7), "poses the body, on teleop/base_target"),
    ],
)
def test_commands_of_another_override_once_older_ones_have_aged(
    gait: tuple[str, int], body: tuple[str, int], words: str
) -> None:
    with pytest.raises(Overridden, match=words):
        watch().judge(commanded(gait, body))
    watch().judge(commanded(gait, body, heard=5.2))


def test_a_target_of_another_overrides_once_the_own_one_was_taken() -> None:
    overridden = watch()
    overridden.judge(commanded(body=("base_target", 99)))
    overridden.judge(commanded(body=("base_target", 3)))
    with pytest.raises(Overridden, match="another base target came"):
        overridden.judge(commanded(body=("base_target", 99)))


def test_the_seconds_of_a_walk_run_neither_before_it_sets_off_nor_while_it_holds() -> None:
    clock, now, period = WalkClock(2.0), 10.0, 0.05
    begun = now
    while clock.tick(
        active=not 1.0 <= now - begun < 2.5, planned=ZERO_TWIST if now - begun < 0.5 else (0.01, 0.0, 0.0), now=now
    ):
        now += period
    assert now - begun == pytest.approx(0.5 + 1.5 + 2.0, abs=3 * period)


def test_a_snapshot_is_frozen_and_what_comes_after_makes_another() -> None:
    first = Snapshot().with_status("joint_watchdog", NodeStatus("off", Reason.of(ReasonCode.NOT_ENABLED)), 1.0)
    second = first.with_status("joint_watchdog", NodeStatus("off", Reason.of(ReasonCode.RESET)), 2.0)
    second = second.with_angles({"a": 1.0}).with_reports({"gait": report("stands")})
    assert (first.why, dict(first.angles), dict(first.diagnostics)) == ("not enabled yet", {}, {})
    assert second.state_since == 1.0
    assert second.with_status("joint_watchdog", NodeStatus("rising"), 3.0).state_since == 3.0
    with pytest.raises(FrozenInstanceError):
        first.state_since = 2.0  # type: ignore[misc]
    for mapping in (second.angles, second.diagnostics, second.statuses, Snapshot().angles):
        with pytest.raises(TypeError):
            mapping["b"] = 2.0  # type: ignore[index]


def test_what_is_known_names_state_reason_warnings_and_silent_nodes() -> None:
    active = NodeStatus("active", Reason.of(ReasonCode.TARGETS_FOLLOWED))
    now = Snapshot().with_status("joint_watchdog", active, 0.0)
    now = now.with_status("servo_output", NodeStatus("following"), 0.0)
    now = now.with_reports(
        {
            "base_motion": report("goes no further, stopped by rear_left", b"\x01", heard=9.0),
            "gait": report("stands", heard=2.0),
        }
    )
    said = now.condition(10.0, ("base_motion", "gait", "front_left_ik"))
    assert said == (
        "the robot is active (following the joint targets); base_motion: goes no further, stopped by rear_left; "
        "no diagnostics of front_left_ik; gait is silent for 8 s"
    )
    assert "servo_output is not heard" in Snapshot().condition(0.0, ())


# Arguments: they are judged before a stack is looked for, so no robot is needed


class Unconnected(Robot):
    """A robot that has no stack, and is asked for nothing: its arguments are wrong."""

    def __init__(self) -> None:
        pass


OLD = {
    ("walk", "vx"): "forward_m_s",
    ("walk", "vy"): "left_m_s",
    ("walk", "yaw_rate"): "turn_deg_s",
    ("walk_to", "x"): "x_mm",
    ("walk_to", "y"): "y_mm",
    ("walk_to", "heading"): "heading_deg",
}


@pytest.mark.parametrize(("call", "old"), OLD)
def test_an_old_keyword_is_refused_with_the_new_one(call: str, old: str) -> None:
    with pytest.raises(TypeError, match=rf"no '{old}' any more: write {OLD[call, old]}"):
        getattr(Unconnected(), call)(**{old: 0.1})


@pytest.mark.parametrize(("call", "first"), {"walk": "forward_m_s", "walk_to": "x_mm", "pose": "height_mm"}.items())
def test_a_position_is_refused_with_the_form_that_is_right(call: str, first: str) -> None:
    with pytest.raises(TypeError, match=rf"{call}\({first}=\.\.\."):
        getattr(Unconnected(), call)(0.05, 2)
    with pytest.raises(TypeError, match=r"stand\(height_mm=\.\.\.\)"):
        Unconnected().stand(150)


def test_an_unknown_keyword_is_a_type_error_too() -> None:
    with pytest.raises(TypeError, match="fast"):
        Unconnected().walk(fast=True, seconds=1)
    with pytest.raises(TypeError, match="seconds"):
        Unconnected().walk(forward_m_s=0.05)


@pytest.mark.parametrize(
    ("call", "arguments", "words"),
    [
        ("walk", {"forward_m_s": 0.05, "seconds": -1}, "seconds is -1; it must be greater than 0"),
        ("walk", {"forward_m_s": 0.05, "seconds": 0}, "seconds is 0"),
        ("walk", {"forward_m_s": 0.05, "seconds": inf}, "seconds is inf"),
        ("walk", {"forward_m_s": nan, "seconds": 1}, "forward_m_s is nan"),
        ("walk", {"turn_deg_s": "fast", "seconds": 1}, "turn_deg_s is 'fast'"),
        ("walk", {"left_m_s": True, "seconds": 1}, "left_m_s is True"),
        ("walk", {"forward_m_s": 30, "seconds": 1}, "forward_m_s is 30: did you mean 0.03 m/s, which is 30 mm/s?"),
        ("walk", {"left_m_s": -20, "seconds": 1}, "did you mean -0.02 m/s"),
        ("walk", {"seconds": 1}, "no velocity is asked for"),
        ("walk_to", {"x_mm": inf}, "x_mm is inf"),
        ("walk_to", {"x_mm": 0.3, "y_mm": 0.1}, "did you mean 300 mm and 100 mm?"),
        ("walk_to", {"y_mm": -2}, "did you mean 0 mm and -2000 mm?"),
        ("walk_to", {"x_mm": 4}, "did you mean 4000 mm and 0 mm?"),
        ("walk_to", {"x_mm": 6, "y_mm": -7, "heading_deg": 20}, "did you mean 6000 mm and -7000 mm?"),
        ("walk_to", {"x_mm": 2, "within_mm": 1}, "A walk of less than 3 mm would not begin"),
        ("walk_to", {"heading_deg": 5157}, "in degrees, and more than a whole turn"),
        ("walk_to", {"x_mm": 10, "within_mm": 0}, "within_mm is 0"),
        ("stand", {"height_mm": -5}, "height_mm is -5; .* cannot be negative"),
        ("stand", {"height_mm": 0.14}, "height_mm is 0.14: did you mean 140 mm?"),
        ("stand", {"height_mm": nan}, "height_mm is nan"),
    ],
)
def test_numbers_that_make_no_sense_are_refused(call: str, arguments: Mapping[str, Any], words: str) -> None:
    with pytest.raises(Refused, match=words):
        getattr(Unconnected(), call)(**arguments)


@pytest.mark.parametrize(("x_mm", "y_mm", "within_mm"), [(10, 0, 15), (5, 0, 4), (0, 0, 15), (1e-9, 0, 15)])
def test_a_short_walk_that_is_meant_is_not_taken_for_metres(x_mm: float, y_mm: float, within_mm: float) -> None:
    check_place(x_mm, y_mm, within_mm)


# What gait says


def gait(**changes: str) -> GaitReport:
    """Of a robot that does not walk sideways."""
    one_way = {"limits_forward": "0.08 0 0.4", "limits_backward": "-0.06 0 -0.4"}
    return GaitReport.of(GAIT | one_way | changes)


def test_a_velocity_of_which_nothing_can_be_walked_is_told_with_its_axis() -> None:
    assert gait().impossible((0.05, 0.0, 0.1)) == ""
    assert "cannot walk to the right" in gait().impossible((0.05, -0.01, 0.0))
    assert "cannot lift a foot" in gait(trouble="the legs cannot lift a foot").impossible((0.05, 0.0, 0.0))


def test_the_limit_both_ways_is_the_lesser_or_the_only_one() -> None:
    assert gait().both_ways == (0.06, 0.0, 0.4)
    assert gait(limits_backward="0 0 -0.4").both_ways == (0.08, 0.0, 0.4)


def test_what_is_too_fast_is_told_by_axis_and_direction() -> None:
    assert gait().too_fast((0.08, 0.0, -0.4)) == ""
    assert gait().too_fast((-0.08, 0.0, 0.5)) == "0.08 m/s backward, at most 0.06, 0.5 rad/s turning left, at most 0.4"


# Results


def test_a_walk_s_result_has_its_error_and_says_what_was_scaled_or_overridden() -> None:
    result = WalkResult(
        GroundMove(300, 100, 30), GroundMove(303, 96, 28.5), EstimateSource.ODOMETRY, "trot", 0.5, "teleop/cmd_vel"
    )
    assert (result.error_mm, result.error_deg, result.scaled) == (5.0, 1.5, True)
    assert str(result) == (
        "asked 300.0 mm forward, 100.0 mm to the left, 30.0° to the left; reached 303.0 mm forward, 96.0 mm to the "
        "left, 28.5° to the left (5.0 mm and 1.5° off), by odometry; the velocity was scaled to 50 %, the most of the "
        "gait trot; overridden by teleop/cmd_vel"
    )
    with pytest.raises(FrozenInstanceError):
        result.scale = 1.0  # type: ignore[misc]
