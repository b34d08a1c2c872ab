# SPDX-License-Identifier: MIT
"""A calibration as text: the setup's table, and its line for a person."""

from __future__ import annotations

import datetime
import json
import re
import tomllib
from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

import click

from rig.config.dated import months_after
from rig.core.errors import UsageError
from rig.core.rounding import fixed, pair, places

if TYPE_CHECKING:
    from rig.config.gauge.calibration import CalibrationSetup
    from rig.config.setup.model import Setup

STRIP = 31
"""Width of the strip that shows a point's distance from the line."""
NEAR_ZERO_SHARE = 0.02
LEAST_TOLERANCE_KPA = 0.5


class Entered(NamedTuple):
    """The content of a calibration; `points` are (reference, reading) in kPa."""

    reference: str
    reference_uncertainty_kpa: float
    coverage: float
    by: str
    date: str
    months: int
    points: tuple[tuple[float, float], ...]
    zero_check: bool
    zero_tolerance_kpa: float | None


def due_of(date: str, months: int) -> str:
    """The day this many months later, as text."""
    return months_after(datetime.date.fromisoformat(date), months).isoformat()


def table_text(entered: Entered) -> str:
    """The `[calibration]` table as TOML."""
    lines = [
        "[calibration]",
        f'date = "{entered.date}"',
        f'due = "{due_of(entered.date, entered.months)}"',
        f"by = {json.dumps(entered.by, ensure_ascii=False)}",
        f"reference = {json.dumps(entered.reference, ensure_ascii=False)}",
        f'reference_uncertainty = "{entered.reference_uncertainty_kpa:.6g} kPa"',
        f"reference_coverage = {entered.coverage:g}",
    ]
    if entered.zero_check:
        lines += list(_zero_lines(entered))
    lines.append("points = [")
    for truth, reading in entered.points:
        lines.append(f'    {{reference = "{truth:.7g} kPa", reading = "{reading:.7g} kPa"}},')
    return "\n".join([*lines, "]"]) + "\n"


def _zero_lines(entered: Entered) -> Iterator[str]:
    """The stored zero: the mean reading of the points without pressure."""
    span = max(truth for truth, _ in entered.points)
    zeros = [reading - truth for truth, reading in entered.points
             if abs(truth) <= NEAR_ZERO_SHARE * span]  # fmt: skip
    if not zeros:
        raise UsageError(
            "A zero check needs a point without pressure among those of the calibration: measure "
            "one, or leave --zero-check out."
        )
    zero = sum(zeros) / len(zeros)
    tolerance = entered.zero_tolerance_kpa
    if tolerance is None:
        tolerance = max(0.01 * span, LEAST_TOLERANCE_KPA)
    yield "zero_check = true"
    yield f'zero_reading = "{zero:.6g} kPa"'
    yield f'zero_tolerance = "{tolerance:.6g} kPa"'


def with_table(text: str, table: str, name: str = "calibration") -> str:
    """The setup's text with this table: replacing its existing one, else at its end. Raises
    UsageError if anything else in it would change."""
    changed = _with_table(text, table, name)
    before, after = tomllib.loads(text), tomllib.loads(changed)
    if {**before, name: None} != {**after, name: None}:
        raise UsageError(
            f"The table [{name}] cannot be replaced without touching others of the setup. "
            "Take it out by hand, then calibrate again; what was found stands below."
        )
    return changed


def _with_table(text: str, table: str, name: str) -> str:
    lines = text.splitlines(keepends=True)
    head = re.compile(rf"\s*\[{name}\]\s*(#.*)?$")
    starts = [n for n, line in enumerate(lines) if head.match(line)]
    if starts:
        begin = starts[0]
        end = begin + 1
        while end < len(lines) and not re.match(r"""\s*\[\[?["'A-Za-z_]""", lines[end]):
            end += 1
        # a comment just above the next table belongs to that table
        while end > begin + 1 and lines[end - 1].lstrip().startswith("#"):
            end -= 1
        return "".join(lines[:begin]) + table + "\n" * (end < len(lines)) + "".join(lines[end:])
    gap = "" if text.endswith("\n") or not text else "\n"
    return f"{text}{gap}\n{table}"


def show(setup: Setup) -> None:
    """The points with their line and residuals, and what that means in plain words."""
    import numpy as np

    from rig.analysis.measure.gauge_calibration import fit_of
    from rig.analysis.stats.uncertainty import coverage_factor

    made = setup.calibration
    if made is None:
        return
    fit, k = fit_of(made), 0.0
    k = coverage_factor(fit.dof)
    reading = np.array([point.reading_kpa for point in made.points])
    truth = np.array([point.reference_kpa for point in made.points])
    rest = truth - reading - (fit.y1 + fit.y2 * (reading - fit.t0))
    reach = float(np.abs(rest).max()) or 1.0
    click.echo(f"{'reference':>10} {'reading':>10} {'correction':>10} {'line':>9} {'rest':>8}   "
               "rest, left too low, right too high (kPa)")  # fmt: skip
    for t, r, off in zip(truth, reading, rest, strict=True):
        click.echo(f"{t:10.2f} {r:10.2f} {t - r:+10.3f} {fit.correction(r):+9.3f} {off:+8.3f}   "
                   f"{_strip(float(off) / reach)}")  # fmt: skip
    low, high = made.range_kpa
    click.echo(
        f"\nLine: correction {fit.y1:+.4g} kPa at {fit.t0:.4g} kPa, {100 * fit.y2:+.3g} % of every "
        f"further kPa. The points scatter by {fit.s:.2g} kPa about it."
    )
    for at in (low, (low + high) / 2, high):
        both = (k * fit.u(at)) ** 2
        both += (2 * made.reference_uncertainty_kpa / made.reference_coverage) ** 2
        shown, sure = pair(at + fit.correction(at), both**0.5)
        click.echo(
            f"At a reading of {fixed(at, places(both**0.5))} kPa: {shown} kPa, plus or minus "
            f"{sure or 0} kPa (95 %)."
        )
    for sentence in judged(made):
        click.echo(sentence)


def _strip(share: float) -> str:
    cells = [" "] * STRIP
    cells[STRIP // 2] = "|"
    cells[round((STRIP - 1) / 2 * (1 + share))] = "o"
    return "".join(cells)


def judged(made: CalibrationSetup) -> list[str]:
    """Warnings from the points about the line; nothing if all is well."""
    from rig.analysis.measure.gauge_calibration import bend_kpa
    from rig.config.gauge.calibration import FEW_POINTS

    said, bend = [], bend_kpa(made)
    if len(made.points) < FEW_POINTS:
        said.append(f"{len(made.points)} points are few: the interval is wide. Take five or more.")
    if bend:
        said.append(
            f"The rests bend, by up to {bend:.2g} kPa: a straight line does not describe this "
            "gauge, and that stands in the uncertainty of every pressure. Calibrate it over the "
            "part of its range that is used, or look for a gauge that is straight."
        )
    return said
