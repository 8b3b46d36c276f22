"""What `quadleg check` foretells of standing and walking, without a simulation."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from random_robots import random_robot, with_torque

from quadleg.cli import main
from quadleg.commissioning.feasibility import check as module
from quadleg.commissioning.feasibility.check import Check, as_json, check
from quadleg.commissioning.feasibility.verdict import FAILS, GOOD, TIGHT, Quantity
from quadleg.commissioning.feasibility.walk_forecast import WalkObstruction
from quadleg.gait.walk_codes import WalkCode
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.robot.model import FixedFrame, RobotModel
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot
from quadleg.simulation.walk_verdict import walk_verdict

ROBOT = load_robot(find_robot(DEFAULT_ROBOT))


def codes(checked: Check) -> list[WalkCode]:
    return [forecast.code for forecast in checked.forecasts]


def causes(checked: Check) -> list[set[WalkObstruction]]:
    return [{factor.cause for factor in forecast.limiting_factors} for forecast in checked.forecasts]


def test_the_demo_robot_walks_in_both_gaits() -> None:
    checked = check(ROBOT)
    assert codes(checked) == [WalkCode.WALKS, WalkCode.WALKS]
    assert [row.word for row in checked.verdicts["walk"]] == [GOOD, GOOD]
    assert "70 % of its limit" in checked.verdicts["walk"][0].why  # the row of its speed has the limit itself
    assert checked.verdicts["bus"][1].why.startswith("at most ")
    said = json.loads(as_json(checked))["walk"]
    assert said["creep"] == {"forecast": "walks", "causes": []}


def test_servos_too_weak_to_rise_get_the_torque_that_would_do() -> None:
    weak = with_torque(ROBOT, 0.15)
    checked = check(weak)
    assert codes(checked) == [WalkCode.DOES_NOT_STAND, WalkCode.DOES_NOT_STAND]
    row = checked.verdicts["walk"][0]
    assert row.word == FAILS
    knees = next(need for need in row.needs if need.at == "knees")
    assert knees.quantity is Quantity.STALL_TORQUE_KG_CM
    assert knees.have == pytest.approx(1.5)
    assert "you have 1.5" in row.cure
    # Who buys what is asked for has servos that also carry a step.
    strong = check(with_torque(weak, knees.value / knees.have))
    assert codes(strong) == [WalkCode.WALKS, WalkCode.WALKS]


def test_servos_that_stand_and_cannot_step_get_the_torque_that_would_do() -> None:
    weak = with_torque(ROBOT, 0.5)
    creep = check(weak).forecasts[0]
    assert creep.code is WalkCode.DOES_NOT_WALK
    (factor,) = creep.limiting_factors
    assert factor.cause in (WalkObstruction.WALKING_LIMITS, WalkObstruction.TOO_SLOW)
    need = next(need for need in factor.needs if need.at == "knees")
    assert need.value > need.have
    assert check(with_torque(weak, need.value / need.have)).forecasts[0].code is WalkCode.WALKS


def test_a_supply_whose_voltage_sinks_too_far_is_foretold() -> None:
    hungry = replace(with_torque(ROBOT, 3.0), supply=replace(ROBOT.supply, rated_current=200.0, low_share=0.99))
    assert all(WalkObstruction.SUPPLY_VOLTAGE in found for found in causes(check(hungry)))
    small = replace(ROBOT, supply=replace(ROBOT.supply, rated_current=1.0))
    assert all(WalkObstruction.SUPPLY_CURRENT in found for found in causes(check(small)))
    assert codes(check(small)) == [WalkCode.DOES_NOT_STAND] * 2


def leaning(robot: RobotModel, aside: float) -> RobotModel:
    """With most of its body's mass so far (m) to the left."""
    return replace(robot, frames=(FixedFrame("payload", (0.0, aside, 0.0), (0.0, 0.0, 0.0), 0.5),))


def test_a_load_at_one_side_makes_it_tip() -> None:
    found = check(leaning(ROBOT, 0.2))
    assert found.forecasts[0].code is WalkCode.DOES_NOT_WALK
    first = found.forecasts[0].limiting_factors[0]
    assert first.cause in (WalkObstruction.TIPS, WalkObstruction.WALKING_LIMITS)
    assert check(leaning(ROBOT, 0.0)).forecasts[0].code is WalkCode.WALKS


# By the questions of `quadleg new`; an empty answer takes what is offered.
SHORT_LEGS = ("", "", "", "25", "60", "65", *[""] * 6, "900", "6", "20", "0.14", "6", "", "", "", "", "y")
NINE_GRAM = ("", "", "", "", "", "", *[""] * 6, "900", "1", "", "", "", "y")


def described(path: Path, answers: tuple[str, ...], monkeypatch: pytest.MonkeyPatch) -> int:
    given = iter(answers)
    monkeypatch.setattr("builtins.input", lambda _: next(given))
    return main.main(["new", str(path)])


