"""What the machine is: one robot as frozen dataclasses, all in SI units (m, rad, s, kg, N·m, A, V).

Frames follow REP-103: x forward, y left, z up. `base_link` has its origin at the centre of the four
hip axes. Signs follow the right-hand rule on both sides of the robot.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import pi, radians
from pathlib import Path

from quadleg.geometry.planar import Planar
from quadleg.geometry.vectors import ZERO_VECTOR, Vector

LEGS = ("front_left", "front_right", "rear_left", "rear_right")
JOINTS = ("abduction", "hip", "knee")
JOINT_NAMES = tuple(f"{leg}_{joint}" for leg in LEGS for joint in JOINTS)
SIMULATED = "simulated"  # the one kind of board that moves nothing
MEASURED, MODELLED = "measured", "modelled"  # joint angles: as they are, or as they follow from commands

# Where the robot file does not say: our own choices.
LOW_SUPPLY_SHARE = 0.85
TIP_ANGLE = radians(45)
AS_PLANNED: Planar = (1.0, 1.0, 1.0)  # scales of walks that nobody has measured

Angles = Sequence[float]


@dataclass(frozen=True)
class ServoKind:
    """Data-sheet figures of one kind of servo. Speed and torque hold at `voltage`."""

    name: str
    stall_torque: float
    no_load_speed: float
    voltage: float
    pulse_range: tuple[float, float]
    deadband: float
    idle_current: float
    stall_current: float
    turn: float = pi  # rad, over its pulse range
    holds_without_pulses: bool = False
    thermal_resistance: float | None = None  # K/W, motor to still air
    thermal_time: float | None = None  # s, time constant

    def no_load_speed_at(self, voltage: float) -> float:
        """Speed in rad/s at another supply voltage: a brushed motor's speed goes with its voltage."""
        return self.no_load_speed * voltage / self.voltage

    def stall_torque_at(self, voltage: float) -> float:
        """Stall torque in N·m at another supply voltage: it goes with the current, that with the voltage."""
        return self.stall_torque * voltage / self.voltage

    def stall_current_at(self, voltage: float) -> float:
        """Stall current in A at another supply voltage: the motor's resistance stays."""
        return self.stall_current * voltage / self.voltage


@dataclass(frozen=True)
class Servo:
    """One servo: where it is wired, and how its pulses map to the angle of its joint.

    `pulse_at_zero` in s may lie outside the stops, since zero need not be an angle the joint reaches;
    `pulse_per_radian` in s/rad carries the sign of the mounting; `stops` in s are its mechanical ends. Of a servo that
    is not `calibrated` these are guesses: its middle at that of the joint's limits, and the turn of its kind.
    """

    kind: ServoKind
    channel: int
    pulse_at_zero: float
    pulse_per_radian: float
    stops: tuple[float, float]
    calibrated: bool = True


@dataclass(frozen=True)
class Joint:
    """One revolute joint with its limits in rad and the servo that turns it."""

    name: str
    lower: float
    upper: float
    servo: Servo


@dataclass(frozen=True)
class Leg:
    """One leg. All joints at zero: it hangs straight down.

    `hip` is the origin of the abduction axis in base_link; `hip_offset` is signed, from the abduction
    axis to the plane of the leg along y (positive on the left); `lower_length` ends at the centre of
    the foot sphere; `knee_sign` is the sign of the knee angle: −1 where the knee points rearward.
    """

    name: str
    hip: Vector
    hip_offset: float
    upper_length: float
    lower_length: float
    foot_radius: float
    link_radius: float
    knee_sign: int
    joints: tuple[Joint, Joint, Joint]

    @cached_property
    def limits(self) -> tuple[tuple[float, float], tuple[float, float], tuple[float, float]]:
        """(lower, upper) in rad of abduction, hip and knee, the knee's cut to the side of `knee_sign`."""
        abduction, hip, knee = self.joints
        lower = max(knee.lower, 0.0) if self.knee_sign > 0 else knee.lower
        upper = min(knee.upper, 0.0) if self.knee_sign < 0 else knee.upper
        return (abduction.lower, abduction.upper), (hip.lower, hip.upper), (lower, upper)

    @cached_property
    def constants(self) -> tuple[float, ...]:
        """What the inverse kinematics needs at every call, worked out once: see kinematics/leg.py."""
        l1, l2 = self.upper_length, self.lower_length
        limits = (end for lower, upper in self.limits for end in (lower - 1e-9, upper + 1e-9))
        return (*self.hip, self.hip_offset, l1, l2, self.knee_sign, l1 * l1 + l2 * l2, 2 * l1 * l2, *limits)


@dataclass(frozen=True)
class BodyBox:
    """The body's box: `size` along x, y, z and the `centre` of it in base_link."""

    size: Vector
    centre: Vector


@dataclass(frozen=True)
class Masses:
    """Masses in kg; a leg's three links are alike on all legs. `assumed` where only a total was given."""

    body: float
    abductor: float
    upper: float
    lower: float
    assumed: bool

    @property
    def total(self) -> float:
        return self.body + 4 * (self.abductor + self.upper + self.lower)


@dataclass(frozen=True)
class OutputEnable:
    """The GPIO line of the computer that holds the board's output-enable pin low: its chip's device and its number."""

    chip: str
    line: int


@dataclass(frozen=True)
class BoardSettings:
    """The PWM board: what carries its bytes, I2C address, PWM frequency, oscillator and bus speed in Hz.

    `i2c_bus` is the number of the computer's bus, for kind i2c; `port` and `baud` the serial port to the
    microcontroller and its speed in bits a second, for kind serial.
    """

    kind: str
    address: int
    frequency: float
    clock: float
    bus_speed: float
    i2c_bus: int = 1
    port: str = ""
    baud: int = 57600
    output_enable: OutputEnable | None = None

    @property
    def simulated(self) -> bool:
        """Whether it moves nothing."""
        return self.kind == SIMULATED


