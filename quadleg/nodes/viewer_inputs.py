"""What the viewer hears: the newest message of each topic, which is read only while a page looks on."""

from __future__ import annotations

from functools import partial
from math import inf, isfinite
from typing import Any

import numpy as np

from quadleg.middleware.interface import RawMessage
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.sensor_messages import supply_of
from quadleg.middleware.status_topic import hear_status
from quadleg.middleware.topics import known_pose, led_angles
from quadleg.recording.text_messages import Diagnosis
from quadleg.robot.model import JOINT_NAMES, LEGS
from quadleg.safety.node_status import NodeStatus
from quadleg.viewer.live_view import NOT_HEARD, SILENT, HeardState

DIAGNOSED = ("servo_output", "joint_watchdog")
WITH_STATUS = ("servo_output", "base_motion", "gait")
TOPICS = ("joint_states", "joint_commands", "planned_feet", "foot_loads", "odom", "supply")


class ViewerInputs:
    """Subscriptions of a node; `read` is to be called once a tick."""

    def __init__(self, node: QuadlegNode) -> None:
        self._node = node
        self._began = node.steady_time()
        self._heard: dict[str, tuple[RawMessage, float]] = {}  # topic or node: the last message, and when it came
        self._diagnoses: dict[str, tuple[RawMessage, Diagnosis]] = {}
        self._statuses: dict[str, NodeStatus] = {}
        for name in WITH_STATUS:
            hear_status(node.subscribe, name, partial(self._status_heard, name))
        node.listen("diagnostics", self._diagnostics_heard, raw=True, depth=20)
        self._polled = {topic: node.poll(topic) for topic in TOPICS}

    def _status_heard(self, node: str, status: NodeStatus) -> None:
        self._statuses[node] = status

    def _diagnostics_heard(self, message: RawMessage) -> None:
        for node in DIAGNOSED:
            if f"quadleg: {node}".encode() in message.data:
                self._heard[node] = message, self._node.steady_time()

    def read(self, now: float) -> None:
        """Take the newest of each topic that has come since the last time."""
        for topic, polled in self._polled.items():
            if taken := polled.take():
                self._heard[topic] = taken.message, now

    def age(self, topic: str, now: float) -> float:
        """Seconds since something was heard, or since this node began."""
        return now - self._heard.get(topic, (None, self._began))[1]

    @property
    def asked_pose(self) -> str:
        """The pose that base_motion says is asked for, six numbers; empty where it is not heard."""
        body = self._statuses.get("base_motion")
        return body.figures.get("asked", "") if body else ""

    def _diagnosis(self, node: str) -> Diagnosis:
        """What a node last said of itself."""
        message, at = self._heard.get(node, (None, -inf))
        if message is None:
            return NOT_HEARD
        read, diagnosis = self._diagnoses.get(node, (None, NOT_HEARD))
        if read is not message:
            status = next(status for status in message.read().status if status.name == f"quadleg: {node}")
            values = {pair.key: pair.value for pair in status.values}
            diagnosis = Diagnosis(at, node, status.level[0], status.message, values)
            self._diagnoses[node] = message, diagnosis
        return diagnosis

    def _fresh(self, topic: str, now: float) -> Any:
        """The last message of a topic; None where it is old or there is none."""
        message, at = self._heard.get(topic, (None, -inf))
        return message.read() if message and now - at < SILENT else None

    def state(self, now: float) -> HeardState:
        """All that was heard."""
        joints = self._fresh("joint_states", now)
        found = dict(zip(joints.name, joints.position)) if joints else {}
        angles = [found.get(name, inf) for name in JOINT_NAMES]
        commands, commanded_at = self._heard.get("joint_commands", (None, -inf))
        planned, odom, supply = (self._fresh(topic, now) for topic in ("planned_feet", "odom", "supply"))
        loads = self._fresh("foot_loads", now)
        carried = loads or planned
        going = planned.twist[-1] if planned and planned.twist else None
        return HeardState(
            angles=angles if all(map(isfinite, angles)) else None,
            commanded=led_angles(commands) if commands and now - commanded_at < SILENT else None,
            odom=known_pose(odom) if odom else None,
            planned=_of_legs([(t.translation.x, t.translation.y, t.translation.z) for t in planned.transforms])
            if planned
            else None,
            twist=(going.linear.x, going.linear.y, going.angular.z) if going else None,
            loads=_of_legs([max(0.0, wrench.force.z) for wrench in carried.wrench]) if carried else None,
            estimated=loads is not None,
            supply=supply_of(supply) if supply else None,
            statuses=dict(self._statuses),
            ages={topic: self.age(topic, now) for topic in (*TOPICS, *DIAGNOSED)},
            diagnoses={node: self._diagnosis(node) for node in DIAGNOSED},
        )


def _of_legs(values: list[Any]) -> list[Any] | None:
    """The first of a message, which are the legs'; None where they are too few or not finite."""
    legs = values[: len(LEGS)]
    return legs if len(legs) == len(LEGS) and np.isfinite(legs).all() else None
