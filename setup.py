from glob import glob
from pathlib import Path

from setuptools import find_packages, setup

NODES = (
    "gait",
    "base_motion",
    "leg_ik",
    "joint_watchdog",
    "servo_output",
    "state_estimator",
    "joystick",
    "teleop",
    "recorder",
    "viewer",
    "markers",
)


def wheels(distribution: str) -> list[str]:
    """ROS 2 as wheels, where there are any."""
    names = ("rclpy", "common-interfaces", "rmw-fastrtps-cpp")
    return [f"ros-{distribution}-{name}; platform_system == 'Linux' and platform_machine == 'x86_64'" for name in names]


EXTRAS = {
    "ros": wheels("kilted"),
    "ros-jazzy": wheels("jazzy"),
    "board": ["smbus2>=0.4", "pyserial>=3.5", "gpiod>=2.0; platform_system == 'Linux'"],
    "log": ["matplotlib>=3.6", "mcap>=1.1", "jinja2>=3.0"],
    "parquet": ["pyarrow>=10"],
    "view": ["viser>=1.1.1,<1.2", "websockets>=15"],
    "calibrate": ["textual>=8.0"],
    "pad": ["evdev>=1.6; platform_system == 'Linux'"],
    "sim": ["mujoco>=3.4"],
    "test": [
        "pytest>=7.4,<8",
        "pytest-xdist>=3.5,<3.7",
        "pytest-timeout>=2.3",
        "hypothesis>=6.90",
        "scipy>=1.10",
        "pin>=2.7; platform_system == 'Linux'",
        "mujoco>=3.4",
        "ikpy>=3.3",
        "modern-robotics>=1.1",
        "ahrs>=0.3",
        "psutil>=5.9",
        "evdev-binary>=1.6; platform_system == 'Linux' and platform_machine == 'x86_64'",  # needs no compiler
        "colcon-ros>=0.3",
        "colcon-test-result>=0.3",
        "import-linter>=2.6",
        "mypy>=2.4,<2.5",
        "ruff>=0.17,<0.18",
        "textual>=8.0",
        "mcap-ros2-support>=0.5",
        "rosbags>=0.9.20",
        "jinja2>=3.0",
        "pandas>=1.5",
        "pyarrow>=10",
        "viser>=1.1.1,<1.2",
        "websockets>=15",
        "pillow",
        "playwright>=1.40",
        "types-jsonschema",
    ],
}

setup(
    name="quadleg",
    version="0.1.0",
    description="Leg control and state estimation for small four-legged robots with twelve hobby servos",
    long_description=Path("README.md").read_text(encoding="utf-8"),
    long_description_content_type="text/markdown",
    license="Apache-2.0",
    maintainer="quadleg developers",
    maintainer_email="quadleg@localhost.localdomain",
    packages=find_packages(include=["quadleg", "quadleg.*"]),
    package_data={"quadleg.robot_file": ["*.json"], "quadleg.viewer": ["page/*"], "quadleg.report": ["*.jinja"]},
    data_files=[
        ("share/ament_index/resource_index/packages", ["resource/quadleg"]),
        ("share/quadleg", ["package.xml"]),
        ("share/quadleg/config", glob("config/*")),
        ("share/quadleg/launch", glob("launch/*.launch.py")),
    ],
    python_requires=">=3.10",
    install_requires=[
        "numpy>=1.21",
        "transforms3d>=0.4.1",
        "ruamel.yaml>=0.17",
        "jsonschema>=4.0",
        "rich>=12",
    ],
    extras_require=EXTRAS,
    entry_points={
        "console_scripts": [
            "quadleg = quadleg.cli.main:main",
            "control = quadleg.runtime.control:main",
            *(f"{node} = quadleg.nodes.{node}:main" for node in NODES),
        ]
    },
    zip_safe=True,
)
