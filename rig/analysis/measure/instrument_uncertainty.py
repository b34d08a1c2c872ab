# SPDX-License-Identifier: MIT
"""What the rig itself adds to the uncertainty of a time or a pressure, as lines of a budget.

The half widths below are bounds assumed for this rig (common practice, no source) where its setup
has no `[timing]`; every budget then says so, line by line.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from rig.analysis.measure.gauge_calibration import Applied, calibration_lines, resolution_kpa
from rig.analysis.measure.own_timing import Applied as OwnApplied
from rig.analysis.measure.own_timing import own_lines
from rig.analysis.measure.pressure_at import (
    RANGE_SHARE,
    line_characters,
    reading_age_s,
    seconds_per_character,
)
from rig.analysis.measure.stroke_windows import Reference
from rig.analysis.measure.time_stamps import (
    BOUNDS,
    ESTIMATED,
    KERNEL,
    ROWS,
    STATED,
    Resolution,
    stamp_half_width_ms,
)
from rig.analysis.stats.mean_rate import about_neighbours
from rig.analysis.stats.uncertainty import Line
from rig.config.gauge.model import GaugeSetup
from rig.config.setup.model import Setup
from rig.config.setup.timing import ASSUMED
from rig.core.recording import Recording, SampleSeries

READBACK_MS = 0.1
"""Half width: coil current to read-back edge, through an opto-coupler or divider."""
BOUNCE_MS = 0.02
"""Half width: bounces closer together than this may have been merged into one edge."""
LINE_LENGTH_CHARACTERS = 3
"""Half width of the length of the gauge's line, where the pattern leaves it open."""
LATENCY_SHARE = 0.5
"""Half width of the gauge's stated latency, as a share of it."""
UNSTATED_PERIODS = 1.0
"""A gauge that states no latency may send a reading up to this many of its periods old, and is
never early (common practice, no source)."""
SCATTER, RESOLUTION = "scatter of one reading", "gauge resolution"
STAMPS = "time stamps of both edges"
STAMPS_NOTES = {
    ROWS: "each lies between the last row before it and the first after",
    STATED: "the resolution stated for the capture",
    BOUNDS: "nothing tells how often the lines were looked at: bounds",
    ESTIMATED: "resolution estimated from the stamps: nothing states it",
}


def timing_lines(
    recording: Recording,
    reference: Reference,
    name: str,
    half_ms: float,
    resolution: Resolution,
    bounce_ms: float = 0.0,
    own: OwnApplied | None = None,
    *,
    single: bool = False,
) -> tuple[list[Line], float] | None:
    """Lines and correction (ms) of a time without its repeatability, of one stroke (`single`) or of
    a mean; `name` is "response" or "release".

    Where the rig's own time was measured (`own`), its mean is subtracted. Otherwise the constants
    of this module apply, and they are added to a measurement that is out of date. Timed from the
    command, the relay delay lies between its minimum and its maximum (Reference): its measured mean
    is subtracted, or their middle, and the rest is a line. None where the delay is not known, since
    the lower side is then open. `half_ms` is how far the stamps of a capture leave the time open.
    `bounce_ms`: how long the load side bounced. The clock starts at its first touch, and the
    current until it stays put is not known: compared with a clean switching, the time is shorter by
    anything from 0 to that.
    """
    way = own.way(name) if own is not None else None
    assumed = way is None or (own is not None and own.overdue)
    lines = _stamp_lines(recording, reference, half_ms, resolution) if assumed else []
    correction = 0.0
    if reference.of == "read-back":
        if assumed:
            delay = Line("read-back delay", READBACK_MS, "ms", "rectangular", -1.0, note=ASSUMED)
            lines.append(delay)
        if way is not None and own is not None:
            correction = -way.mean_ms
            lines += own_lines(way, own, single=single)
        if bounce_ms > 0:
            correction -= bounce_ms / 2
            # a rig is at or near one end: a clamp undoes each touch, a plain diode hardly any
            lines.append(
                Line("relay bounce", bounce_ms / 2, "ms", "two-point", -1.0,
                     note=f"load side bounced for {bounce_ms:.2g} ms")
            )  # fmt: skip
    else:
        delay_ms = reference.delay_ms(name)
        if delay_ms is None:
            return None
        least, most = delay_ms
        middle = (least + most) / 2 if way is None else way.mean_ms
        correction = -middle
        known = ASSUMED if assumed or own is None or own.made is None else own.made.date
        lines.append(
            Line("relay delay", max(most - middle, middle - least), "ms", "rectangular", -1.0,
                 note=f"no read-back; {least:.4g} to {most:.4g} ms, {known}")
        )  # fmt: skip
    note = f"merged edges; {ASSUMED}"
    lines.append(Line("bounce definition", BOUNCE_MS, "ms", "rectangular", note=note))
    return lines, correction


