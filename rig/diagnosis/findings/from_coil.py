# SPDX-License-Identifier: MIT
"""What is seen of the coil and of what feeds it: current, plunger, voltage, read-back, relay."""

from __future__ import annotations

import numpy as np

from rig.analysis.coil import coil_state
from rig.analysis.coil.current_rise import MOVED, NOT_SEEN
from rig.analysis.measure.conditions import supply_v
from rig.analysis.measure.stroke_windows import NEVER, Windows, stroke_windows
from rig.core.recording import Int64
from rig.diagnosis.findings.model import Finding, RunSeen, graded, hidden, seen

NOT_WIRED = "is not wired"
CURRENT_STATES = {
    coil_state.SOUND: "right",
    coil_state.NO_CURRENT: "none",
    coil_state.HIGH_OHM: "low",
    coil_state.LOW_CURRENT: "low",
    coil_state.LOW_OHM: "high",
    coil_state.HIGH_CURRENT: "high",
}
SUPPLY_LOW = 0.85
"""Of the setup's voltage, under load (common practice, no source)."""
RELAY_LONG = 1.0
"""Of the longest delay that the setup expects."""


def coil_findings(run: RunSeen) -> list[Finding]:
    """Current, plunger, supply, read-back and relay delay of a run."""
    windows = stroke_windows(run.recording)
    return [*_current(run), _supply(run), _readback(run, windows), _relay(run, windows)]


def _current(run: RunSeen) -> list[Finding]:
    signature = run.result.signature
    if signature is None:
        why = f"a sensor for the coil's current {NOT_WIRED}"
        return [hidden("current", why), hidden("plunger", why)]
    state = CURRENT_STATES.get(signature.coil.state)
    current = (
        hidden("current", "the coil's current could not be judged")
        if state is None
        else seen("current", state, signature.coil.found, 0.95)
    )
    if signature.coil.state == coil_state.NO_CURRENT:
        return [current, hidden("plunger", "no current flowed, so its dip cannot show")]
    moved, still = signature.count(MOVED), signature.count(NOT_SEEN)
    if moved + still < 1:
        return [current, hidden("plunger", "the current did not show whether the plunger moved")]
    words = f"the current shows the plunger move in {moved} of {moved + still} strokes"
    share = moved / (moved + still)
    state = "moves" if share > 0.9 else "still" if share < 0.1 else "sometimes"
    return [current, seen("plunger", state, words, 0.95 if state != "sometimes" else 0.8)]


def _supply(run: RunSeen) -> Finding:
    found = supply_v(run.recording, run.conditions)
    if found is None or run.setup is None:
        return hidden("supply", f"the coil's supply was neither measured ({NOT_WIRED}) nor stated")
    volt, how = found
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


def _relay(run: RunSeen, windows: Windows) -> Finding:
    if not windows.has_readback or run.setup is None:
        return hidden("relay_delay", f"a read-back {NOT_WIRED}")
    live = windows.live_ns < NEVER
    if not live.any():
        return hidden("relay_delay", "the coil's load side never went live")
    on_ms = _median_ms(windows.live_ns[live] - windows.on_ns[live])
    expected_ms = 1e3 * run.setup.relay.operate_delay_s
    words = f"{on_ms:.3g} ms from command to coil live, at most {expected_ms:g} ms by the setup"
    ratio = on_ms / max(expected_ms, 1e-3) / RELAY_LONG
    return graded("relay_delay", max(ratio, 1e-3), 0.05, (1.0,), ("right", "long"), words)


def _median_ms(delays_ns: Int64) -> float:
    return max(float(np.median(delays_ns)) / 1e6, 1e-6)
