"""What pages are told of a running robot, made of what was last heard of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from math import inf, isfinite
from typing import Any, Protocol

from quadleg.geometry.planar import ZERO_TWIST, Planar, compose_planar, motion
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import Vector
from quadleg.recording.text_messages import Diagnosis
from quadleg.robot.model import RobotModel
from quadleg.teleop.stack_operator import StackOperator
from quadleg.viewer.failure_notices import failure_notices
from quadleg.viewer.page_operator import PageOperator
from quadleg.viewer.view_state import ObservedState, TopView, Trail, ViewState, view_of

SILENT = 0.5  # s: what is older is not shown as if it were new
IN_SIGHT = 0.6  # m around the body of which the page draws the way
SILENT_NODES = {"servo_output": "joint_states", "joint_watchdog": "joint_commands"}  # and the topic that each publishes
NOT_HEARD = Diagnosis(-inf, "", 0, "", {})


@dataclass(frozen=True)
class HeardState:
    """What was heard within SILENT, as `ObservedState` has it; None where it was not.

    `loads` are `estimated` or planned, `twist` is base_footprint's, `supply` V and A (NaN: not measured). `ages`
    are in s by topic, `diagnoses` by node, however old.
    """

    angles: Sequence[float] | None
    commanded: Sequence[float] | None
    odom: Pose | None
    planned: Sequence[Vector] | None
    twist: Planar | None
    loads: Sequence[float] | None
    estimated: bool
    supply: tuple[float, float] | None
    servo_state: tuple[str, str]
    ages: Mapping[str, float]
    diagnoses: Mapping[str, Diagnosis]


class DrawnScene(Protocol):
    """Where the robot is drawn in three dimensions."""

    def show(self, sight: ViewState, angles: Sequence[float], commanded: Sequence[float] | None) -> None:
        """Draw the robot."""

    def draw_trail(self, trail: Trail) -> None:
        """Draw the way that it came."""


class LiveView:
    """The news of one robot, which is drawn in `scene` too. Times are of a steady clock in s."""

    def __init__(self, robot: RobotModel, scene: DrawnScene, now: float) -> None:
        self._robot = robot
        self._scene = scene
        self._trail = Trail()
        self._path_grew = False
        self._footprint, self._by_odom, self._planned_at = ZERO_TWIST, False, now
        self._answer, self._answered_at = "", -inf

    def answer(self, said: str, now: float) -> None:
        """Take what became of a request."""
        self._answer, self._answered_at = said, now

    def news(
        self, heard: HeardState, operator: StackOperator, page: PageOperator, now: float, drawn: bool
    ) -> dict[str, Any]:
        """What pages are told now, for JSON; `drawn`: some show the scene."""
        limits = operator.limits
        output, watchdog, body, gait = (
            heard.diagnoses.get(node, NOT_HEARD) for node in ("servo_output", "joint_watchdog", "base_motion", "gait")
        )
        figures = output.values
        stop_answered = operator.stop_answered_at
        return {
            "failures": [asdict(notice) for notice in failure_notices(watchdog.values)],
            "state": [operator.state, operator.why],
            "servos": list(heard.servo_state),
            "silent": {
                node: round(heard.ages[topic], 1) for node, topic in SILENT_NODES.items() if heard.ages[topic] > SILENT
            },
            "supply": _supply(heard, figures.get("supply", "")),
            "latency": [figures.get(f"tick_to_bytes_p{percent}_ms") for percent in (50, 99)],
            "angles": figures.get("joint_angles", ""),
            "heat": _heat(watchdog.values),
            "trouble": figures.get("board_trouble", "") or figures.get("sensor_trouble", ""),
            "asked": page.shown_pose,
            "body_says": body.message if body.level else "",
            "gait": [limits.gait, limits.gaits] if limits else None,
            "fastest": limits.ahead if limits else None,
            "gait_says": gait.message,
            "hindrance": page.obstacle,
            "answer": [self._answer, round(now - self._answered_at, 1)] if self._answer else None,
            # s since a stop of this page's or another's was answered
            "stop_answered": round(now - stop_answered, 3) if isfinite(stop_answered) else None,
            "plan": self._plan(heard, now, drawn),
        }

    def _plan(self, heard: HeardState, now: float, drawn: bool) -> dict[str, Any] | None:
        """What is seen from above."""
        if heard.angles is None:
            return None
        if heard.twist:
            self._go_on(heard.twist, now)
        seen = ObservedState(heard.angles, heard.commanded, heard.odom, self._footprint, heard.planned, heard.loads)
        if self._by_odom != (seen.odom is not None):
            self._by_odom, self._trail, self._path_grew = not self._by_odom, Trail(), True
        sight = view_of(self._robot, seen)
        self._path_grew |= self._trail.follow(sight)
        if drawn:
            self._scene.show(sight, seen.angles, seen.commanded)
            if self._path_grew:
                self._path_grew = False
                self._scene.draw_trail(self._trail)
        above = TopView(sight.body)
        path = [above.place(place) for place in self._trail.path]
        falls = [(*above.place(fall), fall[2]) for fall in self._trail.footfalls]
        return {
            "outline": _rounded(sight.outline),
            "feet": _rounded(sight.feet),
            "down": sight.down,
            "loads": [round(load, 2) for load in seen.loads] if seen.loads else None,
            "load_source": "estimated" if heard.estimated else "planned",
            "polygon": _rounded(sight.polygon),
            "centre": _rounded([sight.centre])[0],
            "margin": None if sight.margin is None else round(sight.margin, 4),
            "powered": seen.commanded is not None,
            "odom": seen.odom is not None,
            "path": _rounded(place for place in path if max(map(abs, place)) < IN_SIGHT),
            "falls": _rounded(fall for fall in falls if max(map(abs, fall[:2])) < IN_SIGHT),
        }

    def _go_on(self, twist: Planar, now: float) -> None:
        """Move base_footprint as it is planned to move."""
        if now - self._planned_at < SILENT and all(map(isfinite, twist)):
            self._footprint = compose_planar(self._footprint, motion(twist, now - self._planned_at))
        self._planned_at = now


def _heat(watchdog: Mapping[str, str]) -> list[str] | None:
    """Level, joint and °C of the hottest servo by the watchdog's model."""
    keys = ("servo_heat", "servo_hottest", "servo_hottest_c")
    return [watchdog[key] for key in keys] if all(key in watchdog for key in keys) else None


def _supply(heard: HeardState, source: str) -> list[Any] | None:
    if heard.supply is None:
        return None
    return [*(round(value, 2) if isfinite(value) else None for value in heard.supply), source]


def _rounded(places: Iterable[Sequence[float]]) -> list[list[float]]:
    return [[round(value, 4) for value in place] for place in places]
