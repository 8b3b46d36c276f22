"""The benchmarks' form and yardsticks; how fast anything is, no test says."""

from __future__ import annotations

import json
import sys

import numpy as np
import pytest
import sample_robots

from quadleg.benchmarks import graph_timing, stop_timing, timing
from quadleg.benchmarks.timing import Timing
from quadleg.cli import main, measure_commands
from quadleg.kinematics.leg import forward, inverse

KEYS = ["name", "value", "unit", "yardstick", "yardstick_value", "ratio"]


@pytest.fixture
def quick(monkeypatch):
    """Every benchmark goes through its cases once."""
    monkeypatch.setattr(timing.timeit, "repeat", lambda block, number, repeat: block() or [1.0])


def test_ratio_is_value_by_yardstick():
    assert Timing("a", 3.0, "us", "other", 4.0).ratio == 0.75
    assert Timing("a", 3.0, "us").ratio is None


def test_json_is_one_array_with_null_for_what_is_not_there():
    timings = [Timing("a", 3.0, "us", "other", 4.0, "said to a person only"), Timing("b", 7.0, "per_s")]
    assert json.loads(timing.as_json(timings)) == [
        dict(zip(KEYS, ("a", 3.0, "us", "other", 4.0, 0.75))),
        dict(zip(KEYS, ("b", 7.0, "per_s", None, None, None))),
    ]


@pytest.mark.usefixtures("quick")
def test_measure_gives_every_row(monkeypatch):
    figures = [dict.fromkeys(timing.GRAPH_ROWS, value) for value in (3.0, 2.0)]
    monkeypatch.setattr(graph_timing, "measure", lambda: figures)
    monkeypatch.setattr(stop_timing, "measure", lambda busy: [0.3, 0.1, 0.2])
    monkeypatch.setattr(timing, "find_spec", lambda name: name in ("rclpy", "mcap"))
    rows = timing.measure()
    assert [(row.name, row.unit) for row in rows] == [
        ("ik_scalar", "us"),
        ("ik_scalar_ikpy", "us"),
        ("ik_batch", "per_s"),
        ("pose_to_bytes", "us"),
        ("planner_tick", "us"),
        ("rollout_frame", "us"),
        ("rollout_frame_with_estimator", "us"),
        ("record_message", "us"),
        ("read_message", "us"),
        ("tick_to_wire", "ms"),
        ("tick_to_wire_p50", "ms"),
        ("graph_cpu", "percent"),
        ("graph_memory", "MB"),
        ("start_to_ready", "s"),
        ("stop", "ms"),
        ("stop_busy", "ms"),
    ]
    assert all(row.ratio == 1.5 for row in rows[9:14])
    assert all(row.value == 200.0 and "worst 300 ms" in row.note for row in rows[14:])


@pytest.mark.usefixtures("quick")
def test_without_ros_the_rest_is_measured_and_what_is_left_out_is_said(monkeypatch, capsys):
    for module in (timing, measure_commands):
        monkeypatch.setattr(module, "find_spec", lambda name: None)
    assert main.main(["timing", "--json"]) == 0
    told = capsys.readouterr()
    names = [row["name"] for row in json.loads(told.out)]
    assert names[:5] == ["ik_scalar", "ik_scalar_ikpy", "ik_batch", "pose_to_bytes", "planner_tick"]
    assert names[5:] == ["rollout_frame", "rollout_frame_with_estimator"]
    assert "the graph is not timed" in told.err


@pytest.mark.usefixtures("quick")
def test_without_physics_its_rows_are_left_out(monkeypatch):
    monkeypatch.setitem(sys.modules, "mujoco", None)
    monkeypatch.delitem(sys.modules, "quadleg.simulation.rollout", raising=False)
    assert timing.physics_rows(sample_robots.inspector()) == []


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize(("benchmark", "module"), [(timing.ik_scalar, "pinocchio"), (timing.ik_scalar_ikpy, "ikpy")])
def test_missing_yardstick_is_null_and_the_note_says_how_to_get_it(monkeypatch, benchmark, module):
    monkeypatch.setitem(sys.modules, module, None)
    monkeypatch.setitem(sys.modules, f"{module}.chain", None)
    row = benchmark(sample_robots.inspector())
    assert row.value > 0
    assert row.yardstick is None
    assert row.yardstick_value is None
    assert row.ratio is None
    assert module in row.note
    assert "the extra `test` brings it" in row.note


def test_table_says_all_of_it(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    timing.print_table([Timing("a", 16_234_567.0, "per_s", "other", 4e6, "told"), Timing("b", 0.5678, "us")])
    out = capsys.readouterr().out
    for word in ("16.2 million per_s", "other", "4 million per_s", "4.1", "told", "0.568 us"):
        assert word in out


def test_time_of_a_call_is_the_best_block_by_the_number_of_cases(monkeypatch):
    monkeypatch.setattr(timing.timeit, "repeat", lambda block, number, repeat: block() or [9.0, 6.0, 8.0])
    monkeypatch.setattr(timing, "inverse", lambda leg, point: seen.append(point))
    monkeypatch.setattr(timing, "pinocchio_iteration", lambda robot, leg: lambda start, point: None)
    seen = []
    assert timing.ik_scalar(sample_robots.inspector()).value == 6e6 / len(seen)
    assert len(seen) == len(set(seen)) > 1000


@pytest.mark.parametrize("robot", [sample_robots.inspector(), sample_robots.digger()], ids=lambda robot: robot.name)
@pytest.mark.usefixtures("quick")
def test_points_are_reachable_and_differ(monkeypatch, robot):
    timed, inverse_batch = [], timing.inverse_batch
    monkeypatch.setattr(timing, "inverse_batch", lambda leg, points: timed.append(points) or inverse_batch(leg, points))
    timing.ik_batch(robot)
    points = timed[-1]
    assert points.shape == (300_000, 3)
    assert len(np.unique(points, axis=0)) == len(points)
    for point in points[:1000]:
        inverse(robot.legs[0], tuple(point))  # raises Unreachable where it is not


# The yardsticks must do the work that they are timed for.


@pytest.mark.parametrize("leg", sample_robots.inspector().legs, ids=lambda leg: leg.name)
def test_pinocchio_yardstick_converges_to_our_inverse(leg):
    pytest.importorskip("pinocchio")
    iterate = timing.pinocchio_iteration(sample_robots.inspector(), leg)
    start = np.array([sum(limits) / 2 for limits in leg.limits])
    point = np.array(forward(leg, start + np.array([0.1, -0.2, 0.15])))
    angles = start
    for _ in range(20):
        angles = iterate(angles, point)
    assert angles == pytest.approx(inverse(leg, tuple(point)), abs=1e-6)


@pytest.mark.parametrize("leg", sample_robots.inspector().legs, ids=lambda leg: leg.name)
def test_ikpy_yardstick_reaches_the_point(leg):
    pytest.importorskip("ikpy")
    solve = timing.ikpy_inverse(sample_robots.inspector(), leg)
    point = np.array(forward(leg, [sum(limits) / 2 + 0.1 for limits in leg.limits]))
    assert forward(leg, solve(point)) == pytest.approx(point, abs=1e-4)
