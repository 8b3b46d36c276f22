"""Markers for 3D viewers: the plan's feet and support polygon, as they are published, while it walks."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from rclpy.qos import QoSProfile
from sensor_msgs.msg import MultiDOFJointState
from sound_stack import running_stack
from visualization_msgs.msg import Marker, MarkerArray

from quadleg.robot.colours import LEG, rgb
from quadleg.robot.model import LEGS
from quadleg.runtime.node_table import GRAPH, MARKERS, OPTIONAL


def xy(points: list) -> np.ndarray:
    return np.array([[point.x, point.y] for point in points])


def by_name(array: MarkerArray) -> dict[str, list[Marker]]:
    found: dict[str, list[Marker]] = {}
    for marker in array.markers:
        found.setdefault(marker.ns, []).append(marker)
    return found


def stamp(message) -> tuple[int, int]:
    header = message.header if hasattr(message, "header") else message.markers[0].header
    return header.stamp.sec, header.stamp.nanosec


def test_the_plan_is_shown_as_it_is(tmp_path: Path) -> None:
    niceness = os.nice(0)
    left = {entry.name: {"frame_prefix": "left/"} for entry in (*GRAPH, *OPTIONAL)}
    with running_stack(tmp_path, beside=(MARKERS,), parameters=left) as stack, stack.client() as robot:
        probe = stack.probe()
        shown = probe.hear(MarkerArray, "markers")
        planned = probe.hear(MultiDOFJointState, "planned_feet", QoSProfile(depth=2000))
        radius = stack.model.legs[0].foot_radius
        robot.stand()
        robot.walk(forward_m_s=0.05, seconds=3.0)
    plans = {stamp(plan): plan for plan in planned}
    pairs = [(array, plans[stamp(array)]) for array in shown if stamp(array) in plans]
    lifted = 0
    for array, plan in pairs:
        markers = by_name(array)
        assert {marker.header.frame_id for marker in array.markers} == {"left/base_footprint"}
        places = [transform.translation for transform in plan.transforms[:4]]
        for marker, place, leg in zip(markers["feet"], places, LEGS):
            assert (marker.pose.position.x, marker.pose.position.z) == (place.x, place.z)
            assert (marker.color.r, marker.color.g, marker.color.b) == pytest.approx(rgb(LEG[leg]), abs=1e-6)
        (polygon,) = markers["support_polygon"]
        down = [place for place, wrench in zip(places, plan.wrench) if wrench.force.z > 0]
        lifted += len(down) < 4
        assert {(p.x, p.y) for p in polygon.points} == {(place.x, place.y) for place in down}
        assert [point.z for point in polygon.points] == pytest.approx([0.0] * len(polygon.points), abs=radius)
        corners = xy(polygon.points)
        assert (corners[0] == corners[-1]).all()
        edges = np.diff(corners, axis=0)
        turns = edges[:, 0] * np.roll(edges[:, 1], -1) - edges[:, 1] * np.roll(edges[:, 0], -1)
        assert (turns > 0).all()  # counter-clockwise, with no crossing
        (way,) = markers["way_ahead"]
        assert np.hypot(*xy(way.points)[-1]) == pytest.approx(1.5 * np.hypot(plan.twist[-1].linear.x, 0.0), abs=0.01)
    assert len(pairs) > 20
    assert lifted > 5
    assert os.nice(0) == niceness  # this process's, which is that of all nodes in simulated time
