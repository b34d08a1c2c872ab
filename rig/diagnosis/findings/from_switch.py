# SPDX-License-Identifier: MIT
"""Findings on the pressure switch in strokes: whether it follows, how fast, how evenly."""

from __future__ import annotations

import numpy as np

from rig.analysis.measure import marks
from rig.analysis.measure.stroke_windows import stroke_windows
from rig.analysis.stats.summary import summarise
from rig.config.sheet.model import StrokesSheet
from rig.core.recording import Bool, Float
from rig.core.records import SWITCH
from rig.diagnosis.findings.model import PLAIN, Finding, RunSeen, graded, hidden, seen

AGAINST_GOOD = (0.80, 0.93, 1.08, 1.22, 1.8)
TIME_STATES = ("short", "bit_short", "right", "bit_long", "long", "very_long")
"""Ratio to a known-good valve's time, and the states below, between and above (common practice, no
source)."""
UNEVEN = (0.87, 1.13)
"""Change of release over change of response: outside these, one changed more than the other (common
practice, no source)."""
AGAINST_LIMIT = (1.0, 2.0)
"""Share of the sheet's limit. A limit says nothing about a time that is too short."""
OTHER_RUN = 0.02
"""Difference of the same valve from one day to another (relative standard deviation; common
practice, no source). How much two valves differ is in the knowledge."""
LIMIT_DOUBT = 0.15
"""A time within its limit may still be long for this valve."""
ONE_STROKE = 0.03
"""Relative standard uncertainty of one stroke's time over another's (common practice)."""
LEAST_STROKES, LEAST_TIMES = 5, 2
MANY_BOUNCES = 14
"""Bounce edges in one stroke that no sound switch makes (common practice, no source)."""
TAIL, TAIL_MS = 1.4, 3.0
WIDE, WIDE_RELEASE = (0.035, 0.06), (0.012, 0.022)
"""Robust coefficient of variation (1.4826 times the median distance, over the median) of response
and release from which it is slightly wide, and wide (common practice, no source)."""
IMPROVES = 1.15
AT_REST_MS = 200.0
"""Time after release at which a sound switch is at rest (common practice, no source)."""
FIRST = (0.93, 1.07, 1.3)
"""First stroke over the later ones, relative to what is usual: below less, above the others
slightly slow, slow (common practice, no source)."""

USUAL_FIRST = 1.5
"""The same of a sound valve, where no known-good run shows it (common practice, no source)."""

NO_STROKE = "no stroke ran its whole time"
NO_NUMBER = "the switch answered in too few strokes to give a time"


def switch_findings(run: RunSeen, good: RunSeen | None) -> list[Finding]:
    """Every finding from the switch in strokes."""
    names = ("switch", "response", "release", "asymmetry", "first_stroke", "scatter",
             "release_scatter", "course", "bounce", "lost_contact")  # fmt: skip
    if run.result.kind != "strokes":
        return [hidden(name, f"this run is a {run.result.kind}, not strokes") for name in names]
    if marks.NO_SWITCH in run.result.marks:
        return [hidden(name, "no switch was recorded") for name in names]
    table = run.result.strokes
    whole = ~_marked(run, marks.CUT_SHORT)
    found = [_pattern(run, whole), *_times(run, good, whole)]
    if not whole.any():
        return [*found, *(hidden(name, NO_STROKE) for name in names[4:])]
    on, off = table.first_edge_on_ms[whole], table.first_edge_off_ms[whole]
    found += [*_evenness(on, good), _release_scatter(off)]
    return [*found, _bounce(run), _lost(run, whole)]


def _marked(run: RunSeen, mark: str) -> Bool:
    return np.asarray((run.result.strokes.mark_bits & marks.bit(mark)) != 0)


