"""Texts and numbers that come from elsewhere, in a recording or a robot file: shown, and never obeyed."""

from __future__ import annotations

import csv
import os
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from mcap.records import Channel, Schema
from PIL import Image
from sample_recordings import (
    FILE,
    ROBOT,
    diagnosis,
    feet,
    header,
    joint_state,
    made,
    metadata,
    msg,
    pose_of,
    still,
    text,
    twist,
    write,
)

from quadleg.analysis.recording_analysis import RecordingAnalysis
from quadleg.cli.console import say, warn
from quadleg.client.replay import asked_for
from quadleg.errors import RecordingError, RobotFileError
from quadleg.plotting.panels import joined_bars
from quadleg.recording.reader import Recording
from quadleg.recording.table_export import export
from quadleg.report.report import write_report
from quadleg.robot_file.load import robot_from_text

ODD = [
    "<script>alert(1)</script>",
    "$\\frac{unfinished$",
    "\x1b[2J\x1b]0;title\x07",
    "=cmd|' /C calc'!A0",
    "\N{RIGHT-TO-LEFT OVERRIDE}txt",
]


def saying(path: Path, words: str) -> Path:
    """A recording of a robot whose nodes say such words wherever they can."""
    messages = still(60)
    messages += [
        (0.1, "state", text(f"{words}: {words}")),
        (0.2, "servo_state", text(words)),
        (0.3, "walking_limits", text(f"gait: {words}")),
        (0.4, "diagnostics", diagnosis(words, 2, words, **{words: words})),
        (0.7, "state", text(f"fault: {words}")),
    ]
    return write(path, messages, metadata() | {words: {words: words}})


@pytest.mark.usefixtures("small_pictures")
@pytest.mark.parametrize("words", ODD)
def test_a_report_shows_them(words: str, tmp_path: Path) -> None:
    report = write_report(saying(tmp_path / "a.mcap", words), tmp_path / "report")
    html = report.page.read_text(encoding="utf-8")
    assert "<script" not in html
    assert "default-src 'none'" in html


def test_a_gait_s_name_is_no_formula_and_many_gaits_fill_no_picture(tmp_path: Path) -> None:
    messages = [each for each in made().messages if each[1] in ("joint_states", "state")]
    walking = feet(np.array(ROBOT.standing.feet), (5.0, 0.0, 0.0, 5.0), 0.1)
    stands = feet(np.array(ROBOT.standing.feet), (5.0,) * 4, 0.0)
    for k in range(80):
        at = 3.2 + 0.05 * k
        messages.append((at - 0.001, "walking_limits", text(f"gait: $\\frac{k}$\n")))
        messages += [(at, "planned_feet", walking), (at + 0.02, "planned_feet", stands)]
    path = write(tmp_path / "a.mcap", messages, metadata())
    drawn = {each.stem: each for each in write_report(path, tmp_path / "report").pictures}
    assert Image.open(drawn["gait"]).height < 6000


@pytest.mark.parametrize("words", ["=1+1", "+1", "-1", "@SUM(A1)", "\tx"])
def test_a_table_gives_a_spreadsheet_no_formula(words: str, tmp_path: Path) -> None:
    export(Recording(saying(tmp_path / "a.mcap", words)), tmp_path / "a.csv")
    with (tmp_path / "a.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert {row["state"] for row in rows} == {"", f"'{words}", "fault"}


def test_a_terminal_gets_nothing_to_obey(capsys: pytest.CaptureFixture[str]) -> None:
    say("one\x1b[2J\ntwo \N{DEGREE SIGN}\t3\x07")
    warn("\x9b31m")
    out, err = capsys.readouterr()
    assert out == "one?[2J\ntwo \N{DEGREE SIGN}\t3?\n"
    assert err == "quadleg: ?31m\n"


def test_what_is_no_number_is_not_replayed(tmp_path: Path) -> None:
    messages = still(60)
    for k, speed in enumerate((0.1, float("nan"), float("inf"), 0.2)):
        stamped = msg("geometry_msgs/TwistStamped", header=header(), twist=twist((speed, 0, 0)))
        messages.append((0.5 + 0.1 * k, "cmd_vel", stamped))
    height = pose_of((0.0, 0.0, float("-inf")))
    messages.append((1.0, "base_target", msg("geometry_msgs/PoseStamped", header=header(), pose=height)))
    path = write(tmp_path / "a.mcap", messages, metadata())
    said: list[str] = []
    assert [one.what[0] for one in asked_for(Recording(path), said.append)] == [0.1, 0.2]
    assert said == [
        "messages of cmd_vel with numbers that are not finite are left out: 2, the first at 0.6 s",
        "messages of base_target with numbers that are not finite are left out: 1, the first at 1.0 s",
    ]


def test_a_pipe_is_no_recording_and_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "a.mcap")
    with pytest.raises(RecordingError, match="no file on a disk"):
        Recording(tmp_path / "a.mcap")


