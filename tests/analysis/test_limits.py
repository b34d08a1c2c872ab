# SPDX-License-Identifier: MIT
"""One limit against the numbers of its figure, by numbers that a person can check by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from rig.analysis.measure.stroke_windows import Windows, reference
from rig.analysis.verdict.evaluate import Measured, Sentence
from rig.analysis.verdict.limits import Limit, figure_limit
from rig.analysis.verdict.verdict import Verdict
from rig.config.setup.model import RelaySetup
from rig.config.sheet.model import Accept

N = 200


SAID = Sentence("x.")


def measured(value: np.ndarray, *, doubtful: int = 0) -> Measured:
    """Numbers of strokes 1 to n, the last `doubtful` of them doubtful."""
    n = len(value)
    return Measured.of(value.astype(float), np.arange(1, n + 1), np.arange(n) >= n - doubtful)


def result(value: np.ndarray, figure: str, of: str, doubtful: int = 0, **limit: object) -> Limit:
    accept = Accept.model_validate({"figure": figure, "of": of, **limit})
    return figure_limit(accept, measured(value, doubtful=doubtful))


SLOW = 120.0 + 2.0 * np.sin(np.arange(N) * 2.4)
"""All beyond 100 ms; without a run of neighbours alike."""


@pytest.mark.parametrize("of", ["mean", "median", "p95"])
@pytest.mark.parametrize("limit", [{"max": "100 ms"}, {"min": "140 ms"}], ids=str)
def test_outside_with_a_doubtful_number_is_undecided(of: str, limit: dict[str, str]) -> None:
    """A number of all strokes rests on the doubtful one too; without it the limit is broken."""
    assert result(SLOW, "response", of, **limit).result == "does_not_conform"
    doubted = result(SLOW, "response", of, doubtful=1, **limit)
    assert doubted.result == "undecided"
    assert "1 of its numbers are doubtful" in doubted.why


def test_each_stroke_beyond_is_enough_though_another_is_doubtful() -> None:
    assert result(SLOW, "response", "each", 1, max="100 ms").result == "does_not_conform"
    assert result(SLOW, "response", "each", N, max="100 ms").result == "undecided"


@pytest.mark.parametrize(
    ("many", "outcome"),
    [(2, "conforms"), (10, "undecided"), (30, "does_not_conform")],
)
def test_p95_of_bounce(many: int, outcome: str) -> None:
    """Of 200 strokes `many` bounced 9 times. At 5 % risk the 95th percentile is at most 4 where at
    most 4 of 200 lie above, and above it from 16 on: the binomial (200; 0.05) has 2.6 % in 0 to 4
    and 3.9 % from 16 on (scipy.stats.binom, below)."""
    from scipy.stats import binom

    assert binom.cdf(4, N, 0.05) < 0.05 < binom.cdf(5, N, 0.05)
    assert binom.sf(15, N, 0.05) < 0.05 < binom.sf(14, N, 0.05)
    edges = np.where(np.arange(N) % (N // many) == 0, 9, 2)
    found = result(edges, "bounce", "p95", max=4)
    assert found.unit == ""
    assert found.result == outcome, found.why


def test_the_risk_of_limits_that_are_all_held_adds_up() -> None:
    """At most the sum (Boole); never more than certain; of a broken limit its own."""

    def verdict(outcome: str, *risks_pct: float | None, first: str = "conforms") -> Verdict:
        names = [first, *["conforms"] * (len(risks_pct) - 1)]
        limits = tuple(
            Limit("response", "each", None, 1.0, "ms", 1.0, 9, name, SAID, risk_pct=risk)
            for name, risk in zip(names, risks_pct, strict=True)
        )
        return Verdict(outcome, (SAID,), None, limits)

    assert verdict("conforms", 2.0, 3.0, 0.5).risk_pct == pytest.approx(5.5)
    assert verdict("conforms", 2.0, None).risk_pct == pytest.approx(2.0)
    assert verdict("conforms", 60.0, 70.0).risk_pct == 100.0
    assert verdict("conforms", None).risk_pct is None
    broken = verdict("does_not_conform", 1.0, 40.0, first="does_not_conform")
    assert broken.risk_pct == 1.0
    assert verdict("undecided", 30.0, 2.0, first="undecided").risk_pct == 30.0


def test_without_a_read_back_the_delay_holds_the_time_of_writing_for_both_edges() -> None:
    """On and off alike: relay delay and the slowest write to the line lie in either time."""
    one = np.array([0, 0], np.int64)
    windows = Windows(
        number=one, on_ns=one, off_ns=one, next_ns=one, live_ns=one, dead_ns=one,
        start_on_ns=one, start_off_ns=one, live_before=one.astype(bool),
        write_ns=np.array([200_000, 700_000]), has_readback=False, half_on_ns=one, half_off_ns=one,
    )  # fmt: skip
    relay = RelaySetup.model_validate(
        {"line": 17, "operate_delay": "10 ms", "release_delay": "6 ms"}
    )
    found = reference(windows, SimpleNamespace(relay=relay))  # type: ignore[arg-type]
    assert found.of == "command"
    assert found.response_ms == pytest.approx(10.7)
    assert found.release_ms == pytest.approx(6.7)
    assert (found.response_least_ms, found.release_least_ms) == pytest.approx((1.0, 0.6))