def _pattern(run: RunSeen, whole: Bool) -> Finding:
    """Whether the switch follows the coil. A stroke cut short by a trip still shows a release."""
    table, contact = run.result.strokes, run.result.contact
    n, answered = int(whole.sum()), int(table.answered[whole].sum())
    missed = int(table.missed.sum())
    already = _marked(run, marks.ALREADY_ON)
    rest_on = contact.rest_on is True
    if marks.WRONG_WAY in run.result.marks:
        return seen("switch", "inverted", "the switch goes off when the coil is energised, and on "
                    "again when it is released")  # fmt: skip
    edges = run.recording.edges.get(SWITCH)
    moves = edges is not None and len(edges.t_ns) >= max(n, 2)
    if rest_on and moves and int(already.sum()) * 2 > len(already):
        words = "the switch is on at rest and moves with every stroke, the other way about"
        return seen("switch", "inverted", words)
    moved = bool(table.answered.any() or (table.edges_with_no_command > 0).any())
    if rest_on and not n:
        return seen("switch", "stays_on", "the switch is on at rest, with the coil off", 0.85)
    if (rest_on or (n > 0 and already.all())) and answered * 2 < max(n, 1):
        words = "the switch is on at rest and does not follow the coil"
        return seen("switch", "stays_on", words, PLAIN if n >= 3 else 0.85)
    held = _marked(run, marks.NOT_RELEASED) | (_marked(run, marks.OFF_NOT_SETTLED))
    stayed = int((held & (table.answered | already)).sum())
    if moved and stayed and (not n or answered - stayed < 0.5 * n or _tripped_live(run)):
        return seen("switch", "holds_on", "the switch goes on and stays on after the release", 0.9)
    if not n:
        return hidden("switch", NO_STROKE)
    if missed == n and not moved:
        words = f"the switch answered none of {n} strokes"
        return seen("switch", "stays_off", words, PLAIN if n >= 3 else 0.85)
    if missed:
        return seen("switch", "misses_some", f"the switch missed {missed} of {n} strokes")
    sure = n / (n + 1.0) if n < 10 else PLAIN
    return seen("switch", "follows", f"the switch answered all of {n} strokes", sure)


def _tripped_live(run: RunSeen) -> bool:
    trip = run.result.trip
    return trip is not None and trip.rule == "read-back disagreeing"


def _times(run: RunSeen, good: RunSeen | None, whole: Bool) -> list[Finding]:
    table = run.result.strokes
    columns = {"response": table.first_edge_on_ms, "release": table.first_edge_off_ms}
    found, changes = [], []
    for name, values in columns.items():
        known = values[whole & np.isfinite(values)]
        first = None
        if len(whole) and np.isfinite(values[0]) and whole[0]:
            first, known = float(known[0]), known[1:]  # after a rest: it has its own finding
        if len(known) < LEAST_TIMES or not np.median(known) > 0:
            found.append(hidden(name, NO_NUMBER))
            continue
        middle, u_ms = float(np.median(known)), _u_ms(run, known)
        found.append(_time(name, middle, first, u_ms, run, good))
        reference = _good_ms(name, good, run)
        if reference is not None:
            changes.append((middle / reference, u_ms / middle))
    return [*found, _asymmetry(changes)]


def _asymmetry(changes: list[tuple[float, float]]) -> Finding:
    """Which of the two times changed more. `changes`: of response and release, each over the
    known-good run's, with its relative standard uncertainty."""
    if len(changes) < 2:
        return hidden("asymmetry", "no known-good run to hold both times against")
    (on, u_on), (off, u_off) = changes
    words = f"response {on:.3g} and release {off:.3g} times those of the known-good run"
    u = float(np.hypot(np.hypot(u_on, u_off), OTHER_RUN))
    states = ("response_more", "even", "release_more")
    return graded("asymmetry", off / on, u, UNEVEN, states, words)


def _u_ms(run: RunSeen, known: Float) -> float:
    """Standard uncertainty of a median: scatter (1.2533 sd over root n, normal) and the relay
    delay where no read-back is wired (rectangular)."""
    sd = float(known.std(ddof=1)) if len(known) > 1 else 0.1 * float(known[0])
    delay = run.result.reference.delay_ms("response")
    relay = 10.0 if delay is None else delay[1] - delay[0]
    return float(np.hypot(1.2533 * sd / np.sqrt(len(known)), relay / np.sqrt(12.0)))


