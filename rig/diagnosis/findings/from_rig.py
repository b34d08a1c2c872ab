# SPDX-License-Identifier: MIT
"""Other findings of a run: oil temperature, leak-down, and over-pressure."""

from __future__ import annotations

from rig.analysis.measure.conditions import oil_degc
from rig.diagnosis.findings.model import Finding, RunSeen, graded, hidden, seen

COLD_DEGC, HOT_DEGC = 50.0, 125.0
"""Below the first oil is not warm, above the second too hot (common practice, no source)."""
COOLER_K = 14.0
"""Oil this much below a known-good run is cool (common practice, no source)."""
LEAKS = 1.5
"""Ratio to a known-good valve's decay rate."""


def rig_findings(run: RunSeen, good: RunSeen | None) -> list[Finding]:
    """Oil temperature, leak-down, over-pressure."""
    return [_oil(run, good), _leak_down(run, good), _over_pressure(run)]


def _oil(run: RunSeen, good: RunSeen | None) -> Finding:
    found = oil_degc(run.recording, run.conditions)
    if run.setup is not None and run.setup.medium != "oil":
        return hidden("oil_temperature", "the medium is air")
    if found is None:
        return hidden("oil_temperature", "the oil's temperature was neither measured nor stated")
    degc, how = found
    words = f"oil {how} as {degc:.0f} degC"
    if degc < COLD_DEGC:
        return seen("oil_temperature", "cold", f"{words}, which is not warm")
    if degc > HOT_DEGC:
        return seen("oil_temperature", "hot", f"{words}, which is too hot", 0.95)
    usual = oil_degc(good.recording, good.conditions) if good is not None else None
    if good is not None and usual is not None and degc < usual[0] - COOLER_K:
        words += f", {usual[0]:.0f} degC in {good.name}"
        return seen("oil_temperature", "cool", words, 0.95)
    return seen("oil_temperature", "warm", words)


def _leak_down(run: RunSeen, good: RunSeen | None) -> Finding:
    held = run.result.hold
    if held is None or held.decay_rate_kpa_s is None:
        return hidden("leak_down", "no hold was run with the drain shut")
    rate = held.decay_rate_kpa_s
    words = f"pressure falls by {rate:.3g} kPa/s in the hold"
    other = good.result.hold if good is not None else None
    if other is not None and other.decay_rate_kpa_s and good is not None:
        words += f", by {other.decay_rate_kpa_s:.3g} in {good.name}"
        ratio = max(rate, 1e-3) / other.decay_rate_kpa_s / LEAKS
        return graded("leak_down", ratio, 0.2, (1.0,), ("tight", "fast"), words)
    limits = (
        [a.max_value for a in run.sheet.accept if a.figure == "decay_rate"] if run.sheet else []
    )
    known = [limit for limit in limits if limit]
    if not known:
        return hidden("leak_down", f"{words}, and nothing to hold it against")
    words += f", at most {min(known):.3g} is accepted"
    return graded("leak_down", max(rate, 1e-3) / min(known), 0.15, (1.0,), ("tight", "fast"), words)


def _over_pressure(run: RunSeen) -> Finding:
    watched = run.setup is not None and run.setup.pressure_source is not None
    if not watched:
        return hidden("over_pressure", "a pressure gauge is not wired")
    trip = run.result.trip
    if trip is not None and trip.rule in ("over-pressure", "pressure rising"):
        return seen("over_pressure", "yes", f"tripped: {trip.message}")
    return seen("over_pressure", "no", "pressure stayed below its limit")
