# SPDX-License-Identifier: MIT
"""The study's calibration curve against scikit-learn, and its picture."""

from __future__ import annotations

import sys
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "studies"))
from confusion_picture import SHADES, confusion_svg
from diagnosed_rigs import ALL_SENSORS, BEHIND, NO_READBACK, SWITCH_ONLY, causes_of, setup_text
from diagnosis import Told, curve, table

from rig.config.files.loading import setup_from_text
from rig.diagnosis.diagnose import wired_in
from rig.diagnosis.knowledge.loading import load_knowledge
from rig.diagnosis.posterior import possible

KNOWN = load_knowledge()
SVG = "{http://www.w3.org/2000/svg}"


def told(p: float, *, right: bool) -> Told:
    first = "low oil level" if right else "cold oil"
    ranked = [(first, p), ("low oil level", 1 - p)]
    return Told("test", "low oil level", 1.0, False, ranked, {"oil": 1.0, "none": 0.0}, True, "",
                "not_judged", "conforms", True, {}, {})  # fmt: skip


def test_only_rigs_that_can_be_are_drawn():
    """A fault of a part that is not there leaves a sound rig, which counts as no faulty one."""
    every = {"none", *(cause.name for cause in KNOWN.causes)}
    assert causes_of(BEHIND) == every
    assert every - causes_of(NO_READBACK) == {"read-back inverted"}
    of_gauge = {name for name in every if name.startswith("gauge ")}
    assert every - causes_of(SWITCH_ONLY) == of_gauge | {"read-back inverted"}
    # of an analogue sensor's faults the plant has these
    assert of_gauge & causes_of(ALL_SENSORS) == {"gauge offset", "gauge line blocked"}
    analogue = setup_from_text(setup_text(ALL_SENSORS, "[simulated]\n"), "test").setup
    silent = of_gauge - possible(KNOWN, wired_in(analogue))
    assert silent == {"gauge silent", "gauge garbage", "gauge NaN"}  # of a serial line alone


def test_the_curve_is_that_of_scikit_learn():
    """sklearn.calibration.calibration_curve, ten even bins; the error is the weighted mean distance
    (expected calibration error, Naeini, Cooper and Hauskrecht 2015)."""
    calibration = pytest.importorskip("sklearn.calibration")
    rng = np.random.default_rng(4)
    stated = rng.uniform(0.05, 0.999, 400)
    right = rng.random(400) < stated**1.5
    rows = [told(float(p), right=bool(r)) for p, r in zip(stated, right, strict=True)]
    mine = curve(rows, KNOWN)
    true, mean = calibration.calibration_curve(right, stated, n_bins=10, strategy="uniform")
    np.testing.assert_allclose([b.true for b in mine], true, atol=1e-12)
    np.testing.assert_allclose([b.stated for b in mine], mean, atol=1e-12)
    count = np.bincount((stated * 10).astype(int), minlength=10)
    error = 100 * float((count / 400 * np.abs(true - mean)).sum())
    assert table(rows, KNOWN)["calibration_error"] == pytest.approx(error)
    assert error > 3.0, "a curve that is off must show"


def test_the_picture_names_what_was_taken_for_what():
    pairs = [("none", "none")] * 4 + [("cold oil", "none")] + [("cold oil", "cold oil")] * 3
    svg = ElementTree.fromstring(confusion_svg(["none", "cold oil"], pairs, "test"))
    texts = ["".join(one.itertext()) for one in svg.iter(f"{SVG}text")]
    rows = {name: (texts[at + 1], texts[at + 2]) for name in ("none", "cold oil")
            for at in [len(texts) - 1 - texts[::-1].index(name)]}  # fmt: skip
    assert rows == {"none": ("100", "4"), "cold oil": ("2575", "4")}  # percent in each cell; rigs
    assert [one.text for one in svg.iter(f"{SVG}tspan")] == ["100", "25", "75"]


def test_the_picture_has_one_path_for_each_shade():
    names = [f"cause {n}" for n in range(40)]
    svg = confusion_svg(names, [(a, b) for a in names for b in names], "test")
    assert svg.count("<path") <= 2 * SHADES
    assert len(svg.splitlines()) < 3 * len(names)
