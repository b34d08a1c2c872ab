# SPDX-License-Identifier: MIT
"""What the comments of a capture say: where it was exported from, how finely it tells time."""

from __future__ import annotations

from rig.captures.columns import SAYS
from rig.captures.problems import Problems

RESOLUTION = "resolution:"


class Comments:
    """Hears the comments of one file. `kinds` become conditions of its runs; `resolution_ns` is
    None where nothing is said. What a person typed goes before what the file says."""

    def __init__(self, problems: Problems, resolution_ns: int | None = None) -> None:
        self.kinds: set[str] = set()
        self.resolution_ns = resolution_ns
        self._typed = resolution_ns is not None
        self._problems = problems

    def hear(self, text: str, at: str) -> None:
        """One comment, without its mark; `at` is where it stands."""
        said = text.strip()
        self.kinds.update(kind for word, kind in SAYS.items() if said.startswith(word))
        if said.casefold().startswith(RESOLUTION):
            self._resolution(said[len(RESOLUTION) :].strip(), at)

    def _resolution(self, text: str, at: str) -> None:
        from rig.core.quantities import QuantityError, parse

        try:
            ns = round(parse(text, "time") * 1e9)
        except QuantityError as error:
            self._problems.add(at, text, f"resolution: {error.what}", error.remedy)
            return
        if not ns > 0:
            self._problems.add(
                at, text, "a resolution that is not above zero", "write it like 1 ms"
            )
        elif not self._typed:
            self.resolution_ns = max(self.resolution_ns or 0, ns)
