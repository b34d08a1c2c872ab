# SPDX-License-Identifier: MIT
"""A comparison as text: words first, numbers and a small plot beneath."""

from __future__ import annotations

import functools
import shutil
import sys
from collections.abc import Callable, Iterator, Sequence

from rig.cli.output import put
from rig.cli.terminal.plot import interval_line, plot
from rig.cli.terminal.tsv import tsv_line
from rig.core.figures import short_names
from rig.core.results.comparison import Batch, Comparison, FigureCompared, PairCompared
from rig.core.results.run import Limit, Result, figure_of
from rig.text import words
from rig.text.rounded import difference_text, interval_text, judged_text, mean_interval_text
from rig.text.words import number, one_line
from rig.text.wrapped import wrapped

WIDEST = 96


_fields = functools.partial(tsv_line, between=" ")


def show_comparison(
    shape: Comparison, results: Sequence[Result], *, tsv: bool, full: bool = False
) -> None:
    """Print it: for a person with plots, or as tab-separated fields. `full`: for a batch also each
    pair and every remark."""
    if tsv:
        for line in plain_lines(shape, results):
            put(line)
        return
    plain = not (sys.stdout.encoding or "").lower().startswith("utf")
    width = min(WIDEST, shutil.get_terminal_size().columns)
    for line in shown_lines(shape, results, ascii_only=plain, width=width, full=full):
        put(line)


def plain_lines(shape: Comparison, results: Sequence[Result]) -> Iterator[str]:
    """`name<TAB>value` lines for a program; sentences begin with `says`."""
    yield from _notice(shape)
    for line in shape["words"]:
        yield _fields("says", line)
    for pair in shape["comparisons"]:
        for figure, one in pair["figures"].items():
            if one is None:
                continue
            name, fields = f"{pair['before']}-{pair['after']}.{figure}", dict(one.items())
            for key in ("difference_ms", "ci95", "p", "rank_p", "effect_sd", "equivalent",
                        "margin_ms", "strokes_needed", "strokes_needed_equivalence",
                        "real"):  # fmt: skip
                yield _fields(f"{name}.{key}", fields[key])
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
    for run in results if shape["batch"] else ():
        for limit in run["verdict"]["limits"]:
            yield _fields("limit", run["run"], run["valve"], words.limit_text(limit),
                          limit["value"], limit["unit"], limit["result"])  # fmt: skip
        yield _fields("verdict", run["run"], run["valve"], run["verdict"]["result"])
    for line in _beneath(shape):
        yield _fields("note", line)


def shown_lines(
    shape: Comparison, results: Sequence[Result], *, ascii_only: bool, width: int = WIDEST,
    full: bool = False,
) -> Iterator[str]:  # fmt: skip
    """For a person, in lines of at most `width` columns."""
    for line in _notice(shape):
        yield from wrapped(line, width)
    for line in shape["words"]:
        yield from wrapped(line, width)
    yield ""
    if shape["batch"]:
        yield from limit_table(results, width)
    for figure, name in short_names().items():
        yield from _strips(results, figure, name, shape["source"], width, ascii_only=ascii_only)
    if shape["batch"]:
        for figure, name in short_names().items():
            yield from _ranking(shape["batch"][figure], name, width, ascii_only=ascii_only)
    if shape["batch"] and not full:
        n = len(list(_beneath(shape)))
        remarks = f", and {n} remark{'' if n == 1 else 's'} to bear in mind" if n else ""
        first = results[0]["run"]
        line = f"Each run less run {first}{remarks}: the same command with --full."
        yield from wrapped(line, width)
        return
    for pair in shape["comparisons"]:
        yield from _numbers(pair, width)
    for line in _beneath(shape):
        yield from wrapped(f"- {line}", width)


