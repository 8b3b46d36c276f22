"""How many examples a property draws, in the normal run and in a long one."""

from __future__ import annotations

from hypothesis import settings

_NORMAL = 100  # examples of a property that names no number: Hypothesis' own default


def is_long_run() -> bool:
    """Whether this is a run with `--long`."""
    return settings.default.max_examples > _NORMAL


def examples(normal: int) -> int:
    """Number of examples: `normal`, or under `--long` more in the proportion of the loaded profile."""
    return normal * settings.default.max_examples // _NORMAL
