# SPDX-License-Identifier: MIT
"""Findings on the coil and its feed: current, plunger, voltage, read-back, relay."""

from __future__ import annotations

import numpy as np

from rig.analysis.coil import coil_state
from rig.analysis.coil.coil_state import CoilState
from rig.analysis.coil.current_rise import MOVED, NOT_SEEN
from rig.analysis.measure.conditions import supply_v
from rig.analysis.measure.stroke_windows import NEVER, Windows, stroke_windows
from rig.core.recording import Int64
from rig.diagnosis.findings.model import Finding, RunSeen, graded, hidden, seen

NOT_WIRED = "is not wired"
LEAST_STROKES = 5
CURRENT_STATES = {
    coil_state.SOUND: "right",
    coil_state.NO_CURRENT: "none",
    coil_state.HIGH_OHM: "low",
    coil_state.LOW_CURRENT: "low",
    coil_state.LOW_OHM: "high",
    coil_state.HIGH_CURRENT: "high",
}
SUPPLY_LOW = 0.85
"""Share of the setup's voltage, under load (common practice, no source)."""
SUPPLY_OF_GOOD = (0.80, 0.94)
RESISTANCE = (0.93, 1.07, 1.25)
"""Share of a known-good run's supply, and of its coil with wires (common practice, no source)."""
OHM_U = 0.02
CURRENT_OF_GOOD = (coil_state.NO_CURRENT_SHARE, 0.91, 1.10)
OF_GOOD_STATES = ("none", "low", "right", "high")
"""Ratio to a known-good run's steady current (common practice, no source)."""
RELAY_OF_GOOD = (1.25, 2.0)
"""Ratio to a known-good run's delay: above the first slightly long, above the second long."""
RELAY_SCATTER_MS = 0.35
"""Standard deviation of the delay from which it is wide (common practice, no source)."""


def coil_findings(run: RunSeen, good: RunSeen | None) -> list[Finding]:
    """Current, plunger, supply, read-back and the relay's delay of a run."""
    windows = stroke_windows(run.recording)
    return [
        *_current(run, good), _resistance(run, good), _supply(run, good), _readback(run, windows),
        *_relay(run, windows, good),
    ]  # fmt: skip


def _resistance(run: RunSeen, good: RunSeen | None) -> Finding:
    """Coil and wires by voltage over current, against the same rig with a known-good valve."""
    mine, usual = (_ohm(one) for one in (run, good))
    if mine is None or usual is None or good is None:
        why = f"current and supply of this run and of a known-good one: a sensor {NOT_WIRED}"
        return hidden("circuit_ohms", why)
    words = f"{mine:.3g} ohm by voltage over current, {usual:.3g} in {good.name}"
    states = ("low", "right", "bit_high", "high")
    return graded("circuit_ohms", mine / usual, OHM_U, RESISTANCE, states, words)


def _ohm(run: RunSeen | None) -> float | None:
    signature = run.result.signature if run is not None else None
    return None if signature is None else signature.coil.resistance_ohm


def _amperes(coil: CoilState, good: RunSeen | None) -> Finding:
    """The steady current against a known-good run's; without one as the setup has it, where a low
    supply that was measured or stated leaves it right."""
    usual = good.result.signature.coil.steady_a if good and good.result.signature else None
    if usual and good is not None and coil.steady_a is not None:
        words = f"the coil drew {coil.steady_a:.3g} A steadily, {usual:.3g} A in {good.name}"
        ratio = max(coil.steady_a / usual, 1e-3)
        return graded("current", ratio, OHM_U, CURRENT_OF_GOOD, OF_GOOD_STATES, words)
    state = CURRENT_STATES.get(coil.state)
    if state is None:
        return hidden("current", "the coil's current could not be judged")
    return seen("current", state, coil.found, 0.95)


def _current(run: RunSeen, good: RunSeen | None) -> list[Finding]:
    signature = run.result.signature
    if signature is None:
        why = f"a sensor for the coil's current {NOT_WIRED}"
        return [hidden("current", why), hidden("plunger", why)]
    current = _amperes(signature.coil, good)
    if signature.coil.state == coil_state.NO_CURRENT:
        return [current, hidden("plunger", "no current flowed, so its dip cannot show")]
    moved, still = signature.count(MOVED), signature.count(NOT_SEEN)
    if moved + still < 1:
        return [current, hidden("plunger", "the current did not show whether the plunger moved")]
    words = f"the current shows the plunger move in {moved} of {moved + still} strokes"
    share = moved / (moved + still)
    state = "moves" if share > 0.9 else "still" if share < 0.1 else "sometimes"
    return [current, seen("plunger", state, words, 0.95 if state != "sometimes" else 0.8)]


