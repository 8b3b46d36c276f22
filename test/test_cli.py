"""The command line without a running stack."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest

from quadleg import cli, runner, timing
from quadleg.errors import RosMissing

COMMANDS = ("run", "stand", "pose", "sit", "stop", "reset", "status", "demo", "urdf", "timing")


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_that_says_what_it_does(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        cli.main([command, "--help"])
    assert end.value.code == 0
    said = capsys.readouterr().out
    assert f"usage: quadleg {command}" in said
    assert len(said.split("\n\n")[1]) > 30


def test_the_help_lists_every_command_and_the_caution(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli.main(["--help"])
    said = capsys.readouterr().out
    for command in COMMANDS:
        assert f"\n    {command} " in said
    assert "switch" in said


def test_urdf_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["urdf"]) == 0
    assert ElementTree.fromstring(capsys.readouterr().out).tag == "robot"


def test_a_faulty_robot_file_is_told_without_a_traceback(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    faulty = tmp_path / "faulty.yaml"
    faulty.write_text("name: [\n")
    assert cli.main(["urdf", str(faulty)]) == 1
    said = capsys.readouterr().err
    assert said.startswith("quadleg: ")
    assert "faulty.yaml" in said


def test_an_unknown_robot_lists_those_there_are(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["urdf", "no_such_robot"]) == 1
    assert "greenhouse_inspector" in capsys.readouterr().err


@pytest.mark.parametrize("rate", ["0", "500", "nan", "fast"])
def test_a_rate_out_of_range_is_refused(rate: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        cli.main(["run", "--rate", rate])
    assert end.value.code == 2
    assert "10 to 200 Hz" in capsys.readouterr().err


@pytest.mark.parametrize("height", ["nan", "inf", "high", "150mm"])
def test_a_height_that_is_no_number_is_refused_before_anything_moves(height: str) -> None:
    with pytest.raises(SystemExit) as end:
        cli.main(["stand", height])
    assert end.value.code == 2


@pytest.mark.parametrize("seed", ["-1", "1.5", "x", str(2**31)])
def test_a_seed_out_of_range_is_refused(seed: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli.main(["run", "--seed", seed])
    assert "is not a seed" in capsys.readouterr().err


@pytest.mark.parametrize("command", [["run"], ["status"], ["stop"]])
@pytest.mark.parametrize("namespace", ["a b", "a-b", "7up", "left//bench"])
def test_a_namespace_that_ros_refuses_is_told_in_words(
    command: list[str], namespace: str, domain: int, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main([*command, "--namespace", namespace]) == 1
    assert "is no ROS namespace" in capsys.readouterr().err


def test_a_picture_that_cannot_be_written_is_told_before_the_demo(capsys: pytest.CaptureFixture[str], domain) -> None:
    assert cli.main(["demo", "--picture", "/nonexistent/demo.png"]) == 1
    assert "cannot be written" in capsys.readouterr().err


def test_without_ros_the_cure_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(RosMissing, match="source one"):
        runner.need_ros()


def test_timing_as_json_is_one_array(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(timing, "graph_rows", list)
    assert cli.main(["timing", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert {row["name"] for row in rows} >= {"ik_scalar", "ik_scalar_ikpy", "ik_batch", "pose_to_bytes"}
    for row in rows:
        assert set(row) == {"name", "value", "unit", "yardstick", "yardstick_value", "ratio"}
