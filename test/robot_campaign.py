"""Random robots, each judged by `quadleg check` (which runs no simulation) and by walks in physics; where they differ.

    python test/robot_campaign.py --robots 300 --seed 1

Every other robot has its servos scaled to within 1.5 times of the torque at which its creep begins to be possible.
Prints a confusion matrix for each gait and for both together, and each disagreement with both reasons.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from math import log
from pathlib import Path
from unittest.mock import patch

import numpy as np
from random_robots import RandomRobot, random_robots, with_torque

from quadleg.commissioning.feasibility.reach import Reach
from quadleg.commissioning.feasibility.standing_torque import Torque
from quadleg.commissioning.feasibility.stride_effort import GaitUse
from quadleg.commissioning.feasibility.walk_forecast import WalkForecast
from quadleg.gait import stride_feasibility
from quadleg.gait.stride_feasibility import EFFORT, StrideFeasibility, StrideObstacle
from quadleg.gait.walk_codes import WalkCode
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.geometry.planar import ZERO_TWIST
from quadleg.robot.model import GaitParameters, RobotModel
from quadleg.safety.figure_words import code_in_words
from quadleg.simulation.walk_verdict import walk_verdict

NEAR = 1.5  # times the torque of the boundary, or as much below it


@dataclass(frozen=True)
class Comparison:
    """One robot in one gait. `torque_ratio` is its servos' torque over that of the boundary.

    `dared` is what physics says where the walking limits refuse the gait for its torque, and the robot is made to walk
    with limits that count none.
    """

    seed: int
    number: int
    gait: str
    torque_ratio: float
    forecast: WalkCode
    found: WalkCode
    causes: tuple[str, ...]
    forecast_words: str
    found_words: str
    dared: WalkCode | None = None

    @property
    def agrees(self) -> bool:
        return self.forecast.walks == self.found.walks

    @property
    def near(self) -> bool:
        return abs(log(self.torque_ratio)) <= log(NEAR)


def compare(robot: RobotModel, seed: int, number: int) -> list[Comparison]:
    """In each gait of the robot."""
    reach = Reach.of(robot)
    torque = Torque.of(robot, reach.lowest.value, reach.highest.value)
    found = []
    for gait in robot.gaits:
        use = GaitUse.of(robot, gait)
        forecast = WalkForecast(robot, torque, use)
        verdict = walk_verdict(robot, WalkingLimits(robot, gait))
        refused = use.obstacle is StrideObstacle.TORQUE
        found.append(
            Comparison(
                seed=seed,
                number=number,
                gait=gait.name,
                torque_ratio=EFFORT / use.spot_effort,
                forecast=forecast.code,
                found=verdict.code,
                causes=tuple(factor.cause.value for factor in forecast.limiting_factors),
                forecast_words=forecast.verdict().sentence,
                found_words=verdict.sentence,
                dared=walk_verdict(robot, _without_torque(robot, gait)).code if refused else None,
            )
        )
    return found


def _without_torque(robot: RobotModel, gait: GaitParameters) -> WalkingLimits:
    with patch.object(stride_feasibility, "EFFORT", 1e3):
        return WalkingLimits(robot, gait)


def drawn(count: int, seed: int, start: int = 0) -> Iterator[tuple[RandomRobot, RobotModel]]:
    """Random robots, every other one with its servos scaled to near the boundary of its creep."""
    for one in random_robots(count, seed, start):
        robot = one.robot
        if one.number % 2:
            effort = StrideFeasibility(robot, robot.gaits[0]).hardest(np.array(ZERO_TWIST), robot.gaits[0].margin).share
            dice = np.random.default_rng((seed, one.number, 1))
            robot = with_torque(robot, effort / EFFORT * NEAR ** dice.uniform(-1.0, 1.0))
        yield one, robot


def read(line: str) -> Comparison:
    """One line of `--out`."""
    fields = {"dared": None, **json.loads(line)}
    for key in ("forecast", "found", "dared"):
        fields[key] = fields[key] and WalkCode(fields[key])
    return Comparison(**{**fields, "causes": tuple(fields["causes"])})


def matrix(found: Sequence[Comparison]) -> str:
    """Rows: physics; columns: check."""
    counts = Counter((one.found.value, one.forecast.value) for one in found)
    codes = [code.value for code in WalkCode]
    columns = [code for code in codes if any(counts[row, code] for row in codes)]
    lines = ["physics, check  " + "".join(f"{code:>16}" for code in columns)]
    for row in codes:
        if any(counts[row, code] for code in columns):
            lines.append(f"{row:16}" + "".join(f"{counts[row, code]:16}" for code in columns))
    agreeing = sum(one.agrees for one in found)
    lines.append(f"agree whether it walks: {agreeing} of {len(found)}, {100 * agreeing / max(len(found), 1):.1f} %")
    return "\n".join(lines)


def report(found: Sequence[Comparison]) -> str:
    """All of it."""
    gaits = sorted({one.gait for one in found})
    parts = [f"{gait}\n{matrix([one for one in found if one.gait == gait])}" for gait in gaits]
    near = [one for one in found if one.near]
    walking = {(one.seed, one.number) for one in found if one.found.walks}
    robots = {(one.seed, one.number) for one in found}
    parts.append(f"all gaits\n{matrix(found)}")
    parts.append(f"within {NEAR:g} times of the boundary\n{matrix(near)}")
    parts.append(
        f"robots: {len(robots)}, of which {len(walking)} walk in some gait and {len(robots) - len(walking)} in none; "
        f"{len({(one.seed, one.number) for one in near})} within {NEAR:g} times of the boundary"
    )
    dared = Counter(one.dared.value for one in found if one.dared)
    parts.append(
        "refused by the walking limits for torque, and made to walk all the same: "
        + ", ".join(f"{code_in_words(code.value)} {dared[code.value]}" for code in WalkCode)
    )
    for one in found:
        if not one.agrees:
            parts.append(
                f"robot {one.number} of seed {one.seed}, torque {one.torque_ratio:.2f} of the boundary\n"
                f"  check:   {one.forecast_words}\n  physics: {one.found_words}"
            )
    return "\n\n".join(parts)


def main() -> int:
    """Runs it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--robots", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--start", type=int, default=0, help="number of the first robot")
    parser.add_argument("--out", type=Path, help="JSON lines, one for each robot and gait")
    parser.add_argument("--of", type=Path, nargs="*", help="only report what such files hold")
    options = parser.parse_args()
    found: list[Comparison] = [read(line) for path in options.of or () for line in path.read_text().splitlines()]
    if found:
        options.robots = 0
    for one, robot in drawn(options.robots, options.seed, options.start):
        found += compare(robot, one.seed, one.number)
        if options.out:
            options.out.write_text("\n".join(json.dumps(asdict(each)) for each in found) + "\n", encoding="utf-8")
        print(f"\r{one.number + 1 - options.start}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    print(report(found))
    agreeing = sum(one.agrees for one in found)
    return 0 if agreeing >= 0.95 * len(found) else 1


if __name__ == "__main__":
    sys.exit(main())
