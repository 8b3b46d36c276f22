"""The order of imports: each layer knows only those before it, and ROS stays where it belongs."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "quadleg"

# Each layer may import itself and those above it in this list.
LAYERS = [
    ["errors", "shipped", "interrupts", "private_folder"],
    ["robot.model"],
    ["kinematics", "dynamics.gravity"],
    ["dynamics"],
    ["robot"],
    ["gait", "safety", "servos", "sensors", "estimation", "teleop"],
    ["simulation", "commissioning", "recording", "viewer"],
    ["nodes.words", "resting"],
    ["nodes"],
    [
        "graph",
        "control",
        "runner",
        "client",
        "cli",
        "commands",
        "demo",
        "demo_pictures",
        "demo_tables",
        "own_stack",
        "drive",
        "replay",
        "timing",
        "graph_timing",
        "stop_timing",
        "words",
    ],
]
WITH_ROS = ("nodes", "graph", "control", "runner", "client", "demo", "drive", "replay", "commands")
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

MODULES = sorted(str(path.relative_to(PACKAGE).with_suffix("")).replace("/", ".") for path in PACKAGE.rglob("*.py"))


def layer_of(module: str) -> int:
    """The layer of the longest name that fits."""
    fitting = [
        (len(name), number)
        for number, names in enumerate(LAYERS)
        for name in names
        if module == name or module.startswith(name + ".")
    ]
    assert fitting, f"{module} stands in no layer of LAYERS"
    return max(fitting)[1]


def imports_of(module: str) -> set[str]:
    """Everything a module imports, at its top or inside its functions, by full name."""
    path = PACKAGE / (module.replace(".", "/") + ".py")
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}: imports are absolute here, from quadleg..."
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                is_module = (PACKAGE.parent / (whole.replace(".", "/") + ".py")).exists()
                found.add(whole if is_module else str(node.module))
    return found


@pytest.mark.parametrize("module", [m for m in MODULES if not m.endswith("__init__")])
def test_imports_point_one_way(module: str) -> None:
    for name in imports_of(module):
        if name.startswith("quadleg.") and name != "quadleg.__init__":
            imported = name.removeprefix("quadleg.")
            assert layer_of(imported) <= layer_of(module), f"{module} imports {imported}"


@pytest.mark.parametrize("module", [m for m in MODULES if m.split(".")[0] not in WITH_ROS])
def test_only_some_modules_know_ros(module: str) -> None:
    ros = {name for name in imports_of(module) if name.split(".")[0] in ROS_PACKAGES}
    assert not ros


def test_what_needs_no_ros_imports_without_it() -> None:
    needs_none = [f"quadleg.{m}" for m in MODULES if "." not in m or m.split(".")[0] != "nodes"]
    needs_none = [m.removesuffix(".__init__") for m in needs_none]
    # A None in sys.modules makes every import of that name fail, as on a computer without ROS.
    code = f"import sys; sys.modules.update(dict.fromkeys({ROS_PACKAGES!r})); import {', '.join(needs_none)}"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
