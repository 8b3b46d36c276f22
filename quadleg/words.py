"""Poses and a running stack in plain words."""

from __future__ import annotations

from math import degrees
from typing import TYPE_CHECKING

from quadleg.kinematics.body import Pose

if TYPE_CHECKING:
    from quadleg.client import Snapshot


def pose_in_words(pose: Pose) -> str:
    """A body pose as a person asks for it: millimetres and degrees, what is zero left out."""
    x, y, z = (1000 * value for value in pose.position)
    shown = [f"height {z:.1f} mm"]
    shown += [f"{name} {value:+.1f} mm" for name, value in (("x", x), ("y", y)) if abs(value) >= 0.05]
    turns = zip(("roll", "pitch", "yaw"), map(degrees, pose.rpy))
    shown += [f"{name} {value:+.1f}°" for name, value in turns if abs(value) >= 0.05]
    return ", ".join(shown)


def status_in_words(now: Snapshot, asked: Pose | None, reached: Pose | None) -> list[tuple[str, str]]:
    """What `quadleg status` says, as pairs of a heading and a sentence."""
    watchdog, output = now.values("joint_watchdog"), now.values("servo_output")
    lines = [("state", f"{now.state}: {now.why}" if now.state else "joint_watchdog is not heard")]
    if asked and reached:
        lines += [("asked", pose_in_words(asked)), ("reached", pose_in_words(reached))]
    heard = f"servo_output is {now.servo_state}: {now.servo_why}"
    lines.append(("servos", heard if now.servo_state else "servo_output is not heard; nothing reaches the board"))
    if output:
        lines.append(("joints", f"{output['joints_powered']} of 12 powered; joint_states are {output['joint_angles']}"))
        if "power_up_movement_deg" in output:
            lines.append(("power-up", f"no first pulse moved a joint by more than {output['power_up_movement_deg']}°"))
    if watchdog:
        age = float(watchdog["last_good_frame_s"])
        last = f"the last {1000 * age:.0f} ms ago" if age < 60 else "none yet"
        lines.append(
            (
                "frames",
                f"{watchdog['frames_sent']} followed, {watchdog['frames_slowed']} of them slowed, "
                f"{watchdog['frames_dropped']} dropped, {watchdog['targets_refused']} targets refused; {last}",
            )
        )
    if "tick_to_bytes_p50_ms" in output:
        lines.append(
            (
                "latency",
                f"tick to bytes {output['tick_to_bytes_p50_ms']} ms in the middle, "
                f"{output['tick_to_bytes_p99_ms']} ms for the slowest of a hundred",
            )
        )
    for node, (status, _) in sorted(now.diagnostics.items()):
        if status.level != b"\x00" and node not in ("joint_watchdog", "servo_output"):
            lines.append((node, status.message))
    return lines
