"""Benchmarks: how fast the parts are on this computer, beside yardsticks measured in the same run.

Every time is the best of several repeated blocks: whatever else the computer does can only add to it.
"""

from __future__ import annotations

import json
import subprocess
import sys
import timeit
from collections.abc import Callable, Sequence
from contextlib import closing
from copy import copy
from dataclasses import dataclass
from importlib.util import find_spec
from math import radians
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import TypeVar

import numpy as np
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table

from quadleg.gait.planner import Planner
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.geometry.arrays import Array
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import Vector
from quadleg.hardware.board import Board, always
from quadleg.hardware.pca9685 import PCA9685
from quadleg.kinematics.body_pose import legs_inverse
from quadleg.kinematics.leg import forward_batch, inverse, inverse_batch
from quadleg.robot.model import MEASURED, Leg, RobotModel
from quadleg.robot.urdf import urdf
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot
from quadleg.servos.servo_bank import ServoBank

Case = TypeVar("Case")

_GET_YARDSTICK = "the extra `test` brings it, as `make test` installs it"
_DAMPING = 1e-6


@dataclass(frozen=True)
class Timing:
    """One result: its name, value and unit, and the same work done by a library that the trade knows.

    `note` says in words what was measured, and how to get a yardstick that is not installed.
    """

    name: str
    value: float
    unit: str
    yardstick: str | None = None
    yardstick_value: float | None = None
    note: str = ""

    @property
    def ratio(self) -> float | None:
        """Value / yardstick's value: the less the better for a time, the more for a rate."""
        return self.value / self.yardstick_value if self.yardstick_value else None


def measure() -> list[Timing]:
    """Run every benchmark with the demo robot; takes three minutes. Keep the computer quiet meanwhile.

    The rows of physics are there where MuJoCo imports, those of the graph where rclpy does.
    """
    robot = load_robot(find_robot(DEFAULT_ROBOT))
    rows = [benchmark(robot) for benchmark in BENCHMARKS]
    return [*rows, *physics_rows(robot), *recording_rows(), *graph_rows(), *stop_rows()]


def physics_rows(robot: RobotModel) -> list[Timing]:
    """A servo frame of the chain in physics beside MuJoCo's own steps in it; none without MuJoCo.

    A frame of 20 ms that takes 400 us is 50 times as fast as real time.
    """
    try:
        import mujoco

        from quadleg.simulation.rollout import Rollout
    except ImportError:
        return []
    limits, twist = WalkingLimits(robot, robot.gaits[0]), (0.05, 0.0, 0.0)
    frames = range(2 * round(robot.gaits[0].stride_period * robot.control_rate))
    bare, whole = (Rollout(robot, limits, angles=angles) for angles in (None, MEASURED))
    walking = []
    for rollout in (bare, whole):
        rollout.stand()
        for _ in frames:
            rollout.tick(twist)
    world, steps = bare.world, round(bare.period / bare.world.model.opt.timestep)
    for _ in frames:
        bare.tick(twist)
        walking.append(copy(world.data))
    yardstick = 1e6 * _seconds_per_call(lambda data: mujoco.mj_step(world.model, data, steps), walking, blocks=5)

    def tick_of(rollout: Rollout) -> float:
        return 1e6 * _seconds_per_call(lambda _: rollout.tick(twist), frames, blocks=5)

    chain, both = tick_of(bare), tick_of(whole)
    note = "a servo frame of the whole chain in physics, creeping"
    return [
        Timing("rollout_frame", chain, "us", "bare mj_step", yardstick, f"{note}, without the estimator"),
        Timing("rollout_frame_with_estimator", both, "us", "bare mj_step", yardstick, f"{note}, with the estimator"),
    ]


