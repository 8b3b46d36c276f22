"""The main job as a person runs it, in a process of its own."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from quadleg.demo import ACTS


def test_the_demo_plays_every_step_and_draws_its_picture(domain: int, tmp_path: Path) -> None:
    picture = tmp_path / "demo.png"
    done = subprocess.run(
        [sys.executable, "-m", "quadleg.cli", "demo", "--picture", str(picture), "--seed", "3"],
        capture_output=True,
        text=True,
        timeout=120,  # what the demo may take
        check=False,
    )
    assert done.returncode == 0, done.stderr
    for act in ACTS:
        assert re.search(rf"✓ .*{act.name}", done.stdout), act.name
    worst = re.search(r"largest height error, within reach +(\d+\.\d+) mm", done.stdout)
    assert worst
    assert float(worst[1]) < 1.5
    # The servos stand within 12° of rest before their first pulse, by their seed.
    moved = re.search(r"power-up movement, largest of the twelve joints +(\d+\.\d+)°", done.stdout)
    assert moved
    assert 1.0 < float(moved[1]) < 12.5
    assert picture.read_bytes().startswith(b"\x89PNG")
