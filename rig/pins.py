# SPDX-License-Identifier: MIT
"""The versions of the libraries that were tested, with their hashes: `rig/constraints.txt`.

Only the standard library: set-up reads it before anything is installed.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

PINS = Path(__file__).resolve().parent / "constraints.txt"
HEADING = "\n# == {}\n"
PINNED_PYTHONS = ((3, 11), (3, 14))
"""From which to which Python the file has hashes."""


def covered(python: tuple[int, int]) -> bool:
    """Whether the file has hashes for this Python."""
    return PINNED_PYTHONS[0] <= python <= PINNED_PYTHONS[1]


def sections(text: str) -> dict[str, str]:
    """The requirements of each section, by its name: base, build, and the extras."""
    found: dict[str, str] = {}
    for part in text.split(HEADING.partition("{")[0])[1:]:
        name, _, lines = part.partition("\n")
        found[name] = lines
    return found


def requirements(extras: Iterable[str], path: Path = PINS) -> tuple[str, str]:
    """What compiling takes, and what is installed: two requirement files, as text."""
    held = sections(path.read_text())
    wanted = [held["base"], *(held[extra] for extra in extras)]
    entries = {entry for part in wanted for entry in part.replace("\\\n", "").splitlines()}
    return held["build"], "\n".join(sorted(entry for entry in entries if entry.strip())) + "\n"


def versions(extras: Iterable[str]) -> dict[str, set[str]]:
    """The versions of each library; two where it depends on the Python which one is meant."""
    found: dict[str, set[str]] = {}
    for line in requirements(extras)[1].splitlines():
        name, _, version = line.split()[0].partition("==")
        found.setdefault(name, set()).add(version)
    return found