def _supply(run: RunSeen, good: RunSeen | None) -> Finding:
    found = supply_v(run.recording, run.conditions)
    if found is None or run.setup is None:
        return hidden("supply", f"the coil's supply was neither measured ({NOT_WIRED}) nor stated")
    volt, how = found
    usual = supply_v(good.recording, good.conditions) if good is not None else None
    if good is not None and usual is not None and how == usual[1] == "measured":
        words = f"supply measured as {volt:.1f} V, {usual[0]:.1f} V in {good.name}"
        states = ("low", "bit_low", "right")
        return graded("supply", volt / usual[0], 0.01, SUPPLY_OF_GOOD, states, words)
    rated = run.setup.coil.supply_voltage_v
    words = f"supply {how} as {volt:.1f} V, {rated:g} V in the setup"
    u = 0.02 if how == "measured" else 0.05
    return graded("supply", volt / rated, u, (SUPPLY_LOW,), ("low", "right"), words)


def _readback(run: RunSeen, windows: Windows) -> Finding:
    if not windows.has_readback:
        return hidden("readback", f"a read-back {NOT_WIRED}")
    if not len(windows):
        return hidden("readback", "the coil was not commanded in strokes")
    live = windows.live_ns < NEVER
    released = windows.off_ns < NEVER
    stays = released & (windows.dead_ns >= NEVER) & (live | windows.live_before)
    trip = run.result.trip
    if windows.live_before.all() and not live.any() and (windows.dead_ns < NEVER).any():
        return seen("readback", "inverted", "the read-back goes dead when the coil is commanded on")
    if windows.live_before.all() or (stays[-1] and trip is not None):
        return seen("readback", "stays_live", "the coil's load side stays live after the release")
    if not (live | windows.live_before).any():
        return seen("readback", "never_live", "the coil's load side never went live")
    n = int(live.sum())
    if n < 0.9 * len(windows):
        words = f"the coil's load side went live in {n} of {len(windows)} strokes"
        return seen("readback", "never_live", words, 0.6)
    return seen("readback", "follows", "the coil's load side goes live and dead as commanded")


def _relay(run: RunSeen, windows: Windows, good: RunSeen | None) -> list[Finding]:
    """Delay from command to coil live, and its scatter from stroke to stroke."""
    if not windows.has_readback or run.setup is None:
        return [hidden(n, f"a read-back {NOT_WIRED}") for n in ("relay_delay", "relay_scatter")]
    mine = _delays_ns(windows)
    if not len(mine):
        why = "the coil's load side never went live"
        return [hidden("relay_delay", why), hidden("relay_scatter", why)]
    scatter = hidden("relay_scatter", "too few strokes")
    if len(mine) > LEAST_STROKES:
        sd_ms = max(float(mine.std(ddof=1)) / 1e6, 1e-3)
        told = f"the relay's delay scatters by {sd_ms:.2g} ms (standard deviation)"
        u = 1.0 / np.sqrt(2.0 * len(mine))
        scatter = graded(
            "relay_scatter", sd_ms / RELAY_SCATTER_MS, u, (1.0,), ("right", "wide"), told
        )
    on_ms, states = _median_ms(mine), ("right", "bit_long", "long")
    usual = _delays_ns(stroke_windows(good.recording)) if good is not None else mine[:0]
    if good is not None and len(usual):
        words = f"{on_ms:.3g} ms from command to coil live, {_median_ms(usual):.3g} in {good.name}"
        ratio = on_ms / _median_ms(usual)
        return [graded("relay_delay", ratio, 0.04, RELAY_OF_GOOD, states, words), scatter]
    expected_ms = 1e3 * run.setup.relay.operate_delay_s
    words = f"{on_ms:.3g} ms from command to coil live, at most {expected_ms:g} ms by the setup"
    ratio = max(on_ms / max(expected_ms, 1e-3), 1e-3)
    return [graded("relay_delay", ratio, 0.05, (1.0,), ("right", "long"), words), scatter]


def _delays_ns(windows: Windows) -> Int64:
    live = windows.live_ns < NEVER
    return np.asarray(windows.live_ns[live] - windows.on_ns[live])


def _median_ms(delays_ns: Int64) -> float:
    return max(float(np.median(delays_ns)) / 1e6, 1e-6)
