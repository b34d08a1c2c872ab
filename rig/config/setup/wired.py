# SPDX-License-Identifier: MIT
"""The wired part of a setup, apart from its limits and words: it shows whether a rig has
changed."""

from __future__ import annotations

import hashlib
import json

from rig.config.setup.model import Setup

WIRED = frozenset({
    "backend", "chip", "coil", "relay", "switch", "readback", "gauge", "converter", "analog",
    "engine_speed", "stop_input", "cover_input", "confirm_input", "heartbeat",
})  # fmt: skip
HASH_DIGITS = 16


def wired_hash(setup: Setup) -> str:
    """Start of the SHA-256 of the tables in WIRED. Keys at their default are left out, so that a
    key added by a later version changes nothing."""
    tables = setup.model_dump(mode="json", include=set(WIRED), exclude_defaults=True)
    return hashlib.sha256(json.dumps(tables, sort_keys=True).encode()).hexdigest()[:HASH_DIGITS]
