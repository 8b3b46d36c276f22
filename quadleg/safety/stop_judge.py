"""Causes that stop the robot: each has a watch and a judgement.

All times are those of a steady clock, in s.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite, nan

from quadleg.robot.model import MEASURED, RobotModel
from quadleg.safety.catalogue import Reason
from quadleg.safety.deadlines import LOW_TIME, OVER_LOWER, OVER_TIME
from quadleg.safety.following import FOLLOWS, Following, FollowingShortfall, Response
from quadleg.safety.heat_watch import HeatWatch
from quadleg.safety.idle_watch import IdleWatch
from quadleg.safety.joint_command import ALL
from quadleg.safety.node_status import JOINTS_POWERED, NodeStatus
from quadleg.safety.notice_board import Notice
from quadleg.safety.output_supervisor import OutputState
from quadleg.safety.output_watch import OutputWatch
from quadleg.safety.reason_codes import HeatLevel, IdleCode, ReasonCode
from quadleg.safety.state_machine import HoldKind, State, StateMachine
from quadleg.safety.supply_watch import SupplyWatch
from quadleg.safety.target_watch import TargetWatch
from quadleg.safety.tilt_watch import TiltWatch

SLOWER = 0.5  # of the servos' speed: where the supply comes near its rating, and where the body does not follow

_UNTOLD = Reason.of(ReasonCode.DEFECT, detail="servo_output tells no reason")


class StopJudge:
    """The watches over one robot, and the changes of its state that follow from them."""

    def __init__(self, robot: RobotModel, period: float, now: float, idle_time: float) -> None:
        self.idle = IdleWatch(idle_time)
        self.target_watch = TargetWatch(period)
        self.output_watch = OutputWatch(now)
        self.supply_watch = SupplyWatch(robot, now)
        self.tilt_watch = TiltWatch(robot.tip_angle, now)
        self.following = Following(robot)  # feed it with `imu` and `joints`, where there are any
        self.heat = HeatWatch(robot, now)
        self._joints_measured = False
        self.stopped_by: FollowingShortfall = FOLLOWS  # what held or lowered the robot, until it is enabled again
        self._machine = StateMachine(robot, period, now, self.idle)

    @property
    def state(self) -> State:
        return self._machine.state

    @property
    def reason(self) -> Reason:
        return self._machine.reason

    @property
    def powered(self) -> bool:
        """Whether this watchdog powers any servo."""
        return self._machine.has_power

    @property
    def shortfall(self) -> FollowingShortfall:
        """The present shortfall; else the one that stopped the robot, until it is enabled again."""
        now = self.following.shortfall
        return now if now.response is not Response.NONE else self.stopped_by

    # What is heard and measured

    def output_says(self, state: str, reason: Reason, now: float, has_power: bool = False) -> None:
        """Take servo_output's state, and whether any joint has power there. Its `stopped` is a fault, its `off` ends
        the power here too."""
        self.output_watch.says(state, now, has_power)
        if state == OutputState.STOPPED:
            self._machine.switch_off(State.FAULT, reason, now)
        elif state == OutputState.OFF:
            self.off_now(Reason.of(ReasonCode.OUTPUT_SWITCHED_OFF, reason), now)

    def output_status(self, said: NodeStatus, now: float) -> None:
        """Take servo_output's status: its state, and whether the joint states that it publishes are measured."""
        self._joints_measured = said.figures.get("joint_angles") == MEASURED
        has_power = said.figures.get(JOINTS_POWERED, "0") != "0"
        self.output_says(said.state, said.reason or _UNTOLD, now, has_power)

    @property
    def wants_joints(self) -> bool:
        """Whether the joint angles count now: measured ones under power, all in a lowering."""
        return self.powered and (self._joints_measured or self.state is State.LOWERING)

    def joints(self, angles: Sequence[float], now: float) -> None:
        """Take the twelve joint angles of servo_output (rad); all are left out where one is not finite."""
        if all(map(isfinite, angles)):
            self.output_watch.joints(angles, now)
            if self._joints_measured:
                self.following.joints(angles, now)

    def powering_command(self, stamp: int, now: float) -> None:
        """Take the stamp (ns) of a command that powers joints under the same names: this watchdog's, or another's."""
        if not self.powered:
            self.output_watch.powering_command(stamp, now)

    def supply(self, voltage: float, current: float, present: bool, now: float) -> None:
        """Take what is measured at the servos' supply: V, and A that are drawn; what is not finite is unknown.

        A supply lost under power is a fault: the pulses must not wait for its switch to close again.
        """
        watch = self.supply_watch
        watch.take(voltage, current, present, now)
        self.following.supply(watch.voltage, watch.current, now)
        if (lost := watch.lost) and self.powered:
            self._machine.switch_off(State.FAULT, lost, now)

    def tilt(self, angle: float, now: float) -> None:
        """Take the angle between the body's z axis and the vertical, in rad; NaN is unknown."""
        self.tilt_watch.take(angle, now)
        if tipped := self.tilt_watch.lasts(now):
            self.off_now(tipped, now)

    def off_now(self, reason: Reason, now: float) -> None:
        """Stop of category 0; a fault stays a fault."""
        if self.powered:
            self._machine.switch_off(State.OFF, reason, now)

    # Judgements, once a period

    def _judge(self, now: float) -> None:
        self._machine.notices.forget(now)
        if self.supply_watch.is_old(now):
            self.supply(nan, nan, True, now)
        if self.tilt_watch.is_old(now):
            self.tilt(nan, now)
        self._judge_supply(now)
        self._judge_following(now)
        self.heat.take(self._machine.angles, self._machine.powered, now)
        self._judge_heat(now)
        self._judge_output(now)
        if self.state in (State.ACTIVE, State.HOLD):
            self._judge_idle(now)

    def _judge_supply(self, now: float) -> None:
        watch = self.supply_watch
        near, over = watch.near, watch.over
        self._machine.limits.speed = SLOWER if near else 1.0
        if not self.powered:
            return
        if (low := watch.low) and watch.low_for(now) > LOW_TIME:
            self._machine.lower(low, now)
        if over:
            self._judge_over(over, now)
        if near and self.state is not State.HOLD:
            self._note(Notice.CURRENT, Reason.of(ReasonCode.SLOWED_FOR_CURRENT, near), now)

    def _judge_over(self, over: Reason, now: float) -> None:
        lasting = self.supply_watch.over_for(now)
        if lasting > OVER_TIME + OVER_LOWER or (lasting > OVER_TIME and self.state is State.RISING):
            self._machine.lower(over, now)
        elif (
            lasting > OVER_TIME and self.state is not State.LOWERING and self._machine.hold_kind is not HoldKind.CURRENT
        ):
            self._hold(HoldKind.CURRENT, over, now)

    def _judge_following(self, now: float) -> None:
        machine = self._machine
        if tuple(machine.powered) != ALL:
            self.following.rest()
            return
        shortfall = self.following.step(machine.angles, now)
        response = shortfall.response
        if response is Response.NONE:
            return
        if response >= Response.HOLD:
            self.stopped_by = shortfall
        if not machine.dropping:
            machine.limits.speed = min(machine.limits.speed, SLOWER)
        if response is Response.DROP and not machine.dropping:
            machine.drop(shortfall.reason, now)
        elif response >= Response.LOWER:
            machine.lower(shortfall.reason, now)
        elif response is Response.HOLD and self.state is State.ACTIVE:
            self._hold(HoldKind.FOLLOWING, shortfall.reason, now)
        elif self.state is not State.LOWERING:
            self._note(Notice.FOLLOWING, shortfall.reason, now)

    def _judge_heat(self, now: float) -> None:
        level = self.heat.level
        if not self.powered or level is HeatLevel.COOL:
            return
        if level is HeatLevel.TOO_HOT:
            self._machine.lower(self.heat.reason, now)
        else:
            self._note(Notice.HEAT, self.heat.reason, now)

    def _judge_output(self, now: float) -> None:
        if not self.powered:
            return
        self.output_watch.forget_silent(now)
        if ignores := self.output_watch.ignores(now):
            self._machine.switch_off(State.OFF, ignores, now)
            self.output_watch.leave_power()

    def _judge_idle(self, now: float) -> None:
        code = IdleCode.LOWERED if self.idle.left(now) <= 0 else self.idle.code(now)
        reason = Reason.of(code, seconds=f"{self.idle.seconds:g}")
        if code is IdleCode.LOWERED:
            self.idle.lower()
            self._machine.lower(reason, now)
        elif code is IdleCode.LOWERS_SOON:
            self._note(Notice.IDLE, reason, now)

    def _judge_targets(self, now: float) -> None:
        if self.output_watch.state is None:
            self._hold(HoldKind.SILENT, Reason.of(ReasonCode.OUTPUT_SILENT), now)
        elif bad := self.target_watch.bad:
            self._hold(HoldKind.BAD, bad, now)
        elif missing := self.target_watch.missing(now):
            self._hold(HoldKind.MISSING, missing, now)

    def _judge_anew(self) -> None:
        self.following.rest()
        self.stopped_by = FOLLOWS

    def _hold(self, kind: HoldKind, reason: Reason, now: float) -> None:
        self._machine.hold(kind, reason, now)

    def _note(self, kind: Notice, reason: Reason, now: float) -> None:
        self._machine.notices.note(kind, reason, now)
