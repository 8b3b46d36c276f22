"""The sway: zero on average, the margin kept, and the least acceleration that keeps it."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from sample_walks import ROBOTS
from scipy.optimize import LinearConstraint, minimize

from quadleg.dynamics.centre_of_mass import centre_of_mass_batch
from quadleg.gait.stability import static_margin
from quadleg.gait.steady_strides import SAMPLES, Balance, angles_of, strides
from quadleg.gait.sway import HARMONICS, basis, half_planes, sway

TWISTS = np.array([(0, 0, 0), (0.06, 0, 0), (-0.05, 0, 0), (0, 0.025, 0), (0, 0, 0.3), (0.03, -0.01, 0.1)], dtype=float)
MARGIN = 0.008
PHASES = np.arange(SAMPLES) / SAMPLES
both = pytest.mark.parametrize("name", ROBOTS)


@cache
def walked(name: str):
    robot = ROBOTS[name]
    path = strides(robot, robot.gait("creep"), TWISTS)
    return path, sway(robot, path, Balance.of(robot), MARGIN)


def test_basis_is_the_fourier_series_without_its_constant():
    phase = 0.3
    assert basis(phase)[0] == pytest.approx(np.cos(2 * np.pi * phase))
    assert basis(phase)[HARMONICS + 1] == pytest.approx(np.sin(4 * np.pi * phase))
    assert basis(PHASES).shape == (SAMPLES, 2 * HARMONICS)
    gram = basis(PHASES).T @ basis(PHASES)
    assert np.allclose(gram, SAMPLES / 2 * np.eye(2 * HARMONICS), rtol=0, atol=1e-9)


@both
def test_the_shift_averages_to_zero_over_a_stride(name):
    _, found = walked(name)
    for coefficients in found:
        shifts = basis(np.arange(1000) / 1000) @ coefficients
        assert np.abs(shifts.mean(axis=0)).max() < 1e-12
        assert np.abs(shifts).max() > 0.005, "a walk with one foot in the air needs a shift"


@both
def test_the_margin_is_kept_by_the_centre_of_all_links(name):
    """The planner's centre of mass is linear in the feet; the true one follows from the angles of all joints."""
    robot = ROBOTS[name]
    path, found = walked(name)
    for feet, coefficients in zip(path.feet, found):
        shifts = basis(PHASES) @ coefficients
        angles, reached = angles_of(robot, feet, shifts)
        assert reached.all()
        centres = centre_of_mass_batch(robot, angles)[:, :2] + shifts
        margins = [
            static_margin([tuple(foot[:2]) for foot in here[~air]], tuple(centre))
            for here, air, centre in zip(feet, path.in_air, centres)
        ]
        assert min(margins) > MARGIN - 0.0015


@both
def test_the_linear_centre_of_mass_is_near_the_true_one(name):
    robot = ROBOTS[name]
    path, _ = walked(name)
    balance = Balance.of(robot)
    assert 0 < balance.share < 0.1
    for feet in path.feet:
        angles, _ = angles_of(robot, feet, np.zeros((SAMPLES, 2)))
        true = centre_of_mass_batch(robot, angles)[:, :2]
        assert np.abs(balance.centres(robot, feet) - true).max() < 0.0025


@both
@pytest.mark.parametrize("which", [1, 5])
def test_no_other_sway_has_less_acceleration(name, which):
    """Against scipy's trust-constr on the same constraints."""
    robot = ROBOTS[name]
    path, found = walked(name)
    balance = Balance.of(robot)
    centres = balance.centres(robot, path.feet)
    rows, least = (part[which] for part in half_planes(path.feet[..., :2], path.in_air, centres, MARGIN))
    ours = (found[which] * balance.follows).T.ravel()
    assert (rows @ ours - least).min() > -2e-5

    stiffness = np.tile(np.tile(np.arange(1, HARMONICS + 1), 2) ** 4.0, 2)
    best = minimize(
        lambda c: (stiffness * c * c).sum() * 1e4,
        ours * 1.2,
        jac=lambda c: 2e4 * stiffness * c,
        hess=lambda c: np.diag(2e4 * stiffness),
        method="trust-constr",
        constraints=LinearConstraint(rows, least, np.inf),
        options={"gtol": 1e-9, "maxiter": 300},
    )
    assert (rows @ best.x - least).min() > -1e-6
    assert (stiffness * ours**2).sum() <= (stiffness * best.x**2).sum() * 1.01
