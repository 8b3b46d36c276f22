"""Damaged recordings and robot files: an error in words or what is left of them, in bounded time and memory."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

CAMPAIGN = Path(__file__).with_name("damage_campaign.py")
MOST_SECONDS, MOST_MEGABYTES = 10.0, 500


def campaign(recordings: int, files: int, seed: int) -> None:
    arguments = ["--recordings", f"{recordings}", "--files", f"{files}", "--seed", f"{seed}"]
    done = subprocess.run([sys.executable, CAMPAIGN, *arguments], capture_output=True, text=True, check=False)
    assert done.stdout, done.stderr
    told = json.loads(done.stdout)
    assert not told["failures"], f"{len(told['failures'])}, the first: {told['failures'][0]}"
    assert told["slowest_s"][0] < MOST_SECONDS
    assert told["most_memory_mb"] < MOST_MEGABYTES
    assert told["ended"]["read"] > recordings  # damage is mostly small, and most of a file can be read
    assert told["ended"]["RecordingError"]
    assert told["ended"]["RobotFileError"]


def test_a_few_are_read_or_refused_in_words() -> None:
    campaign(20, 60, 1)


@pytest.mark.long
def test_ten_thousand_are_read_or_refused_in_words(request: pytest.FixtureRequest) -> None:
    seed = request.config.getoption("hypothesis_seed", None) or 1
    campaign(5000, 5000, int(seed))
