"""How far odometry drifts: over velocities, stalls of the computer, joint sensors and gyros, each by seeds.

    python test/odometry_campaign.py --seeds 3              # all
    python test/odometry_campaign.py stalls --seeds 10      # one of: walks, stalls, sensors, yaw, time

Each line has median and worst. Drift is the estimated place off at the end, in percent of the path.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import hypot, inf, radians

import numpy as np
from physics_walks import ROBOT, EstimateErrors, TickRecord, WalkRun, recorded, replayed

from quadleg.estimation.body_estimate import Estimate
from quadleg.estimation.odometry import Estimator
from quadleg.estimation.state_observer import IMU_QUEUE, TICK_QUEUE
from quadleg.robot.model import MEASURED, MODELLED
from quadleg.simulation.simulated_imu import ImuSample
from quadleg.simulation.spread import PERFECT, world_spread

VELOCITIES = {
    "creep": [(0.06, 0.0, 0.0), (0.03, 0.0, 0.0), (0.0, 0.04, 0.0), (0.05, 0.0, 0.1), (-0.05, 0.0, 0.0)],
    "trot": [(0.15, 0.0, 0.0), (0.12, 0.0, 0.0), (0.06, 0.0, 0.0), (0.0, 0.12, 0.0), (0.12, 0.0, 0.2), (0.1, 0.05, 0)],
}  # fmt: skip
FORWARD = {"creep": (0.06, 0.0, 0.0), "trot": (0.15, 0.0, 0.0)}
DISTANCE = 3.0  # m
ORDERS = ("imu first", "joints first", "as sent")
STALL = (0.02, 0.5)  # s
GYRO_BIAS = radians(2.0)
SPREADS = [PERFECT]  # the last is the one that worlds are drawn from
Change = Callable[[int, TickRecord], TickRecord]


@dataclass(frozen=True)
class JointSensor:
    """White `noise` and constant `offset` of each joint (deg), and `delay` (s)."""

    noise: float
    offset: float = 0.0
    delay: float = 0.0

    def change(self, run: WalkRun, seed: int) -> Change:
        """What it makes of the joints of a run, as `replayed` takes it."""
        random = np.random.default_rng([seed, 7])
        offsets = radians(self.offset) * random.uniform(-1.0, 1.0, 12)
        period = run.ticks[1].time - run.ticks[0].time

        def changed(number: int, tick: TickRecord) -> TickRecord:
            before = run.ticks[max(number - 1, 0)].measured
            late = tick.measured + self.delay / period * (before - tick.measured)
            return replace(tick, measured=late + offsets + radians(self.noise) * random.standard_normal(12))

        return changed


def walk(gait: str, twist: Sequence[float], seed: int, **more: float) -> WalkRun:
    speed = max(hypot(*twist[:2]), 0.02)
    return recorded(gait, tuple(twist), round(DISTANCE / speed, 1), seed, difference=SPREADS[-1].draw(seed), **more)


def with_bias(run: WalkRun, seed: int) -> Change:
    """A gyro with GYRO_BIAS about each axis, one way or the other, instead of the run's own."""
    bias = GYRO_BIAS * np.random.default_rng([seed, 9]).choice((-1.0, 1.0), 3) - run.bias[:3]

    def biased(_: int, tick: TickRecord) -> TickRecord:
        return replace(tick, imu=tuple(replace(sample, gyro=sample.gyro + bias) for sample in tick.imu))

    return biased


# A computer that stalls


def stalled(run: WalkRun, begin: float, seconds: float, order: str) -> Iterator[ImuSample | TickRecord]:
    """What an estimator gets of a run whose messages wait in their queues from `begin` (s) on for so long.

    A queue that overflows loses its oldest. `as sent`: in the order in which they were sent.
    """
    samples: list[ImuSample] = []
    ticks: list[TickRecord] = []
    end = begin + seconds
    for tick in run.ticks:
        for message in (*tick.imu, tick):
            if begin < message.time <= end:
                (ticks if isinstance(message, TickRecord) else samples).append(message)
                continue
            if message.time > end and (samples or ticks):
                samples, ticks = samples[-IMU_QUEUE:], ticks[-TICK_QUEUE:]
                queues = {"imu first": [*samples, *ticks], "joints first": [*ticks, *samples]}
                yield from queues.get(order) or sorted([*samples, *ticks], key=lambda late: late.time)
                samples, ticks = [], []
            yield message


