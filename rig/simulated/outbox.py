# SPDX-License-Identifier: MIT
"""Planned edges, and edges that have happened and wait to be collected."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Mapping

NEVER = 1 << 62


class Outbox:
    """Electrical levels of the input lines (0 or 1) over time. Times in ns.

    Changes of `sources` are planned. `seen` gives the line on which a source's change shows and
    that line's new level; without it each source is the line of its name.
    """

    def __init__(
        self,
        sources: Mapping[str, int],
        seen: Callable[[str, Mapping[str, int]], tuple[str, int]] | None = None,
    ) -> None:
        self._sources, self._seen = dict(sources), seen
        self.levels = dict(sources) if seen is None else dict(seen(s, sources) for s in sources)
        """Now, of the lines."""
        self._planned_level = dict(sources)
        self._planned: list[tuple[int, int, str, int]] = []
        self._count = 0
        self._happened: list[tuple[str, int, int]] = []
        self.next_ns = NEVER
        """The next planned edge."""

    @property
    def waiting(self) -> bool:
        """Whether uncollected edges have happened."""
        return bool(self._happened)

    def plan(self, line: str, changes: Iterable[tuple[int, int]]) -> None:
        """Plan levels of one source, (t_ns, level) in order; a level that is no change is no
        edge."""
        level_before = self._planned_level[line]
        for t_ns, level in changes:
            if level != level_before:
                self._count += 1
                heapq.heappush(self._planned, (t_ns, self._count, line, level))
                level_before = level
        self._planned_level[line] = level_before
        self._look()

    def forget(self, line: str, from_ns: int) -> None:
        """Cancel what was planned for a source from `from_ns` on."""
        kept = [edge for edge in self._planned if edge[2] != line or edge[0] < from_ns]
        if len(kept) == len(self._planned):
            return
        self._planned = kept
        heapq.heapify(kept)
        left = max((edge for edge in kept if edge[2] == line), default=None)
        self._planned_level[line] = self._sources[line] if left is None else left[3]
        self._look()

    def let_happen(self, now_ns: int) -> None:
        """Advance time to `now_ns`."""
        planned = self._planned
        while planned and planned[0][0] <= now_ns:
            t_ns, _, line, level = heapq.heappop(planned)
            self._sources[line] = level
            if self._seen is not None:
                line, level = self._seen(line, self._sources)
                if level == self.levels[line]:
                    continue
            self.levels[line] = level
            self._happened.append((line, level, t_ns))
        self._look()

    def _look(self) -> None:
        self.next_ns = self._planned[0][0] if self._planned else NEVER

    def take(self) -> list[tuple[str, int, int]]:
        """Edges that have happened, oldest first: (line, level, t_ns)."""
        taken, self._happened = self._happened, []
        return taken
