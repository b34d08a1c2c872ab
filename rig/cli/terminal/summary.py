# SPDX-License-Identifier: MIT
"""A result in about ten lines: verdict, first step, figures, doubts."""

from __future__ import annotations

import shlex
from collections.abc import Iterator

from rig.core.figures import FIGURES, figures_of
from rig.core.reader_units import units
from rig.core.records import OFF_STATES
from rig.core.results.metrology import MeanSummary
from rig.core.results.run import Result, Verdict
from rig.text import words
from rig.text.marks import marks_of
from rig.text.rounded import best_text, in_reader_units, judged_text
from rig.text.run_facts import rate_is

MARKS_SHOWN = 3


def summary_lines(result: Result, *, trip_told: bool = False) -> Iterator[tuple[str, str]]:
    """The lines, each with its style ("" if plain); not wrapped. Without a trip that was told."""
    yield _head(result), "bold"
    other = words.no_valve_words(result.get("purpose"))
    if other:
        yield other, "bold"
    off = result["end"]["off"] if result["end"] else None
    if off == OFF_STATES[2]:
        yield (
            "COIL STILL LIVE: open the mushroom stop or pull the fuse before anything else.",
            "bold",
        )
    trip = result["trip"]
    if trip and not trip_told:
        yield f"TRIPPED: {trip['rule']}. {trip['message']}", "bold"
    verdict = result["verdict"]
    name, sign, colour = words.VERDICTS[verdict["result"]]
    first = verdict["next_check"]
    why = verdict["reason"] or verdict["why"]
    yield f"[{sign}] {name}: {why}", colour
    valve = result.get("of_the_valve")
    if valve and verdict["limits"]:
        yield valve["reason"] or valve["words"], "bold"
    if first and first not in why:
        yield f"First: {first}.", "bold"
    if verdict.get("next_caution"):
        yield f"Caution: {verdict['next_caution']}", "bold"
    if verdict["result"] != "conforms":
        yield from ((f"Limit open or not held: {line}", "") for line in _open_limits(verdict))
    yield from ((line, "") for line in _figures(result))
    yield from ((line, "") for line in _doubts(result))
    yield _watch(result, off), ""
    if result["source"] in words.NO_VALVE:
        yield words.NO_VALVE[result["source"]], ""
    yield _more(result), "dim"


def _head(result: Result) -> str:
    run, counts = result["run"], result["counts"]
    parts = [words.across(result), "capture" if run is None else f"run {run}"]
    parts += [f"{key} {words.one_line(result[key])}" for key in ("valve", "job") if result[key]]
    if result["kind"] == "strokes":
        n = counts["strokes"]
        strokes = f"{n} stroke{'s' if n != 1 else ''}, {counts['answered']} answered"
        missed, doubtful = counts["missed"], counts["doubtful"]
        strokes += f", {missed} missed" if missed else ""
        parts.append(strokes + (f", {doubtful} doubtful" if doubtful else ""))
    else:
        parts.append(str(result["kind"]))
    return " · ".join(part for part in parts if part)


def _open_limits(verdict: Verdict) -> Iterator[str]:
    for limit in verdict["limits"]:
        if limit["result"] == "conforms":
            continue
        found = judged_text(limit, "not known")
        title = words.VERDICTS[limit["result"]][0].lower()
        yield f"{words.limit_text(limit)}; found {found} ({title})"


def _figures(result: Result) -> Iterator[str]:
    """Means with their uncertainty, and the range of the single values."""
    if result["kind"] == "hold" and result["hold"]:
        figure = FIGURES["decay_rate"]
        held = in_reader_units(result["hold"], figure.unit)
        rate = held["decay_rate_kpa_s"]
        if rate is not None:
            told = best_text(rate, held, figure.unit_read, figure.digits(rate))
            yield f"{figure.short}: {told}{rate_is(held)}"
        return
    ramp = result["ramp"]
    source: dict[str, MeanSummary] = {**(ramp["summary"] if ramp else result["summary"])}
    for key, figure in figures_of(str(result["kind"])).items():
        if key not in source:
            continue
        row = in_reader_units(source[key], figure.unit)
        if row["mean"] is None:
            continue
        unit, digits = figure.unit_read, units().digits(figure.unit, 1)
        mean = best_text(row["mean"], row, unit, figure.digits())
        line = f"{figure.short}: mean {mean}"
        if row["min"] is not None and row["max"] is not None:
            # beside a corrected mean it must be visible that these were not corrected
            single = "single as read" if "read" in mean else "single"
            line += f", {single} {row['min']:.{digits}f} to {row['max']:.{digits}f} {unit}"
        rest = row.get("rest") if not ramp else None
        if isinstance(rest, dict) and rest["mean"] is not None:
            line += f", after rest {rest['mean']:.{digits}f} {unit}"
        yield line


def _doubts(result: Result) -> Iterator[str]:
    """Marks that make numbers doubtful, in words; and the number of others."""
    found = marks_of(result)
    doubtful = [mark for mark in found if mark.doubtful]
    for mark in doubtful[:MARKS_SHOWN]:
        yield f"Doubtful, {mark.where}: {mark.words}"
    rest = len(found) - len(doubtful[:MARKS_SHOWN])
    if rest:
        yield f"{rest} {'more ' if doubtful else ''}mark{'' if rest == 1 else 's'}: see --full."


def _watch(result: Result, off: str | None) -> str:
    """How the coil was left, how much of the run was not watched, whether the rig was proved."""
    absent = len(result["not_watched"])
    coil = f"Coil at the end: {off}. " if off else ""
    watch = f"NOT WATCHED: {absent} rule{'' if absent == 1 else 's'}. " if absent else ""
    state = words.commissioning(result)
    return (coil + watch + (f"{state[:1].upper()}{state[1:]}." if state else "")).strip()


def _more(result: Result) -> str:
    run = result["run"]
    if run is None:
        return "All of it: the same command with --full."
    # a run that conforms has no fault to look for
    none = result["verdict"]["result"] == "conforms" or result.get("purpose") in words.PURPOSES
    job = result.get("job")
    ask = f"job show {shlex.quote(job)}" if job else f"diagnose {run}"
    cause = "" if none else f" Cause: rig {ask}."
    return f"All of it: rig show {run} --full.{cause}"
