# SPDX-License-Identifier: MIT
"""A gauge calibration as a straight line of corrections, and its remaining uncertainty.

JCGM 100:2008, H.3: correction b(t) = y1 + y2 (t - t0) fitted by ordinary least squares to the
observed corrections; variances and correlation of y1 and y2 (H.12); the predicted correction and
its standard uncertainty u^2 = u1^2 + (t - t0)^2 u2^2 + 2 (t - t0) u1 u2 r (H.15); n - 2 degrees of
freedom. Here t is the reading of the rig's gauge and b the reference less that reading, both kPa.
"""

from __future__ import annotations

import datetime
import math
from typing import NamedTuple

import numpy as np

from rig.analysis.stats.uncertainty import Line
from rig.config.dated import IN_DATE, OUT_OF_DATE
from rig.config.gauge.calibration import FEW_POINTS, CalibrationSetup
from rig.config.setup.model import Setup
from rig.core.recording import Float, Recording, SampleSeries

GAUGE, REFERENCE, ZERO, OVERDUE, ITSELF = (
    "gauge calibration", "reference gauge", "gauge's zero", "gauge out of date",
    "gauge's scatter about its line",
)  # fmt: skip
REST_READINGS = 3
"""Fewest readings before the first command that make a zero."""
MEDIAN_OVER_MEAN = math.sqrt(math.pi / 2)
"""Standard error of a median over that of a mean, of many normal readings."""
RESOLUTION_READINGS = 10_000
BENT = "gauge not straight"
LACK_OF_FIT = 0.01
"""Level of the tests of whether a straight line describes the points."""


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


class LackOfFit(NamedTuple):
    """Whether points scatter about a line by more than repeated ones do among themselves: the ratio
    `f` with `dof` of the line's misfit and `dof_pure` of the repeats, and the probability `p` of
    one as large where the line is straight."""

    f: float
    dof: int
    dof_pure: int
    p: float


def lack_of_fit(x: Float, y: Float) -> LackOfFit | None:
    """F test of a straight line through `y` over `x`, both (n,), repeated at the same `x`.

    NIST/SEMATECH e-Handbook 4.4.4.6 and 4.6.1.5; ISO 11095:1996 (from memory) tests a calibration
    the same way. None without repeats, or with fewer than three different `x`.
    """
    from scipy.special import fdtrc

    place, group, count = np.unique(x, return_inverse=True, return_counts=True)
    dof, pure_dof = len(place) - 2, len(x) - len(place)
    if dof < 1 or pure_dof < 1:
        return None
    mean = np.bincount(group, y) / count
    pure = float(((y - mean[group]) ** 2).sum())
    fit = line_fit(x, y)
    misfit = max(fit.s**2 * fit.dof - pure, 0.0)
    tiny = 1e-20 * float(y @ y)  # repeats that agree to the last digit show no scatter
    f = (misfit / dof) / max(pure / pure_dof, tiny, 1e-300)
    return LackOfFit(f, dof, pure_dof, float(fdtrc(dof, pure_dof, f)))


def bend_kpa(made: CalibrationSetup) -> float:
    """The largest distance of the gauge's error from the line, where a test shows that the line is
    not straight; 0 where none does.

    The tests are lack_of_fit, where pressures were repeated, and Student's t of a quadratic term,
    from five points up: points of one pass up and down seldom repeat a pressure exactly.
    """
    reading = np.array([point.reading_kpa for point in made.points])
    truth = np.array([point.reference_kpa for point in made.points])
    repeated = lack_of_fit(truth, truth - reading)
    if not (repeated is not None and repeated.p < LACK_OF_FIT) and not _quadratic(reading, truth):
        return 0.0
    fit = fit_of(made)
    return misfit_kpa(fit, made)


def misfit_kpa(fit: LineFit, made: CalibrationSetup) -> float:
    """The largest distance of a point from the line."""
    return max(
        abs(point.reference_kpa - point.reading_kpa - fit.correction(point.reading_kpa))
        for point in made.points
    )


def _quadratic(reading: Float, truth: Float) -> bool:
    from rig.analysis.stats.uncertainty import coverage_factor

    n = len(reading)
    if n < FEW_POINTS or len(np.unique(reading)) < FEW_POINTS - 1:
        return False
    z = (reading - reading.mean()) / np.ptp(reading)
    columns = np.stack((np.ones(n), z, z * z), axis=1)
    coefficient, *_ = np.linalg.lstsq(columns, truth - reading, rcond=None)
    left = truth - reading - columns @ coefficient
    variance = float(left @ left) / (n - 3) * np.linalg.inv(columns.T @ columns)[2, 2]
    least = 1e-9 * float(np.abs(truth).max())  # arithmetic noise is no bend
    k = coverage_factor(n - 3, 1 - LACK_OF_FIT)
    return bool(abs(coefficient[2]) > max(k * math.sqrt(variance), least))


