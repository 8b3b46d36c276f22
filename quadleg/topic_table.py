"""The one table of topics, message type and quality of service by name, and that of services.

Names are relative to the stack's namespace. A node publishes and hears a topic by its name alone (`advertise`, `listen`
and `poll` of middleware/guarded_node.py), offers and calls a service so too (`serve` and `client`), and the recorder
records every topic. README.md says what each is for.
"""

from __future__ import annotations

from dataclasses import dataclass

from quadleg.robot.model import LEGS

# s that a velocity, or a base target of teleop, counts: what is not repeated within this is no command.
COMMAND_FRESH = 0.5


@dataclass(frozen=True)
class TopicEntry:
    """A topic's `type`, `depth` (messages that wait), whether it is `latched` (its last message is given to a
    subscription that comes later), and whether publisher and subscriptions are reliable."""

    type: str
    depth: int = 1
    latched: bool = False
    reliable: bool = True
    heard_reliable: bool = True


NODES_WITH_STATES = ("joint_watchdog", "servo_output", "base_motion", "gait", "state_estimator")

TWIST, TWIST_STAMPED = "geometry_msgs/msg/Twist", "geometry_msgs/msg/TwistStamped"
POSE = TopicEntry("geometry_msgs/msg/PoseStamped")
LATCHED_TEXT = TopicEntry("std_msgs/msg/String", latched=True)
ODOMETRY = TopicEntry("nav_msgs/msg/Odometry")
FEET = TopicEntry("sensor_msgs/msg/MultiDOFJointState")
STATUS = TopicEntry("diagnostic_msgs/msg/DiagnosticStatus", latched=True)

TOPICS: dict[str, TopicEntry] = {
    "cmd_vel": TopicEntry(TWIST_STAMPED),  # or TWIST: gait subscribes in the type that is published
    "teleop/cmd_vel": TopicEntry(TWIST_STAMPED),
    "base_target": POSE,
    "teleop/base_target": POSE,
    "planned_feet": FEET,
    **{f"{leg}/foot_target": TopicEntry("geometry_msgs/msg/PointStamped") for leg in LEGS},
    # With a depth of 1 the four legs' publishers would overwrite each other; two frames of them have room.
    "joint_targets": TopicEntry("trajectory_msgs/msg/JointTrajectory", depth=8),
    "joint_commands": TopicEntry("trajectory_msgs/msg/JointTrajectory"),
    "joint_states": TopicEntry("sensor_msgs/msg/JointState", depth=10),
    "servo_state": LATCHED_TEXT,
    "state": LATCHED_TEXT,
    "supply": TopicEntry("sensor_msgs/msg/BatteryState"),
    "imu/data": TopicEntry(
        "sensor_msgs/msg/Imu", depth=5, reliable=False, heard_reliable=False
    ),  # qos_profile_sensor_data
    "odom": ODOMETRY,
    "truth/odom": ODOMETRY,
    "foot_loads": FEET,
    "robot_description": LATCHED_TEXT,
    "walking_limits": LATCHED_TEXT,
    "markers": TopicEntry("visualization_msgs/msg/MarkerArray"),
    # Any publisher is heard, a best-effort one too, and a button that is pressed for a moment is not overwritten.
    "joy": TopicEntry("sensor_msgs/msg/Joy", depth=10, heard_reliable=False),
    "diagnostics": TopicEntry("diagnostic_msgs/msg/DiagnosticArray"),
    **{f"{node}/status": STATUS for node in NODES_WITH_STATES},
    # Of all robots of a domain.
    "/tf": TopicEntry("tf2_msgs/msg/TFMessage", depth=100),
    "/tf_static": TopicEntry("tf2_msgs/msg/TFMessage", latched=True),
}

TRIGGER = "std_srvs/srv/Trigger"

SERVICES: dict[str, str] = {
    "enable": "std_srvs/srv/SetBool",
    "reset": TRIGGER,
    "emergency_stop": TRIGGER,
    "recorder/keep": TRIGGER,
    # Of every node by ROS 2; these are what choosing a gait and finding a stack take.
    "gait/set_parameters": "rcl_interfaces/srv/SetParameters",
    "gait/get_parameters": "rcl_interfaces/srv/GetParameters",
}


def full_name(name: str, namespace: str) -> str:
    """Return a topic's name in a stack's namespace."""
    return name if name.startswith("/") else f"{namespace.rstrip('/')}/{name}"
