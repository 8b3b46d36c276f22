"""A stack in simulated time on a sound network, for tests of what the robot does.

Its fixtures are called as those of conftest, and a test module that imports them has the same tests without processes,
network and threads: nothing in them is ever late.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from conftest import stands
from simulated_client import SOUND, SimulatedProbe, client_on, wait_until
from simulated_graph.stack import SimulatedStack, StackOptions

from quadleg.client import Robot
from quadleg.robot.model import RobotModel
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot

READY_WITHIN = 10.0  # s
STANDS_WITHIN = 30.0  # s


class SoundStack(SimulatedStack):
    """`quadleg run` without a recorder, with an eye on the simulated board."""

    def __init__(self, options: StackOptions, memory: Path, seed: int) -> None:
        super().__init__(replace(options, conditions=SOUND), seed, memory)
        self.memory = memory

    @property
    def model(self) -> RobotModel:
        """The robot that it runs."""
        return replace(self.robot, control_rate=self.options.rate)

    # What the board shows: judged by its registers and servos alone

    def angles(self) -> tuple[float, ...]:
        """The true angles of the simulated servos."""
        return self.eye.angles()

    def powered(self) -> int:
        """How many servos get pulses."""
        return sum(self.eye.powered())

    def height(self) -> float:
        """Height of base_link over the lowest foot, in m, by the true angles."""
        return self.eye.height()

    # Who else is there

    def client(self) -> AbstractContextManager[Robot]:
        """A script at the robot."""
        return client_on(self.bus, self.namespace)

    def probe(self) -> SimulatedProbe:
        """A node of the test's own."""
        return SimulatedProbe(self.bus, self.namespace)

    def wait_until(self, true: Callable[[], object], what: str, seconds: float) -> Any:
        """Let time pass until something is true; its value."""
        return wait_until(self.time, true, what, seconds)


@contextmanager
def running_stack(folder: Path, robot: str = DEFAULT_ROBOT, seed: int = 1, **options: Any) -> Iterator[SoundStack]:
    """A stack that is ready, with the robot off; `options` are those of `StackOptions`."""
    stack = SoundStack(StackOptions(load_robot(find_robot(robot)), **options), folder / "board", seed)
    with stack.running():
        stack.wait_until(lambda: stack.supervisor.all_ready, "all processes ready", READY_WITHIN)
        yield stack


@pytest.fixture
def stack(tmp_path: Path) -> Iterator[SoundStack]:
    """A stack that is ready, with the demo robot off."""
    with running_stack(tmp_path) as stack:
        yield stack


@pytest.fixture
def robot(stack: SoundStack) -> Iterator[Robot]:
    """A client of `stack`."""
    with stack.client() as robot:
        yield robot


@pytest.fixture
def probe(stack: SoundStack) -> SimulatedProbe:
    """A node of the test's own, where `stack` is."""
    return stack.probe()


@pytest.fixture(scope="module")
def shared_stack(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SoundStack]:
    """One stack for all tests of a file that leave it running, in whatever state."""
    with running_stack(tmp_path_factory.mktemp("shared")) as stack:
        yield stack


@pytest.fixture
def standing(shared_stack: SoundStack) -> Iterator[Robot]:
    """A client of the shared robot, which stands at its height, whatever the test before did to it."""
    with shared_stack.client() as robot:
        robot.set_parameter("gait", "paused", False)
        shared_stack.wait_until(lambda: stands(robot), "a robot that stands", STANDS_WITHIN)
        yield robot


@pytest.fixture
def shared_probe(shared_stack: SoundStack) -> Iterator[SimulatedProbe]:
    """A node of the test's own, where the shared stack is."""
    with shared_stack.probe() as probe:
        yield probe
