# SPDX-License-Identifier: MIT
"""What is named for and against a cause: only what moves its odds by the stated factor."""

from __future__ import annotations

import math

import pytest
from test_posterior import cause, knowledge, shown

from rig.diagnosis.explain import LEAST_FACTOR, Spoken, contra, likelihoods, pro, spoken
from rig.diagnosis.findings.model import seen
from rig.diagnosis.posterior import evidence, table_of

KNOWN = knowledge(
    [shown("time", right=0.9, slow=0.1)],
    [cause("late", 1, time={"right": 0.1, "slow": 0.9}), cause("silent", 1)],
    second=0.0,
)
"""By hand: a sound rig is "right" in 90 of 100; "late" is in 10; "silent" leaves it alone."""


def told(state: str, name: str) -> Spoken:
    observed = {"time": (seen("time", state, f"it was {state}", 1.0),)}
    table = table_of(KNOWN)
    likely = likelihoods(table, evidence(table, KNOWN, observed))
    (one,) = spoken(KNOWN, likely, observed, name)
    return one


def test_the_weight_of_evidence_by_hand():
    """ "late" against sound (prior 1/2 of the rest) and "silent": seen slow it is 0.9 against 0.1,
    a factor of 9, against both together and against the sound rig (Good 1950)."""
    one = told("slow", "late")
    assert one.bits == pytest.approx(math.log2(9), abs=1e-3)
    assert one.over_sound == pytest.approx(math.log2(9), abs=1e-3)
    assert pro([one]) == (one.words,)
    assert contra([told("right", "late")])


def test_what_a_sound_rig_shows_as_well_speaks_for_no_fault():
    """Seen right, "silent" is likelier than before, since "late" is not; as likely as on a sound
    rig it was all the same: a likelihood ratio of 1, no evidence for it."""
    one = told("right", "silent")
    assert one.bits > 0
    assert one.over_sound == pytest.approx(0.0, abs=1e-6)
    assert pro([one]) == contra([one]) == ()


@pytest.mark.parametrize(("factor", "named"), [(LEAST_FACTOR * 1.01, 1), (LEAST_FACTOR * 0.99, 0)])
def test_the_factor_is_the_bound(factor: float, named: int):
    bits = math.log2(factor)
    assert len(pro([Spoken("x", bits, bits, "w")])) == named
    assert len(contra([Spoken("x", -bits, -bits, "w")])) == named
    assert len(pro([Spoken("x", bits, None, "w")])) == named  # "nothing at fault" itself
    assert not pro([Spoken("x", bits, 0.0, "w")])
