"""Bad input and death of processes: what the robot does, by the board's registers, and what the person reads."""

from __future__ import annotations

import subprocess
import sys
import threading

import pytest
from conftest import RosProbe, Stack, wait_until

pytest.importorskip("rclpy", reason="rclpy does not import: source a ROS 2 or install the extra `ros`")

from std_msgs.msg import String

from quadleg.client import Robot
from quadleg.middleware.topics import LATCHED
from quadleg.runtime.node_table import GRAPH


def test_states_are_latched_for_late_listeners(stack: Stack, probe: RosProbe) -> None:
    for topic, starts in (("state", "off: "), ("servo_state", ("off: ", "following: ")), ("robot_description", "<")):
        heard = probe.hear(String, topic, LATCHED)
        assert probe.wait(lambda h=heard: h, topic)[0].data.startswith(starts)


def test_parameters_out_of_range_are_refused_in_words(domain: int) -> None:
    for parameter, words in (("speed:=-1.0", "speed"), ("rate_hz:=5000.0", "rate_hz"), ("robot:=nowhere", "nowhere")):
        done = subprocess.run(
            [sys.executable, "-c", "from quadleg.nodes.base_motion import main; main()", "--ros-args", "-p", parameter],
            capture_output=True,
            text=True,
            timeout=30,
            check=False,
        )
        assert done.returncode == 2
        assert words in done.stderr
        assert "Traceback" not in done.stderr


def test_every_node_in_its_own_process_and_a_leg_ik_killed_in_mid_move_holds_and_goes_on(start) -> None:
    import os
    import signal

    stack = start("--separate")
    stack.wait_for_line("ready after")
    assert len(stack.children()) == len(GRAPH)
    with Robot() as robot:
        robot.stand()
        moving = threading.Thread(target=_ignoring_refusals, args=(robot,))
        moving.start()
        wait_until(lambda: stack.height() < 0.145, "on the way")
        os.kill(stack.child("rear_right_ik"), signal.SIGKILL)
        robot.wait_for("hold", within=5.0)
        assert stack.powered() == 12
        # The new leg_ik is there at once, but shared memory that its killed forerunner left can keep the
        # others from hearing it for 3 s; then the hold has ended in rest, as after 2 s it must.
        robot.wait_for("active", "off", within=20.0)
        moving.join()
        robot.stand(height_mm=150)
        assert int(robot.status().values("joint_watchdog")["frames_dropped"]) > 0
        assert stack.height() == pytest.approx(0.150, abs=0.0015)
        stack.wait_for_line("rear_right_ik was ended by signal 9; it is started again")
        robot.pose(height_mm=140)
        assert stack.height() == pytest.approx(0.140, abs=0.0015)
        robot.sit()
    with stack.board() as board:
        assert board.largest_step() * stack.model.control_rate <= 1.0


def _ignoring_refusals(robot: Robot) -> None:
    from contextlib import suppress

    from quadleg.errors import QuadlegError

    with suppress(QuadlegError):
        robot.pose(height_mm=125)
