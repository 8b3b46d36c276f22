"""`quadleg demo`: the whole chain, step by step, with a table and a picture at the end.

On a simulated board by default, with a simulated body if asked for; on a real one slowly, and without the faults that
it provokes.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.util import find_spec
from math import cos, degrees, hypot, pi, radians, sin
from pathlib import Path
from typing import Any

import numpy as np
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.live import Live
from rich.spinner import Spinner
from rich.table import Table

from quadleg.client import SIMULATED, Robot
from quadleg.errors import NoPlace, NotHeard, NotReached, QuadlegError, Refused, SimMissing
from quadleg.graph import stay_local
from quadleg.interrupts import ended_by_signals
from quadleg.kinematics.body import Pose, stance_angles
from quadleg.kinematics.planar import STILL, Planar, compose, seen_from
from quadleg.recording.course import Course, course_figures
from quadleg.recording.run import History, Step
from quadleg.recording.walk import Walk, walk_figures
from quadleg.robot.model import JOINT_NAMES
from quadleg.robot.model import Robot as Model
from quadleg.runner import SAID_READY, need_ros
from quadleg.servos.simulated import SimulatedBoard

STARTED_WITHIN = 30.0  # s for the stack
CIRCLE_RADIUS = 20  # mm
CIRCLE_TIME = 5.0  # s
CIRCLE_RATE = 20.0  # targets a second
PAUSE = 1.0  # s that the metronome is paused
STOPPED_TIME = 1.0  # s that the emergency stop is looked at
SPEED_SHARE = 0.5  # of what the gait can do, in the walks
COURSE_SPEED = 0.06  # m/s, or as fast as the robot can
COURSE_TIME = 25.0  # s of the way at that speed
COURSE_SHORT = 0.05  # m: what lacks more was lost to holds, and is walked after them
COURSE_QUIET = 1.0  # s of standing before it
AXES = (
    ("height", "mm", 1000.0),
    ("x", "mm", 1000.0),
    ("y", "mm", 1000.0),
    ("roll", "°", 180 / pi),
    ("pitch", "°", 180 / pi),
    ("yaw", "°", 180 / pi),
)
# A third of base_motion's speed by default, for a real board; the circle's targets go as slowly.
SLOW_PARAMETERS = "/**/base_motion: {ros__parameters: {speed: 0.02, turn_speed: 0.2}}\n"
SLOWNESS = 3


@dataclass(frozen=True)
class Act:
    """One step of the demo: its name, the pose it asks for, and what it does; a note for the table comes back.

    An act that provokes a fault, or ends one, is for simulated boards alone, as is one that is hasty.
    """

    name: str
    asked: Pose | None
    do: Callable[[Demo], str]
    faulty: bool = False
    hasty: bool = False


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


def _walk(gait: str, side: float) -> tuple[Act, Act]:
    """A square with a side in m, always facing forward, and a quarter turn in place."""
    corners = ((side, 0.0, 0.0), (0.0, side, 0.0), (-side, 0.0, 0.0), (0.0, -side, 0.0))
    hasty = gait != "creep"
    return (
        Act(f"{gait}: square", None, lambda demo: demo.walk(gait, *corners), hasty=hasty),
        Act(f"{gait}: turn", None, lambda demo: demo.walk(gait, (0.0, 0.0, pi / 2)), hasty=hasty),
    )


def acts(model: Model, physics: bool = False) -> tuple[Act, ...]:
    """What the demo does with this robot, in order; with `physics` the creeping walk is a measured course."""

    def mm(length: float) -> int:
        return _sized(model, length)

    def level(height_mm: float) -> Pose:
        return Pose.from_rpy(0.0, 0.0, height_mm / 1000, 0.0, 0.0, 0.0)

    stand = mm(150)
    creep, turn = _walk("creep", mm(150) / 1000)
    if physics:
        creep = Act("creep: course", None, Demo.walk_course)
    all_acts = (
        Act("power up, rise", level(stand), Demo.rise),
        _pose("lowest", height_mm=mm(120)),
        _pose("highest", height_mm=mm(170)),
        _pose("roll", height_mm=stand, roll_deg=12),
        _pose("pitch", height_mm=stand, pitch_deg=10),
        _pose("yaw", height_mm=stand, yaw_deg=12),
        _pose("forward", height_mm=stand, x_mm=mm(25)),
        _pose("sideways", height_mm=stand, y_mm=mm(25)),
        Act("circle", Pose.from_rpy(mm(CIRCLE_RADIUS) / 1000, 0, stand / 1000, 0, 0, 0), Demo.circle),
        _pose("all at once", height_mm=mm(140), x_mm=mm(10), y_mm=mm(-10), roll_deg=-6, pitch_deg=-5, yaw_deg=-8),
        _pose("back", height_mm=stand),
        Act("out of reach", level(_out_of_reach(model)), Demo.reach_too_far),
        _pose("back again", height_mm=stand),
        creep,
        turn,
        *_walk("trot", mm(200) / 1000),
        Act("paused", level(stand), Demo.hold, faulty=True),
        Act("emergency stop", None, Demo.stop, faulty=True),
        Act("reset", None, Demo.reset, faulty=True),
        Act("rise again", level(stand), Demo.rise, faulty=True),
        Act("sit", None, Demo.sit),
    )
    return tuple(act for act in all_acts if not ((act.faulty or act.hasty) and _is_real(model)))


def _is_real(model: Model) -> bool:
    return model.board.kind != SIMULATED


def _sized(model: Model, length: float) -> int:
    """A length of a robot that stands 150 mm high, in mm for this robot."""
    return round(length * model.standing.height / 0.150)


def _out_of_reach(model: Model) -> int:
    """A height in mm that no leg is long enough for."""
    return round(1500 * max(leg.upper_length + leg.lower_length for leg in model.legs))


class Demo:
    """A running stack of its own, what the demo does with it, and what it saw."""

    def __init__(self, model: Model, robot: Robot, memory: Path, physics: bool = False) -> None:
        self.model = model
        self.robot = robot
        self.steps: list[Step] = []
        self.history = History([], [], [])
        self.figures: dict[str, str] = {}
        self.course: Course | None = None
        self.droops: dict[str, float] = {}  # m, that the simulated body is below the height asked for
        self._memory = memory
        self._begun = time.monotonic()
        self._seen: dict[str, list[tuple[Any, ...]]] = {}  # of the walks in each gait, a row a planned frame
        self._gait = ""
        self._stamp = 0.0
        self._body = _body(robot) if physics else None
        robot.on_plan = self._note_plan
        robot.on_angles = self._note_angles
        robot.on_state = self._note_state
        self._note_state(robot.status().state or "")

    def _clock(self) -> float:
        return time.monotonic() - self._begun

    def _note_angles(self, angles: dict[str, float], stamp: float) -> None:
        self._stamp = stamp
        self.history.times.append(self._clock())
        self.history.angles.append(tuple(angles[name] for name in JOINT_NAMES))

    def _note_state(self, state: str) -> None:
        if not self.history.states or self.history.states[-1][1] != state:
            self.history.states.append((self._clock(), state))

    def _note_plan(self, message: Any) -> None:
        rows = self._seen[self._gait]
        if not self.history.angles or (rows and rows[-1][0] == self._stamp):  # the servos have not been heard since
            return
        *feet, shift = ((t.translation.x, t.translation.y, t.translation.z) for t in message.transforms)
        in_air = [wrench.force.z == 0.0 for wrench in message.wrench[:-1]]
        rows.append((self._stamp, self.history.angles[-1], feet, in_air, shift[:2]))

    def walks(self) -> list[Walk]:
        """The walks, one for each gait."""
        return [
            Walk(gait, self.model.gait(gait), *(np.array(column) for column in zip(*rows)))
            for gait, rows in self._seen.items()
        ]

    def play(self, act: Act) -> None:
        """Does one act and keeps its step."""
        start = self._clock()
        note = act.do(self)
        reached = self.robot.reached()
        if self._body and act.asked is None:  # lying or in a stance of its own, only the body knows how it is
            reached = self._body.pose
        if self._body and act.asked and act.name != "out of reach":
            self.droops[act.name] = act.asked.position[2] - self._body.pose.position[2]
        self.steps.append(Step(act.name, start, self._clock(), act.asked, reached, self.history.angles[-1], note))

    # Acts that are more than one pose

    def walk(self, gait: str, *ways: Planar) -> str:
        """Walks one way after another, each seen from where the last was to end; how far off it ends."""
        fastest = self._begin_walk(gait)
        place = goal = STILL
        for way in ways:
            goal = compose(goal, way)
            left = (*seen_from(place, goal[0], goal[1]), goal[2] - place[2])
            seconds = max(abs(part) / (SPEED_SHARE * limit) for part, limit in zip(left, fastest))
            x, y, yaw = (part / seconds for part in left)
            went = self.robot.walk(forward_m_s=x, left_m_s=y, turn_deg_s=degrees(yaw), seconds=seconds).reached
            place = compose(place, (went.forward_mm / 1000, went.left_mm / 1000, radians(went.heading_deg)))
        off = 1000 * hypot(goal[0] - place[0], goal[1] - place[1])
        ends = f"ends {off:.1f} mm and {degrees(abs(goal[2] - place[2])):.1f}° from its goal"
        if len(ways) == 1:
            return f"by {degrees(goal[2]):.0f}° in place; {ends}"
        return f"{len(ways)} sides of {1000 * abs(ways[0][0]):.0f} mm; {ends}"

    def _begin_walk(self, gait: str) -> Planar:
        """Chooses the gait; its limits to both sides (m/s, m/s, rad/s)."""
        self.robot.choose_gait(gait)
        self._gait = gait
        self._seen.setdefault(gait, [])
        return self.robot.gait_report().both_ways

    def walk_course(self) -> str:
        """Walks straight ahead for some time, and keeps what is heard of it."""
        fastest, _, _ = self._begin_walk("creep")
        speed = min(COURSE_SPEED, fastest)
        with _witness(self.robot) as witness:
            time.sleep(COURSE_QUIET)
            left = speed * COURSE_TIME
            while left > COURSE_SHORT:
                went = self.robot.walk(forward_m_s=speed, seconds=left / speed)
                left -= went.reached.forward_mm / 1000
            time.sleep(COURSE_QUIET)
        self.course = witness.course(speed)
        return f"{COURSE_TIME:g} s at {speed:g} m/s; truly {self.course.distance:.2f} m"

    def rise(self) -> str:
        self.robot.stand(height_mm=_sized(self.model, 150))
        moved = self.robot.status().values("servo_output").get("power_up_movement_deg")
        if moved is None:  # nobody knows where real servos stood
            return ""
        self.figures.setdefault("power-up movement, largest of the twelve joints", f"{float(moved):.1f}°")
        return f"first pulses moved no joint by more than {float(moved):.1f}°"

    def circle(self) -> str:
        """Streams targets round a circle; how far the body left it, beyond the time it lags."""
        height, radius = _sized(self.model, 150), _sized(self.model, CIRCLE_RADIUS)
        self.robot.pose(height_mm=height, x_mm=radius)
        seen = len(self.history.angles)
        ticks = round(CIRCLE_TIME * CIRCLE_RATE) * (SLOWNESS if _is_real(self.model) else 1)
        begun = time.monotonic()
        for k in range(1, ticks + 1):
            turn = 2 * pi * k / ticks
            x, y = radius * cos(turn) / 1000, radius * sin(turn) / 1000
            self.robot.send(Pose.from_rpy(x, y, height / 1000, 0.0, 0.0, 0.0))
            self._pause_until(begun + k / CIRCLE_RATE)
        self.robot.pose(height_mm=height, x_mm=radius)
        poses = [self.robot.pose_of(dict(zip(JOINT_NAMES, angles))) for angles in self.history.angles[seen:]]
        off = max(abs((p.position[0] ** 2 + p.position[1] ** 2) ** 0.5 * 1000 - radius) for p in poses)
        return f"radius {radius} mm kept to {off:.1f} mm"

    def reach_too_far(self) -> str:
        height = _out_of_reach(self.model)
        try:
            self.robot.pose(height_mm=height)
        except NotReached as error:
            return str(error)
        raise NotReached(f"a height of {height} mm should be out of reach, and was not")

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
        begun = time.monotonic()
        self.robot.stop()
        taken = time.monotonic() - begun
        self.robot.wait_for("fault", within=2.0)
        with SimulatedBoard(self.model, stance_angles(self.model, self.model.resting), self._memory) as board:
            if any(board.powered()):
                raise NotReached("after the emergency stop a joint of the simulated board still has pulses")
        self._pause_until(begun + STOPPED_TIME)
        limp = f"all joints limp {1000 * taken:.0f} ms after the call"
        if self._body:
            return f"{limp}; the body fell to {1000 * self._body.pose.position[2]:.0f} mm"
        return limp

    def reset(self) -> str:
        self.robot.reset()
        return "off; a hand puts the limp legs back into the resting pose"

    def sit(self) -> str:
        now = self.robot.status()
        output, watchdog = now.values("servo_output"), now.values("joint_watchdog")
        self.figures["frames followed"] = watchdog["frames_sent"]
        self.figures["frames dropped"] = watchdog["frames_dropped"]
        self.figures["frames slowed to the servos' speed"] = watchdog["frames_slowed"]
        self.figures["tick to bytes, median"] = f"{output['tick_to_bytes_p50_ms']} ms"
        self.figures["tick to bytes, 99th percentile"] = f"{output['tick_to_bytes_p99_ms']} ms"
        self.robot.sit()
        return "lowered, then off"

    @staticmethod
    def _pause_until(moment: float) -> None:
        time.sleep(max(0.0, moment - time.monotonic()))


def demo(model: Model, picture: Path, seed: int, placed: Callable[[], bool], physics: bool = False) -> int:
    """Plays the demo on a stack of its own; the exit code. Raises QuadlegError where a step fails.

    With `physics` the simulated board moves a simulated body. On a real board its steps are listed first, and nothing
    is powered unless `placed` says that the legs are in the resting pose.
    """
    if physics and _is_real(model):
        raise Refused(f"--physics is for a simulated board, and {model.name} has a real one ({model.board.kind})")
    if physics and find_spec("mujoco") is None:
        raise SimMissing
    need_ros()
    stay_local()
    if not os.access(picture.resolve().parent, os.W_OK):
        raise NoPlace(f"the picture {picture} cannot be written: choose a folder that is there and yours")
    console = Console()
    steps = acts(model, physics)
    try:
        with ended_by_signals(), _stack(model, seed, physics) as (namespace, memory), Robot(namespace) as robot:
            if _is_real(model):
                console.print(_announcement(model, steps))
                if not placed():
                    return 1
            begun = time.monotonic()
            played = Demo(model, robot, memory, physics)
            for number, act in enumerate(steps, 1):
                line = f"{number:>2} of {len(steps)}  {act.name}"
                with Live(Spinner("dots", line), console=console, transient=True):
                    played.play(act)
                step = played.steps[-1]
                console.print(f"[green]✓[/] {line:<28} {step.end - step.start:4.1f} s", highlight=False)
    except KeyboardInterrupt:
        console.print("the robot is off")
        return 130
    took = time.monotonic() - begun
    tables = [_table(played), _notes(played), _walks(played), _figures(played, took)]
    if played.course:
        tables.insert(3, _course(played.model, played.course))
    console.print("", *tables, sep="\n")
    _draw(console, played, picture)
    return 0


def _body(robot: Robot) -> Any:
    from quadleg.nodes.witness import Body

    return Body(robot.node)


def _witness(robot: Robot) -> Any:
    from quadleg.nodes.witness import Witness

    return Witness(robot.node)


def _announcement(model: Model, steps: Sequence[Act]) -> Table:
    table = Table(
        title=f"The demo moves {model.name} on its real board ({model.board.kind}), at a third of the usual speed. "
        "Ctrl-C lowers it, then off; `quadleg stop` in another terminal switches off at once",
        title_justify="left",
        show_header=False,
        box=SIMPLE_HEAD,
        pad_edge=False,
    )
    for number, act in enumerate(steps, 1):
        table.add_row(f"{number:>2}", act.name, str(act.asked or ""))
    return table


@contextmanager
def _stack(model: Model, seed: int, physics: bool) -> Iterator[tuple[str, Path]]:
    """A stack of its own; its namespace and the memory of its simulated board.

    A simulated robot has a namespace of its own too, so that it touches no other. A real one has none: no second
    `quadleg run` takes the same board then, and `quadleg stop` in another terminal is heard.
    """
    namespace = "" if _is_real(model) else f"quadleg_demo_{os.getpid()}"
    with tempfile.TemporaryDirectory(prefix="quadleg-demo-") as folder:
        memory = Path(folder) / "demo.board"
        command = [sys.executable, "-m", "quadleg.cli", "run", str(model.path), "--namespace", namespace]
        command += ["--no-recorder", "--seed", str(seed), "--board-memory", str(memory)]
        if physics:
            command.append("--physics")
        if _is_real(model):
            slow = Path(folder) / "slow.yaml"
            slow.write_text(SLOW_PARAMETERS, encoding="utf-8")
            command += ["--params-file", str(slow)]
        process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
        )
        output: list[str] = []
        started = threading.Event()

        def read() -> None:
            for line in process.stdout or ():
                output.append(line)
                if SAID_READY in line:
                    started.set()
            started.set()  # or it ended

        reader = threading.Thread(target=read, daemon=True)
        reader.start()
        try:
            # Before that, another stack of the same names would be taken for this one.
            started.wait(STARTED_WITHIN)
            if not any(SAID_READY in line for line in output):
                raise NotHeard("the demo's stack did not start; what it said stands above")
            yield namespace, memory
        except QuadlegError:
            print("".join(output), file=sys.stderr)
            raise
        except KeyboardInterrupt:
            print("interrupted: lowering the robot; Ctrl-C again switches off at once", file=sys.stderr)
            raise
        finally:
            _end(process)
            reader.join()


def _end(process: subprocess.Popen[str]) -> None:
    """Lowers the robot and ends the stack; Ctrl-C switches off at once."""
    process.send_signal(signal.SIGTERM)
    try:
        process.wait()
    except KeyboardInterrupt:
        process.send_signal(signal.SIGTERM)
        process.wait()


def _height_error_mm(step: Step) -> float:
    return abs(step.asked.position[2] - step.reached.position[2]) * 1000 if step.asked and step.reached else 0.0


def _table(demo: Demo) -> Table:
    servos = "what the simulated servos did"
    if demo.droops:
        servos = "the joints as the simulated body's weight left them"
    if _is_real(demo.model):
        servos = f"joint angles that are modelled from the commands: the board ({demo.model.board.kind}) is real"
    table = Table(
        title=f"Body pose asked → reached, by forward kinematics of {servos}",
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


def _walks(demo: Demo) -> Table:
    """What was seen of each walk, side by side."""
    table = Table(title="Walking", title_justify="left", box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("")
    columns = []
    for walk in demo.walks():
        table.add_column(walk.name)
        columns.append(walk_figures(demo.model, walk))
    for name in dict.fromkeys(name for column in columns for name in column):
        table.add_row(name, *(column.get(name, "") for column in columns))
    return table


def _figures(demo: Demo, seconds: float) -> Table:
    table = Table(show_header=False, box=SIMPLE_HEAD, pad_edge=False)
    worst = max((step for step in demo.steps if step.name != "out of reach"), key=_height_error_mm)
    figures = {
        "largest height error, within reach": f"{_height_error_mm(worst):.2f} mm ({worst.name})",
        **_body_figures(demo),
        **demo.figures,
        "the demo took": f"{seconds:.0f} s",
    }
    for name, value in figures.items():
        table.add_row(name, value)
    return table


def _body_figures(demo: Demo) -> dict[str, str]:
    """How far the simulated body itself is off the heights asked for."""
    if not demo.droops:
        return {}
    worst = max(demo.droops, key=lambda name: abs(demo.droops[name]))
    droop = 1000 * demo.droops[worst]
    side = "below" if droop > 0 else "above"
    return {"the body itself, farthest from the height asked for": f"{abs(droop):.1f} mm {side} it ({worst})"}


def _course(model: Model, course: Course) -> Table:
    """What was seen of the measured course."""
    table = Table(
        title="Measured course, creeping: the simulated body and its estimate",
        title_justify="left",
        show_header=False,
        box=SIMPLE_HEAD,
        pad_edge=False,
    )
    for name, value in course_figures(model, course).items():
        table.add_row(name, value)
    return table


def _draw(console: Console, demo: Demo, picture: Path) -> None:
    try:
        from quadleg.recording.animation import animate
        from quadleg.recording.course_plots import course_picture
        from quadleg.recording.plots import demo_picture
        from quadleg.recording.walk_plots import walk_picture
    except ImportError:
        console.print("No picture: it needs matplotlib, which the extra `log` installs", markup=False)
        return
    demo_picture(demo.model, demo.steps, demo.history, picture)
    walking = picture.with_stem(f"{picture.stem}_walk")
    walk_picture(demo.model, demo.walks(), walking)
    pictures = [picture, walking]
    if demo.course:
        pictures += [picture.with_stem(f"{picture.stem}_course"), picture.with_name(f"{picture.stem}_course.gif")]
        course_picture(demo.model, demo.course, pictures[2])
        animate(demo.model, demo.course, pictures[3])
    console.print("Pictures: " + "\n          ".join(str(path.resolve()) for path in pictures), soft_wrap=True)
