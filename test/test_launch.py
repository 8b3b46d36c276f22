"""launch/run.launch.py, started as `ros2 launch` starts it. Skips where launch or an installed package is missing."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

SOURCE = "does not import: source a ROS 2 that has it"
pytest.importorskip("rclpy", reason=f"rclpy {SOURCE}")
pytest.importorskip("launch_ros", reason=f"launch_ros {SOURCE}")
pytest.importorskip("launch_pytest", reason=f"launch_pytest {SOURCE}")

import launch_pytest
from ament_index_python.packages import PackageNotFoundError, get_package_share_directory
from conftest import Wire
from journey import from_base_target_to_joint_states
from launch.actions import IncludeLaunchDescription
from launch.launch_description_sources import PythonLaunchDescriptionSource
from launch_pytest.actions import ReadyToTest

from launch import LaunchDescription
from quadleg.safety.stop_socket import stop_here

try:
    SHARE = Path(get_package_share_directory("quadleg"))
except (PackageNotFoundError, OSError):  # OSError: no AMENT_PREFIX_PATH at all
    pytest.skip("quadleg is not in the ament index: `colcon build` and source its install", allow_module_level=True)

FILE = str(SHARE / "launch" / "run.launch.py")
DOMAIN = os.getpid() % 100 + 1


def including(**arguments: str) -> IncludeLaunchDescription:
    return IncludeLaunchDescription(PythonLaunchDescriptionSource(FILE), launch_arguments=arguments.items())


@pytest.fixture
def local(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ROS_DOMAIN_ID", str(DOMAIN))
    monkeypatch.setenv("ROS_AUTOMATIC_DISCOVERY_RANGE", "LOCALHOST")


@pytest.fixture
def wire(local: None) -> Iterator[Wire]:
    wire = Wire()
    yield wire
    wire.close()


@launch_pytest.fixture(params=["false", "true"])
def running(request: pytest.FixtureRequest, local: None) -> LaunchDescription:
    included = including(namespace="bench", frame_prefix="bench/", separate=request.param)
    return LaunchDescription([included, ReadyToTest()])


@pytest.mark.launch(fixture=running)
def test_the_launch_file_takes_a_base_target_to_joint_states_and_is_stopped(
    running: LaunchDescription, wire: Wire
) -> None:
    from_base_target_to_joint_states(wire, "bench", "bench/")
    assert [done for done, _ in stop_here("bench")] == [True]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"robt": "x.yaml"}, "robot is meant"),
        ({"robot": "nowhere"}, "greenhouse_inspector"),
        ({"namespace": "a-b"}, "no ROS namespace"),
        ({"rate": "fast"}, "rate"),
    ],
)
def test_wrong_arguments_are_refused_in_words(arguments: dict[str, str], words: str) -> None:
    # In a process of its own: launch keeps the standard output that it first saw, which pytest has changed since.
    code = f"""
from launch import LaunchDescription, LaunchService
from test_launch import including
service = LaunchService()
service.include_launch_description(LaunchDescription([including(**{arguments!r})]))
raise SystemExit(service.run())
"""
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=Path(__file__).parent
    )
    assert done.returncode == 1
    assert words in done.stdout + done.stderr
