"""What the watchdog does about hot servos and about a robot that stands for nothing, on a clock of the test's own."""

from __future__ import annotations

from dataclasses import replace
from math import radians

import pytest
import sample_robots
from watchdog_rig import WatchdogRig, heating

from quadleg.dynamics.servo_heat import HOT, STANDARD_CASE, TOO_HOT, WARM
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.safety.idle_watch import ON_A_BOARD, idle_time
from quadleg.safety.reason_codes import HeatLevel, IdleCode, ReasonCode
from quadleg.safety.state_machine import State
from quadleg.safety.watchdog import Watchdog

IDLE = 60.0  # s
SLOW = replace(sample_robots.inspector(), control_rate=20.0)  # stands for minutes with few ticks


def stands(robot: RobotModel, idle_time: float = 0.0) -> WatchdogRig:
    bench = WatchdogRig(robot)
    bench.watchdog = Watchdog(robot, bench.period, bench.now, idle_time)
    return bench.up()


# Heat


def test_a_sound_robot_without_an_idle_time_stands_on_and_no_servo_is_warm() -> None:
    """Three time constants, after which 95 % of the way to the last temperature are done."""
    bench = stands(SLOW, 0.0)
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
    assert bench.codes[HeatLevel.WARM]["joint"] == JOINT_NAMES[bench.watchdog.heat.hottest]


def test_a_hot_servo_asks_for_rest() -> None:
    bench = stands(heating(48.0))
    bench.run(30.0)
    assert bench.state is State.ACTIVE
    assert bench.watchdog.heat.level is HeatLevel.HOT
    assert HeatLevel.HOT in bench.codes


def test_a_servo_that_is_too_hot_lowers_the_robot_which_stands_again_when_it_has_cooled() -> None:
    bench = stands(heating(100.0, 20.0))
    bench.until(State.LOWERING, within=60.0)
    assert float(bench.codes[HeatLevel.TOO_HOT]["celsius"]) == pytest.approx(TOO_HOT, abs=1.0)
    assert bench.watchdog.heat.temperature >= TOO_HOT
    bench.until(State.OFF)
    assert bench.watchdog.stop_category == 1
    assert float(bench.refused()[ReasonCode.COOLING]["minutes"]) > 0
    bench.seconds(20.0)
    assert bench.watchdog.heat.temperature < HOT
    bench.enable()
    bench.until(State.ACTIVE)


def test_the_period_in_which_a_servo_becomes_too_hot_lowers_the_robot() -> None:
    bench = stands(heating(100.0, 20.0))
    while bench.watchdog.heat.level is not HeatLevel.TOO_HOT:
        assert bench.state is State.ACTIVE
        bench.run(bench.period)
    assert bench.state is State.LOWERING


def test_a_servo_that_has_nearly_cooled_asks_for_a_tenth_of_a_minute_more() -> None:
    bench = stands(heating(100.0, 20.0))
    bench.until(State.OFF, within=60.0)
    minutes = []
    while refusal := bench.watchdog.heat.refusal():
        minutes.append(refusal.figures["minutes"])
        bench.tick()
    assert minutes[-1] == "0.1"


def test_lowering_for_heat_is_not_turned_round() -> None:
    bench = stands(heating(100.0, 20.0))
    bench.until(State.LOWERING, within=60.0)
    bench.run(0.2)
    assert bench.refused()[ReasonCode.COOLING]["level"] == "too hot"


# Standing without a command


def test_a_robot_that_nobody_asks_for_anything_says_so_and_lowers_itself() -> None:
    bench = stands(SLOW, IDLE)
    bench.run(IDLE - 20.0)
    assert bench.state is State.ACTIVE
    assert bench.codes[IdleCode.LOWERS_SOON] == {"seconds": f"{IDLE:g}"}
    took = bench.until(State.LOWERING, within=30.0)
    assert took == pytest.approx(20.0, abs=3 * bench.period)
    assert bench.codes[IdleCode.LOWERED] == {"seconds": f"{IDLE:g}"}
    bench.until(State.OFF)
    assert bench.watchdog.stop_category == 1


def test_it_lowers_itself_at_the_end_of_the_idle_time_and_not_before() -> None:
    bench = stands(replace(sample_robots.inspector(), control_rate=64.0), IDLE)  # whose times are exact
    assert bench.watchdog.idle.left(bench.now) == IDLE, "counted from when it stands"
    end = bench.now + IDLE
    bench.tick_at(end - 2**-20)
    assert bench.state is not State.LOWERING
    bench.tick_at(end)
    assert bench.state is State.LOWERING
    assert IdleCode.LOWERED in bench.codes


def test_a_program_reads_that_it_lowers_itself_by_a_code_until_it_is_asked_for_something() -> None:
    bench = stands(SLOW, IDLE)
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
    bench = stands(SLOW, IDLE)
    bench.run(IDLE - 20.0)
    bench.watchdog.enable(False, bench.now)
    bench.until(State.OFF)
    bench.seconds(60.0)
    assert bench.watchdog.idle.code(bench.now) is IdleCode.NOT_IDLE


def test_a_target_that_moves_is_a_command_and_one_that_trembles_is_none() -> None:
    bench = stands(SLOW, IDLE)
    for sign in (1, -1) * 3:
        bench.run(IDLE / 2, [angle + sign * radians(1.0) for angle in bench.standing])
    assert bench.state is State.ACTIVE
    for sign in (1, -1) * 3:
        if bench.state is State.ACTIVE:
            bench.run(IDLE / 3, [angle + sign * radians(0.2) for angle in bench.standing])
    assert bench.state in (State.LOWERING, State.OFF)


def test_who_asks_it_to_stand_begins_anew() -> None:
    bench = stands(SLOW, IDLE)
    bench.run(IDLE - 5.0)
    bench.enable()
    bench.run(IDLE - 5.0)
    assert bench.state is State.ACTIVE


def test_a_hold_is_no_command() -> None:
    bench = stands(SLOW, IDLE)
    beyond = list(bench.standing)
    beyond[1] = bench.robot.joints[1].upper + 0.2
    bench.run(10.0, beyond)
    assert bench.state is State.HOLD
    bench.until(State.LOWERING, within=IDLE, angles=beyond)
    assert IdleCode.LOWERED in bench.codes


@pytest.mark.parametrize(("board", "seconds"), [("simulated", 0.0), ("i2c", ON_A_BOARD), ("serial", ON_A_BOARD)])
def test_it_is_off_by_default_on_simulation_alone(board: str, seconds: float) -> None:
    robot = sample_robots.inspector().on_board(board)
    assert idle_time(-1.0, robot) == seconds
    assert [idle_time(wanted, robot) for wanted in (0.0, 40.0)] == [0.0, 40.0]
