"""Worlds drawn from the table of builders' robots: within it, by seed, and asked for in a command's words."""

from __future__ import annotations

import ast
import pickle
from dataclasses import fields, replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis_settings import examples

pytest.importorskip("mujoco", reason="mujoco does not import: install the extra `sim`")

from hypothesis import settings

from quadleg.cli import main
from quadleg.errors import SpreadError
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.robot.model import MEASURED
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot
from quadleg.simulation.rollout import Rollout
from quadleg.simulation.spread import WorldSpread, world_spread
from quadleg.simulation.spread_kinds import Spread
from quadleg.simulation.spread_table import with_table
from quadleg.simulation.world_difference import NO_DIFFERENCE, ROWS, WorldDifference

PACKAGE = Path(__file__).parents[1] / "quadleg"
PAGE = Path(__file__).parents[1] / "docs" / "spread.md"
SEEDS = st.integers(0, 2**31 - 1)
DRAWN = st.sampled_from([Spread.CALIBRATED, Spread.AS_BUILT])
# What the spread has to have at least, in the rows' units, after `calibrate`: see docs/spread.md.
LEAST = {
    "stiffness": (0.6, 1.4), "play": (0.0, 2.0), "torque": (0.7, 1.1), "speed": (0.8, 1.2), "horns": (-0.5, 0.5),
    "pulse_scale": (-0.5, 0.5), "links": (-1.0, 1.0), "masses": (-10.0, 10.0), "centre_of_mass": (-10.0, 10.0),
    "foot_radius": (-2.0, 2.0), "friction": (0.5, 1.5), "supply_resistance": (0.0, 0.15), "latency": (0.0, 20.0),
    "imu_misalignment": (-2.0, 2.0), "gyro_bias": (-2.0, 2.0), "gyro_scale": (-1.0, 1.0), "vibration": (0.0, 0.6),
    "turning_vibration": (0.0, 0.02),
}  # fmt: skip


def values(difference: WorldDifference, name: str) -> list[float]:
    """Those of a row, in its unit."""
    value = getattr(difference, name)
    return [one / ROWS[name].scale for one in (value if isinstance(value, tuple) else (value,))]


# The table


def test_each_field_has_its_row() -> None:
    assert list(ROWS) == [field.name for field in fields(WorldDifference)]
    for row in ROWS.values():
        assert row.what
        assert row.source
        for low, high in (row.calibrated, row.as_built):
            assert low <= high
            assert row.widest[0] <= low
            assert high <= row.widest[1]


def test_no_row_is_narrower_than_it_has_to_be() -> None:
    for name, (low, high) in LEAST.items():
        for found in (ROWS[name].calibrated, ROWS[name].as_built):
            assert found[0] <= low, name
            assert found[1] >= high, name
    assert ROWS["horns"].as_built == (-2.0, 2.0)
    assert ROWS["pulse_scale"].as_built == (-3.0, 3.0)


def test_calibration_makes_no_row_worse() -> None:
    for row in ROWS.values():
        assert row.as_built[0] <= row.calibrated[0], row.name
        assert row.calibrated[1] <= row.as_built[1], row.name


def test_the_page_has_the_table_as_it_is() -> None:
    """Else: python -m quadleg.simulation.spread_table docs/spread.md"""
    page = PAGE.read_text(encoding="utf-8")
    assert with_table(page) == page
    assert all(f"| `{name}` |" in page for name in ROWS)


# Draws


@given(SEEDS, DRAWN)
def test_a_draw_stays_within_the_table(seed: int, spread: Spread) -> None:
    drawn = WorldSpread(spread).draw(seed)
    for name, row in ROWS.items():
        low, high = row.calibrated if spread is Spread.CALIBRATED else row.as_built
        found = values(drawn, name)
        assert len(found) == row.count
        assert all(low - 1e-9 <= one <= high + 1e-9 for one in found), name


def test_draws_fill_the_range() -> None:
    draws = [WorldSpread(Spread.AS_BUILT).draw(seed) for seed in range(200)]
    for name, row in ROWS.items():
        low, high = row.as_built
        found = [one for draw in draws for one in values(draw, name)]
        assert min(found) < low + 0.1 * (high - low), name
        assert max(found) > high - 0.1 * (high - low), name


@settings(max_examples=examples(30))
@given(SEEDS, DRAWN, st.sampled_from(sorted(ROWS)))
def test_a_row_alone_is_that_of_the_whole_and_a_seed_is_one_world(seed: int, spread: Spread, name: str) -> None:
    whole = WorldSpread(spread).draw(seed)
    assert whole == WorldSpread(spread).draw(seed)
    assert whole != WorldSpread(spread).draw(seed + 1)
    alone = WorldSpread(spread, {name: ()}).draw(seed)
    assert alone == replace(NO_DIFFERENCE, **{name: getattr(whole, name)})


