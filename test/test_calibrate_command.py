"""`quadleg calibrate` as a command, with a file of answers in place of a person."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from math import degrees, radians
from pathlib import Path
from xml.etree import ElementTree

import pytest
from calibration_rig import CalibrationRig, SimulatedUser, hold, uncalibrated_file

from quadleg.cli import main
from quadleg.commissioning.answer_file import FileAnswers
from quadleg.commissioning.calibration.bench import hidden_errors
from quadleg.commissioning.dialog import Choice, Number, Question
from quadleg.errors import AnswerError
from quadleg.robot_file.load import load_robot

HIP = "front_left_hip"


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return uncalibrated_file(tmp_path)


def answered(path: Path, names: list[str], seed: int, reading_deg: float, folder: Path) -> Path:
    """The file of answers that a person gives at the very bench that the command simulates."""
    folder.mkdir()
    bench = CalibrationRig(uncalibrated_file(folder), *hidden_errors(seed))
    person, lines = SimulatedUser(bench, reading_deg, seed), []

    def noting(question: Question) -> str:
        answer = person(question)
        lines.append(f"- {question.key}: {answer}")
        return answer

    assert hold(bench.session.calibrate(names), noting)
    answers = path.with_name("answers.yaml")
    answers.write_text("\n".join(lines) + "\n")
    return answers


def test_all_twelve_are_found_through_the_command(path: Path, tmp_path: Path, capsys) -> None:
    """Its hidden errors are those of seed 5; the person reads with an error of up to half a degree."""
    names = [joint.name for joint in load_robot(path).joints]
    answers = answered(path, names, 5, 0.5, tmp_path / "there")
    assert main.main(["calibrate", str(path), "--answers", str(answers), "--seed", "5"]) == 0
    assert "Every joint is calibrated" in capsys.readouterr().out
    bench = CalibrationRig(
        path, *hidden_errors(5), truth=CalibrationRig(uncalibrated_file(tmp_path, "true.yaml")).robot
    )
    worst = bench.worst_error()
    assert worst < bench.count(HIP) + radians(0.5), f"{degrees(worst):.2f}°"


def test_the_readmes_answers_fit(path: Path) -> None:
    readme = Path(__file__).parents[1] / "README.md"
    if not readme.exists():
        pytest.skip("this copy of the tests comes without the README")
    block = readme.read_text(encoding="utf-8").split("  ```yaml\n  - cautions")[1].split("  ```")[0]
    answers = path.with_name("answers.yaml")
    answers.write_text(f"- cautions{block}".replace("\n  ", "\n"))
    assert main.main(["calibrate", str(path), HIP, "--answers", str(answers)]) == 0
    assert HIP not in load_robot(path).uncalibrated


def test_a_file_that_ends_too_soon_keeps_what_was_done_and_says_what_is_asked(
    path: Path, tmp_path: Path, capsys
) -> None:
    names = [HIP, "front_left_knee"]
    answers = answered(path, names, 0, 0.0, tmp_path / "there")
    lines = answers.read_text().splitlines()
    second = [number for number, line in enumerate(lines) if line == "- ready: go"][1]
    answers.write_text("\n".join(lines[: second + 2]))
    assert main.main(["calibrate", str(path), *names, "--answers", str(answers)]) == 1
    said = capsys.readouterr()
    assert f"{HIP}: saved" in said.out
    assert f"has {second + 2} answers, and `mark` is asked" in said.err
    assert not {HIP, "front_left_knee"} <= set(load_robot(path).uncalibrated)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("- cautions: maybe", "'maybe' is no answer here. Right would be: yes, end"),
        ("- moved: yes", "answer 1 is for `moved`, and `cautions` is asked"),
        ("cautions: yes\nready: go", "entry 1: `- key: answer` would be right"),
        ("- [yes", "answers.yaml:"),
        ("", "`- key: answer` would be right"),
    ],
)
def test_answers_that_do_not_fit_are_told(path: Path, text: str, said: str, capsys) -> None:
    answers = path.with_name("answers.yaml")
    answers.write_text(text)
    assert main.main(["calibrate", str(path), "--answers", str(answers)]) == 1
    assert said in capsys.readouterr().err


def test_answers_are_taken_as_written_and_in_lists(tmp_path: Path) -> None:
    file = tmp_path / "answers.yaml"
    file.write_text("- mark: [+25, at -30, done]\n- limp: no\n")
    given = FileAnswers(file)
    mark, limp = Question("mark", "", (Choice("done", "d", ""),), Number("°", -40, 40), jog=True), Question("limp", "")
    assert [given(mark) for _ in range(3)] == ["+25", "at -30", "done"]
    assert not any(mark.fault_of(answer) for answer in ("+25", "at -30", "at -30,5", "done", "to 1500"))
    assert all(mark.fault_of(answer) for answer in ("25", "30", "at 50", "at", "to", "here"))
    with pytest.raises(AnswerError, match="1 answers are left"):
        given.check_all_used()
    assert given(limp) == "no"
    given.check_all_used()


def test_the_shipped_robot_is_copied_first(path: Path, capsys) -> None:
    answers = path.with_name("answers.yaml")
    answers.write_text("- copy: yes\n- cautions: end\n")
    assert main.main(["calibrate", HIP, "--answers", str(answers)]) == 1
    assert Path("greenhouse_inspector.yaml").is_file()
    assert main.main(["calibrate", HIP, "--answers", str(answers)]) == 1
    assert "is there already" in capsys.readouterr().err


def test_a_card_overwrites_nothing(path: Path, capsys) -> None:
    card = Path("card.svg")
    card.write_text("drawn by hand")
    assert main.main(["calibrate", "--card", "card.svg"]) == 1
    said = capsys.readouterr().err
    assert "card.svg exists already" in said
    assert "name a new file" in said
    assert card.read_text() == "drawn by hand"


def test_a_card_with_angles_is_true_to_size(path: Path, capsys) -> None:
    assert main.main(["calibrate", "--card", "card.svg"]) == 0
    assert "100 %" in capsys.readouterr().out
    card = ElementTree.parse("card.svg").getroot()
    across, up = card.get("viewBox", "").split()[2:]
    assert (card.get("width"), card.get("height")) == (f"{across}mm", f"{up}mm")  # so a unit is a millimetre
    assert float(across) < 210  # A4: ISO 216
    assert float(up) < 297
    assert [text.text for text in card.iter() if text.tag.endswith("text")].count("90") == 2
    assert main.main(["calibrate", "--card", "none/card.svg"]) == 1


@pytest.mark.parametrize("words", [["no_such_knee"], ["mine.yaml", "left_knee"]])
def test_unknown_words_are_told(path: Path, words: list[str], capsys) -> None:
    assert main.main(["calibrate", *words]) == 1
    assert words[-1] in capsys.readouterr().err


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_switches_the_pulses_off(path: Path, number: signal.Signals) -> None:
    """A process that waits for its next answer with a servo powered."""
    code = f"""
import sys, time
sys.path.insert(0, {str(Path(__file__).parent)!r})
from quadleg.commissioning.calibration import bench, session
from quadleg.commissioning.dialog import run_dialog
boards = []
class Board(bench.SimulatedBoard):
    def __init__(self, *arguments):
        super().__init__(*arguments)
        boards.append(self)
    def close(self):
        print(any(self.powered()), flush=True)
bench.SimulatedBoard = Board
work = session.BenchSession(__import__("pathlib").Path({str(path)!r}), [{HIP!r}], quick=True)
answers = iter(["yes", "go"])
def answer(question):
    for given in answers:
        return given
    print(any(boards[-1].powered()), flush=True)
    time.sleep(30)
try:
    with session.sure_end(work):
        run_dialog(work.dialog(), answer)
except KeyboardInterrupt:
    print("ended", flush=True)
"""
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout
        assert process.stdout.readline() == "True\n"
        process.send_signal(number)
        rest, _ = process.communicate(timeout=20)
    assert rest == "False\nended\n"
