"""The whole chain in physics without ROS: it walks as it is asked, and the watchdog's table holds."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from functools import cache
from math import hypot, isnan, nan, radians

import numpy as np
import pytest

pytest.importorskip("mujoco", reason="mujoco does not import: install the extra `sim`")

from quadleg.cli import main
from quadleg.errors import CannotWalk
from quadleg.gait.walking_limits import WalkingLimits
from quadleg.geometry.planar import ZERO_TWIST, Planar
from quadleg.robot.model import MEASURED, MODELLED
from quadleg.robot_file.load import DEFAULT_ROBOT, find_robot, load_robot
from quadleg.safety.state_machine import State
from quadleg.servos.pulse_conversion import pulse_from_angle
from quadleg.simulation import walk_trials
from quadleg.simulation.ground import Ground
from quadleg.simulation.rollout import Rollout
from quadleg.simulation.walk_trials import Outcome, Trial, as_json, figures, run, trials
from quadleg.simulation.walk_velocities import FORWARD, VELOCITIES, pace, speed_share
from quadleg.simulation.walk_verdict import walk_verdict

ROBOT = load_robot(find_robot(DEFAULT_ROBOT))
NAMES = (
    "drift_measured_creep", "drift_measured_trot", "drift_modelled", "speed_error_creep", "speed_error_trot",
    "speed_error_modelled_creep", "speed_error_modelled_trot", "tilt_error", "yaw_drift", "falls", "realtime_factor",
    "realtime_factor_with_estimator",
)  # fmt: skip


@cache
def limits(gait: str) -> WalkingLimits:
    return WalkingLimits(ROBOT, ROBOT.gait(gait))


def standing(gait: str = "trot", ground: Ground | None = None, seed: int = 1, angles: str | None = None) -> Rollout:
    rollout = Rollout(ROBOT, limits(gait), ground, seed, angles)
    rollout.stand()
    return rollout


def received(rollout: Rollout) -> list[tuple[float | None, ...]]:
    """The pulses (s) that the servos get from here on, frame by frame."""
    got, step = [], rollout.world.step

    def noted(pulses: tuple[float | None, ...]) -> None:
        got.append(pulses)
        step(pulses)

    rollout.world.step = noted
    return got


def go(rollout: Rollout, seconds: float, asked: Planar = ZERO_TWIST) -> np.ndarray:
    """(n, 3) places of the body; the tilts go into `tilts`."""
    places = []
    for _ in range(round(seconds / rollout.period)):
        rollout.tick(asked)
        places.append(rollout.world.pose[0])
    return np.array(places)


def test_a_seed_decides_everything():
    def path(seed: int) -> np.ndarray:
        rollout = standing(seed=seed, angles=MEASURED)
        return go(rollout, 1.5, (0.1, 0.0, 0.2))

    first = path(1)
    assert (path(1) == first).all()
    assert np.abs(path(2) - first).max() > 1e-6


def test_the_servos_get_what_the_watchdog_commands_through_the_registers():
    rollout = standing()
    got = received(rollout)
    go(rollout, 0.5, (0.1, 0.0, 0.0))
    count = 20e-3 / 4096
    wanted = [pulse_from_angle(joint.servo, angle) for joint, angle in zip(ROBOT.joints, rollout.commanded)]
    assert got[-1] == pytest.approx(wanted, abs=count)
    assert rollout.watchdog.sent > 20
    watch = rollout.watchdog.target_watch
    assert watch.assembly.dropped == watch.refused == 0


@pytest.mark.parametrize(("gait", "speed", "seconds"), [("creep", 0.06, 12.8), ("trot", 0.12, 5.6)])
def test_the_estimate_closes_the_loop(gait: str, speed: float, seconds: float):
    """The speed asked for within 5 %, a straight way, and a drift far below what is asked of the estimator."""
    rollout = standing(gait, angles=MEASURED)
    go(rollout, 3.0)
    go(rollout, seconds / 2, (speed, 0.0, 0.0))
    (x, y, _), found = rollout.world.pose[0], rollout.estimate.position
    places = go(rollout, seconds, (speed, 0.0, 0.0))
    way = hypot(places[-1][0] - x, places[-1][1] - y)
    assert way / seconds == pytest.approx(speed, rel=0.05)
    now = rollout.estimate.position
    assert hypot(now[0] - found[0], now[1] - found[1]) == pytest.approx(way, rel=0.02)


@pytest.mark.parametrize("slope", [radians(5), -radians(5)], ids=["uphill", "downhill"])
def test_on_a_slope_the_body_becomes_level(slope: float):
    rollout = standing(ground=Ground(slope=slope), angles=MEASURED)
    assert rollout.world.tilt > radians(2)
    go(rollout, 5.0)
    assert rollout.world.tilt < radians(1.2)
    go(rollout, 4.0, (0.1, 0.0, 0.0))
    tilts = []
    for _ in range(100):
        rollout.tick((0.1, 0.0, 0.0))
        tilts.append(rollout.world.tilt)
    assert np.mean(tilts) < radians(4)


def test_after_a_push_the_body_becomes_level_again_and_walks_on():
    rollout = standing(angles=MEASURED)
    go(rollout, 2.0, (0.12, 0.0, 0.0))
    rollout.world.push((0.0, 0.3, 0.0))
    go(rollout, 4.0, (0.12, 0.0, 0.0))
    assert rollout.watchdog.state is State.ACTIVE
    go(rollout, 4.0)
    assert rollout.world.tilt < radians(1)


def test_a_robot_that_is_thrown_over_is_switched_off_by_the_watchdog():
    rollout = standing(angles=MEASURED)
    got = received(rollout)
    rollout.world.push((0.0, 4.0, 0.0))
    go(rollout, 2.0)
    assert rollout.fell
    assert rollout.watchdog.state is State.OFF
    assert "body tipped by" in rollout.watchdog.why
    assert got[-1] == (None,) * 12


def test_ground_that_nobody_stands_on_is_said():
    with pytest.raises(CannotWalk, match=r"the robot does not stand: .*tipped"):
        standing(ground=Ground(friction=1.5, slope=radians(44)))


# Trials and their figures


def outcome(gait: str, angles: str | None, seed: int, **values: float) -> Outcome:
    fields = dict.fromkeys(
        ("drift", "sideways", "speed_error", "tilt_error", "yaw_drift", "fell", "realtime_factor"), nan
    )
    return Outcome(Trial(gait, angles, seed), **{**fields, "fell": False, **values})


def test_figures_are_medians_and_the_worst_of_the_trials_they_name():
    found = figures(
        [
            *(outcome("creep", MEASURED, seed, drift=seed, speed_error=2.0, tilt_error=0.1) for seed in (1, 2, 6)),
            outcome("trot", MEASURED, 1, drift=10.0, realtime_factor=30.0),
            outcome("trot", MODELLED, 1, drift=20.0, realtime_factor=40.0, fell=True),
            outcome("creep", MODELLED, 1, drift=4.0, fell=True),
            *(outcome("creep", None, seed, realtime_factor=60.0 + seed) for seed in range(21)),
            *(outcome("trot", MODELLED, seed, speed_error=float(seed)) for seed in range(101)),
        ]
    )
    assert tuple(figure.name for figure in found) == NAMES
    values = {figure.name: (figure.median, figure.worst) for figure in found}
    assert values["drift_measured_creep"] == (2.0, 6.0)
    assert values["drift_measured_trot"] == (10.0, 10.0)
    assert values["drift_modelled"] == (12.0, 20.0)
    assert values["falls"] == (2.0, 2.0), "walks, as the lines that name them"
    assert values["speed_error_modelled_trot"] == (50.0, 100.0)
    assert values["realtime_factor"] == (70.0, 60.0)
    percentiles = {figure.name: figure.percentile_95 for figure in found}
    assert percentiles["speed_error_modelled_trot"] == pytest.approx(95.0)
    assert percentiles["realtime_factor"] == pytest.approx(61.0), "of what is worst where it is least"
    assert values["realtime_factor_with_estimator"] == (35.0, 30.0)
    shown = {figure["name"]: figure for figure in json.loads(as_json(found))}
    drift = shown["yaw_drift"]
    assert (drift["unit"], drift["median"], drift["percentile_95"], drift["worst"]) == ("deg/min", None, None, None)
    assert drift["meaning"]


def test_every_run_is_in_both_gaits_and_with_both_kinds_of_angles():
    todo = trials(3)
    assert len(todo) == len(set(todo)) == 18
    assert {trial.seed for trial in todo} == {1, 2, 3}
    assert {trial.velocity for trial in todo} == {FORWARD}


def test_all_velocities_are_walked_in_each_run_and_each_is_what_the_gait_can_do():
    todo = trials(2, ["trot"], list(VELOCITIES))
    assert len(todo) == len(set(todo)) == 2 * 3 * len(VELOCITIES)
    assert len(VELOCITIES) >= 10
    asked = [Trial("trot", None, 1, name).asked(limits("trot")) for name in VELOCITIES]
    uses = [limits("trot").use(velocity) for velocity in asked]
    assert uses == pytest.approx([velocity.share for velocity in VELOCITIES.values()])
    # Ahead and back, to both sides, turning both ways, and several at once.
    for axis in range(3):
        assert min(velocity[axis] for velocity in asked) < 0 < max(velocity[axis] for velocity in asked)
    assert max(sum(value != 0.0 for value in velocity) for velocity in asked) == 3


def test_a_walk_is_as_fast_as_asked_along_what_was_asked():
    x, y, _ = ROBOT.standing.feet[0]
    assert pace(ROBOT, (0.03, 0.04, 0.0)) == pytest.approx(0.05)
    assert pace(ROBOT, (0.0, 0.0, 2.0)) == pytest.approx(2.0 * np.hypot(x, y)), "a foot's, turning in place"
    assert speed_share(ROBOT, (0.09, 0.05, 0.7), (0.1, 0.0, 0.0)) == pytest.approx(0.9)
    assert speed_share(ROBOT, (0.0, 0.0, -0.2), (0.0, 0.0, -0.4)) == pytest.approx(0.5)


@pytest.mark.parametrize("name", ["turning left", "to the left"])
def test_a_trial_walks_its_velocity(name: str):
    found = run(ROBOT, Ground(), 0.7, Trial("trot", None, 1, name))
    assert not found.fell
    assert found.asked == pytest.approx(pace(ROBOT, VELOCITIES[name].of(limits("trot"))))
    assert found.speed_error < 20.0


@pytest.mark.parametrize("interval", [0.5, 40.0], ids=["while it rises", "while it walks"])
def test_a_trial_that_falls_says_so_and_ends(interval: float):
    found = run(ROBOT, Ground(push=6.0, push_interval=interval), 10.0, Trial("trot", None, 1))
    assert found.fell
    assert isnan(found.speed_error) == (interval < 1.0)


def test_a_trial_and_a_verdict_have_one_speed():
    """A robot that slides back is slower than one that stands, in both."""
    icy = Ground(slope=radians(8), friction=0.15)
    trial = run(ROBOT, icy, 0.5, Trial("creep", None, 1))
    verdict = walk_verdict(ROBOT, limits("creep"), icy, 1, trial.asked)
    assert verdict.figures.speed < -0.2
    assert trial.speed_error == pytest.approx(100 * (1.0 - verdict.figures.speed), rel=0.2)


@pytest.fixture(scope="module")
def walked_once() -> Iterator[None]:
    """The command's walks, which are the same for all tests: the second that wants them gets those of the first."""
    kept: dict[object, object] = {}

    def once(walk: Callable[..., object]) -> Callable[..., object]:
        return lambda *given: kept[walk] if walk in kept else kept.setdefault(walk, walk(*given))

    with pytest.MonkeyPatch.context() as patch:
        for walk in (walk_trials.verdicts, walk_trials.run_all):
            patch.setattr(walk_trials, walk.__name__, once(walk))
        yield


