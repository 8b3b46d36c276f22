"""The former name of stop_settings.py, which test/simulated_graph still imports."""

from __future__ import annotations

from quadleg.viewer.stop_settings import GIVEN_UP_AFTER

__all__ = ["GIVEN_UP_AFTER"]
