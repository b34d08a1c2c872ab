# SPDX-License-Identifier: MIT
"""The plots of a report: each stroke (or ramp) against its limits, and the strokes overlaid from
the coil's edge (a hold or ramp: its pressure)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from rig.analysis.measure.stroke_windows import NEVER, stroke_windows
from rig.core.clock import NS_PER_MS
from rig.core.figures import Figure, figures_of
from rig.core.reader_units import units
from rig.core.recording import Recording
from rig.core.records import SWITCH
from rig.core.results.run import OneRamp, Result, Stroke, bounds_of, figure_of
from rig.report.drawing import BOTTOM, TOP, Line, Mark, Plot, fewer, spanning

PLOTTED = 2
"""Number of figures that fit the paper."""
SIZE = (360, 102)
"""Size of one plot in drawing units; two stand side by side on the paper."""
MOST_DOTS = 240
MOST_ROWS = 30
FAST_ENOUGH = 4
"""Fewest readings per stroke for drawing the pressure: fewer show no curve."""
AHEAD = 0.1
"""Room before the coil's edge, as a share of what follows it."""
SWITCH_FILL = "#c3cfd6"

Int64 = NDArray[np.int64]


def figure_plots(result: Result) -> list[str]:
    """Every stroke's response and release, or every ramp's pressures, with the sheet's limits."""
    ramp = result["ramp"]
    if result["kind"] == "hold":
        return []
    rows = ramp["ramps"] if ramp else result["strokes"]
    drawn = list(figures_of("ramp" if ramp else "strokes").values())[:PLOTTED]
    return [_figure(result, rows, figure) for figure in drawn if rows]


def _figure(result: Result, rows: Sequence[Stroke | OneRamp], figure: Figure) -> str:
    key, si, unit, each = figure.key, figure.unit, figure.unit_read, figure.each_of
    name = figure.title.removesuffix(" time")
    lines = list(_limit_lines(result, figure))
    marks = [
        Mark(float(row["number"]), None if value is None else units().value(value, si))
        for row in rows
        for value in [figure_of(row, key)]
    ]
    known = [mark.y for mark in marks if mark.y is not None]
    plot = Plot(
        f"{name} of each {each}, {unit}", SIZE, (0.5, max(len(rows), 2) + 0.5),
        spanning([*known, *(line.y for line in lines)]), each,
    )  # fmt: skip
    for line in lines:
        plot.level(line)
    marks = [Mark(float(row["number"]), figure_of(row, key)) for row in rows]
    plot.marks(fewer([mark for mark in marks if mark.y is not None], MOST_DOTS))
    plot.marks(fewer([mark for mark in marks if mark.y is None], 60))
    told = f"{len(known)} of {len(rows)} have a number"
    if known:
        digits = units().digits(figure.unit, 1)
        told += f", {min(known):.{digits}f} to {max(known):.{digits}f} {unit}"
    return plot.svg("; ".join([told, *(line.words for line in lines)]) + ".")


def _limit_lines(result: Result, figure: Figure) -> Iterator[Line]:
    for limit in result["verdict"]["limits"]:
        if limit["figure"] == figure.name and limit["unit"] == figure.unit:
            for end, word in bounds_of(limit):
                words = f"{limit['of']} {word} {end:.4g} {figure.unit}"
                yield Line(units().value(end, figure.unit), units().words(words), True)


def trace_plots(result: Result, recording: Recording | None) -> list[str]:
    """Strokes from the coil's edge, switching on and switching off; for a hold or ramp the
    pressure."""
    if recording is None:
        return []
    if result["kind"] in ("hold", "ramp"):
        drawn = _pressure(recording)
        return [drawn] if drawn else []
    spans = {
        way: 1.4 * (result["summary"][key]["max"] or 50.0)
        for way, key in (("on", "response_ms"), ("off", "release_ms"))
    }
    return [svg for way in ("on", "off") if (svg := _overlay(recording, way, spans[way]))]


