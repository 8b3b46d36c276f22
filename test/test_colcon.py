"""The package in a colcon workspace: it builds, its tests run there, and its installed executables stand."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from conftest import RosProbe
from end_to_end import from_base_target_to_joint_states

from quadleg.runtime.node_table import OPTIONAL, executables

CHECKOUT = Path(__file__).resolve().parents[1]
PACKAGE = ("quadleg", "config", "launch", "resource", "test", "setup.py", "setup.cfg", "package.xml", "README.md")
PARTS = (
    "test/test_joint_command.py",
    "test/test_status_sentences.py",
)  # that `colcon test` finds and runs tests is what is asked here

COLCON = Path(sys.executable).with_name("colcon")
if not COLCON.exists():
    pytest.skip("colcon is not installed beside this Python: the extra `test` brings it", allow_module_level=True)


def colcon(workspace: Path, *arguments: str) -> str:
    """Runs one verb of colcon; what it said."""
    done = subprocess.run([COLCON, *arguments], cwd=workspace, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A built workspace with the package in it."""
    workspace = tmp_path_factory.mktemp("workspace")
    source = workspace / "src" / "quadleg"
    source.mkdir(parents=True)
    for name in PACKAGE:
        copy = shutil.copytree if (CHECKOUT / name).is_dir() else shutil.copy
        copy(CHECKOUT / name, source / name)
    colcon(workspace, "build")
    return workspace


@pytest.fixture
def sourced(workspace: Path) -> dict[str, str]:
    """The environment after `. install/setup.sh`."""
    command = ["sh", "-c", ". install/setup.sh && env -0"]
    said = subprocess.run(command, cwd=workspace, capture_output=True, text=True, check=True).stdout
    return dict(line.split("=", 1) for line in said.split("\0") if "=" in line)


@pytest.fixture
def nodes(domain: int, workspace: Path, sourced: dict[str, str]) -> Iterator[list[subprocess.Popen[str]]]:
    """The installed executables that are a whole graph, in the namespace `bench`."""
    folder = workspace / "install" / "quadleg" / "lib" / "quadleg"
    names = {"ROS_DOMAIN_ID": str(domain), "ROS_AUTOMATIC_DISCOVERY_RANGE": "LOCALHOST"}
    processes = []
    for executable, name, own in executables(separate=False):
        parameters = [word for key, value in own.items() for word in ("-p", f"{key}:={value}")]
        remaps = ["-r", "__ns:=/bench", "-p", "frame_prefix:=bench/"]
        remaps += ["-r", f"__node:={name}"] if name else []
        command = [str(folder / executable), "--ros-args", *remaps, *parameters]
        processes.append(subprocess.Popen(command, env={**sourced, **names}, text=True))
    yield processes
    for process in processes:
        process.kill()
        process.wait()


@pytest.mark.long
def test_the_installed_executables_stand_in_a_namespace(nodes: list[subprocess.Popen[str]], probe: RosProbe) -> None:
    from_base_target_to_joint_states(probe, "bench", "bench/")
    for process in nodes:
        process.terminate()
    assert [process.wait(20) for process in nodes] == [0] * len(nodes)


def test_every_node_is_installed_as_an_executable_that_its_module_runs(
    workspace: Path, sourced: dict[str, str]
) -> None:
    folder = workspace / "install" / "quadleg" / "lib" / "quadleg"
    needed = {executable for executable, _, _ in executables(separate=True)}
    optional = {entry.executable for entry in OPTIONAL}
    assert all(os.access(folder / executable, os.X_OK) for executable in needed | optional)
    code = (
        "import sys\n"
        "from importlib.metadata import entry_points\n"
        "for one in entry_points(group='console_scripts'):\n"
        "    if one.name in sys.argv: print(one.name, one.load().__module__)"
    )
    said = subprocess.run(
        [sys.executable, "-c", code, *needed], cwd=workspace, env=sourced, capture_output=True, text=True, check=True
    ).stdout
    mains = dict(line.split() for line in said.splitlines())
    assert mains.keys() == needed
    assert all(module.startswith("quadleg.") for module in mains.values())


def test_the_install_tree_is_what_the_ament_index_and_launch_look_for(workspace: Path) -> None:
    share = workspace / "install" / "quadleg" / "share"
    assert (share / "ament_index" / "resource_index" / "packages" / "quadleg").is_file()
    for name in ("package.xml", "launch/run.launch.py", "config/greenhouse_inspector.yaml", "config/parameters.yaml"):
        assert (share / "quadleg" / name).is_file(), name


def test_the_installed_code_is_used_and_finds_its_robot_files(workspace: Path, sourced: dict[str, str]) -> None:
    code = "import quadleg, quadleg.shipped as s; print(quadleg.__file__); print(s.config_folder())"
    said = subprocess.run(
        [sys.executable, "-c", code], cwd=workspace, env=sourced, capture_output=True, text=True, check=True
    ).stdout.split()
    assert all(Path(path).is_relative_to(workspace / "install") for path in said), said


@pytest.mark.long
def test_colcon_test_runs_the_package_s_tests(workspace: Path) -> None:
    colcon(workspace, "test", "--return-code-on-test-failure", "--pytest-args", *PARTS)
    assert "0 errors, 0 failures" in colcon(workspace, "test-result")
    results = list((workspace / "build" / "quadleg").glob("pytest.xml"))
    assert results
    assert 'tests="0"' not in results[0].read_text(encoding="utf-8")


def test_package_xml_is_of_format_3_with_the_build_type_of_ament() -> None:
    from catkin_pkg.package import parse_package

    package = parse_package(str(CHECKOUT / "package.xml"))
    assert package.package_format == 3
    assert package.get_build_type() == "ament_python"
    assert os.path.basename(CHECKOUT / "resource" / package.name) == "quadleg"
