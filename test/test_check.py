"""`quadleg check` as a person and a program use it."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from functools import cache
from io import StringIO
from math import degrees
from pathlib import Path

import pytest
import sample_robots
from random_robots import with_torque
from rich.console import Console

from quadleg.cautions import BUILDING
from quadleg.cli import main
from quadleg.commissioning.feasibility import check as module
from quadleg.commissioning.feasibility.check import SECTIONS, Check, as_json, check, refusals, verdicts
from quadleg.commissioning.feasibility.check_table import print_check
from quadleg.commissioning.feasibility.torque_needs import with_servos_to_buy
from quadleg.commissioning.feasibility.verdict import FAILS, GOOD, TIGHT, Verdict
from quadleg.robot.model import FixedFrame
from quadleg.robot_file.load import find_robot

DEMO = find_robot("greenhouse_inspector")


@cache
def checked() -> Check:
    return check(sample_robots.inspector())


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """The command takes the check of the demo robot that is there already."""
    monkeypatch.setattr(module, "check", lambda robot: checked())


def written(folder: Path, old: str, new: str) -> str:
    """A copy of the demo robot's file with something changed."""
    text = DEMO.read_text(encoding="utf-8")
    assert old in text
    path = folder / "changed.yaml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    return str(path)


def printed(what: Check, width: int) -> str:
    paper = StringIO()
    print_check(what, Console(width=width, file=paper))
    return paper.getvalue()


