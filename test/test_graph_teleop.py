"""joystick and teleop in real processes: gamepads that are plugged in, parameters, and a stack on a gamepad."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from math import inf
from pathlib import Path

import pytest
from conftest import RosProbe, Stack, own_domain, wait_until
from fake_gamepad import EV_ABS, EV_SYN, FOLDER, SITE, FakePad

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from fake_stack import FakeStack
from geometry_msgs.msg import TwistStamped
from pseudo_terminal import UP, PseudoTerminal
from rcl_interfaces.srv import DescribeParameters, GetParameters, ListParameters
from rclpy.parameter import parameter_value_to_python
from ruamel.yaml import YAML
from sensor_msgs.msg import Joy, MultiDOFJointState

from quadleg.client import Robot
from quadleg.runtime.node_table import PAD, executables, find_each_other_soon, processes
from quadleg.shipped import config_folder

NODE = "from quadleg.nodes.{0} import main; main()"
SLACK = 0.6  # s that a busy computer may be late


def process(node: str, *arguments: str, **options) -> subprocess.Popen[str]:
    """One node in a process of its own."""
    command = [sys.executable, "-c", NODE.format(node), *arguments]
    return subprocess.Popen(command, text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, **options)


@pytest.fixture(scope="module")
def fake_stack() -> Iterator[FakeStack]:
    """What joystick and teleop take for a stack."""
    with pytest.MonkeyPatch.context() as patch:
        own_domain(patch)
        find_each_other_soon()
        probe = RosProbe()
        yield FakeStack(probe)
        probe.close()


def test_a_mapping_that_cannot_be_ends_it_with_its_name(fake_stack: FakeStack) -> None:
    teleop = process("teleop", "--ros-args", "-r", "__ns:=/other", "-p", "walk.forward:='stick 1'")
    said, _ = teleop.communicate(timeout=20)
    assert teleop.returncode == 2
    assert "parameter walk.forward: 'stick 1' is no input" in said


@pytest.mark.parametrize("node", ["joystick", "teleop"])
def test_the_shipped_file_is_what_the_nodes_declare(fake_stack: FakeStack, node: str, tmp_path: Path) -> None:
    if node == "joystick":
        pytest.importorskip("evdev", reason="evdev does not import: the extra `pad` brings it")

    def flat(nodes: dict, prefix: str = "") -> dict:
        found = {}
        for key, value in nodes.items():
            found.update(flat(value, f"{prefix}{key}.") if isinstance(value, dict) else {prefix + key: value})
        return found

    written = flat(YAML(typ="safe").load(config_folder() / "joystick.yaml")[f"/**/{node}"]["ros__parameters"])
    running = process(node, "--ros-args", "-r", "__ns:=/shipped")
    try:
        service = f"shipped/{node}"
        declared = fake_stack.probe.ask(ListParameters, f"{service}/list_parameters").result.names
        ours = {n for n in declared if n != "use_sim_time" and not n.startswith("start_type")}
        assert ours == {*written, "robot", "frame_prefix"}
        values = fake_stack.probe.ask(GetParameters, f"{service}/get_parameters", names=list(written)).values
        assert dict(zip(written, map(parameter_value_to_python, values))) == written
        asked = fake_stack.probe.ask(DescribeParameters, f"{service}/describe_parameters", names=list(ours))
        assert all(len(described.description) > 10 for described in asked.descriptors)
    finally:
        running.terminate()
        assert running.wait(15) == 0


def test_a_gamepad_s_nodes_are_there_only_where_they_are_asked_for() -> None:
    for separate in (False, True):
        added = [one for one in executables(separate, [PAD]) if one not in executables(separate)]
        assert added == [("joystick", "joystick", {}), ("teleop", "teleop", {})]
    assert [entry.name for entry in processes(False, [PAD])["pad"]] == ["joystick", "teleop"]
    assert "pad" not in processes(separate=False)


# The gamepad's own node, and a stack on a gamepad


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where gamepads are plugged in, for all processes that are started."""
    pytest.importorskip("evdev", reason="evdev does not import: the extra `pad` brings it")
    monkeypatch.setenv(FOLDER, str(tmp_path))
    monkeypatch.setenv("PYTHONPATH", str(SITE))
    return tmp_path