def test_a_topic_s_name_is_told_short_and_harmless(tmp_path: Path) -> None:
    from quadleg.recording.chunks import ReceivedMessage, pack
    from quadleg.recording.mcap_file import McapFile
    from quadleg.recording.signals import signals_of

    with closing(McapFile(tmp_path / "a.mcap", {})) as file:
        names = [f"/\x1b[{k}m{'x' * 100}" for k in range(1, 200)]
        channels = [Channel(k, name, "cdr", {}, 1) for k, name in enumerate(names, 1)]
        file.add_channels([Schema(1, b"string data", "ros2msg", "std_msgs/msg/String")], channels)
        file.add(pack([ReceivedMessage(1, 0, 10**18, b"\0\1\0\0\1\0\0\0\0")]))
    with pytest.raises(RecordingError) as told:
        signals_of(Recording(tmp_path / "a.mcap"))
    assert len(str(told.value)) < 700
    assert "\x1b" not in str(told.value)


@pytest.mark.parametrize("name", ['"robot\\n"', f'"{"a" * 65}"', '"a/../../b"', '"a\\0"'])
def test_a_robot_s_name_goes_into_the_names_of_files_and_is_checked(name: str) -> None:
    text = FILE.read_text(encoding="utf-8").replace("name: greenhouse_inspector", f"name: {name}")
    with pytest.raises(RobotFileError, match="name is"):
        robot_from_text(text, "robot.yaml")


@pytest.mark.usefixtures("small_pictures")
@pytest.mark.filterwarnings("error")
def test_states_and_walks_without_number_are_drawn_with_few_bars(tmp_path: Path) -> None:
    """As many as messages: each drawn for itself would take minutes."""
    walking = feet(np.array(ROBOT.standing.feet), (5.0, 0.0, 0.0, 5.0), 0.1)
    stands = feet(np.array(ROBOT.standing.feet), (5.0,) * 4, 0.0)
    joints = joint_state(np.zeros(12))
    messages = []
    for k in range(1200):
        state = text(["active: a", "hold: b"][k % 2])
        messages += [(1.2 * k, "joint_states", joints), (1.2 * k, "state", state)]
        messages.append((1.2 * k + 0.5, "planned_feet", [walking, stands][k // 2 % 2]))
    path = write(tmp_path / "a.mcap", messages, metadata())
    assert write_report(path, tmp_path / "report").pictures


@given(st.lists(st.tuples(st.floats(0, 5), st.floats(0, 5)), max_size=3000), st.integers(0, 5))
def test_bars_that_are_joined_cover_all_and_are_few(gaps: list[tuple[float, float]], more: int) -> None:
    bars, at = [], 0.0
    for gap, long in gaps * more:
        bars.append((at + gap, long))
        at += gap + long
    drawn = joined_bars(bars, 10.0)
    if len(bars) <= 400:
        assert drawn == bars
        return
    assert len(drawn) <= at / 10.0 + 1
    starts, ends = np.array([(start, start + long) for start, long in drawn]).T
    for start, long in bars:
        k = int(np.searchsorted(starts, start + 1e-6)) - 1
        assert starts[k] - 1e-6 <= start
        assert start + long <= ends[k] + 1e-6


@pytest.mark.parametrize("value", ["nan", "1e400", "-inf", "x", "1e300", "\0"])
def test_a_figure_of_a_node_that_is_no_number_is_left_out(value: str, tmp_path: Path) -> None:
    messages = still(60)
    for at, count in ((0.1, "1"), (0.2, value), (0.3, "4")):
        messages.append((at, "diagnostics", diagnosis("recorder", 0, "", missed=count)))
    found = RecordingAnalysis(write(tmp_path / "a.mcap", messages, metadata()))
    assert found.counter_rise("recorder", "missed") == 3
