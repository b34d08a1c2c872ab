# SPDX-License-Identifier: MIT
"""How far a fault has gone moves what it should, one way only, and nothing that it should not.

Which way each figure goes is common practice, no source.
"""

from __future__ import annotations

import functools
import itertools
import math
import statistics
from collections.abc import Sequence
from typing import NamedTuple

import pytest
from simulated_rigs import MS, NS, Seen, plant, setup, strokes

from rig.config.plant.fault_names import APART, FAULT_KINDS, Fault
from rig.simulated import faults

COUNT = 6
STEPS = (0.25, 0.5, 0.75, 1.0)


class Figures(NamedTuple):
    """Of one run; infinite where no stroke has it. Times in ms, pressures in kPa."""

    first: float
    response: float
    release: float
    slowest_release: float
    on_kpa: float
    residual_kpa: float
    missed: int
    live_after: float
    dead_after: float
    switch_edges: int
    current_a: float
    gauge_on: float
    gauge_off: float
    lines: int
    level_at_rest: int


class Whole(NamedTuple):
    """Everything of a run that a fault may leave alone, to be equal to the last digit."""

    readback: list[tuple[int, int]]
    switch: list[tuple[int, int]]
    gauge: list[tuple[int, bytes]]
    plunger: list[int]
    pressure: list[int]


def mean(values: Sequence[float]) -> float:
    return statistics.mean(values) if values else math.inf


@functools.cache
def made(fault: str, severity: float) -> tuple[Figures, Whole]:
    source, seen = plant(simulated={"fault": f"{fault}:{severity}", "fault_after": "1 s"}), Seen()
    rest_level = source.level("switch")
    done, currents, residuals = [], [], []
    for stroke in strokes(source, seen, 2 * NS, COUNT):
        done.append(stroke)
        residuals.append(source.pressure_kpa(stroke.off_ns + 499 * MS))
    source.set_relay(True, 9 * NS)
    source.advance(9 * NS + 400 * MS)
    currents.append(source.current_a(9 * NS + 400 * MS))
    up = [s for s in done if s.up and s.live_ns is not None]
    down = [s for s in done if s.down and s.dead_ns is not None]
    releases = [s.release_ms for s in down]
    stays_on = any(s.up and not s.down for s in done)
    numbers = [line for line in seen.lines if line[1][2:3].isdigit()]
    readings = [(t, float(data[2:-6])) for t, data in numbers if data.startswith(b"P=")]
    last = done[-1]
    truth = source.truth.times_ns
    figures = Figures(
        first=done[0].response_ms if done[0] in up else math.inf,
        response=mean([s.response_ms for s in up if s is not done[0]]),
        release=mean(releases),
        slowest_release=math.inf if stays_on else max(releases, default=math.inf),
        on_kpa=mean([s.pressure_kpa for s in done]),
        residual_kpa=mean(residuals),
        missed=sum(not s.up for s in done),
        live_after=mean([(s.live_ns - s.on_ns) / MS for s in done if s.live_ns is not None]),
        dead_after=mean([(s.dead_ns - s.off_ns) / MS for s in done if s.dead_ns is not None]),
        switch_edges=len(seen.of("switch")),
        current_a=currents[0],
        gauge_on=mean([p for t, p in readings if last.on_ns + 380 * MS < t < last.off_ns]),
        gauge_off=mean([p for t, p in readings if last.off_ns + 380 * MS < t < 8 * NS]),
        lines=len(seen.lines),
        level_at_rest=rest_level,
    )
    whole = Whole(
        seen.of("readback"),
        seen.of("switch"),
        seen.lines,
        truth("plunger in") + truth("plunger out"),
        truth("switch actuated") + truth("switch reset"),
    )
    return figures, whole


ELECTRIC = ("readback",)
HYDRAULIC = ("readback", "plunger")
SWITCH = ("readback", "plunger", "gauge")
GAUGE = ("readback", "switch", "plunger", "pressure")