def recording_rows() -> list[Timing]:
    """Packing messages for a recording, and reading them back, beside the mcap library; none without it."""
    if not find_spec("mcap"):
        return []
    from mcap.reader import make_reader
    from mcap.records import Channel, Schema
    from mcap.writer import Writer

    from quadleg.recording.chunks import ReceivedMessage, pack
    from quadleg.recording.mcap_file import McapFile
    from quadleg.recording.reader import Recording
    from quadleg.recording.records import MESSAGE_ENCODING, SCHEMA_ENCODING

    draw = np.random.default_rng(0)
    messages = [ReceivedMessage(1, k, 10**18 + k, draw.normal(size=75).tobytes()) for k in range(750)]
    schema = Schema(1, b"float64 data\n", SCHEMA_ENCODING, "std_msgs/msg/Float64")
    channel = Channel(1, "/x", MESSAGE_ENCODING, {}, schema.id)
    with TemporaryDirectory() as folder:
        ours, theirs = Path(folder) / "a.mcap", Path(folder) / "b.mcap"
        with closing(McapFile(ours, {})) as file:
            file.add_channels([schema], [channel])
            for _ in range(20):
                file.add(pack(messages))

        def by_mcap(_: object) -> None:
            writer = Writer(str(theirs))
            writer.start()
            number = writer.register_channel("/x", "cdr", writer.register_schema("x", "ros2msg", b""))
            for message in messages:
                writer.add_message(number, message.log_time, message.data, message.log_time)
            writer.finish()

        def read_by_mcap(_: object) -> None:
            with ours.open("rb") as file:
                for _ in make_reader(file).iter_messages():
                    pass

        packing = [_seconds_per_call(work, [None], blocks=5) for work in (lambda _: pack(messages), by_mcap)]
        reading = [
            _seconds_per_call(work, [None], blocks=5)
            for work in (lambda _: list(Recording(ours).batches(["/x"])), read_by_mcap)
        ]
    pack_note, read_note = "a message of 600 bytes into a recording's chunk", "the same out of its file again"
    return [
        Timing("record_message", 1e6 * packing[0] / 750, "us", "mcap Writer", 1e6 * packing[1] / 750, pack_note),
        Timing("read_message", 1e6 * reading[0] / 15_000, "us", "mcap reader", 1e6 * reading[1] / 15_000, read_note),
    ]


def graph_rows() -> list[Timing]:
    """The running graph beside a bare skeleton of the same nodes; none without ROS."""
    if find_spec("rclpy") is None:
        return []
    from quadleg.benchmarks import graph_timing

    ours, bare = graph_timing.measure()
    return [Timing(name, ours[name], unit, "bare rclpy", bare[name], note) for name, (unit, note) in GRAPH_ROWS.items()]


def stop_rows() -> list[Timing]:
    """`quadleg stop` from Enter to pulses off, beside the start of a bare interpreter; none without ROS."""
    if find_spec("rclpy") is None:
        return []
    from quadleg.benchmarks import stop_timing

    def start(_: object) -> None:
        subprocess.run([sys.executable, "-c", "pass"], check=True)

    yardstick = 1000 * _seconds_per_call(start, [None], blocks=5)
    rows = []
    for name, busy in (("stop", False), ("stop_busy", True)):
        times = stop_timing.measure(busy=busy)
        note = f"from Enter to pulses off, median of {len(times)}, worst {1000 * max(times):.0f} ms"
        note += ", all processors busy" if busy else ""
        rows.append(Timing(name, 1000 * median(times), "ms", "bare interpreter", yardstick, note))
    return rows


def as_json(timings: Sequence[Timing]) -> str:
    """One JSON array of objects {name, value, unit, yardstick, yardstick_value, ratio}, null where none."""
    keys = ("name", "value", "unit", "yardstick", "yardstick_value", "ratio")
    return json.dumps([{key: getattr(timing, key) for key in keys} for timing in timings], indent=2)


