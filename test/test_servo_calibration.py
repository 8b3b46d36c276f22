"""The calibration as a dialog: found angles, and whatever may go wrong on a bench."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import pairwise
from math import degrees, radians
from pathlib import Path

import pytest
from calibration_rig import CalibrationRig, SimulatedUser, hold, uncalibrated_file

from quadleg.commissioning.calibration import bench as on_bench
from quadleg.commissioning.calibration.joint_marking import known_angles
from quadleg.commissioning.calibration.servo_calibration import joints_of, split_words
from quadleg.commissioning.dialog import Question
from quadleg.errors import BoardError, OutputPathError, Refused
from quadleg.hardware.pca9685 import PCA9685
from quadleg.robot.model import JOINT_NAMES, RobotModel
from quadleg.robot_file.load import find_robot, load_robot

KNEE, HIP = "rear_left_knee", "front_left_hip"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return uncalibrated_file(tmp_path)


def errors(seed: int, horn: float = radians(4), turn: float = 0.01) -> tuple[list[float], list[float]]:
    draw = random.Random(seed)
    return [draw.uniform(-horn, horn) for _ in JOINT_NAMES], [draw.uniform(-turn, turn) for _ in JOINT_NAMES]


def swapped(robot: RobotModel, one: str, other: str) -> RobotModel:
    """The robot with two plugs in each other's place."""
    channels = {joint.name: joint.servo.channel for joint in robot.joints}
    channels[one], channels[other] = channels[other], channels[one]
    return with_servos(robot, lambda servo, name: replace(servo, channel=channels[name]))


def with_servos(robot: RobotModel, change) -> RobotModel:
    return robot.with_joints(lambda joint: replace(joint, servo=change(joint.servo, joint.name)))


@pytest.mark.parametrize(
    ("reading_deg", "seed"), [(0.0, 1), *(pytest.param(*each, marks=pytest.mark.long) for each in ((0.5, 2), (1.0, 3)))]
)
def test_hidden_horns_are_found_to_a_count_and_the_error_of_a_reading(
    path: Path, reading_deg: float, seed: int
) -> None:
    bench = CalibrationRig(path, *errors(seed))
    assert hold(bench.session.calibrate(), SimulatedUser(bench, reading_deg, seed))
    assert load_robot(path).uncalibrated == []
    assert bench.session.servo.saved == list(JOINT_NAMES)
    assert bench.worst_error() < bench.count(HIP) + radians(reading_deg)


def test_that_measure_can_fail(path: Path) -> None:
    bench = CalibrationRig(path, *errors(1))
    hold(bench.session.calibrate([HIP]), SimulatedUser(bench, 0.0))
    assert bench.worst_error(HIP) < bench.count(HIP)
    bench.robot = load_robot(path)
    off = CalibrationRig(path, [radians(1.5)] * 12)
    assert off.worst_error(HIP) > bench.count(HIP)


def test_one_servo_alone_leaves_all_others(path: Path) -> None:
    bench = CalibrationRig(path, *errors(4))
    hold(bench.session.calibrate([KNEE]), SimulatedUser(bench))
    assert load_robot(path).uncalibrated == [name for name in JOINT_NAMES if name != KNEE]
    assert bench.worst_error(KNEE) < bench.count(KNEE) + radians(0.5)


def test_nothing_moves_faster_than_the_slow_speed_after_the_first_pulse(path: Path) -> None:
    bench = CalibrationRig(path)
    bench.board.place([0.0, radians(45), 0, 0, 0, 0, 0, 0, 0, 0, 0, 0])  # so that the first pulse asks for nothing
    fastest, before = 0.0, (0.0, bench.angle(HIP))

    def watching(seconds: float) -> None:
        nonlocal fastest, before
        bench.clock.now += seconds
        now, angle = bench.clock.now, bench.angle(HIP)
        if now - before[0] >= 0.2:
            fastest, before = max(fastest, abs(angle - before[1]) / (now - before[0])), (now, angle)

    bench.sleep = watching
    hold(bench.session.calibrate([HIP]), SimulatedUser(bench))
    assert radians(20) < fastest < radians(33)


def test_only_one_servo_is_powered_at_a_time_and_none_in_the_end(path: Path) -> None:
    bench, most = CalibrationRig(path), []
    person = SimulatedUser(bench)

    def watching(question: Question) -> str:
        most.append(sum(bench.board.powered()))
        return person(question)

    hold(bench.session.calibrate(joints_of(["front_left"])), watching)
    assert max(most) == 1
    assert not any(bench.board.powered())


