# SPDX-License-Identifier: MIT
"""Faults as a person writes them: in a setup, in a plan, and put into a setup's text."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from rig.config.files.simulated_table import with_faults, without_table
from rig.config.plant.fault_names import APART, FAULT_KINDS, Fault, fault_of, faults_of
from rig.config.plant.model import SimulatedRig
from rig.config.quantity_types import RESOLVED


@pytest.mark.parametrize(
    ("written", "read"),
    [
        ("none", ()),
        ([], ()),
        ("cold oil", (Fault("cold oil"),)),
        (" Cold  OIL : .25 ", (Fault("cold oil", 0.25),)),
        (["cold oil:0", "gauge offset:1"], (Fault("cold oil", 0.0), Fault("gauge offset"))),
        (["none", "fuse open"], (Fault("fuse open"),)),
    ],
)
def test_read(written: Any, read: tuple[Fault, ...]) -> None:
    assert SimulatedRig.model_validate({"fault": written}).fault == read


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ("clogged screen", 'did you mean "clogged inlet screen"?'),
        ("gremlins", 'write "none", "low oil level"'),
        ("cold oil:1.2", 'the severity "1.2" of "cold oil" is no number from 0 to 1'),
        ("cold oil:-0.1", "no number from 0 to 1"),
        ("cold oil:nan", "no number from 0 to 1"),
        ("cold oil:", "no number from 0 to 1"),
        ("cold oil:a lot", "no number from 0 to 1"),
        (["cold oil", "cold oil:0.5"], '"cold oil" is given twice'),
        (["spool stuck on", "spool stuck off"], "cannot both be"),
        (["gauge NaN", "gauge frozen:0.1"], "cannot both be"),
        (3, "several in square brackets"),
        ({"name": "cold oil"}, "several in square brackets"),
        (["cold oil", 3], "a text between quotes"),
    ],
)
def test_refused(written: Any, words: str) -> None:
    with pytest.raises(ValidationError, match=words.replace("?", r"\?")):
        SimulatedRig.model_validate({"fault": written})


@given(name=st.sampled_from(list(FAULT_KINDS)), severity=st.floats(0.0, 1.0))
def test_written_and_read_back(name: Any, severity: float) -> None:
    fault = Fault(name, severity)
    assert fault_of(fault.text) == fault


def test_a_plan_carries_them() -> None:
    rig = SimulatedRig.model_validate({"fault": ["cold oil:0.3", "gauge offset"]})
    plan = rig.model_dump(mode="json")
    assert plan["fault"] == ["cold oil:0.3", "gauge offset"]
    assert SimulatedRig.model_validate(plan, context=RESOLVED) == rig
    assert SimulatedRig.model_validate({}).model_dump(mode="json")["fault"] == []


@pytest.mark.parametrize("group", APART, ids=lambda group: min(group))
def test_what_cannot_both_be_is_known_by_name(group: frozenset[str]) -> None:
    assert group <= set(FAULT_KINDS)
    assert len(group) > 1


HEAD = 'backend = "simulated"\n[gauge]\npattern = "[simulated]"\n'
FAULTS = faults_of(["clogged inlet screen:0.6", "gauge offset"])
TEXTS = {
    "no table": HEAD,
    "no newline at the end": HEAD.rstrip("\n"),
    "a table": HEAD + "[simulated]\nseed = 3\n[limits]\nx = 1\n",
    "a table with its own fault": HEAD + '[ simulated ] # it\nseed = 3\nfault = "none"\n[limits]\n',
    "its own over several lines": HEAD
    + '[simulated]\nfault = [\n  "none",\n  # [x]\n]\nseed = 3\n',
    "parts alone": HEAD + '[simulated.oil]\ntemperature = "20 degC"\n',
    "parts and table": HEAD + '[simulated.oil]\nlevel = "20 %"\n[simulated]\nseed = 3\n[limits]\n',
    "windows": (HEAD + '[simulated]\nfault = "cold oil"\nseed = 3\n').replace("\n", "\r\n"),
    "a trap": HEAD + 'note = """\n[simulated]\nfault = "x"\n"""\n[simulated]\nfault = "cold oil"\n',
}


@pytest.mark.parametrize("text", TEXTS.values(), ids=TEXTS)
def test_put_into_a_text(text: str) -> None:
    made = with_faults(text, FAULTS)
    assert made is not None
    before, after = tomllib.loads(text), tomllib.loads(made)
    assert after["simulated"]["fault"] == ["clogged inlet screen:0.6", "gauge offset"]
    assert "given on the command line" in made
    before.setdefault("simulated", {}).pop("fault", None)
    after["simulated"].pop("fault")
    assert after == before
    cleared = with_faults(made, ())
    assert cleared is not None and tomllib.loads(cleared)["simulated"]["fault"] == []


def test_where_no_line_can_be_written_nothing_is() -> None:
    assert with_faults('simulated = {seed = 3}\nbackend = "simulated"\n', FAULTS) is None


@pytest.mark.parametrize("text", TEXTS.values(), ids=TEXTS)
def test_left_out_of_a_text(text: str) -> None:
    left = without_table(text)
    if left is None:  # better nothing than a part of the wrong table
        assert "note" in text
        return
    wanted = tomllib.loads(text)
    wanted.pop("simulated", None)
    assert tomllib.loads(left) == wanted


def test_a_text_that_is_no_toml_is_not_shown_in_parts() -> None:
    assert without_table("[simulated\nfault") is None
