"""Two robots built in code, for tests that need one without a file."""

from __future__ import annotations

from dataclasses import replace
from math import radians
from pathlib import Path

import numpy as np
import pytest

from quadleg.gait.derived_gaits import derived_gaits
from quadleg.robot.model import (
    JOINTS,
    LEGS,
    BoardSettings,
    BodyBox,
    FixedFrame,
    ImuChip,
    Joint,
    Leg,
    Masses,
    PowerSensor,
    RobotModel,
    Servo,
    ServoKind,
    Stance,
    Supply,
)
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot

_SUPPLY_WITH_SENSOR = "supply:\n  sensor: {kind: ina226, address: 0x41, shunt_mohm: 2}\n"
_IMU = "imu: {kind: mpu6050, address: 0x68, gyro_bias_deg_s: [1.5, -0.5, 0.25]}\n"
Limits = tuple[tuple[float, float], tuple[float, float], tuple[float, float]]


def _leg(
    name: str,
    kind: ServoKind,
    channels: tuple[int, ...],
    hip: tuple[float, float],
    offset: float,
    lengths: tuple[float, float],
    radii: tuple[float, float],
    knee_sign: int,
    limits: Limits,
) -> Leg:
    """One leg from figures of the left side; `limits` in degrees, channels in the order of the joints."""
    left, front = name.endswith("left"), name.startswith("front")
    side = 1 if left else -1
    joints = []
    for joint, (least, most), channel in zip(JOINTS, limits, channels):
        lower, upper = (-most, -least) if joint == "abduction" and not left else (least, most)
        mirrored = -1 if joint != "abduction" and not left else 1
        per_radian = mirrored * (kind.pulse_range[1] - kind.pulse_range[0]) / radians(180)
        centred = sum(kind.pulse_range) / 2 - per_radian * radians((lower + upper) / 2)
        servo = Servo(kind, channel, centred, per_radian, kind.pulse_range)
        joints.append(Joint(f"{name}_{joint}", radians(lower), radians(upper), servo))
    return Leg(
        name=name,
        hip=(hip[0] if front else -hip[0], side * hip[1], 0.0),
        hip_offset=side * offset,
        upper_length=lengths[0],
        lower_length=lengths[1],
        foot_radius=radii[0],
        link_radius=radii[1],
        knee_sign=knee_sign,
        joints=(joints[0], joints[1], joints[2]),
    )


def _stance(height: float, x: float, y: float, foot_radius: float) -> Stance:
    """Feet at (±x, ±y) on level ground."""
    return Stance(height, ((x, y, foot_radius), (x, -y, foot_radius), (-x, y, foot_radius), (-x, -y, foot_radius)))


def inspector() -> RobotModel:
    """The demo robot, which looks under a greenhouse's benches: all knees rearward, 50 Hz."""
    kind = ServoKind("metal gear 10 kg·cm", 0.98, 6.5, 6.0, (0.0005, 0.0025), 2e-6, 0.01, 2.5)
    legs = [
        _leg(
            name=name,
            kind=kind,
            channels=(3 * number, 3 * number + 1, 3 * number + 2),
            hip=(0.109, 0.052),
            offset=0.038,
            lengths=(0.092, 0.108),
            radii=(0.008, 0.009),
            knee_sign=-1,
            limits=((-30, 45), (-40, 130), (-160, -5)),
        )
        for number, name in enumerate(LEGS)
    ]
    return RobotModel(
        name="greenhouse_inspector",
        path=Path("greenhouse_inspector.yaml"),
        body=BodyBox((0.200, 0.088, 0.070), (0.0, 0.0, -0.015)),
        legs=(legs[0], legs[1], legs[2], legs[3]),
        masses=Masses(body=0.62, abductor=0.065, upper=0.105, lower=0.05, assumed=False),
        board=BoardSettings("simulated", 0x40, 50.0, 25e6, 400e3),
        supply=Supply(6.0, 20.0),
        control_rate=50.0,
        standing=_stance(0.150, 0.089, 0.090, 0.008),
        resting=_stance(0.050, 0.089, 0.090, 0.008),
        clearance=0.005,
        frames=(
            FixedFrame("imu_link", (0.0, 0.0, 0.010), (0.0, 0.0, 0.0), 0.01),
            FixedFrame("camera_link", (0.1, 0.0, 0.0), (0.0, 0.0, 0.0), 0.2),
        ),
        gaits=derived_gaits(0.200, 0.150, 6.5),
    )


def digger() -> RobotModel:
    """A smaller, unlike robot: knees point outward front and rear, scattered channels, 100 Hz."""
    kind = ServoKind("digital mini", 0.55, 9.0, 7.4, (0.0006, 0.0024), 3e-6, 0.008, 1.4)
    channels = ((15, 4, 9), (2, 12, 0), (7, 1, 13), (10, 5, 3))
    legs = [
        _leg(
            name=name,
            kind=kind,
            channels=own,
            hip=(0.080, 0.040),
            offset=0.027,
            lengths=(0.075, 0.066),
            radii=(0.009, 0.006),
            knee_sign=1 if name.startswith("front") else -1,
            limits=(
                ((-40, 35), (-115, 50), (10, 155)) if name.startswith("front") else ((-40, 35), (-50, 115), (-155, -10))
            ),
        )
        for name, own in zip(LEGS, channels)
    ]
    return RobotModel(
        name="digger",
        path=Path("digger.yaml"),
        body=BodyBox((0.170, 0.078, 0.040), (0.0, 0.0, 0.004)),
        legs=(legs[0], legs[1], legs[2], legs[3]),
        masses=Masses(body=0.30, abductor=0.03, upper=0.04, lower=0.02, assumed=True),
        board=BoardSettings("simulated", 0x41, 100.0, 25e6, 100e3),
        supply=Supply(6.6, 12.0),
        control_rate=100.0,
        standing=_stance(0.105, 0.078, 0.067, 0.009),
        resting=_stance(0.046, 0.080, 0.071, 0.009),
        clearance=0.004,
        frames=(FixedFrame("imu_link", (0.012, -0.004, 0.020), (0.0, 0.0, 1.5708), 0.004),),
        gaits=derived_gaits(0.141, 0.105, 9.0 * 6.6 / 7.4),
    )


