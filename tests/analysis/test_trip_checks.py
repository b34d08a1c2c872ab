# SPDX-License-Identifier: MIT
"""Every rule that can trip says where to look first."""

from rig.analysis.verdict import trip_checks
from rig.bench.interlock import registry


def test_every_rule_of_the_interlock_has_its_check() -> None:
    rules = {value for name, value in vars(registry).items()
             if name.isupper() and isinstance(value, str)}  # fmt: skip
    assert rules - {registry.LINK, registry.HEARTBEAT} <= set(trip_checks.CHECKS), rules


def test_a_rule_of_another_program_version_is_no_fault() -> None:
    assert trip_checks.next_check("something new").endswith("then `rig clear`")
