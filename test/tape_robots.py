"""Robots that walk along a tape, and the person who reads it: made-up ones, and one in physics."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import degrees, remainder, tau
from pathlib import Path
from typing import Protocol

from quadleg.commissioning.calibration.tape_walk import RUNS, WalkedWay
from quadleg.commissioning.dialog import Question
from quadleg.gait.walking_limits import RAMP_STRIDES, WalkingLimits
from quadleg.geometry.planar import ZERO_TWIST, Planar, compose_planar, motion, to_frame
from quadleg.geometry.transforms import Pose
from quadleg.robot.model import MODELLED, RobotModel
from quadleg.simulation.rollout import Rollout
from quadleg.simulation.world_difference import WorldDifference

STANDING = 3.0  # s
TAPE, LINE = 10.0, 1.0  # mm, degrees: what is read of tape and line


def tape_answers(path: Path, gait: str, read: Planar, runs: int = RUNS) -> Path:
    """A file of answers beside a robot file: these ways ahead and to the left (cm) and this turn (degrees), each read
    after so many runs."""
    ahead, left, turned = read
    lines = ["cautions: yes", f"gait: {gait}"]
    lines += ["walk_forward: go", f"ahead: {ahead:g} cm", "left: 0", "turned: 0"] * runs
    lines += ["walk_left: go", "ahead: 0", f"left: {left:g} cm", "turned: 0"] * runs
    lines += ["walk_turn: go", f"turned: {turned:g}"] * runs
    answers = path.with_name("answers.yaml")
    answers.write_text("".join(f"- {line}\n" for line in [*lines, "save: yes"]))
    return answers


class GlidingRobot:
    """Goes a share `true` of each planned way, and says `found` of it by odometry, forward, left and turning.

    `slips` are what single runs are besides, by their number.
    """

    def __init__(self, true: Planar, found: Planar | None = None) -> None:
        self.true, self.found = true, found
        self.slips: dict[int, float] = {}
        self.walks: list[Planar] = []
        self.gait = ""
        self.before: tuple[Planar, Planar] = ((1.0,) * 3, (1.0,) * 3)
        self.limits: Planar = (0.2, 0.1, 0.8)
        self.came: Planar = ZERO_TWIST

    def choose_gait(self, gait: str) -> None:
        self.gait = gait

    def fastest(self) -> Planar:
        return self.limits

    def scales(self) -> tuple[Planar, Planar]:
        return self.before

    def go(self, twist: Planar, seconds: float) -> WalkedWay:
        slip = self.slips.get(len(self.walks), 1.0)
        self.walks.append(twist)
        self.came = motion(_times(twist, _times(self.true, (slip,) * 3)), seconds)
        return WalkedWay(motion(twist, seconds), self.found and motion(_times(twist, self.found), seconds))

    def stop(self) -> None:
        """Nothing moves."""


class PhysicsRobot:
    """The demo robot in physics with a difference, in one gait with what its file says; `came` is its true way.

    It goes along `axes` alone, of forward, left and turning.
    """

    def __init__(
        self,
        robot: RobotModel,
        gait: str,
        difference: WorldDifference,
        seed: int = 1,
        keep_course: bool = False,
        axes: tuple[int, ...] = (0, 1, 2),
    ) -> None:
        self._axes = axes
        self.limits = WalkingLimits(robot, robot.gait(gait))
        self._rollout = rollout = Rollout(robot, self.limits, seed=seed, angles=MODELLED, difference=difference)
        rollout.walker.keep_course = keep_course
        rollout.stand()
        for _ in range(round(STANDING / rollout.period)):
            rollout.tick()
        self.came: Planar = ZERO_TWIST

    def choose_gait(self, gait: str) -> None:
        assert gait == self.limits.gait.name

    def fastest(self) -> Planar:
        x, y, yaw = (most if axis in self._axes else 0.0 for axis, most in enumerate(self.limits.forward))
        return x, y, yaw

    def scales(self) -> tuple[Planar, Planar]:
        return self.limits.gait.way_scale, self.limits.gait.odometry_scale

    def go(self, twist: Planar, seconds: float) -> WalkedWay:
        rollout = self._rollout
        true, found, planned = _Way(), _Way(), ZERO_TWIST
        stops = seconds + (RAMP_STRIDES + 3) * self.limits.gait.stride_period + 1.0
        for tick in range(round(stops / rollout.period)):
            rollout.tick(twist if tick * rollout.period < seconds else ZERO_TWIST)
            assert not rollout.fell, rollout.watchdog.why
            assert rollout.estimate
            planned = compose_planar(planned, motion(rollout.walker.planner.twist, rollout.period))
            true.add(Pose(*rollout.world.pose))
            found.add(Pose(rollout.estimate.position, rollout.estimate.quaternion))
        self.came = true.place
        return WalkedWay(planned, found.place)

    def stop(self) -> None:
        """Nobody asks for it."""


class Walked(Protocol):
    """A robot whose last true way is known."""

    came: Planar


class _Way:
    """Where poses lead, seen from the first; headings are not wrapped."""

    def __init__(self) -> None:
        self._began: Planar | None = None
        self.place = ZERO_TWIST

    def add(self, pose: Pose) -> None:
        (x, y, _), yaw = pose.position, pose.yaw
        self._began = began = self._began or (x, y, yaw)
        turned = self.place[2] + remainder(yaw - began[2] - self.place[2], tau)
        self.place = (*to_frame(began, x, y), turned)


def reader(robot: Walked, gait: str = "trot", save: str = "yes") -> Callable[[Question], str]:
    """A person who reads the true way to a centimetre and a degree."""

    def answer(question: Question) -> str:
        x, y, yaw = robot.came
        read = {"ahead": 1000 * x / TAPE, "left": 1000 * y / TAPE, "turned": degrees(yaw) / LINE}
        if question.key in read:
            return f"{round(read[question.key]) * (LINE if question.key == 'turned' else TAPE):g}"
        return {"gait": gait, "save": save}.get(question.key) or question.choices[0].word

    return answer


def told(robot: RobotModel, gait: str, way: Planar, odometry: Planar) -> RobotModel:
    """A robot whose file has scales of a gait."""
    gaits = (replace(one, way_scale=way, odometry_scale=odometry) if one.name == gait else one for one in robot.gaits)
    return replace(robot, gaits=tuple(gaits))


def _times(a: Planar, b: Planar) -> Planar:
    x, y, yaw = (p * q for p, q in zip(a, b))
    return x, y, yaw