def test_cautions_come_before_any_pulse_and_must_be_confirmed(path: Path) -> None:
    bench, before = CalibrationRig(path), []

    def wary(question: Question) -> str:
        before.append((question.key, question.complaint, any(bench.board.powered())))
        return "maybe" if len(before) == 1 else "end"

    assert not hold(bench.session.calibrate(), wary)
    assert [key for key, _, _ in before] == ["cautions", "cautions"]
    assert "Right would be: yes, end" in before[1][1]
    assert not any(powered for _, _, powered in before)
    assert bench.said == ["Ended. Nothing was changed."]


@pytest.mark.parametrize("last", ["ready", "moved", "mark", "end", "check", "limp"])
def test_an_end_anywhere_keeps_what_was_done_and_switches_off(path: Path, last: str) -> None:
    bench = CalibrationRig(path)
    person = SimulatedUser(bench)

    def leaving(question: Question) -> str:
        if bench.session.servo.name == HIP and question.key == last:
            return "end"
        return person(question)

    names = ["front_left_abduction", HIP] if last != "limp" else [HIP]
    assert not hold(bench.session.calibrate(names), leaving)
    assert load_robot(path).joints[0].servo.calibrated == (last != "limp")
    assert HIP in load_robot(path).uncalibrated
    assert not any(bench.board.powered())


def test_a_crash_of_whoever_answers_switches_off_too(path: Path) -> None:
    bench = CalibrationRig(path)
    person = SimulatedUser(bench)

    def crashing(question: Question) -> str:
        if question.key == "mark":
            raise KeyboardInterrupt
        return person(question)

    with pytest.raises(KeyboardInterrupt):
        hold(bench.session.calibrate([HIP]), crashing)
    assert not any(bench.board.powered())


def test_swapped_plugs_are_caught_by_the_wiggle_and_put_right_in_the_file(path: Path) -> None:
    robot = load_robot(path)
    bench = CalibrationRig(path, truth=swapped(robot, HIP, KNEE))
    bench.robot = robot
    person = SimulatedUser(bench, planned={"moved": ["other", "yes"], "which": [KNEE]})
    assert hold(bench.session.calibrate([HIP]), person)
    now = load_robot(path)
    assert (now.joints[1].servo.channel, now.joints[8].servo.channel) == (8, 1)
    assert any("swapped" in sentence for sentence in bench.said)
    assert bench.worst_error(HIP) < bench.count(HIP) + radians(0.5)


@pytest.mark.parametrize(("answer", "said"), [("nothing", "look at the plug"), ("two", "channel of its own")])
def test_nothing_or_two_on_a_channel_is_told_with_its_cure(path: Path, answer: str, said: str) -> None:
    bench = CalibrationRig(path)
    assert hold(bench.session.calibrate([HIP]), SimulatedUser(bench, planned={"moved": [answer, "again", "yes"]}))
    assert any(said in sentence for sentence in bench.said)


def test_a_servo_mounted_the_other_way_round_gets_its_sign(path: Path) -> None:
    turned = with_servos(
        load_robot(path),
        lambda servo, name: replace(
            servo, pulse_per_radian=-servo.pulse_per_radian, pulse_at_zero=0.003 - servo.pulse_at_zero
        ),
    )
    bench = CalibrationRig(path, *errors(6), truth=turned)
    bench.robot = turned
    assert hold(bench.session.calibrate([HIP, KNEE]), SimulatedUser(bench))
    assert load_robot(path).joints[1].servo.pulse_per_radian < 0
    assert bench.worst_error(HIP) < bench.count(HIP) + radians(0.5)


def test_wrong_signs_are_caught_by_the_move_that_is_asked_and_taken_out(path: Path) -> None:
    """A person who reads every angle with the wrong sign gets through to the yes/no move, and no further."""
    name = JOINT_NAMES[0]
    bench = CalibrationRig(path)
    person = SimulatedUser(bench, 0.0, planned={"swung": ["no", "yes"]})
    calibrated = []

    def answers(question: Question) -> str:
        calibrated.append(load_robot(path).joints[0].servo.calibrated)
        if len(person.planned["swung"]) == 1 or question.key not in ("mark", "check"):
            return person(question)
        read = -degrees(bench.angle(name))
        if question.key == "check":
            return f"{read:.3f}"
        away = read - float(question.text.split(" to ")[1].split("°")[0])
        return f"at {read:.3f}" if abs(away) < 1 else f"{away * 11.11:+.0f}"

    assert hold(bench.session.calibrate([name]), answers)
    assert any("wrong sign" in sentence for sentence in bench.said)
    assert [b for a, b in pairwise(calibrated) if a != b] == [True, False, True]
    assert bench.worst_error(name) < bench.count(name)


