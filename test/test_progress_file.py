"""What calibrate and trim keep when they end too soon: offered again, never lost without a question, read strictly."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from math import radians
from pathlib import Path

import pytest
from calibration_rig import CalibrationRig, SimulatedUser, hold, uncalibrated_file
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis_settings import examples

from quadleg.commissioning.calibration.calibration_fit import Mark
from quadleg.commissioning.calibration.progress_file import Progress, ProgressFile
from quadleg.commissioning.calibration.trim import Trim
from quadleg.commissioning.dialog import Question, run_dialog
from quadleg.errors import OutputPathError
from quadleg.robot_file.editor import RobotFileEditor
from quadleg.robot_file.load import find_robot, load_robot

HIP, KNEE = "front_left_hip", "front_left_knee"
STATE = "my_robot.yaml.unfinished_calibrate.json"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return uncalibrated_file(tmp_path)


def ending_at(person: Callable[[Question], str], key: str, after: int) -> Callable[[Question], str]:
    """Answers as a person until a question comes for so many times, then ends it all."""
    count = 0

    def answer(question: Question) -> str:
        nonlocal count
        count += question.key == key
        return "end" if question.key == key and count > after else person(question)

    return answer


def interrupted(path: Path, after: int = 14) -> int:
    """A calibration of hip and knee of one leg that ends in the marks of the knee; how many there were."""
    bench = CalibrationRig(path)
    assert not hold(bench.session.calibrate([HIP, KNEE]), ending_at(SimulatedUser(bench, 0.0), "mark", after))
    assert bench.session.servo.saved == [HIP]
    assert bench.session.servo.marks
    return len(bench.session.servo.marks)


def test_a_session_goes_on_where_the_last_one_ended(path: Path) -> None:
    marks = interrupted(path)
    bench = CalibrationRig(path)
    person = SimulatedUser(bench, 0.0)
    seen: list[int] = []

    def answer(question: Question) -> str:
        if question.key == "mark":
            assert bench.session.servo.name == KNEE
            seen.append(len(bench.session.servo.marks))
        return person(question)

    assert hold(bench.session.calibrate([HIP, KNEE]), answer)
    assert person.asked[0] == "resume"
    assert seen[0] == marks
    assert bench.session.servo.saved == [KNEE]
    assert {HIP, KNEE}.isdisjoint(load_robot(path).uncalibrated)
    assert person.asked.count("swung") == 2  # the hip had not been shown before
    assert not path.with_name(STATE).exists()


def test_a_session_without_names_goes_on_with_those_of_the_last_one(path: Path) -> None:
    interrupted(path)
    bench = CalibrationRig(path)
    assert hold(bench.session.calibrate(), SimulatedUser(bench, 0.0))
    assert bench.session.count == 2


def test_starting_anew_sets_the_old_work_aside(path: Path) -> None:
    interrupted(path)
    text = path.with_name(STATE).read_text()
    bench = CalibrationRig(path)
    hold(bench.session.calibrate([KNEE]), ending_at(SimulatedUser(bench, 0.0, planned={"resume": ["new"]}), "mark", 0))
    assert bench.session.servo.marks == []
    assert text in [version.read_text() for version in path.with_name("my_robot.yaml.versions").iterdir()]


def test_a_joint_with_marks_is_left_only_after_a_question(path: Path) -> None:
    bench = CalibrationRig(path)
    person = SimulatedUser(bench, 0.0, planned={"drop": ["no", "yes"]})
    kept: list[int] = []

    def answer(question: Question) -> str:
        if question.key == "drop":
            kept.append(len(bench.session.servo.marks))
            assert f"{len(bench.session.servo.marks)} marks" in question.text
        if question.key == "mark" and len(bench.session.servo.marks) >= 2 and len(kept) < 2:
            if kept:
                assert len(bench.session.servo.marks) == kept[0]
            return "skip"
        return person(question)

    assert not hold(bench.session.calibrate([KNEE]), answer)
    assert len(kept) == 2
    assert KNEE in load_robot(path).uncalibrated


@pytest.mark.parametrize("what", ["another channel", "another robot"])
def test_marks_are_not_offered_to_a_robot_file_that_they_do_not_fit(path: Path, what: str) -> None:
    interrupted(path)
    if what == "another channel":
        RobotFileEditor(path).save({"servos": {KNEE: {"channel": 15}}})
    else:
        path.write_text(path.read_text().replace("name: greenhouse_inspector", "name: another_robot"))
    bench = CalibrationRig(path)
    asked: list[Question] = []

    def answer(question: Question) -> str:
        asked.append(question)
        return "new" if question.key == "resume" else "end"

    hold(bench.session.calibrate([KNEE]), answer)
    assert "does not fit" in asked[0].text
    assert [choice.word for choice in asked[0].choices] == ["new"]
    assert list(path.with_name("my_robot.yaml.versions").glob("*.json"))


def test_progress_that_cannot_be_kept_is_said_once_and_the_work_goes_on(path: Path) -> None:
    path.with_name(STATE).mkdir()
    (path.with_name(STATE) / "in_the_way").write_text("")
    with pytest.raises(OutputPathError):
        ProgressFile(path, "calibrate").write(Progress(passed=(HIP,)), load_robot(path))


# Trim


@pytest.fixture
def trimmed(tmp_path: Path) -> Path:
    return Path(shutil.copy(find_robot("greenhouse_inspector"), tmp_path / "mine.yaml"))


def trim(path: Path, *answers: str) -> Trim:
    work = Trim(path, quick=True)
    given = iter(answers)
    run_dialog(work.dialog(), lambda question: next(given))
    return work


def test_nudges_that_were_not_saved_are_offered_again(trimmed: Path) -> None:
    before = trimmed.read_text()
    trim(trimmed, "yes", "yes", "+25", "next", "-10", "end")
    assert trimmed.read_text() == before
    work = trim(trimmed, "yes", "yes", "yes", "save")
    assert any("front_left_abduction, front_left_hip" in sentence for sentence in work.said)
    joints = load_robot(trimmed).joints
    assert joints[0].servo.pulse_at_zero == pytest.approx(1525e-6)
    assert not trimmed.with_name("mine.yaml.unfinished_trim.json").exists()


def test_nudges_on_another_zero_are_not_offered(trimmed: Path) -> None:
    trim(trimmed, "yes", "yes", "+25", "end")
    RobotFileEditor(trimmed).save({"servos": {"front_left_abduction": {"pulse_at_zero_us": 1510.0}}})
    asked: list[Question] = []

    def answer(question: Question) -> str:
        asked.append(question)
        return "end"

    run_dialog(Trim(trimmed, quick=True).dialog(), answer)
    assert "front_left_abduction has been changed in the robot file since" in asked[0].text


# What stands in the file

GOOD = Progress((HIP, KNEE), (HIP,), (HIP,), (), KNEE, (Mark(1.5e-3, 0.1), Mark(1.7e-3, radians(20))))


def offered(file: ProgressFile, path: Path) -> tuple[Progress, Question]:
    questions: list[Question] = []

    def answer(question: Question) -> str:
        questions.append(question)
        return question.choices[0].word

    return run_dialog(file.offered(load_robot(path)), answer), questions[0]


def test_progress_is_read_back(path: Path) -> None:
    file = ProgressFile(path, "calibrate")
    file.write(GOOD, load_robot(path))
    found, question = offered(file, path)
    assert (found.names, found.passed, found.joint, found.marks) == (GOOD.names, GOOD.passed, KNEE, GOOD.marks)
    assert "1 of 2 joints done or left, 2 marks of the front left knee" in question.text


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.sampled_from([HIP, KNEE]),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from([HIP, "channel", "x"]), inner, max_size=3)
    ),
    max_leaves=8,
)


@given(
    key=st.sampled_from(["robot", "time", "names", "passed", "saved", "shown", "joint", "marks", "nudges", "servos"]),
    value=anything,
)
@settings(max_examples=examples(30), suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_stands_in_the_file_is_offered_or_refused_in_words(path: Path, key: str, value: object) -> None:
    file = ProgressFile(path, "calibrate")
    file.write(GOOD, load_robot(path))
    document = json.loads(file.path.read_text())
    document[key] = value
    file.path.write_text(json.dumps(document))
    found, question = offered(file, path)
    assert isinstance(found, Progress)
    assert str(found) is not None
    assert question.key == "resume"


@pytest.mark.parametrize("content", [b"", b"{", b"[" * 50_000, b"\xff\xfe", b"1" * 200_000, b"null"])
def test_a_broken_file_is_set_aside_after_a_question(path: Path, content: bytes) -> None:
    file = ProgressFile(path, "calibrate")
    file.path.write_bytes(content)
    found, question = offered(file, path)
    assert not found
    assert "does not fit" in question.text
    assert not file.path.exists()
