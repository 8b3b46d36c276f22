"""The watchdog's states and the paths between them.

Stops are categories of IEC 60204-1: 0 = pulses off at once, 1 = lower the body, then off, 2 = hold with power. All
times are those of a steady clock, in s.
"""

from __future__ import annotations

from enum import Enum, auto

from quadleg.kinematics.body_pose import stance_angles
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.safety import transitions
from quadleg.safety.catalogue import Reason
from quadleg.safety.idle_watch import IdleWatch
from quadleg.safety.joint_command import NONE
from quadleg.safety.joint_limits import JointLimits
from quadleg.safety.notice_board import NoticeBoard
from quadleg.safety.reason_codes import ReasonCode

POWER_INTERVAL = 0.2  # s between the first pulses of two servos


class State(str, Enum):
    """The watchdog's state; in all but `off` and `fault` the servos have power."""

    OFF = "off"
    RISING = "rising"
    ACTIVE = "active"
    HOLD = "hold"
    LOWERING = "lowering"
    FAULT = "fault"


# Stop category of IEC 60204-1, by the state that a stop begins with. Pulses off at once is category 0.
STOP_CATEGORIES = {State.HOLD: 2, State.LOWERING: 1, State.RISING: None, State.ACTIVE: None}


class HoldKind(Enum):
    """Cause of a hold, which decides how the hold ends: see the table in deadlines.py."""

    MISSING = auto()  # no good frame, or servo_output does not follow
    BAD = auto()  # bad targets
    LIMIT = auto()  # a leg at its limit
    SILENT = auto()  # servo_output is silent
    CURRENT = auto()  # over the rating
    FOLLOWING = auto()  # the body does not follow


class StateMachine:
    """`state` with its `reason` since `since`; `angles` (rad) and `powered` are what the servos are to have.

    `limits` slow what moves; `hold_kind` is that of a hold, `stop_category` of the last stop. `dropping`: it lowers at
    the servos' own speed. The `idle` watch counts while the robot stands.
    """

    def __init__(self, robot: RobotModel, period: float, now: float, idle: IdleWatch) -> None:
        self._robot = robot
        self._period = period
        self._idle = idle
        self._rest = stance_angles(robot, robot.resting)
        self._path: transitions.SlowedPath | None = None
        self.limits = JointLimits(robot, period)
        self.notices = NoticeBoard()
        self.state = State.OFF
        self.reason = Reason.of(ReasonCode.NOT_ENABLED)
        self.since = now
        self.hold_kind: HoldKind | None = None
        self.stop_category: int | None = None
        self.holds = 0
        self.dropping = False
        self.angles = self._rest
        self.powered = list(NONE)

    @property
    def has_power(self) -> bool:
        """Whether any servo is to have power."""
        return self.state not in (State.OFF, State.FAULT)

    @property
    def is_lowered(self) -> bool:
        """Whether a lowering has come to the end of its path."""
        return self.state is State.LOWERING and self._path is None

    def follow(self, now: float) -> None:
        """Active: the joint targets lead."""
        self._enter(State.ACTIVE, Reason.of(ReasonCode.TARGETS_FOLLOWED), now)
        self._idle.begin(now)

    def hold(self, kind: HoldKind, reason: Reason, now: float) -> None:
        """Stop of category 2: swing feet go down, the power stays."""
        self._enter(State.HOLD, reason, now)
        self.holds += 1
        self.hold_kind = kind
        self._path = self._slowed(transitions.settling(self._robot, self.angles, self._period))

    def rise(self, reason: Reason, now: float) -> None:
        """Power up, one servo after the other, and stand."""
        self._enter(State.RISING, reason, now)
        self._path = self._slowed(self._power_up_then_rise())

    def lower(self, reason: Reason, now: float) -> None:
        """Stop of category 1, unless it is in progress."""
        if self.state is not State.LOWERING:
            self._enter(State.LOWERING, reason, now)
            self._path = self._slowed(transitions.lowering(self._robot, self.angles, self._period))

    def drop(self, reason: Reason, now: float) -> None:
        """Stop of category 1 at the servos' own speed: the body is about to fall."""
        self._enter(State.LOWERING, reason, now)
        self.dropping = True
        self.limits.speed = 1.0
        self._path = self._slowed(transitions.dropping(self._robot, self._period))

    def switch_off(self, state: State, reason: Reason, now: float, category: int = 0) -> None:
        """No servo has power: off or a fault."""
        self._enter(state, reason, now)
        self.stop_category = category
        self.powered = list(NONE)
        self.angles = self._rest

    def leave_fault(self, now: float) -> None:
        """From fault to off."""
        self._enter(State.OFF, Reason.of(ReasonCode.RESET), now)

    def advance(self) -> bool:
        """Advance the own path by one control period; return whether it has just ended."""
        if self._path is None:
            return False
        angles = self._path.step(self.angles)
        if angles is not None:
            self.angles = angles
            return False
        self._path = None
        return True

    def _enter(self, state: State, reason: Reason, now: float) -> None:
        self.state, self.reason, self.since = state, reason, now
        self.stop_category = STOP_CATEGORIES.get(state, self.stop_category)
        self._path = self.hold_kind = None
        self.dropping = False
        self.notices.clear()
        if state not in (State.ACTIVE, State.HOLD):
            self._idle.end()

    def _power_up_then_rise(self) -> transitions.Path:
        for i, name in enumerate(JOINT_NAMES):
            if self.powered[i]:
                continue
            self.powered[i] = True
            self.reason = Reason.of(ReasonCode.FIRST_PULSES, joint=name, number=i + 1, count=len(JOINT_NAMES))
            for _ in range(round(POWER_INTERVAL / self._period)):
                yield self.angles
        self.reason = Reason.of(ReasonCode.RISING)
        yield from transitions.rising(self._robot, self.angles, self._period)

    def _slowed(self, path: transitions.Path) -> transitions.SlowedPath:
        return transitions.SlowedPath(self.limits, path)
