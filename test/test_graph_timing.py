"""The graph and its bare skeleton side by side: alike in all but the work; how fast either is, no test says."""

from __future__ import annotations

import subprocess
import sys

import psutil
import pytest
from conftest import wait_until

from quadleg.benchmarks import graph_timing
from quadleg.benchmarks.timing import GRAPH_ROWS
from quadleg.errors import QuadlegError
from quadleg.runtime.node_table import GRAPH

# What the graph says seldom, or asks for, beside the frames.
SELDOM = {"robot_description", "parameter_events", "rosout"}


@pytest.fixture
def graph_timings(domain, monkeypatch):
    """The graph's timings, short: few frames, at a rate that a busy computer keeps up with."""
    monkeypatch.setattr(graph_timing, "FRAMES", 100)
    return graph_timing


def test_both_sides_give_every_figure(graph_timings):
    for side in graph_timings.measure(rate_hz=50.0, blocks=1):
        assert side.keys() == GRAPH_ROWS.keys()
        assert all(value > 0 for value in side.values())
        assert side["tick_to_wire"] >= side["tick_to_wire_p50"]


def topics(probe, namespace: str) -> dict[str, list[set]]:
    """What each node publishes and hears, with the types, without what it says seldom; empty until all are found."""
    from rclpy.node import NodeNameNonExistentError

    def known(pairs) -> set:
        named = {(name.removeprefix(f"/{namespace}/").lstrip("/"), *types) for name, types in pairs}
        return {entry for entry in named if entry[0] not in SELDOM}

    try:
        return {
            entry.name: [
                known(probe.node.get_publisher_names_and_types_by_node(entry.name, f"/{namespace}")),
                known(probe.node.get_subscriber_names_and_types_by_node(entry.name, f"/{namespace}")),
            ]
            for entry in GRAPH
        }
    except NodeNameNonExistentError:
        return {}


def test_the_skeleton_has_the_nodes_and_topics_of_the_graph(graph_timings, monkeypatch, probe, tmp_path):
    monkeypatch.setattr(graph_timings, "namespace", lambda: "ours")
    ours = graph_timings.running_graph(100.0, tmp_path)
    monkeypatch.setattr(graph_timings, "namespace", lambda: "bare")
    bare = []

    def started(commands):
        bare.extend(commands)
        raise InterruptedError

    with monkeypatch.context() as patch:
        patch.setattr(graph_timings, "started", started)
        with pytest.raises(InterruptedError):
            graph_timings.measure(100.0)  # the skeleton is first
    with graph_timings.started(ours), graph_timings.started(bare):
        wait_until(lambda: topics(probe, "ours") == topics(probe, "bare") != {}, "the same nodes and topics")
        for published, _ in topics(probe, "ours").values():
            assert ("diagnostics", "diagnostic_msgs/msg/DiagnosticArray") in published


def test_a_side_that_does_not_come_up_is_an_error_with_its_words():
    command = [graph_timing.sys.executable, "-c", "print('no such node')"]
    with pytest.raises(QuadlegError, match="no such node"), graph_timing.started([command]):
        pass


def test_a_measurement_that_is_killed_leaves_no_stack(domain):
    command = [sys.executable, "-m", "quadleg.benchmarks.stop_timing", "--runs", "1000"]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as measuring:
        own = psutil.Process(measuring.pid)
        wait_until(lambda: len(own.children(recursive=True)) >= 3, "the stack's processes")
        stack = own.children(recursive=True)
        measuring.terminate()
        _, left = psutil.wait_procs(stack, timeout=40.0)
    assert not left


def test_processor_time_and_memory_are_those_of_the_process():
    # Against psutil.
    process = psutil.Process()
    times = process.cpu_times()
    assert graph_timing._cpu_seconds([process.pid]) == pytest.approx(times.user + times.system, abs=0.1)
    assert graph_timing.memory_mb(process.pid) == pytest.approx(process.memory_full_info().pss / 1e6, rel=0.02)
