"""Robot file -> Robot. Every fault of the file is told at once, with its line and what would be right."""

from __future__ import annotations

import math
from pathlib import Path

from quadleg.errors import Fault, RobotFileError
from quadleg.gait.derived_gaits import derived_gaits, gait_figures
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
from quadleg.robot_file.contradictions import MASS_PARTS, check_keys, check_robot, is_calibrated, limits_deg
from quadleg.robot_file.robot_schema import robot_schema
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
    document = Document(Path(path), text, robot_schema())
    check_keys(document)
    robot = _robot_of(document)
    check_robot(document, robot)
    if document.faults:
        raise RobotFileError(document.faults)
    return robot


def unchecked_robot(text: str, path: Path | str) -> RobotModel:
    """The robot of a text, with None for each part whose keys have faults; contradictions are not looked for."""
    return _robot_of(Document(Path(path), text, robot_schema()))


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


def _robot_of(document: Document) -> RobotModel:
    part = document.attempt
    return RobotModel(
        name=part(Document.value, "name"),
        path=document.path,
        body=part(_body),
        legs=part(_legs),
        masses=part(_masses),
        board=part(_board),
        supply=part(_supply),
        control_rate=part(Document.si, "control", "rate_hz"),
        standing=part(_standing),
        resting=part(_resting),
        clearance=part(Document.si, "clearance_mm"),
        frames=part(_frames),
        gaits=part(_gaits),
        tip_angle=part(_tip_angle),
        imu=part(_imu),
    )


def _body(document: Document) -> BodyBox:
    length, width, height = (document.si("body", f"{side}_mm") for side in ("length", "width", "height"))
    return document.build(BodyBox, "body", size=(length, width, height))


def _legs(document: Document) -> tuple[Leg, ...]:
    return tuple(_leg(document, name) for name in LEGS)


def _leg(document: Document, name: str) -> Leg:
    along, across = _outward(name)
    apart_along, apart_across = document.si("hip_axes", "apart_along_mm"), document.si("hip_axes", "apart_across_mm")
    abduction, hip, knee = (_joint(document, name, joint) for joint in JOINTS)
    return document.build(
        Leg,
        "leg",
        name=name,
        hip=(along * apart_along / 2, across * apart_across / 2, 0.0),
        hip_offset=across * document.si("leg", "hip_offset_mm"),
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
    per_radian = servo["us_per_degree"] / 1e6 / math.radians(1)
    return document.build(Servo, "servos", name, kind=kind, pulse_per_radian=per_radian)


def _guessed(kind: ServoKind, channel: int, lower_deg: float, upper_deg: float) -> Servo:
    """A servo before its calibration."""
    shortest, longest = kind.pulse_range
    per_radian = (longest - shortest) / kind.turn
    zero = (shortest + longest) / 2 - per_radian * math.radians((lower_deg + upper_deg) / 2)
    return Servo(kind, channel, zero, per_radian, kind.pulse_range, calibrated=False)


def _kind(document: Document, name: str) -> ServoKind:
    speed = math.radians(60) / document.value("servo_kinds", name, "seconds_per_60_deg")
    return document.build(ServoKind, "servo_kinds", name, name=name, no_load_speed=speed)


def _masses(document: Document) -> Masses:
    if MASS_PARTS[0] in document.value("mass"):
        return document.build(Masses, "mass", assumed=False)
    total = document.si("mass", "total_g")
    abductor, upper, lower = (share * total for share in (ABDUCTOR_SHARE, UPPER_SHARE, LOWER_SHARE))
    return Masses(total - 4 * (abductor + upper + lower), abductor, upper, lower, assumed=True)


def _board(document: Document) -> BoardSettings:
    enable = None
    if "output_enable" in document.value("board"):
        enable = document.build(OutputEnable, "board", "output_enable")
    return document.build(BoardSettings, "board", output_enable=enable)


def _supply(document: Document) -> Supply:
    supply = document.value("supply")
    low_share = supply["low_v"] / supply["voltage_v"] if "low_v" in supply else LOW_SUPPLY_SHARE
    sensor = document.build(PowerSensor, "supply", "sensor") if "sensor" in supply else None
    return document.build(Supply, "supply", low_share=low_share, sensor=sensor)


def _imu(document: Document) -> ImuChip | None:
    return document.build(ImuChip, "imu") if document.value("imu") else None


def _standing(document: Document) -> Stance:
    return _stance(document, "stance", "standing_height_mm")


def _resting(document: Document) -> Stance:
    return _stance(document, "resting", "height_mm")


def _stance(document: Document, section: str, height_key: str) -> Stance:
    """A pose; where its section does not say how far out the feet are, as in `stance`."""
    out = {**document.value("stance"), **document.value(section)}
    axes, leg = document.value("hip_axes"), document.value("leg")
    x = axes["apart_along_mm"] / 2 + out["feet_out_along_mm"]
    y = axes["apart_across_mm"] / 2 + leg["hip_offset_mm"] + out["feet_out_across_mm"]
    front_left, front_right, rear_left, rear_right = (
        (along * x / 1000, across * y / 1000, leg["foot_radius_mm"] / 1000) for along, across in map(_outward, LEGS)
    )
    return Stance(document.si(section, height_key), (front_left, front_right, rear_left, rear_right))


def _frames(document: Document) -> tuple[FixedFrame, ...]:
    return tuple(document.build(FixedFrame, "frames", name, name=name) for name in document.value("frames") or ())


def _gaits(document: Document) -> tuple[GaitParameters, ...]:
    """Those of every robot, made to its measure, with what the file changes in them, then the file's own."""
    written = document.value("gaits") or {}
    leg, voltage = document.value("leg"), document.value("supply", "voltage_v")
    kinds = [_kind(document, document.value("servos", joint)["kind"]) for joint in JOINT_NAMES]
    usual = derived_gaits(
        straight_leg=(leg["upper_leg_mm"] + leg["lower_leg_mm"]) / 1000,
        hip_height=document.si("stance", "standing_height_mm"),
        no_load_speed=min(kind.no_load_speed_at(voltage) for kind in kinds),
    )
    known = {gait.name: gait for gait in usual}
    return tuple(_gait(document, name, known.get(name)) for name in {**known, **written})


def _gait(document: Document, name: str, usual: GaitParameters | None) -> GaitParameters:
    duty_factor, phases, _ = gait_figures(name, document.value("gaits", name) or {})
    otherwise = vars(usual) if usual else {"margin": None}
    written = document.fields(GaitParameters, "gaits", name)
    return GaitParameters(**{**otherwise, **written, "name": name, "duty_factor": duty_factor, "phases": phases})


def _tip_angle(document: Document) -> float:
    angle: float | None = document.si("stance", "tip_angle_deg")
    return TIP_ANGLE if angle is None else angle
