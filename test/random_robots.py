"""Random robots such as people build: lengths and labels drawn by a seed, poses and file as `quadleg new` makes them.

Each goes through its text and the normal loader, so that the loader's checks apply.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import cos, pi, sin, sqrt

import numpy as np
import pytest
from sample_robots import with_servo_kind

from quadleg.commissioning.wizard.new_robot_file import robot_file
from quadleg.commissioning.wizard.pose_search import find_poses
from quadleg.commissioning.wizard.robot_measures import Electrics, Measures
from quadleg.commissioning.wizard.servo_classes import ReadyKind
from quadleg.errors import RobotFileError
from quadleg.robot.model import RobotModel
from quadleg.robot_file.load import robot_from_text

# Numbers of robots for a test that takes each: five, and seven more under `--long`.
NUMBERS = [*range(5), *(pytest.param(number, marks=pytest.mark.long) for number in range(5, 12))]
LINKS_MM = (40.0, 200.0)
MASSES_G = (300.0, 6000.0)
TORQUES_KG_CM = (1.5, 60.0)
OFF_CENTRE_MM = 20.0
KNEES = (("rearward", "rearward"), ("forward", "forward"), ("forward", "rearward"), ("rearward", "forward"))


@dataclass(frozen=True)
class RandomRobot:
    """A robot with its file's `text`; `seed` and `number` draw it again."""

    robot: RobotModel
    text: str
    seed: int
    number: int


def random_robots(count: int, seed: int, start: int = 0) -> Iterator[RandomRobot]:
    """So many robots, from number `start` on; each depends on its number and the seed alone."""
    for number in range(start, start + count):
        yield random_robot(seed, number)


def random_robot(seed: int, number: int) -> RandomRobot:
    """Drawn until there are poses and the loader takes the file."""
    dice = np.random.default_rng((seed, number))
    while True:
        measures = _measures(dice)
        poses = find_poses(measures)
        if isinstance(poses, str):
            continue
        mass_g = _mass_g(dice, measures)
        electrics = _electrics(dice, measures, mass_g)
        text = robot_file(f"random_{seed}_{number}", measures, poses, mass_g, electrics) + _payload(dice, mass_g)
        try:
            return RandomRobot(robot_from_text(text, f"random_{seed}_{number}.yaml"), text, seed, number)
        except RobotFileError:
            continue


def with_torque(robot: RobotModel, factor: float) -> RobotModel:
    """The same robot with servos so many times as strong, which draw so many times the current."""
    kind = robot.joints[0].servo.kind
    supply = replace(robot.supply, rated_current=factor * robot.supply.rated_current)
    torque, current = factor * kind.stall_torque, factor * kind.stall_current
    return replace(with_servo_kind(robot, stall_torque=torque, stall_current=current), supply=supply)


def _measures(dice: np.random.Generator) -> Measures:
    upper = _log(dice, *LINKS_MM)
    lower = float(np.clip(upper * dice.uniform(0.9, 1.25), *LINKS_MM))
    straight = upper + lower
    along, across = straight * dice.uniform(0.8, 1.5), straight * dice.uniform(0.35, 0.7)
    so_far = Measures(
        along=round(along),
        across=round(across),
        offset=round(max(5.0, straight * dice.uniform(0.12, 0.22))),
        upper=round(upper),
        lower=round(lower),
        foot_radius=max(2, round(straight * dice.uniform(0.03, 0.05))),
        length=round(along * dice.uniform(0.8, 0.95)),
        height=round(straight * dice.uniform(0.25, 0.4)),
        belly=round(straight * dice.uniform(0.15, 0.28)),
    )
    front, rear = KNEES[dice.integers(len(KNEES))]
    width = min(so_far.widest, round(across * dice.uniform(0.7, 0.9)))
    return replace(so_far, width=width, front_knee=front, rear_knee=rear)


def _mass_g(dice: np.random.Generator, measures: Measures) -> float:
    """About that of a robot like the demo one (1.5 kg on legs of 200 mm), which grows a little slower than the cube."""
    usual = 1500 * (measures.straight / 200) ** 2.2
    return round(float(np.clip(usual * np.exp(dice.normal(0.0, 0.45)), *MASSES_G)))


def _electrics(dice: np.random.Generator, measures: Measures, mass_g: float) -> Electrics:
    """Servos from too weak to strong for the weight, with the current that a motor of their power takes."""
    needed = mass_g / 1000 / 2 * 0.35 * measures.upper / 10  # kg·cm: half of the weight on a bent knee
    torque = float(np.clip(needed * _log(dice, 0.4, 6.0), *TORQUES_KG_CM))
    # Strong servos are made for more volts, and are slower: common practice, no source.
    volts = float(dice.choice((4.8, 6.0, 7.4) if torque < 12 else (6.0, 7.4) if torque < 30 else (7.4, 8.4)))
    seconds = _log(dice, 0.08 if torque < 12 else 0.11, 0.25)
    # The demo robot's servos turn 42 % of their stall power into torque and speed.
    stall_a = torque * 0.0981 * pi / 3 / seconds / volts * 2.35 * dice.uniform(0.7, 1.15)
    kind = ReadyKind(
        "drawn",
        "drawn at random",
        round(torque, 2),
        round(seconds, 3),
        volts,
        (500, 2500),
        int(dice.integers(2, 6)),
        0.01,
        round(max(stall_a, 0.2), 2),
        (0.8 * volts, 1.2 * volts),
    )
    supply_v = round(volts * float(dice.choice((0.85, 1.0, 1.0, 1.1))), 2)
    return Electrics(kind, supply_v, round(12 * kind.stall_current_a * dice.uniform(0.5, 1.0) + 0.5, 1), "simulated")


def _payload(dice: np.random.Generator, mass_g: float) -> str:
    """A load that is part of the mass, placed so that the centre of all masses is off by up to 20 mm."""
    if dice.random() < 0.3:
        return ""
    share = dice.uniform(0.1, 0.35)
    way, off = dice.uniform(0.0, 2 * pi), OFF_CENTRE_MM * sqrt(dice.random())
    x, y = (off / share * part for part in (cos(way), sin(way)))
    return (
        "\nframes:\n  payload:\n"
        f"    xyz_mm: [{x:.1f}, {y:.1f}, {dice.uniform(0, 40):.1f}]\n"
        f"    rpy_deg: [0, 0, 0]\n    mass_g: {share * mass_g:.0f}\n"
    )


def _log(dice: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(dice.uniform(np.log(low), np.log(high))))
