# SPDX-License-Identifier: MIT
"""In the guest: the edge sources' conformance suite on the kernel's own GPIO simulator.

    guest_conformance.py DEVICE LINES_FOLDER NAME=OFFSET ...

Prints JSON [[check, "" or what failed], ...].
"""

import json
import sys
import time
from contextlib import contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "io"))

import edge_conformance
from edge_conformance import Bench

from rig.io.edges import KernelEdges


def opener(device: str, folder: Path, offsets: dict[str, int]):
    pulls = {name: folder / f"sim_gpio{offset}/pull" for name, offset in offsets.items()}

    def drive(line: str, level: int) -> tuple[int, int]:
        before = time.monotonic_ns()
        pulls[line].write_text("pull-up" if level else "pull-down")
        return before, time.monotonic_ns()

    @contextmanager
    def opened():
        for line in offsets:
            drive(line, 0)
        source = KernelEdges(device, {name: (n, "external") for name, n in offsets.items()})
        try:
            yield Bench(source, drive)
        finally:
            source.close()

    return opened


if __name__ == "__main__":
    device, folder, *pairs = sys.argv[1:]
    offsets = {name: int(n) for name, _, n in (pair.partition("=") for pair in pairs)}
    print(json.dumps(list(edge_conformance.run_all(opener(device, Path(folder), offsets)))))
