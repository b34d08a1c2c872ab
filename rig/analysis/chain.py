# SPDX-License-Identifier: MIT
"""What this run shows of the chain in front of the valve: supply, base pressure, coil, rest.

A missed stroke says something of what was tested only where that chain was shown to be whole.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np

from rig.analysis import marks
from rig.analysis.strokes import StrokeTable
from rig.config.setup import Setup
from rig.config.sheet import Sheet
from rig.core.clock import NS_PER_S
from rig.core.recording import Int64, Recording, SampleSeries

Conditions = Mapping[str, Mapping[str, Any]]

SUPPLY_SHARE = 0.8
"""A supply below this share of the setup's voltage is not taken as present (common practice, no
source)."""

FRESH_S = 2.0
"""The last reading before a missed stroke may be this old, or two gauge periods."""


class Link(NamedTuple):
    """One link: whether it was shown to be whole, what was found, what to check next."""

    name: str
    shown: bool
    found: str
    next_check: str


def chain(
    recording: Recording,
    setup: Setup | None,
    sheet: Sheet | None,
    conditions: Conditions,
    table: StrokeTable,
    pressure: SampleSeries | None,
) -> tuple[Link, ...]:
    """The links in front of the valve, in the order that saves time, judged for the missed
    strokes of `table`. Without missed strokes: for the whole run."""
    rows = np.flatnonzero(table.missed)
    at_ns = table.on_ns[rows] if len(rows) else table.on_ns[:1]
    return (
        _base_pressure(setup, sheet, conditions, pressure, at_ns),
        _supply(recording, setup, conditions),
        _coil(table, rows),
        _rest(table, rows),
    )


def first_gap(links: tuple[Link, ...]) -> Link | None:
    """The first link that was not shown; None where all were."""
    return next((link for link in links if not link.shown), None)


def _supply(recording: Recording, setup: Setup | None, conditions: Conditions) -> Link:
    name = "coil supply"
    check = (
        "measure the supply voltage at the relay with the coil energised, and give it with the run"
    )
    measured = recording.samples.get("supply_voltage")
    found_v, how = _stated(conditions, "supply_voltage", "V")
    if measured is not None and measured.good.any():
        found_v, how = float(np.median(measured.value[measured.good])), "measured"
    if found_v is None:
        return Link(name, False, "the coil's supply was neither measured nor stated", check)
    least_v = SUPPLY_SHARE * setup.coil.supply_voltage_v if setup else 0.0
    if not found_v > least_v:
        low = f"the coil's supply was {how} as {found_v:.1f} V, below {least_v:.1f} V"
        return Link(name, False, low, "restore the coil's supply, then run again")
    return Link(name, True, f"supply {how} as {found_v:.1f} V", "")


def _base_pressure(
    setup: Setup | None,
    sheet: Sheet | None,
    conditions: Conditions,
    pressure: SampleSeries | None,
    at_ns: Int64,
) -> Link:
    name = "base pressure"
    check = "measure the base pressure in front of the valve, and give it with the run"
    least = sheet.base_pressure_min_kpa if sheet else None
    if least is None:
        return Link(
            name, False, "no minimum base pressure is given to hold the run against",
            "give base_pressure_min in the sheet and measure the base pressure",
        )  # fmt: skip
    stated_kpa, how = _stated(conditions, "base_pressure", "kPa")
    measured_kpa = _pressure_before(pressure, at_ns, setup)
    found = [
        f"{word} as {kpa:.0f} kPa"
        for kpa, word in ((measured_kpa, "measured"), (stated_kpa, how))
        if kpa is not None
    ]
    if not found:
        return Link(
            name, False, "the base pressure was neither measured nor stated in this run", check
        )
    # a gauge behind the valve shows nothing of the base pressure: what a person states then counts
    told = f"base pressure {', '.join(found)}"
    if any(kpa is not None and kpa >= least for kpa in (measured_kpa, stated_kpa)):
        return Link(name, True, told, "")
    return Link(
        name, False, f"the {told}, below {least:.0f} kPa",
        "look at oil level, oil temperature and the pressure supply, and measure the base "
        "pressure in front of the valve",
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
    period_s = setup.gauge.period_s if setup and setup.gauge else 0.0
    if (at_ns - t_ns[place] > max(FRESH_S, 2 * period_s) * NS_PER_S).any():
        return None
    return float(value[place].min())


def _coil(table: StrokeTable, rows: Int64) -> Link:
    dead = marks.bit(marks.COIL_NOT_LIVE)
    n = int(np.count_nonzero(table.mark_bits[rows] & dead))
    if n:
        return Link(
            "coil live", False, f"the coil was not seen to go live in {n} of the missed strokes",
            "look at fuse, relay, wiring and supply",
        )  # fmt: skip
    return Link("coil live", True, "no missed stroke shows a dead coil", "")


def _rest(table: StrokeTable, rows: Int64) -> Link:
    n = int(np.count_nonzero(table.mark_bits[rows] & marks.bit(marks.ALREADY_ON)))
    if n:
        return Link(
            "rest state", False, f"the switch was on already before {n} of the missed strokes",
            "look at the switch at rest: its wiring, the contact in the setup, trapped pressure",
        )  # fmt: skip
    return Link("rest state", True, "switch off at rest", "")


def _stated(conditions: Conditions, name: str, unit: str) -> tuple[float | None, str]:
    """A condition given with the run in `unit`, and how it was come by."""
    given = conditions.get(name)
    value = given.get("value") if given else None
    if given is None or isinstance(value, bool) or not isinstance(value, int | float):
        return None, ""
    if given.get("unit") != unit or not np.isfinite(value):
        return None, ""
    return float(value), "measured" if given.get("how") == "measured" else "stated"