def test_the_other_side_needs_one_mark_when_copied(path: Path) -> None:
    truth = load_robot(find_robot("greenhouse_inspector"))  # whose servos are mounted as in a mirror
    bench = CalibrationRig(path, errors(7, turn=0.0)[0], truth=truth)
    bench.robot = truth
    person = SimulatedUser(bench, 0.0, planned={"mirror": ["yes", "yes", "yes"]})
    marks: dict[str, int] = {}

    def answers(question: Question) -> str:
        name = bench.session.servo.name
        if question.key == "mark" and "right" in name and len(bench.session.servo.marks) == 1:
            marks[name] = 1
            return "done"
        return person(question)

    assert hold(bench.session.calibrate(joints_of(["front_left", "front_right"])), answers)
    assert marks == dict.fromkeys(joints_of(["front_right"]), 1)
    assert bench.worst_error("front") < bench.count(HIP)


def test_a_horn_too_far_off_says_so_and_may_narrow_the_limits(path: Path) -> None:
    horns = [0.0] * 12
    horns[1] = radians(12)
    bench = CalibrationRig(path, horns)
    person = SimulatedUser(bench, 0.0, planned={"travel": ["narrow"]})
    assert hold(bench.session.calibrate([HIP]), person)
    asked = next(text for text in person.told if "no travel left" in text)
    assert "Turn the horn by 1 tooth, so that the upper leg stands further forward" in asked
    robot = load_robot(path)
    assert degrees(robot.joints[1].lower) == pytest.approx(-32, abs=1.1)
    assert robot.joints[1].servo.calibrated


def test_a_horn_at_a_stop_says_how_many_teeth(path: Path) -> None:
    horns = [0.0] * 12
    horns[8] = radians(-40)
    bench = CalibrationRig(path, horns)
    person = SimulatedUser(bench, 0.0, planned={"travel": ["skip"]})
    assert not hold(bench.session.calibrate([KNEE]), person)
    # The middle is at -122.5° in place of -82.5°, so -32.5° is the last that it reaches: 27.5° short of the limit.
    assert any("No further: 500 to 2500 µs" in sentence for sentence in bench.said)
    assert any(
        "Turn the horn by 2 teeth, so that the lower leg stands further rearward" in text for text in person.told
    )
    assert KNEE in load_robot(path).uncalibrated


def test_stops_are_where_the_person_says(path: Path) -> None:
    bench = CalibrationRig(path)
    person = SimulatedUser(bench, 0.0, planned={"end": ["near", "-25", "here", "none"]})
    assert hold(bench.session.calibrate([KNEE]), person)
    low, high = load_robot(path).joints[8].servo.stops
    knee = bench.robot.joints[8]
    at_limit = min(knee.servo.pulse_at_zero + knee.servo.pulse_per_radian * a for a in (knee.lower, knee.upper))
    assert low == pytest.approx(at_limit - 25e-6, abs=6e-6)
    assert high == knee.servo.kind.pulse_range[1]


def test_answers_out_of_range_are_told_what_would_be_right(path: Path) -> None:
    bench = CalibrationRig(path)
    person = SimulatedUser(bench)
    wrong, complaints = ["at 400", "40", "+x", ""], []

    def answers(question: Question) -> str:
        if question.key == "mark" and question.complaint:
            complaints.append(question.complaint)
            question = replace(question, complaint="")
        if question.key == "mark" and wrong:
            return wrong.pop()
        return person(question)

    assert hold(bench.session.calibrate([HIP]), answers)
    assert len(complaints) == 4
    assert sum("at a number from -70 to 160 °" in complaint for complaint in complaints) == 3
    assert complaints[-1] == "400 makes no sense here: -70 to 160 ° would be right"


def test_a_mark_taken_back_is_asked_for_again(path: Path) -> None:
    bench = CalibrationRig(path)
    person = SimulatedUser(bench, 0.0)
    targets: list[str] = []

    def answers(question: Question) -> str:
        if question.key != "mark":
            return person(question)
        targets.append(question.text.split(" to ")[1].split("°")[0])
        return "undo" if len(bench.session.servo.marks) == 3 and "undone" not in targets else person(question)

    def undoing(question: Question) -> str:
        answer = answers(question)
        if answer == "undo":
            targets.append("undone")
        return answer

    assert hold(bench.session.calibrate([HIP]), undoing)
    after = targets[targets.index("undone") + 1 :]
    assert after[0] == "125"
    assert after[-1] == "-35"
    assert bench.worst_error(HIP) < bench.count(HIP)


