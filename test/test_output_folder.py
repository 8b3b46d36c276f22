"""The new folders and files into which commands write."""

from __future__ import annotations

from pathlib import Path

import pytest

from quadleg.cli.output_folder import fresh, own_folder
from quadleg.errors import OutputPathError


def test_a_name_that_is_taken_gets_a_number(tmp_path: Path) -> None:
    assert fresh(tmp_path / "a.png") == tmp_path / "a.png"
    (tmp_path / "a.png").touch()
    (tmp_path / "a_2.png").symlink_to("nowhere")
    assert fresh(tmp_path / "a.png") == tmp_path / "a_3.png"
    assert [own_folder(tmp_path / "made").name for _ in range(3)] == ["made", "made_2", "made_3"]


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(OutputPathError, match="Name another folder"):
        own_folder(tmp_path / "file" / "folder")