CASES = [
    # fault, figures that rise, figures that fall, what stays to the last digit
    ("low oil level", ("first",), ("gauge_on",), ("readback",)),
    ("oil too thick", ("response", "release"), (), ("readback",)),
    ("oil too thin", ("response",), ("on_kpa", "gauge_on"), ("readback",)),
    ("dirty oil", ("first", "response", "release"), (), HYDRAULIC),
    ("low oil pressure", ("first",), ("on_kpa",), HYDRAULIC),
    ("aerated oil", ("response", "release", "residual_kpa"), (), HYDRAULIC),
    ("cold oil", ("response", "release", "residual_kpa"), (), ("readback",)),
    ("oil pressure surge", ("on_kpa", "gauge_on"), (), HYDRAULIC),
    ("low supply voltage", ("response",), ("current_a",), ELECTRIC),
    ("high-resistance joint", ("response",), ("current_a",), ELECTRIC),
    ("connector off", ("response",), ("current_a",), ELECTRIC),
    ("open coil", ("response",), ("current_a",), ELECTRIC),
    ("shorted turns", ("release",), (), ELECTRIC),
    ("fuse open", (), ("current_a",), ()),
    ("contact welded", ("dead_after",), (), ()),
    ("relay dead", ("missed",), (), ()),
    ("relay slow", ("live_after", "dead_after"), (), ()),
    ("stuck plunger", ("first", "missed"), (), ELECTRIC),
    ("spool stuck off", ("response", "missed"), (), HYDRAULIC),
    ("spool stuck on", ("residual_kpa", "gauge_off"), ("first",), HYDRAULIC),
    ("sticking spool", ("slowest_release",), (), HYDRAULIC),
    ("weak return spring", ("release",), ("response",), HYDRAULIC),
    ("clogged inlet screen", ("response", "first"), (), HYDRAULIC),
    ("blocked drain", ("release", "residual_kpa"), ("first",), HYDRAULIC),
    ("leaking lock seals", ("response",), ("on_kpa", "release"), HYDRAULIC),
    ("switch stuck open", ("missed",), ("switch_edges",), (*SWITCH, "pressure")),
    ("switch stuck closed", (), ("switch_edges",), (*SWITCH, "pressure")),
    ("switch chattering", ("switch_edges",), (), (*SWITCH,)),
    ("switch actuates too high", ("response", "missed"), (), SWITCH),
    ("switch resets too low", ("release",), (), SWITCH),
    ("switch wire intermittent", ("switch_edges",), (), (*SWITCH, "pressure")),
    ("gauge silent", (), ("lines",), GAUGE),
    ("gauge offset", ("gauge_on", "gauge_off"), (), GAUGE),
    ("gauge line blocked", (), ("gauge_on",), GAUGE),
    ("gauge lagging", ("gauge_off",), ("gauge_on",), GAUGE),
    ("rocker lock stuck free", (), (), (*GAUGE, "gauge")),
    ("rocker lock stuck locked", (), (), (*GAUGE, "gauge")),
]

ELSEWHERE = {"gauge garbage", "gauge NaN", "gauge frozen"}
"""Held below: what they spoil are texts."""


def test_every_fault_that_comes_in_degrees_is_held() -> None:
    graded = {name for name, kind in FAULT_KINDS.items() if kind.graded}
    assert graded == {case[0] for case in CASES} | ELSEWHERE


@pytest.mark.parametrize(("fault", "rise", "fall", "stay"), CASES, ids=[c[0] for c in CASES])
def test_a_fault_goes_one_way(fault, rise, fall, stay) -> None:
    sound, before = made("none", 1.0)
    row = [sound, *(made(fault, severity)[0] for severity in STEPS)]
    for figure in rise:
        values = [getattr(figures, figure) for figures in row]
        assert all(a <= b for a, b in itertools.pairwise(values)), (figure, values)
        assert values[-1] > values[0], (figure, values)
    for figure in fall:
        values = [getattr(figures, figure) for figures in row]
        values = [math.inf if value == math.inf else value for value in values]
        kept = [value for value in values if value != math.inf]  # it never happened any more
        assert all(a >= b for a, b in itertools.pairwise(kept)), (figure, values)
        assert kept[-1] < kept[0], (figure, values)
    for severity, what in itertools.product(STEPS, stay):
        assert getattr(made(fault, severity)[1], what) == getattr(before, what), (severity, what)