def _time(
    name: str, middle: float, first: float | None, u_ms: float, run: RunSeen, good: RunSeen | None
) -> Finding:
    """A time against the known-good run's, else against the sheet's limit. `middle` is the median
    of the later strokes, `first` the stroke after a rest, which such a limit may hold for too."""
    reference = _good_ms(name, good, run)
    if reference is not None and good is not None:
        words = (
            f"{name} to the first edge {middle:.3g} ms against {reference:.3g} ms in {good.name}"
        )
        u = float(np.hypot(u_ms / middle, OTHER_RUN))
        return graded(name, middle / reference, u, AGAINST_GOOD, TIME_STATES, words)
    limits = _limits_ms(name, run, middle, first)
    if not limits:
        return hidden(name, "neither a known-good run nor a limit to hold the time against")
    value, limit, which = max(limits, key=lambda one: one[0] / one[1])
    words = f"{name} to the first edge {value:.3g} ms{which}, the sheet's limit is {limit:g} ms"
    u = float(np.hypot(u_ms / middle, LIMIT_DOUBT))
    return graded(name, value / limit, u, AGAINST_LIMIT, ("right", "long", "very_long"), words)


def _good_ms(name: str, good: RunSeen | None, run: RunSeen) -> float | None:
    """The known-good run's time, where it was timed from the same edge."""
    if good is None or good.result.kind != "strokes":
        return None
    if good.result.reference.of != run.result.reference.of:
        return None
    table = good.result.strokes
    values = table.first_edge_on_ms if name == "response" else table.first_edge_off_ms
    known = values[1:][np.isfinite(values[1:])]  # without the first, as _times
    return float(np.median(known)) if len(known) >= LEAST_STROKES else None


def _limits_ms(
    name: str, run: RunSeen, middle: float, first: float | None
) -> list[tuple[float, float, str]]:
    """A time, the sheet's upper limit for it, and which stroke it is of, in words. A first stroke
    that is slow beside the others says nothing of theirs."""
    if not isinstance(run.sheet, StrokesSheet):
        return []
    alike = first is not None and first < USUAL_FIRST * FIRST[2] * middle
    found = []
    for accept in run.sheet.accept:
        if accept.figure != name or accept.max_value is None:
            continue
        if accept.strokes_of != "rest":
            found.append((middle, accept.max_value, ""))
        if accept.strokes_of != "steady" and first is not None and alike:
            found.append((first, accept.max_value, " in the first stroke"))
    return found


def _evenness(on: Float, good: RunSeen | None) -> list[Finding]:
    known = on[np.isfinite(on)]
    if len(known) < LEAST_STROKES + 1 or not np.isfinite(on[0]) or not np.median(known[1:]) > 0:
        return [hidden(name, NO_NUMBER) for name in ("first_stroke", "scatter", "course")]
    later = known[1:]
    middle = float(np.median(later))
    return [
        _first(float(known[0]), middle, good),
        _scatter("scatter", "response", later, WIDE),
        _course(later),
    ]


def _first(first: float, middle: float, good: RunSeen | None) -> Finding:
    """A first stroke refills what drained during the rest; a known-good valve shows the usual
    amount."""
    usual, against = USUAL_FIRST, "as usual after a rest"
    if good is not None:
        table = good.result.strokes.first_edge_on_ms
        known = table[np.isfinite(table)]
        if len(known) > LEAST_STROKES:
            usual = max(float(known[0]) / float(np.median(known[1:])), 1.0)
            against = f"{usual:.2g} times in {good.name}"
    words = f"the first stroke took {first / middle:.2g} times the later ones ({against})"
    ratio, states = first / middle / usual, ("less", "right", "bit_slow", "slow")
    if good is None:
        return graded("first_stroke", ratio, 0.15, FIRST[2:], ("right", "slow"), words)
    return graded("first_stroke", ratio, ONE_STROKE, FIRST, states, words)


