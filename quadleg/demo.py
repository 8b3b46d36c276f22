"""`quadleg demo`: the whole chain on a simulated board, step by step, with a table and a picture at the end."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from math import cos, pi, sin
from pathlib import Path

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.live import Live
from rich.spinner import Spinner
from rich.table import Table

from quadleg.client import Robot
from quadleg.errors import NoPlace, NotReached, QuadlegError
from quadleg.graph import stay_local
from quadleg.kinematics.body import Pose, stance_angles
from quadleg.recording.run import History, Step
from quadleg.robot.model import JOINT_NAMES
from quadleg.robot.model import Robot as Model
from quadleg.runner import need_ros
from quadleg.servos.simulated import SimulatedBoard

CIRCLE_RADIUS = 20.0  # mm
CIRCLE_TIME = 5.0  # s
CIRCLE_RATE = 20.0  # targets a second
PAUSE = 1.0  # s that the metronome is paused
STOPPED_TIME = 1.0  # s that the emergency stop is looked at
AXES = (
    ("height", "mm", 1000.0),
    ("x", "mm", 1000.0),
    ("y", "mm", 1000.0),
    ("roll", "°", 180 / pi),
    ("pitch", "°", 180 / pi),
    ("yaw", "°", 180 / pi),
)
OUT_OF_REACH = 300.0  # mm, higher than any of the demo robot's legs is long


@dataclass(frozen=True)
class Act:
    """One step of the demo: its name, the pose it asks for, and what it does; a note for the table comes back."""

    name: str
    asked: Pose | None
    do: Callable[[Demo], str]


def _pose(name: str, **axes: float) -> Act:
    def do(demo: Demo) -> str:
        demo.robot.pose(**axes)
        return ""

    def value(axis: str) -> float:
        return axes.get(axis, 0.0)

    asked = Pose.from_rpy(
        value("x_mm") / 1000,
        value("y_mm") / 1000,
        axes["height_mm"] / 1000,
        *(value(turn) * pi / 180 for turn in ("roll_deg", "pitch_deg", "yaw_deg")),
    )
    return Act(name, asked, do)


def _level(height_mm: float) -> Pose:
    return Pose.from_rpy(0.0, 0.0, height_mm / 1000, 0.0, 0.0, 0.0)


class Demo:
    """A running stack of its own, what the demo does with it, and what it saw."""

    def __init__(self, model: Model, robot: Robot, memory: Path) -> None:
        self.model = model
        self.robot = robot
        self.steps: list[Step] = []
        self.history = History([], [], [])
        self.figures: dict[str, str] = {}
        self._memory = memory
        self._begun = time.monotonic()
        robot.on_angles = self._note_angles
        robot.on_state = self._note_state
        self._note_state(robot.status().state or "")

    def _clock(self) -> float:
        return time.monotonic() - self._begun

    def _note_angles(self, angles: dict[str, float]) -> None:
        self.history.times.append(self._clock())
        self.history.angles.append(tuple(angles[name] for name in JOINT_NAMES))

    def _note_state(self, state: str) -> None:
        if not self.history.states or self.history.states[-1][1] != state:
            self.history.states.append((self._clock(), state))

    def play(self, act: Act) -> None:
        """Does one act and keeps its step."""
        start = self._clock()
        note = act.do(self)
        reached = self.robot.reached()
        self.steps.append(Step(act.name, start, self._clock(), act.asked, reached, self.history.angles[-1], note))

    # Acts that are more than one pose

    def rise(self) -> str:
        self.robot.stand(height_mm=150)
        moved = self.robot.status().values("servo_output")["power_up_movement_deg"]
        self.figures.setdefault("power-up movement, largest of the twelve joints", f"{float(moved):.1f}°")
        return f"first pulses moved no joint by more than {float(moved):.1f}°"

    def circle(self) -> str:
        """Streams targets round a circle; how far the body left it, beyond the time it lags."""
        self.robot.pose(height_mm=150, x_mm=CIRCLE_RADIUS)
        seen = len(self.history.angles)
        ticks = round(CIRCLE_TIME * CIRCLE_RATE)
        begun = time.monotonic()
        for k in range(1, ticks + 1):
            turn = 2 * pi * k / ticks
            x, y = CIRCLE_RADIUS * cos(turn) / 1000, CIRCLE_RADIUS * sin(turn) / 1000
            self.robot.send(Pose.from_rpy(x, y, 0.150, 0.0, 0.0, 0.0))
            self._pause_until(begun + k / CIRCLE_RATE)
        self.robot.pose(height_mm=150, x_mm=CIRCLE_RADIUS)
        poses = [self.robot.pose_of(dict(zip(JOINT_NAMES, angles))) for angles in self.history.angles[seen:]]
        off = max(abs((p.position[0] ** 2 + p.position[1] ** 2) ** 0.5 * 1000 - CIRCLE_RADIUS) for p in poses)
        return f"radius {CIRCLE_RADIUS:.0f} mm kept to {off:.1f} mm"

    def reach_too_far(self) -> str:
        try:
            self.robot.pose(height_mm=OUT_OF_REACH)
        except NotReached as error:
            return str(error)
        raise NotReached(f"a height of {OUT_OF_REACH:g} mm should be out of reach, and was not")

    def hold(self) -> str:
        self.robot.set_parameter("gait", "paused", True)
        begun = time.monotonic()
        self.robot.wait_for("hold", within=2.0)
        held_after = time.monotonic() - begun
        self._pause_until(begun + PAUSE)
        self.robot.set_parameter("gait", "paused", False)
        self.robot.wait_for("active", within=2.0)
        return f"held after {1000 * held_after:.0f} ms, went on by itself"

    def stop(self) -> str:
        now = self.robot.status()
        output, watchdog = now.values("servo_output"), now.values("joint_watchdog")
        self.figures["frames followed"] = watchdog["frames_sent"]
        self.figures["frames dropped"] = watchdog["frames_dropped"]
        self.figures["frames slowed to the servos' speed"] = watchdog["frames_slowed"]
        self.figures["tick to bytes, median"] = f"{output['tick_to_bytes_p50_ms']} ms"
        self.figures["tick to bytes, 99th percentile"] = f"{output['tick_to_bytes_p99_ms']} ms"
        begun = time.monotonic()
        self.robot.stop()
        taken = time.monotonic() - begun
        self.robot.wait_for("fault", within=2.0)
        with SimulatedBoard(self.model, stance_angles(self.model, self.model.resting), self._memory) as board:
            if any(board.powered()):
                raise NotReached("after the emergency stop a joint of the simulated board still has pulses")
        self._pause_until(begun + STOPPED_TIME)
        return f"all joints limp {1000 * taken:.0f} ms after the call"

    def reset(self) -> str:
        self.robot.reset()
        return "off; a hand puts the limp legs back into the resting pose"

    def sit(self) -> str:
        self.robot.sit()
        return "lowered, then off"

    @staticmethod
    def _pause_until(moment: float) -> None:
        time.sleep(max(0.0, moment - time.monotonic()))


ACTS = (
    Act("power up, rise", _level(150), Demo.rise),
    _pose("lowest", height_mm=120),
    _pose("highest", height_mm=170),
    _pose("roll", height_mm=150, roll_deg=12),
    _pose("pitch", height_mm=150, pitch_deg=10),
    _pose("yaw", height_mm=150, yaw_deg=12),
    _pose("forward", height_mm=150, x_mm=25),
    _pose("sideways", height_mm=150, y_mm=25),
    Act("circle", Pose.from_rpy(CIRCLE_RADIUS / 1000, 0, 0.150, 0, 0, 0), Demo.circle),
    _pose("all at once", height_mm=140, x_mm=10, y_mm=-10, roll_deg=-6, pitch_deg=-5, yaw_deg=-8),
    _pose("back", height_mm=150),
    Act("out of reach", _level(OUT_OF_REACH), Demo.reach_too_far),
    _pose("back again", height_mm=150),
    Act("paused", _level(150), Demo.hold),
    Act("emergency stop", None, Demo.stop),
    Act("reset", None, Demo.reset),
    Act("rise again", _level(150), Demo.rise),
    Act("sit", None, Demo.sit),
)


def demo(model: Model, picture: Path, seed: int) -> int:
    """Plays the demo on a stack of its own; the exit code. Raises QuadlegError where a step fails."""
    need_ros()
    stay_local()
    if not os.access(picture.resolve().parent, os.W_OK):
        raise NoPlace(f"the picture {picture} cannot be written: choose a folder that is there and yours")
    console = Console()
    begun = time.monotonic()
    with _stack(model, seed) as (namespace, memory), Robot(namespace) as robot:
        played = Demo(model, robot, memory)
        for number, act in enumerate(ACTS, 1):
            line = f"{number:>2} of {len(ACTS)}  {act.name}"
            with Live(Spinner("dots", line), console=console, transient=True):
                played.play(act)
            step = played.steps[-1]
            console.print(f"[green]✓[/] {line:<28} {step.end - step.start:4.1f} s", highlight=False)
    console.print("", _table(played), _notes(played), _figures(played, time.monotonic() - begun), sep="\n")
    _draw(console, played, picture)
    return 0


@contextmanager
def _stack(model: Model, seed: int) -> Iterator[tuple[str, Path]]:
    """A stack in a namespace and with a board memory of its own, so that it touches no other robot."""
    namespace = f"quadleg_demo_{os.getpid()}"
    with tempfile.TemporaryDirectory(prefix="quadleg-demo-") as folder:
        memory = Path(folder) / "demo.board"
        command = [sys.executable, "-m", "quadleg.cli", "run", str(model.path), "--namespace", namespace]
        command += ["--seed", str(seed), "--board-memory", str(memory)]
        process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
        )
        output: list[str] = []
        reader = threading.Thread(target=lambda: output.extend(process.stdout or ()), daemon=True)
        reader.start()
        try:
            yield namespace, memory
        except QuadlegError:
            print("".join(output), file=sys.stderr)
            raise
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait()
            reader.join()


def _height_error_mm(step: Step) -> float:
    return abs(step.asked.position[2] - step.reached.position[2]) * 1000 if step.asked and step.reached else 0.0


def _table(demo: Demo) -> Table:
    table = Table(
        title="Body pose asked → reached, by forward kinematics of what the simulated servos did",
        title_justify="left",
        box=SIMPLE_HEAD,
        pad_edge=False,
        padding=(0, 1, 0, 0),
    )
    table.add_column("step")
    for name, unit, _ in AXES:
        table.add_column(f"{name} {unit}", justify="right", no_wrap=True)
    for step in demo.steps:
        if step.asked and step.reached:
            asked, reached = _axes(step.asked), _axes(step.reached)
            table.add_row(step.name, *(f"{a:g}→{r:.1f}" if a else f"{r:+.1f}" for a, r in zip(asked, reached)))
    return table


def _axes(pose: Pose) -> list[float]:
    """Height, x, y in mm and roll, pitch, yaw in degrees, as the table shows them."""
    x, y, z = pose.position
    return [round(value * scale, 6) for value, (_, _, scale) in zip((z, x, y, *pose.rpy), AXES)]


def _notes(demo: Demo) -> Table:
    table = Table(show_header=False, box=None, pad_edge=False)
    for step in demo.steps:
        if step.note:
            table.add_row(step.name, step.note)
    return table


def _figures(demo: Demo, seconds: float) -> Table:
    table = Table(show_header=False, box=SIMPLE_HEAD, pad_edge=False)
    worst = max((step for step in demo.steps if step.name != "out of reach"), key=_height_error_mm)
    figures = {
        "largest height error, within reach": f"{_height_error_mm(worst):.2f} mm ({worst.name})",
        **demo.figures,
        "the demo took": f"{seconds:.0f} s",
    }
    for name, value in figures.items():
        table.add_row(name, value)
    return table


def _draw(console: Console, demo: Demo, picture: Path) -> None:
    try:
        from quadleg.recording.plots import demo_picture
    except ImportError:
        console.print("No picture: it needs matplotlib, which the extra `log` installs", markup=False)
        return
    demo_picture(demo.model, demo.steps, demo.history, picture)
    console.print(f"Picture: {picture.resolve()}")
