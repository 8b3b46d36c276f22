"""Reports: their figures against numpy and scipy on the same columns, what is missing is said, damage is told."""

from __future__ import annotations

import re
from base64 import b64decode
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from figure_boxes import axes_of, lines_of
from hypothesis import given
from hypothesis import strategies as st
from hypothesis_settings import is_long_run
from sample_recordings import (
    BEGIN,
    ROBOT,
    SPEED,
    STORE,
    TYPES,
    WALKS,
    diagnosis,
    feet,
    imu,
    joint_state,
    made,
    metadata,
    odometry,
    serialized,
    still,
    text,
    write,
)
from scipy.spatial.transform import Rotation
from strict_html import StrictPage

from quadleg.analysis.recording_analysis import RecordingAnalysis
from quadleg.analysis.recording_metrics import metrics
from quadleg.dynamics.servo_heat import HOT, TOO_HOT, WARM
from quadleg.errors import OutputPathError, RecordingError
from quadleg.geometry.transforms import Pose
from quadleg.kinematics.body_pose import legs_inverse
from quadleg.plotting.panels import POINTS, envelope
from quadleg.recording.records import CLOCK_STEP
from quadleg.recording.signal_table import HIDDEN
from quadleg.report.report import Report, damage, report_page, sentences, write_report
from quadleg.report.report_pictures import pictures
from quadleg.robot.model import JOINT_NAMES, LEGS

pytestmark = pytest.mark.usefixtures("small_pictures")
# Topics without which all pictures are drawn here: each of them under `--long`.
DRAWN_WITHOUT = HIDDEN if is_long_run() else ("joint_commands", "planned_feet", "odom")


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Path:
    return write(tmp_path_factory.mktemp("recording") / "whole.mcap", made().messages, metadata())


@pytest.fixture(scope="module")
def report(whole: Path, tmp_path_factory) -> Report:
    return write_report(whole, tmp_path_factory.mktemp("report"))


@pytest.fixture(scope="module")
def analysis(whole: Path) -> RecordingAnalysis:
    return RecordingAnalysis(whole)


def values(analysis: RecordingAnalysis) -> dict[str, float]:
    return {figure.name: figure.value for figure in metrics(analysis)}


# Figures


def test_figures_are_those_of_numpy_and_scipy_on_the_same_columns(analysis: RecordingAnalysis) -> None:
    given, found = made(), values(analysis)
    commanded = (given.times >= 1.8) & (given.times < 11.0)  # before, joints get their first pulses
    errors = np.degrees(given.position - given.command)[commanded]
    assert found["largest tracking error"] == pytest.approx(np.abs(errors).max(), rel=1e-4)
    assert found["tracking error, rms"] == pytest.approx(np.sqrt(np.mean(errors**2)), rel=1e-4)
    stall = ROBOT.stall_torque(ROBOT.joints[0])
    assert found["largest torque"] == pytest.approx(100 * np.abs(given.effort).max() / stall, rel=1e-5)
    assert found["mean current with power"] == pytest.approx(given.drawn[given.powered].mean(), rel=1e-5)
    assert found["largest current"] == pytest.approx(given.drawn.max(), rel=1e-6)
    assert found["least voltage"] == pytest.approx(given.voltage.min(), rel=1e-6)
    between = 1000 * np.diff(given.times)
    assert found["between them, median"] == pytest.approx(np.median(between), abs=1e-4)
    assert found["between them, 99th percentile"] == pytest.approx(np.percentile(between, 99), abs=1e-4)
    assert found["between them, at most"] == pytest.approx(between.max(), abs=1e-4)
    tilts = Rotation.from_quat(np.roll(given.true_turns, -1, axis=1)[given.powered]).magnitude()
    assert found["largest tilt of the body"] == pytest.approx(np.degrees(tilts.max()), rel=1e-3)


def test_each_joint_has_its_own_tracking_error(analysis: RecordingAnalysis) -> None:
    given, found = made(), analysis.joints.tracking
    assert found is not None
    commanded = (given.times >= 1.8) & (given.times < 11.0)
    errors = (given.position - given.command)[commanded]
    assert found.rms == pytest.approx(np.sqrt(np.mean(errors**2, axis=0)), rel=1e-4)
    assert found.most == pytest.approx(np.abs(errors).max(axis=0), rel=1e-4)
    at = given.times[commanded][np.abs(errors).argmax(axis=0)]
    assert found.times == pytest.approx(at, abs=1e-6)


