"""Gamepads of the tests in a process that they start."""

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from fake_gamepad import FOLDER, install

if FOLDER in os.environ:
    install(Path(os.environ[FOLDER]))
