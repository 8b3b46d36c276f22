"""What is said of a walk in physics: thresholds by made-up figures, and robots whose end is known."""

from __future__ import annotations

import json
from dataclasses import replace
from math import nan, radians

import pytest

pytest.importorskip("mujoco", reason="mujoco does not import: install the extra `sim`")

from random_robots import with_torque

from quadleg.cli import main
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot
from quadleg.safety.figure_words import code_in_words
from quadleg.simulation.walk_verdict import GaitVerdict, Shortfall, WalkCode, WalkFigures, judged, walk_verdict

ROBOT = load_robot(find_robot(DEFAULT_ROBOT))
GOOD = WalkFigures(0.1, speed=0.92, standing_height=0.99, height=0.98, tilt=radians(3), at_limit=(0.0,) * 12)


@pytest.mark.parametrize(
    ("figures", "code", "shortfalls"),
    [
        (GOOD, WalkCode.WALKS, ()),
        (replace(GOOD, speed=0.6), WalkCode.WALKS_BADLY, (Shortfall.SLOW,)),
        (replace(GOOD, speed=-0.1), WalkCode.DOES_NOT_WALK, (Shortfall.SLOW,)),
        (replace(GOOD, speed=4.3), WalkCode.DOES_NOT_WALK, (Shortfall.FAST,)),
        (replace(GOOD, height=0.8), WalkCode.WALKS_BADLY, (Shortfall.LOW,)),
        (replace(GOOD, height=0.5), WalkCode.DOES_NOT_WALK, (Shortfall.LOW,)),
        (replace(GOOD, tilt=radians(20)), WalkCode.WALKS_BADLY, (Shortfall.TILTS,)),
        (replace(GOOD, tilt=radians(40), speed=0.6), WalkCode.DOES_NOT_WALK, (Shortfall.SLOW, Shortfall.TILTS)),
    ],
)
def test_the_worst_shortfall_decides(figures: WalkFigures, code: WalkCode, shortfalls: tuple[Shortfall, ...]) -> None:
    verdict = judged("trot", figures)
    assert verdict.code is code
    assert tuple(reason.code for reason in verdict.reasons) == shortfalls
    assert verdict.walks == (code in (WalkCode.WALKS, WalkCode.WALKS_BADLY))
    assert verdict.sentence.startswith(f"trot: {code_in_words(code.value)}: ")
    assert all(reason.sentence in verdict.sentence for reason in verdict.reasons)


def test_the_joint_at_its_torque_limit_is_named_as_the_cause() -> None:
    loaded = tuple(0.4 if joint == 8 else 0.2 for joint in range(12))
    verdict = judged("trot", replace(GOOD, speed=0.5, at_limit=loaded))
    assert [reason.code for reason in verdict.reasons] == [Shortfall.SLOW, Shortfall.TORQUE_LIMIT]
    assert "rear_left_knee at the torque limit 40 % of the time" in verdict.sentence
    assert not judged("trot", replace(GOOD, at_limit=loaded)).reasons, "a walk that is kept needs no cause"


@pytest.mark.parametrize("gait", ["creep", "trot"])
def test_the_demo_robot_walks(gait: str) -> None:
    verdict = walk_verdict(ROBOT, WalkingLimits(ROBOT, ROBOT.gait(gait)))
    assert verdict.code is WalkCode.WALKS
    assert verdict.figures.speed == pytest.approx(1.0, abs=0.15)


def test_servos_too_weak_to_stand_are_told() -> None:
    weak = with_torque(ROBOT, 0.15)
    verdict = walk_verdict(weak, WalkingLimits(weak, weak.gait("trot")))
    assert verdict.code is WalkCode.DOES_NOT_STAND
    assert {reason.code for reason in verdict.reasons} <= {Shortfall.DOES_NOT_RISE, Shortfall.STOPPED, Shortfall.SINKS}
    assert verdict.reasons
    assert not GaitVerdict((verdict,)).can_be_tried


def test_the_worst_run_counts_and_the_runs_are_counted() -> None:
    runs = GaitVerdict((judged("trot", GOOD), judged("trot", replace(GOOD, speed=0.5)), judged("trot", GOOD)))
    assert runs.worst.code is WalkCode.WALKS_BADLY
    assert runs.sentence.endswith("(1 of 3 runs)")
    said = json.loads(json.dumps(runs.as_dict()))
    assert said["verdict"] == "walks_badly"
    assert said["runs"] == {"walks": 2, "walks_badly": 1, "does_not_walk": 0, "does_not_stand": 0}
    assert said["reasons"][0]["code"] == "slow"


def test_figures_that_nobody_measured_are_null() -> None:
    assert judged("creep", replace(GOOD, standing_height=nan)).as_dict()["figures"]["standing_height_share"] is None


def test_a_robot_that_does_not_stand_ends_the_command_with_1(tmp_path, capsys: pytest.CaptureFixture[str]) -> None:
    text = find_robot(DEFAULT_ROBOT).read_text(encoding="utf-8")
    path = tmp_path / "weak.yaml"
    path.write_text(text.replace("stall_torque_kg_cm: 10", "stall_torque_kg_cm: 1.5"), encoding="utf-8")
    assert main.main(["rollout", str(path), "--runs", "1", "--distance", "0.5"]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "creep: does not stand: " in said
    assert "trot: does not stand: " in said
    assert "creep: what would do, by `quadleg check`: at least " in said
