# SPDX-License-Identifier: MIT
"""Tries of the full study saved to a file as they are made, so that a study of hours can be stopped
and resumed. Only tries of the current program count: another rig/bench, another study."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from fault_study import Try

ROOT = Path(__file__).parents[2]
PROGRAM = ("rig/core", "rig/config", "rig/physics", "rig/io", "rig/bench", "rig/desk",
           "rig/recorder", "rig/compose.py")  # fmt: skip
"""What takes the coil off, and what it is built on."""


def program(root: Path = ROOT) -> str:
    """Hash of the program's source, committed or not."""
    found = hashlib.sha256()
    for place in PROGRAM:
        files = [root / place] if place.endswith(".py") else sorted((root / place).rglob("*.py"))
        for file in files:
            found.update(f"{file.relative_to(root)}\0".encode() + file.read_bytes())
    return found.hexdigest()[:16]


class KeptTries:
    """Tries in a file, one JSON object a line; without a path, in memory only. `loop`: what else is
    in the bench's loop, a study of its own."""

    def __init__(self, path: Path | None, loop: str, made_from: str, of: str) -> None:
        self._path, self._key = path, {"program": of, "loop": loop}
        self._made_from = made_from
        self.tries: list[Try] = []
        self.sources: Counter[str] = Counter()
        for line in path.read_text().splitlines() if path and path.exists() else ():
            held = json.loads(line)
            if all(held[key] == value for key, value in self._key.items()):
                self._take(Try(*held["try"]), held["made_from"])

    def _take(self, one: Try, made_from: str) -> None:
        self.tries.append(one)
        self.sources[made_from] += 1

    def add(self, tries: Iterable[Try]) -> None:
        for one in tries:
            self._take(one, self._made_from)
            if self._path:
                with self._path.open("a") as file:
                    held = {**self._key, "made_from": self._made_from, "try": one}
                    file.write(json.dumps(held) + "\n")

    def lacking(self, wanted: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
        """Those of `wanted` without a fit try yet, in order."""
        have = Counter(one.fault for one in self.tries if not one.unfit)
        left = []
        for one in wanted:
            if have[one["fault"]] > 0:
                have[one["fault"]] -= 1
            else:
                left.append(one)
        return left
