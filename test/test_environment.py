"""What make says where this computer or its Python will not do."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture
def environment(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> ModuleType:
    """environment.py, with no ROS sourced, an empty folder for `.venv`, and installations only noted."""
    path = Path(__file__).resolve().parents[1] / "environment.py"
    spec = importlib.util.spec_from_file_location("environment", path)
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.calls = []
    monkeypatch.setattr(module, "VENV", str(tmp_path / ".venv"))
    monkeypatch.setattr(module, "imports_rclpy", lambda python: False)
    monkeypatch.setattr(module, "wheels_fit", lambda: True)
    (tmp_path / ".venv").mkdir()

    def call(command: list[str]) -> int:
        module.calls.append(command)
        return 0

    monkeypatch.setattr(module.subprocess, "call", call)
    return module


def extras_of(call: list[str]) -> str:
    return call[-1].rsplit("[", 1)[1].rstrip("]")


def test_no_fitting_python_is_said_in_one_sentence(environment, monkeypatch, capsys) -> None:
    monkeypatch.setattr(environment, "version_of", lambda python: (3, 9))
    assert environment.main(["ros", "log"]) == 1
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "Python 3.10 to 3.13" in said
    assert not environment.calls


def test_no_wheels_for_this_computer_says_to_source_a_ros(environment, monkeypatch, capsys) -> None:
    monkeypatch.setattr(environment, "wheels_fit", lambda: False)
    assert environment.main(["ros", "log"]) == 1
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "source a ROS 2" in said
    assert "pip install ." in said


def test_no_wheels_still_tests_what_needs_no_ros(environment, monkeypatch) -> None:
    monkeypatch.setattr(environment, "wheels_fit", lambda: False)
    assert environment.main(["ros", "log", "test"]) == 0
    assert extras_of(environment.calls[-1]) == "log,test"


def test_a_sourced_ros_is_used_in_place_of_wheels(environment, monkeypatch) -> None:
    monkeypatch.setattr(environment, "imports_rclpy", lambda python: True)
    assert environment.main(["ros", "log"]) == 0
    venv, install = environment.calls
    assert "--system-site-packages" in venv
    assert extras_of(install) == "log"


def test_what_is_up_to_date_is_not_installed_again_and_extras_stay(environment) -> None:
    assert environment.main(["ros", "log", "test"]) == 0
    done = len(environment.calls)
    assert environment.main(["ros", "log"]) == 0
    assert len(environment.calls) == done


def test_a_failed_installation_is_not_taken_for_done(environment, monkeypatch, capsys) -> None:
    monkeypatch.setattr(environment.subprocess, "call", lambda command: int("install" in command))
    assert environment.main(["ros"]) == 1
    assert "run make again" in capsys.readouterr().err
    assert not (Path(environment.VENV) / "made-from").exists()
