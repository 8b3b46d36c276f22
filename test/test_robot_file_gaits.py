"""The section `gaits` of a robot file: a gait of one's own, a usual one changed, every fault with its line and cure."""

from __future__ import annotations

from dataclasses import replace
from math import radians
from pathlib import Path

import pytest

from quadleg.errors import Fault, RobotFileError
from quadleg.gait.derived_gaits import derived_gaits, wave_phases
from quadleg.robot.model import GaitParameters
from quadleg.robot_file.load import load_robot

TEXT = (Path(__file__).parents[1] / "config" / "greenhouse_inspector.yaml").read_text(encoding="utf-8")
GAITS = CREEP, TROT = derived_gaits(0.200, 0.150, radians(60) / 0.161)
AMBLE = """
gaits:
  amble:
    duty_factor: 0.85
    phases: [0, 0.5, 0.75, 0.25]
    stride_period_s: 2.4
    foot_clearance_mm: 15
    margin_mm: 8
"""


def gaits_of(folder: Path, section: str) -> tuple[GaitParameters, ...]:
    path = folder / "robot.yaml"
    path.write_text(TEXT + section, encoding="utf-8")
    return load_robot(path).gaits


def faults_of(folder: Path, section: str) -> list[Fault]:
    with pytest.raises(RobotFileError) as caught:
        gaits_of(folder, section)
    assert all(fault.file == folder / "robot.yaml" for fault in caught.value.faults)
    assert all(str(fault) in str(caught.value) for fault in caught.value.faults)
    return caught.value.faults


def changed(old: str, new: str) -> str:
    assert old in AMBLE
    return AMBLE.replace(old, new)


def test_without_the_section_there_are_the_usual_gaits(tmp_path):
    assert gaits_of(tmp_path, "") == GAITS
    assert [gait.name for gait in GAITS] == ["creep", "trot"]
    assert CREEP.duty_factor <= 0.8


def test_a_gait_of_one_s_own_comes_after_them_in_si(tmp_path):
    assert gaits_of(tmp_path, AMBLE) == (
        *GAITS,
        GaitParameters("amble", 0.85, (0.0, 0.5, 0.75, 0.25), 2.4, 0.015, 0.008),
    )


def test_without_a_margin_a_gait_of_one_s_own_does_not_sway(tmp_path):
    amble = gaits_of(tmp_path, changed("    margin_mm: 8\n", ""))[-1]
    assert amble.margin is None


def test_a_usual_gait_keeps_what_is_not_changed(tmp_path):
    creep, trot = gaits_of(tmp_path, "\ngaits:\n  creep: {stride_period_s: 2, margin_mm: 12}\n")
    assert creep == replace(CREEP, stride_period=2.0, margin=0.012)
    assert trot == TROT
    _, trot = gaits_of(tmp_path, "\ngaits:\n  trot: {foot_clearance_mm: 30}\n")
    assert trot == replace(TROT, foot_clearance=0.03)


@pytest.mark.parametrize(
    ("keys", "changes"),
    [
        ("duty_factor: 0.9", {"duty_factor": 0.9, "phases": wave_phases(0.9)}),  # moves its phases
        ("phases: [0.25, 0.75, 0.5, 0]", {"phases": (0.25, 0.75, 0.5, 0.0)}),
    ],
)
def test_a_creeping_walk_with_another_duty_factor_or_order(tmp_path, keys, changes):
    creep, _ = gaits_of(tmp_path, f"\ngaits:\n  creep: {{{keys}}}\n")
    assert creep == replace(CREEP, **changes)


