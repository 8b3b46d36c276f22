"""A running stack in plain words."""

from __future__ import annotations

from collections.abc import Mapping
from math import degrees

from quadleg.client.gait_report import GaitReport
from quadleg.client.snapshot import OK, STATE_WORDS, Snapshot
from quadleg.gait.walk_obstacles import Obstacle
from quadleg.geometry.planar import ZERO_TWIST
from quadleg.geometry.transforms import Pose
from quadleg.safety.figure_words import velocity_in_words

ANGLES = {
    "measured": "joint_states are the true angles of the simulated servos",
    "modelled": "joint_states are modelled from the commands",
}
SUPPLIES = {"modelled": "modelled from the pose, since nothing measures it"}
DRIVERS = {"cmd_vel": "a script or navigation on cmd_vel", "teleop/cmd_vel": "a person on teleop/cmd_vel"}
SAID_ABOVE = ("joint_watchdog", "servo_output", "gait")


def status_in_words(now: Snapshot, asked: Pose | None, reached: Pose | None) -> list[tuple[str, str]]:
    """What `quadleg status` says, as pairs of a heading and a sentence."""
    lines = [("state", f"{now.state}: {now.why}" if now.state else "joint_watchdog is not heard")]
    if asked and now.state in ("active", "hold"):
        lines.append(("asked", str(asked)))
    if reached and now.state not in ("off", "fault", None):
        lines.append(("reached", str(reached)))
    lines += _walking(now) + _servos(now) + _heat(now.codes("joint_watchdog")) + _frames(now.values("joint_watchdog"))
    lines += _recordings(now.values("recorder"))
    for node, report in sorted(now.diagnostics.items()):
        if report.level != OK and node not in SAID_ABOVE:
            lines.append((node, report.message))
    return lines


def _recordings(recorder: Mapping[str, str]) -> list[tuple[str, str]]:
    if "folder" not in recorder:
        return []
    into = f"every topic into {recorder['file']}; " if recorder["file"] else ""
    kept = f"; the last saved one is {recorder['kept']}" if recorder["kept"] else ""
    return [("record", f"{into}on a fault the last minute into {recorder['folder']}{kept}")]


def _walking(now: Snapshot) -> list[tuple[str, str]]:
    values = now.values("gait")
    if not values:
        return []
    report = GaitReport.of(values)
    (forward, left, turning), (backward, _, _) = report.forward, report.backward
    limits = (
        f"{forward:.3f} m/s forward, {-backward:.3f} m/s backward, {left:.3f} m/s sideways, "
        f"{degrees(turning):.0f}°/s turning"
    )
    length, width = values["footprint_mm"].split()
    lines = [
        ("walk", _walk(report, now)),
        ("limits", f"in the gait {report.gait}: {limits}; takes {length} by {width} mm of ground"),
    ]
    if report.motion != "stands":
        lines.append(
            ("margin", f"{values['margin_mm']} mm inside the feet on the ground; Froude {values['froude_number']}")
        )
    return lines


def _walk(report: GaitReport, now: Snapshot) -> str:
    """What is asked for and by whom, what is walked, and what scales or stops it."""
    parts = [f"{report.motion} in the gait {report.gait}"]
    if report.asker:
        who = DRIVERS.get(report.asker, report.asker)
        parts.append(f"asked for {velocity_in_words(report.asked)} by {who}")
        parts.append(f"planned: {velocity_in_words(report.planned) if report.planned != ZERO_TWIST else 'no velocity'}")
    else:
        parts.append("no velocity is asked for")
    if report.obstacle is Obstacle.TOO_FAST:
        parts.append(f"scaled to {100 * report.scale:.0f} %, the most that the gait can go that way")
    elif report.obstacle is Obstacle.WAY_IMPOSSIBLE:
        parts.append(str(report.impossible_ways(report.left_out)))
        if 0.0 < report.scale < 1.0:
            parts.append(f"the rest is scaled to {100 * report.scale:.0f} %")
    elif report.obstacle is Obstacle.NOT_ACTIVE:
        parts.append(f"it walks only while the robot is active; it is {STATE_WORDS.get(now.state, now.state)}")
    elif report.obstacle is Obstacle.CANNOT_WALK:
        parts.append(f"this robot cannot walk in this gait: {report.trouble_in_words}")
    elif report.obstacle is not Obstacle.NONE:
        parts.append(now.message("gait"))
    return "; ".join(parts)