def _release_scatter(off: Float) -> Finding:
    known = off[np.isfinite(off)]
    if len(known) < LEAST_STROKES + 1 or not np.median(known[1:]) > 0:
        return hidden("release_scatter", NO_NUMBER)
    return _scatter("release_scatter", "release", known[1:], WIDE_RELEASE)


def _scatter(name: str, what: str, later: Float, wide: tuple[float, float]) -> Finding:
    """The middle half of the strokes gives the scatter; single late ones are a tail."""
    middle = float(np.median(later))
    robust = 1.4826 * float(np.median(np.abs(later - middle))) / middle
    late = int(np.count_nonzero(later > TAIL * middle + TAIL_MS))
    n = len(later)
    if late and late * 2 < n:
        words = f"{what} was much longer in {late} of {n} strokes than in the middle one "
        words += f"({middle:.3g} ms)"
        return seen(name, "tail", words, 0.95 if late > 1 else 0.75)
    words = f"{what} scatters by {100 * robust:.2g} % from stroke to stroke"
    states = ("right", "bit_wide", "wide")
    return graded(name, max(robust, 1e-4), 0.75 / np.sqrt(n), wide, states, words)


def _course(later: Float) -> Finding:
    third = max(len(later) // 3, 1)
    early, late = float(np.median(later[:third])), float(np.median(later[-third:]))
    sd = summarise(later).sd or 0.0
    u = max(1.2533 * sd * np.sqrt(2.0 / third) / max(late, 1e-9), 0.02)
    words = f"response went from {early:.3g} to {late:.3g} ms in the course of the run"
    bounds = (1 / IMPROVES, IMPROVES)
    return graded(
        "course", early / late, float(u), bounds, ("worsens", "steady", "improves"), words
    )


def _bounce(run: RunSeen) -> Finding:
    on, off = run.result.switch.bounce_on, run.result.switch.bounce_off
    edges = [b.edges_max for b in (on, off) if b.edges_max is not None]
    if not edges:
        return hidden("bounce", NO_NUMBER)
    most = max(edges)
    words = f"at most {most} bounce edges in one change of the switch"
    return graded("bounce", max(most, 1) / MANY_BOUNCES, 0.15, (1.0,), ("right", "many"), words)


def _lost(run: RunSeen, whole: Bool) -> Finding:
    """Edges without a command: contact lost and regained."""
    table = run.result.strokes
    dropped = _marked(run, marks.DROPPED_OUT) | (table.edges_with_no_command > 0)
    n, of = int((dropped & whole).sum()), int(whole.sum())
    early = run.result.unexpected_edges
    if not n and not early:
        return seen("lost_contact", "none", "the switch changed only when it was commanded")
    words = (
        f"{early} switch edge{'s' if early != 1 else ''} with no command, in {n} of {of} strokes"
    )
    state = "some"
    if _closes_at_rest(run):
        state, words = "at_rest", f"{words}, some of them on while the coil was off"
    return seen("lost_contact", state, words, 0.8 if early <= 2 and of > LEAST_STROKES else PLAIN)


def _closes_at_rest(run: RunSeen) -> bool:
    """The switch went on while the coil was off and the contact had settled: a touching wire, not a
    lost contact."""
    edges, windows = run.recording.edges.get(SWITCH), stroke_windows(run.recording)
    if edges is None or not len(windows):
        return False
    closing = edges.t_ns[edges.level == run.result.contact.on_level]
    stroke = np.searchsorted(windows.on_ns, closing, "right") - 1
    off = np.where(stroke >= 0, windows.off_ns[np.maximum(stroke, 0)], 0)
    release_ms = run.result.summaries["release_ms"].median or 0.0
    quiet = int(1e6 * max(AT_REST_MS, 2.0 * release_ms))
    return int(((closing > off + quiet) & (stroke >= 0)).sum()) >= 2
