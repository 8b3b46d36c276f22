"""Writing into a robot file: comments stay, it is always whole, versions, and where it must not be written."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest
from calibration_rig import uncalibrated_file

from quadleg.errors import OutputPathError, RobotFileError
from quadleg.robot_file import editor
from quadleg.robot_file.editor import RobotFileEditor, changed, copy_to, installed
from quadleg.robot_file.load import find_robot, load_robot

FIGURES = {"pulse_at_zero_us": 1010.5, "us_per_degree": 11.0321, "stops_us": [510, 2490]}
CHANGES = {"servos": {"rear_left_hip": FIGURES}, "servo_kinds": {"ten_kg": {"holds_without_pulses": False}}}


def block_style(folder: Path) -> Path:
    """A file whose servos stand one key a line, each with a comment, the last one followed by a comment block."""
    path = uncalibrated_file(folder)
    lines = []
    for line in path.read_text().splitlines():
        if "channel:" in line:
            name, channel = line.split(":")[0].strip(), line.split("channel:")[1].strip(" }")
            lines += [f"  {name}:", "    kind: ten_kg   # mine", f"    channel: {channel}   # plug {channel}"]
        else:
            lines.append(line)
    path.write_text("\n".join(lines) + "\n")
    return path


def comments(text: str) -> list[str]:
    return [line[line.index("#") :] for line in text.splitlines() if "#" in line]


@pytest.mark.parametrize("file", [uncalibrated_file, block_style])
def test_the_figures_are_read_back_and_all_else_stays(file, tmp_path: Path) -> None:
    path = file(tmp_path)
    before = path.read_text()
    robot = RobotFileEditor(path).save(CHANGES)
    assert robot.uncalibrated == [joint.name for joint in robot.joints if joint.name != "rear_left_hip"]
    servo = load_robot(path).joints[7].servo
    assert servo.pulse_at_zero == pytest.approx(1010.5e-6)
    assert servo.stops == pytest.approx((510e-6, 2490e-6))
    after = path.read_text()
    assert comments(after) == comments(before)
    untouched = [line for line in before.splitlines() if "rear_left_hip" not in line]
    assert [line for line in untouched if line not in after.splitlines()] == []


@pytest.mark.parametrize("file", [uncalibrated_file, block_style])
def test_taking_the_figures_out_again_gives_the_file_of_before(file, tmp_path: Path) -> None:
    path = file(tmp_path)
    before = path.read_text()
    text = changed(before, {"servos": {"rear_right_knee": FIGURES}})
    text = changed(text, {"servos": {"rear_right_knee": dict.fromkeys(FIGURES)}})
    assert "".join(text.split()) == "".join(before.split())
    assert comments(text) == comments(before)


def test_a_new_list_keeps_the_comment_beside_the_old_one(tmp_path: Path) -> None:
    path = block_style(tmp_path)
    figures = "    pulse_at_zero_us: 2417\n    us_per_degree: 11.1\n    stops_us: [540, 2460] # ends\n\n# on\n"
    text = path.read_text().replace("    channel: 8   # plug 8\n", f"    channel: 8\n{figures}")
    after = changed(text, {"servos": {"rear_left_knee": FIGURES}})
    assert "stops_us: [510, 2490] # ends" in after
    assert comments(after) == comments(text)
    gone = changed(text, {"servos": {"rear_left_knee": dict.fromkeys(FIGURES)}})
    assert comments(gone) == comments(text)


def test_a_name_and_a_section_that_the_file_lacks_are_added_and_comments_stay(tmp_path: Path) -> None:
    text = uncalibrated_file(tmp_path).read_text()
    frame = {"xyz_mm": [0, 0, 0], "rpy_deg": [0.5, -1.25, 90], "mass_g": 0}
    begin, camera = text.index("  imu_link:"), text.index("  camera_link:")
    for before in (text[:begin] + text[camera:], text[: text.index("\nframes:")] + "\n# the end\n"):
        after = changed(before, {"frames": {"imu_link": frame}})
        assert "  imu_link: {xyz_mm: [0, 0, 0], rpy_deg: [0.5, -1.25, 90], mass_g: 0}\n" in after
        assert comments(after) == comments(before)
        assert [line for line in before.splitlines() if line not in after.splitlines()] == []


def test_every_earlier_file_is_kept_in_the_order_of_its_writing(tmp_path: Path) -> None:
    path = uncalibrated_file(tmp_path)
    texts = []
    for channel in (12, 13, 14, 15):
        texts.append(path.read_text())
        file = RobotFileEditor(path)  # a session each
        file.save({"servos": {"rear_left_knee": {"channel": channel}}})
        assert file.kept.read_text() == texts[-1]
    versions = sorted(path.with_name("my_robot.yaml.versions").iterdir())
    assert [version.read_text() for version in versions] == texts
    assert load_robot(path).joints[8].servo.channel == 15


def test_a_file_that_cannot_be_kept_is_not_overwritten(tmp_path: Path) -> None:
    path = uncalibrated_file(tmp_path)
    before = path.read_text()
    path.with_name("my_robot.yaml.versions").write_text("a file in the folder's place")
    with pytest.raises(OutputPathError, match="cannot be kept"):
        RobotFileEditor(path).save(CHANGES)
    assert path.read_text() == before


def test_a_link_to_the_file_stays_a_link(tmp_path: Path) -> None:
    path = uncalibrated_file(tmp_path)
    link = tmp_path / "link.yaml"
    link.symlink_to(path)
    RobotFileEditor(link).save(CHANGES)
    assert link.is_symlink()
    assert "1010.5" in path.read_text()


def test_a_change_that_contradicts_the_file_changes_nothing(tmp_path: Path) -> None:
    path = uncalibrated_file(tmp_path)
    before = path.read_text()
    with pytest.raises(RobotFileError, match=r"my_robot\.yaml:\d+: servos\.rear_left_knee\.channel") as told:
        RobotFileEditor(path).save({"servos": {"rear_left_hip": {"channel": 8}}})
    assert "also the channel of" in str(told.value)
    assert path.read_text() == before


@pytest.mark.parametrize("failing", ["fsync", "mkstemp"])
def test_a_full_disk_leaves_the_file_whole_and_nothing_beside_it(
    failing: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = uncalibrated_file(tmp_path)
    before = path.read_text()

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    file = RobotFileEditor(path)
    with monkeypatch.context() as patch:
        patch.setattr(editor.os if failing == "fsync" else editor.tempfile, failing, full)
        with pytest.raises(OutputPathError, match="No space left on device"):
            file.save(CHANGES)
    assert path.read_text() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["my_robot.yaml"]
    file.save(CHANGES)
    assert "1010.5" in path.read_text()


def test_a_file_of_the_installation_is_not_written_into(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "belongs to the installation" in (installed(find_robot("greenhouse_inspector")) or "")
    site = tmp_path / "site-packages"
    site.mkdir()
    assert "belongs to the installation" in (installed(uncalibrated_file(site)) or "")
    path = uncalibrated_file(tmp_path)
    assert installed(path) is None
    monkeypatch.setattr(os, "access", lambda path, mode: False)  # as for anyone but an administrator
    assert "read-only" in (installed(path) or "")


def test_a_copy_never_overwrites(tmp_path: Path) -> None:
    target = tmp_path / "mine.yaml"
    copy_to(find_robot("greenhouse_inspector"), target)
    assert load_robot(target).name == "greenhouse_inspector"
    with pytest.raises(OutputPathError, match="is there already"):
        copy_to(find_robot("greenhouse_inspector"), target)
    with pytest.raises(OutputPathError, match="cannot be written"):
        copy_to(find_robot("greenhouse_inspector"), tmp_path / "none" / "mine.yaml")
