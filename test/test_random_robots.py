"""The random robots that others are tested with: drawn by a seed, within what people build."""

from __future__ import annotations

import numpy as np
import pytest
from random_robots import (
    KNEES,
    LINKS_MM,
    MASSES_G,
    OFF_CENTRE_MM,
    TORQUES_KG_CM,
    random_robot,
    random_robots,
    with_torque,
)

from quadleg.dynamics.centre_of_mass import centre_of_mass
from quadleg.kinematics.body_pose import stance_angles

KG_CM = 0.0980665  # N·m


def test_a_seed_and_a_number_decide_the_file() -> None:
    assert random_robot(3, 5).text == list(random_robots(2, 3, start=4))[1].text
    assert len({drawn.text for seed in (3, 4) for drawn in random_robots(4, seed)}) == 8


def test_they_cover_what_people_build_and_no_more() -> None:
    robots = [drawn.robot for drawn in random_robots(50, 1)]
    links = np.array([(1000 * robot.legs[0].upper_length, 1000 * robot.legs[0].lower_length) for robot in robots])
    masses = np.array([1000 * robot.masses.total for robot in robots])
    torques = np.array([robot.joints[0].servo.kind.stall_torque / KG_CM for robot in robots])
    for values, (low, high) in ((links, LINKS_MM), (masses, MASSES_G), (torques, TORQUES_KG_CM)):
        assert low - 0.5 <= values.min() < 1.6 * low
        assert 0.6 * high < values.max() <= high + 0.5
    assert len({(robot.legs[0].knee_sign, robot.legs[2].knee_sign) for robot in robots}) == len(KNEES)
    off = [np.hypot(*centre_of_mass(robot, stance_angles(robot, robot.standing))[:2]) for robot in robots]
    assert 0.5 * OFF_CENTRE_MM < 1000 * max(off) < 2 * OFF_CENTRE_MM  # knees that all point one way add theirs
    assert sum(bool(robot.frames) for robot in robots) > 25


def test_stronger_servos_draw_more() -> None:
    robot = random_robot(1, 0).robot
    kind, stronger = (one.joints[7].servo.kind for one in (robot, with_torque(robot, 2.0)))
    assert stronger.stall_torque == pytest.approx(2 * kind.stall_torque)
    assert stronger.stall_current == pytest.approx(2 * kind.stall_current)
    assert stronger.no_load_speed == kind.no_load_speed
