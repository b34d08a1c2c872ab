# SPDX-License-Identifier: MIT
"""Which check comes next: information by hand, safe order, and when to stop."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rig.diagnosis.findings.model import seen
from rig.diagnosis.knowledge.loading import load_knowledge
from rig.diagnosis.knowledge.model import Cause, Check, Effect, Knowledge, Reasoning
from rig.diagnosis.next_check import (
    entropy_bits,
    gain_of,
    next_checks,
    parting_bits,
    ranked_checks,
    repair_matrix,
)
from rig.diagnosis.posterior import posterior


def check(name: str, minutes: float, after: tuple[str, ...] = ()) -> Check:
    return Check(
        name, name, "nothing", {"right": 1.0, "wrong": 0.0}, "test", minutes, "off", after,
        "nothing", "look", "mind", "right", "all",
    )  # fmt: skip


def two_causes(*checks: Check, **chances: tuple[float, float]) -> Knowledge:
    """Two causes of the same weight and thing; `chances` of "wrong" of each check under both."""

    def shows(n: int) -> dict[str, Effect]:
        return {c: Effect({"right": 1 - p[n], "wrong": p[n]}, "t") for c, p in chances.items()}

    causes = tuple(
        Cause(name, "oil", "one", 1.0, "t", f"mend {name}", 10.0, shows(n))
        for n, name in enumerate(("a", "b"))
    )
    return Knowledge({}, {c.name: c for c in checks}, causes, Reasoning(1e-9, 1e-9, 0.1, 1.0))


def test_what_parts_two_causes_by_hand():
    """Jensen-Shannon divergence (Lin 1991): two states that never meet part by 1 bit; of one seen
    in 9 of 10 under one cause and in 1 of 10 under the other, 1 - H(0.9) = 0.53100 bit; equal ones
    by 0."""
    known = two_causes(check("clean", 5), check("dirty", 5), check("blind", 5),
                       clean=(1.0, 0.0), dirty=(0.9, 0.1), blind=(0.3, 0.3))  # fmt: skip
    table = posterior(known, {}).table
    assert parting_bits(table, "clean", ("a", "b")) == pytest.approx(1.0, abs=0.002)
    assert parting_bits(table, "dirty", ("a", "b")) == pytest.approx(0.53100, abs=1e-4)
    assert parting_bits(table, "blind", ("a", "b")) == pytest.approx(0.0, abs=1e-9)


def test_a_check_that_parts_two_even_causes_tells_one_bit():
    """Shannon: entropy of two even cases is 1 bit, and a perfect check takes it all away. Of one
    that is right in 9 of 10: 1 - H(0.9) = 1 - 0.46900 = 0.53100 bit (by hand)."""
    known = two_causes(check("clean", 5), check("dirty", 5), clean=(1.0, 0.0), dirty=(0.9, 0.1))
    found = posterior(known, {})
    repairs = repair_matrix(known, found)
    assert gain_of(found, "clean", repairs)[0] == pytest.approx(1.0, abs=3e-3)
    by_hand = 1.0 + 0.9 * math.log2(0.9) + 0.1 * math.log2(0.1)
    assert gain_of(found, "dirty", repairs)[0] == pytest.approx(by_hand, abs=1e-4)
    # the right repair is found in 1 of 2 cases before it, in 9 of 10 after it
    assert gain_of(found, "dirty", repairs)[1] == pytest.approx(0.4, abs=1e-4)


def test_entropy_of_eight_even_cases_is_three_bits():
    assert entropy_bits(np.full(8, 0.125)) == pytest.approx(3.0)


def test_the_quicker_of_two_equal_checks_comes_first():
    known = two_causes(check("slow", 60), check("quick", 3), slow=(1.0, 0.0), quick=(1.0, 0.0))
    assert [row.check.name for row in next_checks(known, posterior(known, {}), ())] == [
        "quick",
        "slow",
    ]


def test_what_must_be_done_first_is_named_and_paid_for():
    known = two_causes(check("isolate", 2), check("measure", 3, ("isolate",)), measure=(1.0, 0.0))
    best = next_checks(known, posterior(known, {}), ())[0]
    assert (best.check.name, best.first.name) == ("measure", "isolate")
    assert best.minutes == pytest.approx(2 + 3 + 2 * 2)  # and getting there, twice
    done = next_checks(known, posterior(known, {}), ("isolate",))[0]
    assert (done.first.name, done.minutes) == ("measure", pytest.approx(5.0))


def test_it_stops_where_no_check_would_change_what_to_do():
    known = two_causes(check("first", 3), check("second", 3), first=(0.99, 0.01), second=(0.6, 0.4))
    found = posterior(known, {"first": (seen("first", "wrong", "", 0.999),)})
    assert found.causes["a"] > 0.9
    assert next_checks(known, found, ("first",)) == []


ELECTRICAL = ("fuse", "coil_ohms", "supply_loaded", "drive_side", "readback_meter",
              "switch_unplugged", "switch_bridged", "switch_sense", "wiggle")  # fmt: skip


def test_the_safe_order_of_the_checks():
    """Nothing electrical before the drive is isolated; oil before the engine runs or is opened; the
    engine is off before the cover comes off (common practice, no source)."""
    checks = load_knowledge().checks
    for name in ELECTRICAL:
        assert "drive_isolated" in checks[name].after, name
    for one in checks.values():
        if one.engine != "off":
            assert "oil_level" in one.after, one.name
    assert checks["air_test"].engine == "off"
    assert "cover comes off" in checks["air_test"].safety


def test_no_check_is_offered_before_what_makes_it_safe():
    known = load_knowledge()
    found = posterior(known, {"switch": (seen("switch", "stays_off", "", 0.99),)})
    for row in ranked_checks(known, found, ()):
        assert not row.first.after, row.first.name
        if row.check.after:
            assert row.first.name in ("oil_level", "drive_isolated")
