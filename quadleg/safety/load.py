"""What the servos draw from their supply: by the pose and the commanded motion, and whether that explains a reading.

Static torques are those of the weight of the robot on the feet that stand, by the transpose of the legs' Jacobian
(Lynch & Park, Modern Robotics, 2017, section 5.2), and of the legs' own links. A servo's current goes with its torque,
from idle to stall: the straight line of a brushed motor.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from math import copysign, cos, inf, isfinite, radians, sin, sqrt

from quadleg.gait.support import share_weight
from quadleg.kinematics.leg import points
from quadleg.robot.load import STANDARD_GRAVITY as GRAVITY
from quadleg.robot.model import JOINT_NAMES, Angles, Masses, Robot, Vector
from quadleg.safety.rest import ON_GROUND
from quadleg.servos.model import FRICTION

LIFTED = 0.005  # m over the ground: a foot higher than this does not stand
SLIVER = 1e-6  # m²: three feet in one line span less
MOVING = 0.02  # rad/s

Places = tuple[Vector, Vector, Vector, Vector]  # of a leg: see `points` of kinematics/leg.py

# A servo so far from where it was sent that does not move is stalled; under load it is some 2.5° off at most.
STALLED_ERROR, STALLED_RATE = radians(5), 0.1  # rad, rad/s

# A current is not explained that is all the time larger than 1.5 times the model's and half a stalled servo's (our own
# choice): walks in physics draw at most 1.25 times the model's in the mean.
UNEXPLAINED_SHARE, UNEXPLAINED_STALLS = 1.5, 0.5
UNEXPLAINED_TIME = 1.0  # s
NAMED = 3  # joints of the most load


def static_torques(robot: Robot, angles: Angles) -> tuple[float, ...]:
    """The torques in N·m that hold the robot still at twelve angles (rad), on level ground, on the feet that stand.

    Those feet are the ones on the plane that three of them span and none is below. Lying on its belly it weighs on
    none.
    """
    legs = [points(leg, angles[3 * number : 3 * number + 3]) for number, leg in enumerate(robot.legs)]
    feet = [places[3] for places in legs]
    up = _upward(feet)
    heights = [_dot(foot, up) for foot in feet]
    lowest = min(heights)
    shares = [0.0] * len(feet)
    if robot.legs[0].foot_radius - lowest > robot.resting.height + ON_GROUND:
        count = sum(height <= lowest + LIFTED for height in heights)
        # On one foot alone nothing stands; a robot that is so near to tipping has a second one that will.
        standing = sorted(range(len(feet)), key=heights.__getitem__)[: max(count, 2)]
        over = _below(_centre_of_mass(robot, legs), up)
        for foot, share in zip(standing, share_weight([_below(feet[foot], up) for foot in standing], over)):
            shares[foot] = share
    weight = robot.masses.total * GRAVITY
    torques: list[float] = []
    for number, places in enumerate(legs):
        torques += _leg_torques(places, angles[3 * number], robot.masses, up, shares[number] * weight)
    return tuple(torques)


def _upward(feet: Sequence[Vector]) -> Vector:
    """The vertical in base_link: of the most level plane through three feet that has no foot below it."""
    best: Vector = (0.0, 0.0, 1.0)
    most_level = 0.0
    for three in combinations(feet, 3):
        a, b, c = three
        x, y, z = _cross(_less(b, a), _less(c, a))
        length = copysign(sqrt(x * x + y * y + z * z), z)
        if abs(z) < SLIVER:
            continue
        normal = x / length, y / length, z / length
        if normal[2] > most_level and min(_dot(_less(foot, a), normal) for foot in feet) > -1e-6:
            best, most_level = normal, normal[2]
    return best


def _centre_of_mass(robot: Robot, legs: Sequence[Places]) -> Vector:
    """As kinematics/mass.py has it, of one pose, in plain numbers."""
    masses = robot.masses
    fixed = sum(frame.mass for frame in robot.frames)
    x, y, z = ((masses.body - fixed) * value for value in robot.body.centre)
    parts = [(frame.mass, frame.position) for frame in robot.frames]
    for hip, outer, knee, foot in legs:
        parts += (
            (masses.abductor, _middle(hip, outer)),
            (masses.upper, _middle(outer, knee)),
            (masses.lower, _middle(knee, foot)),
        )
    for mass, (px, py, pz) in parts:
        x, y, z = x + mass * px, y + mass * py, z + mass * pz
    return x / masses.total, y / masses.total, z / masses.total


def _below(place: Vector, up: Vector) -> tuple[float, float]:
    """Where a plumb line through a place meets the plane of the hips."""
    x, y, z = place
    return x - z * up[0] / up[2], y - z * up[1] / up[2]


def _leg_torques(places: Places, abduction: float, masses: Masses, up: Vector, force: float) -> Vector:
    """The torques of one leg's joints, `up` being the vertical in base_link and `force` (N) that of the ground."""
    hip, outer, knee, foot = places
    # A tube's centre is its middle: see kinematics/mass.py. The ground bears what the links weigh.
    links = [
        (_middle(hip, outer), -masses.abductor * GRAVITY),
        (_middle(outer, knee), -masses.upper * GRAVITY),
        (_middle(knee, foot), -masses.lower * GRAVITY),
        (foot, force),
    ]
    along, across = (1.0, 0.0, 0.0), (0.0, cos(abduction), sin(abduction))
    return (
        -sum(_moment(along, hip, place, up) * upward for place, upward in links),
        -sum(_moment(across, outer, place, up) * upward for place, upward in links[1:]),
        -sum(_moment(across, knee, place, up) * upward for place, upward in links[2:]),
    )


