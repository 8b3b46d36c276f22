"""What the robots that people build differ by from their robot files: one table, a row for each field.

A `WorldDifference` is one such robot. The world (world.py) is made by it, while the software keeps the robot file.
Sources that rows name: "data sheet" is MPU-6000/MPU-6050 Product Specification, revision 3.4, tables 6.1 and 6.2;
Johnson is K. L. Johnson, Contact Mechanics (1985).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from math import isfinite, radians
from types import MappingProxyType
from typing import Any

from quadleg.dynamics.gravity import STANDARD_GRAVITY
from quadleg.errors import SpreadError

Range = tuple[float, float]
JOINT_COUNT, LEG_COUNT, AXES = 12, 4, 3
# SI units in one of the table's.
UNITS = {
    "×": 1.0, "%": 0.01, "°": radians(1.0), "°/s": radians(1.0), "mm": 1e-3, "mm/N": 1e-3, "ms": 1e-3, "Ω": 1.0,
    "m/s²": 1.0, "rad/s": 1.0, "mg": 1e-3 * STANDARD_GRAVITY,
}  # fmt: skip
PRACTICE = "common practice, no source"
DATA_SHEET = "data sheet"
_BEYOND = 5.0  # times the table's largest value that a row may be set to alone (our own choice)
_FACTORS = (0.1, 5.0)  # the same of factors


@dataclass(frozen=True)
class SpreadRow:
    """One quantity: ranges `as_built` and `calibrated` (after `quadleg calibrate`), in its `unit`.

    `count` is the number of values that a robot has of it; `shared` the share of the range that these values have in
    common, since one robot's servos come from one batch; `none` what the world of the robot file has, in `unit`.
    `signed` rows go both ways about zero. `widest` is what the row can be set to alone.
    """

    name: str
    what: str
    unit: str
    as_built: Range
    calibrated: Range
    none: str
    count: int
    shared: float
    source: str
    widest: Range

    @property
    def signed(self) -> bool:
        return self.as_built[0] < 0.0

    @property
    def scale(self) -> float:
        """SI units in one `unit`."""
        return UNITS[self.unit]


def _differs(
    what: str,
    unit: str,
    as_built: Range,
    calibrated: Range | None = None,
    *,
    count: int = 1,
    shared: float = 0.0,
    none: float | None = 0.0,
    none_in_words: str = "",
    source: str = PRACTICE,
    widest: Range | None = None,
) -> Any:
    """A field with its row. Its default is the world of the robot file: `none` in `unit`, for each of `count`."""
    most = _BEYOND * max(map(abs, as_built))
    usual = _FACTORS if unit == "×" else (-most if as_built[0] < 0.0 else 0.0, most)
    row = SpreadRow(
        "", what, unit, as_built, calibrated or as_built, none_in_words or f"{none:g}", count, shared, source,
        widest or usual,
    )  # fmt: skip
    default = None if none is None else none * UNITS[unit]
    return field(default=default if count == 1 or none is None else (default,) * count, metadata={"row": row})


@dataclass(frozen=True)
class WorldDifference:
    """One robot's differences from its robot file, in SI units; without any it is that of the file.

    Values of joints are in the order of `JOINT_NAMES`, of legs in that of `LEGS`. Raises SpreadError for values that no
    robot has.
    """

    # Servos
    stiffness: tuple[float, ...] = _differs(
        "torque for an error of the angle, below the stall torque", "×", (0.6, 1.4),
        count=JOINT_COUNT, shared=0.7, none=1.0,
    )  # fmt: skip
    play: tuple[float, ...] = _differs(
        "free play of gears, horn and bearing, end to end",
        "°", (0.0, 2.0), count=JOINT_COUNT, shared=0.5, widest=(0.0, 6.0),
    )  # fmt: skip
    torque: tuple[float, ...] = _differs(
        "stall torque against the data sheet's", "×", (0.7, 1.1), count=JOINT_COUNT, shared=0.7, none=1.0
    )
    speed: tuple[float, ...] = _differs(
        "no-load speed against the data sheet's", "×", (0.8, 1.2), count=JOINT_COUNT, shared=0.7, none=1.0
    )
    gear_friction: tuple[float, ...] = _differs(
        "friction of gears and bearings, of the stall torque", "%", (2.0, 8.0),
        count=JOINT_COUNT, shared=0.5, none=4.0, widest=(0.0, 50.0),
    )  # fmt: skip
    motor_time: tuple[float, ...] = _differs(
        "mechanical time constant of the motor with its rotor", "ms", (10.0, 30.0),
        count=JOINT_COUNT, shared=0.9, none=15.0, widest=(2.0, 200.0),
    )  # fmt: skip
    lag: tuple[float, ...] = _differs(
        "time constant with which the servo's own control takes up a new pulse", "ms", (0.0, 15.0),
        count=JOINT_COUNT, shared=0.9,
    )  # fmt: skip
    horns: tuple[float, ...] = _differs(
        "angle of a horn on its servo against the robot file's", "°", (-2.0, 2.0), (-0.5, 0.5), count=JOINT_COUNT
    )
    pulse_scale: tuple[float, ...] = _differs(
        "µs per degree against the robot file's, about the middle of the stops", "%", (-3.0, 3.0), (-0.5, 0.5),
        count=JOINT_COUNT, shared=0.3,
    )  # fmt: skip
    # Body
    links: tuple[float, ...] = _differs(
        "hip offset, upper and lower link of each leg, longer", "mm", (-1.0, 1.0), count=JOINT_COUNT
    )
    masses: tuple[float, ...] = _differs(
        "masses of body, abductors, upper and lower links, heavier", "%", (-10.0, 10.0), count=4
    )
    centre_of_mass: tuple[float, ...] = _differs(
        "centre of mass of the body along x, y, z", "mm", (-10.0, 10.0), count=AXES
    )
    foot_radius: tuple[float, ...] = _differs(
        "radius of each foot, larger", "mm", (-2.0, 2.0), count=LEG_COUNT, shared=0.7
    )
    foot_compliance: float = _differs(
        "how far a foot gives way for each newton, beyond hard rubber", "mm/N", (0.0, 0.2),
        source="Hertz' contact (Johnson, section 4.2): 4 N on a sphere of 8 mm, Young's modulus 1 MPa: soft rubber "
        f"({PRACTICE})",
    )  # fmt: skip
    # Ground and supply
    friction: float = _differs(
        "friction against the ground's: of 0.8, that is 0.4 to 1.2", "×", (0.5, 1.5), none=1.0, widest=(0.05, 2.5)
    )
    supply_resistance: float = _differs(
        "resistance of supply, switch, wires and plugs", "Ω", (0.0, 0.15), none=0.04, widest=(0.0, 2.0)
    )
    sag: float = _differs("what the supply's voltage without load has sunk by", "%", (0.0, 2.0), widest=(0.0, 60.0))
    latency: float = _differs("from a command's time to its pulse at the servo", "ms", (0.0, 20.0), widest=(0.0, 200.0))
    # Inertial sensor
    gyro_bias: tuple[float, ...] | None = _differs(
        "bias of the gyro's axes", "°/s", (-5.0, 5.0), (-2.0, 2.0), count=AXES, none=None,
        none_in_words="±1 by seed", source=f"{PRACTICE}; the data sheet allows ± 20 °/s",
    )  # fmt: skip
    gyro_scale: tuple[float, ...] = _differs(
        "scale of the gyro's axes", "%", (-3.0, 3.0), (-1.0, 1.0), count=AXES,
        source=f"{DATA_SHEET}; calibrated: {PRACTICE}",
    )  # fmt: skip
    accelerometer_bias: tuple[float, ...] | None = _differs(
        "bias of the accelerometer's axes", "mg", (-50.0, 50.0), (-10.0, 10.0), count=AXES, none=None,
        none_in_words="±5 by seed", source=f"{DATA_SHEET}, x and y; calibrated: {PRACTICE}",
    )  # fmt: skip
    accelerometer_scale: tuple[float, ...] = _differs(
        "scale of the accelerometer's axes", "%", (-3.0, 3.0), (-1.0, 1.0), count=AXES,
        source=f"{DATA_SHEET}; calibrated: {PRACTICE}",
    )  # fmt: skip
    imu_misalignment: tuple[float, ...] = _differs(
        "turn of the sensor against imu_link, about x, y, z", "°", (-3.0, 3.0), (-2.0, 2.0), count=AXES
    )
    imu_delay: float = _differs(
        "age of a sample at its stamp: filter and transport", "ms", (0.0, 10.0), widest=(0.0, 100.0)
    )
    imu_jitter: float = _differs("error of a sample's stamp, evenly up to this", "ms", (0.0, 2.0), widest=(0.0, 4.5))
    imu_averaging: float = _differs(
        "share of the sampling period that a sample is the mean of; 0: the last instant", "%", (0.0, 100.0),
        (100.0, 100.0), none=100.0, widest=(0.0, 100.0),
        source=f"{PRACTICE}; calibrated: with a low-pass as that of hardware/mpu6050.py",
    )  # fmt: skip
    vibration: float = _differs(
        "acceleration by vibration while the joints move, rms an axis, sampled at points: it aliases",
        "m/s²",
        (0.0, 0.6),
    )
    turning_vibration: float = _differs("the same of the angular rate", "rad/s", (0.0, 0.02))
    # Joint sensors, where joint angles are measured
    sensor_noise: float = _differs("noise of a joint's sensor, rms", "°", (0.0, 0.3))
    sensor_offset: tuple[float, ...] = _differs(
        "constant error of each joint's sensor", "°", (-1.0, 1.0), count=JOINT_COUNT
    )
    sensor_step: float = _differs(
        "one count of a joint's sensor; 0.35° are 10 bits a turn", "°", (0.0, 0.35), widest=(0.0, 5.0)
    )
    sensor_delay: float = _differs("age of a joint's angle at its stamp", "ms", (0.0, 10.0), widest=(0.0, 100.0))

    def __post_init__(self) -> None:
        for name, row in ROWS.items():
            value = getattr(self, name)
            if value is None:
                continue
            values = value if isinstance(value, tuple) else (value,)
            if len(values) != row.count:
                raise SpreadError(f"{name} has {len(values)} values: {row.count} would be right")
            for one in values:
                check(row, one / row.scale)


def check(row: SpreadRow, value: float) -> None:
    """Raise SpreadError for a value (in the row's unit) that no robot has."""
    low, high = row.widest
    slack = 1e-9 * (high - low)
    if not isfinite(value) or not low - slack <= value <= high + slack:
        raise SpreadError(f"{row.name} is {value:g} {row.unit}: {low:g} to {high:g} {row.unit} would be right")


def _rows() -> dict[str, SpreadRow]:
    return {one.name: replace(one.metadata["row"], name=one.name) for one in fields(WorldDifference)}


ROWS: Mapping[str, SpreadRow] = MappingProxyType(_rows())
NO_DIFFERENCE = WorldDifference()
