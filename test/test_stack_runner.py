"""The parent of the graph's processes, with made-up children."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import sample_robots

from quadleg.errors import OutputPathError
from quadleg.runtime import stack_runner, supervisor
from quadleg.runtime.stack_runner import Runner, StackPlan

GIVES_UP = 20.0  # s, in which a parent that waits for ever is noticed


@pytest.fixture(autouse=True)
def signals(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A Runner takes the process's signals; they are given back. No ROS is needed, and no real lock taken."""
    monkeypatch.setattr(stack_runner, "need_ros", lambda: None)
    monkeypatch.setattr(stack_runner, "private_folder", lambda: str(tmp_path))
    kept = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    yield
    for number, handler in kept.items():
        signal.signal(number, handler)


def plan(tmp_path: Path) -> StackPlan:
    return StackPlan(sample_robots.inspector(), memory=tmp_path / "test.board")


def test_a_child_that_stays_after_its_line_has_ended_keeps_no_signal_waiting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stays = "import os, sys, time; os.close(int(sys.argv[1])); time.sleep(600)"
    started: list[subprocess.Popen[bytes]] = []
    popen = subprocess.Popen

    def start(command: list[str], pass_fds: list[int], **others: object) -> subprocess.Popen[bytes]:
        started.append(popen([sys.executable, "-c", stays, str(pass_fds[0])], pass_fds=pass_fds, **others))
        return started[-1]

    monkeypatch.setattr(stack_runner.subprocess, "Popen", start)
    monkeypatch.setattr(supervisor, "LINGER_TIME", 0.5)
    monkeypatch.setattr(supervisor, "MOST_DEATHS", 100)
    said: list[str] = []
    interrupt = threading.Timer(1.0, os.kill, (os.getpid(), signal.SIGINT))
    rescue = threading.Timer(GIVES_UP, lambda: [process.kill() for process in started])
    interrupt.start()
    rescue.start()
    begun = time.monotonic()
    Runner(plan(tmp_path), said.append).run()
    rescue.cancel()
    assert time.monotonic() - begun < GIVES_UP
    assert any("ending" in sentence for sentence in said)
    assert all(process.poll() is not None for process in started)


@pytest.mark.parametrize("kind", ["link", "fifo"])
def test_a_planted_lock_file_starts_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str) -> None:
    monkeypatch.setattr(stack_runner.subprocess, "Popen", lambda *_, **__: pytest.fail("a process was started"))
    path, target = plan(tmp_path).lock(), tmp_path / "target"
    path.symlink_to(target) if kind == "link" else os.mkfifo(path)
    try:
        with pytest.raises(OutputPathError, match="regular file"):
            Runner(plan(tmp_path)).run()
    finally:
        path.unlink()
    assert not target.exists()
