"""Robot file -> Robot. Every fault of the file is told at once, with its line and what would be right."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from importlib.resources import files
from pathlib import Path
from typing import Any

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.errors import Fault, RobotFileError
from quadleg.gait.derived_gaits import derived_gaits, gait_figures
from quadleg.geometry.vectors import Vector
from quadleg.robot.model import (
    JOINT_NAMES,
    JOINTS,
    LEGS,
    LOW_SUPPLY_SHARE,
    TIP_ANGLE,
    BoardSettings,
    BodyBox,
    FixedFrame,
    GaitParameters,
    ImuChip,
    Joint,
    Leg,
    Masses,
    OutputEnable,
    PowerSensor,
    RobotModel,
    Servo,
    ServoKind,
    Stance,
    Supply,
)
from quadleg.robot_file.contradictions import (
    MASS_PARTS,
    check_keys,
    check_robot,
    is_calibrated,
    limits_deg,
)
from quadleg.robot_file.schema_document import Document, read_text
from quadleg.shipped import config_folder

# How a total mass is split when the parts were not weighed (common practice, no source): each leg is about
# a seventh of the robot, most of it servos, which ride on the abductor and on the upper leg.
ABDUCTOR_SHARE, UPPER_SHARE, LOWER_SHARE = 0.045, 0.07, 0.035

DEFAULT_ROBOT = "greenhouse_inspector"


def load_robot(path: Path | str) -> RobotModel:
    """The robot that the file at `path` describes.

    Raises RobotFileError with every fault found: syntax, keys, types, ranges, contradictions between
    keys, and a standing or resting pose that is out of reach or too tight. A contradiction is looked
    for wherever the keys it needs are sound, whatever else is wrong.
    """
    return robot_from_text(read_text(Path(path)), path)


def robot_from_text(text: str, path: Path | str) -> RobotModel:
    """The robot that a robot file's text describes, for one that is not on the disk; `path` names it in faults.

    Raises RobotFileError, as `load_robot` does.
    """
    schema = json.loads(files("quadleg.robot_file").joinpath("robot_file.schema.json").read_text(encoding="utf-8"))
    document = Document(Path(path), text, schema)
    check_keys(document)
    robot = _robot(document)
    check_robot(document, robot)
    if document.faults:
        raise RobotFileError(document.faults)
    return robot


def find_robot(name_or_path: Path | str) -> Path:
    """The robot file at a path, or the one of that name (without `.yaml`) that quadleg ships.

    Raises RobotFileError, with the names there are, where there is neither.
    """
    path, shipped = Path(name_or_path), shipped_robots()
    if path.is_file():
        return path
    if str(name_or_path) in shipped:
        return shipped[str(name_or_path)]
    found = "this is a folder" if path.is_dir() else "there is no such file"
    there = f"it ships {', '.join(shipped)}" if shipped else f"it finds none in {config_folder()}: install it again"
    remedy = f"{found}, and quadleg ships no robot of that name; {there}"
    raise RobotFileError([Fault(path, 1, "", None, remedy)])


def shipped_robots() -> dict[str, Path]:
    """The robot files that quadleg ships, by name."""
    # ROS parameter files lie in the same folder.
    return {
        file.stem: file
        for file in sorted(config_folder().glob("*.yaml"))
        if "ros__parameters" not in file.read_text(encoding="utf-8")
    }


def _robot(document: Document) -> RobotModel:
    """The robot, with None for each part whose keys have faults: `load_robot` lets no such robot out."""
    part = document.attempt
    return RobotModel(
        name=part(Document.value, "name"),
        path=document.path,
        body=part(_body),
        legs=part(_legs),
        masses=part(_masses),
        board=part(_board),
        supply=part(_supply),
        control_rate=part(_control_rate),
        standing=part(_standing),
        resting=part(_resting),
        clearance=part(_clearance),
        frames=part(_frames),
        gaits=part(_gaits),
        tip_angle=part(_tip_angle),
        imu=part(_imu),
    )


def _body(document: Document) -> BodyBox:
    body = document.value("body")
    size = (body["length_mm"] / 1000, body["width_mm"] / 1000, body["height_mm"] / 1000)
    return BodyBox(size, _metres(body["centre_mm"]))


def _legs(document: Document) -> tuple[Leg, ...]:
    return tuple(_leg(document, name) for name in LEGS)


def _leg(document: Document, name: str) -> Leg:
    along, across = _outward(name)
    size, axes = document.value("leg"), document.value("hip_axes")
    abduction, hip, knee = (_joint(document, name, joint) for joint in JOINTS)
    return Leg(
        name=name,
        hip=(along * axes["apart_along_mm"] / 2000, across * axes["apart_across_mm"] / 2000, 0.0),
        hip_offset=across * size["hip_offset_mm"] / 1000,
        upper_length=size["upper_leg_mm"] / 1000,
        lower_length=size["lower_leg_mm"] / 1000,
        foot_radius=size["foot_radius_mm"] / 1000,
        link_radius=size["link_radius_mm"] / 1000,
        knee_sign=-1 if document.value("knee_points", name.split("_", 1)[0]) == "rearward" else 1,
        joints=(abduction, hip, knee),
    )


def _outward(leg: str) -> tuple[int, int]:
    """Signs of x and y that lead away from the middle of the robot at that leg."""
    return 1 if leg.startswith("front") else -1, 1 if leg.endswith("left") else -1


def _joint(document: Document, leg: str, joint: str) -> Joint:
    lower, upper = limits_deg(document, leg, joint)
    # The geometry is checked though a servo has faults.
    servo = document.attempt(_servo, f"{leg}_{joint}")
    return Joint(f"{leg}_{joint}", math.radians(lower), math.radians(upper), servo)


def _servo(document: Document, name: str) -> Servo:
    servo = document.value("servos", name)
    kind = _kind(document, servo["kind"])
    if not is_calibrated(document, name):
        return _guessed(kind, int(servo["channel"]), *limits_deg(document, *name.rsplit("_", 1)))
    return Servo(
        kind=kind,
        channel=int(servo["channel"]),
        pulse_at_zero=servo["pulse_at_zero_us"] / 1e6,
        pulse_per_radian=servo["us_per_degree"] / 1e6 / math.radians(1),
        stops=_seconds(servo["stops_us"]),
    )


def _guessed(kind: ServoKind, channel: int, lower_deg: float, upper_deg: float) -> Servo:
    """A servo before its calibration."""
    shortest, longest = kind.pulse_range
    per_radian = (longest - shortest) / kind.turn
    zero = (shortest + longest) / 2 - per_radian * math.radians((lower_deg + upper_deg) / 2)
    return Servo(kind, channel, zero, per_radian, kind.pulse_range, calibrated=False)


def _kind(document: Document, name: str) -> ServoKind:
    kind = document.value("servo_kinds", name)
    return ServoKind(
        name=name,
        stall_torque=kind["stall_torque_kg_cm"] * STANDARD_GRAVITY / 100,
        no_load_speed=math.radians(60) / kind["seconds_per_60_deg"],
        voltage=float(kind["at_voltage_v"]),
        pulse_range=_seconds(kind["pulse_range_us"]),
        deadband=kind["deadband_us"] / 1e6,
        idle_current=float(kind["idle_current_a"]),
        stall_current=float(kind["stall_current_a"]),
        turn=math.radians(kind.get("turn_deg", 180.0)),
        holds_without_pulses=kind.get("holds_without_pulses", False),
        thermal_resistance=kind.get("thermal_resistance_k_w"),
        thermal_time=kind.get("thermal_time_s"),
    )


def _masses(document: Document) -> Masses:
    mass = document.value("mass")
    if MASS_PARTS[0] in mass:
        body, abductor, upper, lower = (mass[part] / 1000 for part in MASS_PARTS)
        return Masses(body, abductor, upper, lower, assumed=False)
    total = mass["total_g"] / 1000
    abductor, upper, lower = (share * total for share in (ABDUCTOR_SHARE, UPPER_SHARE, LOWER_SHARE))
    return Masses(total - 4 * (abductor + upper + lower), abductor, upper, lower, assumed=True)


def _board(document: Document) -> BoardSettings:
    board = document.value("board")
    enable = board.get("output_enable")
    return BoardSettings(
        kind=board["kind"],
        address=int(board["address"]),
        frequency=float(board["frequency_hz"]),
        clock=board["clock_mhz"] * 1e6,
        bus_speed=board["bus_khz"] * 1e3,
        i2c_bus=int(board.get("i2c_bus", BoardSettings.i2c_bus)),
        port=board.get("port", ""),
        baud=int(board.get("baud", BoardSettings.baud)),
        output_enable=OutputEnable(enable["gpio_chip"], int(enable["line"])) if enable else None,
    )


def _supply(document: Document) -> Supply:
    supply = document.value("supply")
    voltage = float(supply["voltage_v"])
    low_share = supply["low_v"] / voltage if "low_v" in supply else LOW_SUPPLY_SHARE
    sensor = supply.get("sensor")

    def figure(key: str, unit: float) -> float | None:
        return supply[key] * unit if key in supply else None

    return Supply(
        voltage=voltage,
        rated_current=float(supply["rated_current_a"]),
        low_share=low_share,
        fuse=figure("fuse_a", 1.0),
        wire_area=figure("wire_mm2", 1e-6),
        wire_length=figure("wire_m", 1.0),
        battery=figure("battery_ah", 3600.0),
        sensor=PowerSensor(sensor["kind"], int(sensor["address"]), sensor["shunt_mohm"] / 1000) if sensor else None,
    )


def _imu(document: Document) -> ImuChip | None:
    imu = document.value("imu")
    return imu and ImuChip(imu["kind"], int(imu["address"]), _radians(imu.get("gyro_bias_deg_s", (0.0, 0.0, 0.0))))


def _control_rate(document: Document) -> float:
    return float(document.value("control", "rate_hz"))


def _clearance(document: Document) -> float:
    return float(document.value("clearance_mm")) / 1000


def _standing(document: Document) -> Stance:
    stance = document.value("stance")
    return _stance(document, stance["standing_height_mm"], stance)


def _resting(document: Document) -> Stance:
    resting = document.value("resting")
    return _stance(document, resting["height_mm"], document.value("stance") | resting)


def _stance(document: Document, height_mm: float, feet: dict[str, float]) -> Stance:
    axes, leg = document.value("hip_axes"), document.value("leg")
    x = axes["apart_along_mm"] / 2 + feet["feet_out_along_mm"]
    y = axes["apart_across_mm"] / 2 + leg["hip_offset_mm"] + feet["feet_out_across_mm"]
    front_left, front_right, rear_left, rear_right = (
        _metres((along * x, across * y, leg["foot_radius_mm"])) for along, across in map(_outward, LEGS)
    )
    return Stance(height_mm / 1000, (front_left, front_right, rear_left, rear_right))


def _frames(document: Document) -> tuple[FixedFrame, ...]:
    return tuple(
        FixedFrame(name, _metres(frame["xyz_mm"]), _radians(frame["rpy_deg"]), frame["mass_g"] / 1000)
        for name, frame in (document.value("frames") or {}).items()
    )


def _gaits(document: Document) -> tuple[GaitParameters, ...]:
    """Those of every robot, made to its measure, with what the file changes in them, then the file's own."""
    written = document.value("gaits") or {}
    leg, voltage = document.value("leg"), document.value("supply", "voltage_v")
    kinds = [_kind(document, document.value("servos", joint)["kind"]) for joint in JOINT_NAMES]
    usual = derived_gaits(
        straight_leg=(leg["upper_leg_mm"] + leg["lower_leg_mm"]) / 1000,
        hip_height=document.value("stance")["standing_height_mm"] / 1000,
        no_load_speed=min(kind.no_load_speed_at(voltage) for kind in kinds),
    )
    known = {gait.name: gait for gait in usual}
    return tuple(_gait(name, written.get(name, {}), known.get(name)) for name in {**known, **written})