def estimate_of(messages: Iterable[ImuSample | TickRecord], angles: str) -> Estimate:
    """The estimate after the last of the messages."""
    estimator = Estimator(ROBOT, angles)
    for message in messages:
        if isinstance(message, TickRecord):
            joints = message.measured if angles == MEASURED else message.commanded
            estimator.legs(message.time, joints, message.plan)
        else:
            estimator.imu(message.time, tuple(message.gyro.tolist()), tuple(message.acceleration.tolist()))
    return estimator.estimate


def added_drift(run: WalkRun, begin: float, seconds: float, order: str, angles: str) -> float:
    """How far the end is from where it is without the stall, in percent of the path."""
    whole = estimate_of(stalled(run, inf, 0.0, order), angles)
    hit = estimate_of(stalled(run, begin, seconds, order), angles)
    path = EstimateErrors(run, [whole] * len(run.ticks)).path
    return 100 * hypot(*(a - b for a, b in zip(hit.position[:2], whole.position[:2]))) / path


# The figures


def say(name: str, values: Sequence[float], unit: str) -> None:
    print(
        f"{name:46} median {np.median(values):7.2f}   95 % {np.percentile(values, 95):7.2f}   "
        f"worst {max(values):7.2f} {unit}  ({len(values)})",
        flush=True,
    )  # fmt: skip


def walks(seeds: range) -> None:
    for gait, twists in VELOCITIES.items():
        every: dict[str, list[float]] = {MEASURED: [], MODELLED: []}
        for twist in twists:
            runs = [walk(gait, twist, seed) for seed in seeds]
            for angles in every:
                drifts = [EstimateErrors(run, replayed(run, angles)).drift for run in runs]
                say(f"{gait} {twist}, {angles}", drifts, "%")
                every[angles] += drifts
        for angles, found in every.items():
            say(f"{gait}, all, {angles}", found, "%")


def stalls(seeds: range) -> None:
    for gait, twist in FORWARD.items():
        for angles in (MEASURED, MODELLED):
            for order in ORDERS:
                found = []
                for seed in seeds:
                    random = np.random.default_rng([seed, 8])
                    run = walk(gait, twist, 1 + seed % 3)
                    begin = random.uniform(run.ticks[run.walk].time, run.ticks[-1].time - 1.0)
                    found.append(added_drift(run, begin, random.uniform(*STALL), order, angles))
                say(f"stall, {gait}, {angles}, {order}", found, "%")


def sensors(seeds: range) -> None:
    kinds = {
        "0.1° noise": JointSensor(0.1),
        "0.3° noise": JointSensor(0.3),
        "1° offset": JointSensor(0.0, 1.0),
        "10 ms delay": JointSensor(0.0, 0.0, 0.01),
        "0.3° noise, 1° offset, 10 ms delay": JointSensor(0.3, 1.0, 0.01),
    }
    for name, sensor in kinds.items():
        for gait in VELOCITIES:
            found = []
            for seed in seeds:
                for twist in VELOCITIES[gait][::2]:
                    run = walk(gait, twist, seed)
                    found.append(EstimateErrors(run, replayed(run, MEASURED, sensor.change(run, seed))).drift)
            say(f"{name}, {gait}", found, "%")


def yaw(seeds: range) -> None:
    """The robot lies for 2 s, rises and walks at once; the gyro has 2 °/s of bias about each axis."""
    for gait, twist in FORWARD.items():
        for angles in (MEASURED, MODELLED):
            found = []
            for seed in seeds:
                run = walk(gait, twist, seed, lying=2.0, standing=0.0)
                found.append(EstimateErrors(run, replayed(run, angles, with_bias(run, seed))).yaw)
            say(f"yaw, {gait}, {angles}", found, "deg/min")


def step_time(seeds: range) -> None:
    run = walk("trot", FORWARD["trot"], 1)
    for angles in (MEASURED, MODELLED):
        found = []
        for _ in seeds:
            begun = time.thread_time()
            estimate_of(stalled(run, inf, 0.0, ""), angles)
            found.append(1e3 * (time.thread_time() - begun) / len(run.ticks))
        say(f"a step, {angles}", found, "ms")


PARTS = {"walks": walks, "stalls": stalls, "sensors": sensors, "yaw": yaw, "time": step_time}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "parts", nargs="*", metavar="PART", choices=[*PARTS, []], help="walks, stalls, sensors, yaw, time"
    )
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--spread", type=world_spread, default=PERFECT, help="none, calibrated or as-built")
    options = parser.parse_args()
    SPREADS.append(options.spread)
    for part in options.parts or PARTS:
        PARTS[part](range(1, 1 + options.seeds))


if __name__ == "__main__":
    main()