ROBOTS = (inspector(), digger())
BOTH = pytest.mark.parametrize("robot", ROBOTS, ids=lambda robot: robot.name)


def random_angles(robot: RobotModel, count: int, seed: int = 7) -> np.ndarray:
    """(count, 12) angles in rad within the joint limits."""
    lower, upper = np.array([(joint.lower, joint.upper) for joint in robot.joints]).T
    return np.random.default_rng(seed).uniform(lower, upper, (count, 12))


# Upper and lower leg, body length, width and height, hip offset, foot and link radius, all in mm; how front and rear
# knees point; standing and resting height as shares of the straight leg.
_VARIED: dict[str, tuple[tuple[float, ...], str, str, float, float]] = {
    "mouse": ((20, 20, 60, 26, 14, 9, 3, 3), "rearward", "rearward", 0.72, 0.45),
    "beetle": ((22, 26, 70, 40, 10, 12, 4, 3.5), "forward", "rearward", 0.70, 0.40),
    "vole": ((30, 34, 90, 36, 24, 14, 5, 5), "rearward", "forward", 0.74, 0.48),
    "gecko": ((45, 45, 130, 60, 20, 22, 6, 7), "forward", "forward", 0.62, 0.35),
    "stoat": ((50, 62, 150, 60, 40, 26, 9, 6), "rearward", "rearward", 0.75, 0.40),
    "cat": ((70, 70, 180, 76, 44, 30, 8, 9), "forward", "rearward", 0.76, 0.38),
    "otter": ((60, 75, 260, 80, 60, 34, 10, 9), "rearward", "rearward", 0.66, 0.50),
    "fox": ((92, 108, 200, 88, 70, 38, 8, 9), "rearward", "forward", 0.75, 0.30),
    "hound": ((90, 100, 240, 110, 60, 44, 12, 14), "forward", "forward", 0.70, 0.42),
    "wolf": ((100, 100, 300, 130, 90, 46, 15, 12), "rearward", "rearward", 0.78, 0.45),
}


def varied() -> list[RobotModel]:
    """Ten robots with legs of 40 to 200 mm, knees to all sides, and thick and thin links."""
    kind = inspector().joints[0].servo.kind
    demo, found = inspector(), []
    for name, (sizes, front, rear, standing, resting) in _VARIED.items():
        upper, lower, length, width, height, offset, foot, link = (size / 1000 for size in sizes)
        hip = (length / 2 + link + 0.002, width / 2 + 0.004)
        legs = []
        for number, leg in enumerate(LEGS):
            points = front if leg.startswith("front") else rear
            bent, knee_sign = (((-60, 140), (-165, -5)), -1) if points == "rearward" else (((-140, 60), (5, 165)), 1)
            legs.append(
                _leg(
                    name=leg,
                    kind=kind,
                    channels=(3 * number, 3 * number + 1, 3 * number + 2),
                    hip=hip,
                    offset=offset,
                    lengths=(upper, lower),
                    radii=(foot, link),
                    knee_sign=knee_sign,
                    limits=((-40, 45), *bent),
                )
            )
        feet = hip[0], hip[1] + offset
        found.append(
            replace(
                demo,
                name=name,
                path=Path(f"{name}.yaml"),
                body=BodyBox((length, width, height), (0.0, 0.0, 0.0)),
                legs=(legs[0], legs[1], legs[2], legs[3]),
                standing=_stance(standing * (upper + lower) + foot, *feet, foot),
                resting=_stance(max(resting * (upper + lower), height / 2), *feet, foot),
                clearance=0.002,
                frames=(FixedFrame("lamp", (length / 2, 0.0, -height / 2), (0.0, 0.0, 0.0), 0.01),),
            )
        )
    return found


def with_servo_kind(robot: RobotModel, **changes: float) -> RobotModel:
    """The same robot with other figures of its servos' kind."""

    def changed(joint: Joint) -> Joint:
        return replace(joint, servo=replace(joint.servo, kind=replace(joint.servo.kind, **changes)))

    return robot.with_joints(changed)


def with_sensors(robot: RobotModel) -> RobotModel:
    """The same robot with a supply sensor and an IMU on its bus."""
    supply = replace(robot.supply, sensor=PowerSensor("ina226", 0x41, 0.002))
    bias = (radians(1.5), radians(-0.5), radians(0.25))
    return replace(robot, supply=supply, imu=ImuChip("mpu6050", 0x68, bias))


def sensor_robot_file(folder: Path) -> Path:
    """The demo robot's file with a supply sensor and an IMU on its bus, as a new file in a folder."""
    path = folder / "with_sensors.yaml"
    before, supply = find_robot(DEFAULT_ROBOT).read_text(encoding="utf-8").split("\nsupply:")
    rest = supply[supply.index("\n") + 1 :]
    path.write_text(f"{before}\n{_SUPPLY_WITH_SENSOR}{rest}\n{_IMU}", encoding="utf-8")
    return path
