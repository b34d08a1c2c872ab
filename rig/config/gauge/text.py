# SPDX-License-Identifier: MIT
"""Bytes as a person writes them in a setup: plain text, and \\r \\n \\t \\xHH for the rest."""

from __future__ import annotations

import re

_SINGLE = {"r": "\r", "n": "\n", "t": "\t", "\\": "\\", "e": "\x1b", "0": "\0"}


class TextError(ValueError):
    """Text that does not represent bytes: `what` is wrong, and the `remedy`."""

    def __init__(self, what: str, remedy: str) -> None:
        self.what, self.remedy = what, remedy
        super().__init__(what, remedy)


def from_escapes(text: str) -> bytes:
    """The bytes that `text` represents. In TOML a backslash is written twice between double quotes,
    once between single ones. Raises TextError."""
    out: list[str] = []
    for found in re.finditer(r"\\x([0-9A-Fa-f]{2})|\\(.?)|([^\\]+)", text, re.DOTALL):
        code, letter, plain = found.groups()
        if code is not None:
            out.append(chr(int(code, 16)))
        elif plain is not None:
            out.append(plain)
        elif letter in _SINGLE:
            out.append(_SINGLE[letter])
        else:
            raise TextError(
                f'"\\{letter}" stands for nothing', r"write \r, \n, \t, \\ or \xHH with two digits"
            )
    try:
        return "".join(out).encode("latin-1")
    except UnicodeEncodeError as error:
        raise TextError(
            f"{text[error.start : error.end]!r} is not one byte", r"write its bytes as \xHH"
        ) from error
