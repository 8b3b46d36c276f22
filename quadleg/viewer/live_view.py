"""What pages are told of a running robot, made of what was last heard of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from math import inf, isfinite
from typing import Any, Protocol

from quadleg.geometry.planar import ZERO_TWIST, Planar, compose_planar, motion
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import Vector
from quadleg.health import DIAGNOSTICS_LATE
from quadleg.recording.text_messages import Diagnosis
from quadleg.robot.model import RobotModel
from quadleg.safety.failure_notices import failure_notices
from quadleg.safety.node_status import NodeStatus
from quadleg.safety.state_sentences import NEXT_STEPS
from quadleg.teleop.stack_operator import StackOperator
from quadleg.viewer.page_operator import PageOperator
from quadleg.viewer.view_state import ObservedState, TopView, Trail, ViewState, view_of

SILENT = 0.5  # s: what is older is not shown as if it were new
IN_SIGHT = 0.6  # m around the body of which the page draws the way
NOT_HEARD = Diagnosis(-inf, "", 0, "", {})


@dataclass(frozen=True)
class HeardState:
    """What was heard within SILENT, as `ObservedState` has it; None where it was not.

    `loads` are `estimated` or planned, `twist` is base_footprint's, `supply` V and A (NaN: not measured). `ages`
    are in s by topic and, of diagnostics, by node, `statuses` and `diagnoses` by node, however old.
    """

    angles: Sequence[float] | None
    commanded: Sequence[float] | None
    odom: Pose | None
    planned: Sequence[Vector] | None
    twist: Planar | None
    loads: Sequence[float] | None
    estimated: bool
    supply: tuple[float, float] | None
    statuses: Mapping[str, NodeStatus]
    ages: Mapping[str, float]
    diagnoses: Mapping[str, Diagnosis]


class DrawnScene(Protocol):
    """Where the robot is drawn in three dimensions."""

    def show(self, sight: ViewState, angles: Sequence[float], commanded: Sequence[float] | None) -> None:
        """Draw the robot."""

    def draw_trail(self, trail: Trail) -> None:
        """Draw its path."""


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
        self._answer, self._answered_at = said, now

    def news(
        self, heard: HeardState, operator: StackOperator, page: PageOperator, now: float, drawn: bool
    ) -> dict[str, Any]:
        """What pages are told now, for JSON; `drawn`: some show the scene."""
        limits = operator.limits
        output, watchdog = (heard.diagnoses.get(node, NOT_HEARD) for node in ("servo_output", "joint_watchdog"))
        servos, body, gait = (heard.statuses.get(node) for node in ("servo_output", "base_motion", "gait"))
        figures = output.values
        stop_answered = operator.stop_answered_at
        return {
            "failures": [asdict(notice) for notice in failure_notices(watchdog.values)],
            "state": [operator.state, operator.why],
            "next": NEXT_STEPS.get(operator.state, ""),
            "servos": [servos.state, servos.sentence] if servos else ["", "servo_output is not heard"],
            "silent": _silent(heard, operator.state),
            "supply": _supply(heard, figures.get("supply", "")),
            "latency": [figures.get(f"tick_to_bytes_p{percent}_ms") for percent in (50, 99)],
            "angles": figures.get("joint_angles", ""),
            "heat": _heat(watchdog.values),
            "trouble": figures.get("board_trouble", "") or figures.get("sensor_trouble", ""),
            "asked": page.shown_pose,
            "body_says": _body_says(body),
            "gait": [limits.gait, limits.gaits] if limits else None,
            "fastest": limits.ahead if limits else None,
            "gait_says": gait.sentence if gait else "",
            "obstacle": page.obstacle,
            "answer": [self._answer, round(now - self._answered_at, 1)] if self._answer else None,
            # s since a stop of this page's or another's was answered
            "stop_answered": round(now - stop_answered, 3) if isfinite(stop_answered) else None,
            "plan": self._plan(heard, now, drawn),
        }

    def _plan(self, heard: HeardState, now: float, drawn: bool) -> dict[str, Any] | None:
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


def _body_says(body: NodeStatus | None) -> str:
    """What base_motion complains of."""
    return f"Body: {'; '.join(map(str, body.notices))}" if body and body.notices else ""


def _heat(watchdog: Mapping[str, str]) -> list[str] | None:
    """Level, joint and °C of the hottest servo by the watchdog's model."""
    keys = ("servo_heat", "servo_hottest", "servo_hottest_c")
    return [watchdog[key] for key in keys] if all(key in watchdog for key in keys) else None


def _silent(heard: HeardState, state: str) -> dict[str, float]:
    """Which nodes of the safety chain are not heard, and for how long (s). A watchdog without power may send no
    commands: it does not disturb what servo_output does by itself."""
    if state in ("off", "fault"):
        watchdog, late = "joint_watchdog", DIAGNOSTICS_LATE
    else:
        watchdog, late = "joint_commands", SILENT
    ages = {"servo_output": (heard.ages["joint_states"], SILENT), "joint_watchdog": (heard.ages[watchdog], late)}
    return {node: round(age, 1) for node, (age, limit) in ages.items() if age > limit}


def _supply(heard: HeardState, source: str) -> list[Any] | None:
    if heard.supply is None:
        return None
    return [*(round(value, 2) if isfinite(value) else None for value in heard.supply), source]


def _rounded(places: Iterable[Sequence[float]]) -> list[list[float]]:
    return [[round(value, 4) for value in place] for place in places]
