"""What is said of a walk in physics, kept as it comes and read at the end: reading takes time that a walk has not."""

from __future__ import annotations

from typing import Any

import numpy as np
from nav_msgs.msg import Odometry

from quadleg.analysis.course_measures import BodyTrajectory, MeasuredCourse
from quadleg.geometry.planar import Planar
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import Vector
from quadleg.middleware.interface import NodeHandle, RawMessage
from quadleg.middleware.topics import heard, nanoseconds
from quadleg.robot.model import JOINT_NAMES

TOPICS = ("truth/odom", "odom", "joint_states", "supply", "planned_feet")
HEARD = 100  # messages of a topic that wait


class TrueBody:
    """The simulated body as it is, through a node."""

    def __init__(self, node: NodeHandle) -> None:
        self._truth: RawMessage | None = None
        kind, topic, quality = heard("truth/odom")
        node.create_subscription(kind, topic, self._hear, quality, raw=True)

    def _hear(self, truth: RawMessage) -> None:
        self._truth = truth

    @property
    def pose(self) -> Pose:
        """Its height over the ground, roll and pitch, seen from the ground under it."""
        (_, _, height), (roll, pitch, _) = self._in_world()
        return Pose.from_rpy(0.0, 0.0, height, roll, pitch, 0.0)

    @property
    def place(self) -> Planar:
        """Its place and heading in the world: m, m, rad."""
        (x, y, _), (_, _, yaw) = self._in_world()
        return x, y, yaw

    def _in_world(self) -> tuple[Vector, Vector]:
        assert self._truth, "a stack with physics says its truth before it can stand"
        said = self._truth.read().pose.pose
        p, q = said.position, said.orientation
        return (p.x, p.y, p.z), Pose((0.0, 0.0, 0.0), (q.w, q.x, q.y, q.z)).rpy


class GroundTruth:
    """Hears a stack with physics through a node, while it is a context."""

    def __init__(self, node: NodeHandle) -> None:
        self._node = node
        self._heard: dict[str, list[RawMessage]] = {topic: [] for topic in TOPICS}
        self._subscriptions = [
            node.create_subscription(kind, topic, self._heard[topic].append, quality, raw=True)
            for kind, topic, quality in (heard(topic, HEARD) for topic in TOPICS)
        ]

    def __enter__(self) -> GroundTruth:
        return self

    def __exit__(self, *_: object) -> None:
        for subscription in self._subscriptions:
            self._node.destroy_subscription(subscription)

    def course(self, asked: float) -> MeasuredCourse:
        """What was heard, at the moments that truth, estimate, joints and supply are all known of."""
        read = {topic: self._read(topic) for topic in TOPICS}
        plans = read.pop("planned_feet")
        moments = sorted(set.intersection(*(set(messages) for messages in read.values())))
        moments = [moment for moment in moments if moment >= min(plans)]
        truths, estimates, joints, supplies = ([messages[m] for m in moments] for messages in read.values())
        planned_at = np.array(sorted(plans))
        latest = planned_at[np.searchsorted(planned_at, moments, side="right") - 1]
        plan = [plans[stamp] for stamp in latest.tolist()]
        order = [joints[0].name.index(name) for name in JOINT_NAMES]
        return MeasuredCourse(
            asked,
            (np.array(moments) - moments[0]) / 1e9,
            np.array([message.twist[-1].linear.x for message in plan]),
            np.array([[wrench.force.z > 0.0 for wrench in message.wrench[:-1]] for message in plan]),
            np.array([message.position for message in joints])[:, order],
            np.array([message.effort for message in joints])[:, order],
            _motion(truths),
            _motion(estimates),
            np.array([message.pose.covariance for message in estimates]).reshape(-1, 6, 6),
            np.array([-message.current for message in supplies]),
        )

    def _read(self, topic: str) -> dict[int, Any]:
        """What was heard, by its stamps."""
        messages = (message.read() for message in self._heard[topic])
        return {nanoseconds(message.header.stamp): message for message in messages}


def _motion(said: list[Odometry]) -> BodyTrajectory:
    poses = [message.pose.pose for message in said]
    return BodyTrajectory(
        np.array([(p.position.x, p.position.y, p.position.z) for p in poses]),
        np.array([(p.orientation.w, p.orientation.x, p.orientation.y, p.orientation.z) for p in poses]),
    )