def test_the_hottest_servo_is_told_with_its_time_and_as_an_estimate(analysis: RecordingAnalysis) -> None:
    (figure,) = (figure for figure in metrics(analysis) if figure.name == "hottest servo")
    assert figure.value == made().temperatures.max()
    assert figure.note == "rear right knee, at 11.2 s, estimated, unverified"


def test_the_hottest_servo_of_each_leg_is_drawn_with_the_limits(analysis: RecordingAnalysis) -> None:
    picture = next(each for each in pictures(analysis) if each.name == "temperature")
    assert "unverified: nothing measures it" in picture.about
    drawn = picture.draw()
    axes = axes_of(drawn, "temperature")
    lines = lines_of(axes)
    for i, leg in enumerate(LEGS):
        hottest = made().temperatures[:, 3 * i : 3 * i + 3].max(axis=1)
        assert lines[leg].get_ydata().tolist() == pytest.approx(hottest, abs=0.06)  # told to 0.1 °C
    limits = [line.get_ydata()[0] for name, line in lines.items() if name not in LEGS]
    assert limits == [WARM, HOT, TOO_HOT]
    assert axes.get_ylim()[1] > TOO_HOT


@pytest.mark.parametrize("told", ["", "hot", "55 " * 11, "55 " * 11 + "nan", "55 " * 11 + "1e300"])
def test_temperatures_that_are_none_are_left_out(told: str, tmp_path: Path) -> None:
    messages = [message for message in made().messages if message[1] != "diagnostics"]
    messages.append((12.0, "diagnostics", diagnosis("joint_watchdog", 0, "", servo_temperatures_c=told)))
    analysis = RecordingAnalysis(write(tmp_path / "a.mcap", messages, metadata()))
    assert "hottest servo" not in values(analysis)
    assert "temperature" not in [each.name for each in pictures(analysis)]


def test_the_way_is_the_planned_the_estimated_and_the_true_one(analysis: RecordingAnalysis) -> None:
    given, found = made(), values(analysis)
    planned = SPEED * (WALKS[1] - WALKS[0])
    assert found["walked, by the plan"] == pytest.approx(planned, rel=0.02)
    # A mean over a second leaves out half a second's way at each end of a walk, which it makes up for after it.
    true = np.hypot(*given.true[-1, :2])
    assert found["walked, truly"] == pytest.approx(true, rel=0.1)
    assert found["walked, by the estimate"] / found["walked, truly"] == pytest.approx(1.05, abs=0.01)
    drift = 1000 * np.hypot(*(given.found - given.true)[-1, :2])
    assert found["estimate off the truth at the end"] == pytest.approx(drift, abs=0.2)


@pytest.mark.parametrize(
    ("limits", "gait"),
    [
        ("gait: creep\ngaits: [creep, trot]\n", "creep"),
        ("gaits: [creep, trot]  # to choose from\ngait: 'creep' # by its name\n", "creep"),
        ("gaits: [creep]\n", ""),
        ("gait: [", ""),
        ("creep", ""),
        ("gait: &a creep\n", "creep"),
        (f"gait: {'c' * 60}\n", f"{'c' * 39}…"),
    ],
)
def test_the_gait_of_a_walk_is_the_one_that_walking_limits_has_as_yaml(limits: str, gait: str, tmp_path: Path) -> None:
    messages = [message for message in made().messages if message[1] != "walking_limits"]
    messages.insert(0, (0.0, "walking_limits", text(limits)))
    walks = RecordingAnalysis(write(tmp_path / "a.mcap", messages, metadata())).body.walks
    assert {walk.gait for walk in walks} == {gait}


def test_states_are_summed_and_counted(analysis: RecordingAnalysis) -> None:
    found = values(analysis)
    assert found["following what was asked"] == pytest.approx(6.5, abs=1e-6)
    assert found["with power"] == pytest.approx(10.0, abs=1e-6)
    assert (found["holds"], found["faults"]) == (1, 0)
    assert (found["frames followed"], found["frames dropped"]) == (550, 2)
    assert found["tick to bytes, median"] == pytest.approx(np.median(2 + np.arange(12) / 10), abs=1e-6)


