"""launch/run.launch.py of the installed package, included as `ros2 launch` does. Skips where it is not installed."""

from __future__ import annotations

from pathlib import Path

import pytest
from ament_index_python.packages import PackageNotFoundError, get_package_share_directory
from launch.actions import IncludeLaunchDescription
from launch.launch_description_sources import PythonLaunchDescriptionSource

try:
    SHARE = Path(get_package_share_directory("quadleg"))
except (PackageNotFoundError, OSError):  # OSError: no AMENT_PREFIX_PATH at all
    pytest.skip("quadleg is not in the ament index: `colcon build` and source its install", allow_module_level=True)


def including(**arguments: str) -> IncludeLaunchDescription:
    file = str(SHARE / "launch" / "run.launch.py")
    return IncludeLaunchDescription(PythonLaunchDescriptionSource(file), launch_arguments=arguments.items())
