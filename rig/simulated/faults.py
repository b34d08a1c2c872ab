# SPDX-License-Identifier: MIT
"""Faults of the simulated rig: each changes parameters of the same physics, nothing else."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from rig.config.plant.model import SimulatedRig
from rig.config.setup.model import Setup

Changes = dict[str, dict[str, Any]]
"""Part of the rig -> attribute -> value."""


def _surge(rig: SimulatedRig, setup: Setup) -> Changes:
    """A relief valve that opens too late: over the limit, and within what the gauge can show."""
    goal_kpa = 2.5 * rig.supply.pressure_kpa
    limit_kpa = setup.limits.pressure_kpa
    if limit_kpa is not None:
        goal_kpa = max(goal_kpa, 1.3 * limit_kpa)
        if setup.gauge is not None:
            most_kpa = setup.gauge.measuring_range_kpa[1]
            goal_kpa = min(goal_kpa, limit_kpa + 0.6 * (most_kpa - limit_kpa))
    return {"supply": {"surge_kpa": goal_kpa}}


def _low_voltage(rig: SimulatedRig, setup: Setup) -> Changes:
    volts = rig.electric.supply_voltage_v
    return {"electric": {"supply_voltage_v": 0.48 * (volts or setup.coil.supply_voltage_v)}}


def _joint(rig: SimulatedRig, setup: Setup) -> Changes:
    coil_ohm = rig.electric.coil_resistance_ohm or setup.coil.resistance_ohm
    wiring_ohm = rig.electric.wiring_resistance_ohm + 1.1 * coil_ohm
    return {"electric": {"wiring_resistance_ohm": wiring_ohm}}


def _seals(rig: SimulatedRig, setup: Setup) -> Changes:
    wider = 6.5 if setup.medium == "oil" else 2.5  # air is thinner and leaks more
    return {"gallery": {"seal_gap_mm": wider * rig.gallery.seal_gap_mm}}


def _fixed(**parts: dict[str, Any]) -> Callable[[SimulatedRig, Setup], Changes]:
    return lambda _rig, _setup: parts


_FAULTS: dict[str, Callable[[SimulatedRig, Setup], Changes]] = {
    "none": _fixed(),
    "low oil pressure": lambda rig, _: {"supply": {"pressure_kpa": 0.45 * rig.supply.pressure_kpa}},
    "aerated oil": lambda rig, _: {"oil": {"free_air": min(6.0 * rig.oil.free_air, 0.5)}},
    "cold oil": _fixed(oil={"temperature_degc": 5.0}),
    "oil pressure surge": _surge,
    "low supply voltage": _low_voltage,
    "high-resistance joint": _joint,
    "open coil": _fixed(electric={"coil_connected": False}),
    "shorted turns": _fixed(electric={"shorted_turns": 0.45}),
    "fuse open": _fixed(electric={"fuse_open": True}),
    "contact welded": _fixed(relay={"welds": True}),
    "relay dead": _fixed(relay={"dead": True}),
    "driven by the vehicle": _fixed(electric={"driven_by_vehicle": True}),
    "stuck plunger": _fixed(plunger={"friction_n": 900.0}),
    "sticking spool": lambda rig, _: {
        "spool": {"friction_n": 0.62 * rig.spool.spring_rest_n, "friction_spread": 0.35}
    },
    "weak return spring": lambda rig, _: {
        "spool": {
            "spring_rest_n": 0.25 * rig.spool.spring_rest_n,
            "spring_end_n": 0.25 * rig.spool.spring_end_n,
        }
    },
    "clogged inlet screen": lambda rig, _: {
        "gallery": {"screen_area_mm2": 0.08 * rig.gallery.screen_area_mm2}
    },
    "leaking lock seals": _seals,
    "switch stuck open": _fixed(switch={"stuck": "open"}),
    "switch stuck closed": _fixed(switch={"stuck": "closed"}),
    "switch chattering": lambda rig, _: {
        "switch": {
            "dropout_rate_hz": 8.0,
            "bounces_max": 3 * rig.switch.bounces_max,
            "bounce_time_s": 3.0 * rig.switch.bounce_time_s,
        }
    },
    "gauge silent": _fixed(gauge={"fails": "silent"}),
    "gauge garbage": _fixed(gauge={"fails": "garbage"}),
    "gauge NaN": _fixed(gauge={"fails": "NaN"}),
    "gauge frozen": _fixed(gauge={"fails": "frozen"}),
    "gauge disconnected": _fixed(gauge={"fails": "disconnected"}),
}


def known() -> tuple[str, ...]:
    """Every fault by name, "none" first."""
    return tuple(_FAULTS)


def changes(rig: SimulatedRig, setup: Setup) -> Changes:
    """What the rig's fault changes: part -> attribute -> value."""
    return _FAULTS[rig.fault](rig, setup)


def apply(rig: SimulatedRig, setup: Setup) -> SimulatedRig:
    """The rig's parameters with its fault in them."""
    parts = {
        part: getattr(rig, part).model_copy(update=values)
        for part, values in changes(rig, setup).items()
    }
    return rig.model_copy(update=parts)
