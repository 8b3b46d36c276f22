"""The robot file: what a sound one becomes, and that every fault is told, with its line, all at once."""

from __future__ import annotations

import contextlib
import copy
import json
import math
import os
import random
import re
from collections.abc import Iterator
from dataclasses import fields, replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis_settings import examples, is_long_run
from jsonschema import Draft202012Validator
from ruamel.yaml import YAML
from ruamel.yaml.nodes import MappingNode, Node
from sample_robots import digger, inspector

from quadleg import shipped
from quadleg.errors import Fault, RobotFileError
from quadleg.hardware.ina226 import SHUNT_RANGE
from quadleg.hardware.sensor_kinds import IMU, SENSOR_ROLES, SensorRole
from quadleg.robot.model import (
    JOINT_NAMES,
    BoardSettings,
    BodyBox,
    FixedFrame,
    GaitParameters,
    ImuChip,
    Leg,
    Masses,
    OutputEnable,
    PowerSensor,
    RobotModel,
    Servo,
    ServoKind,
    Supply,
)
from quadleg.robot.urdf import urdf
from quadleg.robot_file.load import find_robot, load_robot, shipped_robots
from quadleg.robot_file.maker_units import without_unit
from quadleg.robot_file.robot_schema import robot_schema
from quadleg.robot_file.schema_document import FIELD, Document

CONFIG = Path(__file__).parents[1] / "config"
INSPECTOR = CONFIG / "greenhouse_inspector.yaml"
DIGGER = Path(__file__).parent / "data" / "digger.yaml"
TEXT = INSPECTOR.read_text(encoding="utf-8")


def edited(*edits: tuple[str, str]) -> str:
    """The demo robot's file with each first text replaced by the second; the first must be there."""
    text = TEXT
    for old, new in edits:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def loaded(folder: Path, text: str) -> RobotModel:
    """The robot of a file with this text."""
    path = folder / "robot.yaml"
    path.write_text(text, encoding="utf-8")
    return load_robot(path)


def faults_of(folder: Path, text: str) -> list[Fault]:
    with pytest.raises(RobotFileError) as caught:
        loaded(folder, text)
    assert all(fault.file == folder / "robot.yaml" for fault in caught.value.faults)
    assert all(str(fault) in str(caught.value) for fault in caught.value.faults)
    return caught.value.faults


def line_of(text: str, mark: str = "#!") -> int:
    """The line of the one mark in a text."""
    assert text.count(mark) == 1
    return text[: text.index(mark)].count("\n") + 1


def servo(name: str) -> str:
    """That servo's line in the demo robot's file."""
    return next(line for line in TEXT.splitlines() if line.startswith(f"  {name}:"))


def servo_edit(name: str, old: str, new: str) -> tuple[str, str]:
    line = servo(name)
    assert old in line
    return line, line.replace(old, new) + " #!"


# --- sound files ---------------------------------------------------------------------------------------


def numbers(value: object) -> Any:
    """A frozen dataclass as nested lists and scalars, so that approx can compare it."""
    if hasattr(value, "__dataclass_fields__"):
        return {name: numbers(getattr(value, name)) for name in value.__dataclass_fields__}
    return [numbers(item) for item in value] if isinstance(value, tuple) else value


def assert_alike(first: Any, second: Any, tolerance: float, where: str = "") -> None:
    if isinstance(first, dict):
        for key in first.keys() | second.keys():
            assert_alike(first[key], second[key], tolerance, f"{where}.{key}")
    elif isinstance(first, list):
        assert len(first) == len(second), where
        for index, pair in enumerate(zip(first, second)):
            assert_alike(*pair, tolerance, f"{where}[{index}]")
    elif isinstance(first, float):
        assert first == pytest.approx(second, rel=tolerance, abs=1e-12), where
    else:
        assert first == second, where


def test_digger_is_the_robot_built_in_code() -> None:
    built = digger()
    built = replace(built, path=DIGGER, masses=replace(built.masses, assumed=False))
    # 1e-5: the code's yaw of 1.5708 for 90 degrees, and seconds per 60 degrees written with seven digits.
    assert_alike(numbers(load_robot(DIGGER)), numbers(built), 1e-5)


def test_demo_robot_has_the_geometry_built_in_code() -> None:
    loaded, built = load_robot(INSPECTOR), inspector()
    for part in (
        "body",
        "masses",
        "board",
        "supply",
        "standing",
        "resting",
        "clearance",
        "control_rate",
        "frames",
    ):
        assert_alike(numbers(getattr(loaded, part)), numbers(getattr(built, part)), 1e-9, part)
    for own, other in zip(loaded.legs, built.legs):
        assert_alike(numbers(replace(own, joints=())), numbers(replace(other, joints=())), 1e-9, own.name)
        for joint, wanted in zip(own.joints, other.joints):
            assert (joint.name, joint.servo.channel) == (wanted.name, wanted.servo.channel)
            assert (joint.lower, joint.upper) == pytest.approx((wanted.lower, wanted.upper))


def test_units_are_si() -> None:
    kind = load_robot(INSPECTOR).joints[0].servo.kind
    # 1 kgf·cm = 0.0980665 N·m: standard gravity, 3rd CGPM (1901).
    assert kind.stall_torque == pytest.approx(10 * 0.0980665)
    assert kind.no_load_speed == pytest.approx(math.pi / 3 / 0.161)
    assert kind.pulse_range == pytest.approx((0.0005, 0.0025))
    knee = load_robot(INSPECTOR).joints[2].servo
    assert knee.pulse_at_zero + knee.pulse_per_radian * math.radians(-82.5) == pytest.approx(0.0015, abs=1e-7)


def test_abduction_limits_are_mirrored_on_the_right() -> None:
    left, right = (load_robot(INSPECTOR).leg(name).joints[0] for name in ("rear_left", "rear_right"))
    assert (left.lower, left.upper) == pytest.approx((math.radians(-30), math.radians(45)))
    assert (right.lower, right.upper) == pytest.approx((math.radians(-45), math.radians(30)))


def test_total_mass_alone_is_split_and_said_to_be_assumed(tmp_path: Path) -> None:
    parts = ("body_g", "abductor_g", "upper_leg_g", "lower_leg_g")
    lines = [line for line in TEXT.splitlines() if not line.strip().startswith(parts)]
    masses = loaded(tmp_path, "\n".join(lines)).masses
    assert masses.assumed
    assert masses.total == pytest.approx(1.5)
    assert min(masses.body, masses.abductor, masses.upper, masses.lower) > 0
    assert not load_robot(INSPECTOR).masses.assumed


def test_resting_feet_are_the_stance_s_unless_given(tmp_path: Path) -> None:
    robot = load_robot(INSPECTOR)
    assert robot.resting.feet == robot.standing.feet
    wider = loaded(tmp_path, edited(("  height_mm: 50 ", "  feet_out_across_mm: 6\n  height_mm: 50 ")))
    assert wider.resting.feet[1] == pytest.approx((0.089, -0.096, 0.008))


