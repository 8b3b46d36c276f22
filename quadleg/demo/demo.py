"""`quadleg demo`: the whole chain, step by step, with a table and a picture at the end.

On a simulated board by default, with a simulated body if asked for; on a real one slowly, and without the faults that
it provokes.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from importlib.util import find_spec
from math import cos, degrees, hypot, pi, radians, remainder, sin, tau
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.live import Live
from rich.spinner import Spinner

from quadleg.analysis.pose_run import Step
from quadleg.client import GroundMove, Robot
from quadleg.client.place import is_near, left_to
from quadleg.client.walking import ARRIVED_WITHIN
from quadleg.demo.demo_pictures import draw_pictures
from quadleg.demo.demo_record import Act, DemoRecord
from quadleg.demo.demo_tables import announcement, demo_tables
from quadleg.demo.own_stack import SLOWNESS, is_real, own_stack
from quadleg.errors import NotReached, OutputPathError, Refused, SimMissing
from quadleg.geometry.planar import ZERO_TWIST, Planar, compose_planar
from quadleg.geometry.transforms import Pose
from quadleg.interrupts import ended_by_signals
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.runtime.node_table import stay_local
from quadleg.runtime.stack_runner import need_ros
from quadleg.servos.simulated_board import SimulatedBoard

CIRCLE_RADIUS = 20  # mm
CIRCLE_TIME = 5.0  # s
CIRCLE_RATE = 20.0  # targets a second
# s that gait is paused: less than HOLD_TIME of safety/deadlines.py, after which the robot is lowered
PAUSE = 1.0
STOP_SHOWN = 1.0  # s between the emergency stop and the reset, for the person who watches
SPEED_SHARE = 0.5  # of what the gait can do, in the walks
# m, rad of the last corner, by the estimate: closer than the 15 mm and 3° of the truth, from which it drifts
LAST_WITHIN = (0.008, radians(2.0))
COURSE_SPEED = 0.06  # m/s, or as fast as the robot can
COURSE_TIME = 25.0  # s of the way at that speed
COURSE_SHORT = 0.05  # m: what lacks more was lost to holds, and is walked after them
COURSE_QUIET = 1.0  # s of standing before it


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


def acts(model: RobotModel, physics: bool = False) -> tuple[Act, ...]:
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
    return tuple(act for act in all_acts if not ((act.faulty or act.hasty) and is_real(model)))


def _sized(model: RobotModel, length: float) -> int:
    """A length of a robot that stands 150 mm high, in mm for this robot."""
    return round(length * model.standing.height / 0.150)


def _out_of_reach(model: RobotModel) -> int:
    """A height in mm that no leg is long enough for."""
    return round(1500 * max(leg.upper_length + leg.lower_length for leg in model.legs))


class Demo:
    """A running stack of its own, what the demo does with it, and what it saw."""

    def __init__(self, model: RobotModel, robot: Robot, memory: Path, physics: bool = False) -> None:
        self.model = model
        self.robot = robot
        self.record = DemoRecord(model)
        self._memory = memory
        self._begun = robot.steady_time()
        self._gait = ""
        self._stamp = 0.0
        self._body = _body(robot) if physics else None
        robot.on_plan = self._note_plan
        robot.on_angles = self._note_angles
        robot.on_state = self._note_state
        self._note_state(robot.status().state or "")

    def _clock(self) -> float:
        return self.robot.steady_time() - self._begun

    def _note_angles(self, angles: Mapping[str, float], stamp: float) -> None:
        self._stamp = stamp
        self.record.history.times.append(self._clock())
        self.record.history.angles.append(tuple(angles[name] for name in JOINT_NAMES))

    def _note_state(self, state: str) -> None:
        if not self.record.history.states or self.record.history.states[-1][1] != state:
            self.record.history.states.append((self._clock(), state))

    def _note_plan(self, message: Any) -> None:
        rows = self.record.walk_rows[self._gait]
        if not self.record.history.angles or (rows and rows[-1][0] == self._stamp):
            return
        *feet, shift = ((t.translation.x, t.translation.y, t.translation.z) for t in message.transforms)
        in_air = [wrench.force.z == 0.0 for wrench in message.wrench[:-1]]
        rows.append((self._stamp, self.record.history.angles[-1], feet, in_air, shift[:2]))

    def play(self, act: Act) -> bool:
        """Do one act and keep its step; whether the next can follow. A robot that does not stand ends the demo."""
        start, note, failure = self._clock(), "", ""
        try:
            note = act.do(self)
        except (NotReached, Refused) as error:
            failure = str(error)
        reached = self.robot.reached()
        if self._body and act.asked is None:  # lying or in a stance of its own, only the body knows how it is
            reached = self._body.pose
        if self._body and act.asked and act.name != "out of reach":
            self.record.droops[act.name] = act.asked.position[2] - self._body.pose.position[2]
        angles = self.record.history.angles[-1]
        self.record.steps.append(Step(act.name, start, self._clock(), act.asked, reached, angles, note, failure))
        return not failure or self.robot.last.state == "active"

    # Acts that are more than one pose

    def walk(self, gait: str, *ways: Planar) -> str:
        """Walk one way after another, each seen from where the last was to end. Raises NotReached off the goal.

        It is judged by the simulated body where there is one, else by what walk_to goes by.
        """
        self._begin_walk(gait)
        began = self._body.place if self._body else ZERO_TWIST
        place = goal = ZERO_TWIST
        judge = ""
        for number, way in enumerate(ways, 1):
            goal = compose_planar(goal, way)
            near = LAST_WITHIN if number == len(ways) else ARRIVED_WITHIN
            left = GroundMove.of(left_to(goal, place))
            result = self.robot.walk_to(
                x_mm=left.forward_mm,
                y_mm=left.left_mm,
                heading_deg=left.heading_deg,
                within_mm=1000 * near[0],
                within_deg=degrees(near[1]),
                speed_share=SPEED_SHARE,
            )
            place, judge = compose_planar(place, result.reached.planar), result.source.value
        if self._body:
            place, judge = left_to(self._body.place, began), "the simulated body itself"
        forward, aside, turn = left_to(goal, place)
        off = forward, aside, remainder(turn, tau)
        ends = f"ends {1000 * hypot(*off[:2]):.1f} mm and {degrees(abs(off[2])):.1f}° from its goal, by {judge}"
        if not is_near(off, ARRIVED_WITHIN):
            raise NotReached(ends)
        if len(ways) == 1:
            return f"by {degrees(goal[2]):.0f}° in place; {ends}"
        return f"{len(ways)} sides of {1000 * abs(ways[0][0]):.0f} mm; {ends}"

    def _begin_walk(self, gait: str) -> Planar:
        """Choose the gait; its limits to both sides (m/s, m/s, rad/s)."""
        self.robot.choose_gait(gait)
        self._gait = gait
        self.record.walk_rows.setdefault(gait, [])
        return self.robot.gait_report().both_ways

    def walk_course(self) -> str:
        """Walks straight ahead for some time, and keeps what is heard of it."""
        fastest, _, _ = self._begin_walk("creep")
        speed = min(COURSE_SPEED, fastest)
        with _witness(self.robot) as witness:
            self.robot.pause(COURSE_QUIET)
            left = speed * COURSE_TIME
            while left > COURSE_SHORT:
                went = self.robot.walk(forward_m_s=speed, seconds=left / speed)
                left -= went.reached.forward_mm / 1000
            self.robot.pause(COURSE_QUIET)
        self.record.course = witness.course(speed)
        return f"{COURSE_TIME:g} s at {speed:g} m/s; truly {self.record.course.distance:.2f} m"

    def rise(self) -> str:
        self.robot.stand(height_mm=_sized(self.model, 150))
        moved = self.robot.status().values("servo_output").get("power_up_movement_deg")
        if moved is None:  # where real servos stood is not known
            return ""
        self.record.figures.setdefault("power-up movement, largest of the twelve joints", f"{float(moved):.1f}°")
        return f"first pulses moved no joint by more than {float(moved):.1f}°"

    def circle(self) -> str:
        """Streams targets round a circle; how far the body left it, beyond the time it lags."""
        height, radius = _sized(self.model, 150), _sized(self.model, CIRCLE_RADIUS)
        self.robot.pose(height_mm=height, x_mm=radius)
        seen = len(self.record.history.angles)
        ticks = round(CIRCLE_TIME * CIRCLE_RATE) * (SLOWNESS if is_real(self.model) else 1)
        begun = self.robot.steady_time()
        for k in range(1, ticks + 1):
            turn = 2 * pi * k / ticks
            x, y = radius * cos(turn) / 1000, radius * sin(turn) / 1000
            self.robot.send(Pose.from_rpy(x, y, height / 1000, 0.0, 0.0, 0.0))
            self._pause_until(begun + k / CIRCLE_RATE)
        self.robot.pose(height_mm=height, x_mm=radius)
        poses = [self.robot.pose_of(dict(zip(JOINT_NAMES, angles))) for angles in self.record.history.angles[seen:]]
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
        begun = self.robot.steady_time()
        self.robot.wait_for("hold", within=2.0)
        held_after = self.robot.steady_time() - begun
        self._pause_until(begun + PAUSE)
        self.robot.set_parameter("gait", "paused", False)
        self.robot.wait_for("active", within=2.0)
        return f"held after {1000 * held_after:.0f} ms, went on by itself"

    def stop(self) -> str:
        begun = self.robot.steady_time()
        self.robot.stop()
        taken = self.robot.steady_time() - begun
        self.robot.wait_for("fault", within=2.0)
        rest = stance_angles(self.model, self.model.resting)
        with SimulatedBoard(self.model, rest, self._memory, clock=self.robot.steady_time) as board:
            if any(board.powered()):
                raise NotReached("after the emergency stop a joint of the simulated board still has pulses")
        self._pause_until(begun + STOP_SHOWN)
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
        self.record.figures["frames followed"] = watchdog["frames_sent"]
        self.record.figures["frames dropped"] = watchdog["frames_dropped"]
        self.record.figures["frames slowed to the servos' speed"] = watchdog["frames_slowed"]
        self.record.figures["tick to bytes, median"] = f"{output['tick_to_bytes_p50_ms']} ms"
        self.record.figures["tick to bytes, 99th percentile"] = f"{output['tick_to_bytes_p99_ms']} ms"
        self.robot.sit()
        return "lowered, then off"

    def _pause_until(self, moment: float) -> None:
        self.robot.pause(max(0.0, moment - self.robot.steady_time()))
        self.robot.check()

    # All of them

    def play_all(self, console: Console, steps: Sequence[Act]) -> None:
        """Play acts and print a line of each, until one leaves a robot that does not stand; then their tables."""
        begun = self._clock()
        for number, act in enumerate(steps, 1):
            line = f"{number:>2} of {len(steps)}  {act.name}"
            with Live(Spinner("dots", line), console=console, transient=True):
                goes_on = self.play(act)
            step = self.record.steps[-1]
            mark = "[red]✗[/]" if step.failure else "[green]✓[/]"
            console.print(f"{mark} {line:<28} {step.end - step.start:4.1f} s", highlight=False)
            if not goes_on:
                break
        console.print("", *demo_tables(self.record, self._clock() - begun), sep="\n")


def demo(model: RobotModel, picture: Path, seed: int, placed: Callable[[], bool], physics: bool = False) -> int:
    """Plays the demo on a stack of its own; the exit code. Raises QuadlegError where a step fails.

    With `physics` the simulated board moves a simulated body. On a real board its steps are listed first, and nothing
    is powered unless `placed` says that the legs are in the resting pose.
    """
    if physics and is_real(model):
        raise Refused(f"--physics is for a simulated board, and {model.name} has a real one ({model.board.kind})")
    if physics and find_spec("mujoco") is None:
        raise SimMissing
    need_ros()
    stay_local()
    if not os.access(picture.resolve().parent, os.W_OK):
        raise OutputPathError(f"the picture {picture} cannot be written: choose a folder that is there and yours")
    console = Console()
    steps = acts(model, physics)
    try:
        with ended_by_signals(), own_stack(model, seed, physics) as (namespace, memory), Robot(namespace) as robot:
            if is_real(model):
                console.print(announcement(model, steps))
                if not placed():
                    return 1
            played = Demo(model, robot, memory, physics)
            played.play_all(console, steps)
    except KeyboardInterrupt:
        console.print("the robot is off")
        return 130
    draw_pictures(console, played.record, picture)
    return 1 if played.record.failures else 0


def _body(robot: Robot) -> Any:
    from quadleg.demo.ground_truth import TrueBody

    return TrueBody(robot.node)


def _witness(robot: Robot) -> Any:
    from quadleg.demo.ground_truth import GroundTruth

    return GroundTruth(robot.node)
