# SPDX-License-Identifier: MIT
"""Draws the picture of the help page "Coil current" from the simulated rig.

python3 tests/studies/current_picture.py        writes webui/static/help/coil-current.svg
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from rig.config.files.loading import load_setup
from rig.config.plant.fault_names import Fault
from rig.simulated.plant import Plant

ROOT = Path(__file__).parents[2]
PICTURE = ROOT / "webui/static/help/coil-current.svg"
WIDTH, HEIGHT, LEFT, BOTTOM, TOP = 640, 300, 52, 258, 18
SPAN_MS, MOST_A = 20.0, 0.5
ON_NS, STEP_NS = 10**9, 50_000


def curve(*, stuck: bool) -> tuple[np.ndarray, np.ndarray, dict[str, float]]:
    """Time in ms after the contact's first touch, current in A, and when the plunger did what."""
    wired = load_setup(ROOT / "demo/engine.setup.toml").setup
    parameters = wired.simulated
    assert parameters is not None
    relay = parameters.relay.model_copy(update={"bounces_max": 0})
    parameters = parameters.model_copy(
        update={"relay": relay, "fault": (Fault("stuck plunger"),) if stuck else ()}
    )
    plant = Plant(parameters, wired, 3)
    plant.set_relay(True, ON_NS)
    plant.advance(ON_NS + 60_000_000)
    closed = plant.truth.times_ns("contact closed")[0]
    t = np.arange(closed - 1_000_000, closed + round(SPAN_MS * 1e6), STEP_NS)
    current = np.array([plant.coil_current_a(int(at)) for at in t])
    happened = {}
    if not stuck:
        happened["leaves"] = plant._plunger.nodes[1].t_s * 1e3 - closed / 1e6
        happened["lands"] = (plant.truth.times_ns("plunger in")[0] - closed) / 1e6
    return (t - closed) / 1e6, current, happened


def svg() -> str:
    """The picture; the same each time."""
    t, moving, happened = curve(stuck=False)
    _, still, _ = curve(stuck=True)

    def x(ms: float) -> float:
        return round(LEFT + (ms + 1.0) / (SPAN_MS + 1.0) * (WIDTH - LEFT - 12), 1)

    def y(ampere: float) -> float:
        return round(BOTTOM - ampere / MOST_A * (BOTTOM - TOP), 1)

    def line(values: np.ndarray, more: str) -> str:
        points = " ".join(f"{x(a)},{y(b)}" for a, b in zip(t, values, strict=True))
        return f'<polyline fill="none" {more} points="{points}"/>'

    def text(at_x: float, at_y: float, words: str, anchor: str = "start") -> str:
        return f'<text x="{at_x}" y="{at_y}" text-anchor="{anchor}">{words}</text>'

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" '
        'font-family="sans-serif" font-size="13" fill="#333">',
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#fff"/>',
        f'<path d="M{LEFT} {TOP}V{BOTTOM}H{WIDTH - 8}" fill="none" stroke="#666"/>',
    ]
    for ampere in (0.0, 0.1, 0.2, 0.3, 0.4, 0.5):
        parts.append(text(LEFT - 6, y(ampere) + 4, f"{ampere:.1f}", "end"))
    for ms in range(0, 21, 5):
        parts.append(text(x(ms), BOTTOM + 18, str(ms), "middle"))
    parts.append(text(WIDTH - 12, HEIGHT - 6, "ms after the contact closed", "end"))
    parts.append(text(LEFT + 6, TOP + 2, "A"))
    parts.append(line(still, 'stroke="#b45309" stroke-width="1.6" stroke-dasharray="6 4"'))
    parts.append(line(moving, 'stroke="#1d4ed8" stroke-width="2.4"'))
    for number, (name, at) in enumerate(happened.items(), 1):
        parts.append(f'<path d="M{x(at)} {BOTTOM}V{y(0.4)}" stroke="#333" stroke-dasharray="2 3"/>')
        parts.append(text(x(at), y(0.41), str(number), "middle"))
        parts.append(text(x(8.4), y(0.23 - 0.05 * number), f"{number}: the plunger {name}"))
    parts.append(text(x(8.4), y(0.31), "plunger moves: the current dips (solid)"))
    parts.append(text(x(8.4), y(0.26), "plunger stuck: no dip (dashed)"))
    parts.append(text(WIDTH - 12, TOP, "SIMULATED: invented data", "end"))
    return "\n".join([*parts, "</svg>", ""])


if __name__ == "__main__":
    PICTURE.write_text(svg(), encoding="utf-8")
