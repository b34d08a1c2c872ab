# SPDX-License-Identifier: MIT
"""The coil's heat at a start, left by earlier runs, and when a sheet may begin with it.

A sheet may begin when the heat and on-time of earlier runs would not make it trip the duty limit or
the temperature limit. A sheet that reaches a limit by itself, from a cold coil, may begin once the
coil is as good as cold: it trips as it always did.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from itertools import accumulate
from typing import NamedTuple

from rig.bench.interlock.trackers import coil_temperature_degc
from rig.config.setup.model import Setup
from rig.config.setup.safeguards import CoilHeating
from rig.config.sheet.loads import Load, load_of
from rig.config.sheet.model import Sheet
from rig.core.coil_heat import FIRST_USE, UNWATCHED, WITHIN_LIMITS, Kept, Past
from rig.physics.coil import warm_up_k

NS = 1_000_000_000
AS_GOOD_AS_COLD = 0.05
"""Share of the way from the surroundings to the limit: what is left of a rise after three time
constants."""
STEPS = 100
"""Steps per time constant: sets the longest step of the forecast, and the length up to which short
cycles are joined."""
DUTY_STEPS = 1000
"""The same for a duty window."""
SETTLED = 7.0
"""Time constants after which one more cycle changes nothing."""
SPARE_S = 1.0
"""Added to a wait for the duty window: strokes are never shorter than their on time."""


class Carried(NamedTuple):
    """The coil now. `temperature_degc` is NaN without [coil_heating]; `spans` are ns from start and
    end of each energised span to now; `assumed` says why they are assumed, if they are."""

    temperature_degc: float
    spans: list[tuple[int, int]]
    assumed: str


def carried(setup: Setup, past: Past, waited_s: float = 0.0) -> Carried:
    """The coil's heat now, after a further `waited_s` without current."""
    heating, window_ns = setup.coil_heating, round(setup.limits.duty_window_s * NS)
    kept, elapsed_s = past.kept, past.elapsed_s + waited_s
    elapsed_ns = round(elapsed_s * NS)
    if kept is None and not past.unknown:
        cold_degc = heating.surroundings_degc if heating else math.nan
        return Carried(cold_degc, [], FIRST_USE)
    assumed = past.unknown or (kept.assumed if kept is not None else "")
    if past.unknown or kept is None:
        share = setup.limits.duty if past.unknown in WITHIN_LIMITS else 1.0
        spans = [(round(share * window_ns), 0)]
    else:
        spans = list(kept.spans)
        if kept.window_ns < window_ns:  # what was before that is unknown
            spans.insert(0, (window_ns, kept.window_ns))
    spans = [
        (on + elapsed_ns, off + elapsed_ns) for on, off in spans if off + elapsed_ns < window_ns
    ]
    temperature_degc = math.nan
    if heating is not None:
        then_degc = kept.temperature_degc if kept is not None else None
        if past.unknown or then_degc is None:
            # a restart does not cool a coil that was assumed to be above the limit
            then_degc = max(heating.temperature_limit_degc, then_degc or -math.inf)
            if past.unknown not in WITHIN_LIMITS or _unwatched(kept):
                then_degc = max(then_degc, continuous_degc(setup))
            assumed = past.unknown or UNWATCHED
        above_k = then_degc - heating.surroundings_degc
        above_k = warm_up_k(elapsed_s, above_k, 0.0, heating.time_constant_s)
        temperature_degc = heating.surroundings_degc + above_k
    cold = heating is None or temperature_degc <= _cold_degc(heating)
    return Carried(temperature_degc, spans, "" if cold and not spans else assumed)


def _unwatched(kept: Kept | None) -> bool:
    """Whether no limit of temperature ended what was before."""
    if kept is None or kept.temperature_degc is not None:
        return False
    return kept.assumed == UNWATCHED or not kept.unknown


def continuous_degc(setup: Setup) -> float:
    """The temperature of a coil that was never switched off: where its heating, which falls as the
    copper warms, equals its heat loss. NaN without [coil_heating]."""
    heating = setup.coil_heating
    if heating is None:
        return math.nan
    at_degc = heating.surroundings_degc
    for _ in range(STEPS):
        at_degc = coil_temperature_degc(setup, at_degc, heating.time_constant_s, energised=True)
    return at_degc


def ready_in_s(setup: Setup, sheet: Sheet, coil: Carried) -> float:
    """How long the coil must rest before this sheet may begin, seconds."""
    load = load_of(sheet, setup.relay.release_delay_s)
    return _ready_in_s(setup, load, sheet.settle_wait_s, coil)


def ready_for_longest_s(setup: Setup, coil: Carried) -> float:
    """The same for one stroke of the longest on time within the limits."""
    limits = setup.limits
    longest_s = min(limits.on_time_s, limits.duty * limits.duty_window_s)
    return _ready_in_s(setup, Load(longest_s, 0.0, 1), 0.0, coil)


