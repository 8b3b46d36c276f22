"""The live view as a person has it: a running stack, and its page in a real browser."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from itertools import groupby
from math import hypot

import numpy as np
import pytest
from conftest import RosProbe, Stack, lasting, stands, wait_until

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")
pytest.importorskip("viser", reason="viser does not import: install the extra `view`")
pytest.importorskip("playwright", reason="playwright does not import: install the extra `test`")

from geometry_msgs.msg import PoseStamped, TwistStamped
from playwright.sync_api import Browser, BrowserType, Page, expect, sync_playwright
from sensor_msgs.msg import MultiDOFJointState
from std_msgs.msg import String
from trajectory_msgs.msg import JointTrajectory
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect

from quadleg.client import Robot
from quadleg.geometry.registration import fit_pose
from quadleg.kinematics.body_pose import all_forward
from quadleg.middleware.rclpy_middleware import NICER
from quadleg.middleware.topics import LATCHED
from quadleg.robot.colours import LEG, rgb
from quadleg.robot.model import JOINT_NAMES
from quadleg.viewer.stop_settings import GIVEN_UP_AFTER

CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")
RATE = "25"  # Hz

FLAT = ["--no-sandbox", "--disable-gpu"]
# In three dimensions without a graphics card: takes a processor for itself.
SOLID = ["--no-sandbox", "--use-gl=angle", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"]
SOON = 10_000  # ms
RISES_WITHIN = 25.0  # s


def free_port() -> int:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return listener.getsockname()[1]


class LivePage:
    """A stack with its page."""

    def __init__(self, stack: Stack, port: int) -> None:
        self.stack, self.port = stack, port
        self.address = f"http://127.0.0.1:{port}"

    def line(self, **options):
        return connect(f"ws://127.0.0.1:{self.port}/line", proxy=None, **options)


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LivePage]:
    folder, port = tmp_path_factory.mktemp("viewer"), free_port()
    parameters = folder / "parameters.yaml"
    parameters.write_text(f"/**/viewer:\n  ros__parameters:\n    port: {port}\n")
    with lasting(folder, "--view", "--params-file", str(parameters), "--rate", RATE) as stack:
        live = LivePage(stack, port)
        stack.wait_for_line(f"look and steer: {live.address}")
        yield live


@pytest.fixture(scope="module")
def browsers() -> Iterator[BrowserType]:
    with sync_playwright() as playwright:
        yield playwright.chromium


@pytest.fixture(scope="module")
def browser(browsers: BrowserType) -> Iterator[Browser]:
    browser = browsers.launch(executable_path=CHROMIUM, args=FLAT)
    yield browser
    browser.close()


@pytest.fixture
def robot(live: LivePage) -> Iterator[Robot]:
    """A client of the robot, which stands."""
    with Robot() as robot:
        if robot.status().state != "active":
            wait_until(lambda: stands(robot), "a robot that stands")
        yield robot


@pytest.fixture
def lying(live: LivePage) -> Iterator[Robot]:
    """A client of the robot, which is off."""
    with Robot() as robot:
        if robot.status().state == "fault":
            robot.reset()
        elif robot.last.state != "off":
            robot.sit()
        yield robot


@pytest.fixture
def probe(live: LivePage) -> Iterator[RosProbe]:
    probe = RosProbe()
    yield probe
    probe.close()


def opened(browser: Browser, live: LivePage, scene: bool = False) -> Page:
    """The page in a browser of its own, which knows nothing of the others."""
    size = {"width": 400, "height": 480} if scene else {"width": 1280, "height": 800}
    page = browser.new_context(viewport=size).new_page()
    page.set_default_timeout(SOON)
    if not scene:
        page.route("**/scene*", lambda route: route.abort())
    page.goto(live.address)
    expect(page.locator("#state")).not_to_have_text("…", timeout=SOON)
    return page


@pytest.fixture
def page(browser: Browser, live: LivePage) -> Iterator[Page]:
    page = opened(browser, live)
    faults: list[object] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    yield page
    page.context.close()
    assert not faults


@pytest.fixture
def up(robot: Robot, page: Page) -> Page:
    """The page of a robot that stands."""
    expect(page.locator("#slider_height")).to_be_enabled(timeout=SOON)
    return page


def see(page: Page, selector: str, words: str, seconds: float = 10.0) -> None:
    expect(page.locator(selector)).to_contain_text(words, timeout=1000 * seconds, ignore_case=True)


def commanded_height(robot: Robot, commands: list) -> float:
    """Of the body over its feet, by the last command that powers all joints."""
    command = next(message for message in reversed(commands) if len(message.joint_names) == len(JOINT_NAMES))
    angles = dict(zip(command.joint_names, command.points[0].positions))
    feet = all_forward(robot.model, [angles[name] for name in JOINT_NAMES])
    return fit_pose(feet, robot.model.standing.feet).position[2]


def planned(message: MultiDOFJointState) -> float:
    """How fast base_footprint goes forward by the plan."""
    return message.twist[-1].linear.x


def stand(page: Page) -> None:
    page.click("#stand")
    page.click("#placed")


def drag(page: Page, below: float) -> float:
    """Draws the slider of the height down by mouse, past `below`; the height in m that it then shows."""
    slider = page.locator("#slider_height")
    for _ in range(5):  # on a busy computer the robot holds now and then, and takes no pose
        expect(slider).to_be_enabled(timeout=SOON)
        box = slider.bounding_box()
        assert box
        y = box["y"] + box["height"] / 2
        page.mouse.move(box["x"] + 0.6 * box["width"], y)
        page.mouse.down()
        page.mouse.move(box["x"] + 0.45 * box["width"], y, steps=5)
        page.mouse.up()
        if (height := float(slider.input_value()) / 1000) < below:
            return height
    raise AssertionError(f"the slider stays at {height} m: {page.inner_text('#says')}, {page.inner_text('#why')}")


def test_standing_up_asks_for_the_legs_and_then_rises(live: LivePage, lying: Robot, page: Page) -> None:
    see(page, "#state", "off")
    see(page, "#robot", "greenhouse inspector")
    expect(page.locator("#slider_height")).to_be_disabled()
    with live.line() as line:  # a page's message alone does not do it
        line.send('{"kind": "stand"}')
        while "refused" not in (said := json.loads(line.recv(5.0))):
            pass
        assert "resting pose" in said["refused"]
    expect(page.locator("#question")).to_be_hidden()
    page.click("#stand")
    see(page, "#question", "full speed")
    expect(page.locator("#resting svg")).to_have_count(2)
    see(page, "#state", "off")
    page.click("#placed")
    expect(page.locator("#question")).to_be_hidden()
    see(page, "#state", "active", RISES_WITHIN)
    expect(page.locator("#slider_height")).to_be_enabled(timeout=SOON)


def test_a_slider_moves_the_body(robot: Robot, up: Page, probe: RosProbe) -> None:
    commands = probe.hear(JointTrajectory, "joint_commands")
    probe.wait(lambda: commands, "joint_commands")
    before = commanded_height(robot, commands)
    height = drag(up, before - 0.01)
    probe.wait(lambda: abs(commanded_height(robot, commands) - height) < 0.0005, f"a height of {height} m")
    see(up, ".slider output >> nth=0", f"{1000 * height:.0f} mm")


def test_sliders_follow_whoever_asks_and_all_pages_show_the_same(
    browser: Browser, live: LivePage, robot: Robot, up: Page
) -> None:
    other = opened(browser, live)
    try:
        robot.pose(height_mm=142, pitch_deg=4)
        for one in (up, other):
            expect(one.locator("#slider_height")).to_have_value("142", timeout=SOON)
            expect(one.locator("#slider_pitch")).to_have_value("4", timeout=SOON)
        up.locator("#slider_x").fill("12")
        expect(other.locator("#slider_x")).to_have_value("12", timeout=SOON)
        expect(other.locator("#slider_height")).to_have_value("142")
        up.reload()
        expect(up.locator("#slider_x")).to_have_value("12", timeout=SOON)
        see(up, "#state", "active")
        up.click("#level")
        expect(other.locator("#slider_pitch")).to_have_value("0", timeout=SOON)
        expect(other.locator("#slider_height")).to_have_value("150", timeout=SOON)
    finally:
        other.context.close()


def take_pad(page: Page, across: float, ahead: float) -> None:
    box = page.locator("#pad").bounding_box()
    assert box
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 0.4 * across * box["width"], y - 0.4 * ahead * box["height"], steps=3)


def walk(page: Page, probe: RosProbe, across: float, ahead: float, true: Callable[[], bool]) -> None:
    """Holds the pad until something is true of the walk; on a busy computer a hold may take the hand off it."""
    for _ in range(5):
        take_pad(page, across, ahead)
        with probe.news:
            if probe.news.wait_for(true, 3.0):
                return
        page.mouse.up()
        expect(page.locator("#slider_height")).to_be_enabled(timeout=SOON)
    raise AssertionError(f"it does not walk: {page.inner_text('#says')}, {page.inner_text('#why')}")


def is_zero(message: TwistStamped) -> bool:
    return hypot(message.twist.linear.x, message.twist.linear.y, message.twist.angular.z) == 0.0


def stops(probe: RosProbe, velocities: list, plans: list) -> None:
    """Zero is said once, then nothing, and the plan comes to rest."""
    probe.wait(lambda: velocities and is_zero(velocities[-1]), "zero velocity")
    said = len(velocities)
    probe.wait(lambda: planned(plans[-1]) == 0.0, "the plan at rest")
    assert len(velocities) == said


def flood(line) -> None:
    while True:
        line.send('{"kind": "walk", "forward": 1, "left": 0, "turn_left": 0}')


def test_the_pad_walks_while_it_is_held(robot: Robot, up: Page, probe: RosProbe) -> None:
    velocities, plans = probe.hear(TwistStamped, "teleop/cmd_vel"), probe.hear(MultiDOFJointState, "planned_feet")
    walk(up, probe, 0.0, 1.0, lambda: bool(plans) and planned(plans[-1]) > 0.03)
    see(up, "#speed", "walks in the creep")
    up.mouse.up()
    stops(probe, velocities, plans)
    turning = [message.twist.angular.z for message in velocities]
    assert not any(turning)
    walk(up, probe, -0.95, 0.95, lambda: velocities[-1].twist.angular.z > 0.05)
    see(up, "#speed", "times too fast")  # both at once are over the limits, and the page says so
    up.mouse.up()
    stops(probe, velocities, plans)
    count = len(velocities)
    up.keyboard.down("Shift")
    walk(up, probe, -0.5, 0.0, lambda: len(velocities) > count + 2 and velocities[-1].twist.linear.y > 0.01)
    up.mouse.up()
    up.keyboard.up("Shift")
    stops(probe, velocities, plans)
    up.locator("#pad").focus()
    up.keyboard.down("ArrowLeft")
    probe.wait(lambda: velocities[-1].twist.angular.z > 0.05, "turning left")
    up.keyboard.up("ArrowLeft")
    stops(probe, velocities, plans)


@pytest.mark.parametrize("end", ["window.dispatchEvent(new Event('blur'))", "line.close()"])
def test_whatever_takes_the_hand_off_the_pad_stops_it(up: Page, robot: Robot, probe: RosProbe, end: str) -> None:
    velocities, plans = probe.hear(TwistStamped, "teleop/cmd_vel"), probe.hear(MultiDOFJointState, "planned_feet")
    walk(up, probe, 0.0, 1.0, lambda: bool(velocities and plans) and planned(plans[-1]) > 0.01)
    up.evaluate(end)
    stops(probe, velocities, plans)
    up.mouse.up()


def test_another_gait_is_chosen(robot: Robot, up: Page) -> None:
    up.select_option("#gait", "trot")
    robot.wait(lambda: robot.last.values("gait").get("gait") == "trot", 5.0, lambda: "trot")
    up.select_option("#gait", "creep")
    robot.wait(lambda: robot.last.values("gait").get("gait") == "creep", 5.0, lambda: "creep")


def test_a_flood_is_no_more_than_twenty_targets_a_second(live: LivePage, robot: Robot, probe: RosProbe) -> None:
    targets = probe.hear(PoseStamped, "base_target", 100)
    with live.line() as line:
        while not targets:  # the two nodes find each other
            line.send('{"kind": "pose", "axis": "height", "value": 0.14}')
            line.recv(5.0)
        targets.clear()
        began = time.monotonic()
        for number in range(250):  # as fast as a page is heard
            line.send(json.dumps({"kind": "pose", "axis": "height", "value": 0.14 + 0.00001 * number}))
        probe.wait(lambda: targets and abs(targets[-1].pose.position.z - 0.14249) < 1e-6, "the newest")
        assert len(targets) <= 2 + 20 * (time.monotonic() - began)
        with pytest.raises(ConnectionClosed):
            flood(line)
    assert len(targets) <= 2 + 20 * (time.monotonic() - began)
    with live.line() as line:
        assert "greeting" in json.loads(line.recv(5.0))
        assert json.loads(line.recv(5.0))["state"][0] == "active"


def test_no_foreign_page_steers(live: LivePage) -> None:
    for origin in ("http://stranger.example", f"http://127.0.0.1:{live.port + 1}"):
        with pytest.raises(InvalidStatus):
            live.line(origin=origin)
    with live.line(origin=live.address) as line:
        assert "greeting" in json.loads(line.recv(5.0))


def test_its_process_leaves_the_processor_to_the_robot_s(live: LivePage) -> None:
    niceness = {node: os.getpriority(os.PRIO_PROCESS, live.stack.child(node)) for node in ("viewer", "joint_watchdog")}
    assert niceness["viewer"] - niceness["joint_watchdog"] == NICER


def test_the_hottest_servo_is_shown_as_modelled(live: LivePage, robot: Robot, page: Page) -> None:
    see(page, "#heat", "(modelled)")
    expect(page.locator("#heat")).to_contain_text(re.compile(r"^(cool|warm): .+, about \d+ °C"))


def test_what_is_not_heard_is_said_and_not_shown_as_new(live: LivePage, robot: Robot, page: Page) -> None:
    control = live.stack.child("joint_watchdog")
    os.kill(control, signal.SIGSTOP)
    try:
        see(page, "#silent", "NOT HEARD: joint_watchdog")
        expect(page.locator(".state")).to_have_class("state old")
    finally:
        os.kill(control, signal.SIGCONT)
    expect(page.locator("#silent")).to_be_hidden(timeout=SOON)
    robot.wait(lambda: robot.last.state in ("active", "off"), 15.0, lambda: "it goes on, or was put down")


def test_the_robot_is_seen_in_three_dimensions(browsers: BrowserType, live: LivePage, robot: Robot) -> None:
    from PIL import Image

    browser = browsers.launch(executable_path=CHROMIUM, args=SOLID)
    page = opened(browser, live, scene=True)
    try:
        deadline = time.monotonic() + 40.0
        missing = set(LEG)
        while missing:
            assert time.monotonic() < deadline, f"not seen: {missing}"
            picture = page.locator("#scene").screenshot(timeout=30_000)
            pixels = np.asarray(Image.open(io.BytesIO(picture)).convert("RGB"), dtype=float).reshape(-1, 3)
            hues = pixels / np.maximum(pixels.max(axis=1, keepdims=True), 1.0)
            for leg in list(missing):
                wanted = np.array(rgb(LEG[leg]))
                near = np.linalg.norm(hues - wanted / wanted.max(), axis=1) < 0.25
                if near.sum() > 50:
                    missing.discard(leg)
        assert page.frames[1].evaluate("getComputedStyle(document.querySelector('canvas')).visibility") == "visible"
    finally:
        browser.close()


def test_a_reset_right_after_stops_comes_after_them(live: LivePage, robot: Robot, probe: RosProbe) -> None:
    states, servos = probe.hear(String, "state", LATCHED), probe.hear(String, "servo_state", LATCHED)
    probe.wait(lambda: states and states[-1].data.startswith("active"), "a robot that stands")
    with live.line() as line:
        for kind in ("stop", "stop", "stop", "reset"):
            line.send(json.dumps({"kind": kind}))
        probe.wait(lambda: states[-1].data.startswith("off: reset"), "the reset")
        probe.wait(lambda: servos and servos[-1].data.startswith("following"), "servos that follow again")
    heard = [state for state, _ in groupby(said.data.split(":")[0] for said in states)]
    # A latched topic keeps its last word alone: `fault` may be overwritten before it is read. "off: reset" tells of it.
    assert heard in (["active", "fault", "off"], ["active", "off"])


@pytest.mark.parametrize("by", ["button", "key"])
def test_stop_takes_the_power_at_once(lying: Robot, live: LivePage, page: Page, probe: RosProbe, by: str) -> None:
    states = probe.hear(String, "state", LATCHED)
    see(page, "#state", "off")
    stand(page)
    wait_until(lambda: live.stack.powered() > 0, "a powered robot")
    if by == "button":
        page.click("#stop")
    else:
        page.locator("#gait").focus()
        page.keyboard.press("Escape")
    wait_until(lambda: not live.stack.powered(), "no power")
    probe.wait(lambda: states and states[-1].data.startswith("fault"), "a fault")
    see(page, "#state", "fault")
    see(page, "#answer", "emergency stop: pulses are off")
    see(page, "#next", "Reset")
    expect(page.locator("#stop_says")).to_be_hidden(timeout=SOON)
    expect(page.locator("#sit")).to_be_disabled()
    page.click("#reset")
    see(page, "#state", "off")


def test_sitting_down_ends_off(lying: Robot, page: Page) -> None:
    stand(page)
    see(page, "#state", "rising")
    page.click("#sit")
    see(page, "#state", "lowering")
    see(page, "#state", "off", 20.0)


def test_a_viewer_that_dies_is_said_and_comes_back(live: LivePage, lying: Robot, page: Page, probe: RosProbe) -> None:
    velocities, states = probe.hear(TwistStamped, "teleop/cmd_vel"), probe.hear(String, "state", LATCHED)
    viewer, parent = live.stack.child("viewer"), live.stack.process.pid
    os.kill(parent, signal.SIGSTOP)  # which would start it again, perhaps before the stop is pressed
    try:
        os.kill(viewer, signal.SIGKILL)
        see(page, "#silent", "NOT CONNECTED")
        probe.wait(lambda: states and states[-1].data.startswith("off"), "the robot as it was")
        page.click("#stop")
        see(page, "#stop_says", "STOP NOT SENT")
    finally:
        os.kill(parent, signal.SIGCONT)
    see(page, "#state", "fault", GIVEN_UP_AFTER + 10.0)  # as soon as it can be said
    expect(page.locator("#silent")).to_be_hidden()
    assert not velocities


def test_a_port_in_use_is_said(live: LivePage) -> None:
    command = [sys.executable, "-c", "from quadleg.nodes.viewer import main; main()"]
    done = subprocess.run(
        [*command, "--ros-args", "-p", f"port:={live.port}", "-r", "__ns:=/other"],
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert done.returncode == 2
    assert f"no page on port {live.port} of 127.0.0.1" in done.stderr
    assert "Traceback" not in done.stderr