def _servos(now: Snapshot) -> list[tuple[str, str]]:
    if not now.servo_state:
        return [("servos", "servo_output is not heard; nothing new reaches the board")]
    lines = [("servos", f"servo_output is {now.servo_state}: {now.servo_why}")]
    output = now.values("servo_output")
    if output:
        lines.append(("joints", f"{output['joints_powered']} of 12 powered; {ANGLES[output['joint_angles']]}"))
        lines.append(("board", _board(output)))
        lines += _supply(output)
        if output.get("imu_hz"):
            lines.append(("imu", f"{output['imu_hz']} samples a second"))
        for trouble in ("board_trouble", "sensor_trouble"):
            if output.get(trouble):
                lines.append(("trouble", output[trouble]))
    if "power_up_movement_deg" in output:
        lines.append(("power-up", f"the first pulses moved a joint by up to {output['power_up_movement_deg']}°"))
    if "tick_to_bytes_p50_ms" in output:
        middle, slowest = output["tick_to_bytes_p50_ms"], output["tick_to_bytes_p99_ms"]
        lines.append(("latency", f"tick to bytes: median {middle} ms, 99th percentile {slowest} ms"))
    return lines


def _supply(output: Mapping[str, str]) -> list[tuple[str, str]]:
    source = output.get("supply")
    if source is None:
        return []
    said = SUPPLIES.get(source, source)
    if "supply_now_a" in output:
        volts = f"{output['supply_v']} V, " if "supply_v" in output else ""
        said += f": {volts}{float(output['supply_now_a']):.1f} A"
    if "supply_mean_a" in output:
        mean, peak = (float(output[f"supply_{figure}_a"]) for figure in ("mean", "peak"))
        said += f"; {mean:.1f} A in the mean and {peak:.1f} A at most since the servos have power"
    return [("supply", said)]


def _board(output: Mapping[str, str]) -> str:
    messages, errors = int(output["frame_messages"]), int(output["board_errors"])
    frame = f"a frame is one transaction{f' of {messages} messages' if messages > 1 else ''}"
    failed = f"; it failed {errors} times" if errors else ""
    takes = float(output["frame_to_board_ms"])
    rate = f", so that {1000 / takes:.0f} a second are possible" if takes else ""
    return f"{output['board']}; {frame} and takes {takes:g} ms{rate}{failed}"


def _heat(watchdog: Mapping[str, str]) -> list[tuple[str, str]]:
    if "servo_hottest_c" not in watchdog:
        return []
    joint, celsius, level = (watchdog[key] for key in ("servo_hottest", "servo_hottest_c", "servo_heat"))
    said = f"{level.replace('_', ' ')}: hottest by the model of its current is {joint}, about {celsius} °C"
    return [("heat", f"{said}; nothing measures it")]


def _frames(watchdog: Mapping[str, str]) -> list[tuple[str, str]]:
    if not watchdog:
        return []
    age = float(watchdog["last_good_frame_s"])
    last = f"the last came {1000 * age:.0f} ms ago" if age < 60 else "none came yet"
    return [
        (
            "frames",
            f"{watchdog['frames_sent']} followed, {watchdog['frames_slowed']} of them slowed to the servos' speed, "
            f"{watchdog['frames_dropped']} dropped; {watchdog['targets_refused']} joint targets refused; {last}; "
            f"held {watchdog['holds']} times",
        )
    ]