def _gait(name: str, keys: dict[str, Any], usual: GaitParameters | None) -> GaitParameters:
    duty_factor, phases, sways = gait_figures(name, keys)

    def figure(key: str, scale: float, otherwise: float | None) -> Any:
        return keys[key] / scale if key in keys else otherwise

    return GaitParameters(
        name=name,
        duty_factor=duty_factor,
        phases=phases,
        stride_period=figure("stride_period_s", 1, usual.stride_period if usual else None),
        foot_clearance=figure("foot_clearance_mm", 1000, usual.foot_clearance if usual else None),
        margin=figure("margin_mm", 1000, usual.margin if usual and sways else None),
    )


def _tip_angle(document: Document) -> float:
    angle = document.value("stance", "tip_angle_deg")
    return TIP_ANGLE if angle is None else math.radians(angle)


def _metres(millimetres: Iterable[float]) -> Vector:
    x, y, z = (value / 1000 for value in millimetres)
    return x, y, z


def _radians(degrees: Iterable[float]) -> Vector:
    roll, pitch, yaw = (math.radians(value) for value in degrees)
    return roll, pitch, yaw


def _seconds(microseconds: Iterable[float]) -> tuple[float, float]:
    shortest, longest = (value / 1e6 for value in microseconds)
    return shortest, longest