def test_a_counter_that_begins_again_is_counted_on(tmp_path: Path) -> None:
    counts = [0, 5, 9, 2, 3]  # the watchdog was started again after 9
    messages = still(30)
    for k, count in enumerate(counts):
        messages.append((0.1 * k, "diagnostics", diagnosis("joint_watchdog", 0, "", frames_dropped=count)))
    found = RecordingAnalysis(write(tmp_path / "a.mcap", messages, metadata()))
    assert found.counter_rise("joint_watchdog", "frames_dropped") == 9 + 2 + 1


def test_the_pose_by_the_joints_is_the_one_that_they_were_put_into(tmp_path: Path) -> None:
    pose = Pose.from_rpy(0.01, -0.005, 0.14, 0.05, -0.03, 0.04)
    angles = legs_inverse(ROBOT, pose, ROBOT.standing.feet)
    forces, places = (1.0, 1.0, 1.0, 1.0), ROBOT.standing.feet
    messages = []
    for k in range(20):
        messages.append((0.02 * k, "planned_feet", feet(places, forces, 0.0)))
        messages.append((0.02 * k, "joint_states", joint_state(angles)))
    done = RecordingAnalysis(write(tmp_path / "a.mcap", messages, metadata())).body.pose_reached
    assert done is not None
    assert done[-1] == pytest.approx([0.01, -0.005, 0.14, 0.05, -0.03, 0.04], abs=1e-5)


def test_the_estimate_is_held_against_the_truth_from_where_it_first_stood(tmp_path: Path) -> None:
    random = np.random.default_rng(5)
    n, begun = 40, 15  # it stands from the tick `begun` on
    true_turns = Rotation.from_euler("xyz", np.cumsum(random.normal(0.0, 0.02, (n, 3)), axis=0))
    wrong = Rotation.from_rotvec(random.normal(0.0, 0.01, (n, 3)))
    frame = Rotation.from_euler("z", 1.1)  # the estimate's, seen from the truth's: nobody can know it
    found_turns = frame * wrong * true_turns
    true = np.cumsum(random.normal(0.0, 0.01, (n, 3)), axis=0)
    found = frame.apply(true + random.normal(0.0, 0.003, (n, 3))) + [3.0, -2.0, 0.0]
    variance = np.cumsum(random.uniform(0.0, 1e-5, (n, 6)), axis=0)
    messages = [(0.0, "state", text("off: not enabled yet")), *still(n)]
    messages.append((0.02 * (begun - 0.5), "state", text("active: following the joint targets")))
    for k in range(n):
        for topic, places, turns in (("odom", found, found_turns), ("truth/odom", true, true_turns)):
            quaternion = np.roll(turns[k].as_quat(), 1)
            messages.append((0.02 * k, topic, odometry(places[k], quaternion, 0.0, variance[k])))
    estimate = RecordingAnalysis(write(tmp_path / "a.mcap", messages, metadata())).body.estimate
    assert estimate is not None

    def seen(places: np.ndarray, turns: Rotation) -> tuple[np.ndarray, Rotation]:
        back = Rotation.from_euler("z", -turns[begun].as_euler("xyz")[2])
        return back.apply(places[begun:] - places[begun] * [1.0, 1.0, 0.0]), back * turns[begun:]

    (own, own_turns), (theirs, their_turns) = seen(found, found_turns), seen(true, true_turns)
    assert estimate.estimated[:, :2] == pytest.approx(own[:, :2], abs=1e-6)
    assert estimate.true is not None
    assert estimate.true[:, 2] == pytest.approx(their_turns.as_euler("xyz")[:, 2], abs=1e-6)
    assert estimate.errors is not None
    assert estimate.errors[:, :3] == pytest.approx(own - theirs, abs=1e-6)
    assert estimate.errors[:, 3:] == pytest.approx((own_turns * their_turns.inv()).as_rotvec(), abs=1e-5)
    # The height's error is known as well as the estimate says, that of place by how much less well than at first.
    assert estimate.deviations[:, 2] ** 2 == pytest.approx(variance[begun:, 2], rel=1e-5)
    heading = variance[begun:, 5] - variance[begun, 5]
    assert estimate.deviations[:, 5] ** 2 == pytest.approx(heading, abs=1e-9)
    yaw = found_turns[begun].as_euler("xyz")[2]
    turned = np.array([[np.cos(yaw), np.sin(yaw)], [-np.sin(yaw), np.cos(yaw)]])
    grown = np.array([np.diag(turned @ np.diag(v) @ turned.T) for v in variance[begun:, :2]])
    of_heading = variance[begun, 5] * own[:, [1, 0]] ** 2
    expected = np.maximum(grown - grown[0] - of_heading, 0.0)
    assert estimate.deviations[:, :2] ** 2 == pytest.approx(expected, abs=1e-9)


