"""What the watchdog does about hot servos and about a robot that stands for nothing, on a clock of the test's own."""

from __future__ import annotations

from math import radians

import pytest
import robots
from watchdog_bench import Bench, heating

from quadleg.dynamics.servo_heat import HOT, STANDARD_CASE, TOO_HOT, WARM
from quadleg.robot.model import JOINT_NAMES, Robot
from quadleg.safety.heat_watch import HeatLevel
from quadleg.safety.idle_watch import ON_A_BOARD, IdleCode, default_idle_time
from quadleg.safety.watchdog import State, Watchdog

IDLE = 60.0  # s


def stands(robot: Robot, idle_time: float = 0.0) -> Bench:
    bench = Bench(robot)
    bench.watchdog = Watchdog(robot, bench.period, bench.now, idle_time)
    return bench.up()


# Heat


def test_a_sound_robot_without_an_idle_time_stands_on_and_no_servo_is_warm() -> None:
    """Three time constants, after which 95 % of the way to the last temperature are done."""
    bench = stands(robots.inspector(), 0.0)
    bench.run(max(3 * STANDARD_CASE[1], 1.1 * ON_A_BOARD))
    assert bench.state is State.ACTIVE
    assert bench.watchdog.heat.level is HeatLevel.COOL


def test_a_warm_servo_is_said_by_name_and_stops_nothing() -> None:
    bench = stands(heating(35.0))
    bench.run(30.0)
    assert bench.state is State.ACTIVE
    assert bench.watchdog.heat.level is HeatLevel.WARM
    assert WARM <= bench.watchdog.heat.temperature < HOT
    assert JOINT_NAMES[bench.watchdog.heat.hottest].startswith("rear")
    temperatures = bench.watchdog.heat.temperatures
    assert temperatures[bench.watchdog.heat.hottest] == max(temperatures) == bench.watchdog.heat.temperature
    assert f"{JOINT_NAMES[bench.watchdog.heat.hottest]} is warm, about" in bench.watchdog.why


def test_a_hot_servo_asks_for_rest() -> None:
    bench = stands(heating(48.0))
    bench.run(30.0)
    assert bench.state is State.ACTIVE
    assert bench.watchdog.heat.level is HeatLevel.HOT
    assert "let the robot rest, `quadleg sit`" in bench.watchdog.why


def test_a_servo_that_is_too_hot_lowers_the_robot_which_stands_again_when_it_has_cooled() -> None:
    bench = stands(heating(100.0, 20.0))
    bench.until(State.LOWERING, within=60.0)
    assert "is too hot, about 9" in bench.watchdog.why
    assert bench.watchdog.heat.temperature >= TOO_HOT
    bench.until(State.OFF)
    assert bench.watchdog.stop_category == 1
    words = bench.refused()
    assert "let it cool for about" in words
    bench.seconds(20.0)
    assert bench.watchdog.heat.temperature < HOT
    bench.enable()
    bench.until(State.ACTIVE)


def test_lowering_for_heat_is_not_turned_round() -> None:
    bench = stands(heating(100.0, 20.0))
    bench.until(State.LOWERING, within=60.0)
    bench.run(0.2)
    assert "too hot" in bench.refused()


# Standing without a command


def test_a_robot_that_nobody_asks_for_anything_says_so_and_lowers_itself() -> None:
    bench = stands(robots.inspector(), IDLE)
    bench.run(IDLE - 20.0)
    assert bench.state is State.ACTIVE
    assert "lowers itself after 60 s without a command" in bench.watchdog.why
    took = bench.until(State.LOWERING, within=30.0)
    assert took == pytest.approx(20.0, abs=1.0)
    assert bench.watchdog.why.startswith("stood for 60 s without a command")
    bench.until(State.OFF)
    assert bench.watchdog.stop_category == 1


def test_a_program_reads_that_it_lowers_itself_by_a_code_until_it_is_asked_for_something() -> None:
    bench = stands(robots.inspector(), IDLE)
    idle = bench.watchdog.idle
    assert idle.code(bench.now) is IdleCode.NOT_IDLE
    bench.run(IDLE - 20.0)
    assert idle.code(bench.now) is IdleCode.LOWERS_SOON
    assert idle.left(bench.now) == pytest.approx(20.0, abs=1.0)
    bench.until(State.OFF, within=40.0)
    bench.seconds(60.0)
    assert idle.code(bench.now) is IdleCode.LOWERED
    bench.enable()
    bench.until(State.ACTIVE)
    assert idle.code(bench.now) is IdleCode.NOT_IDLE


def test_a_robot_that_was_sat_down_did_not_lower_itself() -> None:
    bench = stands(robots.inspector(), IDLE)
    bench.run(IDLE - 20.0)
    bench.watchdog.enable(False, bench.now)
    bench.until(State.OFF)
    bench.seconds(60.0)
    assert bench.watchdog.idle.code(bench.now) is IdleCode.NOT_IDLE


def test_a_target_that_moves_is_a_command_and_one_that_trembles_is_none() -> None:
    bench = stands(robots.inspector(), IDLE)
    for sign in (1, -1) * 3:
        bench.run(IDLE / 2, [angle + sign * radians(1.0) for angle in bench.standing])
    assert bench.state is State.ACTIVE
    for sign in (1, -1) * 3:
        if bench.state is State.ACTIVE:
            bench.run(IDLE / 3, [angle + sign * radians(0.2) for angle in bench.standing])
    assert bench.state in (State.LOWERING, State.OFF)


def test_who_asks_it_to_stand_begins_anew() -> None:
    bench = stands(robots.inspector(), IDLE)
    bench.run(IDLE - 5.0)
    bench.enable()
    bench.run(IDLE - 5.0)
    assert bench.state is State.ACTIVE


def test_a_hold_is_no_command() -> None:
    bench = stands(robots.inspector(), IDLE)
    beyond = list(bench.standing)
    beyond[1] = bench.robot.joints[1].upper + 0.2
    bench.run(10.0, beyond)
    assert bench.state is State.HOLD
    bench.until(State.LOWERING, within=IDLE, angles=beyond)
    assert "without a command" in bench.watchdog.why


@pytest.mark.parametrize(("board", "seconds"), [("simulated", 0.0), ("i2c", ON_A_BOARD), ("serial", ON_A_BOARD)])
def test_it_is_off_by_default_on_simulation_alone(board: str, seconds: float) -> None:
    assert default_idle_time(robots.inspector().on_board(board)) == seconds