def test_a_servo_without_its_calibration_is_guessed_and_said(tmp_path: Path) -> None:
    line = servo("front_left_hip")
    robot = loaded(tmp_path, edited((line, line[: line.index(", pulse_at_zero_us")] + "}")))
    assert robot.uncalibrated == ["front_left_hip"]
    joint = robot.leg("front_left").joints[1]
    middle = joint.servo.pulse_at_zero + joint.servo.pulse_per_radian * (joint.lower + joint.upper) / 2
    assert middle == pytest.approx(1500e-6)
    assert joint.servo.pulse_per_radian == pytest.approx(2000e-6 / math.pi)
    assert joint.servo.stops == pytest.approx((500e-6, 2500e-6))


def test_what_feeds_and_measures_the_servos(tmp_path: Path) -> None:
    more = "fuse_a: 25\n  wire_mm2: 2.5\n  wire_m: 0.5\n  battery_ah: 5\n"
    sensor = "  sensor: {kind: ina226, address: 0x41, shunt_mohm: 2}\n"
    imu = "\nimu: {kind: mpu6050, address: 0x68, gyro_bias_deg_s: [1, 0, -2]}\n"
    robot = loaded(tmp_path, edited(("  rated_current_a: 20", f"  {more}{sensor}  rated_current_a: 20")) + imu)
    supply = robot.supply
    assert (supply.fuse, supply.wire_area, supply.wire_length) == pytest.approx((25.0, 2.5e-6, 0.5))
    assert supply.battery == 18_000.0  # C
    assert supply.sensor is not None
    assert SHUNT_RANGE / supply.sensor.shunt == pytest.approx(40.96)  # INA226 data sheet: 81.92 mV at most; by 2 mΩ
    assert robot.imu is not None
    assert robot.imu.gyro_bias == pytest.approx((math.radians(1), 0.0, math.radians(-2)))


def test_how_servos_warm_up_may_be_given(tmp_path: Path) -> None:
    more = "    thermal_resistance_k_w: 12.5\n    thermal_time_s: 400\n    idle_current_a:"
    kind = loaded(tmp_path, edited(("    idle_current_a:", more))).joints[0].servo.kind
    assert (kind.thermal_resistance, kind.thermal_time) == (12.5, 400.0)
    assert load_robot(find_robot("greenhouse_inspector")).joints[0].servo.kind.thermal_time is None


def test_frames_may_be_left_out(tmp_path: Path) -> None:
    assert loaded(tmp_path, TEXT[: TEXT.index("\nframes:")]).frames == ()


@pytest.mark.parametrize(
    ("old", "new", "line", "says"),
    [
        ("  rear: rearward", "  rear: *side", "  rear: *side", "`*side` refers to another place: write its value here"),
        ("  rear: rearward", "  <<: {rear: rearward}", "<<:", "write those keys here once more"),
        ("  rear: rearward", "  rear: !side rearward", "!side", "is a tag: write the value without it"),
        ("  rear: rearward", "  [rear, *side]: rearward", "[rear", "a list or section stands where a key should"),
        ("  rear: rearward", f"  rear: {'x' * 1001}", "rear: x", "a value of 1001 characters"),
        ("  rear: rearward", f"  rear: {'[' * 25}{']' * 25}", "rear: [", "more than 20 deep"),
        ("  rear: rearward", f"  rear: [{'1,' * 12_000}]", "rear: [", "more than 10000 values"),
    ],
)
def test_what_is_not_plain_is_refused_where_it_stands(old: str, new: str, line: str, says: str, tmp_path: Path) -> None:
    text = edited(("  front: rearward", "  front: &side rearward"), (old, new))
    (fault,) = faults_of(tmp_path, text)
    assert says in fault.remedy
    assert fault.line == line_of(text, line)


def test_a_name_may_be_given_that_nothing_refers_to(tmp_path: Path) -> None:
    robot = loaded(tmp_path, edited(("  front: rearward", "  front: &side !!str rearward")))
    assert {leg.knee_sign for leg in robot.legs} == {-1}


def test_a_file_of_comments_without_end_is_not_read(tmp_path: Path) -> None:
    with pytest.raises(RobotFileError, match="more than 200 kB"):
        loaded(tmp_path, TEXT + "# and so on\n" * 20_000)


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    pipe = tmp_path / "robot.yaml"
    os.mkfifo(pipe)
    with pytest.raises(RobotFileError, match="no file on a disk"):
        load_robot(pipe)


def test_faults_without_number_are_counted_and_not_all_told(tmp_path: Path) -> None:
    lines = "".join(f"  strange_{number}: {{stall_torque_kg_cm: 1}}\n" for number in range(500))
    head, section, rest = TEXT.partition("\nservo_kinds:")
    comment, line_end, kinds = rest.partition("\n")
    with pytest.raises(RobotFileError) as caught:
        loaded(tmp_path, head + section + comment + line_end + lines + kinds)
    assert len(str(caught.value).splitlines()) < 70


def test_a_long_or_strange_value_is_shown_short(tmp_path: Path) -> None:
    (fault,) = faults_of(tmp_path, edited(("length_mm: 200", f"length_mm: 0x{'f' * 900}")))
    assert len(str(fault)) < 400
    faults = faults_of(tmp_path, edited(("name: greenhouse_inspector", 'name: "\\e[2J"')))
    assert "\x1b" not in str(faults[0])


# --- the schema ----------------------------------------------------------------------------------------


def test_the_schema_that_editors_complete_the_demo_s_file_by_is_there() -> None:
    named = re.search(r"yaml-language-server: \$schema=(\S+)", TEXT)
    assert named
    assert json.loads((CONFIG / named[1]).read_text(encoding="utf-8"))["title"] == "quadleg robot file"


def section_of(schema: dict[str, Any], role: SensorRole[Any]) -> dict[str, Any]:
    for name in role.section:
        schema = schema["properties"][name]
    return schema["properties"]


@pytest.mark.parametrize("role", SENSOR_ROLES, ids=lambda role: role.name)
def test_editors_complete_by_the_kinds_of_the_table_and_their_addresses(role: SensorRole[Any]) -> None:
    """What to write into robot_file.schema.json is what `robot_schema` made of hardware/sensor_kinds.py."""
    schema = json.loads(files("quadleg.robot_file").joinpath("robot_file.schema.json").read_text(encoding="utf-8"))
    written, filled_in = section_of(schema, role), section_of(robot_schema(), role)
    assert [written["kind"], written["address"]] == [filled_in["kind"], filled_in["address"]]


