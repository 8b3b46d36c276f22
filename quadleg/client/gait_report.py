"""What gait says of a walk in its diagnostics, read by their stable keys; without ROS."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from quadleg.gait.velocity_selection import WalkDirection, ways_left_out
from quadleg.gait.walk_obstacles import Obstacle
from quadleg.geometry.planar import Planar
from quadleg.safety.catalogue import Reason

AXES = (
    ("forward", "backward", "m/s"),
    ("to the left", "to the right", "m/s"),
    ("turning left", "turning right", "rad/s"),
)


@dataclass(frozen=True)
class GaitReport:
    """The keys of gait's diagnostics. Velocities are (m/s forward, m/s to the left, rad/s to the left).

    `asker` is the topic whose velocity counts, empty where none does, and `asker_stamp` the stamp in ns of its message;
    `planned` is the velocity that the plan has now; `scale` is the share of the velocity asked for that is walked,
    without the ways in `left_out`, whose limit is zero;
    `trouble` tells why the robot cannot walk in this gait at all, None where it can, `obstacle` what keeps it now from
    walking as it is asked to; `ramp` is the time in s from rest to the full speed. `way_deviation` is the standard
    deviation of the true way, as a share of the planned one, along each axis; None where no tape was walked.
    """

    gait: str
    motion: str
    asked: Planar
    asker: str
    asker_stamp: int
    planned: Planar
    scale: float
    left_out: tuple[WalkDirection, ...]
    forward: Planar
    backward: Planar
    ramp: float
    obstacle: Obstacle
    trouble: Reason | None
    way_deviation: Planar | None

    @staticmethod
    def of(values: Mapping[str, str]) -> GaitReport:
        """Read the figures; raises KeyError or ValueError for those of another program."""
        return GaitReport(
            values["gait"],
            values["motion"],
            _three(values["asked"]),
            values["asker"],
            int(values["asker_stamp"]),
            _three(values["planned"]),
            float(values["scale"]),
            tuple(map(WalkDirection, values.get("left_out", "").split())),
            _three(values["limits_forward"]),
            _three(values["limits_backward"]),
            float(values["ramp_s"]),
            Obstacle(values["obstacle"]),
            Reason.of_values(values, "trouble"),
            _three(values["way_scale_deviation"]) if values.get("way_scale_deviation") else None,
        )

    @property
    def both_ways(self) -> Planar:
        """The fastest velocity along each axis that is possible both ways, or the one way that is possible at all."""
        x, y, yaw = (min(a, -b) or max(a, -b) for a, b in zip(self.forward, self.backward))
        return x, y, yaw

    def along(self, twist: Planar) -> Planar:
        """The limit along each axis in the direction of a velocity; that of the greater one where it has none."""
        x, y, yaw = (
            ahead if part > 0 else -behind if part < 0 else max(ahead, -behind)
            for part, ahead, behind in zip(twist, self.forward, self.backward)
        )
        return x, y, yaw

    @property
    def trouble_in_words(self) -> str:
        """Why the robot cannot walk in this gait, and what to do; empty where it can."""
        return ": ".join(filter(None, (str(self.trouble or ""), self.trouble.cure if self.trouble else "")))

    def impossible(self, twist: Planar) -> str:
        """Why a velocity cannot be walked, or not in one of its ways; empty where it can, if only more slowly."""
        if self.trouble:
            return f"this robot cannot walk in the gait {self.gait}: {self.trouble_in_words}"
        ways = ways_left_out(twist, self.along(twist))
        return str(self.impossible_ways(ways)) if ways else ""

    def impossible_ways(self, ways: Sequence[WalkDirection]) -> Reason:
        """That the robot cannot walk these ways in this gait."""
        return Reason.of(Obstacle.WAY_IMPOSSIBLE, ways=" ".join(way.value for way in ways), gait=self.gait)

    def too_fast(self, twist: Planar) -> str:
        """Which part of a velocity is beyond its limit; empty where none is."""
        parts = [
            f"{abs(part):.3g} {unit} {ahead if part > 0 else behind}, at most {limit:.3g}"
            for part, limit, (ahead, behind, unit) in zip(twist, self.along(twist), AXES)
            if abs(part) > limit
        ]
        return ", ".join(parts)


def _three(text: str) -> Planar:
    x, y, yaw = map(float, text.split())
    return x, y, yaw
