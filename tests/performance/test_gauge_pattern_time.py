# SPDX-License-Identifier: MIT
"""A line of garbage costs the bench's loop no more than a bounded multiple of a good one."""

import time

from rig.config.gauge.pattern import parse_pattern


def test_matching_does_not_backtrack() -> None:
    """The worst lines found for a backtracking matcher take no more than some plain ones."""
    pattern = parse_pattern("{*} {*} {*} {*} {*} {pressure} {*} end", "psi").regex
    plain = "a b c d e 1 f end" + " " * 200  # as long as the others
    worst = ["1 " * 128, " " * 256, "1" * 256, "a " * 127 + "en"]

    def best_s(line: str) -> float:
        times = []
        for _ in range(5):
            start = time.perf_counter()
            for _ in range(20):
                pattern.fullmatch(line)
            times.append(time.perf_counter() - start)
        return min(times)

    reference = best_s(plain)
    for line in worst:
        assert best_s(line) < 200 * reference
