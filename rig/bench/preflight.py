# SPDX-License-Identifier: MIT
"""Checks before anything is energised: read-back dead, switch at rest, gauge alive."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import TYPE_CHECKING

from rig.bench.interlock import coil_and_program_rules, gauge_rules
from rig.bench.interlock.registry import Watch, watched
from rig.bench.preflight_channels import channel_checks
from rig.config.gauge.calibration import IN_DATE
from rig.config.setup.model import Setup
from rig.core.message_ids import trip_id
from rig.core.ports import Hardware
from rig.core.preflight import (
    BASE_PRESSURE,
    CALIBRATION,
    CONFIRM,
    COVER,
    DOUBTFUL,
    GAUGE,
    GOOD,
    LOAD_SIDE,
    NOT_WATCHED,
    REFUSED,
    STOP,
    SWITCH,
    ZERO,
    Check,
    Preflight,
)
from rig.core.records import Sample
from rig.core.rounding import apart

if TYPE_CHECKING:
    from rig.core.results.run import Rule


def judge(
    setup: Setup,
    hardware: Hardware,
    *,
    load_live: bool | None,
    switch_closed: bool,
    pressure_kpa: float | None,
    gauge_words: str,
    base_pressure_min_kpa: float | None,
    loops: Mapping[str, bool],
    readings: Mapping[str, Sample],
) -> Preflight:
    """Turn measurements at rest into checks. Nothing is energised for them."""
    checks = [_readback(setup, load_live), _switch(setup, switch_closed)]
    checks += [_loop(rule, loops.get(rule)) for rule in LOOPS]
    checks += _confirm_button(hardware)
    checks += _gauge(setup, pressure_kpa, gauge_words, base_pressure_min_kpa)
    checks += channel_checks(setup, readings)
    rules = watched(setup)
    return Preflight(
        checks,
        [_plain(w) for w in rules if w.watched],
        [_plain(w) for w in rules if not w.watched],
        hardware.source,
        hardware.description,
        load_live is True,
    )


LOOPS = {coil_and_program_rules.STOP_INPUT: STOP, coil_and_program_rules.COVER_INPUT: COVER}


def _loop(rule: str, closed: bool | None) -> Check:
    name = LOOPS[rule]
    if closed is None:
        return Check(name, NOT_WATCHED, "no input wired", "The program does not see it.")
    if closed:
        return Check(name, GOOD, "loop closed")
    finding = coil_and_program_rules.loop_open(rule, closed)
    remedy = finding.message if finding else ""
    return Check(name, REFUSED, "loop open", remedy, trip_id(rule))


def _confirm_button(hardware: Hardware) -> list[Check]:
    button = hardware.loops.get("confirm_input")
    if button is None:
        return []
    name = CONFIRM
    if not button.closed:
        return [Check(name, GOOD, "open, as it should be when nobody presses it")]
    return [
        Check(
            name, DOUBTFUL, "closed",
            "Let go of it. If nobody presses it, it is jammed or its wires touch, and the rig "
            "cannot be armed from the page.",
        )
    ]  # fmt: skip


def _plain(watch: Watch) -> Rule:
    rule = watch.rule
    return {
        "id": rule.id, "rule": rule.name, "reaction_ms": watch.reaction_ms, "why": watch.why,
    }  # fmt: skip


def _readback(setup: Setup, load_live: bool | None) -> Check:
    name = LOAD_SIDE
    if load_live is None:
        return Check(
            name, NOT_WATCHED, "no read-back wired",
            'Every "off" of this rig means commanded off, not confirmed. Wire a read-back.',
        )  # fmt: skip
    if not load_live:
        return Check(name, GOOD, "dead, as it should be before any command")
    if setup.coil.feed_side == "supply":
        what = "Something else feeds the coil, or the contact is welded."
    else:
        what = "Contact welded, fuse open, coil unplugged, or something else grounds the coil."
    return Check(
        name, REFUSED, "LIVE before any command",
        f"{what} Open the mushroom stop or pull the fuse. Is the drive unplugged from the control "
        "unit?",
        trip_id(coil_and_program_rules.READBACK),
    )  # fmt: skip


def _switch(setup: Setup, closed: bool) -> Check:
    name, shown = SWITCH, f"contact {'closed' if closed else 'open'} at rest"
    contact = setup.switch.contact
    if contact == "find":
        return Check(name, GOOD, f"{shown}; taken as its rest state")
    if closed == (contact == "normally closed"):
        return Check(name, GOOD, f"{shown}, as a {contact} contact should be")
    return Check(
        name, DOUBTFUL, f"{shown}, but the setup says {contact}",
        "Pressure already at the switch, a stuck switch, a wire off or shorted, or the wrong "
        "contact in the setup. Find out which before you trust a time.",
    )  # fmt: skip


def _calibration(setup: Setup, pressure_kpa: float) -> list[Check]:
    """Whether the gauge's calibration is in date, and its zero is where the calibration left it."""
    made = setup.calibration
    if made is None:
        return []
    in_date = made.state(datetime.datetime.now(datetime.UTC).date()) == IN_DATE
    checks = [
        Check(
            CALIBRATION, GOOD if in_date else DOUBTFUL,
            f"of {made.date}, {'due' if in_date else 'OUT OF DATE since'} {made.due}",
            "" if in_date else "Results will say so. Calibrate the gauge: `rig calibrate`; or look "
            "at the clock of this computer.",
        )
    ]  # fmt: skip
    if made.zero_check:
        held, words = made.zero_words(pressure_kpa)
        checks.append(
            Check(
                ZERO, GOOD if held else DOUBTFUL, words,
                "" if held else "Is the gallery really open to the air? If it is, the gauge has "
                "drifted: calibrate it anew before you trust a pressure.",
            )
        )  # fmt: skip
    return checks