@pytest.mark.parametrize("fault", [name for name in FAULT_KINDS if name != "none"])
def test_at_severity_0_a_rig_is_sound(fault: str) -> None:
    chosen = setup(simulated={"fault": f"{fault}:0"})
    plain = setup()
    assert chosen.simulated is not None and plain.simulated is not None
    applied = faults.apply(chosen.simulated, chosen)
    assert applied.model_copy(update={"fault": ()}) == plain.simulated


@pytest.mark.parametrize("fault", [n for n, kind in FAULT_KINDS.items() if not kind.graded])
def test_what_is_there_or_not_is_there_whole(fault: str) -> None:
    given = [setup(simulated={"fault": f"{fault}:{share}"}) for share in (0.01, 1)]
    parts = []
    for one in given:
        assert one.simulated is not None
        parts.append(faults.apply(one.simulated, one).model_copy(update={"fault": ()}))
    assert parts[0] == parts[1]


@pytest.mark.parametrize(
    ("fault", "spoilt"),
    [("gauge garbage", lambda data: not data.startswith(b"P=")),
     ("gauge NaN", lambda data: data == b"P=nan kPa\r\n")],
)  # fmt: skip
def test_a_share_of_the_readings_is_spoilt(fault, spoilt) -> None:
    counts = [sum(spoilt(data) for _, data in made(fault, share)[1].gauge) for share in (0, *STEPS)]
    assert counts == sorted(counts)
    assert counts[0] == 0
    assert counts[-1] > 2 * counts[1] > 0
    assert made(fault, 0.5)[1].switch == made("none", 1.0)[1].switch


def test_a_gauge_freezes_more_and_more_often() -> None:
    def repeated(severity: float) -> int:
        lines = [data for _, data in made("gauge frozen", severity)[1].gauge]
        return max(lines.count(line) for line in set(lines))

    counts = [repeated(severity) for severity in STEPS]
    assert counts == sorted(counts)
    assert counts[-1] > counts[0]


def test_several_at_once_do_what_each_does() -> None:
    both = plant(simulated={"fault": ["clogged inlet screen:0.6", "gauge offset"]})
    seen = Seen()
    done = list(strokes(both, seen, 2 * NS, COUNT))
    clogged, _ = made("clogged inlet screen", 0.6)
    assert mean([s.response_ms for s in done[1:]]) == pytest.approx(clogged.response)
    assert float(seen.lines[0][1][2:-6]) == pytest.approx(40.0, abs=1.5)


def test_the_order_in_which_they_are_named_does_not_count() -> None:
    names = ["low oil pressure:0.5", "switch actuates too high:0.5", "oil too thin"]
    one, other = (setup(simulated={"fault": order}) for order in (names, names[::-1]))
    assert one.simulated is not None and other.simulated is not None
    update = {"fault": ()}
    assert faults.apply(one.simulated, one).model_copy(update=update) == faults.apply(
        other.simulated, other
    ).model_copy(update=update)


def test_what_sets_one_thing_to_two_values_is_refused() -> None:
    chosen = setup()
    rig = chosen.simulated
    assert rig is not None

    def settings(name: str) -> dict[tuple[str, str], object]:
        """What it sets that does not come in degrees."""
        found = faults.changes(rig, chosen, Fault(name))  # type: ignore[arg-type]
        return {
            (part, key): value
            for part, values in found.items()
            for key, value in values.items()
            if isinstance(value, bool | str)
        }

    for one, other in itertools.combinations(FAULT_KINDS, 2):
        a, b = settings(one), settings(other)
        if any(a[key] != b[key] for key in a.keys() & b.keys()):
            assert any({one, other} <= group for group in APART), (one, other)
