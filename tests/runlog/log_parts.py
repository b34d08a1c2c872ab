# SPDX-License-Identifier: MIT
"""What the run log's tests are made of: a header and some records."""

from __future__ import annotations

from typing import Any

from rig.core.records import GOOD, Sample, encode_lines


def samples(n: int, first_s: int = 0) -> list[Sample]:
    """`n` pressure readings a second apart."""
    return [Sample("pressure", 300.0 + first_s + i, (first_s + i) * 10**9, GOOD) for i in range(n)]


def text(n: int, first_s: int = 0) -> bytes:
    return encode_lines(samples(n, first_s))


def result(
    strokes: int = 3, mean: float | None = 41.5, verdict: str = "conforms"
) -> dict[str, Any]:
    return {
        "strokes": [{"number": number + 1} for number in range(strokes)],
        "summary": {"response_ms": {"n": strokes, "mean": mean}},
        "verdict": {"result": verdict, "why": "", "limits": []},
    }