def test_a_line_of_the_table_lets_a_robot_file_have_a_chip_at_its_own_addresses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = {"other": replace(IMU.kinds["mpu6050"], addresses=range(0x28, 0x2A))}
    monkeypatch.setattr("quadleg.robot_file.robot_schema.SENSOR_ROLES", (replace(IMU, kinds=IMU.kinds | other),))
    monkeypatch.setattr("quadleg.robot_file.contradictions.SENSOR_ROLES", (replace(IMU, kinds=IMU.kinds | other),))
    robot_schema.cache_clear()
    try:
        robot = loaded(tmp_path, f"{TEXT}\nimu: {{kind: other, address: 0x28}}\n")
        [fault] = faults_of(tmp_path, f"{TEXT}\nimu: {{kind: mpu6050, address: 0x28}}\n")
        [outside] = faults_of(tmp_path, f"{TEXT}\nimu: {{kind: other, address: 0x27}}\n")
    finally:
        robot_schema.cache_clear()
    assert robot.imu
    assert robot.imu.address == 0x28
    assert (fault.key, outside.key) == ("imu.address", "imu.address")
    assert "the kind mpu6050 has no such address: 0x68 to 0x69 would be right" in fault.remedy
    assert "0x28 (40) to 0x69 (105)" in outside.remedy


def test_schema_is_sound_and_says_what_each_key_means() -> None:
    schema = json.loads(files("quadleg.robot_file").joinpath("robot_file.schema.json").read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)

    def properties(part: object) -> Any:
        if isinstance(part, dict):
            for name, value in part.items():
                if name == "properties":
                    yield from value.items()
                yield from properties(value)

    silent = [name for name, part in properties(schema) if "description" not in part]
    assert silent == []


# The sections that become a dataclass by their keys' names, and the keys of each that the loader turns itself.
SECTIONS = {
    ("body",): (BodyBox, {"length_mm", "width_mm", "height_mm"}),
    ("leg",): (Leg, set()),
    ("mass",): (Masses, {"total_g"}),
    ("servo_kinds", "*"): (ServoKind, {"seconds_per_60_deg"}),
    ("servos", "front_left_hip"): (Servo, {"us_per_degree"}),
    ("board",): (BoardSettings, set()),
    ("board", "output_enable"): (OutputEnable, set()),
    ("supply",): (Supply, {"low_v"}),
    ("supply", "sensor"): (PowerSensor, set()),
    ("imu",): (ImuChip, set()),
    ("frames", "*"): (FixedFrame, set()),
    ("gaits", "*"): (GaitParameters, set()),
}


@pytest.mark.parametrize("section", SECTIONS, ids=".".join)
def test_each_key_of_the_schema_is_read(section: tuple[str, ...]) -> None:
    schema = robot_schema()
    for name in section:
        schema = schema["additionalProperties"] if name == "*" else schema["properties"][name]
    kind, others = SECTIONS[section]
    read = {field.name for field in fields(kind)}
    keys = schema["properties"].items()
    assert {key for key, part in keys if part.get(FIELD, without_unit(key)) not in read} == others


# --- one fault of each kind ----------------------------------------------------------------------------

KNEE = "knee: [-160, -5]"
ONE_EDIT = [
    # A text and what stands there instead, in the line of the fault; the key; what the remedy says.
    ("  width_mm: 88", "  widht_mm: 88", "body.widht_mm", "did you mean `width_mm`?"),
    ("height_mm: 70", "height_mm: tall", "body.height_mm", "a number from 1 to 2000"),
    ("height_mm: 70", "height_mm:", "body.height_mm", "a number from 1 to 2000"),
    ("name: greenhouse_inspector", "name: 7", "name", "write text"),
    ("name: greenhouse_inspector", "name: <a>", "name", "letters, digits"),
    ("control:\n  rate_hz: 50", "control: 50", "control", "a section with the keys rate_hz"),
    *(
        ("upper_leg_mm: 92", f"upper_leg_mm: {value}", "leg.upper_leg_mm", "a number from 1")
        for value in (".nan", ".inf", "-92", "true", "9e400")
    ),
    ("centre_mm: [0, 0, -15]", "centre_mm: [0, 0]", "body.centre_mm", "a list of 3 numbers"),
    ("centre_mm: [0, 0, -15]", "centre_mm: [0, no, -15]", "body.centre_mm[1]", "a number from -2000 to 2000"),
    ("  rear: rearward", "  rear: sideways", "knee_points.rear", "write rearward or forward"),
    ("kind: simulated", "kind: wooden", "board.kind", "write simulated"),
    ("hip: [-40, 130]", "hip: [130, -40]", "joint_limits_deg.front.hip", "write the lower one first: [-40, 130]"),
    ("[-40, 130]", "[-40, 190]", "joint_limits_deg.front.hip[1]", "from -180 to 180"),
    (KNEE, "knee: [-150, 5]", "joint_limits_deg.front.knee", "rearward has negative angles (knee_points.front)"),
    ("us: [500, 2500]", "us: [2500, 500]", "servo_kinds.ten_kg.pulse_range_us", "the lower one first: [500, 2500]"),
    # NXP PCA9685 data sheet rev. 4, 7.3.5: the prescale goes from 3 (1526 Hz) to 255 (24 Hz) at 25 MHz.
    ("frequency_hz: 50", "frequency_hz: 20", "board.frequency_hz", "write 24 to 1525"),
    ("frequency_hz: 50", "frequency_hz: 1900", "board.frequency_hz", "write 24 to 1525"),
    (
        "frequency_hz: 50",
        "frequency_hz: 450",
        "board.frequency_hz",
        "write 406 or less",
    ),  # its period, the longest pulse
    # 12 channels: (2 + 48) bytes of nine bits = 450 bits a frame, fifty times a second.
    ("bus_khz: 400", "bus_khz: 22", "board.bus_khz", "write 23 or more"),
    ("rate_hz: 50", "rate_hz: 9.9", "control.rate_hz", "a number from 10 to 200"),
    ("rate_hz: 50", "rate_hz: 201", "control.rate_hz", "a number from 10 to 200"),
    ("length_mm: 200", "length_mm: 200,5", "body.length_mm", "with a decimal point: 200.5"),
    ("centre_mm: [0, 0, -15]", "centre_mm: [0, 0, -15,5]", "body.centre_mm", "four hip axes), with decimal points"),
    ("  address: 0x40", "  address: 0x70", "board.address", "0x70 is taken: the PWM board answers there"),
    ("  height_mm: 50", "  height_mm: 151", "resting.height_mm", "less than 150"),
    ("  height_mm: 50", "  height_mm: 49", "resting.height_mm", "50 or more"),  # the belly would be in the ground
    ("height_mm: 150", "height_mm: 207", "stance.standing_height_mm", "front_left is out of reach, knee at its upper"),
    (
        "  height_mm: 50",
        "  feet_out_along_mm: -40\n  height_mm: 50",
        "resting.height_mm",
        "front_left is out of reach, hip at its upper limit of 130 deg",
    ),
    ("total_g: 1500", "total_g: 1600", "mass.total_g", "make 1500"),
    ("  imu_link:", "  rear_left_upper:", "frames.rear_left_upper", "another"),
    ("  imu_link:", "  my imu:", "frames.my imu", "small letters"),  # which ROS wants
    ("  width_mm: 88", "\twidth_mm: 88", "syntax", "a tab: use spaces"),
    ("  width_mm: 88", "  width_mm:\t88", "syntax", "a tab: use spaces"),
    ("  length_mm: 200", "  length_mm:200", "syntax", "put a space after the colon"),
    ("  width_mm: 88", "  width_mm:88", "syntax", "put a space after the colon"),
    ("  width_mm: 88", "  width_mm 88", "syntax", "there is no colon"),
    ("  width_mm: 88", "   width_mm: 88", "syntax", "this line begins in column 4, and line 13 in column 3"),
    ("  width_mm: 88", " width_mm: 88", "syntax", "this line begins in column 2, and line 13 in column 3"),
    ("kind: simulated ", "kind: serial ", "board.kind", "/dev/ttyACM0"),
    ("  voltage_v: 6.0", "  voltage_v: 6.0\n  low_v: 6.0", "supply.low_v", "write less than 6.0, the voltage_v"),
    ("  voltage_v: 6.0", "  voltage_v: 6.0\n  low_v: 7", "supply.low_v", "write less than 6.0, the voltage_v"),
    ("\nstance:", "\nstance:\n  tip_angle_deg: 9", "stance.tip_angle_deg", "a number from 10 to 90"),
    ("\nstance:", "\nstance:\n  tip_angle_deg: 91", "stance.tip_angle_deg", "a number from 10 to 90"),
]


