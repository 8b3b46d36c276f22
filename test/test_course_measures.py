"""What a measured course tells: figures that are known of made-up motions."""

from __future__ import annotations

import re
from dataclasses import replace
from math import radians

import numpy as np
import pytest
from sample_courses import ROBOT, SECONDS, SPEED, motion, walked
from scipy.spatial.transform import Rotation

from quadleg.analysis.course_measures import BodyTrajectory, MeasuredCourse, course_figures, footholds, slips
from quadleg.kinematics.body_pose import all_forward
from quadleg.robot.model import JOINT_NAMES


def walked_way() -> float:
    places = walked().true.places
    return float(np.hypot(*(places[-1] - places[0])[:2]))


def turned(found: BodyTrajectory, turns: Rotation, shifts: np.ndarray) -> BodyTrajectory:
    """The motion with more turns (in its fixed frame) and shifts."""
    w, x, y, z = found.quaternions.T
    return motion(found.places + shifts, turns * Rotation.from_quat(np.column_stack((x, y, z, w))))


def test_an_estimate_in_another_frame_is_no_drift():
    course = walked()
    assert course.place_errors == pytest.approx(0, abs=1e-12)
    assert course.attitude_errors == pytest.approx(0, abs=1e-12)
    assert course.true.path[0, :2] == pytest.approx(0)
    assert course.distance == pytest.approx(walked_way(), abs=1e-9)


def test_the_true_speed_is_that_of_steady_walking():
    course = walked()
    # The body sways, and a few strides do not average it out for good.
    assert course.speed == pytest.approx(SPEED, rel=0.02)
    first, last = course.steady
    assert course.times[last] - course.times[first] == pytest.approx(SECONDS, abs=3.0)
    slower = replace(course, true=motion(course.true.places * [0.9, 1, 1], Rotation.identity(len(course.times))))
    assert slower.speed == pytest.approx(0.9 * course.speed)
    assert "−" in course_figures(ROBOT, slower)["speed"]


def test_a_walk_that_was_held_has_the_speed_of_its_longest_part():
    course, held = walked(), 100  # ticks
    first, last = course.steady
    at = first + (last - first) // 4
    again = np.r_[: at + 1, np.full(held, at), at + 1 : len(course.times)]
    planned = course.planned[again]
    planned[at : at + held] = 0.0
    stopped = replace(
        course,
        times=np.arange(len(again)) * 0.02,
        planned=planned,
        true=BodyTrajectory(course.true.places[again], course.true.quaternions[again]),
    )
    assert stopped.steady == (at + held, last + held)
    assert stopped.speed == pytest.approx(SPEED, rel=0.03)


def test_drift_is_seen_from_the_beginning():
    course = walked()
    grows = np.linspace(0, 1, len(course.times))[:, None]
    ahead = Rotation.from_euler("z", 2.0).apply([0.003, 0.004, 0.0])
    drifting = replace(course, estimated=turned(course.estimated, Rotation.identity(len(grows)), grows * ahead))
    assert drifting.drift == pytest.approx(0.005)
    assert drifting.place_errors[-1] == pytest.approx([0.003, 0.004, 0])
    assert f"5.0 mm ({0.5 / walked_way():.1f} % of the way)" in course_figures(ROBOT, drifting)["drift of the estimate"]


def test_attitude_errors_are_about_the_axes_of_the_course():
    course = walked()
    errors = np.linspace(0, 1, len(course.times))[:, None] * np.radians([0.5, -0.3, 0.8])
    turns = Rotation.from_rotvec(Rotation.from_euler("z", 2.0).apply(errors))
    off = replace(course, estimated=turned(course.estimated, turns, np.zeros_like(errors)))
    assert off.attitude_errors == pytest.approx(errors, abs=1e-6)


def test_tilt_is_that_of_the_truth():
    course = walked()
    count = len(course.times)
    turns = Rotation.from_euler("y", np.linspace(0, 0.1, count)[:, None])
    tilted = replace(course, true=turned(course.true, turns, np.zeros((count, 3))))
    assert tilted.tilts.max() == pytest.approx(0.1)
    assert "5.7°" in course_figures(ROBOT, tilted)["largest tilt"]