def _middle(a: Vector, b: Vector) -> Vector:
    return (a[0] + b[0]) / 2, (a[1] + b[1]) / 2, (a[2] + b[2]) / 2


def _less(a: Vector, b: Vector) -> Vector:
    return a[0] - b[0], a[1] - b[1], a[2] - b[2]


def _dot(a: Vector, b: Vector) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def _cross(a: Vector, b: Vector) -> Vector:
    return a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]


def _moment(axis: Vector, origin: Vector, place: Vector, force: Vector) -> float:
    """About an axis through `origin`, of a force at `place`: axis · (arm × force)."""
    return _dot(axis, _cross(_less(place, origin), force))


class LoadModel:
    """What the twelve servos of one robot draw, by joint in the order of `JOINT_NAMES`."""

    def __init__(self, robot: Robot) -> None:
        self._robot = robot
        self._stall = [robot.stall_torque(joint) for joint in robot.joints]
        self._currents = [(joint.servo.kind.idle_current, robot.stall_current(joint)) for joint in robot.joints]

    def currents(self, angles: Angles, rates: Sequence[float], powered: Sequence[bool]) -> tuple[float, ...]:
        """In A, at twelve angles (rad), turning at such rates (rad/s); a joint without power draws nothing."""
        if not any(powered):
            return (0.0,) * len(JOINT_NAMES)
        return tuple(
            idle + (most - idle) * min(abs(torque) / stall + FRICTION * (abs(rate) > MOVING), 1.0) if on else 0.0
            for torque, rate, on, stall, (idle, most) in zip(
                static_torques(self._robot, angles), rates, powered, self._stall, self._currents
            )
        )


class Meter:
    """Mean and peak of the current since the servos last got power; NaN before."""

    def __init__(self) -> None:
        self._powered = False
        self._charge = self._time = 0.0
        self._last: tuple[float, float] | None = None
        self.peak = self.mean = float("nan")

    def take(self, current: float, powered: bool, now: float) -> None:
        """A reading (A) at `now` s; one that is not finite leaves a gap."""
        if powered and not self._powered:
            self._charge = self._time = 0.0
            self._last, self.peak, self.mean = None, float("nan"), float("nan")
        self._powered = powered
        if not powered or not isfinite(current):
            self._last = None
            return
        self.peak = current if not isfinite(self.peak) else max(self.peak, current)
        if self._last:
            before, at = self._last
            self._charge += (now - at) * (before + current) / 2
            self._time += now - at
        self._last = current, now
        self.mean = self._charge / self._time if self._time else current


class Explanation:
    """Judges whether the pose explains a measured current; `words` says what is wrong, empty where nothing is."""

    def __init__(self, robot: Robot) -> None:
        self._more = UNEXPLAINED_STALLS * max(joint.servo.kind.stall_current for joint in robot.joints)
        self._since = inf
        self.words = ""

    def take(self, measured: float, modelled: Sequence[float], stalled: Sequence[str] | None, now: float) -> None:
        """A measured current (A) and what the model says of each joint.

        `stalled` are the joints that do not come where they were sent, None where joint angles are not measured: then
        no servo can be named, only those that the pose loads most.
        """
        explained = sum(modelled)
        if not measured > UNEXPLAINED_SHARE * explained + self._more:
            self._since, self.words = inf, ""
            return
        self._since = min(self._since, now)
        if now - self._since < UNEXPLAINED_TIME:
            return
        said = f"supply gives {measured:.1f} A, more current than the pose explains ({explained:.1f} A)"
        if stalled:
            self.words = f"{said}; stalled: {', '.join(stalled)}"
        else:
            most = sorted(zip(modelled, JOINT_NAMES), reverse=True)[:NAMED]
            self.words = f"{said}; most loaded: {', '.join(name for _, name in most)}"


def stalled_joints(commanded: Angles, measured: Angles, rates: Sequence[float], powered: Sequence[bool]) -> list[str]:
    """The names of the joints that hold still (rad/s) far from where they were sent (rad)."""
    return [
        name
        for name, wanted, at, rate, on in zip(JOINT_NAMES, commanded, measured, rates, powered)
        if on and abs(wanted - at) > STALLED_ERROR and abs(rate) < STALLED_RATE
    ]
