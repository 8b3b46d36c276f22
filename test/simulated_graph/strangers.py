"""A publisher that does not belong to the stack: anything that the types allow, on any of its topics."""

from __future__ import annotations

import random
from array import array
from collections.abc import Callable
from importlib import import_module
from math import inf, nan
from typing import Any

import numpy as np
from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

from quadleg.kinematics.body_pose import stance_angles
from quadleg.middleware.guarded_node import GuardedNode
from quadleg.middleware.simulated_middleware import SimulatedMiddleware
from quadleg.middleware.topics import published
from quadleg.robot.model import JOINT_NAMES, LEGS
from simulated_graph.stack import SimulatedStack

PERIOD = 0.02  # s
# What a stranger says there may rightly cut the power: a lost supply, a tipped body, a servo_output that was stopped.
CUTTING_TOPICS = ("supply", "imu/data", "servo_output/status")
# Commands that must be refused, by what is wrong with them: their names, and positions in rad.
WRONG_COMMANDS = {
    "other joints": (("shoulder", "elbow", "wrist"), (0.3, 0.3, 0.3)),
    "no positions": (JOINT_NAMES, ()),
    "too few positions": (JOINT_NAMES, (0.3,) * (len(JOINT_NAMES) - 1)),
    "one position": ((), (0.3,)),
    "one joint twice": ((*JOINT_NAMES, JOINT_NAMES[0]), (0.3,) * (len(JOINT_NAMES) + 1)),
    "no number": (JOINT_NAMES, (nan,) * len(JOINT_NAMES)),
    "no number for one": (JOINT_NAMES, (inf,) + (0.3,) * (len(JOINT_NAMES) - 1)),
}
FAR = 0.35  # rad from the resting pose: no first pulse may be there; first pulses of all hips, on either side
FIRST_PULSES = {"hips below rest": -FAR, "hips above rest": FAR}
SOME_JOINTS = "some joints"  # to a robot that stands on all of them: the rest would go limp
MISTAKES = (*WRONG_COMMANDS, *FIRST_PULSES, SOME_JOINTS)
NUMBERS = (0.0, nan, inf, -1e308, 1e-300)
WORDS = (*JOINT_NAMES, *LEGS, "base_link", "base_footprint", "", "wheel", "é" * 300, "active", "stopped", "creep")


class Stranger:
    """Publishes absurd messages, one each `period` s."""

    period = PERIOD

    def __init__(self, stack: SimulatedStack) -> None:
        self._stack = stack
        self._node = GuardedNode(SimulatedMiddleware(stack.bus, "stranger", stack.namespace), "stranger")
        self._publishers: dict[str, Any] = {}

    def once_found(self, topic: str, act: Callable[[], None]) -> None:
        """Do something once all who listen to a topic have found this publisher."""
        publisher, time = self._publisher(topic), self._stack.time
        subscribers = self._stack.bus.subscriptions_to(f"{self._stack.namespace}/{topic}")
        if publisher.get_subscription_count() < len(subscribers):
            time.after(PERIOD, lambda: self.once_found(topic, act))
        else:
            act()

    def publish(self, topic: str, count: int, chance: random.Random) -> None:
        """Publish so many messages on a topic of the table."""
        self._go_on(topic, self._publisher(topic), count, chance)

    def _publisher(self, topic: str) -> Any:
        if topic not in self._publishers:
            self._publishers[topic] = self._node.create_publisher(*published(topic))
        return self._publishers[topic]

    def command_wrongly(self, mistake: str, count: int) -> None:
        """Publish a joint command with one of MISTAKES so many times."""
        if mistake in WRONG_COMMANDS:
            names, positions = WRONG_COMMANDS[mistake]
        else:
            robot = self._stack.robot
            rest = dict(zip(JOINT_NAMES, stance_angles(robot, robot.resting)))
            names = tuple(name for name in JOINT_NAMES if name.endswith("hip"))
            positions = tuple(rest[name] + FIRST_PULSES.get(mistake, 0.0) for name in names)
        points = [JointTrajectoryPoint(positions=list(positions))] if positions else []
        message = JointTrajectory(joint_names=list(names), points=points)
        self._repeat("joint_commands", message, count, PERIOD)

    def say(self, topic: str, message: Any, heard: Callable[[], None], times: int = 1, gap: float = 0.0) -> None:
        """Publish a message, or so many times, once each `gap` s, with 0 all at once. `heard` is called right before
        the first, which waits until all who listen have found it."""

        def begin() -> None:
            heard()
            self._repeat(topic, message, times, gap)

        self.once_found(topic, begin)

    def _repeat(self, topic: str, message: Any, times: int, gap: float) -> None:
        publisher = self._publisher(topic)
        for k in range(times):
            self._stack.time.after(k * gap, lambda: publisher.publish(message))

    def _go_on(self, topic: str, publisher: Any, count: int, chance: random.Random) -> None:
        message = absurd(published(topic)[0], chance)
        # One that names no joint cuts the power, as it should.
        if not (topic == "joint_commands" and not message.joint_names):
            publisher.publish(message)
        if count > 1:
            self._stack.time.after(PERIOD, lambda: self._go_on(topic, publisher, count - 1, chance))


def absurd(kind: Any, chance: random.Random) -> Any:
    """A message of a type with fields that are right, odd or absurd."""
    message = kind()
    for field in kind.get_fields_and_field_types():
        value = getattr(message, field)
        setattr(message, field, _absurd_value(value, message, field, chance))
    return message


def _absurd_value(value: Any, message: Any, field: str, chance: random.Random) -> Any:
    simple = {
        bool: lambda: chance.random() < 0.5,
        float: lambda: _number(chance),
        int: lambda: chance.randrange(100),
        str: lambda: chance.choice(WORDS),
        bytes: lambda: bytes((chance.randrange(4),)),
        array: lambda: array(value.typecode, [_of_code(value.typecode, chance) for _ in range(chance.randrange(14))]),
        np.ndarray: lambda: np.array([_number(chance) for _ in value]),
        list: lambda: _absurd_list(message, field, chance),
    }
    kind = type(value)
    return simple[kind]() if kind in simple else absurd(kind, chance)


def _of_code(code: str, chance: random.Random) -> Any:
    return _number(chance) if code in "fd" else chance.randrange(2)


def _number(chance: random.Random) -> float:
    return chance.choice((*NUMBERS, chance.uniform(-1, 1), chance.uniform(-1, 1), chance.uniform(-1e6, 1e6)))


def _absurd_list(message: Any, field: str, chance: random.Random) -> list[Any]:
    described = message.get_fields_and_field_types()[field]
    inner = described.removeprefix("sequence<").partition(">")[0].partition(",")[0]
    count = chance.randrange(5)
    if inner == "string":
        return [chance.choice(WORDS) for _ in range(count)]
    if "/" not in inner:
        return []
    package, name = inner.split("/")
    kind = getattr(import_module(f"{package}.msg"), name)
    return [absurd(kind, chance) for _ in range(count)]
