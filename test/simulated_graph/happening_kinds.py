"""What a happening is, and what it happens to."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from simulated_graph.browser_pages import Browsers
from simulated_graph.deadline_judge import UPSET_AFTER, DeadlineJudge
from simulated_graph.disk_faults import RecordingDisk
from simulated_graph.gamepad_hand import GamepadHand
from simulated_graph.people import Person
from simulated_graph.stack import SimulatedProcess, SimulatedStack
from simulated_graph.strangers import Stranger
from simulated_graph.unsafe_actions import Judge

if TYPE_CHECKING:
    from simulated_graph.message_faults import MessageFaults
    from simulated_graph.target_faults import TargetFaults

FREEZES = (0.001, 0.01, 0.1, 0.5, 2.0, 10.0)  # s, about which times are drawn


@dataclass(frozen=True)
class Happening:
    """What happens when (s after the start), with its figures; what happens `then`, each so many s after it; and
    whether it waits for a robot that `stands`, which somebody asks for."""

    time: float
    kind: str
    figures: tuple[Any, ...] = ()
    then: tuple[Happening, ...] = ()
    stands: bool = False

    def __str__(self) -> str:
        words = [f"{self.time:8.3f} s ", *(["once it stands,"] if self.stands else []), self.kind, *self.figures]
        return "\n        then".join((" ".join(map(str, words)), *map(str, self.then)))


@dataclass
class Scene:
    """What a happening happens to. Without a viewer there are no pages, without teleop no node hears the gamepad."""

    stack: SimulatedStack
    person: Person
    judge: Judge
    deadlines: DeadlineJudge
    stranger: Stranger
    browsers: Browsers
    gamepad: GamepadHand
    disk: RecordingDisk
    targets: TargetFaults
    messages: MessageFaults
    over: bool = False  # nothing happens any more
    sound: dict[int, Callable[[], Any]] = field(default_factory=dict)  # by a sensor's id: what it feels without faults

    def process(self, node: str) -> SimulatedProcess:
        """The process that a node lives in now."""
        return self.stack.process_of(node)

    def is_faulty(self, sensor: Any) -> bool:
        """Whether a sensor feels something else than it should."""
        return id(sensor) in self.sound and sensor.feel is not self.sound[id(sensor)]

    def feel(self, sensor: Any, felt: Callable[[], Any], seconds: float) -> None:
        """Have a sensor feel something else for a while, or until something else again."""
        sound = self.sound.setdefault(id(sensor), sensor.feel)
        sensor.feel = felt

        def end() -> None:
            if sensor.feel is felt:
                sensor.feel = sound

        self.stack.time.after(seconds, end)


@dataclass(frozen=True)
class Kind:
    """One kind of happening: its share among all, how its figures are drawn, what it does, the process beside the
    robot's own without which it is not drawn, and for how long (s) after its own time it may stop the robot; 0: it must
    not."""

    share: float
    draw: Callable[[random.Random], tuple[Any, ...]]
    act: Callable[..., None]
    needs: str = ""
    upsets: float = UPSET_AFTER

    def upset_time(self, figures: tuple[Any, ...]) -> float:
        """For how long (s) one with these figures may stop the robot."""
        own = max((figure for figure in figures if isinstance(figure, float)), default=0.0)
        return own + self.upsets if self.upsets else 0.0


def drawn_seconds(chance: random.Random) -> float:
    """Draw a time from a blink to long (s)."""
    return round(chance.choice(FREEZES) * chance.uniform(0.5, 1.5), 4)


def only_seconds(chance: random.Random) -> tuple[float]:
    """Draw such a time as the one figure of a happening."""
    return (drawn_seconds(chance),)
