# SPDX-License-Identifier: MIT
"""The knowledge file: complete, consistent, and refused with every problem at once."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import get_args

import pytest
from seen_runs import run_with

from rig.config.plant.fault_names import FaultName
from rig.core.errors import FileProblems
from rig.diagnosis.findings.collect import findings_of
from rig.diagnosis.knowledge.loading import FOLDER, load_knowledge

OWN = FOLDER / "causes.toml"


def test_every_fault_of_the_simulated_rig_is_a_cause_and_the_other_way_about():
    assert {c.name for c in load_knowledge().causes} == set(get_args(FaultName)) - {"none"}


def test_chances_add_up_and_every_number_has_a_reason():
    known = load_knowledge()
    for name in known.names():
        assert math.isclose(sum(known.shown(name).sound.values()), 1.0, abs_tol=1e-4), name
        assert known.shown(name).because
    for cause in known.causes:
        assert cause.why and cause.repair and cause.shows
        for finding, effect in cause.shows.items():
            assert math.isclose(sum(effect.chances.values()), 1.0, abs_tol=1e-4), (cause, finding)
            assert effect.because


def test_a_finding_and_a_check_never_share_a_name():
    known = load_knowledge()
    assert not set(known.findings) & set(known.checks)


def test_every_finding_that_a_run_yields_is_known_with_its_states():
    """And every finding of the file can be yielded or is said to be hidden."""
    known = load_knowledge()
    named = set()
    for fault in ("none", "switch stuck closed", "open coil", "gauge frozen"):
        run = run_with(fault)
        for one in findings_of(run, None):
            named.add(one.name)
            assert set(one.chances) - {""} <= set(known.findings[one.name].states), one
    assert named == set(known.findings)


def test_every_check_is_told_apart_by_some_cause():
    known = load_knowledge()
    used = {name for cause in known.causes for name in cause.shows}
    assert set(known.checks) <= used


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("response = { right = 7, bit", "response = { rigth = 7, bit"), 'mean "right"'),
        (("part = \"oil\"", "part = \"fuel\""), "not one of the words"),
        (("weight = 8", "weight = -8"), "above 0"),
        (("weight = 8", "weight = nan"), "above 0"),
        (("because = \"the stick shows it\"", "why = \"x\""), "not known"),
        (("shows.oil_level = { right = 4, low = 93", "shows.oil_level = { right = 5, low = 93"),
         "add up to 101"),
        (("shows.oil_label", "shows.oil_lable"), 'mean "oil_label"'),
        (("strength = 1.0", "strength = 9"), "up to 1"),
        (("repair = \"fill up", "repare = \"fill up"), 'mean "repair"'),
    ],
)  # fmt: skip
def test_a_changed_file_is_refused_with_what_and_where(tmp_path, change, told):
    text = OWN.read_text()
    assert change[0] in text, change
    copy = tmp_path / "mine.toml"
    copy.write_text(text.replace(change[0], change[1], 1))
    with pytest.raises(FileProblems) as caught:
        load_knowledge(copy)
    assert told in str(caught.value)
    assert "nothing was diagnosed" in str(caught.value)


def test_all_problems_are_named_at_once(tmp_path):
    text = OWN.read_text().replace('part = "valve"', 'part = "vlave"')
    copy = tmp_path / "mine.toml"
    copy.write_text(text)
    with pytest.raises(FileProblems) as caught:
        load_knowledge(copy)
    assert len(caught.value.problems) == text.count('part = "vlave"') > 3


NONSENSE = (
    "",
    "[cause]\nname = 3\n",
    "[[cause]]\n",
    "cause = 5\n",
    "=\n",
    "[reasoning]\nstrength = 'x'\n",
    "[[cause]]\nshows = 3\n",
    "[[cause]]\nname = 'x'\nshows.response = 3\n",
)


@pytest.mark.parametrize("text", NONSENSE)
def test_nonsense_is_refused_without_a_traceback(tmp_path, text):
    copy = tmp_path / "mine.toml"
    copy.write_text(text)
    with pytest.raises(FileProblems):
        load_knowledge(copy)


def test_an_instructor_changes_a_copy(tmp_path):
    copy = tmp_path / "mine.toml"
    copy.write_text(OWN.read_text().replace("weight = 8", "weight = 80", 1))
    assert load_knowledge(copy).causes[0].weight == 80
    assert load_knowledge().causes[0].weight == 8


def test_the_file_names_no_maker_and_no_place():
    for path in FOLDER.glob("*.toml"):
        assert not re.search(r"https?://|®|™", Path(path).read_text())
