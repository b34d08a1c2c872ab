# SPDX-License-Identifier: MIT
"""How far what the rig recorded lies from what the plant logged."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

MS = 1e6  # nanoseconds


class Agreement(NamedTuple):
    """Absolute differences in milliseconds over `n` pairs, and the mean signed one."""

    n: int
    median_ms: float
    p95_ms: float
    max_ms: float
    bias_ms: float

    def __str__(self) -> str:
        return (
            f"n {self.n}, median {self.median_ms:.3f} ms, 95 % within {self.p95_ms:.3f} ms, "
            f"largest {self.max_ms:.3f} ms, bias {self.bias_ms:+.3f} ms"
        )


def agree(recorded_ms: Sequence[float], logged_ms: Sequence[float]) -> Agreement:
    """Compare pair by pair; both must be complete."""
    difference = np.asarray(recorded_ms, float) - np.asarray(logged_ms, float)
    assert difference.size and np.isfinite(difference).all()
    size = np.abs(difference)
    return Agreement(
        len(size), float(np.median(size)), float(np.percentile(size, 95)), float(size.max()),
        float(difference.mean()),
    )  # fmt: skip


def logged_delays_ms(log: dict[str, Any]) -> tuple[list[float], list[float]]:
    """Response and release of each stroke from the plant's log: from the instant just before it
    changed the read-back to the instant just before it changed the switch."""
    delays: tuple[list[float], list[float]] = ([], [])
    for coil, switch in zip(log["readback"], log["switch"], strict=True):
        assert coil[0] == switch[0], "clean strokes only: read-back, then switch, then back"
        delays[0 if coil[0] else 1].append((switch[1] - coil[1]) / MS)
    return delays
