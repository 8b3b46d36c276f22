"""The whole node graph in simulated time: seeded faults, judged by the bytes on the board.

What was found there once stands here as a list of happenings, whatever the seeds draw later on.
"""

from __future__ import annotations

import pytest

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from simulated_graph.happening_kinds import Happening
from simulated_graph.play import play

STAND = Happening(3.5, "enable", (True,))
SEEDS = 5  # CI plays 200
LONG_SEEDS = 10_000

# Seed, what happened, and what came of it before it was mended.
FOUND = {
    "a bus that is stuck at the first pulses stayed shut for ever": (8, [STAND, Happening(5.5, "stick_bus", (2.8,))]),
    "a stop was forgotten with the watchdog that knew of it": (
        184,
        [
            STAND,
            Happening(4.5, "stop"),
            Happening(6.7, "kill", ("joint_watchdog",)),
            Happening(10.5, "enable", (True,)),
        ],
    ),
    "a stranger's robot_description kept a robot from standing": (
        138,
        [Happening(2.0, "absurd", ("robot_description", 5, 1))],
    ),
    "a SIGTERM and one Ctrl-C cut the power of a robot that was being lowered": (
        194,
        [STAND, Happening(6.736, "terminate", ("gait",)), Happening(7.284, "interrupt")],
    ),
    "three bad targets in a row stopped nothing where a good frame came before the tick": (
        104,
        [STAND, Happening(13.787, "bad_targets", (5, 0.0))],
    ),
    "a command on its way released a stop, and the next watchdog knew nothing of it": (
        174,
        [
            STAND,
            Happening(5.701, "terminate", ("joint_watchdog",)),
            Happening(11.6113, "page", (1, "stop")),
            Happening(15.206, "terminate", ("joint_watchdog",)),
        ],
    ),
    "a board that took no first pulse was held, and would have had power after the robot was asked to sit": (
        152,
        [Happening(15.321, "refuse_at_change", (2, True)), Happening(16.575, "refuse_at_change", (3, True))],
    ),
    "a joint whose first pulse the board did not take got it on its way up": (
        117,
        [STAND, Happening(5.498, "freeze", ("servo_output", 0.5199)), Happening(5.84, "refuse_writes", (4,))],
    ),
    "a disturbed transfer at its start ended servo_output, and with it the run": (
        91,
        [
            Happening(8.943, "kill_and_freeze", ("servo_output", "gait", 4.31)),
            Happening(9.469, "flicker", ("a write refused", 2, 0.0, 1.86)),
            Happening(14.307, "suspend", (5.9462,)),
            Happening(16.183, "terminate", ("servo_output",)),
        ],
    ),
    "another watchdog that had not found the first let the robot drop": (
        192,
        [STAND, Happening(9.057, "second_watchdog", (4.07,)), Happening(16.975, "second_watchdog", (3.6,))],
    ),
    "a watchdog that had given up let the robot drop once servo_output followed again": (
        131,
        [
            STAND,
            Happening(
                8.733,
                "break_bus",
                (2.775,),
                (Happening(1.145, "enable", (True,)), Happening(1.545, "enable", (False,))),
            ),
            Happening(11.876, "feel_supply", (4.9, 1.0, 1.666), (Happening(0.629, "stop"),), stands=True),
        ],
    ),
    "a robot that a frozen servo_output held up was dropped once that was heard again": (
        136,
        [STAND, Happening(7.547, "freeze", ("servo_output", 11.9835)), Happening(10.852, "enable", (True,))],
    ),
    "a watchdog that heard of a stop late released it": (
        194,
        [
            STAND,
            Happening(6.547, "freeze", ("joint_watchdog", 3.617), (Happening(0.43, "enable", (False,)),), stands=True),
            Happening(9.086, "garble_targets", ("beyond", 0, 4.465), (Happening(1.608, "stop"),)),
        ],
    ),
    "the viewer had a defect by a stranger's odometry": (3, [STAND, Happening(5.0, "absurd", ("odom", 40, 4))]),
}


@pytest.mark.parametrize("found", FOUND)
def test_what_was_found_once_stays_mended(found: str) -> None:
    seed, happenings = FOUND[found]
    assert play(seed, happenings).violations == ()


def test_a_seed_repeats_a_run_bit_for_bit() -> None:
    first, again, other = play(7), play(7), play(8)
    assert first.trace == again.trace
    assert first.events == again.events
    assert first.trace != other.trace


@pytest.mark.spread
@pytest.mark.parametrize("seed", range(1, SEEDS + 1))
def test_no_unsafe_control_action_whatever_happens(seed: int) -> None:
    assert play(seed).violations == (), (
        "replay and shrink it, in the folder test: python -m simulated_graph.play --seed N"
    )


@pytest.mark.long
@pytest.mark.spread
@pytest.mark.parametrize("first", range(SEEDS + 1, LONG_SEEDS + 1, 100))
def test_no_unsafe_control_action_in_ten_thousand_runs(first: int) -> None:
    failed = {seed: run.violations for seed in range(first, first + 100) if (run := play(seed)).violations}
    assert not failed, "replay and shrink one, in the folder test: python -m simulated_graph.play --seed N"
