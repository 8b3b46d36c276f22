"""How long the last frames took from the tick that began them to the wire."""

from __future__ import annotations

from collections import deque

FRAMES = 500


class Latency:
    """The latencies of the last `FRAMES` frames."""

    def __init__(self) -> None:
        self._last: deque[int] = deque(maxlen=FRAMES)

    def note(self, nanoseconds: int) -> None:
        """Keeps the latency of one frame."""
        self._last.append(nanoseconds)

    def figures(self) -> dict[str, object]:
        """Median and 99th percentile in ms, for diagnostics; none before the first frame."""
        if not self._last:
            return {}
        ordered = sorted(self._last)
        return {
            f"tick_to_bytes_p{percent}_ms": f"{1e-6 * ordered[percent * (len(ordered) - 1) // 100]:.2f}"
            for percent in (50, 99)
        }
