"""Recordings that faults have saved make room for newer ones; what a person asked for or named never does."""

from __future__ import annotations

import os
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis_settings import examples

from quadleg.recording.retention import ON_FAULT, ON_REQUEST, obstacle_to, recording_name, remove_oldest

NAMES = st.sampled_from(
    [
        "digger_2026-11-29_23-15-36_fault.mcap",
        "digger_2026-11-29_23-15-36_fault_2.mcap",
        "digger_2026-11-30_01-00-00_fault.mcap",
        "other_robot_2025-01-01_00-00-00_fault.mcap",
        "digger_2026-11-29_23-15-36_asked.mcap",
        "digger_2026-11-29_23-15-36_fault.mcap.bak",
        "the fall_2026-11-29_23-15-36_fault_kept.mcap",
        "my_fault.mcap",
        "fault.mcap",
        "notes.txt",
    ]
)


def automatic(name: str) -> bool:
    return name.endswith(("_fault.mcap", "_fault_2.mcap")) and "-" in name


def write(path: Path, size: int, age: int) -> None:
    path.write_bytes(bytes(size))
    os.utime(path, (1_700_000_000 - age, 1_700_000_000 - age))


@given(st.dictionaries(NAMES, st.tuples(st.integers(0, 400), st.integers(1, 1000)), max_size=10), st.integers(0, 1500))
@settings(max_examples=examples(100), suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_only_automatic_ones_go_the_oldest_first(tmp_path: Path, files: dict, most: int) -> None:
    for path in tmp_path.iterdir():
        path.unlink()
    for name, (size, age) in files.items():
        write(tmp_path / name, size, age)
    newest = tmp_path / "digger_2027-01-01_00-00-00_fault.mcap"
    write(newest, 100, 0)
    removed = {path.name for path in remove_oldest(tmp_path, most, newest)}
    left = {path.name for path in tmp_path.iterdir()}
    assert left == set(files) - removed | {newest.name}
    assert all(automatic(name) for name in removed)
    kept = [name for name in files if automatic(name) and name not in removed]
    assert not removed or min(files[name][1] for name in removed) >= max((files[name][1] for name in kept), default=0)
    size = sum(files[name][0] for name in kept) + 100
    assert size <= most or not kept  # within the limit, or nothing is left to remove but the newest
    if removed:
        back = min(removed, key=lambda name: (files[name][1], -files[name][0]))
        assert size + files[back][0] > most - 1 or files[back][0] == 0  # no more than it takes


def test_a_link_is_left_and_so_is_what_it_leads_to(tmp_path: Path) -> None:
    target = tmp_path / "elsewhere.mcap"
    target.write_bytes(bytes(1000))
    folder = tmp_path / "folder"
    folder.mkdir()
    link = folder / "digger_2026-11-29_23-15-36_fault.mcap"
    link.symlink_to(target)
    assert remove_oldest(folder, 0, folder / "none.mcap") == []
    assert link.is_symlink()
    assert target.exists()


def test_names_say_whether_a_fault_or_a_person_asked(tmp_path: Path) -> None:
    fault, request = (tmp_path / recording_name("digger", reason, 1.8e9) for reason in (ON_FAULT, ON_REQUEST))
    fault.touch()
    request.touch()
    assert remove_oldest(tmp_path, -1, tmp_path / "none.mcap") == [fault]
    assert request.exists()


def test_why_nothing_can_be_saved_is_known_before(tmp_path: Path) -> None:
    assert obstacle_to(tmp_path / "not" / "there" / "yet") == ""
    (tmp_path / "file").touch()
    assert "is a file" in obstacle_to(tmp_path / "file" / "folder")