@pytest.mark.parametrize(("old", "new", "key", "remedy"), ONE_EDIT, ids=[new for _, new, _, _ in ONE_EDIT])
def test_one_edit(old: str, new: str, key: str, remedy: str, tmp_path: Path) -> None:
    text = edited((old, new + " #!"))
    (fault,) = faults_of(tmp_path, text)
    assert (fault.key, fault.line) == (key, line_of(text))
    assert remedy in fault.remedy


IN_A_SERVO = [
    # In the line of a joint's servo: a text and what stands there instead; the key below it; what the remedy says.
    ("rear_right_knee", "channel: 11", "channel: 16", ".channel", "a whole number from 0 to 15"),
    ("rear_right_knee", "channel: 11", "channel: 11.5", ".channel", "a whole number from 0 to 15"),
    ("rear_right_knee", "channel: 11", "channel: 4", ".channel", "also the channel of front_right_hip"),
    ("front_left_hip", "ten_kg", "nine_kg", ".kind", "write one of ten_kg"),
    ("front_left_hip", "us_per_degree:  11.111", "us_per_degree: 0", ".us_per_degree", "not 0"),
    # Pulses that the limits need, outside the stops; on the right, limits of the abduction are mirrored.
    ("front_right_knee", "583.3", "700", ".stops_us", "756 to 2478 µs, and these stops allow -158.4 to 14.4"),
    ("rear_right_abduction", "1500", "2200", ".stops_us", "1700 to 2533 µs, and these stops allow -23.4 to 149.4"),
    ("front_left_hip", "[540, 2460]", "[2460, 540]", ".stops_us", "write the lower one first"),
    ("front_left_hip", "[540, 2460]", "[490, 2460]", ".stops_us", "within 500 to 2500 µs"),
    ("front_left_hip", "11.111", "11,111", "[111]", "a decimal point, not a comma"),
    ("front_left_hip", "kind: ten_kg", "kind:ten_kg", ".kind:ten_kg", "put a space after the colon"),
    ("front_left_hip", ", us_per_degree:  11.111", "", "", "us_per_degree is missing; give all three, or none"),
]


@pytest.mark.parametrize(("joint", "old", "new", "below", "remedy"), IN_A_SERVO)
def test_one_edit_of_a_servo(joint: str, old: str, new: str, below: str, remedy: str, tmp_path: Path) -> None:
    text = edited(servo_edit(joint, old, new))
    (fault,) = faults_of(tmp_path, text)
    assert (fault.key, fault.line) == (f"servos.{joint}{below}", line_of(text))
    assert remedy in fault.remedy


