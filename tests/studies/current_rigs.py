# SPDX-License-Identifier: MIT
"""Random rigs whose coil current is sampled: what the analysis makes of it against the truth.

Everything that shapes the current is drawn anew for each rig: coil, supply, wiring, clamp, how much
the inductance grows, plunger, spring, friction, oil, relay bounce; so are the sensor's noise and
the converter's step. One rig in four has a plunger that does not move.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from rig.analysis.coil.plunger_timing import StrokeCurrent, signature_of
from rig.analysis.measure.stroke_table import stroke_table
from rig.analysis.measure.stroke_windows import last_ns, stroke_windows
from rig.analysis.measure.switch_state import contact_told, switch_track
from rig.config.setup.model import Setup
from rig.core.recording import RecordingBuilder
from rig.core.records import READBACK, SWITCH, Block, Command, Edge, End, Level
from rig.simulated.plant import Plant

MS = 1_000_000
ON_NS, HOLD_NS, REST_NS = 1000 * MS, 400 * MS, 300 * MS
FULL_SCALE_A = 2.0


class Drawn(NamedTuple):
    """One rig: its setup, whether the plunger can move, the sensor's noise and step in ampere."""

    setup: Setup
    stuck: bool
    noise_a: float
    step_a: float
    oil_degc: float


class Truth(NamedTuple):
    """ns after the first touch of the contact; None where it did not happen. The way back from the
    first parting."""

    seated_ns: float | None
    leaves_ns: float | None
    back_ns: float | None


def draw(rng: np.random.Generator, *, readback: bool = True, **fixed: Any) -> Drawn:
    """A rig; `fixed` are keys of [simulated.electric] that are not drawn."""
    ohm, volt = rng.uniform(8.0, 35.0), rng.uniform(11.5, 14.4)
    most_a = volt / ohm / (1 + 0.00393 * 100)
    stuck = bool(rng.random() < 0.25)
    oil = rng.uniform(10.0, 120.0)
    electric = {
        "inductance": f"{ohm * rng.uniform(1.5e-3, 8e-3):.5f} H",
        "inductance_growth": f"{rng.uniform(12, 80):.1f} %",
        "clamp_voltage": f"{rng.choice([0.7, 1.4, 12.0, 24.7, 40.0])} V",
        "wiring_resistance": f"{rng.uniform(0.05, 0.4):.3f} ohm",
    } | fixed
    simulated = {
        "electric": electric,
        "relay": {"bounces_max": int(rng.integers(0, 4))},
        "plunger": {
            "pull_in_current": f"{most_a * rng.uniform(0.25, 0.8):.4f} A",
            "mass": f"{rng.uniform(3, 20):.2f} g",
            "travel": f"{rng.uniform(0.5, 2.0):.2f} mm",
            "gap_left": f"{rng.uniform(0.3, 1.0):.2f} mm",
            # a friction that nothing overcomes holds it on its stop
            "friction": "900 N" if stuck else f"{rng.uniform(0.05, 0.5):.3f} N",
        },
        "oil": {"temperature": f"{oil:.1f} degC"},
    }
    data: dict[str, Any] = {
        "backend": "simulated", "medium": "oil",
        "coil": {"feed_side": "supply", "supply_voltage": f"{volt:.2f} V", "fuse": "5 A",
                 "resistance": f"{ohm:.2f} ohm"},
        "relay": {"line": 17}, "switch": {"line": 22, "contact": "normally open"},
        "converter": {"type": "MCP3208", "reference": "5 V"},
        "analog": [{"channel": "coil_current", "input": 0, "kind": "hall", "fast": True,
                    "current_range": ["0 A", "2 A"], "sensitivity": "2 ohm"}],
        "simulated": simulated,
    }  # fmt: skip
    if readback:
        data["readback"] = {"line": 23}
    return Drawn(
        Setup.model_validate(data), stuck, rng.uniform(0.0005, 0.004),
        FULL_SCALE_A / rng.choice([1024, 4096]), oil,
    )  # fmt: skip


def one_stroke(
    rig: Drawn, rate_hz: float, rng: np.random.Generator
) -> tuple[StrokeCurrent, Truth, Any]:
    """One stroke of the rig, sampled so fast, through the analysis. The run's signature is the
    third."""
    plant = Plant(rig.setup.simulated, rig.setup, int(rng.integers(2**31)))  # type: ignore[arg-type]
    on, off = ON_NS, ON_NS + HOLD_NS
    builder = RecordingBuilder(
        "simulated", rig.setup.switch_closed_level, rig.setup.coil_live_level
    )
    for line in (SWITCH, READBACK) if rig.setup.readback is not None else (SWITCH,):
        builder.add(Level(line, plant.level(line), 0))
    period = 1e9 / rate_hz
    times = np.rint(np.arange(on - 20 * MS, off + REST_NS, period) + rng.uniform(0, period)).astype(
        np.int64
    )
    plant.set_relay(True, on)
    current = [0.0 if t < on else _at(plant, int(t)) for t in times[times < off]]
    plant.advance(off)
    nodes_in = [node.t_s for node in plant._plunger.nodes]
    plant.set_relay(False, off)
    current += [_at(plant, int(t)) for t in times[times >= off]]
    plant.advance(off + REST_NS)
    noisy = np.array(current) + rng.normal(0, rig.noise_a, len(times))
    codes = np.rint(np.clip(noisy, 0.0, FULL_SCALE_A) / rig.step_a).astype(int)
    builder.add(
        Block("coil_current", int(times[0]), np.diff(times).tolist(), codes.tolist(), rig.step_a,
              0.0, 10_000, [[0, "good"]])
    )  # fmt: skip
    builder.add(Command(True, on, on + 20_000, 1))
    builder.add(Command(False, off, off + 20_000, 1))
    edges = plant.take_edges()
    for n, (line, level, t_ns) in enumerate(edges):
        builder.add(Edge(line, level, t_ns, n + 1, t_ns))
    builder.add(End("finished", "confirmed off", off + REST_NS))
    recording = builder.build()
    windows = stroke_windows(recording)
    track = switch_track(recording, contact_told(rig.setup))
    table = stroke_table(recording, track, windows, [], None, 20 * MS, last_ns(recording))
    found = signature_of(recording, rig.setup, windows, table, None, rig.oil_degc)
    assert found is not None
    row = found.rows[0]
    assert row is not None
    return row, _truth(plant, nodes_in), found


def _at(plant: Plant, t_ns: int) -> float:
    plant.advance(t_ns)
    return plant.coil_current_a(t_ns)


def _truth(plant: Plant, nodes_in: list[float]) -> Truth:
    truth = plant.truth
    closed, opened = truth.times_ns("contact closed")[0], truth.times_ns("contact open")[0]
    seated = [t for t in truth.times_ns("plunger in") if t < opened]
    back = truth.times_ns("plunger out")
    leaves = nodes_in[1] * 1e9 if len(nodes_in) > 1 and seated else None
    return Truth(
        seated[-1] - closed if seated else None,
        leaves - closed if leaves is not None else None,
        back[-1] - opened if back else None,
    )


def error_ms(found_ms: float, true_ns: float | None) -> float:
    """Found less true; NaN where there is none of either."""
    return math.nan if true_ns is None else found_ms - true_ns / 1e6