def print_table(timings: Sequence[Timing]) -> None:
    """The same for a person, with the notes below."""
    table = Table(box=SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for heading in ("name", "value", "yardstick", "its value", "ratio"):
        table.add_column(heading, justify="left" if heading in ("name", "yardstick") else "right", no_wrap=True)
    notes = Table(box=None, show_header=False, pad_edge=False)
    for timing in timings:
        table.add_row(
            timing.name,
            f"{_shown(timing.value)} {timing.unit}",
            timing.yardstick or "–",
            "–" if timing.yardstick_value is None else f"{_shown(timing.yardstick_value)} {timing.unit}",
            "–" if timing.ratio is None else f"{timing.ratio:.2g}",
        )
        notes.add_row(timing.name, timing.note)
    Console().print(table, notes)


def ik_scalar(robot: RobotModel) -> Timing:
    """One leg's inverse against one iteration of pinocchio's; the iterative way takes several of them."""
    leg = robot.legs[0]
    value, note = _inverse_us(leg), "inverse kinematics of one leg"
    try:
        iterate = pinocchio_iteration(robot, leg)
    except ImportError:
        return Timing("ik_scalar", value, "us", note=f"{note}; pinocchio is not installed, {_GET_YARDSTICK}")
    start = np.array([sum(limits) / 2 for limits in leg.limits])
    points = _reachable(leg, 500)
    yardstick = 1e6 * _seconds_per_call(lambda point: iterate(start, point), list(points))
    return Timing("ik_scalar", value, "us", "pinocchio iteration", yardstick, note)


def ik_scalar_ikpy(robot: RobotModel) -> Timing:
    """One leg's inverse against ikpy's, which solves until it converges."""
    leg = robot.legs[0]
    value, note = _inverse_us(leg), "inverse kinematics of one leg"
    try:
        solve = ikpy_inverse(robot, leg)
    except ImportError:
        return Timing("ik_scalar_ikpy", value, "us", note=f"{note}; ikpy is not installed, {_GET_YARDSTICK}")
    yardstick = 1e6 * _seconds_per_call(solve, list(_reachable(leg, 50)), blocks=3)
    return Timing("ik_scalar_ikpy", value, "us", "ikpy", yardstick, note)


def ik_batch(robot: RobotModel) -> Timing:
    """The batch inverse with its limit checks; numpy does such work on a single core."""
    leg = robot.legs[0]
    points = _reachable(leg, 300_000)
    seconds = _seconds_per_call(lambda batch: inverse_batch(leg, batch), [points])
    return Timing("ik_batch", len(points) / seconds, "per_s", note="legs a second, on one core")


def pose_to_bytes(robot: RobotModel) -> Timing:
    """A body pose to register bytes for all four legs, as a tick does it but for the messages."""
    bank = ServoBank(robot, PCA9685(_Sink(), robot.board))
    feet, powered = robot.standing.feet, (True,) * 12
    reach = np.array([0.01, 0.01, 0.02, *[radians(5)] * 3])
    centre = np.array([0.0, 0.0, robot.standing.height, 0.0, 0.0, 0.0])
    poses = [
        Pose.from_rpy(*axes) for axes in (centre + np.random.default_rng(0).uniform(-reach, reach, (500, 6))).tolist()
    ]

    def tick(asked: tuple[Vector, tuple[float, float, float, float]]) -> None:
        bank.write(legs_inverse(robot, Pose(*asked), feet), powered)

    value = 1e6 * _seconds_per_call(tick, [(pose.position, pose.quaternion) for pose in poses])
    return Timing("pose_to_bytes", value, "us", note="body pose to register bytes, all four legs, no ROS")


def planner_tick(robot: RobotModel) -> Timing:
    """One tick of the plan, in a steady walk: places, velocities and loads of four feet, and the shift of the body."""
    planner = Planner(robot, WalkingLimits(robot, robot.gaits[0]), 1 / robot.control_rate)
    planner.walk((0.03, 0.01, 0.1))
    for _ in range(round(5 * robot.control_rate)):
        planner.step()
    stride = range(round(robot.gaits[0].stride_period * robot.control_rate))
    value = 1e6 * _seconds_per_call(lambda _: planner.step(), stride)
    return Timing("planner_tick", value, "us", note="one tick of the walking plan, ahead, sideways and turning, no ROS")


BENCHMARKS: tuple[Callable[[RobotModel], Timing], ...] = (
    ik_scalar,
    ik_scalar_ikpy,
    ik_batch,
    pose_to_bytes,
    planner_tick,
)

GRAPH_ROWS = {
    "tick_to_wire": ("ms", "from gait's tick to the bytes on the board, 99th percentile, at 100 Hz"),
    "tick_to_wire_p50": ("ms", "the same, median"),
    "graph_cpu": ("percent", "of one core, all processes at 100 Hz, the body moving"),
    "graph_memory": ("MB", "proportional set size of all processes"),
    "start_to_ready": ("s", "from the command to nodes that hear each other"),
}


def pinocchio_iteration(robot: RobotModel, leg: Leg) -> Callable[[Array, Array], Array]:
    """One step of damped least squares on the leg's URDF: (angles (3,), point (3,)) -> nearer angles (3,).

    Forward kinematics, frame Jacobian, solve, integrate: Nakamura & Hanafusa, J. Dyn. Sys. Meas. Control 108
    (1986) 163. Raises ImportError where pinocchio is not installed.
    """
    import pinocchio

    whole = pinocchio.buildModelFromXML(urdf(robot))
    own = {joint.name for joint in leg.joints}
    others = [whole.getJointId(joint.name) for joint in robot.joints if joint.name not in own]
    model = pinocchio.buildReducedModel(whole, others, pinocchio.neutral(whole))
    data = model.createData()
    foot = model.getFrameId(f"{leg.name}_foot")
    damping = _DAMPING * np.eye(3)

    def iterate(angles: Array, point: Array) -> Array:
        pinocchio.forwardKinematics(model, data, angles)
        error = point - pinocchio.updateFramePlacement(model, data, foot).translation
        jacobian = pinocchio.computeFrameJacobian(model, data, angles, foot, pinocchio.LOCAL_WORLD_ALIGNED)[:3]
        step = jacobian.T @ np.linalg.solve(jacobian @ jacobian.T + damping, error)
        return np.asarray(pinocchio.integrate(model, angles, step))

    return iterate


def ikpy_inverse(robot: RobotModel, leg: Leg) -> Callable[[Array], Array]:
    """ikpy's inverse on the leg's URDF: point (3,) -> angles (3,).

    It starts in the middle of the joint limits. Raises ImportError where ikpy is not installed.
    """
    from ikpy.chain import Chain

    links = ("abductor", "upper", "lower")
    path = ["base_link"]
    for joint, link in zip(leg.joints, links):
        path += [joint.name, f"{leg.name}_{link}"]
    with TemporaryDirectory() as folder:
        file = Path(folder) / "robot.urdf"
        file.write_text(urdf(robot), encoding="utf-8")
        # The chain begins and ends with a fixed link.
        chain = Chain.from_urdf_file(str(file), base_elements=path, active_links_mask=[False, True, True, True, False])
    start = [0.0, *(sum(limits) / 2 for limits in leg.limits), 0.0]

    def solve(point: Array) -> Array:
        return np.asarray(chain.inverse_kinematics(point, initial_position=start))[1:4]

    return solve


class _Sink(Board):
    """Takes bytes and does nothing with them."""

    def write(self, *messages: bytes, valid: Callable[[], bool] = always) -> None:
        pass

    def read(self, register: int, count: int) -> bytes:
        return bytes(count)

    def close(self) -> None:
        pass


def _inverse_us(leg: Leg) -> float:
    points: list[Vector] = [(x, y, z) for x, y, z in _reachable(leg, 5000).tolist()]
    return 1e6 * _seconds_per_call(lambda point: inverse(leg, point), points)


def _reachable(leg: Leg, count: int) -> Array:
    """(count, 3) random foot centres that the leg reaches, the same in every run."""
    lower, upper = np.array(leg.limits).T
    points = forward_batch(leg, np.random.default_rng(0).uniform(lower, upper, (2 * count, 3)))
    return np.ascontiguousarray(points[inverse_batch(leg, points)[1]][:count])


def _seconds_per_call(call: Callable[[Case], object], cases: Sequence[Case], blocks: int = 15) -> float:
    """The time of a call in s, in the best of some blocks that each go through all cases."""

    def block() -> None:
        for case in cases:
            call(case)

    return min(timeit.repeat(block, number=1, repeat=blocks)) / len(cases)


def _shown(value: float) -> str:
    """Three digits, which is more than a measured speed deserves."""
    if value >= 1e6:
        return f"{value / 1e6:.3g} million"
    return f"{value:,.0f}" if value >= 100 else f"{value:.3g}"
