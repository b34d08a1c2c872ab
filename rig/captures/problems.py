# SPDX-License-Identifier: MIT
"""Collect the problems of a capture, and check the file before reading it."""

from __future__ import annotations

import os
from pathlib import Path

from rig.config.files.toml_file import plain
from rig.core.errors import FileProblems, Problem

MAX_BYTES = 256 << 20
UTF16 = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}
"""A file with this prefix has two bytes per character (byte order mark, Unicode Standard 2.13)."""
MAX_SHOWN = 20
"""Problems listed one by one; the rest are counted."""
CELL_SHOWN = 40


class Problems:
    """Collect problems; keep the first ones and count the others."""

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.file, self.count = os.fspath(path), 0
        self.found: list[Problem] = []

    def add(self, key: str, value: str, what: str, remedy: str) -> None:
        """Add a problem; `value` is shortened and made safe for a terminal."""
        self.count += 1
        if len(self.found) < MAX_SHOWN:
            self.found.append(Problem(self.file, key, shown(value), what, remedy))

    def raise_any(self) -> None:
        """Raise FileProblems if there are any."""
        if not self.count:
            return
        more = self.count - len(self.found)
        if more:
            self.found.append(
                Problem(self.file, "", "", f"{more} more problems like these", "mend these first")
            )
        raise FileProblems(self.found, "the capture was not taken")

    def stop(self, key: str, value: str, what: str, remedy: str) -> FileProblems:
        """All problems with this last one, to be raised."""
        self.add(key, value, what, remedy)
        try:
            self.raise_any()
        except FileProblems as error:
            return error
        raise AssertionError("a problem was added and none was kept")


def shown(text: str) -> str:
    """A text of the file, short and safe for a terminal."""
    return plain(text if len(text) <= CELL_SHOWN else text[:CELL_SHOWN] + "...")


def look_at(path: Path, problems: Problems) -> None:
    """Raise FileProblems for a file that is not text, or too large. May raise OSError."""
    if path.is_dir():
        problems.add("", "", "this is a directory", "give the path of a CSV or VCD file")
    elif path.is_file() and path.stat().st_size > MAX_BYTES:
        problems.add(
            "", "", f"larger than {MAX_BYTES >> 20} MiB",
            "cut it into parts, or write a row only where something changes",
        )  # fmt: skip
    else:
        with path.open("rb") as file:
            head = file.read(65_536)
        if b"\0" in head and not head.startswith(tuple(UTF16)):
            problems.add(
                "", "", "not a text file (it holds zero bytes)",
                "save it as CSV with commas, UTF-8; not as a workbook",
            )  # fmt: skip
    problems.raise_any()


def cannot_be_read(error: OSError, problems: Problems) -> FileProblems:
    """The problem of a file that the system could not read, to be raised."""
    words = "there is no such file" if isinstance(error, FileNotFoundError) else str(error)
    return problems.stop("", "", words, "give the path of a file that can be read")
