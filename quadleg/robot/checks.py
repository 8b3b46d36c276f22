"""The contradictions of a robot file: between its keys, and between its poses and what the legs reach."""

from __future__ import annotations

from math import ceil, floor
from typing import Any

from quadleg.errors import Unreachable
from quadleg.kinematics.body import stance_angles
from quadleg.kinematics.clearance import Clearance
from quadleg.robot.document import Document
from quadleg.robot.model import JOINT_NAMES, JOINTS, LEGS, Robot, Stance

MASS_PARTS = ("body_g", "abductor_g", "upper_leg_g", "lower_leg_g")

# Names that a frame cannot have: the links of the URDF and the frames of REP-105.
_TAKEN = {
    *("map", "odom", "base_footprint", "base_link"),
    *(f"{leg}_{link}" for leg in LEGS for link in ("abductor", "upper", "lower", "foot")),
}

# A whole gram is what kitchen scales show: half a gram is lost in each of the total and thirteen parts.
_SCALE_ERROR_G = 7

# us_per_degree has a few digits only; a servo takes no notice of less than this.
_PULSE_ERROR_US = 1

# NXP, PCA9685 data sheet rev. 4, 7.3.5: PRE_SCALE = round(clock / (4096 · frequency)) − 1, of 3 to 255.
_STEPS, _PRESCALES = 4096, (3, 255)


def check_keys(document: Document) -> None:
    """Add to `document` the contradictions between its keys."""
    _check_kinds(document)
    for pair in ("front", "rear"):
        _check_limits(document, pair)
    for name in JOINT_NAMES:
        _check_servo(document, name)
    _check_channels(document)
    _check_frequency(document)
    _check_bus(document)
    _check_masses(document)
    _check_frames(document)
    _check_heights(document)


def check_robot(document: Document, robot: Robot) -> None:
    """Add to `document` frames too heavy for the body, and poses out of reach or too tight.

    `robot` may lack parts: what needs them is not checked.
    """
    if robot.masses is not None and robot.frames is not None:
        _check_frame_masses(document, robot)
    if robot.legs is None:
        return
    for key, stance in (
        (("stance", "standing_height_mm"), robot.standing),
        (("resting", "height_mm"), robot.resting),
    ):
        if stance is not None and document.sound(*key):
            _check_pose(document, robot, stance, *key)


def limits_deg(document: Document, leg: str, joint: str) -> tuple[float, float]:
    """Lower and upper limit of a joint in degrees by the right-hand rule: the file gives the left legs'."""
    lower, upper = document.value("joint_limits_deg", leg.split("_", 1)[0], joint)
    return (-upper, -lower) if _is_mirrored(leg, joint) else (lower, upper)


def _is_mirrored(leg: str, joint: str) -> bool:
    return joint == "abduction" and leg.endswith("right")


def _check_kinds(document: Document) -> None:
    for name in _section(document, "servo_kinds"):
        _check_order(document, "servo_kinds", name, "pulse_range_us")


def _check_limits(document: Document, pair: str) -> None:
    for joint in JOINTS:
        _check_order(document, "joint_limits_deg", pair, joint)
    knee, points = ("joint_limits_deg", pair, "knee"), ("knee_points", pair)
    if not document.sound(*knee) or not document.sound(*points):
        return
    lower, upper = document.value(*knee)
    if document.value(*points) == "rearward" and upper > 0:
        remedy = f"a knee that points rearward has negative angles (knee_points.{pair}): end at 0 or below"
        document.fault(remedy, *knee)
    if document.value(*points) == "forward" and lower < 0:
        remedy = f"a knee that points forward has positive angles (knee_points.{pair}): begin at 0 or above"
        document.fault(remedy, *knee)


def _check_servo(document: Document, name: str) -> None:
    key = ("servos", name)
    kinds = _section(document, "servo_kinds")
    kind = document.value(*key, "kind")
    if kinds and document.sound(*key, "kind") and kind not in kinds:
        document.fault(f"not in servo_kinds: write one of {', '.join(map(str, kinds))}", *key, "kind")
    _check_order(document, *key, "stops_us")
    kind_known = document.sound(*key, "kind") and document.sound("servo_kinds", kind, "pulse_range_us")
    if kind_known and document.sound(*key, "stops_us"):
        (low, high), (shortest, longest) = document.value(*key, "stops_us"), kinds[kind]["pulse_range_us"]
        if low < shortest or high > longest:
            remedy = f"outside the pulses of {kind}: keep the stops within {shortest} to {longest} µs"
            document.fault(remedy, *key, "stops_us")
    _check_travel(document, name)


def _check_travel(document: Document, name: str) -> None:
    """The joint's limits need pulses that lie within the servo's stops."""
    leg, joint = name.rsplit("_", 1)
    limits = ("joint_limits_deg", leg.split("_", 1)[0], joint)
    figures = [("servos", name, figure) for figure in ("pulse_at_zero_us", "us_per_degree", "stops_us")]
    if not all(document.sound(*key) for key in (limits, *figures)):
        return
    zero, slope, (low, high) = (document.value(*key) for key in figures)
    shortest, longest = sorted(zero + slope * angle for angle in limits_deg(document, leg, joint))
    if shortest < low - _PULSE_ERROR_US or longest > high + _PULSE_ERROR_US:
        first, last = sorted((pulse - zero) / slope for pulse in (low, high))
        if _is_mirrored(leg, joint):
            first, last = -last, -first
        needed = f"{'.'.join(limits)} {document.value(*limits)} needs {shortest:.0f} to {longest:.0f} µs"
        allowed = f"these stops allow {first:.1f} to {last:.1f} degrees"
        remedy = f"{needed}, and {allowed}: narrow the limits, or correct pulse_at_zero_us or the stops"
        document.fault(remedy, "servos", name, "stops_us")


