"""What the watchdog tells of itself: its codes with their figures, and what it counts and measures."""

from __future__ import annotations

from math import degrees, isfinite

from quadleg.robot.model import JOINT_NAMES
from quadleg.safety.node_status import NodeStatus
from quadleg.safety.watchdog import Watchdog


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
