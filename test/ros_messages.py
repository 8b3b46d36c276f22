"""ROS messages and their definitions, made by `rosbags`, which knows neither ROS nor quadleg."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

rosbags = pytest.importorskip("rosbags.typesys", reason="needs rosbags: pip install -e '.[test]'")
STORE = rosbags.get_typestore(rosbags.Stores.ROS2_JAZZY)
MESSAGE = STORE.types


def definition(type_name: str) -> str:
    text, _ = STORE.generate_msgdef(type_name, ros_version=2)
    return text


def header(frame: str) -> Any:
    stamp = MESSAGE["builtin_interfaces/msg/Time"](sec=7, nanosec=9)
    return MESSAGE["std_msgs/msg/Header"](stamp=stamp, frame_id=frame)


def joint_state(frame: str, names: list[str], position: list[float], effort: list[float]) -> bytes:
    message = MESSAGE["sensor_msgs/msg/JointState"](
        header=header(frame),
        name=names,
        position=np.array(position, float),
        velocity=np.array([], float),
        effort=np.array(effort, float),
    )
    return bytes(STORE.serialize_cdr(message, "sensor_msgs/msg/JointState"))