def test_a_value_is_that_of_all_or_goes_both_ways() -> None:
    drawn = world_spread("none", "stiffness=0.6, horns=2,centre_of_mass=0/15/0").draw(3)
    assert values(drawn, "stiffness") == pytest.approx([0.6] * 12)
    assert {round(one, 9) for one in values(drawn, "horns")} == {-2.0, 2.0}
    assert drawn.centre_of_mass == pytest.approx((0.0, 0.015, 0.0))
    rest = replace(drawn, stiffness=NO_DIFFERENCE.stiffness, horns=NO_DIFFERENCE.horns, centre_of_mass=(0.0, 0.0, 0.0))
    assert rest == NO_DIFFERENCE


def test_a_spread_says_what_robots_it_has() -> None:
    assert world_spread("none").sentence == "Robots: the one that the robot file describes."
    said = world_spread("calibrated").sentence
    assert said == "Robots: they differ from the robot file in all rows of docs/spread.md (calibrated), by seed."
    said = world_spread("none", "play=2,centre_of_mass=0/15/0").sentence
    assert said == "Robots: they differ from the robot file in play 2 °, centre_of_mass 0/15/0 mm alone, by seed."


def test_a_spread_goes_to_other_processes() -> None:
    spread = world_spread("calibrated", "play,stiffness=0.6")
    assert pickle.loads(pickle.dumps(spread)).draw(5) == spread.draw(5)


# Words


WRONG = [
    ("rough", "", "there is no spread 'rough': none, calibrated, as-built would be right"),
    ("calibrated", "plya", "the spread has no row plya; there are stiffness, play, "),
    ("none", "play", "play has no value, and spread none has no range: play=VALUE would be right"),
    ("calibrated", "play=much", "'much' of play is not a number, as 0.6 or 0/15/0 would be"),
    ("calibrated", "play=", "'' of play is not a number"),
    ("calibrated", "play=1/2", "play has 2 values: 1 or 12 would be right"),
    ("calibrated", "play=40", "play is 40 °: 0 to 6 ° would be right"),
    ("calibrated", "stiffness=0", "stiffness is 0 ×: 0.1 to 5 × would be right"),
    ("calibrated", "horns=nan", "horns is nan °: -10 to 10 ° would be right"),
]


@pytest.mark.parametrize(("spread", "only", "said"), WRONG)
def test_wrong_words_say_what_would_be_right(spread: str, only: str, said: str) -> None:
    with pytest.raises(SpreadError) as caught:
        world_spread(spread, only)
    assert said in str(caught.value)


def test_a_difference_that_no_robot_has_is_refused() -> None:
    with pytest.raises(SpreadError, match=r"horns has 2 values: 12 would be right"):
        WorldDifference(horns=(0.0, 0.0))
    with pytest.raises(SpreadError, match=r"latency is -5 ms: 0 to 200 ms would be right"):
        WorldDifference(latency=-5e-3)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["rollout", "--spread", "rough"], "invalid choice: 'rough'"),
        (["rollout", "--only", "plya"], "the spread has no row plya"),
        (["run", "--spread", "calibrated"], "--spread is that of a simulated body: give --physics too"),
    ],
)
def test_a_command_refuses_them(arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    try:
        code = main.main(arguments)
    except SystemExit as end:
        code = end.code
    assert code in (1, 2)
    assert said in " ".join(capsys.readouterr().err.split())


# Worlds


def test_no_difference_is_the_world_of_the_robot_file() -> None:
    robot = load_robot(find_robot(DEFAULT_ROBOT))
    limits = WalkingLimits(robot, robot.gait("trot"))
    assert world_spread("none").draw(7) is NO_DIFFERENCE
    plain = Rollout(robot, limits, seed=1, angles=MEASURED)
    # Written out, so that nothing knows it for none.
    same = replace(NO_DIFFERENCE, **{name: getattr(WorldDifference(), name) for name in ROWS})
    other = Rollout(robot, limits, seed=1, angles=MEASURED, difference=same)
    for rollout in (plain, other):
        rollout.stand()
        for _ in range(40):
            rollout.tick((0.15, 0.0, 0.0))
    assert plain.world.data.qpos.tobytes() == other.world.data.qpos.tobytes()
    assert plain.world.imu[-1].gyro.tobytes() == other.world.imu[-1].gyro.tobytes()
    assert plain.estimate
    assert other.estimate
    assert plain.estimate.position == other.estimate.position


PHYSICS = ("world", "physics_servos", "simulated_imu", "joint_sensors", "true_robot", "world_difference", "spread")
FACTS = {"ZERO_VECTOR", "LEGS", "JOINT_NAMES", "STANDARD_GRAVITY", "MOST_FRICTION", "NO_DIFFERENCE", "RATE", "ROWS"}


@pytest.mark.parametrize("module", PHYSICS)
def test_physics_shares_no_constant_with_what_it_judges(module: str) -> None:
    """Names and gravity are no assumptions; the rest of these names is physics' own."""
    tree = ast.parse((PACKAGE / "simulation" / f"{module}.py").read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("quadleg."):
            assert not node.module.startswith(("quadleg.estimation", "quadleg.safety", "quadleg.gait"))
            constants = {alias.name for alias in node.names if alias.name.isupper()}
            assert constants <= FACTS, node.module
