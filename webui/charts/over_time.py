# SPDX-License-Identifier: MIT
"""Mean times of one valve's runs by date, with the limits they are judged by."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from statistics import median
from typing import NamedTuple

from rig.core.results.run import Result, bounds_of
from rig.runlog.register import PastRun
from rig.text.rounded import too_few
from rig.text.words import limit_text, local_minute
from webui import words
from webui.charts import drawing

CHART_PX = 200
ROOM = 14.0
UNIT = "ms"
FIGURES = ("response", "release")


class Dot(NamedTuple):
    """A run in the chart: percent along the time axis, px down; the ends of its interval in px
    (None if it has none)."""

    run: PastRun
    x: float
    y: float
    low: float | None
    high: float | None
    words: str


class Chart(NamedTuple):
    """Means of one figure (of FIGURES) by date for the runs of one source. `limits` are lines (px
    down, words); `beyond` the words of limits too far off to draw."""

    figure: str
    source: str
    dots: list[Dot]
    ticks: list[tuple[float, str]]
    limits: list[tuple[float, str]]
    beyond: list[str]
    limits_of: int
    first: str
    last: str
    told: str


class _Point(NamedTuple):
    run: PastRun
    mean: float
    low: float | None
    high: float | None
    few: str


def charts(past: Sequence[PastRun], results: Mapping[int, Result | None]) -> list[Chart]:
    """One chart for each figure and source with at least two means: sources never mix. `results`:
    those of the newest run of each source, by number: their limits are drawn."""
    found = []
    for source in dict.fromkeys(run.source for run in past):
        mine = [run for run in past if run.source == source and _has_times(run)]
        for figure in FIGURES:
            points = [point for run in mine if (point := _point(run, figure)) is not None]
            if len(points) >= 2:
                newest = mine[-1].id
                found.append(_chart(source, figure, points, results.get(newest), newest))
    return found


def newest_of_sources(past: Sequence[PastRun]) -> list[int]:
    """The newest run with times of each source: the run numbers whose results `charts` needs."""
    return list({run.source: run.id for run in past if _has_times(run)}.values())


def _has_times(run: PastRun) -> bool:
    return run.mean_ms is not None or run.release_ms is not None


def _point(run: PastRun, figure: str) -> _Point | None:
    mean, low, high, n = (
        (run.mean_ms, run.low_ms, run.high_ms, run.n)
        if figure == "response"
        else (run.release_ms, run.release_low_ms, run.release_high_ms, run.release_n)
    )
    if mean is None:
        return None
    few = too_few({"n": n, "mean": mean})
    return _Point(run, mean, None if few else low, None if few else high, few)


def _limits(result: Result | None, figure: str) -> list[tuple[float, str]]:
    told = result["verdict"]["limits"] if result else ()
    return [
        (end, limit_text(limit))
        for limit in told if limit["figure"] == figure
        for end, _ in bounds_of(limit)
    ]  # fmt: skip


def _chart(
    source: str, figure: str, points: Sequence[_Point], result: Result | None,
    limits_of: int,
) -> Chart:  # fmt: skip
    means = [point.mean for point in points]
    ends = [(point, v) for point in points for v in (point.low, point.high) if v is not None]
    # one wide interval from a few strokes could squeeze all the means into one line
    usual = median([abs(v - point.mean) for point, v in ends] or [0.0])
    room = drawing.FAR * (max(means) - min(means) + 2 * usual)
    values = [*means, *(min(max(v, min(means) - room), max(means) + room) for _, v in ends)]
    cut = any(v not in values for _, v in ends)
    reach = drawing.FAR * max(max(values) - min(values), 0.1 * abs(max(values)))
    limits = _limits(result, figure)
    near = [one for one in limits if min(values) - reach <= one[0] <= max(values) + reach]
    line = drawing.scale([*values, *(value for value, _ in near)], 4)
    assert line is not None  # noqa: S101  (two means at least)
    times = [point.run.started_utc_s for point in points]
    begin, end = min(times), max(times)

    def down(value: float | None) -> float | None:
        at = line.at(value)
        if at is None:
            return None
        px = ROOM + (100 - at) / 100 * (CHART_PX - 2 * ROOM)
        return round(min(max(px, 0.0), CHART_PX), 2)

    dots = []
    for point in points:
        share = (point.run.started_utc_s - begin) / (end - begin) if end > begin else 0.5
        dots.append(
            Dot(
                point.run, round(3 + 94 * share, 3), down(point.mean) or 0.0, down(point.low),
                down(point.high), _words(point),
            )
        )  # fmt: skip
    ticks = [(down(value) or 0.0, label) for value, label in line.ticks]
    first, last = points[0], points[-1]
    days = (end - begin) / 86_400
    over = f"over {days:.0f} days" if days >= 1.5 else "within a day"
    told = (
        f"{len(points)} runs {over}: from {first.mean:.1f} to {last.mean:.1f} {UNIT} "
        f"({last.mean - first.mean:+.1f} {UNIT} from the first run to the last)."
    )
    if cut:
        told += " Intervals that reach farther than the chart are cut off at its edge."
    return Chart(
        figure, source, dots, ticks, [(down(value) or 0.0, text) for value, text in near],
        [text for value, text in limits if (value, text) not in near], limits_of,
        *_ends(begin, end), told,
    )  # fmt: skip


def _ends(begin_s: float, end_s: float) -> tuple[str, str]:
    """The day of either end; within one day the times."""
    first, last = local_minute(begin_s), local_minute(end_s)
    return (first, last[11:]) if first[:10] == last[:10] else (first[:10], last[:10])


def _words(point: _Point) -> str:
    """A dot's description."""
    run, judged = point.run, words.verdict(point.run.verdict)
    told = f"run {run.id}, {local_minute(run.started_utc_s)}: {point.mean:.1f} {UNIT}"
    if point.low is not None and point.high is not None:
        told += f" ({point.low:.1f} to {point.high:.1f})"
    elif point.few:
        told += f" ({point.few})"
    return f"{told}, {judged.word.lower()}" if judged else told
