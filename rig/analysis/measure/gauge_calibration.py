# SPDX-License-Identifier: MIT
"""A gauge's calibration as a straight line of corrections, and what it leaves uncertain.

JCGM 100:2008, H.3: correction b(t) = y1 + y2 (t - t0) fitted by ordinary least squares to the
observed corrections; variances and correlation of y1 and y2 (H.12); the predicted correction and
its standard uncertainty u^2 = u1^2 + (t - t0)^2 u2^2 + 2 (t - t0) u1 u2 r (H.15); n - 2 degrees of
freedom. Here t is the rig's gauge's reading and b the reference less that reading, both kPa.
"""

from __future__ import annotations

import datetime
import math
from typing import NamedTuple

import numpy as np

from rig.analysis.stats.uncertainty import Line
from rig.config.dated import IN_DATE, OUT_OF_DATE
from rig.config.gauge.calibration import CalibrationSetup
from rig.config.setup.model import Setup
from rig.core.recording import Float, Recording, SampleSeries

GAUGE, REFERENCE, ZERO, OVERDUE = (
    "gauge calibration", "reference gauge", "gauge's zero", "gauge out of date",
)  # fmt: skip
REST_READINGS = 3
"""At least so many readings before the first command make a zero."""


class LineFit(NamedTuple):
    """`y1` the correction at `t0`, `y2` its slope, standard uncertainties, their correlation `r`,
    the scatter `s` about the line, and n - 2 degrees of freedom."""

    y1: float
    y2: float
    u1: float
    u2: float
    r: float
    s: float
    t0: float
    dof: int

    def correction(self, t: float) -> float:
        """Predicted correction at reading `t`."""
        return self.y1 + self.y2 * (t - self.t0)

    def u(self, t: float) -> float:
        """Standard uncertainty of `correction(t)` (H.15)."""
        away = t - self.t0
        square = self.u1**2 + (away * self.u2) ** 2 + 2 * away * self.u1 * self.u2 * self.r
        return math.sqrt(max(square, 0.0))


def line_fit(t: Float, b: Float, t0: float | None = None) -> LineFit:
    """Fit corrections `b` over readings `t`, both (n,). `t0`: the mean of `t` where left out, which
    makes y1 and y2 uncorrelated. Raises ValueError with fewer than three different readings."""
    if len(np.unique(t)) < 3:
        raise ValueError("a calibration line needs at least three different readings")
    t0 = float(np.mean(t)) if t0 is None else t0
    x = t - t0
    n, sx, sxx = len(t), float(x.sum()), float(x @ x)
    d = n * sxx - sx * sx
    y1 = (float(b.sum()) * sxx - float(b @ x) * sx) / d
    y2 = (n * float(b @ x) - float(b.sum()) * sx) / d
    rest = b - (y1 + y2 * x)
    s = math.sqrt(float(rest @ rest) / (n - 2))
    u1, u2 = s * math.sqrt(sxx / d), s * math.sqrt(n / d)
    r = -sx / math.sqrt(n * sxx)
    return LineFit(y1, y2, u1, u2, r, s, t0, n - 2)


def fit_of(made: CalibrationSetup) -> LineFit:
    """The line of a calibration's points. Raises ValueError as line_fit does."""
    reading = np.array([point.reading_kpa for point in made.points])
    reference = np.array([point.reference_kpa for point in made.points])
    return line_fit(reading, reference - reading)


def corrected(samples: SampleSeries, setup: Setup | None) -> SampleSeries:
    """The readings with the setup's calibration applied; as they are where it has none."""
    made = setup.calibration if setup is not None else None
    if made is None:
        return samples
    fit = fit_of(made)
    value = samples.value + fit.y1 + fit.y2 * (samples.value - fit.t0)
    return SampleSeries(samples.t_ns, value, samples.good)


class Applied(NamedTuple):
    """The calibration as it was applied to a run. `state` see CalibrationSetup.state. Of the zero
    check, None where there was none: the mean reading before the first command, its drift from the
    stored zero, and whether that is allowed. `beyond`: readings outside the calibrated range."""

    made: CalibrationSetup
    fit: LineFit
    state: str
    zero_kpa: float | None
    drift_kpa: float | None
    zero_held: bool | None
    beyond: bool
    lowest_kpa: float | None
    highest_kpa: float | None


def applied_of(
    recording: Recording, setup: Setup | None, on: datetime.date | None
) -> Applied | None:
    """What the setup's calibration was to this run, done on that day; None where it has none, or
    where no pressure was recorded."""
    made = setup.calibration if setup is not None else None
    samples = recording.samples.get("pressure")
    if made is None or samples is None:
        return None
    value, t_ns = samples.value[samples.good], samples.t_ns[samples.good]
    first_ns = recording.commands.t_ns[:1]
    rest = value[t_ns < first_ns[0]] if len(first_ns) else value
    zero = drift = held = None
    if made.zero_check and len(rest) >= REST_READINGS:
        zero = float(np.median(rest))
        drift = zero - (made.zero_reading_kpa or 0.0)
        held = made.zero_words(zero)[0]
    low, high = made.range_kpa
    slack = 0.02 * (high - low)
    seen = (float(value.min()), float(value.max())) if len(value) else (None, None)
    beyond = bool(len(value)) and bool((value < low - slack).any() or (value > high + slack).any())
    return Applied(made, fit_of(made), made.state(on), zero, drift, held, beyond, *seen)


def calibration_lines(applied: Applied, stated_kpa: float) -> list[Line]:
    """What a calibrated gauge leaves uncertain of one corrected reading, the worst of the readings
    seen. Out of date, what the setup states of the gauge (half width `stated_kpa`) comes back in:
    nothing says that the gauge is as it was."""
    fit, made = applied.fit, applied.made
    ends = [v for v in (applied.lowest_kpa, applied.highest_kpa) if v is not None] or [fit.t0]
    worst = max(fit.u(v) for v in ends)
    lines = [
        Line(GAUGE, worst, "kPa", "t", dof=fit.dof,
             note=f"line through {fit.dof + 2} points of {made.date}, scatter {fit.s:.2g} kPa"),
        Line(REFERENCE, made.reference_uncertainty_kpa / made.reference_coverage, "kPa", "normal",
             note=made.reference),
    ]  # fmt: skip
    if applied.drift_kpa is not None:
        lines.append(
            Line(ZERO, abs(applied.drift_kpa), "kPa", "rectangular",
                 note="its drift since the calibration, not taken off")
        )  # fmt: skip
    if applied.state == OUT_OF_DATE:
        lines.append(Line(OVERDUE, stated_kpa, "kPa", "rectangular", note=f"due on {made.due}"))
    return lines


def remarks(applied: Applied | None) -> list[str]:
    """Sentences that belong to every pressure of the run; none where all is well."""
    if applied is None:
        return []
    made, said = applied.made, []
    if applied.state == OUT_OF_DATE:
        said.append(
            f"The gauge is OUT OF DATE: its calibration of {made.date} was due on {made.due}."
        )
    elif applied.state != IN_DATE:
        said.append(f"Whether the gauge was in date is not known (calibration due {made.due}).")
    if applied.zero_held is False and applied.zero_kpa is not None:
        said.append(f"The gauge {made.zero_words(applied.zero_kpa)[1]}.")
    if applied.beyond:
        low, high = made.range_kpa
        said.append(
            f"Readings lie beyond the calibrated {low:.4g} to {high:.4g} kPa: the correction is "
            "drawn out in a straight line there."
        )
    return said
