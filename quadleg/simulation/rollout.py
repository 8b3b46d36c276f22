"""The whole chain without ROS, faster than real time: from the gait to the bytes, the physics and the estimate.

Each part is the one that the nodes have; here they call each other once a servo frame, on the world's own clock.
"""

from __future__ import annotations

from quadleg.dynamics.leg_compliance import LegCompliance
from quadleg.errors import CannotWalk, Unreachable
from quadleg.estimation.body_estimate import Estimate
from quadleg.estimation.odometry import Estimator
from quadleg.estimation.tilt import Tilt
from quadleg.gait.walker import Walker
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.geometry.planar import ZERO_TWIST, Planar
from quadleg.geometry.rotations import rotation_matrix
from quadleg.geometry.transforms import Pose
from quadleg.geometry.vectors import Vector
from quadleg.hardware.pca9685 import PCA9685
from quadleg.kinematics.body_pose import all_forward, stance_angles
from quadleg.kinematics.leg import inverse
from quadleg.kinematics.posture import Posture
from quadleg.robot.model import MEASURED, RobotModel
from quadleg.safety.deadlines import QUIET_TIME
from quadleg.safety.joint_command import ALL, Command
from quadleg.safety.output_supervisor import OutputSupervisor
from quadleg.safety.state_machine import State
from quadleg.safety.transitions import standing_over
from quadleg.safety.watchdog import Watchdog
from quadleg.servos.servo_bank import ServoBank
from quadleg.servos.simulated_board import SimulatedBoard
from quadleg.simulation.ground import Ground
from quadleg.simulation.world import World
from quadleg.simulation.world_difference import NO_DIFFERENCE, WorldDifference

LONGEST_RISE = 30.0  # s


