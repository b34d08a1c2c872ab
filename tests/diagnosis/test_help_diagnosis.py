# SPDX-License-Identifier: MIT
"""The help page says what the knowledge says, and its example file can be loaded."""

from __future__ import annotations

import textwrap

from write_help import PAGE, with_tables

from rig.diagnosis.checks_file import check_findings, load_checks
from rig.diagnosis.knowledge.loading import load_knowledge
from rig.diagnosis.knowledge.tables import causes_table, checks_table, findings_table
from rig.diagnosis.model import CauseFound, Diagnosis, NextCheck
from rig.diagnosis.next_check import GETTING_THERE

TEXT = PAGE.read_text()


def test_the_minutes_that_every_check_is_charged_stand_in_the_help():
    assert f"every check adds {GETTING_THERE:g} minutes" in " ".join(TEXT.split())


def test_the_tables_are_those_of_the_knowledge():
    known = load_knowledge()
    for table in (checks_table(known), findings_table(known), causes_table(known)):
        assert table in TEXT, "python3 tests/diagnosis/write_help.py writes them anew"
    assert with_tables(TEXT) == TEXT


def test_the_example_of_checks_can_be_loaded(tmp_path):
    begin = TEXT.index("    gauge_at")
    example = textwrap.dedent(TEXT[begin : TEXT.index("`base_gauge` takes")])
    (tmp_path / "job.checks.toml").write_text(example)
    known = load_knowledge()
    loaded = load_checks(tmp_path / "job.checks.toml", known)
    assert {one.name for one in check_findings(loaded, known, None)} == {
        "oil_level", "coil_ohms", "supply_loaded", "compression", "air_test",
    }  # fmt: skip


def test_the_json_has_the_keys_that_the_page_names():
    shape = TEXT[TEXT.index("## The JSON") :]
    for model in (Diagnosis, CauseFound, NextCheck):
        for name, field in model.model_fields.items():
            assert (field.alias or name) in shape, name
