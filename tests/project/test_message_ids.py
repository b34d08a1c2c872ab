# SPDX-License-Identifier: MIT
"""Ids of messages: each is given once, listed on the help page, and never lost unnoticed."""

from __future__ import annotations

import json
import re
from collections import Counter

from message_tables import GONE, INTERLOCK, PAGE, ROOT, SHAPE, every_id, held, page, rules_table

from rig.analysis.measure import marks
from rig.bench.interlock.registry import RULES, after_trip
from rig.config.setup.safeguards import Limits
from rig.core.errors import Problem, UsageError
from rig.core.message_ids import message_id
from rig.core.records import Trip, decode

ANEW = "python tests/project/message_tables.py writes it anew, and says which ids were lost"
IDS = every_id()


def test_the_help_page_lists_every_id() -> None:
    assert PAGE.read_text(encoding="utf-8") == page(), ANEW


def test_the_rules_of_the_interlock_stand_in_its_help() -> None:
    assert rules_table() in INTERLOCK.read_text(encoding="utf-8"), ANEW


def test_an_id_is_short_of_its_kind_and_given_once() -> None:
    for kind, ids in IDS.items():
        twice = [one for one, n in Counter(ids).items() if n > 1]
        assert not twice, twice
        wrong = [one for one in ids if not SHAPE.fullmatch(one) or not one.startswith(f"{kind}.")]
        assert not wrong and ids, (kind, wrong)


def test_an_id_that_is_gone_is_not_given_again() -> None:
    assert not GONE.keys() & held()


def test_every_mark_of_the_golden_runs_is_listed() -> None:
    seen: set[str] = set()
    for path in (ROOT / "tests/golden/record").glob("run-*.json"):
        shape = json.loads(path.read_text(encoding="utf-8"))
        seen |= {*shape["marks"], *shape["mark_counts"], *shape["doubtful"]}
    assert len(seen) >= 5
    assert {marks.id_of(mark) for mark in seen} <= set(IDS["mark"])


def test_a_trip_of_an_old_record_has_the_id_of_its_rule() -> None:
    old = decode('["T","pressure rising",120.0,90.0,"kPa/s",1,"words of then"]')
    assert isinstance(old, Trip) and old.id == "trip.pressure-rising"
    for rule in RULES:
        assert Trip(rule.name, None, None, "", 0, "").id == rule.id
        assert after_trip(rule.name).id == message_id("advice", rule.name)


def test_a_rule_names_its_limits_as_the_setup_has_them() -> None:
    """Each limit that a rule's words name in the help is one of its fields, and the other way."""
    fields = {name: field.alias or name for name, field in Limits.model_fields.items()}
    for rule in RULES:
        named = set(re.findall(r"`limits\.([a-z_]+)`", f"{rule.needs} {rule.acts}"))
        assert named <= {fields[name] for name in rule.limits}, rule.name


def test_a_refusal_has_its_own_id_or_that_of_its_kind() -> None:
    assert UsageError("x").id == "refusal.usage"
    own = UsageError("x", id_="refusal.form")
    assert (own.id, str(own)) == ("refusal.form", "x")
    assert Problem("a.toml", "accept[1 of 2].max", "", "", "").id == "problem.accept-max"
    assert Problem("a.toml", "", "", "", "").id == "problem.file"
    assert Problem("", "", "", "", "", "refusal.form").id == "refusal.form"


def test_places_in_a_list_are_no_part_of_a_problems_id() -> None:
    problem = Problem("a.toml", "analog[0].pressure_range[1]", "x", "what", "remedy")
    assert problem.id == "problem.analog-pressure-range"
