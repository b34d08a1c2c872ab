# SPDX-License-Identifier: MIT
"""Cautions about a rig as wired, and about a sheet on it: no refusals."""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterator

from rig.config.dated import OUT_OF_DATE
from rig.config.gauge.calibration import FEW_POINTS
from rig.config.setup.model import Setup
from rig.config.sheet.loads import load_of, worst_duty
from rig.config.sheet.model import Sheet
from rig.core.message_ids import Message

NEAR = 0.95
"""Closer to a limit than this, the loop's own delay may trip it."""


def cautions(setup: Setup) -> list[Message]:
    """Cautions for a setup, the most important first."""
    return list(_setup_cautions(setup))


def sheet_cautions(setup: Setup, sheet: Sheet) -> list[Message]:
    """Cautions for a sheet on a setup."""
    return list(_sheet_cautions(setup, sheet))


def _setup_cautions(setup: Setup) -> Iterator[Message]:
    if setup.backend == "board":
        yield Message(
            "caution.no-safety-function",
            "This program is no safety function. Fuse, normally-open relay with pull-down, "
            "mushroom stop in the coil's supply and relief valve are wired in hardware.",
        )
        yield _medium_caution(setup)
        yield from _pull_cautions(setup)
    if setup.readback is None:
        yield Message(
            "caution.no-readback",
            "No read-back: a welded relay contact is not seen, and after each stroke the coil is "
            '"commanded off, not confirmed".',
        )
    if setup.pressure_source is None:
        yield Message(
            "caution.no-gauge",
            "No gauge: nothing watches the pressure. A relief valve alone limits it.",
        )
    source = setup.pressure_source
    if source is not None and setup.limits.pressure_kpa is not None:
        room_kpa = setup.limits.pressure_kpa - source.expected_range_kpa[1]
        accuracy_kpa = source.accuracy_kpa
        if accuracy_kpa is not None and room_kpa <= accuracy_kpa:
            yield Message(
                "caution.limit-near-expected",
                f"The pressure limit is {room_kpa:.3g} kPa above the expected range, no more than "
                f"the {source.name}'s accuracy of {accuracy_kpa:.3g} kPa: a healthy run may trip.",
            )
    yield from _calibration_cautions(setup)
    if setup.timing is not None:
        timing = setup.timing.standing(_today(), setup.wired_for_timing)
        if timing.why:
            yield Message("caution.timing-out-of-date", timing.why)
    gauge = setup.gauge if setup.backend == "board" else None  # a simulated one has its own port
    if gauge is not None and re.fullmatch(r"/dev/tty(USB|ACM)[0-9]+", gauge.port):
        yield Message(
            "caution.port-by-order",
            f"{gauge.port} is whichever adapter is plugged in first: use its name under "
            "/dev/serial/by-id (by-path for twins without a serial number).",
        )
    if setup.limits.duty >= 1:
        yield Message(
            "caution.duty-never-trips",
            "limits.duty is 100 %: the duty rule can never trip.",
        )
    if setup.switch.contact == "find":
        yield Message(
            "caution.contact-learned",
            "The contact's kind is learned from the rest state: a switch that is stuck at rest is "
            "taken for the other kind. Write it down once it is known.",
        )


def _pull_cautions(setup: Setup) -> Iterator[Message]:
    """The pin's own pull divides with the resistor before the pin (simulated)."""
    tables = {
        "switch": setup.switch,
        "stop_input": setup.stop_input,
        "cover_input": setup.cover_input,
        "confirm_input": setup.confirm_input,
    }
    own = [name for name, wired in tables.items() if wired is not None and wired.pull != "external"]
    if own:
        yield Message(
            "caution.own-pull",
            f"{', '.join(f'[{name}]' for name in own)}: the pin's own pull is for a contact right "
            'at the pin. Behind the resistors of hardware/README.md write pull = "external", or a '
            "closed contact may not be read as one.",
        )


def _today() -> datetime.date:
    return datetime.datetime.now(datetime.UTC).date()


