"""The calibration on the whole terminal, by textual's own pilot: keys, what is shown, stop and end."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Awaitable, Callable
from functools import partial
from math import copysign
from pathlib import Path

import pytest
from calibration_rig import uncalibrated_file
from sample_robots import sensor_robot_file

from quadleg.commissioning.calibration.bench import QuickClock
from quadleg.commissioning.calibration.session import BenchSession, ImuSession
from quadleg.commissioning.calibration.trim import Trim
from quadleg.commissioning.dialog import Question
from quadleg.errors import RobotFileError
from quadleg.robot_file.load import find_robot, load_robot

screen = pytest.importorskip(
    "quadleg.commissioning.dialog_screen", reason="needs textual: pip install -e '.[calibrate]'"
)

NAME = "rear_left_knee"
MOVES_WITHIN = 60.0  # s until a servo that is held on its way goes on
COUNT = 20000 / 4096  # µs, of the PWM board at 50 Hz


class ScreenUser:
    """A person at the keys, who waits until something is asked."""

    def __init__(self, shown: screen.Screen, pilot, work: BenchSession | Trim) -> None:
        self.shown, self.pilot, self.work = shown, pilot, work

    async def asked(self, key: str = "") -> str:
        """The text of the question on the screen, once it is the one called `key`."""
        for _ in range(1500):
            question = self.question
            if question and (not key or question.key == key):
                await self.pilot.pause()
                return question.text
            await self.pilot.pause(0.01)
        raise AssertionError(f"{key} was never asked; now {self.question}")

    @property
    def question(self) -> Question | None:
        """What the screen asks; None while it waits for the dialog."""
        return self.shown._question

    async def enter(self, angle: float) -> None:
        """Type an angle in degrees."""
        await self.press(*typed(angle), "enter")
        await self.asked()

    async def jog(self, pulse: float) -> None:
        """Press keys until the pulse is so many µs, to a count."""
        while abs(away := pulse - shown_pulse(self.work)) > COUNT:
            step = next(step for step in (100, 25, 5) if abs(away) >= step)
            await self.press(next(key for key, by in screen.JOG_KEYS.items() if by == copysign(step, away)))
            await self.asked("mark")

    async def press(self, *keys: str) -> None:
        for key in keys:
            await self.asked()
            await self.pilot.press(key)

    def text(self) -> str:
        """All that can be read."""
        return "\n".join(str(widget.render()) for widget in self.shown.query("Static"))


def play(
    work: BenchSession | Trim, act: Callable[[ScreenUser], Awaitable[None]], size: tuple[int, int] = (100, 32)
) -> bool:
    """What the screen's `hold` returns, held on a terminal of textual's own."""
    shown = screen.Screen(work)

    async def steer(pilot) -> None:
        await act(ScreenUser(shown, pilot, work))

    shown.run = partial(shown.run, headless=True, size=size, auto_pilot=steer)
    return shown.hold()


@pytest.fixture
def work(tmp_path: Path) -> BenchSession:
    return BenchSession(uncalibrated_file(tmp_path), [NAME], quick=True)


def reading(work: BenchSession) -> float:
    return float(dict(work.facts())["protractor"].split("°")[0])


def shown_pulse(work: BenchSession) -> float:
    """The pulse in µs that the screen shows."""
    return float(dict(work.facts())["pulse"].split()[0])


def typed(number: float) -> list[str]:
    """The keys for a number."""
    return [{"-": "minus", ".": "full_stop"}.get(character, character) for character in f"{number:g}"]


def test_a_joint_is_calibrated_by_its_keys(work: BenchSession) -> None:
    async def act(hands: ScreenUser) -> None:
        await hands.asked("cautions")
        await hands.press("y", "g", "y")
        await hands.asked("mark")
        before = work.session.servo.wanted
        await hands.press("pageup", "down", "left")
        await hands.asked("mark")
        assert work.session.servo.wanted == pytest.approx(before + 19e-6)
        for pulse in (1100, 1900, 1500):
            await hands.jog(pulse)
            await hands.enter(reading(work))
            await hands.asked("mark")
        assert "worst mark" in dict(work.facts())
        await hands.press("d", "n", "n")
        await hands.asked("check")
        await hands.enter(reading(work))
        await hands.asked("limp")
        await hands.press("y")
        assert "FULL SPEED" in await hands.asked("moves")
        await hands.press("g")
        await hands.asked("swung")
        await hands.press("y")

    assert play(work, act)
    assert load_robot(work.path).joints[8].servo.calibrated
    assert any(f"{NAME}: saved" in sentence for sentence in work.said)


def test_every_key_that_does_something_is_on_the_screen(work: BenchSession) -> None:
    async def act(hands: ScreenUser) -> None:
        await hands.asked("cautions")
        assert "all so" in hands.shown.export_screenshot().replace("&#160;", " ")
        await hands.press("y", "g", "y")
        await hands.asked("mark")
        question = hands.question
        picture = hands.shown.export_screenshot().replace("&#160;", " ")
        for key in [choice.key for choice in question.choices] + ["PgDn", "←", "↑", "Space", "q"]:
            assert f" {key}" in picture
        for words in ("25", "100 µs", "pulses off", "rear", "1 of 1", "Enter"):
            assert words in picture
        await hands.enter(-90)
        await hands.jog(2100)
        await hands.enter(-40)
        await hands.asked("mark")
        await hands.press("d")
        await hands.asked("end")
        picture = hands.shown.export_screenshot().replace("&#160;", " ")
        assert all(choice.label in picture for choice in hands.question.choices if "'" not in choice.label)
        await hands.press("q")

    play(work, act, size=(80, 24))


def test_space_makes_the_servo_limp_and_going_on_is_asked_for(work: BenchSession) -> None:
    async def act(hands: ScreenUser) -> None:
        await hands.press("y", "g", "y")
        await hands.asked("mark")
        assert work.pulses.live == 8
        await hands.pilot.press("space")
        assert work.pulses.live is None
        assert "none" in dict(work.facts())["pulse"]
        await hands.pilot.press("up")
        assert "FULL SPEED" in await hands.asked("again")
        await hands.press("a")
        await hands.asked("mark")
        assert work.pulses.live == 8
        await hands.press("q")

    play(work, act)


@pytest.mark.parametrize("key", ["q", "ctrl+c", "ctrl+q"])
def test_q_and_ctrl_c_end_with_pulses_off(work: BenchSession, key: str) -> None:
    async def act(hands: ScreenUser) -> None:
        await hands.press("y", "g", "y")
        await hands.asked("mark")
        await hands.pilot.press(key)

    assert not play(work, act)
    assert work.pulses.live is None
    assert work.said[-1] == "Ended. Nothing was changed."


def test_q_lets_a_standing_robot_sit_down(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def sleep(clock: QuickClock, seconds: float) -> None:
        time.sleep(seconds / 20)  # leaves the screen its turn
        clock.now += seconds

    monkeypatch.setattr(QuickClock, "sleep", sleep)
    path = Path(shutil.copy(find_robot("greenhouse_inspector"), tmp_path / "mine.yaml"))
    work = Trim(path, quick=True)

    async def act(hands: ScreenUser) -> None:
        await hands.press("y", "y")
        await hands.asked("trim")
        await hands.press("n", "pageup", "up", "up")
        await hands.asked("trim")
        assert ("front left hip", "+35 µs") in work.facts()
        await hands.pilot.press("q")

    play(work, act)
    assert work.said[-2:] == ["It sits down.", "The pulses are off."]
    assert "kept in" in work.said[-3]
    assert "mine.yaml.unfinished_trim.json" in work.said[-3]
    assert "at rest" in work.standing.why


def test_an_imu_is_mounted_by_its_keys(tmp_path: Path) -> None:
    mounting = ImuSession(sensor_robot_file(tmp_path), quick=True)

    async def act(hands: ScreenUser) -> None:
        await hands.press("y")
        for pose in ("level", "forward", "left"):
            assert "by 20 to 40°" in await hands.asked(pose) or pose == "level"
            await hands.press("g")
        assert "rpy_deg is [0.0, 0.0, 0.0] in the robot file" in await hands.asked("save")
        assert [heading for heading, _ in mounting.facts()] == ["level", "forward", "left"]
        assert "no servo is powered" in hands.text()
        await hands.press("y")

    assert play(mounting, act)
    assert mounting.said[-2].startswith("Saved: frames.imu_link.rpy_deg")


def test_a_wrong_angle_is_told_and_may_be_corrected(work: BenchSession) -> None:
    async def act(hands: ScreenUser) -> None:
        await hands.press("y", "g", "y")
        await hands.asked("mark")
        await hands.press("9", "9", "9", "backspace", "9", "enter")
        await hands.asked("mark")
        assert "999 makes no sense here: -190 to 25 ° would be right" in hands.question.complaint
        assert "makes no sense here" in hands.shown.export_screenshot().replace("&#160;", " ")
        await hands.press("q")

    play(work, act)


def test_what_ends_the_dialog_is_raised_after_the_screen(tmp_path: Path) -> None:
    path = uncalibrated_file(tmp_path)
    path.write_text(path.read_text().replace("kind: simulated", "kind: i2c") + "nonsense: 1\n")
    work = BenchSession(path, [NAME])

    async def act(hands: ScreenUser) -> None:
        await hands.pilot.pause(0.2)

    with pytest.raises(RobotFileError, match="nonsense"):
        play(work, act)


def test_a_key_that_does_nothing_is_said_and_where_marks_are_kept_is_too(work: BenchSession) -> None:
    async def act(hands: ScreenUser) -> None:
        await hands.press("y", "g", "y")
        await hands.asked("mark")
        await hands.press("x")
        assert "The key x does nothing here." in hands.text()
        await hands.press("1")
        assert "does nothing" not in hands.text()
        await hands.press("0", "minus", "backspace", "enter", "q")

    play(work, act)
    assert work.said[-2] == "Ended. Nothing was changed."
    assert "the rest is kept in" in work.said[-1]


def test_while_a_servo_moves_the_screen_says_so(work: BenchSession, monkeypatch: pytest.MonkeyPatch) -> None:
    goes = threading.Event()  # cleared: the servo is on its way
    goes.set()
    says = ("Moving, or at work: Space stops it.", "The key x does nothing here.")

    def sleep(clock: QuickClock, seconds: float) -> None:
        goes.wait(MOVES_WITHIN)
        clock.now += seconds

    monkeypatch.setattr(QuickClock, "sleep", sleep)

    async def act(hands: ScreenUser) -> None:
        await hands.press("y")
        await hands.asked()
        goes.clear()
        await hands.press("g")
        while not all(words in hands.text() for words in says):
            assert not hands.question, hands.text()
            await hands.pilot.press("x")
            await hands.pilot.pause(0.01)
        goes.set()
        await hands.asked()
        await hands.press("q")

    play(work, act)
