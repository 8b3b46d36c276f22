"""What launch/run.launch.py starts, without `launch`: its nodes are started as launch_ros starts them."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
import types
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from conftest import wait_until
from ruamel.yaml import YAML

from quadleg.cli import main
from quadleg.private_folder import private_folder, stack_name
from quadleg.safety.stop_socket import stop_here

FILE = Path(__file__).resolve().parents[1] / "launch" / "run.launch.py"


class Recorded:
    """Stands for an action or a description of `launch`: keeps what it was made with."""

    def __init__(self, *arguments: Any, **keywords: Any) -> None:
        self.arguments, self.keywords = arguments, keywords


@pytest.fixture
def launched(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[..., list[dict[str, Any]]]:
    """The keywords of the `Node` actions that the launch file makes for its arguments."""
    modules = {
        "launch": {"LaunchDescription": Recorded},
        "launch.actions": {"DeclareLaunchArgument": Recorded, "OpaqueFunction": Recorded},
        "launch_ros": {},
        "launch_ros.actions": {"Node": Recorded},
    }
    for name, content in modules.items():
        module = types.ModuleType(name)
        vars(module).update(content)
        monkeypatch.setitem(sys.modules, name, module)

    def nodes(**given: str) -> list[dict[str, Any]]:
        spec = importlib.util.spec_from_file_location("run_launch", FILE)
        assert spec
        assert spec.loader
        file = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(file)
        defaults = {name: default for name, (default, _) in file.ARGUMENTS.items()}
        context = types.SimpleNamespace(launch_configurations=defaults | given)
        with pytest.MonkeyPatch.context() as patch:
            patch.setenv("AMENT_PREFIX_PATH", str(tmp_path))  # without robot_state_publisher
            return [node.keywords for node in file.start(context)]

    return nodes


@pytest.fixture
def started(domain: int, tmp_path: Path) -> Iterator[Callable[[dict[str, Any]], subprocess.Popen[bytes]]]:
    """Starts a node as launch_ros does: remappings of name and namespace where they are given, parameters as a file.

    unverified: test_launch.py starts and stops a robot by `launch` itself; it has not run with an installed one.
    """
    processes = []

    def start(node: dict[str, Any]) -> subprocess.Popen[bytes]:
        words = ["--ros-args"]
        if node["name"]:
            words += ["-r", f"__node:={node['name']}"]
        if node["namespace"]:
            words += ["-r", f"__ns:=/{node['namespace']}"]
        (parameters,) = node["parameters"]
        path = tmp_path / f"{node['executable']}.yaml"
        YAML(typ="safe").dump({"/**": {"ros__parameters": parameters}}, path)
        code = f"from quadleg.nodes.{node['executable']} import main; main()"
        processes.append(subprocess.Popen([sys.executable, "-c", code, *words, "--params-file", str(path)]))
        return processes[-1]

    yield start
    for process in processes:
        process.kill()
        process.wait()


@pytest.mark.parametrize("namespace", ["", "left_bench", "lab/left_bench"])
def test_quadleg_stop_finds_the_servo_output_of_the_launch_file(
    namespace: str,
    launched: Callable[..., list[dict[str, Any]]],
    started: Callable[[dict[str, Any]], subprocess.Popen[bytes]],
    domain: int,
    capfd: pytest.CaptureFixture[str],
) -> None:
    (node,) = (node for node in launched(namespace=namespace) if node["executable"] == "servo_output")
    process = started(node)
    socket = Path(private_folder()) / f"{stack_name(domain, namespace)}-{process.pid}.0.stop"
    wait_until(socket.exists, "the stop socket")
    assert stop_here("other") == []
    assert stop_here(namespace) == [(True, "pulses are off; `reset` and then `enable` start again")]
    assert main.main(["stop", "--namespace", namespace]) == 0
    assert capfd.readouterr().out.count("stopped: pulses are off") == 1
    process.terminate()
    assert process.wait(20) == 0
    assert not socket.exists()


@pytest.mark.parametrize("separate", ["false", "true"])
def test_the_launch_file_starts_one_servo_output_and_passes_on_no_domain(
    separate: str, launched: Callable[..., list[dict[str, Any]]]
) -> None:
    nodes = launched(namespace="left_bench", separate=separate)
    assert [node["executable"] for node in nodes].count("servo_output") == 1
    assert {node["namespace"] for node in nodes} == {"left_bench"}
    for node in nodes:  # each has the environment of `ros2 launch`: domain, user and private folder
        assert not node.keys() & {"env", "additional_env", "prefix"}
