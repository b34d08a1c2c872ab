# SPDX-License-Identifier: MIT
"""How each channel was sampled, and how evenly the engine ran, as names and texts."""

from __future__ import annotations

from collections.abc import Iterator

from rig.core.reader_units import units
from rig.core.results.run import ChannelFigures, Result


def channel_facts(result: Result) -> Iterator[tuple[str, str]]:
    """A line for each channel other than a lone pressure gauge's, and one for the engine."""
    channels = result.get("channels") or {}
    for name, seen in channels.items():
        if name == "pressure" and not seen["fast"] and len(channels) == 1:
            return
        yield name.replace("_", " "), ", ".join(_words(seen))
    engine = result.get("engine")
    if engine:
        yield (
            "engine",
            f"{engine['mean_rpm']:.0f} rpm on average, {engine['slowest_rpm']:.0f} to "
            f"{engine['fastest_rpm']:.0f} rpm; a revolution's time scatters by "
            f"{100 * engine['jitter']:.2f} % over {engine['revolutions']} of them",
        )


def _words(seen: ChannelFigures) -> Iterator[str]:
    unit = units().unit(seen["unit"])
    known = [one for one in (seen["mean"], seen["lowest"], seen["highest"]) if one is not None]
    if len(known) == 3:
        mean, low, high = (units().value(one, seen["unit"]) for one in known)
        yield f"mean {mean:.4g} {unit}, {low:.4g} to {high:.4g} {unit}"
    if seen["uncertainty"] is not None:
        one = units().difference(seen["uncertainty"], seen["unit"])
        yield f"one reading's standard uncertainty {one:.2g} {unit}"
    if seen["rate_hz"] is not None:
        yield f"{seen['rate_hz']:.4g} readings a second"
    if seen["fast"] and seen["jitter_us"] is not None:
        yield (
            f"steps of {seen['step_us']:.0f} us, scatter {seen['jitter_us']:.0f} us, longest "
            f"{seen['longest_ms']:.2f} ms"
        )
    bad = seen["readings"] - seen["good"]
    if bad:
        yield f"{bad} of {seen['readings']} readings not believed"
