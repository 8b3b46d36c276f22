"""Recordings as tables: read again by pandas and pyarrow, and equal to the messages they were made from."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas
import pytest
from pyarrow import parquet
from sample_recordings import TYPES, diagnosis, header, made, metadata, msg, write
from small_recordings import ThreadHost

from quadleg.analysis.recording_analysis import RecordingAnalysis
from quadleg.errors import OutputPathError, RecordingError
from quadleg.recording.reader import Recording
from quadleg.recording.signal_table import TOPICS, Columns, Panel, RecordedTopic
from quadleg.recording.signals import Signal, Signals
from quadleg.recording.table_export import export, table
from quadleg.recording.text_messages import Diagnosis
from quadleg.report.comparison import write_comparison
from quadleg.report.report_pictures import pictures
from quadleg.robot.model import JOINT_NAMES

COUNT = 60


@pytest.fixture
def signals() -> Signals:
    times = np.arange(COUNT) * 0.02
    position = np.arange(12.0 * COUNT).reshape(COUNT, 12) / 7
    nothing = np.full((COUNT, 12), np.nan)
    found = Signals()
    found.signals["joint_states"] = Signal(times, {"position": position, "velocity": nothing, "effort": nothing})
    found.signals["supply"] = Signal(
        np.array([0.1, 0.9]), {"voltage": np.array([6.0, 5.5]), "current": np.array([1.0, 2.0])}
    )
    found.signals["base_target"] = Signal(
        np.array([0.3]), {"position": np.array([[0.0, 0.0, 0.15]]), "quaternion": np.array([[1.0, 0.0, 0.0, 0.0]])}
    )
    found.texts["state"] = [(0.0, "off: not enabled yet"), (0.5, "rising: enabled")]
    found.diagnostics = [Diagnosis(0.0, "servo_output", 0, "", {"supply": "modelled"})]
    return found


def test_each_value_stands_until_the_next_and_ages(signals: Signals) -> None:
    columns = table(signals, 1000.0, modelled=False)
    times = columns["time_s"]
    assert columns["unix_time_s"].tolist() == (1000.0 + times).tolist()
    voltage = columns["supply_voltage_v_modelled"]
    assert np.isnan(voltage[times < 0.1 - 1e-9]).all()
    assert (voltage[(times > 0.1) & (times < 0.6)] == 6.0).all()
    assert np.isnan(voltage[(times > 0.61) & (times < 0.9)]).all()  # nothing was heard for half a second
    assert (voltage[times > 0.91] == 5.5).all()
    assert (columns["base_target_z_m"][times > 0.31] == 0.15).all()  # a target stands until it is changed
    assert columns["state"][0] == "off"
    assert columns["state"][-1] == "rising"
    assert not any("speed" in name or "torque" in name for name in columns)  # nobody said any


@pytest.mark.parametrize("modelled", [True, False])
def test_what_follows_from_a_model_says_so(signals: Signals, modelled: bool) -> None:
    columns = table(signals, 0.0, modelled)
    name = "rear_left_knee_angle_rad" + "_modelled" * modelled
    assert (
        columns[name].tolist()
        == signals.signals["joint_states"]["position"][:, JOINT_NAMES.index("rear_left_knee")].tolist()
    )


def test_where_the_recorder_did_not_say_what_follows_from_a_model_servo_output_does(tmp_path: Path) -> None:
    said = (0.0, "diagnostics", diagnosis("servo_output: servo_output", 0, "", joint_angles="modelled"))
    messages = [said, *(message for message in made().messages if message[1] == "joint_states")]
    recorded = write(tmp_path / "a.mcap", messages, metadata(joint_angles=""))
    assert export(Recording(recorded), tmp_path / "a.csv") == len(messages) - 1
    assert "rear_left_knee_angle_rad_modelled" in pandas.read_csv(tmp_path / "a.csv")


def test_a_topic_in_the_table_is_exported_drawn_and_compared(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(
        TOPICS,
        "temperature",
        RecordedTopic(
            lambda rows: {"board": rows.single("temperature")},
            columns=[Columns("board", "board_temperature_celsius", panel=Panel("board temperature", "°C", 5.0))],
            tells="how warm the board was",
        ),
    )
    kind = "sensor_msgs/msg/Temperature"
    states = [message for message in made().messages if message[1] == "joint_states"]
    warm = [
        (time, "temperature", msg("sensor_msgs/Temperature", header=header(), temperature=30 + time, variance=0.0))
        for time, _, _ in states
    ]
    path = write(tmp_path / "a.mcap", [*states, *warm], metadata(), types=TYPES | {"temperature": kind})
    export(Recording(path), tmp_path / "a.csv")
    frame = pandas.read_csv(tmp_path / "a.csv")
    assert frame["board_temperature_celsius"].tolist() == pytest.approx((30 + frame["time_s"]).tolist(), abs=1e-3)
    power = next(each for each in pictures(RecordingAnalysis(path)) if each.name == "power").draw()
    (axes,) = (axes for axes in power.axes if axes.get_label() == "board temperature")
    assert max(axes.get_lines()[0].get_ydata()) == pytest.approx(30 + states[-1][0], abs=1e-3)
    report = write_comparison(path, path, tmp_path / "compared")
    assert "compared_effort" in [picture.stem for picture in report.pictures]


@pytest.mark.parametrize("ending", [".csv", ".parquet"])
def test_it_is_read_again_as_it_was(recorded: Path, tmp_path: Path, ending: str) -> None:
    recording = Recording(recorded)
    path = tmp_path / f"out{ending}"
    rows = export(recording, path)
    frame = pandas.read_csv(path) if ending == ".csv" else parquet.read_table(path).to_pandas()
    assert len(frame) == rows == COUNT
    assert frame["front_left_hip_angle_rad_modelled"].tolist() == [k / 3 for k in range(COUNT)]
    assert np.diff(frame["time_s"]).min() >= 0
    assert frame["unix_time_s"].iloc[0] == recording.begin
    with pytest.raises(OutputPathError, match="there already"):
        export(recording, path)


def test_another_ending_is_refused(recorded: Path, tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"out.xls must end in \.csv or \.parquet"):
        export(Recording(recorded), tmp_path / "out.xls")


def test_a_recording_without_joint_states_or_of_another_robot_is_told(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="has no joint_states, which all else is shown beside; it has /odom"):
        export(Recording(recording_of(tmp_path / "a.mcap", "/odom", ["front_left_hip"])), tmp_path / "out.csv")
    with pytest.raises(RecordingError, match="has another robot's joint_states: elbow"):
        export(Recording(recording_of(tmp_path / "b.mcap", "/joint_states", ["elbow"])), tmp_path / "out.csv")


@pytest.fixture
def recorded(tmp_path: Path) -> Path:
    return recording_of(tmp_path / "a.mcap", "/joint_states", ["front_left_hip"])


def recording_of(path: Path, topic: str, names: list[str]) -> Path:
    """A recording of joint states of a few joints, whose angles are thirds."""
    from ros_messages import definition, joint_state

    from quadleg.recording.recording_writer import RecordingWriter

    kind = "sensor_msgs/msg/JointState"
    recorder = RecordingWriter(
        ThreadHost(), path, {"quadleg": {"namespace": "/"}, "joint_angles": {"kind": "modelled"}}
    )
    channel = recorder.channel(topic, kind, definition(kind), "", latched=False)
    for k in range(COUNT):
        recorder.take(channel, joint_state("", names, [k / 3] * len(names), []))
    recorder.close()
    return path
