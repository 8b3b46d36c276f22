"""A walk as planned and as measured: paths of feet and body, stability margin, joint speeds.

The body is taken as level, as it is planned, and a foot on the ground as staying where it is: then the feet on the
ground tell how the body moves over it, from one moment to the next.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import degrees, isfinite

import numpy as np
from numpy.typing import NDArray

from quadleg.analysis.series import true_runs
from quadleg.dynamics.centre_of_mass import centre_of_mass_batch
from quadleg.gait.stability import static_margin
from quadleg.geometry.arrays import Array, Flags
from quadleg.geometry.planar import ZERO_TWIST, Planar, compose_planar, from_frame_batch
from quadleg.kinematics.leg import points_batch
from quadleg.robot.model import JOINT_NAMES, LEGS, GaitParameters, RobotModel

STRIDES = 3  # that footfalls are measured over
_LONGEST_DELAY = 15  # ticks
_ARM = 0.1  # m: a change of the turning rate counts as much as that of the velocity so far from the middle
_FAR, _TURNED = 0.01, 1.0  # m, degrees: of what is less by the plan nothing is said


@dataclass(frozen=True)
class Walk:
    """One walk, at n ticks: its name, its gait, and

    - `times` (n,) in s: when the servos were read;
    - `angles` (n, 12) in rad: the joints as the servos had them;
    - `feet` (n, 4, 3) in m: the planned foot centres in base_footprint;
    - `in_air` (n, 4): whether the plan has the foot in the air;
    - `shift` (n, 2) in m: the planned shift of the body.

    It begins with all feet on the ground and has two strides or more.
    """

    name: str
    gait: GaitParameters
    times: Array
    angles: Array
    feet: Array
    in_air: Flags
    shift: Array

    @cached_property
    def place(self) -> Array:
        """(n, 3): the planned place (m) and heading (rad) of base_footprint, in the frame that it began in."""
        return track_from_feet(self.feet[..., :2], ~self.in_air, ZERO_TWIST)


def track_from_feet(feet: Array, down: Flags, start: Planar) -> Array:
    """Return the track (n, 3) of a frame in which the feet are at (n, 4, 2), if those `down` (n, 4) stay in place.

    From each tick to the next, the turn and shift that fit best the feet that are down at both, by least squares:
    Umeyama, IEEE PAMI 13 (1991) 376, in the plane. While fewer than two feet stay, it moves as before.
    """
    stays = down[1:] & down[:-1]
    weights = (stays / np.maximum(stays.sum(axis=1), 1)[:, None])[..., None]
    before, after = feet[:-1], feet[1:]
    before_middle, after_middle = ((weights * places).sum(axis=1) for places in (before, after))
    a, b = before - before_middle[:, None], after - after_middle[:, None]
    along = (weights * a * b).sum(axis=(1, 2))
    across = (weights[..., 0] * (b[..., 0] * a[..., 1] - b[..., 1] * a[..., 0])).sum(axis=1)
    moves = np.zeros((len(stays), 3))
    moves[:, 2] = np.arctan2(across, along)
    moves[:, :2] = before_middle - from_frame_batch(moves, after_middle)

    places, move = [start], ZERO_TWIST
    for (x, y, yaw), known in zip(moves.tolist(), stays.sum(axis=1) > 1):
        move = (x, y, yaw) if known else move
        places.append(compose_planar(places[-1], move))
    return np.array(places)


@dataclass(frozen=True)
class MeasuredWalk:
    """A walk as the servos performed it, by forward kinematics of the n measured angles.

    - `delay`: ticks that the servos are behind the plan;
    - `down` (n, 4): whether the foot is on the ground: the plan's, so much later;
    - `feet` (n, 4, 3) in m: foot centres in base_link;
    - `place` (n, 3): place (m) and heading (rad) of base_link, in the frame that base_footprint began in;
    - `centre` (n, 2) in m: the centre of mass over the ground, in that frame;
    - `margin` (n,) in m: the static margin on the feet that are down;
    - `speeds` (n - 1, 12): the joints' speeds from tick to tick, as shares of the servos' no-load speed.
    """

    delay: int
    down: Flags
    feet: Array
    place: Array
    centre: Array
    margin: Array
    speeds: Array

    @classmethod
    def of(cls, robot: RobotModel, walk: Walk) -> MeasuredWalk:
        """Compute it from the walk's angles."""
        legs = [points_batch(leg, walk.angles[:, 3 * i : 3 * i + 3])[:, -1] for i, leg in enumerate(robot.legs)]
        feet = np.stack(legs, axis=1)
        planned = walk.feet.copy()
        planned[..., :2] -= walk.shift[:, None]
        delay = _delay(planned, feet)
        down = ~walk.in_air[_earlier(delay, len(feet))]
        x, y = walk.shift[0].tolist()
        place = track_from_feet(feet[..., :2], down, (x, y, 0.0))
        centre = centre_of_mass_batch(robot, walk.angles)[:, :2]
        margin = [
            static_margin([(x, y) for x, y, _ in own[standing].tolist()], (float(below[0]), float(below[1])))
            for own, standing, below in zip(feet, down, centre)
        ]
        fastest = np.array([robot.no_load_speed(joint) for joint in robot.joints])
        speeds = np.abs(np.diff(walk.angles, axis=0)) / np.diff(walk.times)[:, None] / fastest
        return cls(delay, down, feet, place, from_frame_batch(place, centre), np.array(margin), speeds)

    @cached_property
    def ground(self) -> Array:
        """(n, 4, 2) in m: the feet over the ground."""
        return from_frame_batch(self.place[:, None], self.feet[..., :2])

    @cached_property
    def heights(self) -> Array:
        """(n, 4) in m: the heights of the feet over the mean of those on the ground."""
        z = self.feet[..., 2]
        ground = (z * self.down).sum(axis=1) / np.maximum(self.down.sum(axis=1), 1)
        return z - ground[:, None]

    @cached_property
    def slips(self) -> Array:
        """(n, 4) in m: the distance of a foot on the ground from where it landed, 0 in the air."""
        result = np.zeros(self.down.shape)
        for leg in range(len(LEGS)):
            for first, end in true_runs(self.down[:, leg]):
                stood = self.ground[first:end, leg]
                result[first:end, leg] = np.hypot(*(stood - stood[0]).T)
        return result

    def footprint(self, walk: Walk) -> Array:
        """(n, 3): place and heading of base_footprint: base_link's, less the planned shift."""
        shift = walk.shift[_earlier(self.delay, len(walk.shift))]
        return np.column_stack((from_frame_batch(self.place, -shift), self.place[:, 2]))


