# SPDX-License-Identifier: MIT
"""Ids of messages: what a program or a test compares, while the sentence beside it may be reworded.

An id is a kind and a name, like `trip.over-pressure`. It never changes; help page messages.md lists
all of them.
"""

from __future__ import annotations

import re
from typing import NamedTuple


class Message(NamedTuple):
    """A sentence, and the id by which programs and tests know it."""

    id: str
    words: str

    def __str__(self) -> str:
        return self.words


def slug(words: str) -> str:
    """The words in lower case, joined by hyphens: "pressure rising" gives "pressure-rising"."""
    return "-".join(re.findall(r"[a-z0-9]+", words.lower()))


def message_id(kind: str, name: str) -> str:
    """The id of a message that is kept by name: a rule in a record, a key of a table."""
    plain = name.replace("'", "")
    return f"{kind}.{slug(plain)}"


def trip_id(rule: str) -> str:
    """The id of the trip of a rule, by the rule's name in a record, which never changes."""
    return message_id("trip", rule)
