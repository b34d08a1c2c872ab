# SPDX-License-Identifier: MIT
"""What the simulated plant costs: CPU per stroke, as a share of the virtual time it stands for.

Run it with `python tests/performance/plant_cost.py`; it prints a table and asserts nothing. The
sheet of the speed target (0.5 s on, 0.5 s rest, gauge at 10 Hz) is driven event by event, as in
virtual time, for healthy and faulty rigs.
"""

from __future__ import annotations

import time

from rig.config.setup.model import Setup
from rig.simulated.plant import Plant

NS = 1_000_000_000
HALF_NS = NS // 2
STROKES = 200
ROUNDS = 3

SETUP = {
    "backend": "simulated",
    "coil": {
        "feed_side": "supply",
        "supply_voltage": "12.6 V",
        "fuse": "5 A",
        "resistance": "20 ohm",
    },
    "relay": {"line": 17},
    "switch": {"line": 22, "contact": "normally open"},
    "readback": {"line": 23},
    "gauge": {
        "port": "simulated",
        "pattern": "{pressure} {unit}",
        "period": "100 ms",
        "measuring_range": ["0 kPa", "1000 kPa"],
        "expected_range": ["0 kPa", "400 kPa"],
    },
    "limits": {"pressure": "900 kPa"},
}

CASES = {
    "oil": {"medium": "oil"},
    "air": {"medium": "air"},
    "cold oil": {"medium": "oil", "simulated": {"fault": "cold oil"}},
    "aerated oil": {"medium": "oil", "simulated": {"fault": "aerated oil"}},
    "switch chattering": {"medium": "oil", "simulated": {"fault": "switch chattering"}},
}


def cpu_s_per_stroke(setup: Setup) -> float:
    """CPU seconds of one stroke (one virtual second), setting-up left out."""
    assert setup.simulated is not None
    plant = Plant(setup.simulated, setup, 1)
    t_ns = 2 * NS
    plant.advance(t_ns)
    begin_s = time.process_time()
    for _ in range(STROKES):
        for on in (True, False):
            plant.set_relay(on, t_ns)
            t_ns += HALF_NS
            while plant.run_until(t_ns) < t_ns:
                plant.take_edges()
                plant.take_bytes()
    return (time.process_time() - begin_s) / STROKES


def main() -> None:
    """Print the table."""
    print(f"{'plant':<20}{'virtual time / CPU time':>26}{'against oil':>14}")
    oil_s = 0.0
    for name, more in CASES.items():
        setup = Setup.model_validate(SETUP | more)
        best_s = min(cpu_s_per_stroke(setup) for _ in range(ROUNDS))
        oil_s = oil_s or best_s
        print(f"{name:<20}{1.0 / best_s:>24.0f} x{best_s / oil_s:>12.2f} x")


if __name__ == "__main__":
    main()
