"""What a client makes of what it hears, without a stack."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
import robots

from quadleg.client import Robot, Snapshot
from quadleg.errors import NotReached
from quadleg.kinematics.body import Pose, legs_inverse
from quadleg.robot.model import JOINT_NAMES

ASKED = 1_000


def client(state: str, motion: str, planned: float, height: float) -> Any:
    """A client whose robot stands still at a height in m, and whose base_motion says a height and how it moves."""
    model = robots.inspector()
    angles = legs_inverse(model, Pose.from_rpy(0, 0, height, 0, 0, 0), model.standing.feet)
    said = {"target_stamp": str(ASKED), "motion": motion, "planned": f"0 0 {planned} 0 0 0"}
    status = SimpleNamespace(message=motion, values=[SimpleNamespace(key=key, value=said[key]) for key in said])
    robot: Any = Robot.__new__(Robot)
    robot.model, robot._asked = model, ASKED
    robot._now = Snapshot(
        state=state, angles=dict(zip(JOINT_NAMES, angles)), still=True, diagnostics={"base_motion": (status, 0.0)}
    )
    return robot


def test_the_servos_are_there_where_the_plan_has_arrived_and_they_stand_by_it() -> None:
    assert client("active", "arrived", 0.130, 0.131)._servos_there()
    assert not client("active", "arrived", 0.130, 0.145)._servos_there()
    assert not client("active", "moving", 0.145, 0.145)._servos_there()


def test_a_hold_between_the_plan_s_arrival_and_the_servos_is_no_arrival() -> None:
    robot = client("hold", "waiting", 0.145, 0.145)
    robot._now.state_since = float("inf")
    assert not robot._servos_there()


def test_a_plan_that_is_stopped_is_not_reached() -> None:
    with pytest.raises(NotReached, match="stopped"):
        client("active", "stopped", 0.145, 0.145)._servos_there()


def test_the_seconds_of_a_walk_do_not_run_while_it_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    robot, now, period = client("active", "arrived", 0.15, 0.15), 10.0, 0.05
    monkeypatch.setattr("quadleg.client.time", SimpleNamespace(monotonic=lambda: now))

    def walk(twist_at: Any, _: Any) -> float:
        """Asks for velocities until there is none, held from the first second on for one and a half; how long."""
        nonlocal now
        begun = now
        while twist_at(None):
            now += period
            robot._now.state = "hold" if 1.0 <= now - begun < 2.5 else "active"
        return now - begun

    robot._walk = walk
    assert robot.walk(vx=0.05, seconds=2.0) == pytest.approx(3.5, abs=2 * period)
