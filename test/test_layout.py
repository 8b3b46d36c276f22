"""The order of imports: import-linter's contracts in pyproject.toml; what needs no ROS imports without it; node files
are short."""

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

NODE_LINES = 150  # a node reads parameters, converts messages, calls one object and publishes: more belongs elsewhere


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


def test_a_node_file_stays_short() -> None:
    nodes = sorted((ROOT / "quadleg" / "nodes").glob("*.py"))
    lines = {path.name: len(path.read_text(encoding="utf-8").splitlines()) for path in nodes}
    assert {name: count for name, count in lines.items() if count >= NODE_LINES} == {}
    assert "joint_watchdog.py" in lines
