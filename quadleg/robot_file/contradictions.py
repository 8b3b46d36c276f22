"""The contradictions of a robot file: between its keys, and between its poses and what the legs reach."""

from __future__ import annotations

from math import ceil, floor
from typing import Any

from quadleg.gait.derived_gaits import DEFAULT_GAITS, NEEDED, gait_fault, gait_figures
from quadleg.hardware.pca9685 import COUNTS, PRE_SCALE_RANGE
from quadleg.hardware.sensor_kinds import SENSOR_ROLES, SUPPLY, SensorRole
from quadleg.robot.model import JOINT_NAMES, LEGS, RobotModel
from quadleg.robot_file.reachable_poses import pose_fault, rise_fault
from quadleg.robot_file.robot_schema import NEEDED_FOR, robot_schema
from quadleg.robot_file.schema_document import Document

MASS_PARTS = ("body_g", "abductor_g", "upper_leg_g", "lower_leg_g")

# Names that a frame cannot have: the links of the URDF and the frames of REP-105.
_TAKEN = {
    *("map", "odom", "base_footprint", "base_link"),
    *(f"{leg}_{link}" for leg in LEGS for link in ("abductor", "upper", "lower", "foot")),
}

# A whole gram is what kitchen scales show: half a gram is lost in each of the total and thirteen parts.
_SCALE_ERROR_G = 7

# A section of joint limits that are all less was written in radians.
_LEAST_DEGREES = 4

# us_per_degree has a few digits only; a servo takes no notice of less than this.
_PULSE_ERROR_US = 1

# What a calibration finds of a servo.
CALIBRATION = {"pulse_at_zero_us", "us_per_degree", "stops_us"}

# NXP, PCA9685 data sheet rev. 4, 7.3.7: the address to which every such board answers after its power-up.
_ALL_CALL = 0x70


def check_keys(document: Document) -> None:
    """Add to `document` the contradictions between its keys; each check needs the keys that it reads sound."""
    attempt = document.attempt
    attempt(_check_degrees)
    for pair in ("front", "rear"):
        attempt(_check_knee, pair)
    for name in JOINT_NAMES:
        attempt(_check_kind, name)
        attempt(_check_calibration, name)
        if attempt(is_calibrated, name):
            attempt(_check_stops, name)
            attempt(_check_travel, name)
    _check_channels(document)
    attempt(_check_prescale)
    attempt(_check_period)
    attempt(_check_bus)
    attempt(_check_keys_of_board)
    attempt(_check_low_supply)
    attempt(_check_addresses)
    for role in SENSOR_ROLES:
        attempt(_check_address_of_kind, role)
    attempt(_check_sensor_range)
    attempt(_check_masses)
    attempt(_check_frames)
    for name in attempt(Document.names, "gaits") or ():
        attempt(_check_gait, name)
    attempt(_check_resting)
    attempt(_check_belly)


def check_robot(document: Document, robot: RobotModel) -> None:
    """Add to `document` frames too heavy for the body, and poses out of reach, too tight or in the ground.

    `robot` may lack parts: what needs them is not checked.
    """
    if robot.masses is not None and robot.frames is not None:
        _check_frame_masses(document, robot)
    if robot.legs is None:
        return
    good = robot.standing is not None and robot.resting is not None
    for section, key, stance, below in (
        ("stance", "standing_height_mm", robot.standing, None),
        ("resting", "height_mm", robot.resting, robot.standing),
    ):
        if stance is not None and (fault := pose_fault(robot, stance, key, below)):
            document.fault(fault, section, key)
            good = False
    if good and (fault := rise_fault(robot)):
        document.fault(fault, "resting", "height_mm")


def limits_deg(document: Document, leg: str, joint: str) -> tuple[float, float]:
    """Lower and upper limit of a joint in degrees by the right-hand rule: the file gives the left legs'."""
    lower, upper = document.value("joint_limits_deg", leg.split("_", 1)[0], joint)
    return (-upper, -lower) if _is_mirrored(leg, joint) else (lower, upper)


def is_calibrated(document: Document, name: str) -> bool:
    """Whether the servo of a joint has the figures that a calibration finds."""
    return document.value("servos", name).keys() >= CALIBRATION


def _is_mirrored(leg: str, joint: str) -> bool:
    return joint == "abduction" and leg.endswith("right")


def _check_degrees(document: Document) -> None:
    pairs = document.value("joint_limits_deg").values()
    if all(abs(limit) < _LEAST_DEGREES for pair in pairs for limits in pair.values() for limit in limits):
        document.fault("these look like radians: write degrees, 57.3 to a radian", "joint_limits_deg")


