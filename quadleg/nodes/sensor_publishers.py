"""What servo_output's process says of the supply and of the body's motion: `supply` and `imu/data`.

The bus has one owner, so its sensors are read here: by a thread of their own, right after a frame and before the next.
A frame or a stop that comes during a reading waits for that one transaction, as the bus would have it. With a
simulated body the readings go by its clock; what it feels then comes through the registers of the simulated chips.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from math import inf, isfinite, nan
from typing import NamedTuple

import numpy as np
from builtin_interfaces.msg import Time
from sensor_msgs.msg import BatteryState, Imu

from quadleg.dynamics.supply_current import SupplyCurrentModel
from quadleg.hardware.board import Board
from quadleg.hardware.ina226 import Ina226, PowerReading
from quadleg.hardware.mpu6050 import VARIANCES, ImuReading, Mpu6050
from quadleg.hardware.reconnecting_sensor import ReconnectingSensor
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.topics import LATEST, SENSOR_DATA
from quadleg.robot.model import MEASURED, MODELLED, RobotModel
from quadleg.safety.supply_meter import SupplyMeter
from quadleg.servos.bus_schedule import turns

IMU_FRAME = "imu_link"
# What `supply` is, where it is not measured or modelled.
UNKNOWN, ELSEWHERE = "unknown", "said by another node"
NO_TIME = (
    "the bus has no time for it between two frames; a faster one (board.bus_khz, board.baud) would be right, or fewer "
    "frames (control.rate_hz)"
)
MODEL_PERIOD = 0.2  # s between looks at what the pose draws, each a millisecond of work
AFTER_FRAME, NO_FRAME = 0.1, 0.25  # of a period: joint_states goes first; and how long a frame may be late


class Held(NamedTuple):
    """What the servos do: twelve angles that they were sent to (rad), which are powered, and where they are (rad),
    None where nobody measures that."""

    commanded: Sequence[float]
    powered: Sequence[bool]
    measured: Sequence[float] | None


class SensorPublishers:
    """The supply's sensor and the IMU of the node's robot, as far as the robot file names them.

    `board` gives the board, None while it fails; `held` what the servos do. A supply that nobody measures is modelled
    from that, unless another node publishes it or a simulated body (`physics`) says what it draws.
    """

    def __init__(
        self,
        node: QuadlegNode,
        period: float,
        messages: int,
        board: Callable[[], Board | None],
        held: Callable[[], Held],
        physics: bool,
    ) -> None:
        self._node = node
        self._period = period
        self._board = board
        self._held = held
        robot: RobotModel = node.robot
        power, imu = robot.supply.sensor, robot.imu
        self._power: ReconnectingSensor[PowerReading] | None = None
        self._imu: ReconnectingSensor[ImuReading] | None = None
        if power:
            self._power = ReconnectingSensor(lambda board: Ina226(board.neighbour(power.address), power))
        if imu:
            self._imu = ReconnectingSensor(lambda board: Mpu6050(board.neighbour(imu.address), imu))
        self._turns = turns(robot, period)
        self._physics = physics
        self._model = SupplyCurrentModel(robot)
        self._meter = SupplyMeter()
        self._source = UNKNOWN
        self._latest = PowerReading(nan, nan)
        self._looked = -inf
        self._powered = False
        self._places: Sequence[float] = ()  # of the joints at the last look (rad)
        self._gaps = 0
        self._supplies = node.create_publisher(BatteryState, "supply", LATEST)
        self._supply = BatteryState(
            # Unknown, as the message's definition wants it said.
            **dict.fromkeys(("temperature", "charge", "capacity", "percentage"), nan),
            design_capacity=robot.supply.battery / 3600 if robot.supply.battery else nan,
            present=True,
        )
        self._motion = Imu()
        self._imus = None
        if imu or physics:
            self._imus = node.create_publisher(Imu, "imu/data", SENSOR_DATA)
            self.describe_imu(IMU_FRAME, VARIANCES)
        self._framed = threading.Event()
        self._closed = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def topics(self) -> tuple[str, ...]:
        """What no other node may publish, since a sensor here says it."""
        return ("supply",) * bool(self._power) + ("imu/data",) * bool(self._imu)

    def describe_imu(self, frame: str, variances: Sequence[Sequence[float]]) -> None:
        """What all messages of the IMU say: frame, and variances (2, 3) of gyro and accelerometer."""
        self._motion.header.frame_id = self._node.prefix + frame
        # REP-145: a first covariance of -1 says that the quantity is not measured.
        self._motion.orientation_covariance[0] = -1.0
        self._motion.angular_velocity_covariance = np.diag(variances[0]).ravel()
        self._motion.linear_acceleration_covariance = np.diag(variances[1]).ravel()

    # By whose clock

    def start(self) -> None:
        """Read from here on, by a thread of its own."""
        target = self._read_in_gaps if self._power or self._imu else self._model_alone
        self._thread = threading.Thread(target=target, name="sensors", daemon=True)
        self._thread.start()

    def framed(self) -> None:
        """A frame has just been written: the bus is free until the next."""
        self._framed.set()

    def close(self) -> None:
        """End, and wait for the end."""
        self._closed.set()
        self._framed.set()
        if self._thread:
            self._thread.join()

    def _read_in_gaps(self) -> None:
        turn = self._node.guarded(self._turn)
        gaps, gap = max(self._turns.imu, 1), 0
        due = self._node.steady_time()
        while not self._closed.is_set():
            if self._framed.wait(max(0.0, due - self._node.steady_time())):
                self._framed.clear()
                gap, due = 0, self._node.steady_time() + AFTER_FRAME * self._period
                continue
            turn(gap)
            gap, due = gap + 1, max(due + self._period / gaps, self._node.steady_time())
            if gap == gaps:  # a frame is due now, and is waited for
                gap, due = 0, due + (AFTER_FRAME + NO_FRAME) * self._period

    def _turn(self, gap: int) -> None:
        stamp = self._node.stamp()
        of_supply = False
        if gap == 0:
            self._gaps += 1
            every = self._turns.supply_every
            of_supply = self._power is not None and every > 0 and self._gaps % every == 0
        if self._turns.imu and not (of_supply and not self._turns.together):
            self.read_imu(stamp)
        if of_supply:
            self.read_supply(stamp)
        elif not self._power:
            self._say_model()

    def _model_alone(self) -> None:
        say = self._node.guarded(self._say_model)
        while not self._closed.wait(MODEL_PERIOD):
            # After a frame, when nobody waits for this process.
            self._framed.clear()
            self._framed.wait((1 + NO_FRAME) * self._period)
            self._closed.wait(AFTER_FRAME * self._period)
            say()

    # The IMU

    def read_imu(self, stamp: Time) -> None:
        """Reads it, where there is one, and publishes what it says with this stamp."""
        board = self._board()
        if self._imu is None or board is None:
            return
        reading = self._imu.read(board, self._node.steady_time())
        if reading:
            self.say_imu(reading.gyro, reading.acceleration, stamp)

    def say_imu(self, gyro: Sequence[float], acceleration: Sequence[float], stamp: Time) -> None:
        """Publishes an angular rate (rad/s) and a specific force (m/s²) in the IMU's frame."""
        assert self._imus
        self._motion.header.stamp = stamp
        rate, force = self._motion.angular_velocity, self._motion.linear_acceleration
        rate.x, rate.y, rate.z = gyro
        force.x, force.y, force.z = acceleration
        self._imus.publish(self._motion)

    # The supply

    def read_supply(self, stamp: Time) -> None:
        """Reads its sensor, where there is one, and publishes what it says with this stamp."""
        if self._power is None:
            return
        board, failures = self._board(), self._power.failures
        reading = self._power.read(board, self._node.steady_time()) if board else None
        if reading:
            self.say_supply(reading.voltage, reading.current, stamp)
        elif board is None or self._power.failures > failures:
            self._publish_supply(nan, nan, UNKNOWN, stamp)

    def say_supply(self, voltage: float, current: float, stamp: Time) -> None:
        """Publishes what is measured: V, and A that are drawn."""
        self._powered = any(self._held().powered)
        self._publish_supply(voltage, current, MEASURED, stamp)

    def _say_model(self) -> None:
        now = self._node.steady_time()
        if now - self._looked < MODEL_PERIOD:
            return
        current = self._modelled(now)
        another = self._node.count_publishers("supply") > 1
        self._publish_supply(nan, nan if another else current, ELSEWHERE if another else MODELLED)

    def _modelled(self, now: float) -> float:
        """What the servos draw together by the model (A)."""
        held = self._held()
        self._powered = any(held.powered)
        places = held.commanded if held.measured is None else held.measured
        rates = [(place - before) / (now - self._looked) for place, before in zip(places, self._places or places)]
        self._looked, self._places = now, places
        return sum(self._model.currents(held.commanded, rates, held.powered))

    def _publish_supply(self, voltage: float, current: float, source: str, stamp: Time | None = None) -> None:
        self._source, self._latest = source, PowerReading(voltage, current)
        self._meter.take(current, self._powered, self._node.steady_time())
        if source == ELSEWHERE:
            return
        message = self._supply
        message.header.stamp = stamp or self._node.stamp()
        # By the message's definition a current that is drawn is negative.
        message.voltage, message.current = voltage, -current
        known = source == MEASURED
        message.power_supply_status = message.POWER_SUPPLY_STATUS_DISCHARGING * known
        self._supplies.publish(message)

    # What it says of itself

    def values(self) -> dict[str, object]:
        """Figures for diagnostics; `supply` says whether they are measured."""
        meter, latest = self._meter, self._latest
        amperes = {"now": latest.current, "mean": meter.mean, "peak": meter.peak}
        values: dict[str, object] = {"supply": self._source}
        if isfinite(latest.voltage):
            values["supply_v"] = f"{latest.voltage:.2f}"
        values |= {f"supply_{name}_a": f"{current:.2f}" for name, current in amperes.items() if isfinite(current)}
        if self._imu:
            values["imu_hz"] = f"{self._turns.imu / self._period:.0f}"
        for name, reader in (("supply", self._power), ("imu", self._imu)):
            if reader:
                values[f"{name}_sensor_failures"] = reader.failures
        values["sensor_trouble"] = self.trouble
        return values

    @property
    def trouble(self) -> str:
        """What is wrong with a sensor; empty where nothing is."""
        said = []
        if self._power and self._power.trouble:
            said.append(f"supply unknown: {self._power.trouble}")
        if self._imu and self._imu.trouble:
            said.append(f"no imu/data: {self._imu.trouble}")
        if not self._physics and self._power and not self._turns.supply_every:
            said.append(f"the supply is not measured: {NO_TIME}")
        if not self._physics and self._imu and not self._turns.imu:
            said.append(f"no imu/data: {NO_TIME}")
        return "; ".join(said)
