"""What the robot walks on: flat or sloping, rough, with steps and slippery patches; and what pushes it."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, cos, degrees, hypot, inf, isfinite, pi, sin

import mujoco
import numpy as np

from quadleg.errors import GroundError
from quadleg.geometry.rotations import Quaternion

REACH = 15.0  # m from the origin to each side
BUMP = 0.04  # m between the nodes of rough ground: a foot of this kind of robot fits between two bumps
PATCH_CELL, PATCH_RADIUS = 0.5, 0.12  # m: one patch somewhere in each such square
MOST_FRICTION = 2.0  # no foot on a floor has more (our own choice)
FIRST_STEP = 0.4  # m ahead of the origin: the robot begins on level ground


@dataclass(frozen=True)
class Ground:
    """The ground, and pushes on the robot that walks there. Uphill is along +x, `slope` in rad.

    `friction` is Coulomb's coefficient between foot and ground, and `slippery_friction` that of round patches
    (none: the ground is the same all over). `roughness` is the height in m between the deepest and the highest
    point. Steps of `step_height` (m) go up and down in turn, every `step_length` (m) along x. A push of `push`
    (N·s) comes from a random side about every `push_interval` (s). What is random is so by the world's seed.

    Raises GroundError for a value that makes no ground.
    """

    friction: float = 0.8
    slope: float = 0.0
    roughness: float = 0.0
    step_height: float = 0.0
    step_length: float = 0.3
    slippery_friction: float | None = None
    push: float = 0.0
    push_interval: float = 5.0

    def __post_init__(self) -> None:
        slippery = self.friction if self.slippery_friction is None else self.slippery_friction
        for name, value, low, high, unit in (
            ("friction", self.friction, 0.0, MOST_FRICTION, ""),
            ("slippery_friction", slippery, 0.0, MOST_FRICTION, ""),
            ("slope", degrees(self.slope), -45.0, 45.0, "°"),
            ("roughness", self.roughness, 0.0, 0.1, " m"),
            ("step_height", self.step_height, 0.0, 0.1, " m"),
            ("step_length", self.step_length, 0.05, REACH, " m"),
            ("push", self.push, 0.0, inf, " N·s"),
            ("push_interval", self.push_interval, 0.1, inf, " s"),
        ):
            if not isfinite(value) or not low <= value <= high:
                wanted = f"at least {low:g}" if high == inf else f"{low:.4g} to {high:.4g}"
                raise GroundError(f"{name} of the ground is {value:g}{unit}: {wanted}{unit} would be right")

    @property
    def quaternion(self) -> Quaternion:
        """(w, x, y, z) of the ground in the world."""
        return cos(self.slope / 2), 0.0, -sin(self.slope / 2), 0.0

    def add_to(self, spec: mujoco.MjSpec, seed: int) -> None:
        """Put the ground into a MuJoCo world."""
        body = spec.worldbody.add_body(name="ground", quat=self.quaternion)
        look = {"contype": 0, "conaffinity": 1, "friction": (self.friction, 0.0, 0.0)}
        if self.roughness:
            nodes = 2 * ceil(REACH / BUMP) + 1
            heights = np.random.default_rng([seed, 1]).random(nodes * nodes)
            spec.add_hfield(
                name="bumps", size=(REACH, REACH, self.roughness, 0.1), nrow=nodes, ncol=nodes, userdata=heights
            )
            body.add_geom(type=mujoco.mjtGeom.mjGEOM_HFIELD, hfieldname="bumps", **look)
        else:
            body.add_geom(type=mujoco.mjtGeom.mjGEOM_PLANE, size=(0.0, 0.0, 1.0), **look)
        if self.step_height:
            half = self.step_length / 2
            for number in range(ceil((REACH - FIRST_STEP) / (2 * self.step_length))):
                middle = FIRST_STEP + half + 2 * self.step_length * number
                body.add_geom(
                    type=mujoco.mjtGeom.mjGEOM_BOX,
                    size=(half, REACH, self.step_height / 2),
                    pos=(middle, 0.0, self.step_height / 2),
                    **look,
                )


class Patches:
    """Where the ground is slippery: a round patch at a random place in each square of a grid."""

    def __init__(self, ground: Ground, seed: int) -> None:
        self._usual = ground.friction
        self._slippery = ground.slippery_friction
        self._count = ceil(2 * REACH / PATCH_CELL)
        places = np.random.default_rng([seed, 2]).uniform(
            PATCH_RADIUS, PATCH_CELL - PATCH_RADIUS, (self._count, self._count, 2)
        )
        self._places: list[list[list[float]]] = places.tolist()

    def friction(self, x: float, y: float) -> float:
        """The coefficient of friction at a place (m) on the ground."""
        if self._slippery is None:
            return self._usual
        (i, dx), (j, dy) = (divmod(value + REACH, PATCH_CELL) for value in (x, y))
        u, v = self._places[int(i) % self._count][int(j) % self._count]
        return self._slippery if hypot(dx - u, dy - v) < PATCH_RADIUS else self._usual


class Pushes:
    """When and from where a ground's pushes come: times that are spread evenly about the interval."""

    def __init__(self, ground: Ground, seed: int) -> None:
        self._random = np.random.default_rng([seed, 3])
        self._strength = ground.push
        self._interval = ground.push_interval
        self._next = self._pause() if ground.push else inf

    def _pause(self) -> float:
        return float(self._interval * self._random.uniform(0.5, 1.5))

    def due(self, time: float) -> tuple[float, float, float] | None:
        """The impulse (N·s) that comes at `time` s; None where none does."""
        if time < self._next:
            return None
        self._next += self._pause()
        side = self._random.uniform(-pi, pi)
        return self._strength * cos(side), self._strength * sin(side), 0.0