def _check_knee(document: Document, pair: str) -> None:
    knee = ("joint_limits_deg", pair, "knee")
    lower, upper = document.value(*knee)
    points = document.value("knee_points", pair)
    if points == "rearward" and upper > 0:
        remedy = f"a knee that points rearward has negative angles (knee_points.{pair}): end at 0 or below"
        document.fault(remedy, *knee)
    if points == "forward" and lower < 0:
        remedy = f"a knee that points forward has positive angles (knee_points.{pair}): begin at 0 or above"
        document.fault(remedy, *knee)


def _check_kind(document: Document, name: str) -> None:
    kinds = document.names("servo_kinds")
    if document.value("servos", name, "kind") not in kinds:
        remedy = f"not in servo_kinds: write one of {', '.join(map(str, kinds))}"
        document.fault(remedy, "servos", name, "kind")


def _check_calibration(document: Document, name: str) -> None:
    missing = CALIBRATION - document.value("servos", name).keys()
    if missing and missing != CALIBRATION:
        are = "is" if len(missing) == 1 else "are"
        remedy = f"calibrated in part: {' and '.join(sorted(missing))} {are} missing; give all three, or none"
        document.fault(remedy, "servos", name)


def _check_stops(document: Document, name: str) -> None:
    """The stops lie within the pulses that the kind takes."""
    kind = document.value("servos", name, "kind")
    low, high = document.value("servos", name, "stops_us")
    shortest, longest = document.value("servo_kinds", kind, "pulse_range_us")
    if low < shortest or high > longest:
        remedy = f"outside the pulses of {kind}: keep the stops within {shortest} to {longest} µs"
        document.fault(remedy, "servos", name, "stops_us")


def _check_travel(document: Document, name: str) -> None:
    """The joint's limits need pulses that lie within the servo's stops."""
    leg, joint = name.rsplit("_", 1)
    limits = ("joint_limits_deg", leg.split("_", 1)[0], joint)
    figures = ("pulse_at_zero_us", "us_per_degree", "stops_us")
    zero, slope, (low, high) = (document.value("servos", name, figure) for figure in figures)
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
    channels = _figures(document, "channel")
    free = [number for number in range(16) if number not in channels.values()]
    owners: dict[int, str] = {}
    for name, channel in channels.items():
        if channel in owners:
            remedy = f"also the channel of {owners[channel]}: give each joint its own, free are {free}"
            document.fault(remedy, "servos", name, "channel")
        owners.setdefault(channel, name)


def _check_prescale(document: Document) -> None:
    frequency, clock = document.value("board", "frequency_hz"), document.value("board", "clock_mhz") * 1e6
    # NXP, PCA9685 data sheet, rev. 4, section 7.3.5.
    prescale = round(clock / (COUNTS * frequency)) - 1
    least, most = PRE_SCALE_RANGE
    if not least <= prescale <= most:
        slowest, fastest = clock / COUNTS / (most + 1), clock / COUNTS / (least + 1)
        remedy = f"this needs a prescale of {prescale}, the board takes {least} to {most}"
        document.fault(f"{remedy}: write {ceil(slowest)} to {floor(fastest)}", "board", "frequency_hz")


def _check_period(document: Document) -> None:
    """The longest pulse fits into the period."""
    frequency = document.value("board", "frequency_hz")
    longest = max((high for _, high in _figures(document, "stops_us").values()), default=0)
    if longest * frequency > 1e6:
        remedy = f"this leaves {1e6 / frequency:.0f} µs for a pulse, and stops_us go up to {longest} µs"
        document.fault(f"{remedy}: write {floor(1e6 / longest)} or less", "board", "frequency_hz")


def _check_bus(document: Document) -> None:
    speed, rate = document.value("board", "bus_khz"), document.value("control", "rate_hz")
    channels = _figures(document, "channel").values() or (0,)
    # Address, register, then four registers for every channel of one contiguous block; nine bits a byte.
    bits = 9 * (2 + 4 * (int(max(channels)) - int(min(channels)) + 1))
    if bits * rate > 1000 * speed:
        needed = f"a frame has {bits} bits and control.rate_hz is {rate}"
        document.fault(f"too slow, {needed}: write {ceil(bits * rate / 1000)} or more", "board", "bus_khz")


def _check_keys_of_board(document: Document) -> None:
    """A kind of board has the keys that it cannot do without."""
    board = document.value("board")
    for key, part in robot_schema()["properties"]["board"]["properties"].items():
        if board["kind"] in part.get(NEEDED_FOR, ()) and key not in board:
            remedy = f"the kind {board['kind']} needs its `{key}` too ({part['description']}): add that key"
            document.fault(remedy, "board", "kind")


