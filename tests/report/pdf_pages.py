# SPDX-License-Identifier: MIT
"""How many sheets a PDF has and how large they are, read from the file itself."""

from __future__ import annotations

import re
import zlib


def objects(made: bytes) -> bytes:
    """All of a PDF's objects in plain: the file, and what its compressed streams hold."""
    found = [made]
    for stream in re.finditer(rb"stream\r?\n(.*?)\r?\nendstream", made, re.DOTALL):
        try:
            found.append(zlib.decompress(stream.group(1)))
        except zlib.error:
            continue
    return b"\n".join(found)


def sheets(made: bytes) -> list[tuple[float, float]]:
    """Width and height of every page, points (ISO 32000-1, 7.7.3.3: page objects, MediaBox)."""
    found = []
    for page in re.finditer(rb"/Type\s*/Page\b(?!s)", plain := objects(made)):
        around = plain[max(0, page.start() - 300) : page.end() + 600]
        box = re.search(rb"/MediaBox\s*\[\s*([\d. ]+)\]", around)
        assert box is not None
        numbers = [float(n) for n in box.group(1).split()]
        found.append((numbers[2] - numbers[0], numbers[3] - numbers[1]))
    return found
