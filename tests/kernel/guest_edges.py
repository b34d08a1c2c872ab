# SPDX-License-Identifier: MIT
"""In the guest: read one line through the rig's own edge source while the far side toggles it.

    guest_edges.py DEVICE OFFSET PULL_FILE COUNT RATE_HZ BURST TIMES [stalled]

Prints JSON, one entry a repetition: `written` [[level, before, after]] by guest_toggle.py, `edges`
[[level, t_ns, sequence]] as delivered, `level` polled at the end. "stalled": nothing is read until
the toggling is over.
"""

import json
import os
import select
import sys
from pathlib import Path

from guest_toggle import run as toggle

from rig.io.edges import KernelEdges

QUIET_S = 0.2  # no edge for so long after the last write: none will come


def once(device, offset, pull_file, count, rate, burst, stalled) -> dict:
    Path(pull_file).write_text("pull-down")
    log = Path("toggle.json").absolute()
    log.unlink(missing_ok=True)
    source = KernelEdges(device, {"switch": (offset, "external")})
    edges = []
    try:
        process = os.fork()  # a process of its own, without the time to start an interpreter
        if process == 0:
            try:
                toggle(pull_file, count, rate, burst, log)
            finally:  # never on into the parent's part
                os._exit(0)
        ended = stalled and os.waitpid(process, 0)[0]
        while True:
            ready, _, _ = select.select([source.fileno()], [], [], QUIET_S)
            if ready:
                edges += [(edge.level, edge.t_ns, edge.sequence) for edge in source.read()]
            elif ended or os.waitpid(process, os.WNOHANG)[0]:
                break
        level = source.level("switch")
    finally:
        source.close()
    return {"written": json.loads(log.read_text()), "edges": edges, "level": level}


if __name__ == "__main__":
    device, offset, pull_file, count, rate, burst, times, *rest = sys.argv[1:]
    plan = device, int(offset), pull_file, int(count), float(rate), int(burst), "stalled" in rest
    print(json.dumps([once(*plan) for _ in range(int(times))]))