def test_a_check_that_is_off_marks_anew(path: Path) -> None:
    bench = CalibrationRig(path)
    person = SimulatedUser(bench, 0.0, planned={"check": ["20", "again"]})
    assert hold(bench.session.calibrate([HIP]), person)
    assert person.asked.count("check") == 3
    assert any("off: read again, or mark it anew" in sentence for sentence in bench.said)


def test_a_kind_that_holds_without_pulses_is_remembered_and_asked_for_once(path: Path) -> None:
    bench = CalibrationRig(path)
    person = SimulatedUser(bench, planned={"limp": ["no"]})
    assert hold(bench.session.calibrate(joints_of(["front_left"])), person)
    assert person.asked.count("limp") == 1
    assert load_robot(path).joints[0].servo.kind.holds_without_pulses
    assert any("Only the switch" in sentence for sentence in bench.said)


def test_a_cable_pulled_in_the_middle_loses_nothing(path: Path) -> None:
    bench = CalibrationRig(path)
    person = SimulatedUser(bench)
    told: list[Question] = []

    def answers(question: Question) -> str:
        if question.key == "mark" and len(bench.session.servo.marks) == 2 and not told:
            told.append(question)
            bench.board.break_bus(60.0)
            return "+5"
        if question.key == "again":
            told.append(question)
            assert len(bench.session.servo.marks) == 2
            if len(told) > 3:
                bench.clock.now += 60.0
        return person(question)

    assert hold(bench.session.calibrate([HIP]), answers)
    assert len(told) == 4  # asked again for as long as the cable is out
    assert "HOLDS its last pulse" in told[1].text
    assert load_robot(path).joints[1].servo.calibrated


def test_a_board_that_lost_its_power_begins_with_a_warned_first_pulse(path: Path) -> None:
    bench = CalibrationRig(path)
    person = SimulatedUser(bench)
    told: list[str] = []

    def answers(question: Question) -> str:
        if question.key == "mark" and len(bench.session.servo.marks) == 1 and not told:
            told.append("")
            bench.board.power_loss()
            return "+25"
        if question.key == "again":
            assert not any(bench.board.powered())
            told.append(question.text)
        return person(question)

    assert hold(bench.session.calibrate([HIP]), answers)
    assert "lost its power" in told[1]
    assert "FULL SPEED" in told[1]
    assert bench.worst_error(HIP) < bench.count(HIP) + radians(0.5)


def test_a_cable_out_at_the_end_is_no_crash(path: Path) -> None:
    bench = CalibrationRig(path)
    person = SimulatedUser(bench)

    def answers(question: Question) -> str:
        if question.key == "mark":
            bench.board.break_bus(1e6)
            return "end"
        return person(question)

    assert not hold(bench.session.calibrate([HIP]), answers)
    assert "open the switch in the servo supply" in bench.said[-1]


def test_a_board_that_cannot_be_opened_is_told(path: Path) -> None:
    bench = CalibrationRig(path)
    bench.board.break_bus(10.0)
    with pytest.raises(BoardError, match="no chip answers"):
        CalibrationRig.open(bench).read(0, 1)


def test_a_stop_in_the_middle_of_a_move_is_limp_at_once_and_goes_on_when_asked(path: Path) -> None:
    bench = CalibrationRig(path)
    person = SimulatedUser(bench)
    sleep, stops = bench.sleep, 0

    def interrupting(seconds: float) -> None:
        nonlocal stops
        sleep(seconds)
        if person.asked.count("mark") > 4 and not stops:
            stops += 1
            bench.pulses.cut()

    bench.sleep = interrupting

    def answers(question: Question) -> str:
        if question.key == "again":
            assert "Stopped" in question.text
            assert not any(bench.board.powered())
            assert bench.pulses.live is None
        return person(question)

    assert hold(bench.session.calibrate([HIP]), answers)
    assert person.asked.count("again") == 1


def test_pulses_found_on_the_board_are_asked_for(path: Path) -> None:
    first = CalibrationRig(path)
    first.pulses.go(first.robot.joints[3].servo, 0.0015)
    second = CalibrationRig(path, clock=first.clock, board=first.board)
    told: list[str] = []

    def answers(question: Question) -> str:
        told.append(question.text)
        return {"cautions": "yes", "running": "off"}.get(question.key, "end")

    hold(second.session.calibrate(), answers)
    assert "front_right_abduction" in told[1]
    assert not any(first.board.powered())


