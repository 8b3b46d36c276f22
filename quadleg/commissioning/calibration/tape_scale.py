"""What walks along a tape give: the true way by the planned one and by that of odometry, and how sure each is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from math import degrees, radians, sqrt
from statistics import fmean, stdev

from quadleg.errors import TapeError
from quadleg.geometry.planar import Planar, twist_to

FORWARD, LEFT, TURN = range(3)  # axes of a place and heading
WAYS = ("forward", "left", "turn")

# Our own choices, all five: robots of the spread in physics have 0.5 to 1.0, and runs of one robot are 5 % apart, by
# odometry 20 %.
LEAST_SCALE, MOST_SCALE = 0.4, 1.5
MOST_APART = 0.15  # of the mean of the runs
ODOMETRY_APART = 0.30  # the same by odometry, which wanders by itself
HEADING_APART = radians(20)  # between the line and the gyro
# Standard deviation of a reading: marks on the floor and a tape, a line and a protractor (common practice, no source).
TAPE_READING, LINE_READING = 0.005, radians(2)  # m, rad


class TapeFault(Enum):
    """Why no scale follows from walks; `again`: it may once this one run is repeated."""

    OPPOSITE = "opposite"
    IMPLAUSIBLE = "implausible"
    HEADING = "heading"
    APART = "apart"

    @property
    def again(self) -> bool:
        return self is not TapeFault.APART

    def error(self, found: str, cure: str) -> TapeError:
        """The error of this fault."""
        return TapeError(self.value, found, cure)


@dataclass(frozen=True)
class TapeRun:
    """One run along an axis. Places and headings at its end, seen from its beginning (m, m, rad): the `true` one by
    tape and line, the `planned` one, and the `estimated` one by odometry with modelled joints; None without.
    """

    axis: int
    true: Planar
    planned: Planar
    estimated: Planar | None = None

    @property
    def scale(self) -> float:
        """The true way along the axis by the planned one."""
        return self.way(self.true) / self.way(self.planned)

    def way(self, place: Planar) -> float:
        """How far it went along the axis, had it kept one velocity to a place and heading."""
        return place[TURN] if self.axis == TURN else twist_to(place)[self.axis]


@dataclass(frozen=True)
class TapeScale:
    """A scale, and its standard deviation in one walk."""

    value: float
    deviation: float

    def __str__(self) -> str:
        return f"{self.value:.3f} ± {self.deviation:.3f}"


def check_run(run: TapeRun) -> None:
    """Raise TapeError where what was read makes no sense for what was walked."""
    name, share = WAYS[run.axis], run.scale
    if share <= 0.0:
        raise TapeFault.OPPOSITE.error(
            f"{name}: the numbers lead the other way than it walked",
            "ahead, to the left and a turn to the left are positive; behind, to the right and clockwise are negative",
        )
    if not LEAST_SCALE <= share <= MOST_SCALE:
        raise TapeFault.IMPLAUSIBLE.error(
            f"{name}: {100 * share:.0f} % of the way that was planned",
            f"{100 * LEAST_SCALE:.0f} to {100 * MOST_SCALE:.0f} % would be plausible: read again, and look whether it "
            f"slips or is held",
        )
    if run.estimated and abs(run.true[TURN] - run.estimated[TURN]) > HEADING_APART:
        raise TapeFault.HEADING.error(
            f"{name}: turned by {degrees(run.true[TURN]):.0f}° by the line, {degrees(run.estimated[TURN]):.0f}° by "
            f"odometry",
            f"within {degrees(HEADING_APART):.0f}° would be right: read the angle again; if it says so again, "
            f"`quadleg calibrate --imu` finds how the IMU sits",
        )


def way_scale(runs: Sequence[TapeRun], before: float) -> TapeScale:
    """The true way by that of the strides, from runs along one axis in which it was taken for `before`.

    Raises TapeError where the runs contradict each other.
    """
    return _scale(runs, [before * run.scale for run in runs], "", MOST_APART)


def odometry_scale(runs: Sequence[TapeRun], before: float) -> TapeScale | None:
    """The true way by that of odometry without a scale, likewise; None where a run has no odometry.

    Odometry that takes the scale for s adds (1 - 1 / s) of the planned way to that of the joint angles, and the planned
    way will be the true one.
    """
    shares = []
    for run in runs:
        if run.estimated is None:
            return None
        by_joints = run.way(run.estimated) - (1.0 - 1.0 / before) * run.way(run.planned)
        if by_joints * run.way(run.true) <= 0.0:
            raise TapeFault.APART.error(
                f"{WAYS[run.axis]}: odometry leads the other way than the tape",
                "look at `quadleg status` and the IMU, and begin again",
            )
        shares.append(run.way(run.true) / by_joints)
    return _scale(runs, shares, " by odometry", ODOMETRY_APART)


def _scale(runs: Sequence[TapeRun], shares: Sequence[float], by: str, most: float) -> TapeScale:
    mean, apart = fmean(shares), max(shares) - min(shares)
    if apart > most * mean:
        raise TapeFault.APART.error(
            f"{WAYS[runs[0].axis]}: the runs{by} give {', '.join(f'{share:.2f}' for share in shares)}, "
            f"{100 * apart / mean:.0f} % apart",
            f"{100 * most:.0f} % at most would be right: look for a foot that slips, a loose horn or screw and a "
            f"weak supply, and begin again",
        )
    way = fmean(abs(run.way(run.true)) for run in runs)
    reading = (LINE_READING if runs[0].axis == TURN else TAPE_READING) / way
    return TapeScale(mean, sqrt(stdev(shares) ** 2 * (1 + 1 / len(shares)) + (reading * mean) ** 2))