def _check_low_supply(document: Document) -> None:
    supply = document.value("supply")
    if "low_v" in supply and supply["low_v"] >= supply["voltage_v"]:
        remedy = f"the supply would always be low: write less than {supply['voltage_v']}, the voltage_v"
        document.fault(remedy, "supply", "low_v")


def _check_addresses(document: Document) -> None:
    """Each chip on the bus has an address of its own."""
    owners = {_ALL_CALL: "the PWM board answers there to every call"}
    sensors = ((role.section, f"the {role.name}") for role in SENSOR_ROLES)
    for key, chip in ((("board",), "the PWM board"), *sensors):
        section = document.value(*key)
        if section is None:
            continue
        address = section["address"]
        if address in owners:
            remedy = f"0x{address:02X} is taken: {owners[address]}; set one of them to another by its jumpers"
            document.fault(remedy, *key, "address")
        owners.setdefault(address, f"{chip} has it")


def _check_address_of_kind(document: Document, role: SensorRole[Any]) -> None:
    """A sensor's address is one that its chip can have: the schema allows those of every kind."""
    section = document.value(*role.section)
    if section is None:
        return
    addresses = role.kinds[section["kind"]].addresses
    if section["address"] not in addresses:
        right = f"0x{addresses[0]:02X} to 0x{addresses[-1]:02X} would be right"
        remedy = f"the kind {section['kind']} has no such address: {right}"
        document.fault(remedy, *role.section, "address")


def _check_sensor_range(document: Document) -> None:
    """The sensor measures all that the fuse lets through."""
    supply = document.value("supply")
    if "sensor" not in supply:
        return
    key = "fuse_a" if "fuse_a" in supply else "rated_current_a"
    across = SUPPLY.kinds[supply["sensor"]["kind"]].shunt_range
    measured = 1000 * across / supply["sensor"]["shunt_mohm"]
    if measured < supply[key]:
        largest = 1000 * across / supply[key]
        remedy = f"with it the sensor measures up to {measured:.1f} A only, and {key} is {supply[key]:g}"
        document.fault(f"{remedy}: {largest:.2g} or less would be right", "supply", "sensor", "shunt_mohm")


def _check_masses(document: Document) -> None:
    mass = document.value("mass")
    if MASS_PARTS[0] not in mass:
        return
    body, *leg = (mass[part] for part in MASS_PARTS)
    total = body + 4 * sum(leg)
    if abs(total - mass["total_g"]) > _SCALE_ERROR_G:
        remedy = f"body and four times the parts of a leg make {total:g}: weigh again, or give the total alone"
        document.fault(remedy, "mass", "total_g")


def _check_frames(document: Document) -> None:
    for name in document.names("frames"):
        if name in _TAKEN:
            document.fault("a name that the robot itself uses: give the frame another", "frames", name)


def _check_gait(document: Document, name: str) -> None:
    keys = document.value("gaits", name)
    missing = [] if name in DEFAULT_GAITS else [key for key in NEEDED if key not in keys]
    for key in missing:
        remedy = f"missing: only {' and '.join(DEFAULT_GAITS)} have it already, so write `{key}:`"
        document.fault(remedy, "gaits", name, key)
    if missing:
        return
    duty_factor, phases, sways = gait_figures(name, keys)
    if fault := gait_fault(duty_factor, phases, sways):
        remedy = "raise duty_factor, or change phases"
        document.fault(f"{fault}; {remedy}", "gaits", name, "phases" if "phases" in keys else "duty_factor")


def _check_resting(document: Document) -> None:
    standing = document.value("stance", "standing_height_mm")
    if document.value("resting", "height_mm") >= standing:
        remedy = f"the robot rests lower than it stands: write less than {standing}, the standing_height_mm"
        document.fault(remedy, "resting", "height_mm")


def _check_belly(document: Document) -> None:
    body = document.value("body")
    belly = body["height_mm"] / 2 - body["centre_mm"][2]
    if document.value("resting", "height_mm") < belly:
        document.fault(f"the belly would be below the ground: write {belly:g} or more", "resting", "height_mm")


def _check_frame_masses(document: Document, robot: RobotModel) -> None:
    fixed = sum(frame.mass for frame in robot.frames)
    if fixed >= robot.masses.body:
        remedy = f"mass_g add up to {1000 * fixed:g}, and the body with them has {1000 * robot.masses.body:g}"
        document.fault(f"{remedy}: write less, or more for the mass of the robot", "frames")


def _figures(document: Document, figure: str) -> dict[str, Any]:
    """One figure of every servo that has it sound, by the joint's name."""
    figures = {name: document.attempt(Document.value, "servos", name, figure) for name in JOINT_NAMES}
    return {name: value for name, value in figures.items() if value is not None}
