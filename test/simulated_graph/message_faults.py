"""What may become of messages: numbers of one are spoilt, a single reading of the supply is all there is."""

from __future__ import annotations

import random
from array import array
from collections.abc import Callable, Iterable, Iterator
from math import inf, nan
from typing import Any

import numpy as np
from sensor_msgs.msg import BatteryState, JointState

from quadleg.middleware.simulated_bus import BusPublisher
from simulated_graph.deadline_judge import UPSET_AFTER
from simulated_graph.happening_kinds import Kind, Scene
from simulated_graph.stack import SimulatedStack

SPOILT_TOPICS = (
    "imu/data",
    "supply",
    "joint_states",
    "joint_commands",
    "joint_targets",
    "planned_feet",
    "foot_targets",
)
MOST_SPOILT = 2  # in a row: fewer than what stops a robot
WHOLE = 0.4  # the share of messages that lose all numbers of a field, as by a failed solver, and not a single one
HEAD_PERIOD = 0.02  # s
STALE = ("near", "over", "low", "lost", "absent")


class MessageFaults:
    """Spoils messages as they are published, while it is told to."""

    def __init__(self, stack: SimulatedStack) -> None:
        self._publish = stack.bus.publish
        self._prefix = f"{stack.namespace}/"
        self._spoil: dict[str, tuple[int, random.Random]] = {}
        stack.bus.publish = self._pass_on  # type: ignore[method-assign]

    def spoil(self, topic: str, count: int, chance: random.Random) -> None:
        """Have one number each of the next messages of a topic be none, or all of a field."""
        self._spoil[self._prefix + topic] = count, chance

    def _pass_on(self, publisher: BusPublisher, message: Any) -> None:
        if self._spoil and publisher.topic in self._spoil and publisher.node_name != "stranger":
            count, chance = self._spoil.pop(publisher.topic)
            if fields := [places for name in _names(message) if (places := list(_numbers(message, (name,))))]:
                places = chance.choice(fields)
                number = chance.choice((nan, inf))
                for place in places if chance.random() < WHOLE else [chance.choice(places)]:
                    place(number)
            if count > 1:
                self._spoil[publisher.topic] = count - 1, chance
        self._publish(publisher, message)


def _names(message: Any) -> Iterable[str]:
    return message.get_fields_and_field_types()


def _numbers(message: Any, names: Iterable[str]) -> Iterator[Callable[[float], None]]:
    """How each floating-point number in these fields of a message is set."""
    for name in names:
        value = getattr(message, name)
        if isinstance(value, float):
            yield lambda number, name=name: setattr(message, name, number)
        elif isinstance(value, np.ndarray) or (isinstance(value, array) and value.typecode in "fd"):
            for i in range(len(value)):
                yield lambda number, value=value, i=i: value.__setitem__(i, number)
        elif isinstance(value, (list, tuple)):
            for one in value:
                if hasattr(one, "get_fields_and_field_types"):
                    yield from _numbers(one, _names(one))
        elif hasattr(value, "get_fields_and_field_types"):
            yield from _numbers(value, _names(value))


def _spoil(scene: Scene, topic: str, count: int, seed: int) -> None:
    scene.messages.spoil(topic, count, random.Random(seed))


def _draw_spoiling(chance: random.Random) -> tuple[Any, ...]:
    return chance.choice(SPOILT_TOPICS), chance.randrange(1, MOST_SPOILT + 1), chance.randrange(2**31)


def _stale_supply(scene: Scene, what: str) -> None:
    """Somebody else publishes one reading, and then no more; it is to be forgotten."""
    supply, stack = scene.stack.robot.supply, scene.stack
    volts = {"low": 0.95 * supply.low_voltage, "lost": 0.0}.get(what, supply.voltage)
    amperes = {"near": 0.95, "over": 1.2}.get(what, 0.1) * supply.rated_current

    def heard() -> None:
        scene.deadlines.upset(UPSET_AFTER)
        if what in ("lost", "absent"):
            waits = stack.bus_faults.lasts(stack.now)
            stack.excuse("a stranger says that the supply is lost", waits + UPSET_AFTER)
            if scene.person.state("joint_watchdog") in ("rising", "active", "hold"):
                scene.deadlines.wants("lost_supply_not_cut", 0.1, 1.5, ("off", "fault"), f"the supply is {what}")

    message = BatteryState(voltage=volts, current=-amperes, present=what != "absent")
    scene.stranger.say("supply", message, heard)


def _other_joints(scene: Scene, count: int) -> None:
    """A head on the robot publishes its joints beside those of the legs."""
    message = JointState(name=["head_pan", "head_tilt"], position=[0.1, -0.2])
    scene.stranger.say("joint_states", message, lambda: None, count, HEAD_PERIOD)


MESSAGE_KINDS = {
    "spoil": Kind(1.5, _draw_spoiling, _spoil, upsets=0.0),
    "other_joints": Kind(0.5, lambda r: (r.choice((1, 20, 200)),), _other_joints, upsets=0.0),
    "stale_supply": Kind(0.5, lambda r: (r.choice(STALE),), _stale_supply, upsets=0.0),
}
