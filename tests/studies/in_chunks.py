# SPDX-License-Identifier: MIT
"""A study's rows in chunks: side by side on all processors, each chunk kept in a file as soon as it
is done, so that a study can be stopped, resumed and added to."""

from __future__ import annotations

import json
import os
import zlib
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from pathlib import Path

Counts = Mapping[str, tuple[int, int]]
"""Of one chunk: name of what should hold -> (held, of)."""
Chunk = Callable[[int, int], Counts]
"""(runs, seed) -> counts."""


def kept(path: Path) -> tuple[dict[str, list[int]], dict[str, int]]:
    """What a results file holds: (held, of) of each name, and how many runs each row has."""
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    runs: dict[str, int] = defaultdict(int)
    for line in path.read_text().splitlines() if path.exists() else ():
        one = json.loads(line)
        runs[one["row"]] += one["runs"]
        for name, (held, of) in one["counts"].items():
            counts[name][0] += held
            counts[name][1] += of
    return counts, runs


def _seeds(path: Path, row: str) -> set[int]:
    lines = path.read_text().splitlines() if path.exists() else []
    return {one["seed"] for one in map(json.loads, lines) if one["row"] == row}


def _missing(rows: Iterable[str], path: Path, runs: int, size: int) -> Iterator[tuple[str, int]]:
    """Chunks still to be done, one of each row after the other, so that rows fill up evenly."""
    done = {row: _seeds(path, row) for row in rows}
    for seed in range(-(-runs // size)):
        yield from ((row, seed) for row, seeds in done.items() if seed not in seeds)


def _one(work: Chunk, row: str, size: int, seed: int) -> Counts:
    return work(size, (zlib.crc32(row.encode()) << 16) + seed)  # rows share no random numbers


def fill(rows: Mapping[str, Chunk], path: Path, runs: int, size: int, processes: int = 0) -> None:
    """Do what `path` lacks of `runs` runs a row, in chunks of `size`, on so many `processes` (0:
    one a processor), and append each chunk to it. The seed of a chunk follows from its row and
    number, so a resumed study is the same one."""
    with ProcessPoolExecutor(processes or os.cpu_count() or 1) as pool, path.open("a") as file:
        waiting: dict[Future[Counts], tuple[str, int]] = {
            pool.submit(_one, rows[row], row, size, seed): (row, seed)
            for row, seed in _missing(rows, path, runs, size)
        }
        for done in as_completed(waiting):
            row, seed = waiting[done]
            counts = {name: list(count) for name, count in done.result().items()}
            file.write(
                json.dumps({"row": row, "seed": seed, "runs": size, "counts": counts}) + "\n"
            )
            file.flush()