def _stamp_lines(
    recording: Recording, reference: Reference, half_ms: float, resolution: Resolution
) -> list[Line]:
    """In a capture, one line for both edges: their stamps come from one clock, which may keep step
    with the commands, so that any time within both brackets is equally likely in every stroke."""
    if resolution.how != KERNEL:
        note = STAMPS_NOTES[resolution.how]
        return [Line(STAMPS, max(half_ms, 1e-6), "ms", "rectangular", note=note)]
    stamp = stamp_half_width_ms(recording)
    lines = [Line("time stamp of the switch's edge", stamp, "ms", "rectangular", note=ASSUMED)]
    if reference.of == "read-back":
        name = "time stamp of the read-back's edge"
        lines.append(Line(name, stamp, "ms", "rectangular", -1.0, note=ASSUMED))
    return lines


class AgeLeft(NamedTuple):
    """The unknown part of a reading's age (pressure_at.reading_age_s), ms: `line` either way for
    the length of its line; its latency is `more` than was subtracted, by `latency` either way of
    that. A gauge that states no latency is late by anything from 0 to some of its periods, and
    never early: an asymmetric range, whose middle is the best estimate (JCGM 100, 4.3.8)."""

    line: float
    more: float
    latency: float

    @property
    def late(self) -> float:
        """How much older than assumed a reading may be, at most."""
        return self.line + self.more + self.latency

    @property
    def early(self) -> float:
        """How much younger it may be, at most."""
        return self.line + self.latency - self.more

    @property
    def u2_as_read(self) -> float:
        """Variance about the value subtracted, for a figure from which the middle is not subtracted
        (JCGM 100, F.2.4.5): for a range from 0 to p that is p^2 / 3."""
        return self.line**2 / 3 + self.more**2 + self.latency**2 / 3


def age_left_ms(gauge: GaugeSetup | None) -> AgeLeft:
    """For the readings of this gauge; zero without one."""
    if gauge is None:
        return AgeLeft(0.0, 0.0, 0.0)
    frame = 1e3 * LINE_LENGTH_CHARACTERS * seconds_per_character(gauge)
    if gauge.stated_latency_s is None:
        half = 1e3 * UNSTATED_PERIODS * gauge.period_s / 2
        return AgeLeft(frame, half, half)
    return AgeLeft(frame, 0.0, 1e3 * LATENCY_SHARE * gauge.stated_latency_s)


def scatter_line(samples: SampleSeries) -> Line | None:
    """How far one reading lies from the pressure around it. None with too few, or where only the
    steps of the display are seen."""
    found = about_neighbours(samples.of_good()[1])
    if found <= resolution_kpa(samples) / math.sqrt(12):
        return None
    return Line(SCATTER, found, "kPa", "normal", note="about a line through its neighbours")


def gauge_lines(
    setup: Setup | None, samples: SampleSeries, applied: Applied | None = None
) -> list[Line]:
    """Calibration and resolution of one reading. With a calibration (`applied`), its remaining
    uncertainty; else the stated accuracy, or half a percent of the range where there is none;
    without any gauge in a setup (a capture) only the resolution is known."""
    lines = [
        Line(RESOLUTION, resolution_kpa(samples) / 2, "kPa", "rectangular",
             note="half a step of the readings"),
    ]  # fmt: skip
    gauge = setup.pressure_source if setup is not None else None
    if gauge is not None:
        low, high = gauge.measuring_range_kpa
        stated = gauge.accuracy_kpa
        half = stated if stated is not None else RANGE_SHARE * (high - low)
        if applied is not None:
            return [*calibration_lines(applied, half), *lines]
        note = "as stated in the setup" if stated is not None else "assumed, the setup states none"
        lines.insert(0, Line("gauge calibration", half, "kPa", "rectangular", note=note))
    return lines


