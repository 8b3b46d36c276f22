"""joystick and teleop in real processes: what goes out, what does not, and what is said."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from math import inf, nan
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
from std_srvs.srv import Trigger

from quadleg.client import Robot
from quadleg.robot_file.load import find_robot, load_robot
from quadleg.runtime.node_table import PAD, executables, find_each_other_soon, processes
from quadleg.shipped import config_folder

NODE = "from quadleg.nodes.{0} import main; main()"
WALK = {5: -1.0}
TILT = {2: -1.0}
SLACK = 0.6  # s that a busy computer may be late


def process(node: str, *arguments: str, **options) -> subprocess.Popen[str]:
    """One node in a process of its own."""
    command = [sys.executable, "-c", NODE.format(node), *arguments]
    return subprocess.Popen(command, text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, **options)


class GamepadRig:
    """Publishes what it shows, as often as it is told, until it is told to end."""

    def __init__(self, probe: RosProbe, rate: float = 20.0) -> None:
        self._probe = probe
        self._publisher = probe.publisher(Joy, "joy")
        self._period = 1 / rate
        self._end = threading.Event()
        self.last = 0.0
        self.show()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def show(self, axes: dict[int, float] | None = None, *buttons: int, count: int = 8) -> None:
        at = {2: 1.0, 5: 1.0, **(axes or {})}
        self._message = Joy(axes=[at.get(k, 0.0) for k in range(count)], buttons=[int(k in buttons) for k in range(11)])

    def _run(self) -> None:
        while not self._end.wait(self._period):
            self.last = time.monotonic()
            self._publisher.publish(self._message)

    def end(self) -> None:
        if not self._end.is_set():
            self._end.set()
            self._thread.join()
            self._probe.node.destroy_publisher(self._publisher)


@pytest.fixture(scope="module")
def fake_stack() -> Iterator[FakeStack]:
    """teleop in a process of its own, with frames `test/...`."""
    with pytest.MonkeyPatch.context() as patch:
        own_domain(patch)
        find_each_other_soon()
        probe = RosProbe()
        teleop = process("teleop", "--ros-args", "-p", "frame_prefix:=test/", "-p", "unmoved_time:=3.0")
        try:
            yield FakeStack(probe)
            teleop.terminate()
            assert teleop.wait(10) == 0
        finally:
            teleop.kill()
            probe.close()


@pytest.fixture
def gamepad(fake_stack: FakeStack) -> Iterator[GamepadRig]:
    """A gamepad at rest that teleop hears, with a robot that is active."""
    fake_stack.state("active")
    fake_stack.limits()
    gamepad = GamepadRig(fake_stack.probe)
    fake_stack.says("the dead-man is not held")
    yield gamepad
    gamepad.end()
    fake_stack.says("the gamepad is lost")


# This one first: later ones let teleop hear the limits.
def test_before_the_limits_are_heard_there_is_no_velocity(fake_stack: FakeStack) -> None:
    fake_stack.says("no joy is heard")
    gamepad = GamepadRig(fake_stack.probe)
    fake_stack.says("the dead-man is not held")
    gamepad.show({**WALK, 1: 1.0})
    fake_stack.says("walking_limits is not heard")
    assert fake_stack.is_silent(fake_stack.velocities)
    fake_stack.limits()
    fake_stack.goes(0.07, 0.0, 0.0)
    fake_stack.limits("gait: [")
    fake_stack.says("walking_limits cannot be read")
    fake_stack.goes(0.0, 0.0, 0.0)
    assert fake_stack.is_silent(fake_stack.velocities)
    gamepad.end()


def test_held_it_walks_and_let_go_it_says_zero_once(fake_stack: FakeStack, gamepad: GamepadRig) -> None:
    assert fake_stack.is_silent(fake_stack.velocities)
    gamepad.show({**WALK, 0: 1.0, 1: -1.0, 3: -0.5})
    fake_stack.goes(-0.06, 0.04, -0.25)
    assert fake_stack.velocities[-1].header.frame_id == "test/base_footprint"
    fake_stack.says("asks for 0.060 m/s backward, 0.040 m/s to the left, 0.250 rad/s right")
    before = len(fake_stack.velocities)
    gamepad.show({0: 1.0, 1: -1.0})
    fake_stack.goes(0.0, 0.0, 0.0)
    assert fake_stack.is_silent(fake_stack.velocities)
    zeros = [message for message in fake_stack.velocities[before:] if message.twist.linear.x == 0.0]
    assert len(zeros) == 1


def test_a_lost_gamepad_is_zero_within_the_dead_man_time(fake_stack: FakeStack, gamepad: GamepadRig) -> None:
    gamepad.show({**WALK, 1: 1.0})
    fake_stack.goes(0.07, 0.0, 0.0)
    gamepad.end()
    fake_stack.goes(0.0, 0.0, 0.0)
    assert time.monotonic() - gamepad.last < 0.5 + SLACK
    assert fake_stack.is_silent(fake_stack.velocities)
    # Back again with the trigger still held, it waits for a new squeeze.
    again = GamepadRig(fake_stack.probe)
    again.show({**WALK, 1: 1.0})
    fake_stack.says("let the dead-man go once")
    assert fake_stack.is_silent(fake_stack.velocities, 0.2)
    again.end()


def test_a_flood_is_not_passed_on(fake_stack: FakeStack) -> None:
    fake_stack.limits()
    gamepad = GamepadRig(fake_stack.probe, rate=1000.0)
    fake_stack.says("the dead-man is not held")
    gamepad.show({**WALK, 1: 1.0})
    fake_stack.goes(0.07, 0.0, 0.0)
    begun, before = time.monotonic(), len(fake_stack.velocities)
    fake_stack.probe.wait(lambda: len(fake_stack.velocities) >= before + 20, 5.0, "twenty velocities")
    assert time.monotonic() - begun > 0.8
    gamepad.show()
    fake_stack.goes(0.0, 0.0, 0.0)
    gamepad.end()


@pytest.mark.parametrize(
    ("axes", "count", "words"),
    [
        ({**WALK, 1: 1.0}, 4, "walk.hold is on -axis 5, but joy has 4 axes and 11 buttons"),
        ({**WALK, 1: nan}, 8, "axis 1 of joy is nan"),
    ],
)
def test_a_bad_joy_is_a_dead_man_let_go(
    fake_stack: FakeStack, gamepad: GamepadRig, axes: dict[int, float], count: int, words: str
) -> None:
    gamepad.show({**WALK, 1: 1.0})
    fake_stack.goes(0.07, 0.0, 0.0)
    gamepad.show(axes, count=count)
    fake_stack.goes(0.0, 0.0, 0.0)
    fake_stack.says(words)
    assert fake_stack.is_silent(fake_stack.velocities, 0.2)


def test_two_publishers_of_joy_are_none(fake_stack: FakeStack, gamepad: GamepadRig) -> None:
    gamepad.show({**WALK, 1: 1.0})
    fake_stack.goes(0.07, 0.0, 0.0)
    other = GamepadRig(fake_stack.probe)
    fake_stack.says("2 nodes publish joy: end all but one")
    fake_stack.goes(0.0, 0.0, 0.0)
    assert fake_stack.is_silent(fake_stack.velocities, 0.2)
    other.end()


def test_who_drives_already_is_not_disturbed(fake_stack: FakeStack, gamepad: GamepadRig) -> None:
    rival = fake_stack.probe.node.create_publisher(TwistStamped, "teleop/cmd_vel", 10)
    message = TwistStamped()
    message.twist.linear.x = 0.01
    deadline = time.monotonic() + 1.0
    gamepad.show({**WALK, 1: 1.0})
    ours = []
    while time.monotonic() < deadline:
        message.header.stamp = fake_stack.probe.node.get_clock().now().to_msg()
        rival.publish(message)
        time.sleep(0.05)  # as a person's program does
        ours.append(fake_stack.velocity())
    assert ours[-1] == pytest.approx((0.01, 0.0, 0.0))
    fake_stack.says("somebody else drives on teleop/cmd_vel")
    fake_stack.probe.node.destroy_publisher(rival)
    fake_stack.goes(0.07, 0.0, 0.0)


def test_a_gamepad_that_only_repeats_itself_is_let_go(fake_stack: FakeStack, gamepad: GamepadRig) -> None:
    gamepad.show({**WALK, 1: 1.0})
    fake_stack.goes(0.07, 0.0, 0.0)
    fake_stack.probe.wait(lambda: fake_stack.velocity() == (0.0, 0.0, 0.0), 8.0, "let go")
    fake_stack.says("nothing on the gamepad has moved for 3 s")


# Requests


def test_the_emergency_stop_needs_no_dead_man_and_is_repeated_until_it_is_answered(
    fake_stack: FakeStack, gamepad: GamepadRig
) -> None:
    gamepad.show({**WALK, 1: 1.0})
    fake_stack.goes(0.07, 0.0, 0.0)
    gamepad.show({**WALK, 1: 1.0}, 1)
    fake_stack.goes(0.0, 0.0, 0.0)
    fake_stack.says("emergency stop asked for")
    fake_stack.says("open the switch in the servo supply NOW")
    # Nobody has offered it so far: as of a servo_output that is being started again.
    stopped = fake_stack.answers("emergency_stop", lambda _: None)
    service = fake_stack.probe.node.create_service(Trigger, "emergency_stop", stopped)
    fake_stack.asks("emergency_stop", None)
    # Held on, it is no new press; the dead-man counts when it was let go.
    fake_stack.says("let the dead-man go once")
    fake_stack.asked.clear()
    assert fake_stack.is_silent(fake_stack.asked, 0.3)
    gamepad.show()
    fake_stack.says("not held")
    # Without the dead-man, and even with a message that is too short.
    gamepad.show({}, 1, count=2)
    fake_stack.asks("emergency_stop", None)
    fake_stack.probe.node.destroy_service(service)


def test_standing_up_and_sitting_down(fake_stack: FakeStack, gamepad: GamepadRig) -> None:
    fake_stack.asked.clear()
    gamepad.show(None, 7)
    assert fake_stack.is_silent(fake_stack.asked, 2.3)
    gamepad.show()
    fake_stack.says("not held")
    gamepad.show(WALK, 7)
    fake_stack.asks("enable", True)
    gamepad.show(None, 6)
    fake_stack.asks("enable", False)
    assert fake_stack.asked == [("enable", True), ("enable", False)]


def test_the_hat_chooses_the_gait(fake_stack: FakeStack, gamepad: GamepadRig) -> None:
    for push, gait in ((-1.0, "trot"), (-1.0, "creep"), (1.0, "trot"), (1.0, "creep")):
        gamepad.show({6: push})
        fake_stack.asks("gait", gait)
        gamepad.show()
        fake_stack.says("not held")
        assert fake_stack.is_silent(fake_stack.asked, 0.1)


# Posing


def test_posing_moves_the_target_and_leaves_it_where_it_is(fake_stack: FakeStack, gamepad: GamepadRig) -> None:
    height = load_robot(find_robot("greenhouse_inspector")).standing.height
    gamepad.show({4: 1.0}, 4)
    fake_stack.probe.wait(
        lambda: fake_stack.targets and fake_stack.targets[-1].pose.position.z > height + 0.0299, 5.0, "the full range"
    )
    heights = [message.pose.position.z for message in fake_stack.targets]
    assert max(b - a for a, b in zip([height, *heights], heights)) < 0.002
    assert fake_stack.targets[-1].header.frame_id == "test/base_footprint"
    assert not fake_stack.kept
    gamepad.show()
    fake_stack.probe.wait(lambda: fake_stack.kept, 5.0, "the pose that is left")
    assert fake_stack.kept[-1].pose == fake_stack.targets[-1].pose
    assert fake_stack.is_silent(fake_stack.targets, 0.2)
    # The other group leaves these offsets alone, and the middle of the stick is the middle of the range.
    gamepad.show({**TILT, 1: 1.0})
    fake_stack.probe.wait(lambda: fake_stack.targets[-1].pose.orientation.y > 0.069, 5.0, "the front down by 8 degrees")
    assert fake_stack.targets[-1].pose.position.z == pytest.approx(height + 0.03)
    gamepad.show(None, 4)
    fake_stack.probe.wait(lambda: fake_stack.targets[-1].pose.position.z == pytest.approx(height), 5.0, "the middle")
    assert len(fake_stack.kept) == 1


def test_only_an_active_robot_is_posed(fake_stack: FakeStack, gamepad: GamepadRig) -> None:
    fake_stack.state("off")
    gamepad.show({**TILT, 1: 1.0})
    fake_stack.says("posed only while the robot is active; its state is off")
    before = len(fake_stack.kept)
    assert fake_stack.is_silent(fake_stack.targets, 0.3)
    fake_stack.state("active")
    fake_stack.probe.wait(lambda: fake_stack.targets and fake_stack.targets[-1].pose.orientation.y > 0.02, 5.0, "posed")
    # It was off: the offsets began from the standing pose, and those of a robot that goes off are not kept.
    fake_stack.state("off")
    fake_stack.says("its state is off")
    gamepad.show()
    fake_stack.says("not held")
    assert len(fake_stack.kept) == before


# Parameters


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
        fake_stack.probe.wait(lambda: heard, 5.0, "joy")
        assert heard[0].axes == pytest.approx([0, 0, 1, 0, 0, 1, 0, 0], abs=1e-4)
        assert list(heard[0].buttons) == [0] * 11
        # It goes on where nothing changes.
        before, begun = len(heard), time.monotonic()
        fake_stack.probe.wait(lambda: len(heard) >= before + 10, 5.0, "ten more")
        assert time.monotonic() - begun < 1.0 + SLACK
        fake.press(1)
        fake.press(1, down=False)
        fake_stack.probe.wait(lambda: any(message.buttons[1] for message in heard), 5.0, "a press for a moment")
        # A flood of events is not passed on.
        before, begun = len(heard), time.monotonic()
        while time.monotonic() < begun + 0.5:
            fake.send(*((EV_ABS, 0, k) for k in range(-100, 100)), (EV_SYN, 0, 0))
            fake.move(x=-1)
        assert len(heard) - before < 40 + 50 * SLACK
        fake_stack.probe.wait(lambda: heard[-1].axes[0] == 1.0, 15.0, "the last event")
        fake.unplug()
        fake_stack.says("no gamepad is plugged in", "joystick")
        assert fake_stack.is_silent(heard)
        fake.plug()
        fake_stack.probe.wait(lambda: heard[-1].axes[0] == 1.0, 5.0, "joy again")
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
        probe.wait(walks, 10.0, "walking by keys")
    finally:
        terminal.end()
    probe.wait(lambda: frames[-1].twist[-1].linear.x == 0.0, 10.0, "a stance")


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
        probe.wait(lambda: frames[-1].twist[-1].linear.x > 0.05, 10.0, "walking")
        fake.unplug()
        pulled = time.monotonic()
        probe.wait(lambda: velocities[-1].twist.linear.x == 0.0, 5.0, "no velocity")
        assert time.monotonic() - pulled < 0.5 + SLACK
        probe.wait(lambda: frames[-1].twist[-1].linear.x == 0.0, 10.0, "a stance")
        robot.wait_for("active", within=5.0)  # a busy computer may be late with a frame; that hold ends by itself
        _drives_by_keys(probe, frames)
        fake.plug()
        fake.press(1)
        wait_until(lambda: stack.powered() == 0, 5.0, "limp")
        robot.wait_for("fault", within=2.0)
    assert stack.end() == 0