def test_joystick_publishes_while_there_is_a_gamepad(fake_stack: FakeStack, folder: Path) -> None:
    heard = fake_stack.probe.hear(Joy, "plugged/joy", 1000)
    joystick = process("joystick", "--ros-args", "-r", "__ns:=/plugged", "-r", "/plugged/diagnostics:=/diagnostics")
    try:
        fake_stack.says("no gamepad is plugged in", "joystick")
        assert not heard
        fake = FakePad(folder)
        fake_stack.probe.wait(lambda: heard, "joy")
        assert heard[0].axes == pytest.approx([0, 0, 1, 0, 0, 1, 0, 0], abs=1e-4)
        assert list(heard[0].buttons) == [0] * 11
        # It goes on where nothing changes.
        before, begun = len(heard), time.monotonic()
        fake_stack.probe.wait(lambda: len(heard) >= before + 10, "ten more")
        assert time.monotonic() - begun < 1.0 + SLACK
        fake.press(1)
        fake.press(1, down=False)
        fake_stack.probe.wait(lambda: any(message.buttons[1] for message in heard), "a press for a moment")
        # A flood of events is not passed on.
        before, begun = len(heard), time.monotonic()
        while time.monotonic() < begun + 0.5:
            fake.send(*((EV_ABS, 0, k) for k in range(-100, 100)), (EV_SYN, 0, 0))
            fake.move(x=-1)
        assert len(heard) - before < 40 + 50 * SLACK
        fake_stack.probe.wait(lambda: heard[-1].axes[0] == 1.0, "the last event")
        fake.unplug()
        fake_stack.says("no gamepad is plugged in", "joystick")
        assert fake_stack.is_silent(heard)
        fake.plug()
        fake_stack.probe.wait(lambda: heard[-1].axes[0] == 1.0, "joy again")
    finally:
        joystick.terminate()
        assert joystick.wait(10) == 0


def test_without_evdev_joystick_ends_with_the_cure(fake_stack: FakeStack) -> None:
    code = "import sys; sys.modules['evdev'] = None; " + NODE.format("joystick")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=20)
    assert done.returncode == 2
    assert "pip install -e '.[pad]'" in done.stderr


def _drives_by_keys(probe: RosProbe, frames: list[MultiDOFJointState]) -> None:
    """The keyboard in its place, whose process is killed while the robot walks."""
    terminal = PseudoTerminal("--dead-man", "10")
    pressed = -inf

    def walks() -> bool:
        nonlocal pressed
        # Again, as a person would: keys that wait for long for a busy computer are no longer meant.
        if time.monotonic() > pressed + 1.0:
            terminal.keys(UP * 4)
            pressed = time.monotonic()
        return frames[-1].twist[-1].linear.x > 0.05

    try:
        terminal.shows("active: following", "m/s forward", "creep of creep, trot: stands")
        probe.wait(walks, "walking by keys")
    finally:
        terminal.end()
    probe.wait(lambda: frames[-1].twist[-1].linear.x == 0.0, "a stance")


def test_a_robot_on_a_gamepad_stands_walks_stops_without_it_and_is_switched_off_by_it(
    start: Callable[..., Stack], probe: RosProbe, folder: Path
) -> None:
    stack = start("--joystick", "--params-file", str(config_folder() / "joystick.yaml"))
    frames = probe.hear(MultiDOFJointState, "planned_feet", 100)
    velocities = probe.hear(TwistStamped, "teleop/cmd_vel", 100)
    stack.wait_for_line("ready after")
    fake = FakePad(folder)
    with Robot() as robot:
        robot.wait(lambda: "not held" in robot.last.message("teleop"), 5.0, lambda: robot.last.message("teleop"))
        fake.move(rz=1)
        fake.press(7)
        robot.wait_for("active", within=25.0)
        fake.press(7, down=False)
        fake.move(y=-1)
        probe.wait(lambda: frames[-1].twist[-1].linear.x > 0.05, "walking")
        fake.unplug()
        pulled = time.monotonic()
        probe.wait(lambda: velocities[-1].twist.linear.x == 0.0, "no velocity")
        assert time.monotonic() - pulled < 0.5 + SLACK
        probe.wait(lambda: frames[-1].twist[-1].linear.x == 0.0, "a stance")
        robot.wait_for("active", within=5.0)  # a busy computer may be late with a frame; that hold ends by itself
        _drives_by_keys(probe, frames)
        fake.plug()
        fake.press(1)
        wait_until(lambda: stack.powered() == 0, "limp")
        robot.wait_for("fault", within=2.0)
    assert stack.end() == 0
