# SPDX-License-Identifier: MIT
"""A setup for captures, and ways to read a text and to see how it is refused."""

from __future__ import annotations

from pathlib import Path

import pytest
from setups import board

from rig.captures import CapturedRun, read_capture
from rig.core.errors import FileProblems

RIG = board()


def read_text(folder: Path, text: str | bytes, name: str = "capture.csv") -> list[CapturedRun]:
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_capture(path, RIG)


def refused(folder: Path, text: str | bytes, name: str = "capture.csv") -> list[str]:
    with pytest.raises(FileProblems) as caught:
        read_text(folder, text, name)
    for problem in caught.value.problems:
        assert problem.file.endswith(name)
        assert problem.remedy
    return [f"{p.key}|{p.value}|{p.what}|{p.remedy}" for p in caught.value.problems]
