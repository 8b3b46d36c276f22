"""A shorter set of the campaign, one round each: README's table has them all, many times."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from conftest import own_domain

from faults.campaign import play_all

FAULTS = ("random", "freeze-control-2")


@pytest.fixture(scope="module")
def results() -> Iterator[dict[str, dict[str, Any]]]:
    """What each round showed, played side by side."""
    with pytest.MonkeyPatch.context() as patch:
        own_domain(patch)
        yield {result["fault"]: result for result in play_all([(fault, 0) for fault in FAULTS], at_once=2)}


@pytest.mark.parametrize("fault", FAULTS)
def test_the_fault_comes_to_what_it_must(results: dict[str, dict[str, Any]], fault: str) -> None:
    assert results[fault]["troubles"] == []
    assert results[fault]["worst_share"] <= 1.0
