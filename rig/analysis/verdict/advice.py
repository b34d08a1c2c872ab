# SPDX-License-Identifier: MIT
"""From the links of the chain to words: what was not shown, and where to look next.

What was seen goes before what is merely missing, and the valve comes last.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rig.analysis.coil.plunger_timing import Signature
from rig.analysis.measure import marks
from rig.analysis.measure.gauge_position import GaugeSeen
from rig.analysis.measure.stroke_table import StrokeTable
from rig.analysis.verdict.coil_advice import coil_sound, longest_part, plunger_words
from rig.analysis.verdict.evidence_chain import (
    BASE_PRESSURE,
    COIL_CURRENT,
    COIL_SUPPLY,
    OIL_TEMPERATURE,
    RELEASED,
    REST_STATE,
    URGENT,
    Link,
)
from rig.analysis.verdict.limits import Missed
from rig.config.setup.model import Setup
from rig.config.sheet.model import Sheet, StrokesSheet


class Note(NamedTuple):
    """A sentence for the verdict's reasons, and the next check that goes with it."""

    why: str = ""
    next_check: str | None = None


class Advice(NamedTuple):
    """What the verdict adds to its limits. `first` goes before everything: the switch stayed on,
    and the coil may be live. `dropped`: the switch let go again while energised. `times`: for
    times beyond their limit."""

    first: Note = Note()
    dropped: Note = Note()
    times: Note = Note()


def advice(
    sheet: Sheet | None,
    setup: Setup | None,
    table: StrokeTable,
    links: tuple[Link, ...],
    signature: Signature | None = None,
) -> Advice:
    """What this run's chain adds to a verdict."""
    if not isinstance(sheet, StrokesSheet):
        return Advice()  # a hold or ramp holds the switch on as it should
    return Advice(_first(links), _dropped(table), _times(setup, links, signature))


def missed_of(
    sheet: Sheet | None,
    setup: Setup | None,
    table: StrokeTable,
    links: tuple[Link, ...],
    gauge: GaugeSeen,
    signature: Signature | None = None,
) -> Missed:
    """The strokes never answered, with every gap of the chain and the check that comes first."""
    if not isinstance(sheet, StrokesSheet):
        return Missed(0, 0)  # a hold or ramp energises the coil too, but not to be answered
    n, of = int(table.missed.sum()), len(table)
    gaps = [link for link in links if not link.shown and link.name != OIL_TEMPERATURE]
    if gaps:
        return Missed(n, of, "; ".join(link.found for link in gaps), _nearest(gaps).next_check)
    named = {link.name: link.found for link in links}
    shown = f"{named[BASE_PRESSURE]}, {named[COIL_SUPPLY]}"
    plunger, at_plunger = plunger_words(signature, table)
    shown += f"; {plunger}" if plunger else ""
    sound = coil_sound(signature)
    lacking = [] if sound else ["coil resistance"]
    checks = [] if sound else [_coil_check(setup)]
    checks += [at_plunger] if at_plunger else []
    if gauge.never_rose:
        shown += "; the gauge rested near zero and never rose"
        lacking.append("the switch")
        checks.append("the valve")
    else:
        lacking += ["the pressure behind the valve", "the switch"]
        checks += ["the switch with its wiring and plug", "the pressure behind the valve"]
        checks.append("the valve")
    check = ", then ".join(checks)
    words = (
        f"{', '.join(lacking[:-1])} and {lacking[-1]} were" if lacking[1:] else f"{lacking[0]} was"
    )
    not_shown = f"This does not say the valve is bad: {words} not shown in this run"
    return Missed(n, of, None, check, shown, not_shown)


def _nearest(gaps: list[Link]) -> Link:
    return min(gaps, key=lambda link: link.rank)


def _coil_check(setup: Setup | None) -> str:
    told = "" if setup is None else f" (setup says {setup.coil.resistance_ohm:g} ohm)"
    unseen = setup is not None and setup.readback is None
    return f"{'the fuse, then ' if unseen else ''}coil resistance at the plug{told}"


def _first(links: tuple[Link, ...]) -> Note:
    """What was seen of a switch that stays on, whether or not a stroke was missed."""
    seen = [link for link in links if not link.shown and link.name in (RELEASED, REST_STATE)]
    if not seen:
        return Note()
    link = _nearest(seen)
    why = f"{link.found[0].upper()}{link.found[1:]}."
    if link.rank == URGENT:
        why += f" {link.next_check[0].upper()}{link.next_check[1:]}."
    return Note(why, link.next_check)


def _dropped(table: StrokeTable) -> Note:
    n = int(np.count_nonzero(table.mark_bits & marks.bit(marks.DROPPED_OUT)))
    if not n:
        return Note()
    return Note(
        f"In {n} of {len(table)} strokes the switch dropped out again while the coil was "
        "energised.",
        "look at the switch, its wiring and plug, then at the pressure while energised",
    )


def _times(
    setup: Setup | None,
    links: tuple[Link, ...],
    signature: Signature | None,
) -> Note:
    wanted = (OIL_TEMPERATURE, BASE_PRESSURE, COIL_SUPPLY, COIL_CURRENT)
    gaps = [link for link in links if link.name in wanted and not (link.shown or link.given)]
    part, where = longest_part(signature)
    if not gaps and part:
        return Note(
            f"{part}. This alone does not say the valve is bad.", f"{where}, then the valve"
        )
    if not gaps:
        sound = coil_sound(signature)
        return Note(
            f"This does not say the valve is bad: {'' if sound else 'coil resistance, '}inlet "
            f"screen and passages were not shown in this run.",
            f"{'' if sound else _coil_check(setup) + ', then '}inlet screen and passages, then the "
            "valve",
        )
    told = "; ".join(link.found for link in gaps)
    it = "them" if len(gaps) > 1 else "it"
    return Note(
        f"Of the chain in front of the valve: {told}. Give {it} before you judge the valve."
        + (f" {part}." if part else ""),
        _nearest(gaps).next_check,
    )
