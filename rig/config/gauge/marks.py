# SPDX-License-Identifier: MIT
"""Control characters by name, and how they frame what a gauge sends.

Names and codes: ISO/IEC 646 and the C0 set of ECMA-48, 5th edition, 8.3 (rows 00 and 01 of the
code table). Where ECMA-48 renamed one (IS4 to IS1), the name that manuals print is kept (FS, GS,
RS, US).
"""

from __future__ import annotations

import re
from typing import NamedTuple

_ROWS = (
    "NUL SOH STX ETX EOT ENQ ACK BEL BS HT LF VT FF CR SO SI",
    "DLE DC1 DC2 DC3 DC4 NAK SYN ETB CAN EM SUB ESC FS GS RS US",
)
_NAMES = [name for row in _ROWS for name in row.split()]
CONTROL: dict[str, int] = {name: code for code, name in enumerate(_NAMES)}
"""Code of each control character by its name."""
LINE_ENDS = ("CR", "LF")
BEGINNING, ENDING = ("SOH", "STX"), ("ETX", "EOT", "ETB")
"""These begin and end a transmission, its heading or its text (ISO/IEC 646)."""


class Marks(NamedTuple):
    """The start and end of a frame, and how many check characters follow its end.

    Without `start` a frame begins where the previous one ended; without `end` a line end ends it.
    """

    start: bytes = b""
    end: bytes = b""
    after: int = 0

    def inner(self, frame: bytes) -> bytes:
        """A whole frame without its marks and without the check characters after them."""
        return frame[len(self.start) : len(frame) - len(self.end) - self.after]


LINES = Marks()
"""Plain lines."""


def named(data: bytes) -> str:
    """Bytes for a person, control characters named as in a pattern: {STX}24.1 psi{ETX}."""
    return "".join(
        f"{{{_NAMES[byte]}}}" if byte < len(_NAMES)
        else chr(byte) if byte < 127 else f"\\x{byte:02x}"
        for byte in data
    )  # fmt: skip


def in_pattern(text: str) -> str:
    """Text as a pattern writes it: braces doubled, control characters by name."""
    return re.sub(
        r"[{}]|[\x00-\x1f]",
        lambda found: found[0] * 2 if found[0] in "{}" else f"{{{_NAMES[ord(found[0])]}}}",
        text,
    )
