# SPDX-License-Identifier: MIT
"""What this run shows of the chain in front of the valve, and of the switch behind it.

A missed stroke says something about the valve only where this run showed supply, base pressure,
coil and switch, or a person stated that they were proved good. What to check next comes from
rig.diagnosis, not from here.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rig.analysis.coil import coil_state
from rig.analysis.coil.plunger_timing import Signature
from rig.analysis.measure import marks
from rig.analysis.measure.conditions import oil_degc, stated, supply_v
from rig.analysis.measure.gauge_position import NEAR_ZERO_KPA, GaugeSeen, gauge_seen
from rig.analysis.measure.pressure_rise_fall import PressureTable
from rig.analysis.measure.stroke_table import StrokeTable
from rig.analysis.measure.switch_state import Contact
from rig.analysis.verdict.limits import Missed
from rig.config.setup.model import Setup
from rig.config.sheet.model import Sheet, StrokesSheet
from rig.core.clock import NS_PER_S
from rig.core.message_ids import Message
from rig.core.recording import Bool, Int64, Recording, SampleSeries
from rig.core.records import READBACK
from rig.core.results.run import Conditions

SUPPLY_SHARE = 0.8
"""A supply below this share of the setup's voltage does not count as present (common practice, no
source)."""
WARM_DEGC = 50.0
"""Oil below this is not warm (common practice, no source)."""
FRESH_S = 2.0
"""How old the last reading before a missed stroke may be: this, or two gauge periods."""

BASE_PRESSURE, COIL_SUPPLY, COIL, SWITCH_LINK = "base pressure", "coil supply", "coil", "switch"
OIL_TEMPERATURE, COIL_LIVE, REST_STATE, RELEASED = (
    "oil temperature", "coil live", "rest state", "release",
)  # fmt: skip
COIL_CURRENT, SWITCH_ANSWER = "coil current", "switch against gauge"
PROVED = "proved"
"""The condition in which a person states which links were proved good."""
PROVABLE = {
    "supply": COIL_SUPPLY, "base pressure": BASE_PRESSURE, "coil": COIL, "switch": SWITCH_LINK,
}  # fmt: skip
"""Names used by people."""
CURRENT_GAPS = (
    coil_state.NO_CURRENT, coil_state.HIGH_OHM, coil_state.LOW_CURRENT, coil_state.LOW_OHM,
    coil_state.HIGH_CURRENT,
)  # fmt: skip
ISOLATE = Message(
    "advice.isolate", "measure at the coil or open the mushroom stop before anything is touched"
)
"""Comes first wherever the coil may be live and nothing watches it."""


class Link(NamedTuple):
    """One link: whether it was shown to be sound, and what was found. `against`: a gap was seen,
    not only unproved; `live`: the coil may be live and nothing watches it."""

    name: str
    shown: bool
    found: str
    against: bool = False
    live: bool = False


class Doubt(NamedTuple):
    """What was seen of the switch that leaves a run undecided, in sentences, and what to do before
    any other check."""

    why: tuple[str, ...] = ()
    next_check: Message | None = None


def chain(
    recording: Recording,
    setup: Setup | None,
    sheet: Sheet | None,
    conditions: Conditions,
    table: StrokeTable,
    pressure: SampleSeries | None,
    gauge: GaugeSeen,
    contact: Contact,
    signature: Signature | None = None,
) -> tuple[Link, ...]:
    """The links in the order that saves time, judged for the missed strokes of `table`; without
    missed strokes, for the whole run. `gauge` is that of gauge_of; the coil current is a link
    where it was recorded."""
    missed = np.flatnonzero(table.missed)
    at_ns = table.on_ns[missed] if len(missed) else table.on_ns[:1]
    before_kpa = _pressure_before(pressure, at_ns, setup)
    stayed = stayed_on(table, contact)
    watched = READBACK in recording.edges or READBACK in recording.levels
    links = (
        _base_pressure(sheet, conditions, before_kpa, gauge),
        _supply(recording, setup, conditions, signature),
        _coil_itself(signature),
        _switch(gauge),
        _coil_live(table, missed),
        *_current(signature),
        _rest(table, missed, stayed, contact, _pressed(watched, gauge)),
        _released(watched, stayed),
        _answer(sheet, gauge, len(missed)),
    )
    links = tuple(_stated_good(link, proved(conditions)) for link in links)
    if setup is None or setup.medium == "oil":
        return (_oil_temperature(recording, conditions), *links)
    return links


def proved(conditions: Conditions) -> tuple[str, ...]:
    """The links stated as proved good by a person, as named in PROVABLE."""
    value = conditions[PROVED]["value"] if PROVED in conditions else None
    names = [name.strip() for name in value.split(",")] if isinstance(value, str) else []
    return tuple(name for name in names if name in PROVABLE)


def _stated_good(link: Link, good: tuple[str, ...]) -> Link:
    """A link that a person proved counts as shown, unless this run shows the contrary."""
    if link.shown or link.against or link.name not in [PROVABLE[name] for name in good]:
        return link
    return Link(link.name, True, f"{link.name} stated as proved good")


def missed_of(sheet: Sheet | None, table: StrokeTable, links: tuple[Link, ...]) -> Missed:
    """The missed strokes, with every gap of the chain."""
    if not isinstance(sheet, StrokesSheet):
        return Missed(0, 0)  # a hold or ramp also energises the coil, but expects no answer
    n, of = int(table.missed.sum()), len(table)
    gaps = [link for link in links if not link.shown and link.name != OIL_TEMPERATURE]
    if gaps:
        return Missed(n, of, "; ".join(link.found for link in gaps))
    named = {link.name: link.found for link in links}
    return Missed(n, of, None, ", ".join(named[name] for name in PROVABLE.values()))


def doubt(sheet: Sheet | None, table: StrokeTable, links: tuple[Link, ...]) -> Doubt:
    """A switch that stays on or lets go again leaves the run undecided, with or without misses."""
    if not isinstance(sheet, StrokesSheet):
        return Doubt()  # in a hold or ramp the switch stays on as it should
    seen = [link for link in links if not link.shown and link.name in (RELEASED, REST_STATE)]
    seen.sort(key=lambda link: not link.live)
    live = bool(seen) and seen[0].live
    why = [_sentence(seen[0].found)] if seen else []
    if live:
        why.append(_sentence(ISOLATE.words))
    n = int(np.count_nonzero(_marked(table, marks.DROPPED_OUT)))
    if n:
        why.append(
            f"In {n} of {len(table)} strokes the switch dropped out again while the coil was "
            "energised."
        )
    return Doubt(tuple(why), ISOLATE if live else None)


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def gauge_of(table: StrokeTable, pressures: PressureTable | None) -> GaugeSeen:
    """What the gauge did in the missed strokes; without missed strokes, in all strokes."""
    missed = np.flatnonzero(table.missed)
    return gauge_seen(pressures, missed if len(missed) else np.arange(len(table)))


def _oil_temperature(recording: Recording, conditions: Conditions) -> Link:
    degc, how = oil_degc(recording, conditions) or (None, "")
    if degc is None:
        return Link(OIL_TEMPERATURE, False, "the oil's temperature was neither measured nor stated")
    if degc < WARM_DEGC:
        words = f"the oil was {how} as {degc:.0f} degC, which is not warm"
        return Link(OIL_TEMPERATURE, False, words, against=True)
    return Link(OIL_TEMPERATURE, True, f"oil {how} as {degc:.0f} degC")


def _coil_itself(signature: Signature | None) -> Link:
    if signature is not None and signature.coil.state == coil_state.SOUND:
        return Link(COIL, True, "coil shown by its current")
    return Link(COIL, False, "the coil itself was not shown to be good")


def _switch(gauge: GaugeSeen) -> Link:
    """A gauge that saw no pressure rise confirms the silent switch."""
    if gauge.never_rose:
        return Link(SWITCH_LINK, True, "switch and gauge agree: no pressure came")
    words = "the switch was not shown (no gauge behind the valve bears it out)"
    return Link(SWITCH_LINK, False, words)


def _current(signature: Signature | None) -> tuple[Link, ...]:
    """The current in the coil, where it was recorded and could be judged."""
    if signature is None or signature.coil.state == coil_state.UNKNOWN:
        return ()
    gap = signature.coil.state in CURRENT_GAPS
    return (Link(COIL_CURRENT, not gap, signature.coil.found, against=gap),)


def _supply(
    recording: Recording,
    setup: Setup | None,
    conditions: Conditions,
    signature: Signature | None,
) -> Link:
    found_v, how = supply_v(recording, conditions) or (None, "")
    if found_v is None and signature is not None and signature.coil.state == coil_state.SOUND:
        words = f"supply not measured, but shown by the coil's {signature.coil.steady_a:.3g} A"
        return Link(COIL_SUPPLY, True, words)
    if found_v is None:
        words = "the coil's supply was neither measured nor stated"
        return Link(COIL_SUPPLY, False, words)
    least_v = SUPPLY_SHARE * setup.coil.supply_voltage_v if setup else 0.0
    if not found_v > least_v:
        low = f"the coil's supply was {how} as {found_v:.1f} V, below {least_v:.1f} V"
        return Link(COIL_SUPPLY, False, low, against=True)
    return Link(COIL_SUPPLY, True, f"supply {how} as {found_v:.1f} V")


def _base_pressure(
    sheet: Sheet | None, conditions: Conditions, before_kpa: float | None, gauge: GaugeSeen
) -> Link:
    stated_kpa, how = stated(conditions, "base_pressure", "kPa")
    found = [] if stated_kpa is None else [(stated_kpa, f"{how} as {stated_kpa:.0f} kPa")]
    aside = ""
    if gauge.near_zero or (before_kpa is not None and before_kpa < NEAR_ZERO_KPA):
        # its resting value is not base pressure; the pressure it holds while energised came through
        if gauge.behind and gauge.held_kpa is not None:
            words = f"measured behind the valve as {gauge.held_kpa:.0f} kPa while energised"
            found.insert(0, (gauge.held_kpa, words))
        else:
            aside = "; the gauge rested near zero and never rose, which does not show it"
    elif before_kpa is not None:
        found.insert(0, (before_kpa, f"measured as {before_kpa:.0f} kPa"))
    told = f"base pressure {', '.join(words for _, words in found)}"
    least = sheet.base_pressure_min_kpa if sheet else None
    if not found:
        words = f"the base pressure was neither measured nor stated in this run{aside}"
        return Link(BASE_PRESSURE, False, words)
    if least is None:
        words = f"the sheet gives no minimum base pressure to hold the run against ({told})"
        return Link(BASE_PRESSURE, False, words)
    if any(kpa >= least for kpa, _ in found):
        return Link(BASE_PRESSURE, True, told)
    return Link(BASE_PRESSURE, False, f"the {told}, below {least:.0f} kPa", against=True)


def _pressure_before(
    pressure: SampleSeries | None, at_ns: Int64, setup: Setup | None
) -> float | None:
    """The lowest of the last good readings before each instant; None where one has none."""
    if pressure is None or not len(at_ns):
        return None
    t_ns, value = pressure.of_good()
    place = np.searchsorted(t_ns, at_ns, "right") - 1
    if not len(t_ns) or (place < 0).any():
        return None
    source = setup.pressure_source if setup else None
    period_s = source.period_s if source else 0.0
    if (at_ns - t_ns[place] > max(FRESH_S, 2 * period_s) * NS_PER_S).any():
        return None
    return float(value[place].min())


def _coil_live(table: StrokeTable, rows: Int64) -> Link:
    n = int(np.count_nonzero(_marked(table, marks.COIL_NOT_LIVE)[rows]))
    if n:
        words = f"the coil was not seen to go live in {n} of the missed strokes"
        return Link(COIL_LIVE, False, words, against=True)
    return Link(COIL_LIVE, True, "no missed stroke shows a dead coil")


def stayed_on(table: StrokeTable, contact: Contact) -> Bool:
    """Strokes after whose release the switch stayed on, (n,). Where it was already on before the
    first stroke, that is its rest state and no stroke counts."""
    already = _marked(table, marks.ALREADY_ON)
    if contact.rest_on or already[:1].any():
        return np.zeros(len(table), np.bool_)
    into_next = _marked(table, marks.OFF_NOT_SETTLED) & np.append(already, np.False_)[1:]
    found: Bool = into_next | _marked(table, marks.NOT_RELEASED)
    return found & ~_marked(table, marks.CUT_SHORT)


def _pressed(watched: bool, gauge: GaugeSeen) -> bool:
    """Pressure may act on the switch at rest because the coil is live: nothing watches the coil,
    and no gauge rests near zero."""
    return not watched and not gauge.near_zero


def _rest(
    table: StrokeTable, rows: Int64, stayed: Bool, contact: Contact, maybe_live: bool
) -> Link:
    after_stayed = np.append(np.False_, stayed)[: len(table)]
    on = _marked(table, marks.ALREADY_ON) & ~after_stayed
    n = int(np.count_nonzero(on[rows]))
    words = ""
    if n:
        words = f"the switch was on already before {n} of the missed strokes"
    elif contact.rest_on:
        words = "the switch was on at rest, before the first command"
    if not words:
        return Link(REST_STATE, True, "switch off at rest")
    if maybe_live:
        words += ". The coil may be live: nothing watches it"
    return Link(REST_STATE, False, words, against=True, live=maybe_live)


def _released(watched: bool, stayed: Bool) -> Link:
    n = int(np.count_nonzero(stayed))
    if not n:
        return Link(RELEASED, True, "the switch did not stay on after a release")
    words = f"the switch stayed on after release in {n} stroke{'s' if n > 1 else ''}"
    if not watched:
        words += ". The coil may still be live: nothing watches it"
    return Link(RELEASED, False, words, against=True, live=not watched)


def _answer(sheet: Sheet | None, gauge: GaugeSeen, missed: int) -> Link:
    """Gauge against switch: pressure came, and the switch did not respond."""
    if not missed or not gauge.behind or gauge.held_kpa is None:
        return Link(SWITCH_ANSWER, True, "no missed stroke shows pressure at the switch")
    least = sheet.base_pressure_min_kpa if sheet else None
    if least is not None and gauge.held_kpa < least:
        words = (
            f"behind the valve the gauge rose to {gauge.held_kpa:.0f} kPa only, "
            f"below {least:.0f} kPa"
        )
    else:
        words = (
            f"the gauge rose to {gauge.held_kpa:.0f} kPa in {gauge.rose} of the missed strokes, so "
            "the valve let oil through, and the switch never answered"
        )
    return Link(SWITCH_ANSWER, False, words, against=True)


def _marked(table: StrokeTable, mark: str) -> Bool:
    return np.asarray((table.mark_bits & marks.bit(mark)) != 0)