def test_without_an_estimate_the_imu_tells_the_tilt(tmp_path: Path) -> None:
    turn = Rotation.from_euler("xyz", [0.1, -0.2, 1.0])
    messages = [*still(10), *((0.02 * k, "imu/data", imu(np.roll(turn.as_quat(), 1))) for k in range(10))]
    found = metrics(RecordingAnalysis(write(tmp_path / "a.mcap", messages, metadata())))
    up = turn.apply([0.0, 0.0, 1.0])
    (tilt,) = (figure for figure in found if "tilt" in figure.name)
    assert str(tilt) == f"{np.degrees(np.arccos(up[2])):.1f}° (by the IMU)"


# The page


def test_the_page_holds_all_pictures_and_needs_nothing_else(report: Report) -> None:
    found = StrictPage(report.page)
    inside = [b64decode(image["src"].removeprefix("data:image/png;base64,")) for image in found.all("img")]
    assert inside == [path.read_bytes() for path in report.pictures]
    assert len(inside) == 10
    assert all(image["alt"] for image in found.all("img"))
    assert not found.all("script") + found.all("link")
    assert not re.search(r"https?://", report.page.read_text(encoding="utf-8"))
    anchors = [link["href"].removeprefix("#") for link in found.all("a")]
    assert anchors == [section["id"] for section in found.all("section")]


def test_it_says_what_it_is_of_and_what_went_wrong(report: Report) -> None:
    text = " ".join(StrictPage(report.page).text.split())
    assert "greenhouse inspector" in text
    assert "2023-11-14 22:13:20 UTC" in text  # 1 700 000 000 s after 1970
    assert "joint angles are measured" in text
    assert "the frames of joint angles stopped coming" in text
    assert "rear_left slips: the foot is left out" in text
    assert "(event 4)" in report.sentences[0]  # before what it is of, and what it did
    assert not any("Not recorded" in sentence for sentence in report.sentences)


def test_what_is_modelled_says_so(tmp_path: Path) -> None:
    path = write(tmp_path / "a.mcap", made().messages, metadata(joint_angles="modelled"))
    analysis = RecordingAnalysis(path)
    assert "modelled from the commands" in " ".join(sentences(analysis, []))
    drawn = next(each for each in pictures(analysis) if each.name == "joints")
    assert "modelled from the commands" in drawn.about
    labels = [label.get_text() for label in drawn.draw().legends[0].get_texts()]
    assert "angle, modelled" in labels


@pytest.mark.parametrize("topic", HIDDEN)
def test_a_topic_that_is_missing_is_said_with_what_that_hides(topic: str, tmp_path: Path) -> None:
    brief = [message for message in made().messages if message[0] < 6.0]
    analysis = RecordingAnalysis(write(tmp_path / "a.mcap", brief, metadata(), without=(topic,)))
    assert analysis.missing == [(topic, HIDDEN[topic])]
    assert metrics(analysis)
    if topic in DRAWN_WITHOUT:
        for each in pictures(analysis):
            each.draw()


def test_a_recording_of_another_program_with_joint_states_alone_is_reported(tmp_path: Path) -> None:
    from mcap_ros2.writer import Writer

    definition, _ = STORE.generate_msgdef("sensor_msgs/msg/JointState", ros_version=2)
    with (tmp_path / "foreign.mcap").open("wb") as stream:
        writer = Writer(stream)
        schema = writer.register_msgdef("sensor_msgs/msg/JointState", definition)
        for k in range(100):
            message = {"name": list(JOINT_NAMES), "position": [0.01 * k] * 12, "velocity": [], "effort": []}
            at = int(1e9 * (BEGIN + 0.02 * k))
            writer.write_message("/dog/joint_states", schema, message, at, at)
        writer.finish()
    report = write_report(tmp_path / "foreign.mcap", tmp_path)
    said = " ".join(report.sentences)
    assert all(topic in said for topic in HIDDEN)
    assert "does not say which robot" in said
    assert [path.stem for path in report.pictures] == ["joints", "timing"]
    assert "does not say whether joint angles are measured" in StrictPage(report.page).text
    with_robot = write_report(tmp_path / "foreign.mcap", tmp_path, ROBOT)
    assert "does not say which robot" not in " ".join(with_robot.sentences)
    assert [path.stem for path in with_robot.pictures] == ["pose", "joints", "timing"]