class Rollout:
    """One robot in a world of its own, at rest at first; deterministic by `seed`.

    `angles` says whether the estimator has `measured` joint angles or `modelled` ones; None: there is no estimator, and
    the walk keeps no course. Without a `supply_sensor` the watchdog hears neither voltage nor current. `target` is the
    base target, a pose of base_link in base_footprint. The robot in the world has the `difference`, of which all else
    knows nothing.
    """

    def __init__(
        self,
        robot: RobotModel,
        limits: WalkingLimits,
        ground: Ground | None = None,
        seed: int = 0,
        angles: str | None = MEASURED,
        supply_sensor: bool = True,
        difference: WorldDifference = NO_DIFFERENCE,
    ) -> None:
        self._robot = robot
        self.world = World(robot, ground, seed, difference)
        self.period = period = self.world.frame
        rest = stance_angles(robot, robot.resting)
        self._board = SimulatedBoard(robot, rest, seed=seed, clock=lambda: self.world.time)
        chip = PCA9685(self._board, robot.board, sleep=lambda _: None)
        chip.start()
        self._bank = ServoBank(robot, chip)
        self.walker = Walker(robot, limits, period)
        self._posture = Posture(robot)
        self._compliance = LegCompliance(robot, period)
        self.target = Pose((0.0, 0.0, robot.standing.height))
        self.watchdog = Watchdog(robot, period, self.world.time)
        self._output = OutputSupervisor(robot, period, self.world.time)
        self._tilt = Tilt(robot)
        self._estimator = Estimator(robot, angles, period) if angles else None
        if self._estimator:
            self._estimator.walk_in(limits.gait)
        self._measured = angles == MEASURED
        self.supply_sensor = supply_sensor
        self.estimate: Estimate | None = None
        self._modelled = list(rest)
        self._stood = False

    @property
    def commanded(self) -> tuple[float, ...]:
        """The twelve joint angles (rad) that the servos are sent to."""
        return tuple(self._output.angles)

    @property
    def fell(self) -> bool:
        """Whether the body has tipped, or the watchdog has taken the power off or lets it lie."""
        return self.world.fallen or (self._stood and self.watchdog.state is not State.ACTIVE)

    @property
    def thrown_over(self) -> bool:
        """Whether the body is tipped, in truth or by what the watchdog felt last."""
        return self.world.fallen or self.watchdog.tilt_watch.tilt > self._robot.tip_angle

    def stand(self) -> None:
        """Rise to the standing height. Raises CannotWalk with the watchdog's words where that fails."""
        begun = self.world.time
        while self.world.time - begun < 2 * QUIET_TIME:
            self.tick()
        done, reason = self.watchdog.enable(True, self.world.time)
        while done and self.watchdog.state is not State.ACTIVE and self.world.time - begun < LONGEST_RISE:
            self.tick()
            reason = self.watchdog.reason
        if self.watchdog.state is not State.ACTIVE:
            raise CannotWalk(f"the robot does not stand: {reason}")
        self._stood = True

    def tick(self, asked: Planar = ZERO_TWIST) -> None:
        """One servo frame with a velocity asked for (m/s, m/s, rad/s)."""
        now = self.world.time
        active = self.watchdog.state is State.ACTIVE
        if active and self.walker.body_update_due(now):
            self.walker.update_body(self._angles(), self._up(), now)
        self.walker.step(asked if active else None, now)
        plan = self.walker.plan
        if active:
            feet = self._posture.step(self.target, plan.feet, self.walker.shift, self.period)
            feet = self._compliance.made_up(feet, plan.loads)
        else:
            feet = self._posture.led_feet
            self._compliance.rest()
        command = self._watched(feet, now)
        if command:
            self._output.command(command, now)
            if not active and command.powered == ALL:
                _, standing = standing_over(self._robot, all_forward(self._robot, command.angles))
                self.walker.stand_on(standing)
                self._posture.lead(command.angles, plan.feet)
        self._output.tick(now)
        self._bank.write(self._output.angles, self._output.powered)
        self._modelled = [
            angle if on else before
            for angle, on, before in zip(self._output.angles, self._output.powered, self._modelled)
        ]
        self.world.step(self._board.drive(self.world.angles.tolist()))
        self._feel()

    def _watched(self, feet: tuple[Vector, ...], now: float) -> Command | None:
        """What the watchdog commands."""
        frame: list[float] = []
        for leg, foot in zip(self._robot.legs, feet):
            try:
                frame += inverse(leg, foot)
            except Unreachable as error:
                frame += error.angles
        command = self.watchdog.frame(tuple(frame), now)
        self.watchdog.output_says(self._output.state.value, self._output.reason, now)
        return self.watchdog.tick(now) or command

    def _angles(self) -> list[float]:
        return self.world.measured_angles.tolist() if self._measured else self._modelled

    def _up(self) -> Vector | None:
        return rotation_matrix(self.estimate.quaternion)[2] if self.estimate else self._tilt.up

    def _feel(self) -> None:
        """What the IMU, the supply and the joints say of the frame that has passed."""
        now = self.world.time
        estimator = self._estimator
        for sample in self.world.imu:
            gyro, acceleration = tuple(sample.gyro.tolist()), tuple(sample.acceleration.tolist())
            self.watchdog.following.imu(gyro, acceleration, sample.time, sample.time)
            tilt = self._tilt.from_acceleration(acceleration, now)
            if tilt is not None:
                self.watchdog.tilt(tilt, now)
            if estimator:
                estimator.imu(sample.time, gyro, acceleration)
        if self._measured:
            self.watchdog.following.joints(self.world.measured_angles.tolist(), now)
        if self.supply_sensor:
            self.watchdog.supply(self.world.voltage, sum(self.world.currents.tolist()), True, now)
        if estimator is None:
            return
        estimator.legs(now, self._angles(), self.walker.plan if self.watchdog.powered else None)
        self.estimate = estimate = estimator.estimate
        if self.walker.uses_pose():
            self.walker.update_pose(Pose(estimate.position, estimate.quaternion), now)
