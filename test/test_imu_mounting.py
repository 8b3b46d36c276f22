"""How an IMU sits, from made-up readings in three poses: scipy turns the world, the mounting is what it was."""

from __future__ import annotations

from math import degrees, hypot, radians

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis_settings import examples
from scipy.spatial.transform import Rotation

from quadleg.commissioning.calibration.imu_mounting import (
    SQUARE_TOLERANCE,
    MountingFault,
    RestReading,
    check_gravity,
    check_other_axis,
    check_tilt,
    find_mounting,
    nearest_aligned,
)
from quadleg.errors import MountingError
from quadleg.geometry.transforms import Pose

G = 9.80665
FRONT_DOWN, LEFT_DOWN = np.array((0.0, 1.0, 0.0)), np.array((-1.0, 0.0, 0.0))
NOISE = 0.005  # m/s², of a mean of 150 samples that have 0.06
STILL = (0.01, -0.02, 0.005)  # rad/s, a gyro's bias


class Bench:
    """A robot whose IMU sits as `mounting` (its axes to base_link's) says, and what the IMU says in each pose."""

    def __init__(self, mounting: Rotation, seed: int = 0) -> None:
        self.mounting = mounting
        self.draw = np.random.default_rng(seed)
        self.forces, self.turns = np.eye(3), np.eye(3)  # what an IMU makes of what it feels

    def reading(self, axis: np.ndarray, tilt_deg: float, error_deg: float = 0.0) -> RestReading:
        """At rest, tilted from level about an axis of base_link that is off by an error about the vertical."""
        turn = Rotation.from_rotvec(radians(tilt_deg) * Rotation.from_euler("z", error_deg, degrees=True).apply(axis))
        force = (turn * self.mounting).inv().apply((0.0, 0.0, G)) + NOISE * self.draw.normal(size=3)
        felt = self.turns @ self.mounting.inv().apply(turn.as_rotvec())
        x, y, z, w = Rotation.from_rotvec(felt).as_quat().tolist()
        return RestReading(tuple((self.forces @ force).tolist()), STILL, (w, x, y, z))

    def three(self, tilts: tuple[float, float] = (30, 30), errors: tuple[float, float] = (0, 0)) -> list[RestReading]:
        return [
            self.reading(FRONT_DOWN, 0),
            self.reading(FRONT_DOWN, tilts[0], errors[0]),
            self.reading(LEFT_DOWN, tilts[1], errors[1]),
        ]


def error_of(found: Pose, mounting: Rotation) -> Rotation:
    """From the true to the found mounting, in base_link."""
    return Rotation.from_matrix(np.array(found.matrix)) * mounting.inv()


tilts = st.floats(20, 40)
errors = st.floats(-10, 10)


@settings(max_examples=examples(100))
@given(st.integers(0, 10**6), st.tuples(tilts, tilts), st.tuples(errors, errors), st.floats(-0.03, 0.03))
def test_any_mounting_is_found_as_well_as_the_axes_were_kept_or_is_refused(
    seed: int, tilts: tuple[float, float], errors: tuple[float, float], scale: float
) -> None:
    """Roll and pitch by gravity alone; yaw by the mean of the two axes, since nothing else tells it."""
    bench = Bench(Rotation.random(random_state=seed), seed)
    bench.turns = (1 + scale) * np.eye(3)
    apart = abs(errors[1] - errors[0])
    try:
        found = find_mounting(*bench.three(tilts, errors))
    except MountingError as error:
        assert MountingFault(error.code) is MountingFault.NOT_SQUARE
        assert apart > degrees(SQUARE_TOLERANCE) - 1.0
        return
    assert apart < degrees(SQUARE_TOLERANCE) + 1.0
    about_x, about_y, about_z = np.degrees(error_of(found.pose, bench.mounting).as_rotvec())
    assert hypot(about_x, about_y) < 0.5
    assert abs(about_z) == pytest.approx(abs(sum(errors)) / 2, abs=0.6)
    again = Pose.from_rpy(0, 0, 0, *(radians(angle) for angle in found.rpy_deg))
    assert degrees(error_of(again, bench.mounting).magnitude()) < max(map(abs, errors)) + 0.6


@settings(max_examples=examples(50))
@given(st.integers(0, 10**6), st.tuples(tilts, tilts), st.tuples(*[st.floats(-1.6, 1.6)] * 2))
def test_over_straight_edges_the_mounting_is_within_two_degrees(
    seed: int, tilts: tuple[float, float], errors: tuple[float, float]
) -> None:
    bench = Bench(Rotation.random(random_state=seed), seed)
    found = find_mounting(*bench.three(tilts, errors))
    assert degrees(error_of(found.pose, bench.mounting).magnitude()) < 2.0
    assert [degrees(tilt) for tilt in found.tilts] == pytest.approx(tilts, abs=0.5)


