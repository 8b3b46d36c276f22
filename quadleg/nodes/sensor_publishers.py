"""What servo_output's process says of the supply and of the body's motion: `supply` and `imu/data`.

The bus has one owner, so its sensors are read here: by a thread of their own, right after a frame and before the next.
A frame or a stop that comes during a reading waits for that one transaction, as the bus would have it. With a
simulated body the readings go by its clock; what it feels then comes through the registers of the simulated chips.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from builtin_interfaces.msg import Time
from sensor_msgs.msg import Imu

from quadleg.hardware.board import Board
from quadleg.hardware.readings import PowerReading
from quadleg.hardware.sensor_kinds import IMU, SUPPLY
from quadleg.middleware.interface import Worker
from quadleg.middleware.node import QuadlegNode
from quadleg.middleware.sensor_messages import imu_message, set_motion, set_supply, supply_message
from quadleg.servos.board_sensors import MODEL_PERIOD, BoardSensors, HeldJoints

IMU_FRAME = "imu_link"
AFTER_FRAME, NO_FRAME = 0.1, 0.25  # of a period: joint_states goes first; and how long a frame may be late


class SensorPublishers:
    """Publishes what the sensors of the node's robot say: see `BoardSensors`.

    `board` gives the board, None while it fails; `held` what the servos do; `physics` whether a simulated body says
    what it feels.
    """

    def __init__(
        self,
        node: QuadlegNode,
        period: float,
        board: Callable[[], Board | None],
        held: Callable[[], HeldJoints],
        physics: bool,
    ) -> None:
        self._node = node
        self._period = period

        def elsewhere() -> bool:
            return node.count_publishers(SUPPLY.topic) > 1

        self._sensors = BoardSensors(node.robot, period, physics, board, held, elsewhere, node.steady_time)
        self.topics, self.values = self._sensors.topics, self._sensors.values
        self._supplies = node.advertise(SUPPLY.topic)
        self._supply = supply_message(node.robot.supply)
        self._imus, self._motion = None, Imu()
        imu = IMU.kind(node.robot)
        if imu or physics:
            self._imus = node.advertise(IMU.topic)
        if imu:
            self.describe_imu(IMU_FRAME, imu.variances)
        self._worker: Worker | None = None
        self._turn = node.guarded(self._read_due)
        self._gap, self._due = 0, node.steady_time()
        self._awaits_frame = False

    def describe_imu(self, frame: str, variances: Sequence[Sequence[float]]) -> None:
        """What all messages of the IMU say: frame, and variances (2, 3) of gyro and accelerometer."""
        self._motion = imu_message(self._node.prefix + frame, variances)

    # When

    def start(self) -> None:
        """Read from here on, by a thread of its own."""
        if self._sensors.gaps:
            self._awaits_frame = True
            self._worker = self._node.start_worker("sensors", self._read_in_gap)
        else:
            waits = self._model_after_frames()
            self._worker = self._node.start_worker("sensors", lambda _: next(waits))

    def framed(self) -> None:
        """A frame has just been written: the bus is free until the next."""
        if self._worker and self._awaits_frame:
            self._worker.wake()

    def close(self) -> None:
        if self._worker:
            self._worker.close()

    def _read_in_gap(self, framed: bool) -> float:
        gaps = self._sensors.gaps
        if framed:
            self._gap, self._due = 0, self._node.steady_time() + AFTER_FRAME * self._period
        else:
            self._turn(self._gap)
            self._gap, self._due = self._gap + 1, max(self._due + self._period / gaps, self._node.steady_time())
            if self._gap == gaps:  # a frame is due now, and is waited for
                self._gap, self._due = 0, self._due + (AFTER_FRAME + NO_FRAME) * self._period
        return self._due - self._node.steady_time()

    def _read_due(self, gap: int) -> None:
        imu, supply = self._sensors.due(gap)
        stamp = self._node.stamp()
        if imu:
            self.read_imu(stamp)
        if supply:
            self.read_supply(stamp)

    def _model_after_frames(self) -> Iterator[float]:
        """Model the supply now and then, after a frame, when nothing waits for this process; give the waits (s)."""
        while True:
            yield MODEL_PERIOD
            self._awaits_frame = True
            yield (1 + NO_FRAME) * self._period
            self._awaits_frame = False
            yield AFTER_FRAME * self._period
            self._turn(0)

    # What

    def read_imu(self, stamp: Time) -> None:
        """Reads it, where there is one, and publishes what it says with this stamp."""
        if reading := self._sensors.read_imu():
            self.say_imu(reading.gyro, reading.acceleration, stamp)

    def say_imu(self, gyro: Sequence[float], acceleration: Sequence[float], stamp: Time) -> None:
        """Publishes an angular rate (rad/s) and a specific force (m/s²) in the IMU's frame."""
        assert self._imus
        self._motion.header.stamp = stamp
        set_motion(self._motion, gyro, acceleration)
        self._imus.publish(self._motion)

    def read_supply(self, stamp: Time) -> None:
        """Reads or models it and publishes that with this stamp, where there is something to say."""
        if reading := self._sensors.read_supply():
            self._publish_supply(reading, stamp)

    def say_supply(self, voltage: float, current: float, stamp: Time) -> None:
        """Publishes what is measured: V, and A that are drawn."""
        reading = PowerReading(voltage, current)
        self._sensors.take_supply(reading)
        self._publish_supply(reading, stamp)

    def _publish_supply(self, reading: PowerReading, stamp: Time) -> None:
        self._supply.header.stamp = stamp
        set_supply(self._supply, reading)
        self._supplies.publish(self._supply)