def test_a_file_that_cannot_be_written_is_asked_again_and_the_figures_are_said(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = CalibrationRig(path)
    person = SimulatedUser(bench)
    save, tries = bench.session.servo.file.save, []

    def failing(changes):
        tries.append(changes)
        if len(tries) < 3:
            raise OutputPathError("No space left on device")
        return save(changes)

    monkeypatch.setattr(bench.session.servo.file, "save", failing)
    assert hold(bench.session.calibrate([HIP]), person)
    assert person.asked.count("save") == 2
    assert sum("pulse_at_zero_us" in sentence for sentence in bench.said) == 2
    assert load_robot(path).joints[1].servo.calibrated


def test_horns_are_fitted_in_the_middle_with_advice_in_teeth(path: Path) -> None:
    horns = [0.0] * 12
    horns[1] = radians(31)
    bench = CalibrationRig(path, horns)
    told: list[str] = []

    def answers(question: Question) -> str:
        told.append(question.text)
        if question.key == "horn":
            return "76" if len(told) < 4 else "47"
        return "go" if question.key == "ready" else "yes"

    assert hold(bench.session.fit_horns([HIP]), answers)
    assert "as near as it can to 45°" in told[2]
    assert "Turn the horn by 2 teeth, so that the upper leg stands further forward" in told[3]  # 31° at 14.4° a tooth
    assert any("as near as 25 teeth allow" in sentence for sentence in bench.said)
    assert path.read_text() == uncalibrated_file(path.parent, "same.yaml").read_text()


def test_known_angles_are_within_the_limits_and_reach_near_both() -> None:
    for joint in load_robot(find_robot("greenhouse_inspector")).joints:
        angles = known_angles(joint)
        assert len(set(angles)) == 4
        assert degrees(joint.lower) - 1e-6 <= min(angles) <= degrees(joint.lower) + 5
        assert degrees(joint.upper) - 5 <= max(angles) <= degrees(joint.upper) + 1e-6


def test_words_of_the_command_line_are_sorted_out() -> None:
    assert split_words(["rear_left_knee"]) == ("", ["rear_left_knee"])
    assert split_words(["front_left", "mine.yaml"]) == ("mine.yaml", ["front_left"])
    assert joints_of(["front_left"]) == ["front_left_abduction", "front_left_hip", "front_left_knee"]
    assert joints_of([]) == list(JOINT_NAMES)
    with pytest.raises(Refused, match="left_knee is neither"):
        split_words(["mine.yaml", "left_knee"])


def test_where_simulated_horns_went_on_no_file_changes(path: Path) -> None:
    """The same pulse is the same angle before a calibration and after it; the right side is mounted as in a mirror."""

    def angles(robot: RobotModel) -> list[float]:
        there = on_bench.Bench(robot, 3, quick=True)
        chip = PCA9685(there.open(), robot.board, there.sleep)
        chip.start()
        chip.write({joint.servo.channel: 300 for joint in robot.joints})
        there.sleep(2.0)
        assert there.protractor
        return [there.protractor(name) for name in JOINT_NAMES]

    uncalibrated, calibrated = load_robot(path), load_robot(find_robot("greenhouse_inspector"))
    assert angles(uncalibrated) == pytest.approx(angles(calibrated))
    left, right = (on_bench.as_assembled(uncalibrated).joints[number].servo for number in (1, 4))
    assert left.pulse_per_radian == pytest.approx(-right.pulse_per_radian)


def test_an_end_short_of_a_mark_is_refused(path: Path) -> None:
    bench = CalibrationRig(path)
    assert hold(
        bench.session.calibrate([HIP]), SimulatedUser(bench, 0.0, planned={"end": ["here", "none", "here", "none"]})
    )
    assert any(sentence.startswith("Not the end: you marked ") for sentence in bench.said)
    assert bench.worst_error(HIP) < bench.count(HIP)


def test_not_being_sure_which_joint_moved_swaps_nothing(path: Path) -> None:
    bench, before = CalibrationRig(path), load_robot(path)
    hold(bench.session.calibrate([HIP]), SimulatedUser(bench, planned={"moved": ["other", "yes"], "which": ["back"]}))
    channels = [joint.servo.channel for joint in load_robot(path).joints]
    assert channels == [joint.servo.channel for joint in before.joints]


def test_a_swap_that_was_saved_is_said_at_the_end(path: Path) -> None:
    bench = CalibrationRig(path)
    person = SimulatedUser(bench, planned={"moved": ["other"], "which": [KNEE]})

    def leaves(question: Question) -> str:
        return "end" if "which" in person.asked else person(question)

    assert not hold(bench.session.calibrate([HIP]), leaves)
    assert f"Ended. Channels swapped: those of {HIP} and {KNEE}." in bench.said
