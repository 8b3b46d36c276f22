"""What failures do to the innovation of the estimator, beside sound walking: mean and largest of some seconds.

cd test && ../.venv/bin/python -m faults.innovations
"""

from __future__ import annotations

from functools import partial

from sample_robots import inspector

from faults.physics import CREEP, SETTINGS, SHARES, TROT, in_fork
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.geometry.planar import Planar
from quadleg.robot.model import MODELLED
from quadleg.simulation.fault_kinds import FaultKind
from quadleg.simulation.faults import inject
from quadleg.simulation.rollout import Rollout

SOUND = 14.0  # s of sound walking
WATCHED = 3.0  # s with the failure
SEEDS = range(1, 11)


def innovations(rollout: Rollout, asked: Planar, seconds: float) -> list[float]:
    """By frame."""
    found = []
    for _ in range(round(seconds / rollout.period)):
        rollout.tick(asked)
        found += [rollout.estimate.innovation] if rollout.estimate else []
    return found


def failing(rollout: Rollout, asked: Planar, kind: FaultKind, seed: int) -> list[float]:
    """The same with a failure."""
    inject(rollout.world, inspector(), kind, seed)
    return innovations(rollout, asked, WATCHED)


def main() -> None:
    robot = inspector()
    for gait in (CREEP, TROT):
        limits = WalkingLimits(robot, robot.gait(gait))
        asked = (SHARES[gait] * limits.forward[0], 0.0, 0.0)
        for name, ground in SETTINGS.items():
            rollout = Rollout(robot, limits, ground, 1, MODELLED)
            rollout.stand()
            innovations(rollout, asked, SOUND / 2)
            found = innovations(rollout, asked, SOUND / 2)
            print(f"{gait}, sound, {name}: {sum(found) / len(found):.2f}, at most {max(found):.2f}", flush=True)
        rollout = Rollout(robot, limits, None, 1, MODELLED)
        rollout.stand()
        innovations(rollout, asked, SOUND)
        for kind in FaultKind:
            runs = [in_fork(partial(failing, rollout, asked, kind, seed)) for seed in SEEDS]
            means, most = [sum(run) / len(run) for run in runs], [max(run) for run in runs]
            print(
                f"{gait}, {kind.value}: {sum(means) / len(means):.2f}, at most {min(most):.2f} to {max(most):.2f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
