# SPDX-License-Identifier: MIT
"""Lines of fields separated by tabs, for programs."""

from __future__ import annotations

from rig.text.words import one_line


def tsv_line(*values: object, between: str = "; ") -> str:
    """One line; a field without a value is empty, the items of a list stand `between` apart."""
    return "\t".join(_field(value, between) for value in values)


def _field(value: object, between: str) -> str:
    match value:
        case None:
            return ""
        case bool():
            return "yes" if value else "no"
        case list():
            return between.join(_field(item, between) for item in value)
    return one_line(value)