@dataclass(frozen=True)
class Footfalls:
    """Some whole strides of steady walking, from tick `first` to tick `last`: the mean period in s, and for each leg
    the duty factor, and the phase of touch-down after the left hind foot's; both are shares of the stride.

    After Hildebrand, Science 150 (1965) 701.
    """

    first: int
    last: int
    period: float
    duty_factors: tuple[float, ...]
    phases: tuple[float, ...]

    @classmethod
    def of(cls, walk: Walk) -> Footfalls:
        """Choose `STRIDES` strides, or all if there are fewer, of the fastest and steadiest planned velocity."""
        down = ~walk.in_air
        landings = [[first for first, _ in true_runs(own) if first > 0] for own in down.T]
        reference = landings[LEGS.index("rear_left")]
        count = min(STRIDES, len(reference) - 1)
        moves = np.diff(walk.place, axis=0) / np.diff(walk.times)[:, None]
        turned = np.column_stack((np.zeros((len(moves), 2)), -walk.place[:-1, 2]))
        velocities = np.column_stack((from_frame_batch(turned, moves[:, :2]), _ARM * moves[:, 2]))
        windows = list(zip(reference, reference[count:]))
        first, last = max(windows, key=lambda window: _steady_speed(velocities[window[0] : window[1]]))

        period = float(walk.times[last] - walk.times[first]) / count
        phases = []
        for own in landings:
            since = [(walk.times[i] - walk.times[first]) / period for i in own if first <= i < last]
            # The mean of phases on a circle, where 0.99 and 0.01 are near each other.
            phases.append(float(np.angle(np.exp(2j * np.pi * np.array(since)).sum()) / (2 * np.pi)) % 1.0)
        durations = np.diff(walk.times)[first:last]
        duty_factors = (down[first:last] * durations[:, None]).sum(axis=0) / durations.sum()
        return cls(first, last, period, tuple(duty_factors.tolist()), tuple(phases))


