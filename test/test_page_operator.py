"""What becomes of the commands of a page, and what it is told, without a browser and without ROS."""

from __future__ import annotations

import json
from dataclasses import replace
from math import nan
from typing import Any

import pytest
from fake_link import LIMITS, FakeLink

from quadleg.geometry.planar import ZERO_TWIST
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import RobotModel
from quadleg.robot_file.load import find_robot, load_robot
from quadleg.safety.node_status import NodeStatus
from quadleg.teleop.body_offsets import RANGE, BodyOffsets
from quadleg.teleop.stack_link import Service
from quadleg.teleop.stack_operator import StackOperator
from quadleg.viewer.live_view import SILENT, HeardState, LiveView
from quadleg.viewer.page_operator import OWN_POSE_HOLDS, PageOperator

HEIGHT = 0.14


@pytest.fixture(scope="module")
def robot() -> RobotModel:
    return load_robot(find_robot("greenhouse_inspector"))


class PageRig:
    """A page's operator on a link to no stack."""

    def __init__(self, robot: RobotModel, state: str) -> None:
        self.link = FakeLink()
        self.operator = StackOperator(self.link, BodyOffsets(robot.standing.height, RANGE), lambda said: None)
        self.page = PageOperator(robot, self.operator, {"height": (0.05, 0.2)})
        self.operator.hear_state(state, "for a test")
        self.operator.hear_limits(LIMITS)

    def ask(self, kind: str, **values: Any) -> str:
        return self.page.hear(1, json.dumps({"kind": kind, **values}), self.link.time)

    def tick(self, pose_elsewhere: str = "") -> None:
        self.link.time += 0.05
        self.page.tick(self.link.time, pose_elsewhere)


def test_a_stop_is_called_at_once_and_nothing_asked_for_before_comes_after_it(robot: RobotModel) -> None:
    rig = PageRig(robot, "active")
    assert rig.ask("walk", forward=1, left=0, turn_left=0) == ""
    rig.tick()
    assert rig.link.velocities == [(0.07, 0.0, 0.0)]
    assert rig.ask("stop") == ""
    assert len(rig.link.waiting[Service.EMERGENCY_STOP]) == 1
    rig.tick()
    assert rig.link.velocities[1:] == [ZERO_TWIST]
    assert len(rig.link.waiting[Service.EMERGENCY_STOP]) == 2


def test_a_reset_comes_after_the_stops_before_it_are_answered(robot: RobotModel) -> None:
    rig = PageRig(robot, "active")
    rig.link.socket_is_slow = True
    for kind in ("stop", "stop", "reset"):
        assert rig.ask(kind) == ""
    rig.tick()
    assert Service.RESET not in rig.link.waiting
    while rig.link.waiting[Service.EMERGENCY_STOP]:
        rig.link.answer(Service.EMERGENCY_STOP)
    rig.tick()
    assert Service.RESET not in rig.link.waiting, "the stop socket, which may stop it once more, owes an answer"
    for answered in rig.link.at_socket:
        answered()
    rig.tick()
    assert len(rig.link.waiting[Service.RESET]) == 1


def test_a_reset_comes_after_a_stop_that_is_asked_for_again_and_waits_for_its_next_call(robot: RobotModel) -> None:
    rig = PageRig(robot, "active")
    assert rig.ask("stop") == ""
    rig.tick()
    while rig.link.waiting[Service.EMERGENCY_STOP]:
        rig.link.answer(Service.EMERGENCY_STOP)
    for kind in ("stop", "reset"):
        assert rig.ask(kind) == ""
    rig.link.answer(Service.EMERGENCY_STOP)
    rig.tick()
    assert Service.RESET not in rig.link.waiting
    for _ in range(5):  # until stops are called again
        rig.tick()
    rig.link.answer(Service.EMERGENCY_STOP)
    rig.tick()
    assert len(rig.link.waiting[Service.RESET]) == 1
    for _ in range(20):
        rig.tick()
    assert not rig.link.waiting[Service.EMERGENCY_STOP]


def test_what_a_robot_in_its_state_cannot_do_is_refused(robot: RobotModel) -> None:
    rig = PageRig(robot, "off")
    assert rig.ask("sit") == ""
    assert rig.ask("pose", axis="height", value=HEIGHT) == "the state is off: the robot has to stand first"
    assert "first confirm that the legs are in the resting pose" in rig.ask("stand")
    assert rig.ask("gait", gait="pace") == "there is no gait 'pace'; there are creep, trot"
    assert rig.ask("stand", legs_placed=True) == ""
    rig.tick()
    assert not rig.link.poses
    assert rig.link.waiting[Service.ENABLE]


def test_sliders_follow_who_asks_for_a_pose(robot: RobotModel) -> None:
    rig = PageRig(robot, "active")
    rig.tick("0 0 0.11 0 0 0")
    assert rig.page.shown_pose["height"] == 0.11
    rig.ask("pose", axis="height", value=HEIGHT)
    rig.tick("0 0 0.11 0 0 0")
    rig.tick("0 0 0.11 0 0 0")
    assert rig.page.shown_pose["height"] == HEIGHT
    assert rig.link.poses[-1].position[2] == HEIGHT
    rig.link.time += OWN_POSE_HOLDS
    rig.tick("0 0 0.12 0 0 0")
    assert rig.page.shown_pose["height"] == 0.12


class SilentScene:
    def show(self, *_: Any) -> None: ...

    def draw_trail(self, _: Any) -> None: ...


def test_without_odometry_the_robot_goes_as_it_is_planned_and_silence_is_said(robot: RobotModel) -> None:
    rig = PageRig(robot, "active")
    view = LiveView(robot, SilentScene(), rig.link.time)
    angles = stance_angles(robot, robot.standing)
    heard = HeardState(
        angles=angles,
        commanded=angles,
        odom=None,
        planned=robot.standing.feet,
        twist=(0.1, 0.0, 0.0),
        loads=[3.0] * 4,
        estimated=False,
        supply=(6.0, nan),
        statuses={"servo_output": NodeStatus("following")},
        ages={"joint_states": 0.0, "joint_commands": SILENT + 0.1, "joint_watchdog": 1.0},
        diagnoses={},
    )
    for _ in range(20):
        rig.tick()
        news = view.news(heard, rig.operator, rig.page, rig.link.time, drawn=True)
    assert news["plan"]["path"][0][0] == pytest.approx(-0.1, abs=0.02)
    assert news["plan"]["load_source"] == "planned"
    assert news["silent"] == {"joint_watchdog": 0.6}
    assert news["supply"] == [6.0, None, ""]
    for state in ("off", "fault"):  # in which it may send no commands, while its diagnostics come
        rig.operator.hear_state(state, "for a test")
        assert view.news(heard, rig.operator, rig.page, rig.link.time, drawn=True)["silent"] == {}
    assert view.news(replace(heard, angles=None), rig.operator, rig.page, rig.link.time, drawn=False)["plan"] is None
    json.dumps(news)