def test_without_efforts_and_a_robot_the_rest_is_shown(tmp_path: Path) -> None:
    path = write(tmp_path / "a.mcap", made(2, torque=False).messages, metadata(robot=False))
    analysis = RecordingAnalysis(path)
    for each in pictures(analysis):
        each.draw()
    assert "largest torque" not in values(analysis)


def test_a_robot_file_that_does_not_fit_is_said(tmp_path: Path) -> None:
    about = metadata()
    about["robot_file"]["text"] = "name: old\n"
    analysis = RecordingAnalysis(write(tmp_path / "a.mcap", made().messages[:500], about))
    assert analysis.robot is None
    assert "does not fit this version" in analysis.notes[0]


# Damage


def test_a_cut_recording_is_reported_to_its_cut(whole: Path, analysis: RecordingAnalysis, tmp_path: Path) -> None:
    content = whole.read_bytes()
    cut = tmp_path / "cut.mcap"
    cut.write_bytes(content[: int(0.6 * len(content))])
    found = RecordingAnalysis(cut)
    assert any("was cut at" in sentence for sentence in sentences(found, []))
    for each in pictures(found):
        each.draw()
    n = len(found.joints)
    assert 0.3 * len(analysis.joints) < n < 0.9 * len(analysis.joints)
    assert found.joints.angles.tolist() == analysis.joints.angles[:n].tolist()


def test_joints_of_another_robot_are_named(tmp_path: Path) -> None:
    messages = still(1, ["wheel"])
    with pytest.raises(RecordingError, match=r"another robot's joint_states: wheel; .*front_left_abduction"):
        write_report(write(tmp_path / "a.mcap", messages, metadata()), tmp_path)


def test_joints_beside_the_twelve_are_left_out_and_said(tmp_path: Path) -> None:
    names = [*JOINT_NAMES, "tail"]
    messages = still(10, names)
    report = write_report(write(tmp_path / "a.mcap", messages, metadata()), tmp_path)
    assert any("also name tail" in sentence for sentence in report.sentences)


def test_topics_that_are_something_else_are_left_out_and_said(tmp_path: Path) -> None:
    messages = still(10)
    messages += [(0.1, "odom", text("here")), (0.1, "state", joint_state([], names=[]))]
    wheels = feet(np.zeros((4, 3)), np.ones(4), 0.0)
    wheels.joint_names = ["a", "b", "c", "d", "e"]
    messages.append((0.1, "planned_feet", wheels))
    types = TYPES | {"odom": TYPES["state"], "state": TYPES["joint_states"]}
    report = write_report(write(tmp_path / "a.mcap", messages, metadata(), types=types), tmp_path)
    said = " ".join(report.sentences)
    for topic in ("Odom", "State", "Planned_feet"):
        assert f"{topic} has messages" in said
    assert [path.stem for path in report.pictures] == ["pose", "joints", "timing"]


@pytest.mark.filterwarnings("error")
def test_a_robot_that_was_never_enabled_is_reported(tmp_path: Path) -> None:
    brief = [message for message in made().messages if message[0] < 0.9]
    report = write_report(write(tmp_path / "a.mcap", brief, metadata()), tmp_path)
    drawn = ["time_line", "pose", "speed", "joints", "power", "temperature", "timing"]
    assert [path.stem for path in report.pictures] == drawn
    assert "Nothing stopped it: no hold, no fault." in report.sentences


@pytest.mark.filterwarnings("error")
def test_one_message_is_a_recording_too(tmp_path: Path) -> None:
    messages = [*still(1), (0.0, "state", text("off: so"))]
    report = write_report(write(tmp_path / "a.mcap", messages, metadata()), tmp_path)
    assert [path.stem for path in report.pictures] == ["time_line", "pose", "joints"]