def fault_of(bench: Bench, **poses: tuple) -> MountingFault:
    with pytest.raises(MountingError) as told:
        find_mounting(*bench.three(**poses))
    assert any(character.isdigit() for character in told.value.found)
    assert told.value.cure
    return MountingFault(told.value.code)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("axis", range(3))
def test_an_accelerometer_with_one_axis_turned_round_contradicts_the_gyro(axis: int, seed: int) -> None:
    bench = Bench(Rotation.create_group("O")[5 * seed])
    bench.forces[axis, axis] = -1.0
    assert fault_of(bench) in (MountingFault.GYRO_OPPOSITE, MountingFault.MIRRORED)


@pytest.mark.parametrize("seed", range(4))
def test_what_no_mounting_explains_is_told(seed: int) -> None:
    def bench() -> Bench:
        return Bench(Rotation.random(random_state=seed), seed)

    opposite, silent, swapped, light, upside = (bench() for _ in range(5))
    opposite.turns = -np.eye(3)
    assert fault_of(opposite) is MountingFault.GYRO_OPPOSITE
    silent.turns = np.zeros((3, 3))
    assert fault_of(silent) is MountingFault.GYRO_DISAGREES
    swapped.turns = np.eye(3)[[1, 0, 2]]  # two axes of a gyro exchanged: left-handed
    assert fault_of(swapped) in (MountingFault.GYRO_OPPOSITE, MountingFault.GYRO_DISAGREES)
    light.forces = 0.5 * np.eye(3)  # the wrong full scale
    assert fault_of(light) is MountingFault.GRAVITY
    upside.forces = -np.eye(3)  # says gravity, not specific force
    assert fault_of(upside) is MountingFault.MIRRORED
    assert fault_of(bench(), tilts=(30, -30)) is MountingFault.MIRRORED  # the right side went down
    assert fault_of(bench(), tilts=(-30, 30)) is MountingFault.MIRRORED  # the rear went down
    assert fault_of(bench(), errors=(0, 9)) is MountingFault.NOT_SQUARE
    assert not fault_of(bench(), errors=(4, -5)).again


@pytest.mark.parametrize(
    ("tilt", "fault"), [(8, MountingFault.TOO_LITTLE), (75, MountingFault.TOO_FAR), (-8, MountingFault.TOO_LITTLE)]
)
def test_a_tilt_by_too_little_or_too_far_is_asked_for_again(tilt: float, fault: MountingFault) -> None:
    bench = Bench(Rotation.random(random_state=1))
    with pytest.raises(MountingError, match=f"tilted by .*{abs(tilt)}°.*20 to 40°") as told:
        check_tilt(bench.reading(FRONT_DOWN, 0), bench.reading(FRONT_DOWN, tilt))
    assert MountingFault(told.value.code) is fault
    assert fault.again


@pytest.mark.parametrize(("tilt", "error"), [(30, 0), (-25, 20), (30, 35)])
def test_a_second_tilt_about_the_first_axis_is_asked_for_again(tilt: float, error: float) -> None:
    bench = Bench(Rotation.random(random_state=2))
    level, forward, _ = bench.three()
    with pytest.raises(MountingError, match="about the same axis") as told:
        check_other_axis(level, forward, bench.reading(FRONT_DOWN, tilt, error))
    assert MountingFault(told.value.code).again
    check_other_axis(level, forward, bench.reading(LEFT_DOWN, tilt, error))


def test_gravity_may_be_off_by_ten_percent() -> None:
    for share, good in ((0.91, True), (1.09, True), (0.89, False), (1.11, False)):
        reading = RestReading((0.0, 0.0, share * G), STILL)
        if good:
            check_gravity(reading)
        else:
            with pytest.raises(MountingError, match=f"{share * G:.2f} m/s²"):
                check_gravity(reading)


def test_the_axes_are_said_as_a_person_sees_them() -> None:
    """A chip turned to the left by a quarter: its x points left, its y rearward, and so its -y forward."""
    words, off = nearest_aligned(Pose.from_rpy(0, 0, 0, 0, 0, radians(93)))
    assert words == "-y forward, +x to the left, +z up"
    assert degrees(off) == pytest.approx(3)
    words, _ = nearest_aligned(Pose.from_rpy(0, 0, 0, radians(180), 0, 0))  # upside down
    assert words == "+x forward, -y to the left, -z up"
