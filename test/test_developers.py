"""Every file that DEVELOPERS.md names is there, where it says."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
TOPS = ("quadleg", "test", "config", "launch", ".ci")
PATHS = [*ROOT.glob("*"), *(path for top in TOPS for path in ROOT.glob(f"{top}/**/*"))]
FILES = [path.relative_to(ROOT).as_posix() for path in PATHS]
NAMED = sorted(set(re.findall(r"`([\w./-]+\.(?:py|json|yaml|toml|jinja|xml))`", TEXT)))
ROWS = dict(re.findall(r"^\| `quadleg/(\w+)/` \| (.*) \|$", TEXT, re.MULTILINE))


@pytest.mark.parametrize("name", NAMED)
def test_it_is_there(name: str) -> None:
    assert any(f"/{file}".endswith(f"/{name}") for file in FILES)


@pytest.mark.parametrize("package", ROWS)
def test_the_layout_names_modules_of_that_package(package: str) -> None:
    own = {file for file in FILES if file.startswith(f"quadleg/{package}/") or file.count("/") == 1}
    for name in re.findall(r"`([\w]+\.py)`", ROWS[package]):
        assert any(file.endswith(f"/{name}") for file in own), name


def test_the_layout_has_each_package() -> None:
    packages = {path.parent.name for path in ROOT.glob("quadleg/*/__init__.py")}
    assert packages == set(ROWS)
