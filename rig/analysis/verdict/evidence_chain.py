# SPDX-License-Identifier: MIT
"""What this run shows of the chain in front of the valve, and of the switch behind it.

A missed stroke says something of what was tested only where that chain was shown to be whole.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rig.analysis.coil import coil_state
from rig.analysis.coil.plunger_timing import Signature
from rig.analysis.measure import marks
from rig.analysis.measure.conditions import Conditions, oil_degc, stated, supply_v
from rig.analysis.measure.gauge_position import NEAR_ZERO_KPA, GaugeSeen, gauge_seen
from rig.analysis.measure.pressure_rise_fall import PressureTable
from rig.analysis.measure.stroke_table import StrokeTable
from rig.analysis.measure.switch_state import Contact
from rig.analysis.verdict.coil_advice import GAPS
from rig.config.setup.model import Setup
from rig.config.sheet.model import Sheet
from rig.core.clock import NS_PER_S
from rig.core.recording import Bool, Int64, Recording, SampleSeries
from rig.core.records import READBACK

SUPPLY_SHARE = 0.8
"""A supply below this share of the setup's voltage is not taken as present (common practice, no
source)."""
WARM_DEGC = 50.0
"""Oil below this is not taken as warm (common practice, no source)."""
FRESH_S = 2.0
"""The last reading before a missed stroke may be this old, or two gauge periods."""

OIL_TEMPERATURE, BASE_PRESSURE, COIL_SUPPLY = "oil temperature", "base pressure", "coil supply"
COIL_LIVE, REST_STATE, RELEASED = "coil live", "rest state", "release"
COIL_CURRENT = "coil current"
SWITCH_ANSWER = "switch against gauge"

URGENT, SEEN, MISSING = 0, 1, 2
"""How a gap came out, in the order in which it is to be looked at."""

BASE_CHECK = (
    "measure the oil's base pressure (oil level, warm oil, gauge before the valve); state it with "
    "--base-pressure, and base_pressure_min in the sheet"
)
SUPPLY_CHECK = (
    "measure the supply voltage at the relay with the coil energised; state it with "
    "--supply-voltage"
)


class Link(NamedTuple):
    """One link: whether it was shown to be whole, what was found, what to check next. A gap is
    URGENT, SEEN (evidence against it) or only MISSING; `given` says that a value of it was
    measured or stated and nothing speaks against it, although it may prove nothing."""

    name: str
    shown: bool
    found: str
    next_check: str
    rank: int = MISSING
    given: bool = False


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
    """The links in the order that saves time, judged for the missed strokes of `table`. Without
    missed strokes: for the whole run. `gauge` is that of gauge_of; the coil's current is a link
    where it was recorded."""
    missed = np.flatnonzero(table.missed)
    at_ns = table.on_ns[missed] if len(missed) else table.on_ns[:1]
    before_kpa = _pressure_before(pressure, at_ns, setup)
    stayed = stayed_on(table, contact)
    watched = READBACK in recording.edges or READBACK in recording.levels
    links = (
        _base_pressure(sheet, conditions, before_kpa, gauge),
        _supply(recording, setup, conditions, signature),
        _coil(table, missed),
        *_current(signature),
        _rest(table, missed, stayed, contact, _pressed(watched, gauge)),
        _released(watched, stayed),
        _answer(sheet, gauge, len(missed)),
    )
    if setup is None or setup.medium == "oil":
        return (_oil_temperature(recording, conditions), *links)
    return links


def gauge_of(table: StrokeTable, pressures: PressureTable | None) -> GaugeSeen:
    """What the gauge did in the missed strokes; without missed strokes: in all of them."""
    missed = np.flatnonzero(table.missed)
    return gauge_seen(pressures, missed if len(missed) else np.arange(len(table)))


def _oil_temperature(recording: Recording, conditions: Conditions) -> Link:
    degc, how = oil_degc(recording, conditions) or (None, "")
    if degc is None:
        return Link(
            OIL_TEMPERATURE, False, "the oil's temperature was neither measured nor stated",
            "measure the oil's temperature and warm it up; state it with --oil-temperature",
        )  # fmt: skip
    if degc < WARM_DEGC:
        return Link(
            OIL_TEMPERATURE, False, f"the oil was {how} as {degc:.0f} degC, which is not warm",
            "warm the oil up, then run again", SEEN,
        )  # fmt: skip
    return Link(OIL_TEMPERATURE, True, f"oil {how} as {degc:.0f} degC", "")


def _current(signature: Signature | None) -> tuple[Link, ...]:
    """What flowed in the coil, where it was recorded and could be judged."""
    if signature is None or signature.coil.state == coil_state.UNKNOWN:
        return ()
    coil = signature.coil
    if coil.state in GAPS:
        return (Link(COIL_CURRENT, False, coil.found, coil.next_check, SEEN),)
    return (Link(COIL_CURRENT, True, coil.found, ""),)


def _supply(
    recording: Recording,
    setup: Setup | None,
    conditions: Conditions,
    signature: Signature | None,
) -> Link:
    found_v, how = supply_v(recording, conditions) or (None, "")
    if found_v is None and signature is not None and signature.coil.state == coil_state.SOUND:
        words = f"supply not measured, but shown by the coil's {signature.coil.steady_a:.3g} A"
        return Link(COIL_SUPPLY, True, words, "")
    if found_v is None:
        words = "the coil's supply was neither measured nor stated"
        return Link(COIL_SUPPLY, False, words, SUPPLY_CHECK)
    least_v = SUPPLY_SHARE * setup.coil.supply_voltage_v if setup else 0.0
    if not found_v > least_v:
        low = f"the coil's supply was {how} as {found_v:.1f} V, below {least_v:.1f} V"
        return Link(COIL_SUPPLY, False, low, "restore the coil's supply, then run again", SEEN)
    return Link(COIL_SUPPLY, True, f"supply {how} as {found_v:.1f} V", "")


def _base_pressure(
    sheet: Sheet | None, conditions: Conditions, before_kpa: float | None, gauge: GaugeSeen
) -> Link:
    stated_kpa, how = stated(conditions, "base_pressure", "kPa")
    found = [] if stated_kpa is None else [(stated_kpa, f"{how} as {stated_kpa:.0f} kPa")]
    aside = ""
    if gauge.near_zero or (before_kpa is not None and before_kpa < NEAR_ZERO_KPA):
        # its resting value is no base pressure; what it holds while energised came through
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
        return Link(BASE_PRESSURE, False, words, BASE_CHECK)
    if least is None:
        words = f"the sheet gives no minimum base pressure to hold the run against ({told})"
        return Link(BASE_PRESSURE, False, words, BASE_CHECK, given=True)
    if any(kpa >= least for kpa, _ in found):
        return Link(BASE_PRESSURE, True, told, "")
    return Link(
        BASE_PRESSURE, False, f"the {told}, below {least:.0f} kPa",
        "look at oil level, oil temperature and the pressure supply, and measure the base "
        "pressure in front of the valve", SEEN,
    )  # fmt: skip


def _pressure_before(
    pressure: SampleSeries | None, at_ns: Int64, setup: Setup | None
) -> float | None:
    """The lowest of the last good readings before each instant; None where one has none."""
    if pressure is None or not len(at_ns):
        return None
    t_ns, value = pressure.t_ns[pressure.good], pressure.value[pressure.good]
    place = np.searchsorted(t_ns, at_ns, "right") - 1
    if not len(t_ns) or (place < 0).any():
        return None
    source = setup.pressure_source if setup else None
    period_s = source.period_s if source else 0.0
    if (at_ns - t_ns[place] > max(FRESH_S, 2 * period_s) * NS_PER_S).any():
        return None
    return float(value[place].min())


def _coil(table: StrokeTable, rows: Int64) -> Link:
    n = int(np.count_nonzero(_marked(table, marks.COIL_NOT_LIVE)[rows]))
    if n:
        return Link(
            COIL_LIVE, False, f"the coil was not seen to go live in {n} of the missed strokes",
            "look at fuse, relay, wiring and supply", SEEN,
        )  # fmt: skip
    return Link(COIL_LIVE, True, "no missed stroke shows a dead coil", "")


def stayed_on(table: StrokeTable, contact: Contact) -> Bool:
    """Strokes after whose release the switch stayed on, (n,). Where it was on before the first
    stroke already, that is its rest state and no stroke counts."""
    already = _marked(table, marks.ALREADY_ON)
    if contact.rest_on or already[:1].any():
        return np.zeros(len(table), np.bool_)
    into_next = _marked(table, marks.OFF_NOT_SETTLED) & np.append(already, np.False_)[1:]
    found: Bool = into_next | _marked(table, marks.NOT_RELEASED)
    return found & ~_marked(table, marks.CUT_SHORT)


def _pressed(watched: bool, gauge: GaugeSeen) -> bool:
    """Pressure may stand at the switch at rest because the coil is live: nothing watches the
    coil, and no gauge rests near zero."""
    return not watched and not gauge.near_zero


def _rest(
    table: StrokeTable, rows: Int64, stayed: Bool, contact: Contact, maybe_live: bool
) -> Link:
    after_stayed = np.append(np.False_, stayed)[: len(table)]
    on = _marked(table, marks.ALREADY_ON) & ~after_stayed
    n = int(np.count_nonzero(on[rows]))
    check = (
        "look at the switch at rest, coil off: its wiring and plug (unplug it: does it still read "
        "on?), the contact in the setup; then trapped pressure"
    )
    words, rank = "", SEEN
    if n:
        words = f"the switch was on already before {n} of the missed strokes"
    elif contact.rest_on:
        words = "the switch was on at rest, before the first command"
    if words and maybe_live:
        words, rank = f"{words}. The coil may be live: nothing watches it", URGENT
        check = (
            "measure at the coil or open the mushroom stop (is the drive unplugged from the "
            f"control unit?); then {check}"
        )
    if words:
        return Link(REST_STATE, False, words, check, rank)
    return Link(REST_STATE, True, "switch off at rest", "")


def _released(watched: bool, stayed: Bool) -> Link:
    n = int(np.count_nonzero(stayed))
    if not n:
        return Link(RELEASED, True, "the switch did not stay on after a release", "")
    found = f"the switch stayed on after release in {n} stroke{'s' if n > 1 else ''}"
    if watched:
        check = "look at the switch and its wiring, the pressure behind the valve, then the spool"
        return Link(RELEASED, False, found, check, SEEN)
    return Link(
        RELEASED, False, f"{found}. The coil may still be live: nothing watches it",
        "measure at the coil or open the mushroom stop; then relay contact, spool, switch", URGENT,
    )  # fmt: skip


def _answer(sheet: Sheet | None, gauge: GaugeSeen, missed: int) -> Link:
    """The gauge against the switch: pressure came, and the switch said nothing."""
    if not missed or not gauge.behind or gauge.held_kpa is None:
        return Link(SWITCH_ANSWER, True, "no missed stroke shows pressure at the switch", "")
    found = (
        f"the gauge rose to {gauge.held_kpa:.0f} kPa in {gauge.rose} of the missed strokes, so the "
        "valve let oil through, and the switch never answered"
    )
    check = "look at the switch, its wiring and plug, not the valve"
    least = sheet.base_pressure_min_kpa if sheet else None
    if least is None:
        check = (
            f"hold {gauge.held_kpa:.0f} kPa against the pressure that the switch needs: where it "
            f"is enough, {check}; where not, the base pressure (oil level, warm oil, pump)"
        )
    elif gauge.held_kpa < least:
        return Link(
            SWITCH_ANSWER, False, f"behind the valve the gauge rose to {gauge.held_kpa:.0f} kPa "
            f"only, below {least:.0f} kPa",
            "measure the base pressure in front of the valve with the coil energised (oil level, "
            "warm oil, pump), then inlet screen, passages and leaks", SEEN,
        )  # fmt: skip
    return Link(SWITCH_ANSWER, False, found, check, SEEN)


def _marked(table: StrokeTable, mark: str) -> Bool:
    return np.asarray((table.mark_bits & marks.bit(mark)) != 0)
