# SPDX-License-Identifier: MIT
"""Decimate points for drawing without hiding what matters. Pure functions that return indices.

A screen has about a thousand columns; a run may have a hundred thousand samples. The window is cut
into equal time intervals, and each keeps the points that determine its appearance, at their own
times: nothing is averaged or invented.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Indices = NDArray[np.int64]


def min_max(t_ns: NDArray[np.int64], value: NDArray[np.float64], limit: int) -> Indices:
    """Indices of at most `limit` points of a measured series, in order.

    `t_ns` (n,) in time order, `value` (n,) with NaN for a missing value. Kept: the first and the
    last point, and in each interval the lowest, the highest and, if any, a point without a value,
    so that a gap stays a gap. All points are kept if they fit.
    """
    _check(limit, 5)
    n = len(t_ns)
    if n <= limit:
        return np.arange(n, dtype=np.int64)
    gap = np.isnan(value)
    kinds = 3 if gap.any() else 2
    bucket = _buckets(t_ns, (limit - 2) // kinds)
    known, unknown = np.flatnonzero(~gap), np.flatnonzero(gap)
    by_value = known[np.lexsort((value[known], bucket[known]))]
    keep = (
        np.array([0, n - 1]),
        by_value[_firsts(bucket[by_value])],  # lowest of each interval
        by_value[_lasts(bucket[by_value])],  # highest of each interval
        unknown[_firsts(bucket[unknown])],
    )
    return np.unique(np.concatenate(keep)).astype(np.int64)


def edges(t_ns: NDArray[np.int64], level: NDArray[np.int8], limit: int) -> Indices:
    """Indices of at most `limit` edges of a digital series, in order.

    `t_ns` (n,) in time order, `level` (n,) 0/1 after each edge. Kept in each interval: the first
    edge, the last edge (so the level at the interval's end is right) and, if these two agree, the
    first edge to the other level, so that a short pulse is never lost. All edges are kept if they
    fit.
    """
    _check(limit, 3)
    n = len(t_ns)
    if n <= limit:
        return np.arange(n, dtype=np.int64)
    bucket = _buckets(t_ns, limit // 3)
    first, last = _firsts(bucket), _lasts(bucket)
    level_of_first = level[first][np.searchsorted(bucket[first], bucket)]
    other = np.flatnonzero(level != level_of_first)
    keep = (first, last, other[_firsts(bucket[other])])
    return np.unique(np.concatenate(keep)).astype(np.int64)


def _check(limit: int, least: int) -> None:
    if limit < least:
        raise ValueError(f"at least {least} points are needed to keep what matters, not {limit}")


def _buckets(t_ns: NDArray[np.int64], count: int) -> Indices:
    """Interval number of each time, 0 to count - 1."""
    since = t_ns - t_ns[0]
    width = np.int64(int(since[-1]) // count + 1)
    bucket: Indices = since // width
    return bucket


def _firsts(bucket: Indices) -> Indices:
    """Positions where a new interval begins in an array sorted by interval."""
    return np.flatnonzero(np.diff(bucket, prepend=-1)).astype(np.int64)


def _lasts(bucket: Indices) -> Indices:
    """Positions of the last member of each interval in an array sorted by interval."""
    if not len(bucket):
        return np.zeros(0, np.int64)
    return np.flatnonzero(np.diff(bucket, append=bucket[-1] + 1)).astype(np.int64)
