"""Starts one robot's nodes, those of quadleg/runtime/node_table.py, and robot_state_publisher where it is installed.

    ros2 launch quadleg run.launch.py robot:=my_robot.yaml namespace:=left_bench

No servo is powered until the service `enable` asks for it. Ctrl-C lowers the robot, then ends.
"""

from difflib import get_close_matches

from ament_index_python.packages import PackageNotFoundError, get_package_prefix
from launch.actions import DeclareLaunchArgument, OpaqueFunction
from launch_ros.actions import Node

from launch import LaunchDescription
from quadleg.robot.urdf import urdf
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot
from quadleg.runtime.node_table import MARKERS, PAD, RECORDER, VIEWER, check_namespace, executables

ARGUMENTS = {
    "robot": (DEFAULT_ROBOT, "robot file: a path, or the name of one that comes with quadleg"),
    "board": ("", "how the computer reaches the PWM board; the robot file's by default"),
    "rate": ("", "control rate in Hz, 10 to 200; the robot file's by default"),
    "namespace": ("", "ROS namespace, for several robots"),
    "frame_prefix": ("", "prefix of all frame names, for several robots"),
    "separate": ("false", "true: one process a node instead of two processes"),
    "joystick": ("false", "true: also the nodes joystick and teleop, for a gamepad on this computer"),
    "recorder": ("false", "true: also the node recorder, which keeps the last minute; its file is a parameter"),
    "view": ("false", "true: also the node viewer, a page on this computer"),
    "markers": ("false", "true: also the node markers, for 3D viewers"),
}
# Lowering the robot takes some seconds; a second signal before that would switch it off at once.
PATIENCE = "30"


def generate_launch_description() -> LaunchDescription:
    declared = [DeclareLaunchArgument(name, default_value=d, description=text) for name, (d, text) in ARGUMENTS.items()]
    return LaunchDescription([*declared, OpaqueFunction(function=start)])


def start(context) -> list[Node]:
    """The nodes, once the arguments are known. Raises ValueError or QuadlegError in words for wrong ones."""
    given = context.launch_configurations
    refuse_misspelt(given)
    check_namespace(given["namespace"])
    robot = load_robot(find_robot(given["robot"]))
    shared = {"robot": str(robot.path), "frame_prefix": given["frame_prefix"]}
    if given["rate"]:
        shared["rate_hz"] = rate_in_hz(given["rate"])
    if given["board"]:
        shared["board"] = given["board"]
    beside = {"joystick": PAD, "recorder": RECORDER, "view": VIEWER, "markers": MARKERS}
    nodes = [
        Node(
            package="quadleg",
            executable=executable,
            name=name,
            namespace=given["namespace"],
            parameters=[{**shared, **own}],
            output="screen",
            sigterm_timeout=PATIENCE,
        )
        for executable, name, own in executables(
            chosen(given, "separate"), [process for name, process in beside.items() if chosen(given, name)]
        )
    ]
    return nodes + robot_state_publisher(robot, given)


def chosen(given, name: str) -> bool:
    return given[name].lower() in ("true", "1", "yes")


def rate_in_hz(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise ValueError(f"launch argument rate is '{text}'; it must be a number of Hz, 10 to 200") from None


def refuse_misspelt(given) -> None:
    """Raises ValueError for an argument nearly named like one of ours; others may be those of an including file."""
    for name in given:
        meant = get_close_matches(name, ARGUMENTS, n=1)
        if name not in ARGUMENTS and meant:
            raise ValueError(f"unknown launch argument {name}: {meant[0]} is meant? There are {', '.join(ARGUMENTS)}")


def robot_state_publisher(robot, given) -> list[Node]:
    """The node that makes the links' transforms from joint_states; none where it is not installed."""
    try:
        get_package_prefix("robot_state_publisher")
    except PackageNotFoundError:
        return []
    parameters = {"robot_description": urdf(robot), "frame_prefix": given["frame_prefix"]}
    return [
        Node(
            package="robot_state_publisher",
            executable="robot_state_publisher",
            namespace=given["namespace"],
            parameters=[parameters],
        )
    ]