@pytest.mark.parametrize("answers", [SHORT_LEGS, NINE_GRAM], ids=["short legs", "nine-gram servos"])
def test_new_and_check_end_with_a_verdict_for_each_robot(tmp_path: Path, answers, monkeypatch, capsys) -> None:
    path = tmp_path / "own.yaml"
    assert described(path, answers, monkeypatch) == 0
    assert "walk, creep" in capsys.readouterr().out
    code = main.main(["check", str(path), "--json"])
    said = json.loads(capsys.readouterr().out)["walk"]
    assert code == int(any(row["verdict"] == FAILS for row in said["verdicts"]))


def test_nine_gram_servos_under_900_g_are_told_what_to_buy(tmp_path: Path, monkeypatch, capsys) -> None:
    path = tmp_path / "own.yaml"
    described(path, NINE_GRAM, monkeypatch)
    capsys.readouterr()
    assert main.main(["check", str(path), "--json"]) == 1
    said = json.loads(capsys.readouterr().out)
    rows = said["walk"]["verdicts"]
    assert all("kg·cm" in row["change"] and "you have 1.6" in row["change"] for row in rows)
    assert {need["at"] for row in rows for need in row["needs"] if need["need"] == "stall_torque_kg_cm"} >= {"knees"}
    asked = [
        {need["at"]: need["value"] for need in row["needs"] if need["need"] == "stall_torque_kg_cm"}
        for name, section in said.items()
        for row in section["verdicts"]
        if row["verdict"] == FAILS and row["about"] != "current, standing" and name != "heat"  # that one is without end
    ]
    assert len(asked) >= 5
    assert all(numbers == asked[0] for numbers in asked), "one number for all that fails"


def assert_walks_in_physics(robot: RobotModel) -> None:
    """In each gait that check calls good; and check calls the robot possible."""
    checked = check(robot)
    assert checked.failing == []
    assert module.refusals(robot) == []
    assert codes(checked) == [WalkCode.WALKS] * 2
    for use in checked.gaits:
        assert walk_verdict(robot, WalkingLimits(robot, use.gait)).walks


@pytest.fixture
def nine_gram(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The file of a robot with nine-gram servos."""
    path = tmp_path / "own.yaml"
    described(path, NINE_GRAM, monkeypatch)
    return path


def test_nine_gram_servos_walk_in_physics_after_the_advice(nine_gram: Path) -> None:
    weak = load_robot(nine_gram)
    needs = check(weak).verdicts["walk"][0].needs
    torque = max(need.value / need.have for need in needs if need.quantity is Quantity.STALL_TORQUE_KG_CM)
    assert_walks_in_physics(with_torque(weak, torque))


@pytest.mark.long
def test_nine_gram_servos_walk_in_physics_under_the_mass_that_is_advised(nine_gram: Path) -> None:
    needs = check(load_robot(nine_gram)).verdicts["walk"][0].needs
    mass = next(need for need in needs if need.quantity is Quantity.MASS_G)
    light = nine_gram.with_name("light.yaml")
    light.write_text(nine_gram.read_text().replace("total_g: 900", f"total_g: {mass.value:.0f}"))
    assert_walks_in_physics(load_robot(light))


def test_servos_to_buy_that_the_supply_would_not_feed_come_with_what_the_supply_needs() -> None:
    weak = random_robot(777, 17).robot
    needs = check(weak).verdicts["walk"][0].needs
    assert len({(need.quantity, need.at) for need in needs}) == len(needs), "one number for each"
    torque = max(need.value / need.have for need in needs if need.quantity is Quantity.STALL_TORQUE_KG_CM)
    bought = check(with_torque(weak, torque))
    assert causes(bought) == [{WalkObstruction.SUPPLY_VOLTAGE}] * 2
    ohm = next(need for need in bought.verdicts["walk"][0].needs if need.quantity is Quantity.SUPPLY_OHM)
    (asked,) = (need for need in needs if need.quantity is Quantity.SUPPLY_OHM)
    assert asked.value == pytest.approx(ohm.value, rel=0.1)


def test_a_robot_whose_servos_work_near_their_limit_is_tight_and_gets_the_torque_that_makes_it_good() -> None:
    heavy = replace(ROBOT, masses=replace(ROBOT.masses, body=ROBOT.masses.body + 0.5))
    checked = check(heavy)
    trot = checked.forecasts[1]
    assert trot.verdict().word == TIGHT
    assert [factor.cause for factor in trot.limiting_factors] == [WalkObstruction.NEAR_LIMIT]
    need = next(need for need in trot.verdict().needs if need.at == "knees")
    assert check(with_torque(heavy, need.value / need.have)).verdicts["walk"][1].word == GOOD


@pytest.mark.parametrize(
    ("more", "code", "lost"),
    [
        (0.5, WalkCode.WALKS_BADLY, "may lose 25 % or more of 0.05 m/s"),
        (0.65, WalkCode.DOES_NOT_WALK, "may lose 60 % or more of 0.03 m/s, which counts as not walking"),
    ],
)
def test_what_a_trot_may_lose_is_said_by_what_counts_as_walking(more: float, code: WalkCode, lost: str) -> None:
    """Of the speed asked for, a walk keeps 75 %, and a poor one 40 %."""
    heavy = replace(ROBOT, masses=replace(ROBOT.masses, body=ROBOT.masses.body + more))
    trot = check(heavy).forecasts[1]
    assert trot.code is code
    assert trot.verdict().why.endswith(lost)