def _ready_in_s(setup: Setup, load: Load, settle_s: float, coil: Carried) -> float:
    if not load.on_s > 0:
        return 0.0
    return max(_duty_wait_s(setup, load, settle_s, coil), _heat_wait_s(setup, load, settle_s, coil))


# -- duty


def _duty_wait_s(setup: Setup, load: Load, settle_s: float, coil: Carried) -> float:
    """Shortest rest after which earlier on-time makes no stroke exceed the limit in a window."""
    if not coil.spans:
        return 0.0
    window_s = setup.limits.duty_window_s
    allowed_s = setup.limits.duty * window_s * (1 + 1e-9)
    earlier = _Earlier(coil.spans)
    cycle = _grouped(load, window_s / DUTY_STEPS)
    period_s = cycle.on_s + cycle.rest_s
    rooms = [(0.0, allowed_s)]  # the interlock also checks before the first stroke
    for n in range(cycle.times):  # on-time in a window is largest where a stroke ends
        end_s, own_s = n * period_s + cycle.on_s, (n + 1) * cycle.on_s
        if end_s + settle_s > window_s:
            break
        if own_s <= allowed_s:  # a sheet that exceeds the limit by itself trips by itself
            rooms.append((end_s + settle_s, allowed_s - own_s))
    if cycle.on_s > allowed_s:
        rooms.append((allowed_s + settle_s, 0.0))

    def fits(wait_s: float) -> bool:
        return all(
            earlier.on_s(window_s - end_s - wait_s) <= room_s for end_s, room_s in rooms
        )  # fmt: skip

    if fits(0.0):
        return 0.0
    low_s, high_s = 0.0, window_s
    while high_s - low_s > 0.1:
        middle_s = (low_s + high_s) / 2
        low_s, high_s = (low_s, middle_s) if fits(middle_s) else (middle_s, high_s)
    return high_s + SPARE_S


class _Earlier:
    """On-time of earlier spans; constant work except for a binary search."""

    def __init__(self, spans: list[tuple[int, int]]) -> None:
        newest_first = [(on_ns / NS, off_ns / NS) for on_ns, off_ns in reversed(spans)]
        self._ons = [on_s for on_s, _ in newest_first]
        self._offs = [off_s for _, off_s in newest_first]
        self._sums = [0.0, *accumulate(on_s - off_s for on_s, off_s in newest_first)]

    def on_s(self, back_s: float) -> float:
        """On-time between `back_s` ago and now."""
        n = bisect_left(self._offs, back_s)
        if n == 0:
            return 0.0
        return self._sums[n] - max(0.0, self._ons[n - 1] - back_s)


# -- heat


def _cold_degc(heating: CoilHeating) -> float:
    rise_k = heating.temperature_limit_degc - heating.surroundings_degc
    return heating.surroundings_degc + AS_GOOD_AS_COLD * rise_k


def _heat_wait_s(setup: Setup, load: Load, settle_s: float, coil: Carried) -> float:
    heating = setup.coil_heating
    if heating is None:
        return 0.0
    cold_degc, now_degc = _cold_degc(heating), coil.temperature_degc
    if now_degc <= cold_degc or stays_below(setup, load, settle_s, now_degc):
        return 0.0
    low_degc, high_degc = cold_degc, now_degc
    if stays_below(setup, load, settle_s, low_degc):
        while high_degc - low_degc > 0.1:
            middle = (low_degc + high_degc) / 2
            fits = stays_below(setup, load, settle_s, middle)
            low_degc, high_degc = (middle, high_degc) if fits else (low_degc, middle)
    around = heating.surroundings_degc
    return heating.time_constant_s * math.log((now_degc - around) / (low_degc - around))


def stays_below(setup: Setup, load: Load, settle_s: float, start_degc: float) -> bool:
    """Whether the coil, at `start_degc` now, stays within its limit through this load."""
    heating = setup.coil_heating
    if heating is None:
        return True
    tau_s, limit_degc = heating.time_constant_s, heating.temperature_limit_degc
    cycle = _grouped(load, tau_s / STEPS)
    period_s = cycle.on_s + cycle.rest_s
    at_degc = coil_temperature_degc(setup, start_degc, settle_s, energised=False)
    for _ in range(min(cycle.times, math.ceil(SETTLED * tau_s / period_s) + 1)):
        steps = math.ceil(cycle.on_s / (tau_s / STEPS))
        for _ in range(min(steps, math.ceil(SETTLED * STEPS))):
            at_degc = coil_temperature_degc(setup, at_degc, cycle.on_s / steps, energised=True)
            if not at_degc <= limit_degc:
                return False
        at_degc = coil_temperature_degc(setup, at_degc, cycle.rest_s, energised=False)
    return True


def _grouped(load: Load, longest_s: float) -> Load:
    """Join short cycles into longer ones of the same share, up to `longest_s`: their peaks come out
    a little higher, never lower."""
    period_s = load.on_s + load.rest_s
    size = min(load.times, max(1, math.floor(longest_s / period_s)))
    return Load(load.on_s * size, load.rest_s * size, -(-load.times // size))
