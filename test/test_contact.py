"""Which feet carry, and how much: against statics, and against the forces in physics."""

from __future__ import annotations

import numpy as np
import pytest
import sample_robots
from hypothesis import assume, given
from hypothesis import strategies as st

from quadleg.dynamics.centre_of_mass import centre_of_mass
from quadleg.dynamics.gravity import STANDARD_GRAVITY as GRAVITY
from quadleg.estimation.contact import CALM_SPEED, SLIP_TICKS, Contacts, Loads
from quadleg.estimation.error_state_filter import OUTLIER_GATE
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import LEGS

PERIOD = 0.02
ALL, KNOWN = (0.25,) * 4, (True,) * 4
AIR = (0.0, 0.3, 0.4, 0.3)
UPRIGHT = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
ROBOT = sample_robots.inspector()
FEET = [(x, y, z - ROBOT.standing.height) for x, y, z in ROBOT.standing.feet]
FAR = 2 * OUTLIER_GATE


def standing() -> Contacts:
    contacts = Contacts(PERIOD)
    for _ in range(5):
        contacts.plan(ALL, KNOWN)
    return contacts


def test_a_foot_is_up_at_once_and_down_when_the_servos_have_followed():
    contacts = standing()
    assert contacts.plan(AIR, KNOWN) == []
    assert contacts.down == [False, True, True, True]
    landed = [contacts.plan(ALL, KNOWN) for _ in range(4)]
    assert landed == [[], [], [0], []]  # 40 ms later


def test_a_foot_whose_joints_are_not_known_does_not_count():
    contacts = standing()
    contacts.plan(ALL, (True, True, False, True))
    assert contacts.down == [True, True, False, True]
    assert contacts.plan(ALL, KNOWN) == [2]


def test_a_foot_slips_when_it_is_astray_for_some_ticks_and_stands_when_it_is_calm_again():
    contacts = standing()
    assert [contacts.judge(1, FAR, 0.5) for _ in range(SLIP_TICKS)] == [False] * SLIP_TICKS
    assert contacts.slipping == [False, True, False, False]
    assert not contacts.judge(1, 0.0, 2 * CALM_SPEED)
    answers = [contacts.judge(1, 0.0, CALM_SPEED / 2) for _ in range(SLIP_TICKS)]
    assert answers == [False] * (SLIP_TICKS - 1) + [True]
    assert not any(contacts.slipping)


def test_one_surprise_is_no_slip():
    contacts = standing()
    for _ in range(10):
        contacts.judge(1, FAR, 0.5)
        contacts.judge(1, 1.0, 0.0)
    assert not any(contacts.slipping)


def test_lifting_a_foot_ends_its_slip():
    contacts = standing()
    for _ in range(SLIP_TICKS):
        contacts.judge(0, FAR, 0.5)
    contacts.plan(AIR, KNOWN)
    assert not any(contacts.slipping)


@given(
    felt=st.tuples(st.floats(-1.0, 1.0), st.floats(-1.0, 1.0), st.floats(5.0, 15.0)),
    carrying=st.lists(st.booleans(), min_size=4, max_size=4),
)
def test_the_forces_add_up_and_leave_no_moment_about_the_centre_of_mass(felt, carrying):
    """Newton's law; and where the feet can bring it about, no moment: the body does not turn faster and faster."""
    assume(sum(carrying) >= 3)
    forces = np.array(Loads(ROBOT).share(UPRIGHT, FEET, carrying, felt))
    assert np.allclose(forces.sum(axis=0), ROBOT.masses.total * np.array(felt), atol=1e-9)
    assert not forces[~np.array(carrying)].any()
    assert (forces[:, 2] >= 0.0).all()
    if all(carrying):
        centre = np.array(centre_of_mass(ROBOT, stance_angles(ROBOT, ROBOT.standing)))
        moment = np.cross(np.array(FEET) - centre, forces).sum(axis=0)
        assert np.abs(moment[:2]).max() < 1e-9


def test_nothing_carries_in_free_fall_or_without_a_foot():
    loads = Loads(ROBOT)
    assert not np.any(loads.share(UPRIGHT, FEET, (True,) * 4, (0.0, 0.0, 0.1)))
    assert not np.any(loads.share(UPRIGHT, FEET, (False,) * 4, (0.0, 0.0, GRAVITY)))


def test_loads_and_contacts_are_those_of_physics():
    """Against MuJoCo's contact forces: standing, and which feet carry most of the time of a creeping walk."""
    pytest.importorskip("mujoco", reason="mujoco does not import: install the extra `sim`")
    from physics_walks import recorded, replayed

    run = recorded("creep", (0.06, 0.0, 0.0), 8.0, 2)
    estimates = replayed(run)
    stands = run.walk - 5
    found, true = np.array(estimates[stands].loads), run.ticks[stands].forces
    assert np.abs(found - true)[:, 2].max() < 0.15 * true[:, 2].sum()  # four feet share it as the ground would have it
    assert found[:, 2].sum() == pytest.approx(true[:, 2].sum(), rel=0.02)
    contacts = np.array([estimate.contacts for estimate in estimates[run.walk :]])
    touching = np.array([tick.forces[:, 2] > 0.0 for tick in run.ticks[run.walk :]])
    assert (contacts == touching).mean() > 0.88
    assert not (contacts & ~touching).mean() > 0.05, LEGS
