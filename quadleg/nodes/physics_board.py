"""A simulated body behind servo_output's board: what its sensors feel, and the truth for tests."""

from __future__ import annotations

from collections.abc import Callable

from builtin_interfaces.msg import Time
from nav_msgs.msg import Odometry

from quadleg.geometry.vectors import Vector
from quadleg.middleware.node import QuadlegNode
from quadleg.nodes.sensor_publishers import SensorPublishers
from quadleg.robot.model import Angles
from quadleg.servos.simulated_board import SimulatedBoard
from quadleg.simulation.ground import Ground
from quadleg.simulation.realtime_world import RealTimeWorld
from quadleg.simulation.world import World
from quadleg.simulation.world_difference import NO_DIFFERENCE, WorldDifference

WORLD = "map"  # REP-105: the frame that is fixed in the world
AT_ONCE = 5e-4  # s


class PhysicsBoard:
    """A world with the node's robot, in real time behind the board that `board` gives.

    After each servo frame it has `sensors` say what is felt, through the registers of the board's simulated chips where
    there are any, publishes `truth/odom`, and calls `after` with itself. `angles` (rad) that the joints' sensors tell,
    and `torques` (N·m) of the joints, are those at `stamp`. The body has a `difference` from the robot file.
    """

    def __init__(
        self,
        node: QuadlegNode,
        ground: Ground,
        seed: int,
        board: Callable[[], SimulatedBoard],
        sensors: SensorPublishers,
        after: Callable[[PhysicsBoard], None],
        difference: WorldDifference = NO_DIFFERENCE,
    ) -> None:
        self._node = node
        self._board = board
        self._sensors = sensors
        self._after = after
        self._world = World(node.robot, ground, seed, difference)
        if board().was_driven():
            node.get_logger().warning("physics begins anew: the body is put back at rest, at the origin of truth/odom")
        self._world.put_at_rest(board().angles())
        sensors.describe_imu(self._world.imu_frame, self._world.imu_variances.tolist())
        self._truths = node.advertise("truth/odom")
        self._truth = Odometry(child_frame_id=f"{node.prefix}base_link")
        self._truth.header.frame_id = node.prefix + WORLD
        self.angles, self.torques, self.stamp = self._world.measured_angles, self._world.torques, Time()
        self._real_time = RealTimeWorld(self._world, board, node.guarded(self._publish), node.steady_time())
        self._worker = node.start_worker("physics", self._step, self._world.frame)

    def put_at_rest(self, angles: Angles) -> None:
        """A hand puts the robot down, its joints at twelve angles (rad)."""
        self._real_time.put_at_rest(angles)

    def close(self) -> None:
        self._worker.close()

    def _step(self, _: bool) -> float:
        self._real_time.step(self._node.steady_time())
        return self._real_time.due - self._node.steady_time()

    def _nanoseconds_at(self, moment: float) -> int:
        """What the ROS clock showed at a moment of the steady clock (s)."""
        while True:
            before = self._node.steady_time()
            nanoseconds = self._node.ros_time()
            if self._node.steady_time() - before < AT_ONCE:  # else this thread was interrupted between the two
                return nanoseconds - round(1e9 * (before - moment))

    def _publish(self, now: float) -> None:
        nanoseconds = self._nanoseconds_at(now)
        for sample in self._world.imu:
            stamp = _stamp(nanoseconds + round(1e9 * (sample.time - self._world.time)))
            self._feel_motion(sample.gyro.tolist(), sample.acceleration.tolist(), stamp)
        self.angles, self.torques = self._world.measured_angles, self._world.torques
        self.stamp = _stamp(nanoseconds)
        self._feel_supply(self._world.voltage, float(self._world.currents.sum()))
        self._truth.header.stamp = self.stamp
        pose, twist = self._truth.pose.pose, self._truth.twist.twist
        (pose.position.x, pose.position.y, pose.position.z), (w, x, y, z) = self._world.pose
        pose.orientation.w, pose.orientation.x, pose.orientation.y, pose.orientation.z = w, x, y, z
        # The message's twist is in the child frame.
        twist.linear.x, twist.linear.y, twist.linear.z = self._world.velocity_in_base
        twist.angular.x, twist.angular.y, twist.angular.z = self._world.turning.tolist()
        self._truths.publish(self._truth)
        self._after(self)

    def _feel_motion(self, gyro: Vector, acceleration: Vector, stamp: Time) -> None:
        chip = self._board().imu
        if chip is None:
            self._sensors.say_imu(gyro, acceleration, stamp)
            return
        # The world's IMU has its noise already, so the chip adds none.
        chip.feel = lambda: (gyro, acceleration)
        self._sensors.read_imu(stamp)

    def _feel_supply(self, voltage: float, current: float) -> None:
        chip = self._board().power
        if chip is None:
            self._sensors.say_supply(voltage, current, self.stamp)
            return
        chip.feel = lambda: (voltage, current)
        self._sensors.read_supply(self.stamp)


def _stamp(nanoseconds: int) -> Time:
    sec, nanosec = divmod(nanoseconds, 1_000_000_000)
    return Time(sec=sec, nanosec=nanosec)
