# SPDX-License-Identifier: MIT
"""Compare the rig's recording with the plant's log."""

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


class Answer(NamedTuple):
    """One answer of the plant to a change of the coil, in milliseconds: from the instant just
    before it changed the read-back to the one just before it changed the switch, and from there to
    the coil's next change."""

    on: bool
    delay_ms: float
    stays_ms: float

    def settled(self, window_ms: float) -> bool:
        """Whether the switch followed and then stayed put for the window."""
        return self.delay_ms > 0 and self.stays_ms > window_ms


def logged_answers(log: dict[str, Any]) -> list[Answer]:
    """What the plant did, stroke by stroke: answers to on and off in turn."""
    coils = [entry[1] for entry in log["coil"]]
    answers = []
    for number, (readback, switch) in enumerate(zip(log["readback"], log["switch"], strict=True)):
        assert readback[0] == switch[0], "clean strokes only: read-back, then switch, then back"
        following = coils[number + 1] if number + 1 < len(coils) else float("inf")
        delay, stays = (switch[1] - readback[1]) / MS, (following - switch[1]) / MS
        answers.append(Answer(bool(switch[0]), delay, stays))
    return answers
