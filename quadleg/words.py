"""A running stack in plain words."""

from __future__ import annotations

from collections.abc import Mapping

from quadleg.client.snapshot import OK, Snapshot
from quadleg.kinematics.body import Pose

ANGLES = {
    "measured": "joint_states are the true angles of the simulated servos",
    "modelled": "joint_states are modelled from the commands",
}
SUPPLIES = {"modelled": "modelled from the pose, since nothing measures it"}
SAID_ABOVE = ("joint_watchdog", "servo_output", "gait")


def status_in_words(now: Snapshot, asked: Pose | None, reached: Pose | None) -> list[tuple[str, str]]:
    """What `quadleg status` says, as pairs of a heading and a sentence."""
    lines = [("state", f"{now.state}: {now.why}" if now.state else "joint_watchdog is not heard")]
    if asked and now.state in ("active", "hold"):
        lines.append(("asked", str(asked)))
    if reached and now.state not in ("off", "fault", None):
        lines.append(("reached", str(reached)))
    lines += _walking(now) + _servos(now) + _frames(now.values("joint_watchdog"))
    if file := now.values("recorder").get("file"):
        lines.append(("record", f"into {file}"))
    for node, report in sorted(now.diagnostics.items()):
        if report.level != OK and node not in SAID_ABOVE:
            lines.append((node, report.message))
    return lines


def _walking(now: Snapshot) -> list[tuple[str, str]]:
    values = now.values("gait")
    if not values:
        return []
    ahead, behind = (values[key].split() for key in ("limits_forward", "limits_backward"))
    limits = f"{ahead[0]} m/s forward, {behind[0].lstrip('-')} backward, {ahead[1]} sideways, {ahead[2]} rad/s turning"
    length, width = values["footprint_mm"].split()
    lines = [
        ("walk", now.message("gait")),
        ("limits", f"in the {values['gait']}: {limits}; takes {length} by {width} mm of ground"),
    ]
    if values["motion"] != "stands":
        lines.append(
            ("margin", f"{values['margin_mm']} mm inside the feet on the ground; Froude {values['froude_number']}")
        )
    return lines


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
        lines.append(("latency", f"tick to bytes {middle} ms in the middle, {slowest} ms for the slowest of a hundred"))
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