def moving_lines(
    recording: Recording, setup: Setup | None, rates: Mapping[str, float],
    own: OwnApplied | None = None,
) -> tuple[list[Line], float]:  # fmt: skip
    """Effect of time on the pressure at the switch edge: lines, and correction (kPa). `rates`: how
    fast it moves (kPa/ms) at an edge to on ("response") and to off ("release"), with the sign that
    each pressure enters with.

    An edge stamped d late shows the pressure d later; a reading a older than was subtracted shows
    that of a earlier: p = shown - rate d + rate a. With `[timing]` timed from a read-back, the
    switch input is known to be later than the read-back by the measured mean; what remains is how
    late the read-back itself is. That belongs to one input and does not cancel here, since the
    gauge's readings are stamped by neither.
    """
    whole = sum(rates.values())
    lines, correction = _age_lines(recording, setup, whole)
    late = {} if own is None else {name: own.switch_late(name) for name in rates}
    found = {name: way for name, way in late.items() if way is not None}
    measured = own is not None and len(found) == len(rates)
    stamp = stamp_half_width_ms(recording)
    if not measured or (own is not None and own.overdue):
        note = "" if recording.source == "capture" else ASSUMED
        of_switch = "time stamp of the switch's edge"
        lines.append(Line(of_switch, stamp, "ms", "rectangular", -whole, note=note))
    if measured and own is not None:
        for name, way in found.items():
            mean = own_lines(way, own, single=False)[0]
            at = f"{mean.name}, {EDGES[name]}" if len(found) > 1 else mean.name
            lines.append(mean._replace(name=at, sensitivity=-rates[name]))
            correction -= rates[name] * way.mean_ms
        lines += [
            Line("read-back delay", READBACK_MS, "ms", "rectangular", -whole, note=ASSUMED),
            Line("time stamp of the read-back's edge", stamp, "ms", "rectangular", -whole,
                 note=ASSUMED),
        ]  # fmt: skip
    return lines, correction


def own_scatter_lines(rates: Mapping[str, float], own: OwnApplied | None) -> list[Line]:
    """Effect of the rig's own scatter on the pressure at a single edge; `rates` as in moving_lines.
    In a mean it is part of the repeatability."""
    found = []
    for name, rate in rates.items():
        way = None if own is None else own.switch_late(name)
        if way is not None and own is not None:
            line = own_lines(way, own, single=True)[1]
            at = f"{line.name}, {EDGES[name]}" if len(rates) > 1 else line.name
            found.append(line._replace(name=at, sensitivity=-rate))
    return found


EDGES = {"response": "edge to on", "release": "edge to off"}


def _age_lines(
    recording: Recording, setup: Setup | None, rate_kpa_ms: float
) -> tuple[list[Line], float]:
    gauge = setup.gauge if setup is not None else None
    if gauge is None or recording.source == "capture":
        return [], 0.0
    left = age_left_ms(gauge)
    of_line = (
        f"{line_characters(gauge)} characters at {gauge.baud} baud, and the stated latency: "
        f"{1e3 * reading_age_s(gauge):.3g} ms subtracted"
    )
    of_latency = "half of the stated latency" if gauge.stated_latency_s is not None else (
        f"assumed, none is stated: late by 0 to {left.late - left.line:.3g} ms, and never early; "
        "the middle is subtracted"
    )  # fmt: skip
    return [
        Line("reading's age", left.latency, "ms", "rectangular", rate_kpa_ms, note=of_latency),
        Line("length of a reading's line", left.line, "ms", "rectangular", rate_kpa_ms,
             note=of_line),
    ], rate_kpa_ms * left.more  # fmt: skip
