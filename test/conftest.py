"""A running stack of real processes for the graph tests, each on its own ROS domain and on the loopback."""

from __future__ import annotations

import itertools
import os
import secrets
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

from quadleg.kinematics.body_pose import all_forward, stance_angles
from quadleg.robot_file.load import find_robot, load_robot
from quadleg.servos.simulated_board import SimulatedBoard
from quadleg.shipped import config_folder

if TYPE_CHECKING:
    from quadleg.client import Robot

# How long an example takes says more of the computer than of the code. The normal run draws the same examples each
# time, so that a clean checkout passes or fails alike everywhere; `--long` looks further, and names its seed.
settings.register_profile("quadleg", deadline=None, derandomize=True, database=None)
settings.register_profile("quadleg-long", deadline=None, database=None, max_examples=1000, print_blob=True)
settings.load_profile("quadleg")

# Domains 1 to 100 keep their UDP ports below Linux's ephemeral ones. Of tests that run side by side, each process
# has domains of its own.
_OURS = range(
    1 + int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw")),
    101,
    int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1")),
)
_domains = itertools.count(os.getppid())

OBEYS_WITHIN = 10.0  # s
MORE_WORKERS, MOST_WORKERS = 1, 6  # than processors: a test with real processes waits for most of its time
LONG_TIMEOUT = 7200  # s
WITHIN = 30.0  # s until what is waited for counts as missing; what has to be fast is held against a clock instead


class Stack:
    """`quadleg run` as a person starts it, with an eye on the simulated board's memory."""

    def __init__(self, folder: Path, robot: str, *arguments: str, recorder: bool = False) -> None:
        self.memory = folder / "test.board"
        arguments = tuple(argument.format(folder=folder) for argument in arguments)
        if "--board-memory" in arguments:
            self.memory = Path(arguments[arguments.index("--board-memory") + 1])
        else:
            arguments = (*arguments, "--board-memory", str(self.memory))
        if not recorder:
            arguments = (*arguments, "--no-recorder")
        self.model = load_robot(find_robot(robot))
        if "--rate" in arguments:
            self.model = replace(self.model, control_rate=float(arguments[arguments.index("--rate") + 1]))
        self.output: list[str] = []
        command = [sys.executable, "-m", "quadleg.cli.main", "run", robot, *arguments]
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
        )
        self._news = threading.Condition()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        for line in self.process.stdout or ():
            with self._news:
                self.output.append(line)
                self._news.notify_all()

    def wait_for_line(self, text: str) -> str:
        """The first line of output that holds the text."""
        with self._news:
            found = self._news.wait_for(lambda: next((line for line in self.output if text in line), None), WITHIN)
        assert found, f"no line with '{text}' within {WITHIN} s in: {''.join(self.output)}"
        return found

    def child(self, node: str) -> int:
        """The process id of the child that runs this node."""
        for pid in map(int, self._children()):
            arguments = Path(f"/proc/{pid}/cmdline").read_text().split("\0")
            nodes = next((a.removeprefix("--nodes=") for a in arguments if a.startswith("--nodes=")), "")
            if node in nodes.split(","):
                return pid
        raise AssertionError(f"no child runs {node}")

    def children(self) -> list[int]:
        """The process ids of all children."""
        return list(map(int, self._children()))

    def _children(self) -> list[str]:
        pid = self.process.pid
        return Path(f"/proc/{pid}/task/{pid}/children").read_text().split()

    def end(self, seconds: float = 40.0) -> int:
        """The orderly end; the exit code."""
        self.process.send_signal(signal.SIGTERM)
        return self.wait(seconds)

    def wait(self, seconds: float = 40.0) -> int:
        """Waits for the end of the stack; the exit code."""
        code = self.process.wait(seconds)
        self._reader.join(seconds)
        assert not self._reader.is_alive(), f"a child holds the output after the end: {''.join(self.output)}"
        return code

    def end_hard(self) -> None:
        """Ends whatever is left of it: in order where it obeys, since what is killed leaves Fast DDS's files behind."""
        if self.process.poll() is None:
            for number in (signal.SIGTERM, signal.SIGINT):  # the second switches off at once
                self.process.send_signal(number)
            with suppress(subprocess.TimeoutExpired):
                self.process.wait(OBEYS_WITHIN)
        # Where the parent is dead, its children lower the robot and end by themselves.
        self._reader.join(OBEYS_WITHIN)
        self.process.kill()
        for pid in self._writers():
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        self.wait()

    def _writers(self) -> list[int]:
        """The process ids of all that write into our pipe: the children, also those of a parent that died."""
        assert self.process.stdout
        pipe = os.fstat(self.process.stdout.fileno())
        found = []
        for entry in Path("/proc").glob("[0-9]*/fd/1"):
            with suppress(OSError):
                if os.path.samestat(entry.stat(), pipe):
                    found.append(int(entry.parts[2]))
        return found

    # What the board shows: judged by its registers and servos alone

    def board(self) -> SimulatedBoard:
        """The simulated board, to be looked at and to be hurt."""
        return SimulatedBoard(self.model, stance_angles(self.model, self.model.resting), self.memory)

    def angles(self) -> tuple[float, ...]:
        """The true angles of the simulated servos."""
        with self.board() as board:
            return board.angles()

    def powered(self) -> int:
        """How many servos get pulses."""
        with self.board() as board:
            return sum(board.powered())

    def height(self) -> float:
        """Height of base_link over the lowest foot, in m, by the true angles."""
        lowest = min(z for _, _, z in all_forward(self.model, self.angles()))
        return self.model.legs[0].foot_radius - lowest