def _steady_speed(velocities: Array) -> float:
    """The mean velocity's size in m/s, less twice how much the velocity varies, to a millimetre per second."""
    varies = np.sqrt(velocities.var(axis=0).sum())
    return round(float(np.hypot.reduce(velocities.mean(axis=0)) - 2 * varies), 3)


def walk_figures(robot: RobotModel, walk: Walk) -> dict[str, str]:
    """Return the walk's figures in words with units, by name: the table beside its picture."""
    measured = MeasuredWalk.of(robot, walk)
    planned, seen = walk.place, measured.footprint(walk)
    # Once a stride: between, the body's own way of moving and the servos' deadband would count as distance.
    landed = [first for first, _ in true_runs(~walk.in_air[:, LEGS.index("rear_left")])]
    ticks = np.array([*landed, len(planned) - 1])
    later = np.minimum(ticks + measured.delay, len(planned) - 1)
    seconds = _seconds_walked(walk)
    distances = [_way(planned[ticks]), _way(seen[later])]
    turns = [degrees(np.abs(np.diff(places[:, 2])).sum()) for places in (planned[ticks], seen[later])]

    figures = {}
    if distances[0] >= _FAR:
        figures["distance"] = f"{distances[0]:.3f} m by the plan, {distances[1]:.3f} m by the measured feet"
        figures["mean speed"] = f"{distances[0] / seconds:.3f} m/s over {seconds:.1f} s"
    if turns[0] >= _TURNED:
        figures["turned"] = f"{turns[0]:.1f}° by the plan, {turns[1]:.1f}° by the measured feet"
        figures["mean turning rate"] = f"{turns[0] / seconds:.1f}°/s over {seconds:.1f} s"
    falls = Footfalls.of(walk)
    figures["duty factor"] = f"{np.mean(falls.duty_factors):.2f}, asked {walk.gait.duty_factor:.2f}"
    figures["stride"] = f"{falls.period:.2f} s, asked {walk.gait.stride_period:.2f} s"
    off = np.hypot(*(seen[-1] - planned[-1])[:2])
    figures["end, from the planned place"] = (
        f"{1000 * off:.1f} mm and {degrees(abs(seen[-1, 2] - planned[-1, 2])):.1f}°"
    )
    least = int(np.argmin(measured.margin))
    figures["least stability margin"] = f"{_mm(measured.margin[least])} at {_since(walk, least)}"
    tick, joint = np.unravel_index(np.argmax(measured.speeds), measured.speeds.shape)
    share, name = measured.speeds[tick, joint], JOINT_NAMES[joint].replace("_", " ")
    figures["fastest joint"] = f"{share:.2f} of its no-load speed ({name} at {_since(walk, int(tick))})"
    tick, leg = np.unravel_index(np.argmax(measured.slips), measured.slips.shape)
    figures["largest slip of a foot on the ground"] = (
        f"{_mm(measured.slips[tick, leg])} ({LEGS[leg].replace('_', ' ')})"
    )
    figures["servos behind the plan"] = f"{1000 * measured.delay * float(np.median(np.diff(walk.times))):.0f} ms"
    return figures


def _seconds_walked(walk: Walk) -> float:
    """Return the time from the first lift-off to the last touch-down."""
    moving = np.flatnonzero(walk.in_air.any(axis=1))
    return float(walk.times[min(moving[-1] + 1, len(walk.times) - 1)] - walk.times[moving[0]])


def _since(walk: Walk, tick: int) -> str:
    return f"{walk.times[tick] - walk.times[0]:.1f} s"


def _mm(length: float) -> str:
    """Format with a typographic minus."""
    return f"{1000 * length:.1f} mm".replace("-", "−") if isfinite(length) else "none"


def _way(places: Array) -> float:
    return float(np.hypot(*np.diff(places[:, :2], axis=0).T).sum())


def _earlier(delay: int, count: int) -> NDArray[np.int_]:
    """Return for each tick the one `delay` earlier."""
    return np.maximum(np.arange(count) - delay, 0)


def _delay(planned: Array, measured: Array) -> int:
    """Return the delay in ticks of `measured` (n, 4, 3) behind `planned`, by least squares."""
    planned, measured = planned - planned.mean(axis=0), measured - measured.mean(axis=0)
    errors = [
        float(np.square(measured[_LONGEST_DELAY:] - planned[_LONGEST_DELAY - k : len(planned) - k]).mean())
        for k in range(_LONGEST_DELAY + 1)
    ]
    return int(np.argmin(errors))