def _gauge(
    setup: Setup, pressure_kpa: float | None, words: str, base_kpa: float | None
) -> list[Check]:
    name = GAUGE
    limit = setup.limits.pressure_kpa
    if setup.pressure_source is None or limit is None:
        return [Check(name, NOT_WATCHED, "no gauge wired", "Over-pressure is not watched.")]
    if pressure_kpa is None:
        checks_of = (
            "Check the gauge's supply, cable, port, baud rate and the pattern in the setup."
            if setup.gauge is not None
            else "Check the transducer's supply, its wires, and its [[analog]] table in the setup."
        )
        return [
            Check(
                name,
                REFUSED,
                f"no good reading ({words})",
                checks_of,
                trip_id(gauge_rules.GAUGE_STALE),
            )
        ]
    shown = f"{round(pressure_kpa, 0) + 0.0:.0f} kPa"  # no minus sign before zero
    if not pressure_kpa <= limit:
        return [
            Check(
                name, REFUSED,
                f"{apart(pressure_kpa, limit)} kPa, over the limit of "
                f"{apart(limit, pressure_kpa)} kPa",
                "Bring the supply pressure down first.",
                trip_id(gauge_rules.OVER_PRESSURE),
            )
        ]  # fmt: skip
    checks = [Check(name, GOOD, f"{shown}, alive"), *_calibration(setup, pressure_kpa)]
    if base_kpa is not None:
        checks.append(
            Check(
                BASE_PRESSURE, GOOD if pressure_kpa >= base_kpa else DOUBTFUL,
                f"{apart(pressure_kpa, base_kpa)} kPa at the gauge with the coil off; the sheet "
                f"asks for {apart(base_kpa, pressure_kpa)} kPa",
                "" if pressure_kpa >= base_kpa else
                "Where the gauge sits behind the valve this is normal at rest. Otherwise check oil "
                "level, grade and base pressure before you blame anything downstream.",
            )
        )  # fmt: skip
    return checks