def test_a_possible_robot_ends_with_0_and_one_json_object(capsys: pytest.CaptureFixture[str]) -> None:
    assert main.main(["check", str(DEMO), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert list(said) == ["walk", "reach", "torque", "current", "resolution", "bus", "heat"]
    words = {row["verdict"] for section in said.values() for row in section["verdicts"]}
    assert words <= {GOOD, TIGHT}
    assert said["bus"]["frame_ms"] == pytest.approx(1.13)
    assert said["current"]["all_stalled_a"] == pytest.approx(30.0)
    assert said["torque"]["four_feet"]["standing_margin"] > 2


def test_an_impossible_one_ends_with_1_and_says_what_to_change(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = written(tmp_path, "rated_current_a: 20", "rated_current_a: 2")
    assert main.main(["check", file, "--json"]) == 1
    said = json.loads(capsys.readouterr().out)
    row = said["current"]["verdicts"][0]
    assert (row["about"], row["verdict"]) == ("current, standing", FAILS)
    assert row["change"]


def test_a_faulty_file_is_told_as_everywhere(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main.main(["check", written(tmp_path, "upper_leg_mm: 92", "upper_leg_mm: long")]) == 1
    assert "leg.upper_leg_mm" in capsys.readouterr().err


def test_the_table_says_every_verdict_and_every_caution() -> None:
    said = printed(checked(), 400)
    for rows in checked().verdicts.values():
        for row in rows:
            assert row.about in said
            assert row.why in said
            assert row.cure in said
    for caution in (*BUILDING, checked().buy, checked().conclusion):
        assert caution in said
    assert "rules of thumb" in said


def test_what_is_assumed_is_said() -> None:
    robot = sample_robots.digger()
    joint = robot.legs[0].joints[0]
    guessed = replace(joint, servo=replace(joint.servo, calibrated=False))
    legs = (replace(robot.legs[0], joints=(guessed, *robot.legs[0].joints[1:])), *robot.legs[1:])
    said = printed(check(replace(robot, legs=legs)), 200)
    assert "how it is split between body and legs is assumed" in said
    assert "Not calibrated yet, assuming defaults for: front_left_abduction." in said


def test_the_quick_verdicts_are_those_of_the_whole_check_but_for_speed_and_figures() -> None:
    quick = verdicts(sample_robots.inspector())
    assert list(quick) == list(SECTIONS)
    whole = {row.about: row.word for rows in checked().verdicts.values() for row in rows}
    found = {row.about: row.word for rows in quick.values() for row in rows}
    assert found.items() <= whole.items()
    of_limits = {f"{about}, {gait}" for about in ("speed", "walk", "heat") for gait in ("creep", "trot")}
    assert set(whole) - set(found) == of_limits


def test_refusals_are_sentences_of_what_will_not_work() -> None:
    robot = sample_robots.inspector()
    assert refusals(robot) == []
    heavy = replace(robot, masses=replace(robot.masses, body=4.0), supply=replace(robot.supply, rated_current=3.0))
    said = refusals(heavy)
    assert any(sentence.startswith("torque, three feet: ") for sentence in said)
    assert any(sentence.startswith("current, standing: ") for sentence in said)
    assert all("; " in sentence for sentence in said), "each with its cure"


def test_a_gait_that_it_cannot_walk_does_not_keep_a_robot_from_the_other() -> None:
    # Off the middle, its mass loads a pair of feet of the trot more than the three of the creep.
    payload = FixedFrame("payload", (0.1, 0.0, 0.0), (0.0, 0.0, 0.0), 0.4)
    robot = with_torque(replace(sample_robots.inspector(), frames=(payload,)), 0.57)
    whole = check(robot)
    assert [forecast.code.walks for forecast in whole.forecasts] == [True, False]
    assert whole.conclusion.startswith("This robot is possible, but not in each of its gaits: ")
    assert whole.failing
    assert refusals(robot) == []


def test_the_supply_to_buy_is_for_the_servos_to_buy() -> None:
    weak = check(with_torque(sample_robots.inspector(), 0.3))
    mended = check(with_servos_to_buy(weak.robot, weak.needed))
    assert not weak.walks
    assert mended.walks
    assert f", {mended.current.plan.rating} A (" in weak.buy
    assert "with the servos that would do (at least " in weak.buy
    assert "with these servos it does not walk" in weak.buy
    assert (
        json.loads(as_json(weak))["current"]["supply_to_buy_a"] == mended.current.plan.rating > weak.current.plan.rating
    )
    assert checked().buy == checked().current.plan.sentence


def test_the_conclusion_counts() -> None:
    assert checked().conclusion.startswith("This robot is possible: ")
    assert checked().conclusion.endswith("0 that will not work.")
    failing = replace(checked())
    failing.__dict__["verdicts"] = {"walk": [], "reach": [Verdict("x", FAILS, "y")], "torque": [], "bus": []}
    assert failing.conclusion == "This robot is not possible as it is described: 0 good, 0 tight, 1 that will not work."


def test_the_figures_have_the_units_of_their_keys() -> None:
    said = json.loads(as_json(checked()))
    reach, found = said["reach"], checked().reach
    assert reach["standing_height"]["highest"]["mm"] == pytest.approx(1000 * found.highest.value, abs=0.01)
    assert reach["body_moves"]["roll"]["most"]["deg"] == pytest.approx(degrees(found.moves["roll"][1].value), abs=0.01)
    assert said["resolution"]["count_ms"] == pytest.approx(1000 * checked().resolution.pulse)


@pytest.mark.usefixtures("quick")
def test_pictures_are_drawn_where_asked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("matplotlib")
    folder = tmp_path / "new" / "pictures"
    assert main.main(["check", "--pictures", str(folder)]) == 0
    said = capsys.readouterr().out
    for name in ("workspace", "heights", "strides"):
        path = folder / f"greenhouse_inspector_{name}.png"
        assert path.read_bytes().startswith(b"\x89PNG")
        assert path.name in said
    assert f"Pictures in {folder}:" in said


@pytest.mark.usefixtures("quick")
def test_pictures_go_into_a_new_folder_each_time_and_what_they_replace_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("matplotlib")
    monkeypatch.chdir(tmp_path)
    names = ["greenhouse_inspector_check", "greenhouse_inspector_check_2"]
    (tmp_path / names[0]).mkdir()
    (tmp_path / names[0] / "greenhouse_inspector_workspace.png").touch()
    main.main(["check"])
    said = capsys.readouterr().out
    assert f"Pictures in {tmp_path / names[1]}:" in said
    assert "Replaced" not in said
    assert list((tmp_path / names[1]).glob("*.png"))
    assert sorted(path.name for path in tmp_path.iterdir()) == names
    main.main(["check", "--pictures", names[0]])
    assert "Replaced in that folder: greenhouse_inspector_workspace.png" in capsys.readouterr().out


@pytest.mark.usefixtures("quick")
def test_json_goes_without_pictures(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main.main(["check", "--json"]) == 0
    assert not list(tmp_path.iterdir())
    json.loads(capsys.readouterr().out)


@pytest.mark.usefixtures("quick")
def test_a_folder_that_cannot_be_written_loses_the_pictures_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("matplotlib")
    (tmp_path / "file").write_text("")
    assert main.main(["check", "--pictures", str(tmp_path / "file")]) == 0
    assert "No pictures: " in capsys.readouterr().out


@pytest.mark.usefixtures("quick")
def test_without_matplotlib_there_are_no_pictures(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "quadleg.commissioning.feasibility.check_plots", None)
    assert main.main(["check", "--pictures", str(tmp_path)]) == 0
    assert "pip install matplotlib" in capsys.readouterr().out
