"""The order of imports: import-linter's contracts in pyproject.toml; and what needs no ROS imports without it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from importlinter.cli import EXIT_STATUS_SUCCESS, lint_imports

ROOT = Path(__file__).resolve().parents[1]
ROS_PACKAGES = (
    "rclpy",
    "std_msgs",
    "std_srvs",
    "sensor_msgs",
    "geometry_msgs",
    "nav_msgs",
    "tf2_msgs",
    "trajectory_msgs",
    "diagnostic_msgs",
)


def test_imports_keep_the_contracts() -> None:
    assert lint_imports(config_filename=str(ROOT / "pyproject.toml"), no_cache=True) == EXIT_STATUS_SUCCESS


def test_what_needs_no_ros_imports_without_it() -> None:
    modules = [".".join(path.relative_to(ROOT).with_suffix("").parts) for path in (ROOT / "quadleg").rglob("*.py")]
    with_ros = ("quadleg.nodes", "quadleg.middleware", "quadleg.benchmarks.skeleton", "quadleg.demo.ground_truth")
    needs_none = [m.removesuffix(".__init__") for m in modules if not m.startswith(with_ros)]
    # A None in sys.modules makes every import of that name fail, as on a computer without ROS.
    code = f"import sys; sys.modules.update(dict.fromkeys({ROS_PACKAGES!r})); import {', '.join(needs_none)}"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
