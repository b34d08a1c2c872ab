# SPDX-License-Identifier: MIT
"""In the guest: cost of an edge through the rig's edge source and through a bare gpiod loop.

    guest_edge_cost.py DEVICE OFFSET PULL_FILE COUNT TIMES

COUNT edges are written while nobody reads, then drained; both ways in turn, TIMES over. Prints
JSON: `ours_ns` and `bare_ns` an edge (lists), and the greatest difference between the stamps that
the rig's source hands on and those of the kernel's events, ns.
"""

import json
import sys
import time

import gpiod

from rig.io.edges import EVENT_BUFFER, KernelEdges


def toggle(pull_file, count):
    with open(pull_file, "w", buffering=1) as pull:
        for n in range(count):
            pull.seek(0)
            pull.write("pull-up\n" if n % 2 == 0 else "pull-down\n")
            time.sleep(0.001)  # let the interrupt thread take each


def bare(device, offset, pull_file, count):
    settings = gpiod.LineSettings(
        edge_detection=gpiod.line.Edge.BOTH, event_clock=gpiod.line.Clock.MONOTONIC
    )
    with gpiod.request_lines(device, {offset: settings}, event_buffer_size=EVENT_BUFFER) as request:
        toggle(pull_file, count)
        got = []
        start = time.perf_counter_ns()
        while request.wait_edge_events(0):
            for event in request.read_edge_events():
                got.append((event.line_offset, event.event_type, event.timestamp_ns))
        return (time.perf_counter_ns() - start) / max(1, len(got)), len(got)


def ours(device, offset, pull_file, count):
    source = KernelEdges(device, {"switch": (offset, "external")})
    stamps = []
    request = source._request
    read = request.read_edge_events

    class Watched:
        """The request, with every event's own stamp noted once the timing is over."""

        def __getattr__(self, name):
            return getattr(request, name)

        def read_edge_events(self):
            events = read()
            stamps.extend(events)
            return events

    source._request = Watched()
    try:
        toggle(pull_file, count)
        start = time.perf_counter_ns()
        edges = []
        while some := source.read():  # bounded in one call
            edges += some
        took = (time.perf_counter_ns() - start) / max(1, len(edges))
        assert len(edges) == len(stamps)
        off = max(
            abs(edge.t_ns - event.timestamp_ns) for edge, event in zip(edges, stamps, strict=True)
        )
        return took, len(edges), off
    finally:
        source.close()


if __name__ == "__main__":
    device, offset, pull_file, count, times = sys.argv[1:]
    plan = device, int(offset), pull_file, int(count)
    found = {"ours_ns": [], "bare_ns": [], "edges": [], "stamp_off_ns": 0}
    for _ in range(int(times)):
        took, n, off = ours(*plan)
        found["ours_ns"].append(took)
        found["edges"].append(n)
        found["stamp_off_ns"] = max(found["stamp_off_ns"], off)
        took, n = bare(*plan)
        found["bare_ns"].append(took)
        found["edges"].append(n)
    print(json.dumps(found))
