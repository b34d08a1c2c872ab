# SPDX-License-Identifier: MIT
"""Facts about a run besides its numbers, and which of its strokes to show."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime

from rig.core.figures import FIGURES, Figure, figures_of
from rig.core.reader_units import units
from rig.core.results.run import Hold, Result, Stroke, figure_of
from rig.text import words
from rig.text.channels import channel_facts
from rig.text.coil_current import calibration_facts, timing_facts
from rig.text.rounded import beside_text, in_reader_units, spread_text, value_text
from rig.text.words import across, number

STROKES_SHOWN = 30
HEAD = TAIL = 10


def facts(result: Result) -> Iterable[tuple[str, str]]:
    """Facts about the run besides its numbers, as names and texts."""
    yield "source", across(result) or result["source"]
    yield "ended", str(result["status"])
    if result["end"]:
        if result["end"].get("why"):
            yield "stopped", str(result["end"]["why"])
        yield "coil", str(result["end"]["off"])
    for key in ("valve", "job", "by", "mount", "note"):
        if result[key] not in (None, ""):
            yield key, words.one_line(result[key])
    for name, given in result["conditions"].items():
        yield "condition", words.condition(name, given)
    yield from _kept(result)
    yield "contact", words.contact(result)
    yield "timed from", words.timed_from(result)
    commissioning = words.commissioning(result)
    if commissioning:
        yield "commissioning", commissioning
    yield from timing_facts(result)
    yield from calibration_facts(result)
    yield from channel_facts(result)
    if result["not_watched"]:
        names = [words.one_line(item["rule"]) for item in result["not_watched"]]
        yield "NOT WATCHED", ", ".join(names)
    trip = result["trip"]
    if trip:
        yield "TRIPPED", words.one_line(f"{trip['rule']} at {(trip['t_ms'] or 0.0) / 1000:.3f} s")
    counts = result["counts"]
    if result["kind"] == "strokes":
        yield (
            "strokes",
            (
                f"{counts['strokes']}, of which {counts['answered']} answered, "
                f"{counts['missed']} missed, {counts['doubtful']} doubtful"
            ),
        )


def _kept(result: Result) -> Iterable[tuple[str, str]]:
    """When it was run, and the recorder's remarks; a capture has neither."""
    clock = result.get("clock")
    if clock:
        when = datetime.fromtimestamp(clock["started_utc_s"], UTC)
        doubt = "" if clock["synchronised"] else " (clock not known to be synchronised)"
        yield "started", f"{when:%Y-%m-%d %H:%M:%S} UTC{doubt}"
    if result.get("remark"):
        yield "REMARK", words.one_line(result["remark"])


def rate_is(held: Hold) -> str:
    """What kind of decay rate it is, where it is not the slope of a line; else empty."""
    from rig.analysis.measure.hold import OF_WATCH

    first, last = held.get("rate_from_ms"), held.get("rate_to_ms")
    if held.get("rate_is") != OF_WATCH or first is None or last is None:
        return ""
    return f" (mean of {(last - first) / 1000:.1f} s: it falls along a curve)"


def hold_facts(held: Hold) -> Iterable[tuple[str, str]]:
    """The watch of a hold as names and texts."""
    figure, held = FIGURES["decay_rate"], in_reader_units(held, "kPa/s")
    pressure, rate_unit = units().unit("kPa"), figure.unit_read
    rate, error = held["decay_rate_kpa_s"], held["standard_error_kpa_s"]
    seconds = (held["to_ms"] - held["from_ms"]) / 1000
    yield "watched", f"{seconds:.1f} s, {held['readings']} good readings"
    yield "left out", f"{held['bad_readings']} bad, {held['left_out']} far off the line"
    pressures = (held["pressure_start_kpa"], held["pressure_end_kpa"])
    first, last = (number(one, units().digits("kPa", 1)) for one in pressures)
    yield "pressure", f"{first} {pressure} at first, {last} {pressure} at last"
    told = beside_text(rate, held, rate_unit)
    sure = f" {told}" if told.startswith("±") else f", {told}"
    value = value_text(rate, held.get("U"), words.UNKNOWN, figure.digits(rate))
    rate_text = f"{value} {rate_unit}{rate_is(held)}"
    if held.get("no_interval"):
        yield "decay rate", f"{rate_text}; no interval: {held['no_interval']}"
    else:
        error_text = f"standard error {spread_text(error, words.UNKNOWN)} {rate_unit}"
        yield "decay rate", f"{rate_text}{sure if told else ''}, {error_text}"
    dropped = held["dropped_out_ms"]
    told = f"after {dropped / 1000:.3f} s" if dropped is not None else "no"
    yield (
        "switch",
        f"on at first: {words.yes_no(held['switch_on_at_start'])}; dropped out: {told}",
    )


def shortened(strokes: Sequence[Stroke]) -> tuple[list[Stroke], int]:
    """First and last strokes, the first unusual ones between them, and how many are left out.

    Unusual are the worst strokes, and those with a mark that fewer than half of all strokes carry.
    """
    if len(strokes) <= STROKES_SHOWN:
        return list(strokes), 0
    counts = Counter(mark for stroke in strokes for mark in stroke["marks"])
    rare = {mark for mark, n in counts.items() if 2 * n < len(strokes)}
    worst = {_worst(strokes, one) for one in figures_of("strokes").values()}
    middle = [
        stroke
        for place, stroke in enumerate(strokes)
        if HEAD <= place < len(strokes) - TAIL
        and (place in worst or not rare.isdisjoint(stroke["marks"]))
    ]
    shown = [*strokes[:HEAD], *middle[: STROKES_SHOWN - HEAD - TAIL], *strokes[-TAIL:]]
    return shown, len(strokes) - len(shown)


def _worst(strokes: Sequence[Stroke], figure: Figure) -> int | None:
    """Index of the first stroke with the worst number, None where all are alike."""
    known = {
        place: v for place, stroke in enumerate(strokes) if (v := figure_of(stroke, figure.key))
    }
    if figure.worse is None or len(set(known.values())) < 2:
        return None
    worst = max if figure.worse == "higher" else min
    return worst(known, key=known.__getitem__)
