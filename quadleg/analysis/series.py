"""Operations on time series: runs of flags, and running means."""

from __future__ import annotations

import numpy as np

from quadleg.geometry.arrays import AnyArray, Flags


def true_runs(flags: Flags) -> list[tuple[int, int]]:
    """Return the first tick, and the tick after the last, of each run of true flags (n,)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(int)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist()))


def running_mean(times: AnyArray, values: AnyArray, seconds: float) -> AnyArray:
    """Return the mean (n, k) of values (n, k) over some seconds around each of their times (n,)."""
    first = np.searchsorted(times, times - seconds / 2)
    end = np.searchsorted(times, times + seconds / 2, side="right")
    sums = np.vstack((np.zeros((1, values.shape[1])), np.cumsum(values.astype(float), axis=0)))
    return (sums[end] - sums[first]) / (end - first)[:, None]
