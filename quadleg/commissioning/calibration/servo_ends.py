"""The ends of a servo's travel, and whether its joint gets from limit to limit between them."""

from __future__ import annotations

from dataclasses import replace
from math import ceil, degrees, floor, radians

from quadleg.commissioning.calibration.bench_servo import SKIP, BenchServo, spoken
from quadleg.commissioning.calibration.calibration_fit import Mark, travel_fault, way
from quadleg.commissioning.dialog import Choice, Dialog, Question
from quadleg.robot.model import Servo
from quadleg.servos.pulse_conversion import angle_from_pulse


def find_ends(servo: BenchServo) -> Dialog[Servo | None]:
    """Ask for both ends and return the calibrated servo; None to mark the joint again. Raises JointLeft."""
    assert servo.found
    shortest, longest = servo.joint.servo.kind.pulse_range
    ends = []
    for end, (limit, sign) in zip((shortest, longest), ((min, -1), (max, 1))):
        at_limit = limit(servo.found.pulse(servo.joint.lower), servo.found.pulse(servo.joint.upper))
        turns = sign * (1 if servo.found.pulse_per_radian > 0 else -1)
        side = "shorter" if sign < 0 else "longer"
        while True:
            answer = yield from servo.jog(
                Question(
                    "end",
                    f"Does anything stop the {spoken(servo.name)} towards {side} pulses?\n"
                    f"That way {way(servo.name, turns)}. Where something touches, hums or pulls a cable before the "
                    f"servo's own end, jog to just before that.",
                    (
                        Choice("none", "n", "nothing does"),
                        Choice("here", "h", "no further than here"),
                        Choice("near", "g", "go to joint's limit"),
                        SKIP,
                    ),
                    jog=True,
                )
            )
            here = servo.pulses.at(servo.unlimited)
            if answer == "near":
                yield from servo.to(at_limit)
            elif answer == "here" and (beyond := _mark_beyond(servo, here, sign)):
                servo.say(f"Not the end: you marked {degrees(beyond.angle):g}° further that way. Jog on, or take `n`")
            else:
                break
        ends.append(here if answer == "here" else end)
    if ends[0] >= ends[1]:
        servo.say("The two ends are the wrong way round, or the same: mark them again")
        return (yield from find_ends(servo))
    calibrated = replace(
        servo.joint.servo,
        pulse_at_zero=round(servo.found.pulse_at_zero * 1e6, 1) / 1e6,
        pulse_per_radian=round(servo.found.pulse_per_radian * 1e6 * radians(1), 4) / 1e6 / radians(1),
        stops=(ceil(ends[0] * 1e6 - 1e-6) / 1e6, floor(ends[1] * 1e6 + 1e-6) / 1e6),
        calibrated=True,
    )
    return (yield from _travelled(servo, calibrated))


def _mark_beyond(servo: BenchServo, pulse: float, sign: int) -> Mark | None:
    """A mark beyond a pulse on that side; None without one."""
    return next((mark for mark in servo.marks if sign * (mark.pulse - pulse) > servo.pulses.count), None)


def _travelled(servo: BenchServo, calibrated: Servo) -> Dialog[Servo | None]:
    """The same servo if it turns its joint from limit to limit, or if the limits are narrowed to what it does."""
    joint = replace(servo.joint, servo=calibrated)
    fault = travel_fault(calibrated, joint, servo.teeth)
    if not fault:
        return calibrated
    low, high = sorted(angle_from_pulse(calibrated, stop) for stop in calibrated.stops)
    narrow = (
        ceil(max(degrees(joint.lower), degrees(low) + 0.1)),
        floor(min(degrees(joint.upper), degrees(high) - 0.1)),
    )
    answer = yield from servo.choose(
        "travel",
        f"{fault[0].upper()}{fault[1:]}.",
        Choice(
            "narrow",
            "w",
            f"narrow the limits of both {servo.name.split('_')[0]} legs to {narrow[0]}° to {narrow[1]}°",
        ),
        Choice("ends", "e", "ask for its two ends again"),
        Choice("again", "a", "the horn is turned, or I misread: drop the marks, mark anew"),
        SKIP,
    )
    if answer == "again":
        return None
    if answer == "ends":
        return (yield from find_ends(servo))
    pair, _, part = servo.name.split("_")
    mirrored_limits = part == "abduction" and "right" in servo.name
    limits = [-narrow[1], -narrow[0]] if mirrored_limits else list(narrow)
    yield from servo.save({"joint_limits_deg": {pair: {part: limits}}})
    servo.say(f"joint_limits_deg.{pair}.{part} is now {limits}. Saved.")
    servo.also_saved.append(f"Limits narrowed: joint_limits_deg.{pair}.{part}")
    return calibrated
