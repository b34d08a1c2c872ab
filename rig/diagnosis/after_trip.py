# SPDX-License-Identifier: MIT
"""What to check first after a trip: a table in the knowledge, since a trip names its rule."""

from __future__ import annotations

import functools
import tomllib

from rig.diagnosis.knowledge.loading import FOLDER


@functools.cache
def checks_after_trips() -> dict[str, str]:
    """Checks by rule name."""
    return tomllib.loads((FOLDER / "trips.toml").read_text(encoding="utf-8"))


def after_trip(rule: str) -> str:
    """What to check first after `rule` tripped; a rule of another version is not an error."""
    first = checks_after_trips().get(rule, "read what the trip says and put it right")
    return f"{first}; then `rig clear`"
