"""The watchdog's report: its codes with their figures, counts and measurements."""

from __future__ import annotations

from math import degrees, isfinite

from quadleg.health import ERROR, OK, WARN, Health
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.robot.urdf import fingerprint, urdf
from quadleg.safety.catalogue import Reason
from quadleg.safety.node_status import NodeStatus
from quadleg.safety.output_supervisor import OutputState
from quadleg.safety.reason_codes import ReasonCode
from quadleg.safety.state_machine import State
from quadleg.safety.watchdog import Watchdog

ROBOT = "robot"  # the figure of servo_output's status that is the `fingerprint` of its robot
LEVELS = {State.FAULT: ERROR, State.HOLD: WARN}


class WatchdogReport:
    """The report of a watchdog, and whether it is new. `text` is `<state>: <sentence>` as last reported;
    `state_is_new`: the state has changed."""

    def __init__(self, watchdog: Watchdog, robot: RobotModel) -> None:
        self._watchdog = watchdog
        self._robot = robot
        self._fingerprint = fingerprint(urdf(robot))
        self._mismatch: Reason | None = None
        self._told: tuple[object, ...] = ()
        self.text = ""
        self.state_is_new = False

    @property
    def level(self) -> bytes:
        """A level of health.py."""
        return LEVELS.get(self._watchdog.state, OK)

    def is_news(self, now: float) -> bool:
        """Return whether there is something new to report, and count it as reported."""
        told = codes(self._watchdog, now)
        if told == self._told:
            return False
        self.state_is_new = not self._told or self._told[0] != self._watchdog.state
        self._told, self.text = told, f"{self._watchdog.state.value}: {self._watchdog.why}"
        return True

    def chain_is_closed(self, now: float) -> bool:
        """Whether good frames arrive and servo_output follows."""
        following = self._watchdog.output_watch.state == OutputState.FOLLOWING
        return following and isfinite(self._watchdog.target_watch.age(now))

    def output_robot(self, output: NodeStatus) -> None:
        """Take from servo_output's status which robot it moves: commands for another one could twist its legs."""
        other = output.figures.get(ROBOT, self._fingerprint) != self._fingerprint
        self._mismatch = Reason.of(ReasonCode.ANOTHER_ROBOT, path=self._robot.path) if other else None

    def enable(self, on: bool, now: float) -> tuple[bool, str]:
        """Enable the watchdog, but not for another robot than servo_output's; whether it is done, and a sentence."""
        if on and self._mismatch:
            return False, str(Reason.of(ReasonCode.REFUSED, self._mismatch))
        done, answer = self._watchdog.enable(on, now)
        return done, str(answer)

    def reset(self, now: float) -> tuple[bool, str]:
        """Reset the watchdog; whether it is done, and a sentence."""
        done, answer = self._watchdog.reset(now)
        return done, str(answer)

    def health(self, imu_refused: int, now: float) -> Health:
        """State, reason and figures; `imu_refused` counts samples of the IMU."""
        watchdog = self._watchdog
        values = status(watchdog, now).values() | figures(watchdog, now) | {"imu_refused": imu_refused}
        if self._mismatch:
            return Health(str(self._mismatch), values, ERROR)
        return Health(f"{watchdog.state.value}: {watchdog.why}", values, self.level)


def codes(watchdog: Watchdog, now: float) -> tuple[object, ...]:
    """What a new status is worth telling for; figures that change all the time are not among it."""
    shortfall = watchdog.shortfall
    told = (watchdog.output_watch.state, shortfall.code, shortfall.where, watchdog.heat.level, watchdog.idle.code(now))
    return (watchdog.state, watchdog.reason, watchdog.notices, watchdog.stop_category, *told)


def status(watchdog: Watchdog, now: float) -> NodeStatus:
    """State, reason, notices, and the codes that outlast a state. `now` is of a steady clock, in s."""
    shortfall, idle_left, category = watchdog.shortfall, watchdog.idle.left(now), watchdog.stop_category
    figures = {
        "servo_output": watchdog.output_watch.state or "not heard",
        "stop_category": "" if category is None else str(category),
        "following": shortfall.code.value,
        "following_where": " ".join(shortfall.where),
        "following_figure": shortfall.figure,
        "servo_heat": watchdog.heat.level.value,
        "servo_hottest": JOINT_NAMES[watchdog.heat.hottest],
        "servo_hottest_c": f"{watchdog.heat.temperature:.0f}",
        "idle": watchdog.idle.code(now).value,
        "idle_left_s": f"{max(idle_left, 0.0):.0f}" if isfinite(idle_left) else "",
    }
    return NodeStatus(watchdog.state.value, watchdog.reason, watchdog.notices, figures)


def figures(watchdog: Watchdog, now: float) -> dict[str, object]:
    """What it has counted, and what is measured."""
    targets, supply = watchdog.target_watch, watchdog.supply_watch
    values: dict[str, object] = {
        "frames_sent": watchdog.sent,
        "frames_dropped": targets.assembly.dropped,
        "frames_slowed": watchdog.slowed,
        "holds": watchdog.holds,
        "targets_late": targets.assembly.late,
        "targets_refused": targets.refused,
        "last_good_frame_s": f"{targets.age(now):.3f}",
        "servo_temperatures_c": " ".join(f"{one:.1f}" for one in watchdog.heat.temperatures),
    }
    measured = {
        "supply_v": supply.voltage,
        "supply_a": supply.current,
        "tilt_deg": degrees(watchdog.tilt_watch.tilt),
    }
    return values | {name: f"{value:.2f}" for name, value in measured.items() if isfinite(value)}
