# SPDX-License-Identifier: MIT
"""A comparison as text: words first, numbers and a small plot beneath."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import click

from rig.cli.terminal.plot import interval_line, plot
from rig.text import words
from rig.text.rounded import difference_text, interval_text, mean_interval_text
from rig.text.words import number, one_line

WIDTH = 72
NAMES = {"response_ms": "response", "release_ms": "release"}

Shape = Mapping[str, Any]


def show_comparison(shape: Shape, results: Sequence[Shape]) -> None:
    """Print it: on a terminal with plots, else as lines of fields separated by tabs."""
    if not sys.stdout.isatty():
        for line in plain_lines(shape):
            click.echo(line)
        return
    plain = not (sys.stdout.encoding or "").lower().startswith("utf")
    for line in shown_lines(shape, results, ascii_only=plain):
        click.echo(line)


def plain_lines(shape: Shape) -> Iterator[str]:
    """`name<TAB>value` lines for a program; what was said in words begins with `says`."""
    yield from _notice(shape)
    for line in shape["words"]:
        yield _fields("says", line)
    for pair in shape["comparisons"]:
        for figure, one in pair["figures"].items():
            if one is None:
                continue
            name = f"{pair['before']}-{pair['after']}.{figure}"
            for key in ("difference_ms", "ci95", "p", "rank_p", "effect_sd", "equivalent",
                        "margin_ms", "strokes_needed", "strokes_needed_equivalence",
                        "real"):  # fmt: skip
                yield _fields(f"{name}.{key}", one[key])
            for key, value in one["allowed_for"].items():
                if key != "effects":
                    yield _fields(f"{name}.allowed_for.{key}", value)
            for effect in one["allowed_for"]["effects"]:
                yield _fields(f"{name}.effect", *effect.values())
            for key, value in (one["normalised"] or {}).items():
                yield _fields(f"{name}.normalised.{key}", value)
    for figure, found in (shape["batch"] or {}).items():
        for row in found["ranked"] if found else ():
            yield _fields("rank", figure, *row.values())
    for line in _beneath(shape):
        yield _fields("note", line)


def shown_lines(shape: Shape, results: Sequence[Shape], *, ascii_only: bool) -> Iterator[str]:
    """For a person."""
    yield from _notice(shape)
    for line in shape["words"]:
        yield from _wrapped(line)
    yield ""
    for figure, name in NAMES.items():
        yield from _strips(results, figure, name, shape["source"], ascii_only=ascii_only)
    if shape["batch"]:
        for figure, name in NAMES.items():
            yield from _ranking(shape["batch"][figure], name, ascii_only=ascii_only)
    for pair in shape["comparisons"]:
        yield from _numbers(pair)
    for line in _beneath(shape):
        yield from _wrapped(f"- {line}")


def _notice(shape: Shape) -> Iterator[str]:
    word = words.UNREAL.get(shape["source"])
    if word:
        yield f"# {word}: {words.NO_VALVE[shape['source']]}"


def _beneath(shape: Shape) -> Iterator[str]:
    yield from dict.fromkeys(pair["oil"] for pair in shape["comparisons"] if pair["oil"])
    yield from shape["notes"]


def _wrapped(text: str) -> list[str]:
    import textwrap

    inside = "  " if text.startswith("- ") else ""
    return textwrap.wrap(one_line(text), 96, subsequent_indent=inside)


def _strips(
    results: Sequence[Shape], figure: str, name: str, source: str, *, ascii_only: bool
) -> Iterator[str]:
    """The strokes of every run side by side on one scale."""
    columns = [[stroke[figure] for stroke in one["strokes"]] for one in results]
    known = [value for column in columns for value in column if value is not None]
    width = WIDTH // len(columns) - 3
    if not known or width < 6:
        return
    span = min(known), max(known)
    word = words.UNREAL.get(source)
    yield f"{word + ' · ' if word else ''}{name} of each stroke, ms (x: no number)"
    strips = []
    for column in columns:
        lines = plot(column, width, ascii_only=ascii_only, span=span)
        shown = min(width, len(column))
        strips.append([line.ljust(shown) for line in lines] or [" " * shown] * 3 + ["x" * shown])
    rows = len(strips[0])
    labels = [f"{span[1]:.1f}", *[""] * (rows - 2), f"{span[0]:.1f}"]
    for n, label in enumerate(labels):
        yield f"{label:>9} |" + "| |".join(strip[n] for strip in strips) + "|"
    titles = [f"run {one['run']}" for one in results]
    widths = [len(strip[0]) for strip in strips]
    yield f"{'':>10}" + "  ".join(t.ljust(w + 1) for t, w in zip(titles, widths, strict=True))
    yield ""


def _ranking(found: Shape | None, name: str, *, ascii_only: bool) -> Iterator[str]:
    if found is None:
        return
    rows = found["ranked"]
    span = min(row["ci95"][0] for row in rows), max(row["ci95"][1] for row in rows)
    oil = any(row["normalised_mean_ms"] is not None for row in rows)
    more = "; last: at the first run's oil temperature" if oil else ""
    yield f"{name}: mean and interval (95 % for all together), ms{more}"
    for row in rows:
        line = interval_line(tuple(row["ci95"]), row["mean"], span, 40, ascii_only=ascii_only)
        flag = "  << stands apart" if row["outlier"] else ""
        oil = row["normalised_mean_ms"]
        if oil is not None:
            flag = f"  {oil:8.2f}{flag}"
        who = one_line(f"run {row['run']} {row['valve'] or ''}")[:20]
        mean, _ = mean_interval_text(row["mean"], row["ci95"])
        yield f"{row['rank']:>3}  {who:<20} {mean:>8} |{line}|{flag}"
    yield f"{'':>34} {span[0]:<20.2f}{span[1]:>20.2f}"
    yield ""


def _numbers(pair: Shape) -> Iterator[str]:
    """The figures of one comparison as a small table."""
    yield f"run {pair['after']} less run {pair['before']}, ms"
    yield f"{'':<10}{'difference':>11}{'95 % interval':>21}{'p':>9}{'p, ranks':>10}{'in sd':>8}{'strokes needed':>16}"  # noqa: E501
    for figure, one in pair["figures"].items():
        if one is None:
            continue
        yield _row(NAMES[figure], one, one["rank_p"], one["effect_sd"], one["strokes_needed"])
        yield _row("  allowed*", one["allowed_for"], None, None, None)
        oil = one["normalised"]
        if oil and not oil["share_known"]:
            span = f"anything from {interval_text((oil['least_ms'], oil['most_ms']))}"
            yield f"  {oil['oil_temperature_degc']:.0f} degC: {span} (viscous_share not known)"
        elif oil:
            yield _row(f"  {oil['oil_temperature_degc']:.0f} degC", oil, None, None, None)
    yield "* with known effects of conditions and mounting allowed for"
    yield ""


def _row(
    name: str, one: Shape, rank_p: float | None, effect: float | None, strokes: int | None
) -> str:
    return (
        f"{name:<10}{difference_text(one['difference_ms'], one['ci95']):>11}"
        f"{interval_text(one['ci95']):>21}{_p(one['p']):>9}{_p(rank_p):>10}"
        f"{_or_blank(effect, 2):>8}{_or_blank(strokes, 0):>16}"
    )


def _or_blank(value: float | int | None, digits: int) -> str:
    return "" if value is None else number(value, digits)


def _p(value: float | None) -> str:
    if value is None:
        return ""
    return "<0.001" if value < 0.001 else f"{value:.3f}"


def _fields(*values: Any) -> str:
    return "\t".join(_field(value) for value in values)


def _field(value: Any) -> str:
    match value:
        case None:
            return ""
        case bool():
            return "yes" if value else "no"
        case list():
            return " ".join(_field(item) for item in value)
    return one_line(value)