@pytest.mark.usefixtures("walked_once")
def test_the_tables_say_which_walks_they_are_about(capsys: pytest.CaptureFixture[str]):
    assert main.main(["rollout", "--spread", "none", "--runs", "1", "--distance", "0.5"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "Verdicts: the worst of 1 short walks a gait, at 70 % of its limit forward, without an estimate" in said
    assert "Figures: 6 long walks, asked for 0.06 m/s in creep and 0.12 m/s in trot" in said
    assert "walks that fell or were stopped, of all" in said


@pytest.mark.usefixtures("walked_once")
def test_the_command_prints_the_named_figures(capsys: pytest.CaptureFixture[str]):
    assert main.main(["rollout", "--spread", "none", "--runs", "1", "--distance", "0.5", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert tuple(figure["name"] for figure in found) == (*NAMES, "verdict_creep", "verdict_trot")
    figures, verdicts = found[:-2], found[-2:]
    assert all(set(figure) == {"name", "unit", "median", "percentile_95", "worst", "meaning"} for figure in figures)
    assert [verdict["verdict"] for verdict in verdicts] == ["walks", "walks"]
    values = {figure["name"]: figure["worst"] for figure in figures}
    assert values["falls"] == 0
    assert 0 < values["drift_measured_creep"] < 5
    assert values["realtime_factor"] > 2


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--slope", "60"], "slope of the ground is 60°: -45 to 45° would be right"),
        (["--roughness", "500"], "roughness of the ground is 0.5 m: 0 to 0.1 m would be right"),
        (["--runs", "0"], "0 is no number of runs: 1 to 10000"),
        (["--distance", "99"], "99 is no distance to walk: 0.5 to 14 m"),
        (["--push", "nan"], "nan is not a number"),
    ],
)
def test_wrong_values_say_what_would_be_right(arguments, said, capsys: pytest.CaptureFixture[str]):
    try:
        code = main.main(["rollout", *arguments])
    except SystemExit as end:
        code = end.code
    assert code in (1, 2)
    assert said in " ".join(capsys.readouterr().err.split())
