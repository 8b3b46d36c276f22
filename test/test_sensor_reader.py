"""A sensor that fails and comes back, and when the bus is the sensors'."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from sample_robots import digger, inspector, with_sensors

from quadleg.errors import BoardError
from quadleg.hardware.board import Board
from quadleg.hardware.ina226 import Ina226
from quadleg.hardware.readings import PowerReading
from quadleg.hardware.reconnecting_sensor import LONGEST_PAUSE, ReconnectingSensor
from quadleg.hardware.sensor_kinds import SENSOR_ROLES, SensorRole
from quadleg.kinematics.body_pose import stance_angles
from quadleg.servos.bus_schedule import bus_times, turns
from quadleg.servos.simulated_board import SimulatedBoard
from quadleg.servos.simulated_sensors import SIMULATED_IMUS, SIMULATED_SUPPLY_SENSORS

ROBOT = with_sensors(inspector())
SENSOR = ROBOT.supply.sensor
assert SENSOR


def board() -> SimulatedBoard:
    return SimulatedBoard(ROBOT, stance_angles(ROBOT, ROBOT.resting), clock=lambda: 1.0)


def reader() -> ReconnectingSensor[PowerReading]:
    return ReconnectingSensor(lambda board: Ina226(board.neighbour(SENSOR.address), SENSOR))


def test_a_sensor_that_works_is_started_once() -> None:
    there, reads = board(), reader()
    assert there.power
    assert [reads.read(there, k * 0.04) for k in range(3)] == [pytest.approx((6.0, 0.0), abs=1e-3)] * 3
    assert (reads.trouble, reads.failures) == (None, 0)


def test_one_that_lost_its_power_is_started_again_after_a_moment() -> None:
    there, reads = board(), reader()
    assert reads.read(there, 0.0)
    assert there.power
    there.power.lose_power()
    assert reads.read(there, 1.0) is None
    assert "was without power" in str(reads.trouble)
    assert reads.read(there, 1.01) is None
    assert reads.failures == 1
    assert reads.read(there, 1.2) == pytest.approx((6.0, 0.0), abs=1e-3)
    assert reads.trouble is None


class UnpluggedSensor(Ina226):
    """A sensor that was unplugged; `asked` is when it was spoken to."""

    def __init__(self) -> None:
        self.asked = 0

    def start(self) -> None:
        self.asked += 1
        raise BoardError("no chip answers", "plug it in")


def test_one_that_is_gone_is_looked_for_ever_less_often() -> None:
    gone, there = UnpluggedSensor(), board()
    reads = ReconnectingSensor(lambda board: gone)
    counts = []
    for second in range(20):
        before = gone.asked
        for part in range(25):
            reads.read(there, second + 0.04 * part)
        counts.append(gone.asked - before)
    assert counts[0] > 2
    assert sum(counts[-10:]) == pytest.approx(10 / LONGEST_PAUSE, abs=1)
    assert (reads.trouble, reads.failures) == ("no chip answers: plug it in", sum(counts))


def test_a_board_that_was_opened_anew_has_its_sensor_started_at_once() -> None:
    made: list[Board] = []

    def make(board: Board) -> Ina226:
        made.append(board)
        return Ina226(board.neighbour(SENSOR.address), SENSOR)

    reads, first, second = ReconnectingSensor(make), board(), board()
    assert reads.read(first, 0.0)
    assert reads.read(second, 0.01)
    assert made == [first, second]


def test_a_reading_takes_the_clocks_of_its_bytes() -> None:
    # UM10204: nine clocks a byte. Two addresses, the register and 14 bytes; three times that with 2 bytes.
    _, imu, supply = bus_times(ROBOT)
    assert imu * 400e3 == 9 * 17 + 3
    assert supply * 400e3 == 3 * (9 * 5 + 3)


@pytest.mark.parametrize(
    ("speed", "rate", "imu_rate", "supply_every"),
    [
        (400e3, 50.0, 100, 2),
        (100e3, 50.0, 100, 2),
        (100e3, 100.0, 100, 4),
        (400e3, 100.0, 100, 4),
        (400e3, 40.0, 120, 2),
    ],
)
def test_the_bus_leaves_time_for_the_sensors(speed: float, rate: float, imu_rate: float, supply_every: int) -> None:
    robot = replace(ROBOT, board=replace(ROBOT.board, bus_speed=speed))
    found = turns(robot, 1 / rate)
    assert (found.imu * rate, found.rate, found.supply_every, found.together) == (
        imu_rate,
        imu_rate,
        supply_every,
        True,
    )
    frame, imu, supply = bus_times(robot)
    # Beside all that, a fifth of the period stays free.
    assert frame + found.imu * imu + supply < 0.8 / rate


def test_where_frames_leave_nothing_the_sensors_get_nothing() -> None:
    # Twelve scattered channels at 100 kHz take 5 ms of every 5.
    robot = replace(digger(), board=replace(digger().board, bus_speed=100e3))
    assert turns(robot, 1 / 200)[:2] == (0, 0)


def test_behind_a_slow_serial_port_they_take_turns() -> None:
    robot = replace(ROBOT, board=replace(ROBOT.board, kind="serial", baud=57600))
    assert turns(robot, 1 / 25) == (1, 1, False, 25.0)
    fast = replace(robot, board=replace(robot.board, baud=500000))
    assert turns(fast, 1 / 25) == (4, 1, True, 100.0)


@pytest.mark.parametrize("role", SENSOR_ROLES, ids=lambda role: role.name)
def test_every_kind_has_a_simulated_chip(role: SensorRole[Any]) -> None:
    assert set(role.kinds) <= SIMULATED_IMUS.keys() | SIMULATED_SUPPLY_SENSORS.keys()
