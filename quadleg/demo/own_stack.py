"""A stack of its own for a program that shows or measures something, with the robot lowered at its end."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from quadleg.errors import QuadlegError, StackNotFound
from quadleg.robot.model import RobotModel
from quadleg.runtime.stack_runner import SAID_READY
from quadleg.simulation.spread_kinds import Spread

STARTED_WITHIN = 30.0  # s
# A third of base_motion's speed by default, for a real board.
SLOW_PARAMETERS = "/**/base_motion: {ros__parameters: {speed: 0.02, turn_speed: 0.2}}\n"
SLOWNESS = 3


def is_real(model: RobotModel) -> bool:
    """Whether the robot's servos move."""
    return not model.board.simulated


@contextmanager
def own_stack(model: RobotModel, seed: int, physics: bool) -> Iterator[tuple[str, Path]]:
    """A stack of its own; its namespace and the memory of its simulated board.

    A simulated robot has a namespace of its own too, so that it touches no other. A real one has none: no second
    `quadleg run` takes the same board then, and `quadleg stop` in another terminal is heard.
    """
    namespace = "" if is_real(model) else f"quadleg_demo_{os.getpid()}"
    with tempfile.TemporaryDirectory(prefix="quadleg-demo-") as folder:
        memory = Path(folder) / "demo.board"
        command = [sys.executable, "-m", "quadleg.cli.main", "run", str(model.path), "--namespace", namespace]
        command += ["--no-recorder", "--seed", str(seed), "--board-memory", str(memory)]
        if physics:
            # Its pictures show the robot of the robot file.
            command += ["--physics", "--spread", Spread.NONE.value]
        if is_real(model):
            slow = Path(folder) / "slow.yaml"
            slow.write_text(SLOW_PARAMETERS, encoding="utf-8")
            command += ["--params-file", str(slow)]
        process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
        )
        output: list[str] = []
        started = threading.Event()

        def read() -> None:
            for line in process.stdout or ():
                output.append(line)
                if SAID_READY in line:
                    started.set()
            started.set()  # or it ended

        reader = threading.Thread(target=read, daemon=True)
        reader.start()
        try:
            # Before that, another stack of the same names would be taken for this one.
            started.wait(STARTED_WITHIN)
            if not any(SAID_READY in line for line in output):
                raise StackNotFound("the demo's stack did not start; what it said stands above")
            yield namespace, memory
        except QuadlegError:
            print("".join(output), file=sys.stderr)
            raise
        except KeyboardInterrupt:
            print("interrupted: lowering the robot; Ctrl-C again switches off at once", file=sys.stderr)
            raise
        finally:
            _end(process)
            reader.join()


def _end(process: subprocess.Popen[str]) -> None:
    """Lowers the robot and ends the stack; Ctrl-C switches off at once."""
    process.send_signal(signal.SIGTERM)
    try:
        process.wait()
    except KeyboardInterrupt:
        process.send_signal(signal.SIGTERM)
        process.wait()
