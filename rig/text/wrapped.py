# SPDX-License-Identifier: MIT
"""Lines of a given width that keep a number with its unit."""

from __future__ import annotations

import re
import textwrap

from rig.core.reader_units import units
from rig.text.words import one_line

KEPT = "\N{NO-BREAK SPACE}"
_BEFORE_UNIT = re.compile(
    r"(?<=\d) (?=(?:%|ms|s|min|h|(?:kPa|bar|psi)(?:/s)?|V|A|Hz|deg[CF]|ohm|rpm|of|in)(?![\w]))"
)
_AFTER_SIGN = re.compile(r"(?<=±) | (?=±)")


def wrapped(text: str, width: int, indent: str = "", hang: str = "  ") -> list[str]:
    """`text`, in the reader's units, in lines of at most `width` columns, later ones indented by
    `hang` more. A number stays with its unit and a mean with its uncertainty; a longer word is not
    broken."""
    kept = _AFTER_SIGN.sub(KEPT, _BEFORE_UNIT.sub(KEPT, units().words(one_line(text))))
    lines = textwrap.wrap(
        kept, width, initial_indent=indent, subsequent_indent=indent + hang,
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip
    return [line.replace(KEPT, " ") for line in lines] or [""]