def resolution_kpa(samples: SampleSeries) -> float:
    """The step of the gauge's display: the smallest difference between two good readings (for a
    long record, of readings evenly picked from it); 0 where all are equal."""
    _, good = samples.of_good()
    picked = good[:: max(len(good) // RESOLUTION_READINGS, 1)]
    steps = np.diff(np.unique(np.round(picked, 9)))
    return float(steps.min()) if len(steps) else 0.0


class Zero(NamedTuple):
    """The zero before the first command: its median reading, its drift from the stored one with its
    standard uncertainty, whether that is allowed, and how much of it is subtracted from every
    reading."""

    kpa: float
    drift_kpa: float
    u_kpa: float
    held: bool
    taken_off_kpa: float


def zero_of(recording: Recording, made: CalibrationSetup) -> Zero | None:
    """The zero of a run; None where it is not checked, or too few readings show it."""
    samples = recording.samples.get("pressure")
    if samples is None or not made.zero_check:
        return None
    value, t_ns = samples.value[samples.good], samples.t_ns[samples.good]
    first_ns = recording.commands.t_ns[:1]
    rest = value[t_ns < first_ns[0]] if len(first_ns) else value
    if len(rest) < REST_READINGS:
        return None
    zero = float(np.median(rest))
    drift, held = zero - (made.zero_reading_kpa or 0.0), made.zero_words(zero)[0]
    u = MEDIAN_OVER_MEAN * float(rest.std(ddof=1)) / math.sqrt(len(rest))
    u = max(u, resolution_kpa(samples) / math.sqrt(12))  # one digit at rest shows no scatter
    return Zero(zero, drift, u, held, drift if held and made.zero_correction else 0.0)


def corrected(recording: Recording, setup: Setup | None) -> SampleSeries:
    """The pressure readings with the zero drift subtracted and the setup's calibration applied;
    unchanged where it has none."""
    samples = recording.samples["pressure"]
    made = setup.calibration if setup is not None else None
    if made is None:
        return samples
    fit, zero = fit_of(made), zero_of(recording, made)
    value = samples.value - (zero.taken_off_kpa if zero is not None else 0.0)
    value = value + fit.y1 + fit.y2 * (value - fit.t0)
    return SampleSeries(samples.t_ns, value, samples.good)


class Applied(NamedTuple):
    """The calibration as applied to a run. `state` see CalibrationSetup.state; `zero` None where
    there was no zero check. `beyond`: readings outside the calibrated range. `bend_kpa` see
    there."""

    made: CalibrationSetup
    fit: LineFit
    state: str
    zero: Zero | None
    beyond: bool
    lowest_kpa: float | None
    highest_kpa: float | None
    bend_kpa: float


def applied_of(
    recording: Recording, setup: Setup | None, on: datetime.date | None
) -> Applied | None:
    """The setup's calibration for this run, done on that day; None where it has none, or where no
    pressure was recorded."""
    made = setup.calibration if setup is not None else None
    samples = recording.samples.get("pressure")
    if made is None or samples is None:
        return None
    value = samples.value[samples.good]
    low, high = made.range_kpa
    slack = 0.02 * (high - low)
    least, most = (float(value.min()), float(value.max())) if len(value) else (None, None)
    beyond = bool(len(value)) and bool((value < low - slack).any() or (value > high + slack).any())
    zero = zero_of(recording, made)
    fit = fit_of(made)
    return Applied(made, fit, made.state(on), zero, beyond, least, most, bend_kpa(made))


def calibration_lines(applied: Applied, stated_kpa: float) -> list[Line]:
    """Remaining uncertainty of one corrected reading of a calibrated gauge, the worst of the
    readings seen. If the calibration is out of date, or the day is not known, the setup's stated
    accuracy of the gauge (half width `stated_kpa`) is included: nothing shows that the gauge is
    unchanged."""
    fit, made = applied.fit, applied.made
    ends = [v for v in (applied.lowest_kpa, applied.highest_kpa) if v is not None] or [fit.t0]
    worst = max(fit.u(v) for v in ends)
    lines = [
        Line(GAUGE, worst, "kPa", "t", dof=fit.dof,
             note=f"line through {fit.dof + 2} points of {made.date}, scatter {fit.s:.2g} kPa"),
        _about_the_line(applied),
        Line(REFERENCE, made.reference_uncertainty_kpa / made.reference_coverage, "kPa", "normal",
             note=made.reference),
    ]  # fmt: skip
    zero = applied.zero
    if zero is not None and zero.taken_off_kpa:
        lines.append(Line(ZERO, zero.u_kpa, "kPa", "normal",
                          note=f"{zero.taken_off_kpa:+.3g} kPa of drift subtracted"))  # fmt: skip
    elif zero is not None:
        lines.append(
            Line(ZERO, abs(zero.drift_kpa), "kPa", "rectangular",
                 note="its drift since the calibration, not subtracted")
        )  # fmt: skip
    if applied.state != IN_DATE:
        lines.append(Line(OVERDUE, stated_kpa, "kPa", "rectangular", note=f"due on {made.due}"))
    return lines


def _about_the_line(applied: Applied) -> Line:
    """How far one reading may lie from the line of its corrections: the scatter of the points about
    it, or the farthest of them as a half width where that is more. A few points may hide a bend."""
    fit = applied.fit
    name = BENT if applied.bend_kpa else ITSELF
    far = misfit_kpa(fit, applied.made)
    if far / math.sqrt(3) > fit.s:
        return Line(name, far, "kPa", "rectangular", note="the farthest of its points")
    return Line(name, fit.s, "kPa", "t", dof=fit.dof, note="scatter of its points, of one reading")


def remarks(applied: Applied | None) -> list[str]:
    """Sentences that apply to every pressure of the run; none where all is well."""
    if applied is None:
        return []
    made, said = applied.made, []
    if applied.state == OUT_OF_DATE:
        said.append(
            f"The gauge is OUT OF DATE: its calibration of {made.date} was due on {made.due}."
        )
    elif applied.state != IN_DATE:
        said.append(f"Whether the gauge was in date is not known (calibration due {made.due}).")
    if applied.zero is not None and not applied.zero.held:
        said.append(f"The gauge {made.zero_words(applied.zero.kpa)[1]}.")
    if applied.bend_kpa:
        said.append(
            f"A straight line does not describe the gauge: its points bend away by up to "
            f"{applied.bend_kpa:.2g} kPa, which is in the uncertainty."
        )
    if applied.beyond:
        low, high = made.range_kpa
        said.append(
            f"Readings lie beyond the calibrated {low:.4g} to {high:.4g} kPa: the correction is "
            "drawn out in a straight line there."
        )
    return said
