"""Copies of messages are what CDR would make of them, and share nothing with their original."""

from __future__ import annotations

import random

import numpy as np
import pytest

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from geometry_msgs.msg import Vector3
from rclpy.serialization import deserialize_message, serialize_message
from sensor_msgs.msg import JointState
from simulated_graph.happenings import STRANGE_TOPICS
from simulated_graph.strangers import absurd
from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

from quadleg.middleware.message_copy import KeptMessage, copy_message
from quadleg.middleware.topics import published


@pytest.mark.parametrize("topic", STRANGE_TOPICS)
def test_a_copy_is_the_same_message_on_every_topic(topic: str) -> None:
    kind, _, _ = published(topic)
    chance = random.Random(topic)
    for _ in range(20):
        message = absurd(kind, chance)
        by_cdr = deserialize_message(serialize_message(message), kind)
        assert str(copy_message(message)) == str(by_cdr)  # as text: NaN is not itself, and CDR's padding is anything


def test_a_change_of_one_does_not_change_the_other() -> None:
    message = JointTrajectory(joint_names=["a"], points=[JointTrajectoryPoint(positions=[1.0, 2.0])])
    copied = copy_message(message)
    message.joint_names.append("b")
    message.points[0].positions[0] = 5.0
    message.header.frame_id = "changed"
    assert (copied.joint_names, list(copied.points[0].positions), copied.header.frame_id) == (["a"], [1.0, 2.0], "")


def test_numbers_of_numpy_are_copied_as_what_they_are() -> None:
    message = Vector3(x=np.float64(0.5))
    assert copy_message(message).x == 0.5
    message = JointState(name=[np.str_("a")])
    assert copy_message(message).name == ["a"]


def test_a_kept_message_is_read_as_a_fresh_one_each_time() -> None:
    message = JointState(name=["a"], position=[1.0])
    kept = KeptMessage(message)
    kept.read().name.append("b")
    assert kept.read().name == ["a"]
    assert deserialize_message(kept.data, JointState) == message
