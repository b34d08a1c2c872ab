# SPDX-License-Identifier: MIT
"""Sentences about a limit round by what is open about the value (JCGM 100:2008, 7.2.6)."""

from __future__ import annotations

import re

import numpy as np
import pytest
from flask import Flask
from scipy import stats

from rig.analysis.stats.dependence import repeatability
from rig.analysis.stats.uncertainty import Line, budget
from rig.analysis.verdict.evaluate import Measured
from rig.analysis.verdict.limits import figure_limit
from rig.cli.terminal.summary import _open_limits
from rig.config.sheet.model import Accept
from rig.core.figures import FIGURES
from rig.core.reader_units import read_choice, use
from rig.report.words import limits
from rig.text.rounded import beside_text, best_text, judged_text, mean_text, sure_text, value_text
from webui.words import install


def why(values: list[float], **limit: str) -> str:
    made = np.array(values)
    own = Line("time stamps", 0.05, "ms", "rectangular")
    measured = Measured.of(
        made, np.arange(1, len(made) + 1), np.zeros(len(made), bool),
        single=budget("single", "ms", float(made.mean()), [own]),
        mean=budget("mean", "ms", float(made.mean()), [repeatability(made, "ms"), own]),
        after_rest=np.zeros(len(made), bool),
    )  # fmt: skip
    return figure_limit(Accept.model_validate({"figure": "response"} | limit), measured).why


def test_an_open_limit_shows_both_ends_to_two_digits_of_half_their_width():
    said = why([50.1234, 51.4321, 49.1111, 50.7777], of="mean", max="50.3 ms")
    low, high = re.search(r"\(([\d.]+) to ([\d.]+) ms", said).groups()
    assert 1 < float(high) - float(low) < 10
    assert [len(end.partition(".")[2]) for end in (low, high)] == [1, 1]


def test_a_broken_limit_shows_the_value_to_the_place_of_its_uncertainty():
    said = why([50.12345, 50.12355, 50.12365, 50.12345], of="each", max="40 ms")
    assert "Response time of 50.124 ms in stroke 3 is above 40 ms" in said


@pytest.mark.parametrize(
    ("value", "row", "words"),
    [(50.0, {"U": 4.55, "interval95": [39.95, 49.05]},
      "44.5 ms (± 4.6 ms; read 50.0 ms, 5.5 ms subtracted)"),
     (50.0, {"U": 0.38, "interval95": [49.82, 50.58]},
      "50.20 ms (± 0.38 ms; read 50.00 ms, 0.20 ms added)"),
     (50.0, {"U": 0.38, "interval95": [49.62, 50.38]}, "50.00 ms (± 0.38 ms)"),
     (36.3, {"U": 11.0, "best": 36.1, "interval95": [25.1, 47.1]}, "36 ms (± 11 ms)"),
     (36.7, {"U": 11.0, "best": 36.4, "interval95": [25.4, 47.4]},
      "36 ms (± 11 ms; read 37 ms, 0.30 ms subtracted)"),
     (50.0, {}, "50.00 ms")],
)  # fmt: skip
def test_what_is_shown_with_bounds_lies_between_them(value, row, words):
    """Halves go to the even digit, as everywhere: 4.55 is 4.6."""
    assert best_text(value, row, "ms", 2) == words


@pytest.mark.parametrize(
    ("value", "row", "words"),
    [(50.0, {"U": 4.55, "best": 44.5, "interval95": [39.95, 49.05]},
      "best 44.5 ± 4.6 ms (95 %), 5.5 ms subtracted"),
     (50.0, {"U": 0.38, "interval95": [49.82, 50.58]},  # a result of an earlier program
      "best 50.20 ± 0.38 ms (95 %), 0.20 ms added"),
     (50.0, {"U": 0.38, "best": 50.001, "interval95": [49.62, 50.38]}, "± 0.38 ms (95 %)"),
     (36.3, {"U": 11.0, "best": 36.1, "interval95": [25.1, 47.1]}, "± 11 ms (95 %)"),
     (36.7, {"U": 11.0, "best": 36.4, "interval95": [25.4, 47.4]},
      "best 36 ± 11 ms (95 %), 0.30 ms subtracted"),
     (37.5, {"U": 11.0, "best": 36.1, "interval95": [25.1, 47.1]},
      "best 36 ± 11 ms (95 %), 1.4 ms subtracted"),
     (50.0, {"U": None, "best": None, "interval95": None}, "")],
)  # fmt: skip
def test_what_stands_beside_a_value_as_read(value, row, words):
    assert beside_text(value, row, "ms") == words


@pytest.mark.parametrize(
    ("n", "words"),
    [(1, "n = 1: no interval"), (2, "n = 2: no interval"), (3, "± 0.38 ms"), (20, "± 0.38 ms")],
)
def test_a_mean_of_fewer_than_three_has_no_interval(n: int, words: str) -> None:
    one = {"n": n, "mean": 50.0, "U": 0.38, "interval95": [49.62, 50.38]}
    assert sure_text(50.0, one, "ms") == words
    assert best_text(50.0, one, "ms") == (f"50.0 ms ({words})" if n < 3 else f"50.00 ms ({words})")
    assert mean_text(one, "-") == ("50.0" if n < 3 else "50.00")


def test_why_three_at_least() -> None:
    """Student's t at 95 % (scipy): the factor falls from 12.7 to 4.3 with the third value."""
    factors = [float(stats.t.ppf(0.975, n - 1)) / n**0.5 for n in (2, 3, 4)]
    assert factors[0] > 3 * factors[1] and factors[1] < 2 * factors[2]
    assert stats.t.ppf(0.975, 1) == pytest.approx(12.706, abs=5e-4)  # NIST e-Handbook, 1.3.6.7.2


@pytest.mark.parametrize(
    ("value", "guard", "unit", "reader", "shown"),
    [(54.2345, 2.31, "ms", "kPa,degC", "54.2 ms"), (54.2, 0.0231, "ms", "kPa,degC", "54.200 ms"),
     (1234.56, 118.0, "kPa", "kPa,degC", "1230 kPa"), (300.0, 6.89, "kPa", "psi,degF", "43.5 psi"),
     (3.0, None, "", "kPa,degC", "3"), (None, None, "ms", "kPa,degC", "?")],
)  # fmt: skip
def test_the_value_held_against_a_limit_is_rounded_by_the_one_rule(
    value, guard, unit, reader, shown
):
    """In psi too: 300 kPa are 43.511 psi (1 psi = 6.894757 kPa, NIST SP 811). Terminal, page and
    report show the same."""
    limit = {
        "value": value, "guard_band": guard, "unit": unit, "of": "mean", "figure": "response",
        "min": None, "max": 60.0, "n": 9, "result": "undecided", "why": "",
    }  # fmt: skip
    page = Flask("page")
    install(page)
    use(read_choice(reader))
    try:
        assert judged_text(limit, "?") == shown
        assert page.jinja_env.globals["judged_text"](limit, "?") == shown
        if value is not None:
            told = next(_open_limits({"limits": [limit]}))
            assert f"found {shown} (" in told
            (line,) = limits({"verdict": {"limits": [limit]}})
            assert f"{shown} (n = 9)" in line
    finally:
        use(None)


@pytest.mark.parametrize(
    ("rate", "words"), [(1469.547, "1470"), (14.6954, "14.70"), (0.12345, "0.123"), (None, "–")]
)
def test_a_rate_without_an_uncertainty_has_four_digits(rate: float | None, words: str) -> None:
    assert value_text(rate, None, "–", FIGURES["decay_rate"].digits(rate)) == words