def _overlay(recording: Recording, way: str, span_ms: float) -> str:
    windows = stroke_windows(recording)
    off = windows.off_ns < NEVER
    starts = windows.start_on_ns if way == "on" else windows.start_off_ns[off]
    if not len(starts):
        return ""
    shown = np.array(fewer(starts.tolist(), MOST_ROWS), np.int64)
    ahead_ns, after_ns = int(AHEAD * span_ms * NS_PER_MS), int(span_ms * NS_PER_MS)
    t_ms, pressure = _readings(recording, shown, ahead_ns, after_ns)
    if len(pressure) < FAST_ENOUGH * len(shown):
        t_ms = pressure = np.zeros(0)
    also = f"; pressure, {units().unit('kPa')}" if len(pressure) else ""
    plot = Plot(
        f"From the coil going {'live' if way == 'on' else 'dead'}: switch closed{also}",
        SIZE, (-AHEAD * span_ms, span_ms), spanning(pressure.tolist()), "ms",
        4 if len(pressure) else 0,
    )  # fmt: skip
    height = (SIZE[1] - TOP - BOTTOM) / len(shown)
    closed = _closed(recording)
    for row, at in enumerate(shown.tolist()):
        for begin, end in closed:
            if end > at - ahead_ns and begin < at + after_ns:
                low = (max(begin, at - ahead_ns) - at) / NS_PER_MS
                high = (min(end, at + after_ns) - at) / NS_PER_MS
                plot.bar(low, high, TOP + row * height, 0.85 * height, SWITCH_FILL)
    zero = plot.x.at(0)
    plot.stroke(zero, TOP, zero, SIZE[1] - BOTTOM, "#14181c", 1)
    plot.marks([Mark(x, y) for x, y in fewer(list(zip(t_ms, pressure, strict=True)), MOST_DOTS)])
    return plot.svg(
        f"{len(shown)} of {len(starts)} strokes, one row each, the first on top; a row is filled "
        "where the switch was closed" + ("; dots are gauge readings." if len(pressure) else ".")
    )


def _closed(recording: Recording) -> list[tuple[int, int]]:
    """Spans in which the switch was closed, ns; the last one is open-ended."""
    series, level = recording.edges.get(SWITCH), recording.start_level(SWITCH)
    found: list[tuple[int, int]] = []
    begin = recording.t0_ns if level == recording.switch_closed_level else None
    if series is not None:
        for t_ns, now in zip(series.t_ns.tolist(), series.level.tolist(), strict=True):
            if now == recording.switch_closed_level:
                begin = t_ns if begin is None else begin
            elif begin is not None:
                found.append((begin, t_ns))
                begin = None
    if begin is not None:
        found.append((begin, np.iinfo(np.int64).max))
    return found


def _readings(
    recording: Recording, starts: Int64, ahead_ns: int, after_ns: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Pressure readings near these instants: ms after each, in the reader's unit."""
    series = recording.samples.get("pressure")
    times, values = [np.zeros(0)], [np.zeros(0)]
    if series is not None:
        t_ns, shown = series.t_ns[series.good], _in_reader_units(series.value[series.good])
        for at in starts.tolist():
            low, high = np.searchsorted(t_ns, [at - ahead_ns, at + after_ns])
            times.append((t_ns[low:high] - at) / NS_PER_MS)
            values.append(shown[low:high])
    return np.concatenate(times), np.concatenate(values)


def _pressure(recording: Recording) -> str:
    """The pressure of the whole run."""
    series = recording.samples.get("pressure")
    if series is None or not series.good.any():
        return ""
    seconds = (series.t_ns[series.good] - recording.t0_ns) / (1000 * NS_PER_MS)
    shown, unit = _in_reader_units(series.value[series.good]), units().unit("kPa")
    digits = units().digits("kPa", 1)
    plot = Plot(
        f"Pressure, {unit}", (2 * SIZE[0] + 10, SIZE[1]), spanning(seconds.tolist(), 0.0),
        spanning(shown.tolist()), "s",
    )  # fmt: skip
    points = [Mark(x, y) for x, y in zip(seconds.tolist(), shown.tolist(), strict=True)]
    plot.curve(fewer(points, 700))
    ends = f"{shown.min():.{digits}f} to {shown.max():.{digits}f} {unit}"
    return plot.svg(f"{len(shown)} readings, {ends}.")


def _in_reader_units(kpa: NDArray[np.float64]) -> NDArray[np.float64]:
    return kpa * units().difference(1.0, "kPa")