FAULTS = {
    # name: (edits, with #! on the line where the fault stands; key; what the remedy says)
    "missing key": (
        [("  upper_leg_mm: 92", "#"), ("\nleg:", "\nleg: #!")],
        "leg.upper_leg_mm",
        "write `upper_leg_mm:`",
    ),
    "missing section": (
        [("# yaml-language", "#! yaml-language"), ("\nclearance_mm: 5", "\n")],
        "clearance_mm",
        "missing in the file",
    ),
    "missing servo": (
        [("\nservos:", "\nservos: #!"), (servo("rear_left_hip"), "")],
        "servos.rear_left_hip",
        "the servo that turns the rear left hip",
    ),
    "unknown key beside the right one": (
        [("  width_mm: 88", "  width_cm: 9 #!\n  width_mm: 88")],
        "body.width_cm",
        "write it in the unit that the key names: `width_mm: 90`",
    ),
    "unknown key like no other": (
        [("  width_mm: 88", "  zzz: 9 #!\n  width_mm: 88")],
        "body.zzz",
        "the keys here are length_mm, width_mm, height_mm and centre_mm",
    ),
    "duplicate key": (
        [("  width_mm: 88", "  length_mm: 8 #!\n  width_mm: 88")],
        "body.length_mm",
        "keep one of the two",
    ),
    "duplicate section": ([("\ncontrol:", "\nbody: #!\n  length_mm: 3\ncontrol:")], "body", "keep one of the two"),
    "empty section": ([(TEXT[TEXT.index("\nframes:") :], "\nframes: #!\n")], "frames", "a section"),
    "no servo kind": (
        [(TEXT[TEXT.index("servo_kinds:") : TEXT.index("# Each servo")], "servo_kinds: {} #!\n")],
        "servo_kinds",
        "a section with names of your own",
    ),
    "knee limits against knee_points forward": (
        [("  front: rearward", "  front: forward"), (KNEE, KNEE + " #!")],
        "joint_limits_deg.front.knee",
        "a knee that points forward has positive angles",
    ),
    "limit needs a pulse outside the stops, mirrored and symmetrical": (
        [("abduction: [-30, 45]", "abduction: [-45, 45]"), servo_edit("front_right_abduction", "1500", "2200")],
        "servos.front_right_abduction.stops_us",
        "front.abduction [-45, 45] needs 1700 to 2700 µs, and these stops allow -23.4 to 149.4",
    ),
    "joint limits in radians": (
        [
            ("\njoint_limits_deg:", "\njoint_limits_deg: #!"),
            *2 * [("[-30, 45]", "[-0.52, 0.79]"), ("[-40, 130]", "[-0.7, 2.27]"), ("[-160, -5]", "[-2.79, -0.09]")],
        ],
        "joint_limits_deg",
        "these look like radians: write degrees",
    ),
    "no space after the only colon of a section": (
        [("\ncontrol:", "\ncontrol: #!"), ("  rate_hz: 50", "  rate_hz:50")],
        "control",
        "put a space after the colon",
    ),
    "a chip at the board's address": (
        [("  rated_current_a: 20", "  sensor: {kind: ina226, address: 0x40, shunt_mohm: 2} #!\n  rated_current_a: 20")],
        "supply.sensor.address",
        "0x40 is taken: the PWM board has it",
    ),
    "a sensor that ends below the fuse": (
        [
            (
                "  rated_current_a: 20",
                "  sensor: {kind: ina226, address: 0x41, shunt_mohm: 10} #!\n  fuse_a: 25\n  rated_current_a: 20",
            )
        ],
        "supply.sensor.shunt_mohm",
        "up to 8.2 A only, and fuse_a is 25: 3.3 or less",
    ),
    "standing too tight": (
        [
            ("feet_out_across_mm: 0", "feet_out_across_mm: -45"),
            ("standing_height_mm: 150", "standing_height_mm: 150 #!"),
            ("  height_mm: 50", "  feet_out_across_mm: 0\n  height_mm: 50"),
            ("clearance_mm: 5", "clearance_mm: 35"),
        ],
        "stance.standing_height_mm",
        "and base_link are",
    ),
    "resting too tight": (
        [("  height_mm: 50", "  height_mm: 50 #!"), ("clearance_mm: 5", "clearance_mm: 37.5")],
        "resting.height_mm",
        "front_left_lower and base_link are 37.2 mm apart, clearance_mm is 37.5",
    ),
    "some of the masses": (
        [("\nmass:", "\nmass: #!"), ("  abductor_g: 65", "#")],
        "mass.abductor_g",
        "missing in `mass`",
    ),
    "frames heavier than the body": ([("mass_g: 10", "mass_g: 620"), ("\nframes:", "\nframes: #!")], "frames", "620"),
    "not YAML": (
        [("centre_mm: [0, 0, -15]", "centre_mm: [0, 0, -15"), ("\nhip_axes:", "\nhip_axes: #!")],
        "syntax",
        "no YAML from here on",
    ),
    "tab before a comment": ([("  width_mm: 88", "  width_mm: 88\t#!")], "syntax", "a tab: use spaces"),
    "a key out of its section": (
        [("  width_mm: 88", "width_mm: 88"), ("  height_mm: 70", "  height_mm: 70 #!")],
        "syntax",
        "this line begins in column 3, and line 14 in column 1",
    ),
    "no space before a list": (
        [servo_edit("front_left_hip", "stops_us: [", "stops_us:[")],
        "syntax",
        "put a space after the colon",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_fault(name: str, tmp_path: Path) -> None:
    edits, key, remedy = FAULTS[name]
    text = edited(*edits)
    (fault,) = faults_of(tmp_path, text)
    assert fault.key == key
    assert fault.line == line_of(text)
    assert remedy in fault.remedy


def test_key_at_a_wrong_indent_is_told_where_it_belongs(tmp_path: Path) -> None:
    text = edited(("  centre_mm: [", "centre_mm: ["), ("\ncontrol:\n  rate_hz", "\n  control:\n    rate_hz"))
    remedies = {fault.key: fault.remedy for fault in faults_of(tmp_path, text)}
    assert remedies.keys() == {"body.centre_mm", "centre_mm", "control", "supply.control"}
    assert "it belongs to `body`, so check the indent" in remedies["centre_mm"]
    assert "begin its line without spaces" in remedies["supply.control"]


@pytest.mark.parametrize("rate", [10, 200])
def test_control_rate_may_be_at_its_ends(rate: float, tmp_path: Path) -> None:
    assert loaded(tmp_path, edited(("rate_hz: 50", f"rate_hz: {rate}"))).control_rate == rate


def test_reachable_standing_heights_are_told(tmp_path: Path) -> None:
    (fault,) = faults_of(tmp_path, edited(("standing_height_mm: 150", "standing_height_mm: 207")))
    # Law of cosines with the knee at -5 degrees; the foot is 20 mm before the hip joint and has a radius of 8.
    longest = math.sqrt(92**2 + 108**2 + 2 * 92 * 108 * math.cos(math.radians(5)))
    highest = math.floor(math.sqrt(longest**2 - 20**2) + 8)
    assert f"write standing_height_mm from 50 to {highest} or" in fault.remedy


def test_a_resting_pose_with_a_knee_in_the_ground_is_told(tmp_path: Path) -> None:
    text = DIGGER.read_text(encoding="utf-8")
    wrong = text.replace("height_mm: 46, feet_out_along_mm: 0, feet", "height_mm: 42, feet_out_along_mm: -8, feet")
    assert wrong != text
    (fault,) = faults_of(tmp_path, wrong)
    assert fault.key == "resting.height_mm"
    # By triangles: in the leg's plane the foot is 36.3 mm below the abduction axis and 8 mm behind the hip joint, so
    # the knee is 49.0 mm below; turned by 6.6 degrees about that axis, 27 mm beside it, 45.6 mm. Its radius is 6 mm.
    assert "the front_left knee would be 9.6 mm in the ground: write height_mm from 51 to" in fault.remedy


def test_knees_that_would_be_pressed_into_the_ground_on_the_way_up_are_told(tmp_path: Path) -> None:
    text = DIGGER.read_text(encoding="utf-8")
    wrong = text.replace("height_mm: 46, feet_out_along_mm: 0, feet", "height_mm: 42, feet_out_along_mm: 0, feet")
    assert wrong != text
    (fault,) = faults_of(tmp_path, wrong)
    assert fault.key == "resting.height_mm"
    assert "on its way up, with the feet where it stands, the front_left knee would be 3.6 mm in" in fault.remedy
    assert "write 46 or more" in fault.remedy


POSES = {
    # The section, and figures of a pose that is out of reach or too tight.
    "too high": ("stance", {"standing_height_mm": 207}),
    "feet too far ahead": ("stance", {"feet_out_along_mm": 150}),
    "feet too far out": ("stance", {"feet_out_across_mm": 170}),
    "resting out of reach": ("resting", {"feet_out_along_mm": -40}),
    "resting too tight": ("resting", {"feet_out_across_mm": -60}),
}


@pytest.mark.parametrize("name", POSES)
def test_figures_that_a_fault_offers_are_right(name: str, tmp_path: Path) -> None:
    section, figures = POSES[name]
    height = "standing_height_mm" if section == "stance" else "height_mm"

    def faults_with(**changes: float) -> dict[str, str]:
        data = copy.deepcopy(DATA)
        data["resting"] |= {"feet_out_along_mm": -20, "feet_out_across_mm": 0}
        data[section] |= figures | changes
        try:
            loaded(tmp_path, json.dumps(data))
        except RobotFileError as error:
            return {fault.key: fault.remedy for fault in error.faults}
        return {}

    remedies = faults_with()
    offers = re.findall(r"(\w+_mm) from (-?\d+) to (-?\d+)", remedies[f"{section}.{height}"])
    assert offers
    for key, first, last in offers:
        for figure in (first, last):
            assert f"{section}.{height}" not in faults_with(**{key: int(figure)}), (key, figure)
        if key != height:  # Heights end at the belly and below the standing height, too.
            assert f"{section}.{height}" in faults_with(**{key: int(first) - 1})
            assert f"{section}.{height}" in faults_with(**{key: int(last) + 1})


def test_pose_that_no_single_figure_mends(tmp_path: Path) -> None:
    text = edited(("along_mm: -20", "along_mm: 300"), ("across_mm: 0", "across_mm: 300"))
    remedies = [fault.remedy for fault in faults_of(tmp_path, text)]
    assert len(remedies) == 2
    assert all("change the limits" in remedy for remedy in remedies)


def test_limits_that_leave_no_pose_at_all(tmp_path: Path) -> None:
    faults = faults_of(tmp_path, edited(("hip: [-40, 130]", "hip: [100, 130]"), (KNEE, "knee: [-6, -5]")))
    assert [fault.key for fault in faults] == ["stance.standing_height_mm", "resting.height_mm"]


def test_value_is_shown(tmp_path: Path) -> None:
    (fault,) = faults_of(tmp_path, edited(("upper_leg_mm: 92", "upper_leg_mm: -92")))
    assert fault.value == -92


@pytest.mark.parametrize(
    ("content", "remedy"),
    [
        (b"", "is empty"),
        (b"# nothing\n", "is empty"),
        (b"- one\n- two\n", "holds a list"),
        (b"just words\n", "holds a single value"),
        (b"name: a\n---\nname: b\n", "no YAML"),
        (b"a: 1\nb: \x07\n", "no YAML"),
        (b"a: 1\nb: *nowhere\n", "write its value here"),
        (b"a: 1\nb: \xff\n", "not UTF-8"),
        (b"a: !!python/object:os.system x\n", "is a tag"),
        (b"a: " + b"[" * 5000, "20 deep"),
    ],
)
def test_file_with_no_mapping(content: bytes, remedy: str, tmp_path: Path) -> None:
    path = tmp_path / "robot.yaml"
    path.write_bytes(content)
    with pytest.raises(RobotFileError) as caught:
        load_robot(path)
    (fault,) = caught.value.faults
    assert remedy in fault.remedy
    # Where something is wrong on a line, all of these have it on the last but the document mark.
    if content.startswith(b"a: 1"):
        assert fault.line == 2


def test_file_that_is_none(tmp_path: Path) -> None:
    for path, remedy in ((tmp_path / "none.yaml", "there is no such file"), (tmp_path, "is a folder")):
        with pytest.raises(RobotFileError, match=remedy):
            load_robot(path)


def test_file_that_may_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_path: Path, _mode: str) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(RobotFileError, match="cannot be read \\(Permission denied\\)"):
        load_robot(tmp_path / "robot.yaml")


def test_alias_within_its_own_anchor_is_a_fault_and_ends(tmp_path: Path) -> None:
    (fault,) = faults_of(tmp_path, TEXT + "\nloop: &loop [*loop]\nmap: &map {again: *map}\n")
    assert "`*loop`" in fault.remedy


# --- many at once --------------------------------------------------------------------------------------

MANY = [
    ("name: greenhouse_inspector", "name: ''"),
    ("length_mm: 200", "length_mm: -200"),
    ("  width_mm: 88", "  widht_mm: 88"),
    ("apart_along_mm: 218", "apart_along_mm: .nan"),
    ("apart_across_mm: 104", "apart_across_mm: [104]"),
    ("  foot_radius_mm: 8", "  # foot_radius_mm: 8"),
    ("  front: rearward", "  front: backward"),
    ("total_g: 1500", "total_g: 1400"),
    ("hip: [-40, 130]", "hip: [130, -40]"),
    (KNEE, "knee: [-160, -5, 0]"),
    ("deadband_us: 2", "deadband_us: two"),
    (servo("front_right_abduction"), servo("front_right_abduction").replace("channel:  3", "channel: 0")),
    (servo("rear_left_abduction"), servo("rear_left_abduction").replace("ten_kg", "nine_kg")),
    (servo("rear_left_hip"), servo("rear_left_hip").replace("1000", "1100")),
    (servo("rear_right_hip"), servo("rear_right_hip").replace("channel: 10", "channel: 99")),
    (servo("rear_right_knee"), servo("rear_right_knee").replace("[540, 2460]", "[540, 2600]")),
    ("frequency_hz: 50", "frequency_hz: 20"),
    ("bus_khz: 400", "bus_khz: 10"),
    ("voltage_v: 6.0\n  rated", "voltage_v: 6.0\n  voltage_v: 7.4\n  rated"),
    ("height_mm: 50 ", "height_mm: 200 "),
    ("clearance_mm: 5", "clearance_mm: -5"),
    ("imu_link:", "base_link:"),
]


def test_twenty_two_faults_are_told_at_once(tmp_path: Path) -> None:
    text = edited(*MANY)
    faults = faults_of(tmp_path, text)
    assert [fault.key for fault in faults] == [
        "name",
        "body.length_mm",
        "body.widht_mm",
        "hip_axes.apart_along_mm",
        "hip_axes.apart_across_mm",
        "leg.foot_radius_mm",
        "knee_points.front",
        "mass.total_g",
        "joint_limits_deg.front.hip",
        "joint_limits_deg.front.knee",
        "servo_kinds.ten_kg.deadband_us",
        "servos.front_right_abduction.channel",
        "servos.rear_left_abduction.kind",
        "servos.rear_left_hip.stops_us",
        "servos.rear_right_hip.channel",
        "servos.rear_right_knee.stops_us",
        "board.frequency_hz",
        "board.bus_khz",
        "supply.voltage_v",
        "resting.height_mm",
        "clearance_mm",
        "frames.base_link",
    ]
    lines = text.splitlines()
    for fault in faults:
        _, *names = fault.key.split(".")
        if fault.key == "leg.foot_radius_mm":  # missing: told at its section
            names = ["leg:"]
        if fault.key.startswith("servos."):
            assert names[0] in lines[fault.line - 1]
        assert all(name in lines[fault.line - 1] for name in names[-1:])


def test_each_missing_section_is_told(tmp_path: Path) -> None:
    keys = {fault.key for fault in faults_of(tmp_path, "name: bare\n")}
    schema = json.loads(files("quadleg.robot_file").joinpath("robot_file.schema.json").read_text(encoding="utf-8"))
    assert keys == set(schema["required"]) - {"name"}


def test_poses_are_checked_though_servos_and_board_have_faults(tmp_path: Path) -> None:
    text = edited(("bus_khz: 400", "bus_khz: x"), (servo("front_left_hip"), ""), ("_mm: 150", "_mm: 300"))
    keys = [fault.key for fault in faults_of(tmp_path, text)]
    assert keys == ["servos.front_left_hip", "board.bus_khz", "stance.standing_height_mm"]


# --- anything at all -----------------------------------------------------------------------------------

ODD_YAML = """'' ~ 0 -1 1 1.5 1e9 1e-300 9e999 .nan -.inf true word '*' [] {} [1,2] [2,1] [1,2,3] {a:,1}
    2020-01-01 2020-99-99 0x40 ten_kg rearward !!binary,a !!set,{a} !!int,x !x [[1,2],[3]] {1:,2} {[1]:,2}
    {~:,1} {<<:,1} &a,[*a] *a << @ ` | > % ? - :"""


def assert_robot_or_faults(path: Path) -> None:
    """Any other error fails the test."""
    with contextlib.suppress(RobotFileError):
        robot = load_robot(path)
        assert [joint.name for joint in robot.joints] == list(JOINT_NAMES)
        assert None not in {**numbers(robot), "imu": ...}.values()  # the IMU alone may be left out
        urdf(robot)


SCALARS = [match.span(1) for match in re.finditer(r": +([^\s{},\[\]#]+|\[[^\]]*\])", TEXT)]


@settings(max_examples=examples(80))
@given(
    place=st.sampled_from(SCALARS),
    value=st.sampled_from(ODD_YAML.split()).map(lambda text: text.replace(",", ", "))
    | st.floats().map(repr)
    | st.text(max_size=6),
)
def test_any_text_for_a_value_gives_a_robot_or_faults(
    tmp_path_factory: pytest.TempPathFactory, place: tuple[int, int], value: str
) -> None:
    path = tmp_path_factory.mktemp("any") / "robot.yaml"
    begin, end = place
    path.write_bytes((TEXT[:begin] + value + TEXT[end:]).encode("utf-8", "surrogatepass"))
    assert_robot_or_faults(path)


@settings(max_examples=examples(60))
@given(st.binary(max_size=60) | st.text(max_size=60).map(lambda text: text.encode("utf-8", "surrogatepass")))
def test_any_bytes_give_faults(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    path = tmp_path_factory.mktemp("any") / "robot.yaml"
    path.write_bytes(content)
    with pytest.raises(RobotFileError):
        load_robot(path)


def leaves(value: Any, key: tuple[Any, ...] = ()) -> Any:
    """The keys of every scalar in nested dicts and lists."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else None
    if inner is None:
        yield key
    else:
        for name, item in inner:
            yield from leaves(item, (*key, name))


DATA = YAML(typ="safe", pure=True).load(TEXT)
ODD = st.floats() | st.integers() | st.integers(-3, 3) | st.none() | st.text(max_size=3) | st.just([1, 2]) | st.just({})


@settings(max_examples=examples(60))
@given(key=st.sampled_from(list(leaves(DATA))), value=ODD, scale=st.none() | st.floats(-3, 3))
def test_any_figure_gives_a_robot_or_a_fault(
    tmp_path_factory: pytest.TempPathFactory, key: tuple[Any, ...], value: Any, scale: float | None
) -> None:
    data = json.loads(json.dumps(DATA))
    section = data
    for name in key[:-1]:
        section = section[name]
    old = section[key[-1]]
    section[key[-1]] = old * scale if scale is not None and isinstance(old, (int, float)) else value
    path = tmp_path_factory.mktemp("any") / "robot.yaml"
    path.write_text(json.dumps(data).replace("NaN", ".nan").replace("Infinity", ".inf"), encoding="utf-8")
    assert_robot_or_faults(path)


# --- every key misspelt, left out, or with a wrong value ---------------------------------------------------


def written_keys(node: Node, key: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], int]]:
    """Every key of the demo robot's file, and where in the text it stands."""
    if isinstance(node, MappingNode):
        for name, value in node.value:
            yield (*key, name.value), name.start_mark.index
            yield from written_keys(value, (*key, name.value))


KEYS = dict(written_keys(YAML(typ="safe", pure=True).compose(TEXT)))


def swapped(word: str) -> str:
    """Two neighbouring letters that differ, as near to the middle as there are."""
    pairs = [i for i in range(len(word) - 1) if word[i] != word[i + 1]]
    i = min(pairs, key=lambda i: abs(i - len(word) // 2))
    return word[:i] + word[i + 1] + word[i] + word[i + 2 :]


SLIPS = {
    "dropped letter": lambda word: word[: len(word) // 2] + word[len(word) // 2 + 1 :],
    "doubled letter": lambda word: word[: len(word) // 2] + word[len(word) // 2 - 1 :],
    "swapped letters": swapped,
    "plural": lambda word: word + "s",
    "capital": str.capitalize,
    "capitals": str.upper,
}


OTHER_UNITS = [
    ("upper_leg_mm: 92", "upper_leg_cm: 9.2", "leg.upper_leg_cm", "`upper_leg_mm: 92`"),
    ("upper_leg_mm: 92", "upper_leg_in: 3.622", "leg.upper_leg_in", "`upper_leg_mm: 92`"),
    ("upper_leg_mm: 92", "upper_leg_mm: 9.2 cm", "leg.upper_leg_mm", "without a unit: 92"),
    ("total_g: 1500", "total_kg: 1.5", "mass.total_kg", "`total_g: 1500`"),
    ("total_g: 1500", "total_g: 3.3 lb", "mass.total_g", "without a unit: 1496.85"),
    ("total_g: 1500", "total_mm: 3.3", "mass.total_mm", "did you mean `total_g`?"),
    # 1 kg·cm is 9.80665 N·cm, and 13.887 ounce-inches: by the definitions of kilogram-force, ounce and inch.
    ("stall_torque_kg_cm: 10", "stall_torque_nm: 0.98", "servo_kinds.ten_kg.stall_torque_nm", "_kg_cm: 9.99`"),
    ("stall_torque_kg_cm: 10", "stall_torque_oz_in: 138.87", "servo_kinds.ten_kg.stall_torque_oz_in", "_kg_cm: 10`"),
    ("stall_torque_kg_cm: 10", "stall_torque_kg_cm: 0.98 N·m", "servo_kinds.ten_kg.stall_torque_kg_cm", "9.99"),
    ("seconds_per_60_deg: 0.161", "speed_deg_per_s: 372.67", "servo_kinds.ten_kg.speed_deg_per_s", "_60_deg: 0.161`"),
    ("seconds_per_60_deg: 0.161", "no_load_speed_rpm: 62.11", "servo_kinds.ten_kg.no_load_speed_rpm", "_deg: 0.161`"),
    ("seconds_per_60_deg: 0.161", "seconds_per_60_deg: 6.504 rad/s", "servo_kinds.ten_kg.seconds_per_60_deg", "0.161"),
    ("upper_leg_mm: 92", "upper_leg_mm: 0.092", "leg.upper_leg_mm", "did you mean 92 mm?"),
    ("\n  voltage_v: 6.0", "\n  voltage_v: 6000", "supply.voltage_v", "did you mean 6 V?"),
    ("rated_current_a: 20", "rated_current_a: 20000", "supply.rated_current_a", "did you mean 20 A?"),
    ("length_mm: 200", "length_m: 200", "body.length_m", "did you mean `length_mm`?"),
]


@pytest.mark.parametrize(("old", "new", "key", "remedy"), OTHER_UNITS, ids=[new for _, new, _, _ in OTHER_UNITS])
def test_a_figure_in_another_unit_is_told_as_the_line_to_write(
    old: str, new: str, key: str, remedy: str, tmp_path: Path
) -> None:
    (fault,) = faults_of(tmp_path, edited((old, new)))
    assert fault.key == key
    assert remedy in fault.remedy


SLIPS_OF_A_KEY = len(SLIPS) if is_long_run() else 2


@pytest.mark.parametrize("slip", SLIPS)
def test_every_misspelt_key_is_told_with_the_right_one(slip: str, tmp_path: Path) -> None:
    first = list(SLIPS).index(slip)
    for number, (key, place) in enumerate(KEYS.items()):
        if (number + first) * SLIPS_OF_A_KEY % len(SLIPS) >= SLIPS_OF_A_KEY:
            continue
        *section, name = key
        if section[:1] == ["servos"] and section[1:] not in ([], [JOINT_NAMES[0]]):
            continue  # the same five keys eleven times more
        misspelt = SLIPS[slip](name)
        assert misspelt != name
        text = TEXT[:place] + misspelt + TEXT[place + len(name) :]
        of_a_frame = len(key) == 2 and section == ["frames"]
        if of_a_frame and misspelt.islower():  # A name of one's own, as good as any other.
            assert misspelt in {frame.name for frame in loaded(tmp_path, text).frames}
            continue
        faults = faults_of(tmp_path, text)
        if key == ("servo_kinds", "ten_kg"):  # Likewise, but the servos call it by the other.
            assert [fault.key for fault in faults] == [f"servos.{joint}.kind" for joint in JOINT_NAMES]
            assert all(fault.value == name and misspelt in fault.remedy for fault in faults)
            continue
        (fault,) = faults
        assert fault.key == ".".join((*section, misspelt))
        assert fault.line == TEXT.count("\n", 0, place) + 1
        assert f"did you mean `{name}`?" in fault.remedy or of_a_frame


MISSING = object()
WRONG = [MISSING, None, "word", "", True, [1, 2], [], {}, {"a": 1}, -1, 0, 10**30, 1e300, 1e-300, math.nan, math.inf]


# Of the twelve servos, which are alike, two.
SPOILT = sorted(
    (
        key
        for key in {*KEYS, *leaves(DATA)}
        if key[0] != "servos" or not key[1:] or key[1] in ("front_left_hip", "rear_right_knee")
    ),
    key=str,
)


def assert_no_other_error(monkeypatch: pytest.MonkeyPatch, *changes: tuple[tuple[Any, ...], Any]) -> None:
    """A robot or faults from the demo robot's data with other values at some keys, where these are still there."""
    data = copy.deepcopy(DATA)
    for (*section, name), value in changes:
        with contextlib.suppress(KeyError, IndexError, TypeError):
            inner = data
            for part in section:
                inner = inner[part]
            if value is MISSING:
                del inner[name]
            else:
                inner[name] = copy.deepcopy(value)
    # Reading text takes far longer than judging it, and other tests have it.
    monkeypatch.setattr(Document, "_parse", lambda _document, _text: data)
    try:
        assert_robot_or_faults(INSPECTOR)
    except Exception as error:
        raise AssertionError(f"{changes}: {error!r}") from error


@pytest.mark.parametrize("value", WRONG, ids=lambda value: "missing" if value is MISSING else repr(value))
def test_any_key_may_be_left_out_or_have_a_wrong_value(value: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    for key in SPOILT:
        assert_no_other_error(monkeypatch, (key, value))


def test_any_two_keys_may_be_left_out_or_have_wrong_values(monkeypatch: pytest.MonkeyPatch) -> None:
    chance = random.Random(1)
    for _ in range(500):
        assert_no_other_error(monkeypatch, *((chance.choice(SPOILT), chance.choice(WRONG)) for _ in range(2)))


def test_any_two_keys_may_be_misspelt(tmp_path: Path) -> None:
    chance = random.Random(2)
    for _ in range(100):
        text = TEXT
        for place, key in sorted(((KEYS[key], key) for key in chance.sample(list(KEYS), 2)), reverse=True):
            text = text[:place] + chance.choice(list(SLIPS.values()))(key[-1]) + text[place + len(key[-1]) :]
        assert faults_of(tmp_path, text)


# --- finding robot files -------------------------------------------------------------------------------


def test_find_by_path_and_by_name() -> None:
    assert find_robot(DIGGER) == DIGGER
    assert find_robot(str(DIGGER)) == DIGGER
    assert find_robot("greenhouse_inspector") == INSPECTOR


def test_find_names_the_robots_there_are() -> None:
    with pytest.raises(RobotFileError) as caught:
        find_robot("nosuch.yaml")
    shipped_names = ", ".join(shipped_robots())
    words = "there is no such file, and quadleg ships no robot of that name; it ships"
    assert str(caught.value) == f"nosuch.yaml: {words} {shipped_names}"
    assert "greenhouse_inspector" in shipped_names


def test_find_says_that_a_folder_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(RobotFileError, match="this is a folder"):
        find_robot(tmp_path)


def test_an_install_without_its_robot_files_says_where_it_looked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shipped, "__file__", str(tmp_path / "lib/python3.12/site-packages/quadleg/shipped.py"))
    with pytest.raises(RobotFileError, match=r"finds none in .*config: install it again"):
        find_robot("greenhouse_inspector")


def test_find_in_an_installed_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    module = tmp_path / "lib/python3.12/site-packages/quadleg/shipped.py"
    config = tmp_path / "share/quadleg/config"
    config.mkdir(parents=True)
    (config / "mine.yaml").write_text("name: mine\n")
    (config / "nodes.yaml").write_text("gait:\n  ros__parameters: {}\n")
    monkeypatch.setattr(shipped, "__file__", str(module))
    assert shipped_robots() == {"mine": config / "mine.yaml"}


def test_where_the_board_is_plugged_in_is_read(tmp_path: Path) -> None:
    more = "i2c_bus: 4\n  port: /dev/ttyUSB0\n  baud: 115200\n  output_enable: {gpio_chip: /dev/gpiochip0, line: 17}\n"
    board = loaded(tmp_path, edited(("  address: 0x40", f"  {more}  address: 0x40"))).board
    assert (board.i2c_bus, board.port, board.baud) == (4, "/dev/ttyUSB0", 115200)
    assert board.output_enable == OutputEnable("/dev/gpiochip0", 17)


def test_supply_and_tip_angle_have_limits_of_their_own_or_ours(tmp_path: Path) -> None:
    robot = load_robot(INSPECTOR)
    assert robot.supply.low_voltage == pytest.approx(5.1)  # 0.85 of 6 V: our own choice
    assert robot.tip_angle == math.radians(45)
    more = ("  voltage_v: 6.0", "  voltage_v: 6.0\n  low_v: 4.8"), ("\nstance:", "\nstance:\n  tip_angle_deg: 30\n#")
    robot = loaded(tmp_path, edited(*more))
    assert robot.supply.low_voltage == pytest.approx(4.8)
    assert robot.tip_angle == math.radians(30)