def _check_channels(document: Document) -> None:
    owners: dict[int, str] = {}
    for name in JOINT_NAMES:
        key = ("servos", name, "channel")
        if not document.sound(*key):
            continue
        channel = int(document.value(*key))
        if channel in owners:
            free = [number for number in range(16) if number not in _channels(document)]
            remedy = f"also the channel of {owners[channel]}: give each joint its own, free are {free}"
            document.fault(remedy, *key)
        owners.setdefault(channel, name)


def _check_frequency(document: Document) -> None:
    key = ("board", "frequency_hz")
    if not document.sound(*key) or not document.sound("board", "clock_mhz"):
        return
    frequency, clock = document.value(*key), document.value("board", "clock_mhz") * 1e6
    prescale = round(clock / (_STEPS * frequency)) - 1
    least, most = _PRESCALES
    if not least <= prescale <= most:
        slowest, fastest = clock / _STEPS / (most + 1), clock / _STEPS / (least + 1)
        remedy = f"this needs a prescale of {prescale}, the board takes {least} to {most}"
        document.fault(f"{remedy}: write {ceil(slowest)} to {floor(fastest)}", *key)
        return
    stops = [("servos", name, "stops_us") for name in JOINT_NAMES]
    longest = max((document.value(*stop)[1] for stop in stops if document.sound(*stop)), default=0)
    if longest * frequency > 1e6:
        remedy = f"this leaves {1e6 / frequency:.0f} µs for a pulse, and stops_us go up to {longest} µs"
        document.fault(f"{remedy}: write {floor(1e6 / longest)} or less", *key)


def _check_bus(document: Document) -> None:
    key = ("board", "bus_khz")
    channels = _channels(document)
    if not channels or not document.sound(*key) or not document.sound("control"):
        return
    # Address, register, then four registers for every channel of one contiguous block; nine bits a byte.
    bits = 9 * (2 + 4 * (max(channels) - min(channels) + 1))
    rate = document.value("control", "rate_hz")
    if bits * rate > 1000 * document.value(*key):
        needed = f"a frame has {bits} bits and control.rate_hz is {rate}"
        document.fault(f"too slow, {needed}: write {ceil(bits * rate / 1000)} or more", *key)


def _check_masses(document: Document) -> None:
    if not document.sound("mass") or "body_g" not in document.value("mass"):
        return
    mass = document.value("mass")
    body, *leg = (mass[part] for part in MASS_PARTS)
    total = body + 4 * sum(leg)
    if abs(total - mass["total_g"]) > _SCALE_ERROR_G:
        remedy = f"body and four times the parts of a leg make {total:g}: weigh again, or give the total alone"
        document.fault(remedy, "mass", "total_g")


def _check_frames(document: Document) -> None:
    for name in _section(document, "frames"):
        if name in _TAKEN:
            document.fault("a name that the robot itself uses: give the frame another", "frames", name)


def _check_heights(document: Document) -> None:
    resting, standing = ("resting", "height_mm"), ("stance", "standing_height_mm")
    if not document.sound(*resting):
        return
    height = document.value(*resting)
    if document.sound(*standing) and height >= document.value(*standing):
        remedy = f"the robot rests lower than it stands: write less than {document.value(*standing)}"
        document.fault(f"{remedy}, the standing_height_mm", *resting)
    if document.sound("body"):
        body = document.value("body")
        belly = body["height_mm"] / 2 - body["centre_mm"][2]
        if height < belly:
            document.fault(f"the belly would be below the ground: write {belly:g} or more", *resting)


def _check_frame_masses(document: Document, robot: Robot) -> None:
    fixed = sum(frame.mass for frame in robot.frames)
    if fixed >= robot.masses.body:
        remedy = f"mass_g add up to {1000 * fixed:g}, and the body with them has {1000 * robot.masses.body:g}"
        document.fault(f"{remedy}: write less, or more for the mass of the robot", "frames")


def _check_pose(document: Document, robot: Robot, stance: Stance, section: str, key: str) -> None:
    try:
        angles = stance_angles(robot, stance)
    except Unreachable as error:
        pose = f"in this pose the foot of {error.leg} is out of reach, {error.limit}"
        document.fault(f"{pose}: change the height, feet_out_along_mm, feet_out_across_mm or the limit", section, key)
        return
    except ValueError as error:  # Limits so odd that no foot gets below its hip.
        document.fault(str(error), section, key)
        return
    if robot.body is None or robot.clearance is None:
        return
    gap = Clearance(robot).least(angles)
    if gap.distance < robot.clearance:
        pose = f"in this pose {' and '.join(gap.parts)} are {1000 * gap.distance:.1f} mm apart"
        wanted = f"clearance_mm is {document.value('clearance_mm')}"
        document.fault(f"{pose}, {wanted}: change the height, or move the feet outward", section, key)


def _check_order(document: Document, *key: Any) -> None:
    if document.sound(*key):
        low, high = document.value(*key)
        if low >= high:
            document.fault(f"write the lower one first: [{high}, {low}]", *key)


def _channels(document: Document) -> set[int]:
    keys = [("servos", name, "channel") for name in JOINT_NAMES]
    return {int(document.value(*key)) for key in keys if document.sound(*key)}


def _section(document: Document, name: str) -> dict[str, Any]:
    """The entries of a section whose names are the maker's own."""
    section = document.value(name)
    return section if isinstance(section, dict) else {}
