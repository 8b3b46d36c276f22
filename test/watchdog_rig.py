"""A watchdog on a bench: a clock that only the test moves, and a look at every command."""

from __future__ import annotations

from collections.abc import Mapping
from math import nan

import numpy as np
import sample_robots

from quadleg.dynamics.servo_motors import joint_steps
from quadleg.kinematics.body_pose import stance_angles
from quadleg.kinematics.clearance import Clearance
from quadleg.robot.model import JOINT_NAMES, LEGS, RobotModel
from quadleg.safety.catalogue import Reason
from quadleg.safety.joint_command import NONE, Command
from quadleg.safety.reason_codes import ReasonCode
from quadleg.safety.state_machine import State
from quadleg.safety.watchdog import Watchdog


def heating(resistance: float, seconds: float = 5.0) -> RobotModel:
    """The robot with servos of such a thermal resistance (K/W) that warm up within some seconds."""
    return sample_robots.with_servo_kind(sample_robots.inspector(), thermal_resistance=resistance, thermal_time=seconds)


def told(*reasons: Reason | None) -> dict[str, Mapping[str, str]]:
    """What is told, by code: reasons and their causes, and the figures of each."""
    found: dict[str, Mapping[str, str]] = {}
    left = list(reasons)
    while left:
        if reason := left.pop(0):
            found[reason.code] = reason.figures
            left.insert(0, reason.cause)
    return found


class WatchdogRig:
    """A watchdog on a bench: the clock, servo_output's part, and a look at every command that it sends."""

    def __init__(self, robot) -> None:
        self.robot = robot
        self.period = 1 / robot.control_rate
        self.now = 100.0
        self.stamp = 1_000_000_000
        self.watchdog = Watchdog(robot, self.period, self.now)
        self.rest = stance_angles(robot, robot.resting)
        self.standing = stance_angles(robot, robot.standing)
        self.clearance = Clearance(robot)
        self.steps = np.array(joint_steps(robot, self.period))
        self.alive = True  # servo_output says its joint states
        self.caught = (0.0,) * 12  # rad that joints are off their commands at the end of a lowering
        self.sent: Command | None = None
        self.count = 0
        self.heard = False
        self.lasting = False  # the power has not been cut since the last command

    @property
    def state(self) -> State:
        return self.watchdog.state

    @property
    def codes(self) -> dict[str, Mapping[str, str]]:
        """What it tells of its state, and what goes on within it."""
        return told(self.watchdog.reason, *self.watchdog.notices)

    def look(self, command: Command | None) -> Command | None:
        """What must be true of every command, whatever came before."""
        if command is None:
            return None
        before = self.sent if self.sent and self.lasting else Command(self.rest, NONE)
        self.lasting = True
        for i in range(12):
            if not command.powered[i]:
                continue
            if before.powered[i]:
                assert abs(command.angles[i] - before.angles[i]) <= self.steps[i] * (1 + 1e-9)
            else:
                assert command.angles[i] == self.rest[i], "a first pulse is the resting pose"
            joint = self.robot.joints[i]
            assert joint.lower - 1e-6 <= command.angles[i] <= joint.upper + 1e-6
        if not self.watchdog.powered:
            assert command.powered == NONE
        elif command.angles != before.angles:
            assert self.clearance.least(command.angles).distance >= self.robot.clearance
        self.sent = command
        self.count += 1
        return command

    def says(
        self, state: str, code: ReasonCode = ReasonCode.BOARD_FAILS, has_power: bool = False, **figures: str
    ) -> None:
        self.heard = True
        self.watchdog.output_says(state, Reason.of(code, **figures), self.now, has_power)
        self.lasting &= self.watchdog.powered

    def tick(self, count: int = 1) -> Command | None:
        command = None
        for _ in range(count):
            command = self.tick_at(self.now + self.period)
        return command

    def tick_at(self, now: float) -> Command | None:
        """A tick at that time, however far it is."""
        self.now = now
        if self.alive and self.heard:
            self.watchdog.output_watch.heard(self.now)
            if self.sent and self.state is State.LOWERING:
                self.watchdog.joints(np.add(self.sent.angles, self.caught).tolist(), self.now)
        command = self.look(self.watchdog.tick(self.now))
        self.lasting &= self.watchdog.powered
        return command

    def measure(self, voltage: float = nan, current: float = nan, present: bool = True) -> None:
        self.watchdog.supply(voltage, current, present, self.now)
        self.lasting &= self.watchdog.powered

    def measured(self, seconds: float, voltage: float = nan, current: float = nan, angles=None) -> None:
        """Runs for so long, with the supply measured every period."""
        for _ in range(round(seconds / self.period)):
            self.measure(voltage, current)
            self.run(self.period, angles)

    def tilted(self, seconds: float, angle: float, frames: bool = True) -> None:
        """Runs for so long, with the tilt (rad) measured every period."""
        for _ in range(round(seconds / self.period)):
            self.run(self.period) if frames else self.tick()
            self.watchdog.tilt(angle, self.now)
            self.lasting &= self.watchdog.powered

    def off_now(self) -> None:
        self.watchdog.off_now(Reason.of(ReasonCode.SWITCHED_OFF), self.now)
        self.lasting = False

    def seconds(self, seconds: float) -> None:
        self.tick(round(seconds / self.period))

    def legs(self, angles, *legs: str) -> Command | None:
        """Targets of these legs with the stamp of the present frame."""
        command = None
        for leg in legs:
            i = 3 * LEGS.index(leg)
            got = self.watchdog.targets(self.stamp, JOINT_NAMES[i : i + 3], [angles[i : i + 3]], self.now)
            command = self.look(got) or command
        return command

    def frame(self, angles=None) -> Command | None:
        self.stamp += round(self.period * 1e9)
        return self.legs(self.standing if angles is None else angles, *LEGS)

    def bad(self, names=JOINT_NAMES[:3], points=((0.0, nan, 0.0),)) -> None:
        assert self.watchdog.targets(self.stamp, names, points, self.now) is None

    def run(self, seconds: float, angles=None) -> None:
        """Ticks and frames for so long."""
        for _ in range(round(seconds / self.period)):
            self.frame(angles)
            self.tick()

    def until(self, *states: State, within: float = 20.0, angles=None, frames: bool = True) -> float:
        """Runs until the state is one of these; the seconds that it took."""
        begun = self.now
        while self.state not in states:
            assert self.now - begun < within, f"{self.state} for {within} s: {self.watchdog.why}"
            if frames:
                self.frame(angles)
            self.tick()
        return self.now - begun

    def enable(self, on: bool = True) -> dict[str, Mapping[str, str]]:
        done, answer = self.watchdog.enable(on, self.now)
        assert done, answer
        return told(answer)

    def refused(self) -> dict[str, Mapping[str, str]]:
        before = self.state
        done, answer = self.watchdog.enable(True, self.now)
        assert not done
        assert self.state is before
        return told(answer)

    def follow(self) -> None:
        self.says("following")
        self.seconds(1.1)

    def up(self) -> WatchdogRig:
        self.follow()
        self.enable()
        self.until(State.ACTIVE)
        self.frame()
        return self
