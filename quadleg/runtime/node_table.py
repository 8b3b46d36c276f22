"""The one table of nodes: name, executable, class, own parameters, and the process it lives in."""

from __future__ import annotations

import os
import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from importlib import import_module
from typing import Any

from quadleg.errors import NamespaceError
from quadleg.robot.model import LEGS
from quadleg.shipped import config_folder

SERVO_OUTPUT, CONTROL = "servo_output", "control"
PAD, RECORDER, VIEWER, MARKERS = "pad", "recorder", "viewer", "markers"
DISCOVERY = "ROS_AUTOMATIC_DISCOVERY_RANGE"


@dataclass(frozen=True)
class NodeEntry:
    """One node of the graph. Its class is the one in `nodes/<executable>.py` named `kind`."""

    name: str
    executable: str
    kind: str
    process: str
    parameters: dict[str, Any] = field(default_factory=dict)

    def make(self, middleware: Any, parameters: dict[str, Any]) -> Any:
        """The node, with the parameters given and its own. Needs ROS."""
        module = import_module(f"quadleg.nodes.{self.executable}")
        return getattr(module, self.kind)(middleware, self.name, {**parameters, **self.parameters})


GRAPH = (
    NodeEntry("servo_output", "servo_output", "ServoOutput", SERVO_OUTPUT),
    NodeEntry("joint_watchdog", "joint_watchdog", "JointWatchdog", CONTROL),
    *(NodeEntry(f"{leg}_ik", "leg_ik", "LegIk", CONTROL, {"leg": leg}) for leg in LEGS),
    NodeEntry("base_motion", "base_motion", "BaseMotion", CONTROL),
    NodeEntry("gait", "gait", "Gait", CONTROL),
    NodeEntry("state_estimator", "state_estimator", "StateEstimator", CONTROL),
)

# Only where their process is asked for, each beside the robot: it walks without them.
OPTIONAL = (
    NodeEntry("joystick", "joystick", "Joystick", PAD),
    NodeEntry("teleop", "teleop", "Teleop", PAD),
    NodeEntry("recorder", "recorder", "Recorder", RECORDER),
    NodeEntry("viewer", "viewer", "Viewer", VIEWER),
    NodeEntry("markers", "markers", "Markers", MARKERS),
)


def _beside(wanted: Collection[str]) -> tuple[NodeEntry, ...]:
    return tuple(entry for entry in OPTIONAL if entry.process in wanted)


def processes(separate: bool, beside: Collection[str] = ()) -> dict[str, tuple[NodeEntry, ...]]:
    """The processes and their nodes: two, or with `separate` one a node; and the optional ones `beside` them."""
    table: dict[str, tuple[NodeEntry, ...]] = {}
    for entry in GRAPH + _beside(beside):
        key = entry.name if separate else entry.process
        table[key] = (*table.get(key, ()), entry)
    return table


def executables(separate: bool, beside: Collection[str] = ()) -> list[tuple[str, str | None, dict[str, Any]]]:
    """What to start where each process is an executable: its name, the node's name (None where it runs several), and
    the node's own parameters."""
    alone = (GRAPH if separate else ()) + _beside(beside)
    together: list[tuple[str, str | None, dict[str, Any]]] = (
        [] if separate else [(SERVO_OUTPUT, SERVO_OUTPUT, {}), (CONTROL, None, {})]
    )
    return together + [(entry.executable, entry.name, entry.parameters) for entry in alone]


def entries(names: Iterable[str]) -> tuple[NodeEntry, ...]:
    """The entries of these names, in the order of the table."""
    wanted = set(names)
    return tuple(entry for entry in GRAPH + OPTIONAL if entry.name in wanted)


def check_namespace(namespace: str) -> None:
    """Raises NamespaceError for a namespace that ROS would refuse."""
    parts = namespace.strip("/").split("/") if namespace.strip("/") else []
    if not all(re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", part) for part in parts):
        raise NamespaceError(
            f"'{namespace}' is no ROS namespace: letters, digits and _ in parts between /, none beginning with a "
            f"digit, as in left_bench or lab/left_bench"
        )


def stay_local() -> bool:
    """Keeps this process's ROS traffic on this computer, unless the person chose otherwise; whether it did."""
    if any(os.environ.get(name) for name in (DISCOVERY, "ROS_STATIC_PEERS", "ROS_DISCOVERY_SERVER")):
        return False
    os.environ[DISCOVERY] = "LOCALHOST"
    return True


def find_each_other_soon() -> None:
    """Lets this process's nodes announce themselves often, unless the person has a Fast DDS profile of their own."""
    os.environ.setdefault("FASTDDS_DEFAULT_PROFILES_FILE", str(config_folder() / "fastdds_discovery.xml"))
