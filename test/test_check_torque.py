"""Verdicts on the torque that standing takes; the torques themselves: test_joint_torques.py."""

from __future__ import annotations

from dataclasses import replace

import pytest
import robots
from hypothesis import given
from hypothesis import strategies as st
from random_robots import with_torque

from quadleg.commissioning.reach import Reach
from quadleg.commissioning.torque import (
    Torque,
    standing_angles,
    standing_torques,
)
from quadleg.commissioning.torque_needs import torque_cure, torque_needs
from quadleg.commissioning.verdict import FAILS, GOOD, TIGHT, Need, Quantity
from quadleg.robot.model import Robot

INSPECTOR = robots.inspector()


@given(st.floats(1.0, 3.0))
def test_a_heavier_robot_takes_more_torque_in_proportion(times: float) -> None:
    masses = INSPECTOR.masses
    heavy = replace(
        INSPECTOR,
        frames=(),
        masses=replace(
            masses,
            body=times * masses.body,
            abductor=times * masses.abductor,
            upper=times * masses.upper,
            lower=times * masses.lower,
        ),
    )
    light = replace(INSPECTOR, frames=())
    angles = standing_angles(light, [0.1, 0.15, 0.2])
    assert standing_torques(heavy, angles, 4) == pytest.approx(times * standing_torques(light, angles, 4))


def test_fewer_feet_take_more() -> None:
    torque = Torque.of(INSPECTOR, 0.06, 0.2)
    assert (torque.margins(4) > torque.margins(3)).all()
    assert (torque.margins(3) >= torque.margins(2) - 1e-9).all()


def weighing(times: float) -> Torque:
    body = times * INSPECTOR.masses.total - (INSPECTOR.masses.total - INSPECTOR.masses.body)
    robot = replace(INSPECTOR, masses=replace(INSPECTOR.masses, body=body))
    reach = Reach.of(robot)
    return Torque.of(robot, reach.lowest.value, reach.highest.value)


def test_the_verdict_follows_the_margin() -> None:
    assert [row.word for row in weighing(0.7).verdicts()] == [GOOD, GOOD, GOOD]
    assert [row.word for row in weighing(1.0).verdicts()] == [GOOD, TIGHT, TIGHT]
    words = [row.word for row in weighing(3.0).verdicts()]
    assert words[1:] == [FAILS, FAILS]
    assert all(row.cure for row in weighing(3.0).verdicts())


def test_what_can_stand_but_not_rise_will_not_work() -> None:
    four = weighing(2.7).verdicts()[0]
    assert four.word == FAILS
    assert "cannot rise" in four.why
    assert Torque.of(INSPECTOR, 0.1, 0.2).margins(4).min() > 1


def test_a_lower_voltage_weakens_the_servos() -> None:
    five = replace(INSPECTOR, supply=replace(INSPECTOR.supply, voltage=5.0))
    at_six, at_five = (Torque.of(robot, 0.1, 0.2).margins(4) for robot in (INSPECTOR, five))
    assert at_five == pytest.approx(at_six * 5 / 6)


def test_a_verdict_gives_the_torque_and_the_mass_that_would_do() -> None:
    heavy = weighing(3.0)
    for row in heavy.verdicts():
        assert row.word == FAILS
        torques = {need.at: need for need in row.needs if need.quantity is Quantity.STALL_TORQUE_KG_CM}
        assert "knees" in torques
        assert f"you have {torques['knees'].have:.3g}" in row.cure
        assert "at least " in row.cure
        assert "g at most instead of 4500" in row.cure
    for number, row in enumerate(heavy.verdicts()):
        assert Torque.of(stronger(heavy.robot, row.needs), 0.06, 0.2).verdicts()[number].word != FAILS
    assert len({row.cure for row in heavy.verdicts()}) == 1, "one number for all"


def stronger(robot: Robot, needs: tuple[Need, ...], times: float = 1.001) -> Robot:
    """With servos as strong as is asked for; their gears' friction grows with them."""
    factor = max(need.value / need.have for need in needs if need.quantity is Quantity.STALL_TORQUE_KG_CM)
    return with_torque(robot, times * factor)


@given(st.floats(0.2, 3.0), st.floats(0.7, 1.2), st.floats(1.0, 2.0))
def test_who_fits_the_servos_that_are_asked_for_has_none_too_weak(times: float, volts: float, margin: float) -> None:
    robot = with_torque(INSPECTOR, times)
    robot = replace(robot, supply=replace(robot.supply, voltage=volts * robot.supply.voltage))
    torques = standing_torques(robot, standing_angles(robot, [0.1]), 3)[0]
    needs = torque_needs(robot, torques, margin)
    weak = (margin * torques > [robot.stall_torque(joint) for joint in robot.joints]).any()
    assert bool(needs) == weak == bool(torque_cure(needs))
    if needs:
        assert not torque_needs(stronger(robot, needs), torques, margin)
        mass = needs[-1]
        lighter = mass.value / mass.have * torques
        assert not torque_needs(robot, 0.999 * lighter, margin)