@dataclass(frozen=True)
class PowerSensor:
    """What measures the servos' supply: its chip's `kind`, I2C address, and the shunt's resistance in ohm."""

    kind: str
    address: int
    shunt: float


@dataclass(frozen=True)
class ImuChip:
    """An inertial sensor on the board's bus: its chip's `kind`, I2C address, and its gyro's bias in rad/s."""

    kind: str
    address: int
    gyro_bias: Vector = ZERO_VECTOR


@dataclass(frozen=True)
class Supply:
    """The servos' supply: voltage in V, rated current in A, and the share of the voltage below which it is low.

    Where the file says so: the `fuse` in A, the wire's cross-section in m² and length one way in m, the charge of the
    `battery` in C (As), and the sensor that measures it all.
    """

    voltage: float
    rated_current: float
    low_share: float = LOW_SUPPLY_SHARE
    fuse: float | None = None
    wire_area: float | None = None
    wire_length: float | None = None
    battery: float | None = None
    sensor: PowerSensor | None = None

    @property
    def low_voltage(self) -> float:
        """The voltage in V below which the robot lies down."""
        return self.low_share * self.voltage


@dataclass(frozen=True)
class Stance:
    """A symmetrical way to have four feet on level ground.

    `height` of base_link above the ground; `feet` are the centres of the foot spheres in
    base_footprint, in the order of `LEGS`, so their z is the foot radius.
    """

    height: float
    feet: tuple[Vector, Vector, Vector, Vector]


@dataclass(frozen=True)
class GaitParameters:
    """A way to walk: duty factor, the four phases of touch-down (shares of a stride, in the order of `LEGS`), the
    stride's period in s, the foot's clearance in m, and the margin in m that the centre of mass keeps inside the
    support polygon by a sway of the body; None: no sway.

    What a tape on the floor told of walks forward, to the left and turning left: `way_scale` is the true way by that of
    the strides, less than 1 where legs give way and slip, `odometry_scale` the true way by that of odometry with
    modelled joint angles. Each deviation is the standard deviation in one walk, None where nobody has measured it.
    """

    name: str
    duty_factor: float
    phases: tuple[float, float, float, float]
    stride_period: float
    foot_clearance: float
    margin: float | None
    way_scale: Planar = AS_PLANNED
    way_scale_deviation: Planar | None = None
    odometry_scale: Planar = AS_PLANNED
    odometry_scale_deviation: Planar | None = None

    def stride_twist(self, twist: Planar) -> Planar:
        """The twist to make strides with, for one that the robot is to go with over the ground."""
        x, y, yaw = (value / scale for value, scale in zip(twist, self.way_scale))
        return x, y, yaw


@dataclass(frozen=True)
class FixedFrame:
    """A frame fixed to base_link, such as a sensor: place, roll-pitch-yaw in rad, mass in kg.

    The mass is part of `Masses.body`: a body is weighed with what is fixed to it.
    """

    name: str
    position: Vector
    rpy: Vector
    mass: float


@dataclass(frozen=True)
class RobotModel:
    """The whole machine, made from one robot file. Tipped further than `tip_angle` (rad) it has fallen."""

    name: str
    path: Path
    body: BodyBox
    legs: tuple[Leg, Leg, Leg, Leg]
    masses: Masses
    board: BoardSettings
    supply: Supply
    control_rate: float
    standing: Stance
    resting: Stance
    clearance: float
    frames: tuple[FixedFrame, ...]
    gaits: tuple[GaitParameters, ...]
    tip_angle: float = TIP_ANGLE
    imu: ImuChip | None = None

    @cached_property
    def joints(self) -> tuple[Joint, ...]:
        """The twelve joints in the order of `JOINT_NAMES`."""
        return tuple(joint for leg in self.legs for joint in leg.joints)

    def leg(self, name: str) -> Leg:
        return self.legs[LEGS.index(name)]

    def gait(self, name: str) -> GaitParameters:
        return next(gait for gait in self.gaits if gait.name == name)

    def with_joints(self, change: Callable[[Joint], Joint]) -> RobotModel:
        """The same robot with each joint changed."""

        def changed(leg: Leg) -> Leg:
            abduction, hip, knee = map(change, leg.joints)
            return replace(leg, joints=(abduction, hip, knee))

        front_left, front_right, rear_left, rear_right = map(changed, self.legs)
        return replace(self, legs=(front_left, front_right, rear_left, rear_right))

    def on_board(self, kind: str) -> RobotModel:
        """The same robot on another kind of board; on its own where `kind` is empty."""
        return replace(self, board=replace(self.board, kind=kind)) if kind else self

    @property
    def uncalibrated(self) -> list[str]:
        """The names of the joints whose servos are not calibrated."""
        return [joint.name for joint in self.joints if not joint.servo.calibrated]

    def no_load_speed(self, joint: Joint) -> float:
        """The speed in rad/s that a joint's servo reaches unloaded at this robot's supply."""
        return joint.servo.kind.no_load_speed_at(self.supply.voltage)

    def stall_torque(self, joint: Joint) -> float:
        """The torque in N·m at which a joint's servo stalls at this robot's supply."""
        return joint.servo.kind.stall_torque_at(self.supply.voltage)

    def stall_current(self, joint: Joint) -> float:
        """The current in A that a joint's servo draws, stalled at this robot's supply."""
        return joint.servo.kind.stall_current_at(self.supply.voltage)