def wait_until(true: Callable[[], bool], what: str) -> None:
    """Looks at the board until something is true of it; the board has no event to wait for."""
    deadline = time.monotonic() + WITHIN
    while not true():
        assert time.monotonic() < deadline, f"not within {WITHIN} s: {what}"
        time.sleep(0.005)


def pytest_addoption(parser: pytest.Parser) -> None:
    """`--long`: more examples, drawn at random, and the tests marked `long`."""
    parser.addoption("--long", action="store_true", help="draw more examples at random, and run tests marked `long`")


@pytest.hookimpl(tryfirst=True)
def pytest_configure(config: pytest.Config) -> None:
    """Load the long profile with a seed, which Hypothesis' own plugin then takes from its option."""
    if config.getoption("long"):
        settings.load_profile("quadleg-long")
        if config.getoption("hypothesis_seed") is None:
            config.option.hypothesis_seed = str(secrets.randbelow(2**32))


def pytest_report_header(config: pytest.Config) -> str | None:
    """Name the seed of a long run."""
    if not config.getoption("long"):
        return None
    seed = config.getoption("hypothesis_seed")
    return f"long run: the same examples again with --long --hypothesis-seed={seed}"


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """How many processes `-n auto` and `-n logical` are."""
    return min((os.cpu_count() or 1) + MORE_WORKERS, MOST_WORKERS)


@pytest.hookimpl(tryfirst=True)  # before xdist, which reads the groups
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """What runs on a ROS domain is marked `graph`; what is marked `long` or `alone` runs with `--long` only. The tests
    of a file run in one process, one after the other, but for those that are marked `spread`."""
    if not config.getoption("long"):
        left_out = [item for item in items if item.get_closest_marker("long") or item.get_closest_marker("alone")]
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]
    for item in items:
        if config.getoption("long"):
            item.add_marker(pytest.mark.timeout(LONG_TIMEOUT))
        if {"domain", "shared_domain"} & set(getattr(item, "fixturenames", ())):
            item.add_marker("graph")
        if not item.get_closest_marker("spread"):
            item.add_marker(pytest.mark.xdist_group(item.nodeid.partition("::")[0]))


def pytest_collection_finish(session: pytest.Session) -> None:
    """In a process of several: no test is without its file's group, which xdist takes from the end of the name."""
    if getattr(session.config.option, "loadgroup", False):
        spread = [
            item.nodeid for item in session.items if not item.get_closest_marker("spread") and "@" not in item.nodeid
        ]
        if spread:
            raise pytest.UsageError(f"these would not run in the process of their file: {spread[:3]}")


@pytest.fixture
def small_pictures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pictures of reports with few pixels, which are drawn sooner."""
    from quadleg.report import report_pictures

    monkeypatch.setattr(report_pictures, "PNG_DPI", 20)


@pytest.fixture
def domain(monkeypatch: pytest.MonkeyPatch) -> int:
    """A ROS domain of the test's own, on the loopback."""
    return own_domain(monkeypatch)


def own_domain(patch: pytest.MonkeyPatch) -> int:
    """Puts what is started from here on into a ROS domain of its own, on the loopback."""
    if find_spec("rclpy") is None:
        pytest.skip("rclpy does not import: source a ROS 2 or install the extra `ros`")
    number = next_domain()
    patch.setenv("ROS_DOMAIN_ID", str(number))
    patch.setenv("ROS_AUTOMATIC_DISCOVERY_RANGE", "LOCALHOST")
    patch.setenv("FASTDDS_DEFAULT_PROFILES_FILE", str(config_folder() / "fastdds_discovery.xml"))  # as under `quadleg`
    return number


def next_domain() -> int:
    """The number of a ROS domain that nothing of ours has used of late."""
    return _OURS[next(_domains) % len(_OURS)]


@pytest.fixture
def start(domain: int, tmp_path: Path) -> Iterator[Callable[..., Stack]]:
    """Starts stacks; ends in any case what the test left running."""
    stacks: list[Stack] = []

    def starter(*arguments: str, robot: str = "greenhouse_inspector", recorder: bool = False) -> Stack:
        stacks.append(Stack(tmp_path, robot, *arguments, recorder=recorder))
        return stacks[-1]

    yield starter
    for stack in stacks:
        stack.end_hard()