def limit_table(results: Sequence[Result], width: int) -> Iterator[str]:
    """Each run against its own sheet's limits: the value found, and the verdict. Limits that do not
    fit side by side go into a further table below."""
    limits = list(dict.fromkeys(
        words.limit_text(limit) for one in results for limit in one["verdict"]["limits"]
    ))  # fmt: skip
    word = words.across(results[0])
    if not limits:
        yield "No sheet of these runs states a limit."
        yield ""
        return
    yield f"{word + ' · ' if word else ''}against the limits of each run's sheet"
    for n, text in enumerate(limits, 1):
        yield from wrapped(f"L{n}: {text}", width)
    signs = ", ".join(f"{sign} {title.lower()}" for title, sign, _ in words.VERDICTS.values())
    yield from wrapped(f"Signs: {signs}", width)
    who, cell = 21, 11
    each = max(1, (width - who - 17) // cell)
    for first in range(0, len(limits), each):
        part = limits[first : first + each]
        heads = "".join(f"{f'L{first + n}':>{cell}}" for n in range(1, len(part) + 1))
        yield f"{'run valve':<{who}}{heads} verdict"
        for one in results:
            found = {words.limit_text(limit): limit for limit in one["verdict"]["limits"]}
            name = words.one_line(f"{one['run']} {one['valve'] or ''}")[: who - 1]
            cells = "".join(f"{_found(found.get(text)):>{cell}}" for text in part)
            title = words.VERDICTS[one["verdict"]["result"]][0].lower()
            yield f"{name:<{who}}{cells} {title}"
    yield ""


def _found(limit: Limit | None) -> str:
    """The value found, with the sign of its verdict; blank if this run has no such limit."""
    if limit is None:
        return ""
    return f"{judged_text(limit, words.UNKNOWN, unit=False)} {words.VERDICTS[limit['result']][1]}"


def _notice(shape: Comparison) -> Iterator[str]:
    word = words.UNREAL.get(shape["source"])
    if word:
        yield f"# {word}: {words.NO_VALVE[shape['source']]}"


def _beneath(shape: Comparison) -> Iterator[str]:
    yield from dict.fromkeys(pair["oil"] for pair in shape["comparisons"] if pair["oil"])
    yield from shape["notes"]


def _strips(
    results: Sequence[Result], figure: str, name: str, source: str, total: int, *, ascii_only: bool
) -> Iterator[str]:
    """The strokes of every run side by side on one scale."""
    columns = [[figure_of(stroke, figure) for stroke in one["strokes"]] for one in results]
    known = [value for column in columns for value in column if value is not None]
    width = min(72, total - 12) // len(columns) - 3
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


def _ranking(found: Batch | None, name: str, width: int, *, ascii_only: bool) -> Iterator[str]:
    if found is None:
        return
    rows = found["ranked"]
    span = min(row["ci95"][0] for row in rows), max(row["ci95"][1] for row in rows)
    oil = any(row["normalised_mean_ms"] is not None for row in rows)
    more = "; last: at the first run's oil temperature" if oil else ""
    yield from wrapped(f"{name}: mean and interval (95 % for all together), ms{more}", width)
    reach = max(8, min(40, width - 32 - (9 if oil else 0)))
    for row in rows:
        low, high = row["ci95"]
        line = interval_line((low, high), row["mean"], span, reach, ascii_only=ascii_only)
        corrected = row["normalised_mean_ms"]
        last = "" if corrected is None else f" {corrected:8.2f}"
        who = one_line(f"{row['run']} {row['valve'] or ''}")[:17]
        mean, _ = mean_interval_text(row["mean"], row["ci95"])
        yield f"{row['rank']:>3} {who:<17} {mean:>7} |{line}|{last}"
        if row["outlier"]:
            yield f"{'':>4}^ stands apart"
    yield f"{'':>30}{span[0]:<{reach // 2}.2f}{span[1]:>{reach - reach // 2}.2f}"
    yield ""


def _numbers(pair: PairCompared, width: int) -> Iterator[str]:
    """The figures of one comparison as a small table, a column each."""
    figures = {name: pair["figures"].get(key) for key, name in short_names().items()}
    shown = {name: one for name, one in figures.items() if one is not None}
    if not shown:
        yield from wrapped(
            f"run {pair['after']} less run {pair['before']}: too few times to compare", width
        )
        yield ""
        return
    yield f"run {pair['after']} less run {pair['before']}, ms"
    yield f"{'':<18}" + "".join(f"{name:>20}" for name in shown)
    for name, of in _ROWS:
        yield f"{name:<18}" + "".join(f"{of(one):>20}" for one in shown.values())
    for name, one in shown.items():
        yield from (part for line in _at_oil(name, one) for part in wrapped(line, width))
    yield from wrapped("* with known effects of conditions and mounting allowed for", width)
    yield ""


_ROWS: tuple[tuple[str, Callable[[FigureCompared], str]], ...] = (
    ("difference", lambda one: difference_text(one["difference_ms"], one["ci95"])),
    ("95 % interval", lambda one: interval_text(one["ci95"])),
    ("p", lambda one: _p(one["p"])),
    ("p, by ranks", lambda one: _p(one["rank_p"])),
    ("effect in sd", lambda one: _or_blank(one["effect_sd"], 2)),
    ("strokes needed", lambda one: _or_blank(one["strokes_needed"], 0)),
    (
        "difference*",
        lambda one: difference_text(
            one["allowed_for"]["difference_ms"], one["allowed_for"]["ci95"]
        ),
    ),
    ("95 % interval*", lambda one: interval_text(one["allowed_for"]["ci95"])),
    ("p*", lambda one: _p(one["allowed_for"]["p"])),
)


def _at_oil(name: str, one: FigureCompared) -> Iterator[str]:
    """What remains of the difference at one oil temperature."""
    oil = one["normalised"]
    if not oil:
        return
    at = f"{name} at {oil['oil_temperature_degc']:.0f} degC"
    if not oil["share_known"]:
        span = interval_text((oil["least_ms"], oil["most_ms"]))
        yield f"{at}: anything from {span} (viscous_share not known)"
        return
    yield (
        f"{at}: {difference_text(oil['difference_ms'], oil['ci95'])}, 95 % interval "
        f"{interval_text(oil['ci95'])}, p {_p(oil['p'])}"
    )


def _or_blank(value: float | int | None, digits: int) -> str:
    return "" if value is None else number(value, digits)


def _p(value: float | None) -> str:
    if value is None:
        return ""
    return "<0.001" if value < 0.001 else f"{value:.3f}"