PHASES = "phases: [0, 0.5, 0.75, 0.25]"
IN_AMBLE = [
    # A text and what stands there instead; the key below gaits; its value; what the remedy says.
    ("duty_factor: 0.85", "duty_factor: 0.4", "amble.duty_factor", 0.4, "a number from 0.5 to 0.95"),
    ("duty_factor: 0.85", "duty_factor: 85", "amble.duty_factor", 85, "a number from 0.5 to 0.95"),
    (PHASES, "phases: [0, 0.5, 0.75]", "amble.phases", [0, 0.5, 0.75], "a list of 4 numbers"),
    (PHASES, "phases: [0, 0.5, 0.75, 1]", "amble.phases[3]", 1, "from 0 to 0.9999"),
    (PHASES, "phases: [0, 0.5, .nan, 0.25]", "amble.phases[2]", None, "from 0 to 0.9999"),
    ("stride_period_s: 2.4", "stride_period_s: 0", "amble.stride_period_s", 0, "a number from 0.2 to 20"),
    ("clearance_mm: 15", "clearance_mm: 0.015", "amble.foot_clearance_mm", 0.015, "a number from 1 to 200"),
    ("margin_mm: 8", "margin_mm: -1", "amble.margin_mm", -1, "a number from 0 to 200"),
    ("margin_mm: 8", "margin: 8", "amble.margin", 8, "did you mean `margin_mm`?"),
    ("  amble:", "  Amble:", "Amble", None, "a word of small letters, digits and _ that begins with a letter"),
]
SUPPORT = [
    # The gaits; the key below gaits; its value; what the remedy says of the feet that are in the air together.
    (
        changed(PHASES, "phases: [0, 0.5, 0, 0.5] #!").replace("    margin_mm: 8\n", ""),
        "amble.phases",
        [0, 0.5, 0, 0.5],
        "front_right and rear_right are in the air together at 0.35 of the stride: only one foot may be, or two across",
    ),
    (
        "\ngaits:\n  hop:\n    duty_factor: 0.6\n    phases: [0, 0, 0, 0] #!\n    stride_period_s: 0.5\n"
        "    foot_clearance_mm: 10\n",
        "hop.phases",
        [0, 0, 0, 0],
        "front_left and front_right and rear_left and rear_right are in the air together",
    ),
    ("\ngaits:\n  trot: {margin_mm: 5, duty_factor: 0.55} #!\n", "trot.duty_factor", 0.55, "needs three feet down"),
    ("\ngaits:\n  creep: {duty_factor: 0.7} #!\n", "creep.duty_factor", 0.7, "are in the air together at"),
    (
        "\ngaits:\n  creep: {phases: [0, 0.5, 0.5, 0]} #!\n",
        "creep.phases",
        [0, 0.5, 0.5, 0],
        "front_right and rear_left are in the air together at 0.30 of the stride, and margin_mm needs three feet down",
    ),
]


@pytest.mark.parametrize(
    ("section", "key", "value", "remedy"),
    [*((changed(old, new + " #!"), *told) for old, new, *told in IN_AMBLE), *SUPPORT],
)
def test_a_fault_is_told_with_its_line_key_value_and_cure(section, key, value, remedy, tmp_path):
    (fault,) = faults_of(tmp_path, section)
    text = TEXT + section
    assert text.count("#!") == 1
    assert fault.line == text[: text.index("#!")].count("\n") + 1
    assert fault.key == f"gaits.{key}"
    if value is not None:
        assert fault.value == value
    assert remedy in fault.remedy


@pytest.mark.parametrize("key", ["duty_factor", "phases", "stride_period_s", "foot_clearance_mm"])
def test_what_a_gait_of_one_s_own_lacks_is_told(key, tmp_path):
    lines = [line for line in AMBLE.splitlines() if not line.strip().startswith(key)]
    (fault,) = faults_of(tmp_path, "\n".join(lines) + "\n")
    assert fault.key == f"gaits.amble.{key}"
    assert f"missing: only creep and trot have it already, so write `{key}:`" in fault.remedy


def test_several_faults_are_told_at_once(tmp_path):
    section = changed("duty_factor: 0.85", "duty_factor: 2").replace("stride_period_s: 2.4", "stride_period_s: no")
    keys = {fault.key for fault in faults_of(tmp_path, section)}
    assert keys == {"gaits.amble.duty_factor", "gaits.amble.stride_period_s"}


@pytest.mark.parametrize("section", ["\ngaits: creep\n", "\ngaits: [creep]\n", "\ngaits:\n  amble: 7\n"])
def test_what_is_no_section_is_told(section, tmp_path):
    (fault,) = faults_of(tmp_path, section)
    assert fault.key.startswith("gaits")
    assert "section" in fault.remedy


def test_phases_at_which_one_foot_lands_just_as_the_next_lifts_off_are_sound(tmp_path):
    section = "\ngaits:\n  creep: {duty_factor: 0.75}\n"
    creep, _ = gaits_of(tmp_path, section)
    assert creep.phases == pytest.approx((0, 0.5, 0.75, 0.25))
    trot = gaits_of(tmp_path, "\ngaits:\n  trot: {duty_factor: 0.5, phases: [0.1, 0.6, 0.6, 0.1]}\n")[1]
    assert trot.duty_factor == 0.5
