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


FAULTS = {
    # name: (section, with #! on the line where the fault stands; key; value; what the remedy says)
    "duty factor too low": (
        changed("duty_factor: 0.85", "duty_factor: 0.4 #!"),
        "gaits.amble.duty_factor",
        0.4,
        "a number from 0.5 to 0.95",
    ),
    "duty factor as per cent": (
        changed("duty_factor: 0.85", "duty_factor: 85 #!"),
        "gaits.amble.duty_factor",
        85,
        "a number from 0.5 to 0.95",
    ),
    "three phases": (
        changed("phases: [0, 0.5, 0.75, 0.25]", "phases: [0, 0.5, 0.75] #!"),
        "gaits.amble.phases",
        [0, 0.5, 0.75],
        "a list of 4 numbers",
    ),
    "phase of a whole stride": (
        changed("phases: [0, 0.5, 0.75, 0.25]", "phases: [0, 0.5, 0.75, 1] #!"),
        "gaits.amble.phases[3]",
        1,
        "from 0 to 0.9999",
    ),
    "phase that is no number": (
        changed("phases: [0, 0.5, 0.75, 0.25]", "phases: [0, 0.5, .nan, 0.25] #!"),
        "gaits.amble.phases[2]",
        None,
        "from 0 to 0.9999",
    ),
    "stride too short": (
        changed("stride_period_s: 2.4", "stride_period_s: 0 #!"),
        "gaits.amble.stride_period_s",
        0,
        "a number from 0.2 to 20",
    ),
    "clearance in metres": (
        changed("foot_clearance_mm: 15", "foot_clearance_mm: 0.015 #!"),
        "gaits.amble.foot_clearance_mm",
        0.015,
        "a number from 1 to 200",
    ),
    "margin below nothing": (
        changed("margin_mm: 8", "margin_mm: -1 #!"),
        "gaits.amble.margin_mm",
        -1,
        "a number from 0 to 200",
    ),
    "unknown key": (
        changed("margin_mm: 8", "margin: 8 #!"),
        "gaits.amble.margin",
        8,
        "did you mean `margin_mm`?",
    ),
    "name with capitals": (
        changed("  amble:", "  Amble: #!"),
        "gaits.Amble",
        None,
        "a word of small letters, digits and _ that begins with a letter",
    ),
    "two feet of one side in the air": (
        changed("phases: [0, 0.5, 0.75, 0.25]", "phases: [0, 0.5, 0, 0.5] #!").replace("    margin_mm: 8\n", ""),
        "gaits.amble.phases",
        [0, 0.5, 0, 0.5],
        "front_right and rear_right are in the air together at 0.35 of the stride: only one foot may be, or two "
        "across; raise duty_factor, or change phases",
    ),
    "all feet in the air": (
        "\ngaits:\n  hop:\n    duty_factor: 0.6\n    phases: [0, 0, 0, 0] #!\n    stride_period_s: 0.5\n"
        "    foot_clearance_mm: 10\n",
        "gaits.hop.phases",
        [0, 0, 0, 0],
        "front_left and front_right and rear_left and rear_right are in the air together",
    ),
    "two feet in the air with a margin": (
        "\ngaits:\n  trot: {margin_mm: 5, duty_factor: 0.55} #!\n",
        "gaits.trot.duty_factor",
        0.55,
        "margin_mm needs three feet down",
    ),
    "creeping walk of too low a duty factor": (
        "\ngaits:\n  creep: {duty_factor: 0.7} #!\n",
        "gaits.creep.duty_factor",
        0.7,
        "are in the air together at",
    ),
    "creeping walk with a trot's phases": (
        "\ngaits:\n  creep: {phases: [0, 0.5, 0.5, 0]} #!\n",
        "gaits.creep.phases",
        [0, 0.5, 0.5, 0],
        "front_right and rear_left are in the air together at 0.30 of the stride, and margin_mm needs three feet down",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_told_with_its_line_key_value_and_cure(name, tmp_path):
    section, key, value, remedy = FAULTS[name]
    (fault,) = faults_of(tmp_path, section)
    text = TEXT + section
    assert text.count("#!") == 1
    assert fault.line == text[: text.index("#!")].count("\n") + 1
    assert fault.key == key
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