def _calibration_cautions(setup: Setup) -> Iterator[Message]:
    made, limit_kpa = setup.calibration, setup.limits.pressure_kpa
    if made is None:
        return
    if made.state(_today()) == OUT_OF_DATE:
        yield Message(
            "caution.gauge-out-of-date",
            f"The gauge is OUT OF DATE: its calibration of {made.date} was due on {made.due}. "
            "Results say so, and count its stated accuracy as well.",
        )
    if len(made.points) < FEW_POINTS:
        yield Message(
            "caution.few-calibration-points",
            f"The calibration has {len(made.points)} points: the uncertainty of its line is wide "
            f"with fewer than {FEW_POINTS}.",
        )
    low, high = made.range_kpa
    if limit_kpa is not None:
        nearest = min(made.points, key=lambda point: abs(point.reading_kpa - limit_kpa))
        off_kpa = nearest.reference_kpa - nearest.reading_kpa
        if off_kpa > 0.01 * limit_kpa:
            yield Message(
                "caution.gauge-reads-low",
                f"The interlock goes by raw readings: near its limit of {limit_kpa:.4g} kPa the "
                f"gauge reads {off_kpa:.3g} kPa too little, so it trips that much late. Lower "
                "limits.pressure by it.",
            )
    source = setup.pressure_source
    if source is not None and not (
        low <= source.expected_range_kpa[0] and source.expected_range_kpa[1] <= high
    ):
        yield Message(
            "caution.calibration-too-short",
            f"The calibration's points, {low:.4g} to {high:.4g} kPa, do not span the expected "
            "range: the correction is drawn out in a straight line beyond them.",
        )


def _medium_caution(setup: Setup) -> Message:
    if setup.medium == "air":
        return Message(
            "caution.compressed-air",
            "Compressed air can throw parts and injure eyes and skin: goggles on, regulator and "
            "relief valve set, fittings checked, and pressure let off before any is opened.",
        )
    return Message(
        "caution.hot-oil",
        "Hot oil under pressure burns, and a running engine has moving parts and exhaust gas: "
        "goggles and gloves on, hands and hoses clear, exhaust led away, extinguisher at hand.",
    )


def _sheet_cautions(setup: Setup, sheet: Sheet) -> Iterator[Message]:
    load, limits = load_of(sheet), setup.limits
    if load.on_s > NEAR * limits.on_time_s:
        yield Message(
            "caution.on-time-near-limit",
            "The on time comes within 5 % of limits.on_time: a late command may trip the run.",
        )
    late = load_of(sheet, setup.relay.release_delay_s)
    if NEAR * limits.duty < worst_duty(late, limits.duty_window_s) and limits.duty < 1:
        yield Message(
            "caution.duty-near-limit",
            "The duty comes within 5 % of limits.duty: a late command may trip the run.",
        )
    if setup.readback is not None and 0 < load.on_s <= limits.readback_delay_s:
        yield Message(
            "caution.readback-too-slow",
            "The coil is on for no longer than limits.readback_delay: a load side that stays dead "
            "is not noticed within a stroke.",
        )
    if setup.pressure_source is None and sheet.base_pressure_min_kpa is not None:
        yield Message(
            "caution.base-pressure-by-hand",
            "There is a minimum base pressure and no gauge to measure it: read it off before the "
            "run and state it with --base-pressure, or missed strokes may stay undecided.",
        )
    if not sheet.accept:
        yield Message(
            "caution.no-limits",
            "No acceptance limits: the run gives figures and no verdict.",
        )
    if any(accept.figure == "missed" for accept in sheet.accept):
        if setup.readback is None:
            yield Message(
                "caution.supply-not-shown",
                "Missed strokes count against the valve only where the coil's supply was shown: "
                "without a read-back the verdict may stay undecided.",
            )
        if sheet.base_pressure_min_kpa is None:
            yield Message(
                "caution.base-pressure-not-shown",
                "Missed strokes count against the valve only where the base pressure was shown: "
                "without base_pressure_min the verdict may stay undecided.",
            )