def test_a_step_of_the_clock_is_told_and_taken_out(tmp_path: Path) -> None:
    from mcap.records import Channel, Schema

    from quadleg.recording.chunks import ReceivedMessage, pack
    from quadleg.recording.mcap_file import McapFile

    definition, _ = STORE.generate_msgdef("sensor_msgs/msg/JointState", ros_version=2)
    data = serialized("sensor_msgs/msg/JointState", joint_state(np.zeros(12)))

    def packed(begin: float) -> list[ReceivedMessage]:
        return [ReceivedMessage(1, k, round(1e9 * (BEGIN + begin + 0.02 * k)), data) for k in range(50)]

    for name, step, noted in (("forward", 3600.0, True), ("back", -40.0, True), ("unnoted", -40.0, False)):
        with closing(McapFile(tmp_path / f"{name}.mcap", metadata())) as file:
            file.add_channels(
                [Schema(1, definition.encode(), "ros2msg", "sensor_msgs/msg/JointState")],
                [Channel(1, "/joint_states", "cdr", {}, 1)],
            )
            file.add(pack(packed(0.0)))
            if noted:
                file.note(CLOCK_STEP, {"seconds": f"{step}"})
            file.add(pack(packed(1.0 + step)))
        analysis = RecordingAnalysis(tmp_path / f"{name}.mcap")
        way = "forward by 3600.0 s" if step > 0 else "back by 40.0 s"
        assert any(way in sentence for sentence in sentences(analysis, []))
        times = analysis.joints.times
        # A step that was not noted can only be guessed: time stands still over it.
        assert times == pytest.approx(0.02 * np.arange(100), abs=1e-6 if noted else 0.021)


def test_a_folder_that_cannot_be_written_is_said(whole: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputPathError, match="cannot be made"):
        write_report(whole, tmp_path / "file" / "folder")


# Long ones


@given(
    st.lists(st.one_of(st.floats(-1e6, 1e6), st.just(float("nan"))), min_size=1, max_size=400),
    st.integers(1, 20),
)
def test_no_peak_is_lost_where_a_curve_is_thinned(curve: list[float], points: int) -> None:
    given_values, times = np.array(curve), np.arange(float(len(curve)))
    shown, thin = envelope(times, given_values, points)
    assert len(shown) == len(thin) <= max(4 * points, 2 * points)
    assert (np.diff(shown) >= 0).all()
    assert shown[0] == 0.0
    assert shown[-1] == times[-1]
    if not np.isnan(given_values).all():
        assert np.nanmin(thin) == np.nanmin(given_values)
        assert np.nanmax(thin) == np.nanmax(given_values)


def test_a_long_recording_is_drawn_with_few_points_and_its_peak(tmp_path: Path) -> None:
    brief = [m for m in made().messages if m[1] in ("joint_states", "joint_commands", "supply", "state", "diagnostics")]
    long = RecordingAnalysis(write(tmp_path / "long.mcap", brief, metadata(), times=60))
    assert len(long.joints) == 60 * len(made().times)
    found, once = values(long), values(RecordingAnalysis(write(tmp_path / "once.mcap", brief, metadata())))
    assert found["holds"] == 60
    same = ("largest torque", "least voltage", "largest current")
    assert [found[name] for name in same] == [once[name] for name in same]
    power = next(each for each in pictures(long) if each.name == "power").draw()
    for axes in power.axes:
        for line in axes.get_lines():
            assert len(line.get_xdata()) <= 4 * POINTS
    current = axes_of(power, "current")
    assert max(lines_of(current)["current"].get_ydata()) == np.float32(made().drawn.max())
    assert current.get_xlabel() in ("", "time (min)")
    time_line = [each for each in pictures(long) if each.name == "time_line"]
    path = tmp_path / "report.html"
    path.write_text(report_page(long, metrics(long), [], time_line, [each.png() for each in time_line]))
    assert len(StrictPage(path).all("tr")) < 500  # so many events are told; the rest is counted
    assert "events in all" in StrictPage(path).text


def test_damaged_messages_are_counted_and_left_out(tmp_path: Path) -> None:
    from damaged_files import joined, pieces
    from mcap.opcode import Opcode

    path = write(tmp_path / "a.mcap", made().messages, metadata())
    parts, cut = pieces(path.read_bytes()), 0
    for part in parts:
        for piece in part.inner:
            if piece.kind == Opcode.MESSAGE and len(piece.content) < 150 and cut < 7 and b"following" in piece.content:
                piece.content, cut = piece.content[:40], cut + 1
    path.write_bytes(joined(parts))
    analysis = RecordingAnalysis(path)
    assert cut
    assert any("messages of state are damaged" in each for each in damage(analysis))
