# SPDX-License-Identifier: MIT
"""A result as text: a summary, all of it in tables, fields for a program, or JSON."""

from __future__ import annotations

import json
from collections.abc import Iterator

import click

from rig.cli.terminal.tsv import tsv_line
from rig.core.figures import figures_of, stroke_columns
from rig.core.results.run import OneRamp, Result
from rig.text import behaviour, words
from rig.text.coil_current import plain_fields

WIDEST = 100
"""Columns of the summary at most: longer lines are hard to read."""
HEAD = ("run", "kind", "source", "status", "seed", "setup_hash", "valve", "job", "by")


def show_result(
    result: Result, *, as_json: bool = False, tsv: bool = False, full: bool = False,
    trip_told: bool = False,
) -> None:  # fmt: skip
    """Print the JSON of a run on standard output: a summary, or all of it in tables (`full`), or
    for a program as JSON or as tab-separated lines (names first) that list every stroke.

    The words are the same on a terminal and in a pipe; a pipe has no colours. The summary leaves
    out a trip that was `trip_told` just above it.
    """
    if as_json:
        click.echo(json.dumps(result, allow_nan=False, ensure_ascii=False))
        return
    if tsv:
        for line in plain_lines(result):
            click.echo(line)
        return
    from rich.console import Console

    class Output(Console):
        def on_broken_pipe(self) -> None:
            """The command decides about a broken pipe; the library would end the process."""
            raise

    console = Output(markup=False, highlight=False, emoji=False)
    if full:
        from rig.cli.terminal.tables import Show

        Show(result, console).all()
        return
    from rig.cli.terminal.summary import summary_lines
    from rig.text.wrapped import wrapped

    for text, style in summary_lines(result, trip_told=trip_told):
        if not text:
            continue
        for line in wrapped(text, min(console.width, WIDEST)):
            console.print(line, style=style or None, soft_wrap=True)


def plain_lines(result: Result) -> Iterator[str]:
    """The result for a program: `name<TAB>value` lines, then one line a stroke or ramp.

    Unknown values are empty. A source that measured no valve is stated above every table (#).
    """
    word = words.across(result)
    notice = f"# {word}: {words.NO_VALVE[result['source']]}" if word else None
    if notice:
        yield notice
    for name, value in result.items():
        if name in HEAD:
            yield tsv_line(name, value)
    for name, given in result["conditions"].items():
        yield tsv_line(f"conditions.{name}", f"{given['value']} {given['unit']} {given['how']}")
    for figure, found in result["summary"].items():
        for name, value in behaviour.flat(figure, found):
            yield tsv_line(name, value)
    for name, value in result["counts"].items():
        yield tsv_line(name, value)
    clock = result.get("clock")
    for name, value in clock.items() if clock else ():
        yield tsv_line(f"clock.{name}", value)
    if result.get("remark"):
        yield tsv_line("remark", result["remark"])
    if words.commissioning(result):
        yield tsv_line("commissioning", words.commissioning(result))
    yield tsv_line("contact", result["contact"]["sense"])
    yield tsv_line("timed_from", result["reference"]["of"])
    end = result["end"]
    yield tsv_line("off", end and end["off"])
    yield tsv_line("not_watched", "; ".join(str(item["rule"]) for item in result["not_watched"]))
    yield tsv_line("trip", result["trip"]["rule"] if result["trip"] else None)
    yield tsv_line("trip_message", result["trip"]["message"] if result["trip"] else None)
    yield tsv_line("stopped", end and end.get("why"))
    yield tsv_line("marks", "; ".join(result["marks"]))
    yield tsv_line("doubtful", "; ".join(result["doubtful"]))
    if result["kind"] == "strokes":
        for name, value in behaviour.fields(result):
            yield tsv_line(name, value)
    for name, value in plain_fields(result):
        yield tsv_line(name, value)
    if result["hold"]:
        for name, value in result["hold"].items():
            if name not in ("trace", "marks"):
                yield tsv_line(f"hold.{name}", value)
    verdict = result["verdict"]
    for limit in verdict["limits"]:
        yield tsv_line("limit", words.limit_text(limit), limit["value"], limit["result"])
    yield tsv_line("verdict", verdict["result"])
    yield tsv_line("why", verdict["why"])
    yield tsv_line("risk_pct", verdict["risk_pct"])
    yield tsv_line("guard_band", verdict["guard_band"])
    yield tsv_line("next_check", verdict["next_check"])
    yield tsv_line("next_caution", verdict.get("next_caution"))
    valve = result.get("of_the_valve")
    yield tsv_line("valve_result", valve and valve["result"])
    yield tsv_line("valve_words", valve and valve["words"])
    columns, later = ([one.key for one in some] for some in stroke_columns())
    of_stroke = ["number", "answered", "settled", *columns, "marks", "missed", *later]
    of_ramp = ["number", *figures_of("ramp"), "marks"]
    for fields, rows in ((of_stroke, result["strokes"]), (of_ramp, _ramps(result))):
        if rows:
            yield ""
            if notice:
                yield notice
            yield "\t".join(fields)
            for row in rows:
                yield tsv_line(*(row.get(field) for field in fields))


def _ramps(result: Result) -> list[OneRamp]:
    return result["ramp"]["ramps"] if result["ramp"] else []
