# SPDX-License-Identifier: MIT
"""From the end of a run to the next."""

from __future__ import annotations

import pytest

from webui.live.next_run import kept, next_tag
from webui.live.routes import TEXTS


@pytest.mark.parametrize(("tag", "following"), [
    ("V-099", "V-100"), ("7", "8"), ("2024-A-9", "2024-A-10"), ("0", "1"), ("V-1x", ""), ("", ""),
    (None, ""),
])  # fmt: skip
def test_a_tag_counts_on(tag: str | None, following: str) -> None:
    assert next_tag(tag) == following


def test_what_was_typed_is_kept_but_the_tag_and_the_note() -> None:
    options = {"valve": "V-1", "job": "J", "by": None, "note": "odd sound", "seed": 3,
               "oil_temperature": "90 degC"}  # fmt: skip
    assert kept(options, TEXTS) == {"job": "J", "oil_temperature": "90 degC"}
