"""Joint targets published in the place of gait, base_motion and leg_ik, and what the servos get of them."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from simulated_client import SimulatedProbe
from sound_stack import SoundStack
from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

from quadleg.client import Robot
from quadleg.dynamics.servo_motors import joint_steps
from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import JOINT_NAMES, LEGS, RobotModel


class ForeignTargets:
    """Publishes joint targets in the place of gait, base_motion and leg_ik."""

    def __init__(self, stack: SoundStack, probe: SimulatedProbe, robot: Robot) -> None:
        robot.set_parameter("gait", "paused", True)
        self._publisher = probe.publisher(JointTrajectory, "joint_targets")
        self.stamps = itertools.count(10**18, 20_000_000)
        self.angles = list(stance_angles(stack.model, stack.model.standing))
        self._goes = False
        probe.node.create_timer(1 / stack.model.control_rate, self._tick)

    def send_frame(self, stamp: int | None = None) -> None:
        stamp = next(self.stamps) if stamp is None else stamp
        for i in range(len(LEGS)):
            self.send(stamp, JOINT_NAMES[3 * i : 3 * i + 3], self.angles[3 * i : 3 * i + 3])

    def send(self, stamp: int, names, positions) -> None:
        message = JointTrajectory(joint_names=list(names))
        message.header.stamp.sec, message.header.stamp.nanosec = divmod(stamp, 10**9)
        message.points = [JointTrajectoryPoint(positions=list(positions))]
        self._publisher.publish(message)

    def __enter__(self) -> ForeignTargets:
        self._goes = True
        return self

    def __exit__(self, *_: object) -> None:
        self._goes = False

    def _tick(self) -> None:
        # A metronome, as the gait is: the pace of the frames is what is wanted here.
        if self._goes:
            self.send_frame()


def step_shares(commands: Sequence[JointTrajectory], model: RobotModel) -> list[float]:
    """From each command to the next, the largest step of a joint as a share of what its servo can do in a period."""
    period = 1 / model.control_rate
    steps = joint_steps(model, period)
    stamps = [command.header.stamp.sec + 1e-9 * command.header.stamp.nanosec for command in commands]
    found = []
    for (before, at), (after, then) in itertools.pairwise(zip(commands, stamps)):
        if then - at < 1.5 * period:  # else one between them was not heard
            pairs = zip(before.points[0].positions, after.points[0].positions, steps)
            found.append(max(abs(b - a) / step for a, b, step in pairs))
    return found
