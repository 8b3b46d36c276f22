"""What `quadleg status` says, from what a client knows."""

from __future__ import annotations

import pytest
from node_reports import GAIT, report

from quadleg.client import Snapshot
from quadleg.client.status_sentences import status_in_words
from quadleg.geometry.transforms import Pose
from quadleg.safety.catalogue import Reason
from quadleg.safety.node_status import NodeStatus
from quadleg.safety.reason_codes import ReasonCode

STANDING = Pose.from_rpy(0.0, 0.0, 0.15, 0.0, 0.0, 0.0)


def whole() -> Snapshot:
    watchdog = {"frames_sent": 7, "frames_slowed": 1, "frames_dropped": 2, "targets_refused": 3, "holds": 4}
    return Snapshot(
        statuses={
            "joint_watchdog": NodeStatus("active", Reason.of(ReasonCode.TARGETS_FOLLOWED)),
            "servo_output": NodeStatus("following", Reason.of(ReasonCode.COMMANDS_FOLLOWED)),
        },
        diagnostics={
            "joint_watchdog": report(last_good_frame_s="0.012", **watchdog),
            "servo_output": report(
                joints_powered=12,
                joint_angles="modelled",
                board="i2c",
                frame_messages=5,
                frame_to_board_ms="1.32",
                board_errors=3,
                board_trouble="the board fails: unplugged",
            ),
            "base_motion": report("goes no further than height 206.8 mm", b"\x01"),
            "gait": report("standing"),
        },
    )


def test_all_that_is_known_is_said() -> None:
    said = dict(status_in_words(whole(), STANDING, STANDING))
    assert said["state"] == "active: following the joint targets"
    assert said["asked"] == said["reached"] == "height 150.0 mm"
    assert said["joints"] == "12 of 12 powered; joint_states are modelled from the commands"
    assert said["board"] == (
        "i2c; a frame is one transaction of 5 messages and takes 1.32 ms, so that 758 a second are possible; it failed "
        "3 times"
    )
    assert said["trouble"] == "the board fails: unplugged"
    assert "7 followed, 1 of them slowed" in said["frames"]
    assert "12 ms ago" in said["frames"]
    assert "held 4 times" in said["frames"]
    assert said["base_motion"] == "goes no further than height 206.8 mm"
    assert "gait" not in said


def test_the_hottest_servo_is_said_with_where_the_figure_comes_from() -> None:
    figures = {"servo_heat": "too_hot", "servo_hottest": "rear_left_knee", "servo_hottest_c": "91"}
    now = whole().with_status("joint_watchdog", NodeStatus("active", figures=figures), 0.0)
    said = dict(status_in_words(now, None, None))["heat"]
    assert said.startswith("too hot: ")
    assert "rear_left_knee, about 91 °C" in said
    assert "nothing measures it" in said


def test_a_limp_robot_has_neither_a_pose_asked_nor_one_reached() -> None:
    now = whole().with_status("joint_watchdog", NodeStatus("fault"), 0.0)
    said = dict(status_in_words(now, STANDING, STANDING))
    assert "asked" not in said
    assert "reached" not in said


def test_nodes_that_are_not_heard_are_named() -> None:
    said = dict(status_in_words(Snapshot(), None, None))
    assert "not heard" in said["state"]
    assert "nothing new reaches the board" in said["servos"]


def test_a_watchdog_without_a_frame_says_so() -> None:
    silent = report(
        last_good_frame_s="inf", frames_sent=0, frames_slowed=0, frames_dropped=0, targets_refused=0, holds=0
    )
    now = whole().with_reports({"joint_watchdog": silent})
    assert "none came yet" in dict(status_in_words(now, None, None))["frames"]


ASKED = {"asker": "cmd_vel", "asked": "0.2 0 0"}


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({}, "stands in the gait creep; no velocity is asked for"),
        (
            {**ASKED, "motion": "walks", "planned": "0.08 0 0", "scale": "0.4", "obstacle": "too_fast"},
            "walks in the gait creep; asked for 0.200 m/s forward by a script or navigation on cmd_vel; planned: 0.080 "
            "m/s forward; scaled to 40 %, the most that the gait can go that way",
        ),
        (
            {**ASKED, "asker": "teleop/cmd_vel", "scale": "0", "obstacle": "cannot_walk", "trouble": "too heavy"},
            "stands in the gait creep; asked for 0.200 m/s forward by a person on teleop/cmd_vel; planned: no "
            "velocity; this robot cannot walk in this gait: too heavy",
        ),
        (
            {
                **ASKED,
                "asked": "0.2 0.1 0",
                "motion": "walks",
                "planned": "0.08 0 0",
                "scale": "0.4",
                "left_out": "left",
                "obstacle": "way_impossible",
            },
            "walks in the gait creep; asked for 0.200 m/s forward, 0.100 m/s to the left by a script or navigation on "
            "cmd_vel; planned: 0.080 m/s forward; this robot cannot walk to the left in the gait creep: its limit "
            "there is zero; the rest is scaled to 40 %",
        ),
        (
            {**ASKED, "asked": "0 0.1 0", "scale": "0", "left_out": "left", "obstacle": "way_impossible"},
            "stands in the gait creep; asked for 0.100 m/s to the left by a script or navigation on cmd_vel; planned: "
            "no velocity; this robot cannot walk to the left in the gait creep: its limit there is zero",
        ),
        (
            {"obstacle": "not_active"},
            "stands in the gait creep; no velocity is asked for; it walks only while the robot is active; it is off",
        ),
        ({"obstacle": "paused"}, "stands in the gait creep; no velocity is asked for; what gait says"),
    ],
)
def test_the_line_on_walking_says_who_asks_for_what_and_what_scales_or_stops_it(
    values: dict[str, str], words: str
) -> None:
    now = (
        whole()
        .with_status("joint_watchdog", NodeStatus("off"), 0.0)
        .with_reports({"gait": report("what gait says", **{**GAIT, **values})})
    )
    said = dict(status_in_words(now, None, None))
    assert said["walk"] == words
    assert said["limits"] == (
        "in the gait creep: 0.080 m/s forward, 0.060 m/s backward, 0.050 m/s sideways, 23°/s turning; takes 310 by 260 "
        "mm of ground"
    )


def test_the_supply_is_said_with_mean_and_peak_and_how_it_is_known() -> None:
    now = whole()
    output = dict(now.values("servo_output"))

    def said(**values: object) -> dict[str, str]:
        return dict(status_in_words(now.with_reports({"servo_output": report(**{**output, **values})}), None, None))

    amperes = {"supply_now_a": "2.31", "supply_mean_a": "2.20", "supply_peak_a": "4.84"}
    figures = "2.3 A; 2.2 A in the mean and 4.8 A at most since the servos have power"
    assert said(supply="measured", supply_v="5.93", **amperes)["supply"] == f"measured: 5.93 V, {figures}"
    modelled = f"modelled from the pose, since nothing measures it: {figures}"
    assert said(supply="modelled", **amperes)["supply"] == modelled
    assert said(supply="unknown")["supply"] == "unknown"
    assert "supply" not in said()
    trouble = said(supply="unknown", board_trouble="", sensor_trouble="no imu/data: nobody answers", imu_hz=100)
    assert (trouble["trouble"], trouble["imu"]) == ("no imu/data: nobody answers", "100 samples a second")