@pytest.fixture
def stack(start: Callable[..., Stack]) -> Stack:
    """A stack that is ready, with the demo robot off."""
    stack = start()
    stack.wait_for_line("ready after")
    return stack


class RosProbe:
    """A ROS node of the test's own: publishes what it likes and keeps what it hears."""

    def __init__(self) -> None:
        import rclpy
        from rclpy.experimental import EventsExecutor
        from rclpy.signals import SignalHandlerOptions

        self._context = rclpy.Context()
        rclpy.init(context=self._context, signal_handler_options=SignalHandlerOptions.NO)
        self.node = rclpy.create_node("test_probe", context=self._context)
        self._executor = EventsExecutor(context=self._context)
        self._executor.add_node(self.node)
        self.news = threading.Condition()
        self._closed = False
        self._thread = threading.Thread(target=self._spin, daemon=True)
        self._thread.start()

    def _spin(self) -> None:
        while not self._closed:
            self._executor.spin_once(timeout_sec=0.1)

    def hear(self, kind: type, topic: str, qos: object = 10) -> list:
        """All messages of a topic from now on, in a list that grows."""
        heard: list = []

        def callback(message: object) -> None:
            heard.append(message)
            self.wake()

        self.node.create_subscription(kind, topic, callback, qos)
        return heard

    def publisher(self, kind: type, topic: str):
        """A publisher that has its subscriber."""
        publisher = self.node.create_publisher(kind, topic, 10)
        wait_until(lambda: publisher.get_subscription_count() > 0, f"a subscriber of {topic}")
        return publisher

    def ask(self, kind: type, service: str, **fields: object):
        """Calls a service; its response."""
        client = self.node.create_client(kind, service)
        assert client.wait_for_service(WITHIN), f"no node offers {service}"
        future = client.call_async(kind.Request(**fields))
        future.add_done_callback(lambda _: self.wake())
        self.wait(future.done, f"an answer of {service}")
        return future.result()

    def wake(self) -> None:
        with self.news:
            self.news.notify_all()

    def wait(self, true: Callable[[], object], what: str, seconds: float = WITHIN):
        """Waits for something heard; its value."""
        with self.news:
            found = self.news.wait_for(true, seconds)
        assert found, f"not within {seconds} s: {what}"
        return found

    def hears_more(self, messages: list, seconds: float) -> bool:
        """Whether something is added to a list within so many seconds."""
        before = len(messages)
        with self.news:
            return self.news.wait_for(lambda: len(messages) > before, seconds)

    def close(self) -> None:
        self._closed = True
        self._thread.join()
        self._executor.shutdown()
        self.node.destroy_node()
        self._context.try_shutdown()


@pytest.fixture
def probe(domain: int) -> Iterator[RosProbe]:
    """A ROS node of the test's own."""
    probe = RosProbe()
    yield probe
    probe.close()


@pytest.fixture
def robot(stack: Stack):
    """A client of `stack`."""
    from quadleg.client import Robot

    with Robot() as robot:
        yield robot


@contextmanager
def lasting(folder: Path, *arguments: str) -> Iterator[Stack]:
    """A stack that is ready, on a domain of its own, in which all else is that is started meanwhile."""
    with pytest.MonkeyPatch.context() as patch:
        own_domain(patch)
        with _running(folder, *arguments) as stack:
            yield stack


@contextmanager
def _running(folder: Path, *arguments: str) -> Iterator[Stack]:
    stack = Stack(folder, "greenhouse_inspector", *arguments)
    try:
        stack.wait_for_line("ready after")
        yield stack
    finally:
        stack.end_hard()


@pytest.fixture(scope="module")
def shared_domain() -> Iterator[int]:
    """A ROS domain of a file's own, on the loopback."""
    with pytest.MonkeyPatch.context() as patch:
        yield own_domain(patch)


@pytest.fixture(scope="module")
def shared_stack(shared_domain: int, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stack]:
    """One stack for all tests of a file that leave it running, in whatever state: a start takes seconds."""
    with _running(tmp_path_factory.mktemp("shared")) as stack:
        yield stack


@pytest.fixture
def standing(shared_stack: Stack):
    """A client of the shared robot, which stands at its height, whatever the test before did to it."""
    from quadleg.client import Robot

    with Robot() as robot:
        robot.set_parameter("gait", "paused", False)
        wait_until(lambda: stands(robot), "a robot that stands")
        yield robot


def stands(robot: Robot) -> bool:
    """Have a robot stand at its height, from whatever state; whether it does."""
    from quadleg.errors import Refused

    if robot.status().state == "fault":
        robot.reset()
    try:
        robot.stand()
    except Refused:  # what was measured of its supply or tilt is remembered for two seconds
        return False
    return True


@pytest.fixture
def shared_probe(shared_stack: Stack) -> Iterator[RosProbe]:
    """A ROS node of the test's own, where the shared stack is."""
    probe = RosProbe()
    yield probe
    probe.close()