def test_what_was_uncertain_at_the_beginning_does_not_count_later():
    """Against samples: estimates that begin with an error, and wander by chance afterwards."""
    course = walked()
    generator = np.random.default_rng(1)
    count, steps = 20_000, np.array([4e-3, 3e-3, radians(0.3)])  # m, m, rad
    begun = generator.normal(size=(count, 3)) * [4e-3, 2e-3, radians(0.3)]
    wandered = generator.normal(size=(count, 3)) * steps
    way = np.array([1.2, 0.1])

    def ended(places: np.ndarray, headings: np.ndarray, moves: np.ndarray) -> np.ndarray:
        c, s = np.cos(headings), np.sin(headings)
        return places + np.column_stack((c * moves[:, 0] - s * moves[:, 1], s * moves[:, 0] + c * moves[:, 1]))

    ends = np.column_stack((ended(begun[:, :2], begun[:, 2], way + wandered[:, :2]), begun[:, 2] + wandered[:, 2]))
    rows = np.ix_((0, 1, 5), (0, 1, 5))
    covariance = np.zeros((2, 6, 6))
    covariance[0][rows], covariance[1][rows] = np.cov(begun.T), np.cov(ends.T)
    level = Rotation.identity(2)
    found = motion(np.array([[0.0, 0.0, 0.15], [*way, 0.15]]), level)
    deviations = replace(course, estimated=found, covariance=covariance).deviations
    assert deviations[0] == pytest.approx(0, abs=1e-9)
    assert deviations[1, [0, 1, 5]] == pytest.approx(steps, rel=0.05)


def test_height_roll_and_pitch_keep_their_uncertainty():
    course = walked()
    covariance = np.zeros_like(course.covariance)
    covariance[:, [2, 3, 4], [2, 3, 4]] = np.array([0.001, 0.002, 0.002]) ** 2
    assert replace(course, covariance=covariance).deviations[-1, 2:5] == pytest.approx([0.001, 0.002, 0.002])


def rocked(slide: float) -> MeasuredCourse:
    """The robot rocks forward on its front left foot, which rolls, and slides so far besides (m)."""
    count, leg = 50, ROBOT.legs[0]
    angles = np.tile(walked().angles[0], (count, 1))
    pitch = np.linspace(0.0, 0.2, count)
    turns = Rotation.from_euler("y", pitch[:, None])
    centre = np.column_stack(
        (leg.foot_radius * pitch, slide * np.linspace(0, 1, count), np.full(count, leg.foot_radius))
    )
    foot = np.array(all_forward(ROBOT, angles[0])[0])
    course = walked()
    return replace(
        course,
        down=np.tile([True, False, False, False], (count, 1)),
        angles=angles,
        true=motion(centre - turns.apply(foot), turns),
    )


@pytest.mark.parametrize("slide", [0.0, 0.004])
def test_a_foot_that_rolls_does_not_slip(slide):
    own, *others = slips(ROBOT, rocked(slide))
    assert own == pytest.approx([slide], abs=2e-5)
    assert others == [[], [], []]


def test_a_foot_whose_leg_turns_about_a_centre_that_stays_slips_as_far_as_its_sphere_turns():
    course = walked()
    for i, leg in enumerate(ROBOT.legs):
        longest = max(slips(ROBOT, course)[i])
        stance = np.ptp(course.angles[:, 3 * i + 1] + course.angles[:, 3 * i + 2])
        assert 0 < longest < leg.foot_radius * stance


def test_a_foot_in_the_air_does_not_slip():
    course = walked()
    up = replace(course, true=motion(course.true.places + [0, 0, 0.001], Rotation.identity(len(course.times))))
    assert not any(slips(ROBOT, up)[0])


def test_footholds_are_where_the_plan_put_the_feet():
    places = footholds(ROBOT, walked())
    for own, home in zip(places, ROBOT.standing.feet):
        assert len(own) > 3
        assert own[0] == pytest.approx(home[:2], abs=0.03)  # the course begins where the body is, which has swayed
        strides = np.diff(own[1:-2], axis=0)
        assert strides[:, 1] == pytest.approx(0, abs=1e-3)
        assert np.median(strides[:, 0]) == pytest.approx(SPEED * ROBOT.gait("creep").stride_period, rel=0.02)


@pytest.mark.parametrize("joint", [2, 7])
def test_peaks_are_named(joint):
    course = walked()
    torques, currents = course.torques.copy(), course.currents.copy()
    torques[30, joint], currents[20] = -0.49, 7.25
    figures = course_figures(ROBOT, replace(course, torques=torques, currents=currents))
    share = 100 * 0.49 / ROBOT.stall_torque(ROBOT.joints[joint])
    assert figures["largest torque"] == f"0.49 N·m, {share:.0f} % of stall ({JOINT_NAMES[joint].replace('_', ' ')})"
    mean = currents.mean()
    assert re.match(rf"{mean:.1f} A in the mean, 7\.2 A at most, of \d", figures["current"])
