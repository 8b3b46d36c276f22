"""The page of the estimator's constants lists each of them, and none that there is not."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import quadleg.estimation

FOLDER = Path(quadleg.estimation.__file__).parent
PAGE = Path(__file__).parents[1] / "docs" / "estimation.md"
# Names that are no numbers about a robot: rows and columns of matrices, states, frames.
OTHERS = {
    "body_estimate.BLOCKS",
    *(f"error_state_filter.{name}" for name in ("ATTITUDE", "VELOCITY", "GYRO_BIAS", "ACCELERATION_BIAS", "POSITION")),
    *(f"error_state_filter.{name}" for name in ("FEET", "YAW", "KEPT", "SIZE")),
    "odometry.WITHOUT_IMU",
    "state_observer.LYING",
    "tilt.IMU_FRAME",
    "zero_velocity.STATE_VELOCITY",
}


def constants(path: Path) -> set[str]:
    """The public constants of a module, as `module.NAME`."""
    found = set()
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        for target in node.targets if isinstance(node, ast.Assign) else ():
            names = target.elts if isinstance(target, ast.Tuple) else [target]
            found |= {f"{path.stem}.{name.id}" for name in names if isinstance(name, ast.Name) and name.id[0] != "_"}
    return {name for name in found if name.partition(".")[2].isupper()}


def test_each_constant_of_the_estimator_stands_on_its_page_with_a_source():
    rows = re.findall(r"^\| `(\w+\.\w+)` \| (.+?) \| (.+?) \| (.+?) \|$", PAGE.read_text(encoding="utf-8"), re.M)
    there = set().union(*(constants(path) for path in FOLDER.glob("*.py")))
    assert {name for name, *_ in rows} == there - OTHERS
    assert there >= OTHERS
