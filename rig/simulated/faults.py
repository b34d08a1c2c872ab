# SPDX-License-Identifier: MIT
"""Faults of the simulated rig: each changes parameters of the same physics, nothing else.

A severity between 0 and 1 is applied through the plant: values go from sound to full in equal
ratios (half the severity, the square root of the factor) unless rig.config.plant.fault_names says
otherwise. The plant at severity 1 and at 0 does not depend on that choice.
"""

from __future__ import annotations

from collections.abc import Callable

from rig.config.gauge.units import table_factor
from rig.config.plant.fault_names import Fault
from rig.config.plant.model import SimulatedRig
from rig.config.plant.parts import SOLID_MM2_S
from rig.config.setup.model import Setup
from rig.physics.oil import ViscosityTemperature

Changes = dict[str, dict[str, object]]
"""Part of the rig -> attribute -> value."""

How = Callable[[SimulatedRig, Setup, float], Changes]
"""(rig, setup, severity above 0) -> what it changes."""

NEVER_S = 1e9


def _between(sound: float, full: float, severity: float) -> float:
    """From one value to the other in equal steps."""
    return full if severity == 1.0 else sound + severity * (full - sound)


def _endless(severity: float) -> float:
    """0 at 0, 1 at 0.5, unbounded towards 1."""
    return severity / (1.0 - severity)


# -- oil


def _thickened(rig: SimulatedRig, at_40: float, at_100: float) -> dict[str, object]:
    """The oil's viscosities times these factors, limited to what is oil at its temperature."""
    part = rig.oil
    for _ in range(30):
        v40, v100 = part.viscosity_40_mm2_s * at_40, part.viscosity_100_mm2_s * at_100
        try:
            line = ViscosityTemperature.through(v40, 40.0, v100, 100.0)
            flows = line.kinematic_mm2_s(part.temperature_degc) < SOLID_MM2_S and v100 < v40
        except (ValueError, OverflowError):
            flows = False
        if flows:
            return {"viscosity_40_mm2_s": v40, "viscosity_100_mm2_s": v100}
        at_40, at_100 = at_40**0.8, at_100**0.8
    return {}


def _low_level(rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    supply, oil = rig.supply, rig.oil
    return {
        "oil": {
            "level": (1.0 - s) * oil.level,
            "free_air": min(3.0**s * oil.free_air, 0.5),
        },
        "supply": {
            "pressure_kpa": 0.8**s * supply.pressure_kpa,
            "ripple_kpa": (1.0 + 2.0 * s) * supply.ripple_of(_setup.medium),
            "gulp_rate_hz": supply.gulp_rate_hz + 1.5 * s,
            "gulp_depth": max(supply.gulp_depth, 0.9 * s),
        },
    }


def _thick(rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    return {"oil": _thickened(rig, 5.0**s, 3.0**s)}


def _thin(rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    return {
        "oil": _thickened(rig, 0.33**s, 0.33**s),
        "supply": {"pressure_kpa": 0.75**s * rig.supply.pressure_kpa},
    }


def _dirty(rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    spool, gallery = rig.spool, rig.gallery
    return {
        "spool": {
            "varnish": spool.varnish + 11.0 * s,
            "friction_spread": max(spool.friction_spread, _between(spool.friction_spread, 0.8, s)),
        },
        "gallery": {"screen_area_mm2": 0.4**s * gallery.screen_area_mm2},
    }


def _surge(rig: SimulatedRig, setup: Setup, s: float) -> Changes:
    """A relief valve that opens too late: over the limit, but within the gauge's range."""
    goal_kpa = 2.5 * rig.supply.pressure_kpa
    limit_kpa = setup.limits.pressure_kpa
    if limit_kpa is not None:
        goal_kpa = max(goal_kpa, 1.3 * limit_kpa)
        if setup.gauge is not None:
            most_kpa = setup.gauge.measuring_range_kpa[1]
            goal_kpa = min(goal_kpa, limit_kpa + 0.6 * (most_kpa - limit_kpa))
    return {"supply": {"surge_kpa": _between(rig.supply.pressure_kpa, goal_kpa, s)}}


# -- electrical


def _coil_ohm(rig: SimulatedRig, setup: Setup) -> float:
    return rig.electric.coil_resistance_ohm or setup.coil.resistance_ohm


def _low_voltage(rig: SimulatedRig, setup: Setup, s: float) -> Changes:
    volts = rig.electric.supply_voltage_v or setup.coil.supply_voltage_v
    return {"electric": {"supply_voltage_v": 0.48**s * volts}}


def _in_series(rig: SimulatedRig, ohm: float) -> Changes:
    return {"electric": {"wiring_resistance_ohm": rig.electric.wiring_resistance_ohm + ohm}}


def _joint(rig: SimulatedRig, setup: Setup, s: float) -> Changes:
    return _in_series(rig, 1.1 * s * _coil_ohm(rig, setup))


def _connector(rig: SimulatedRig, setup: Setup, s: float) -> Changes:
    if s == 1.0:
        return {"electric": {"connector_on": False}}
    return _in_series(rig, _endless(s) * _coil_ohm(rig, setup))


def _fuse(rig: SimulatedRig, setup: Setup, s: float) -> Changes:
    if s == 1.0:
        return {"electric": {"fuse_open": True}}
    ohm = rig.electric.fuse_resistance_ohm + _endless(s) * _coil_ohm(rig, setup)
    return {"electric": {"fuse_resistance_ohm": ohm}}


def _open_coil(rig: SimulatedRig, setup: Setup, s: float) -> Changes:
    if s == 1.0:
        return {"electric": {"coil_connected": False}}
    return {"electric": {"coil_resistance_ohm": (1.0 + _endless(s)) * _coil_ohm(rig, setup)}}


def _wrong_side(_rig: SimulatedRig, setup: Setup, _s: float) -> Changes:
    return {"wiring": {"feed_side": "ground" if setup.coil.feed_side == "supply" else "supply"}}


def _weld(_rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    if s == 1.0:
        return {"relay": {"welds": True}}
    return {"relay": {"welds": True, "weld_holds_s": 0.02 * _endless(s)}}


def _no_relay(_rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    return {"relay": {"dead": True} if s == 1.0 else {"misses": s}}


def _slow_relay(rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    relay = rig.relay
    return {
        "relay": {
            "operate_time_s": 7.0**s * relay.operate_time_s,
            "release_time_s": 7.0**s * relay.release_time_s,
            "time_spread_s": 15.0**s * relay.time_spread_s,
            "bounce_time_s": 3.0**s * relay.bounce_time_s,
        }
    }


def _readback(_rig: SimulatedRig, setup: Setup, _s: float) -> Changes:
    high = setup.readback is None or setup.readback.voltage_reads == "high"
    return {"wiring": {"readback_voltage_reads": "low" if high else "high"}}


# -- valve


def _stuck_plunger(rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    sound_n = max(rig.plunger.friction_n, 0.01)
    return {"plunger": {"friction_n": 900.0 if s == 1.0 else sound_n * (900.0 / sound_n) ** s}}


def _stuck_off(rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    low = rig.spool.rest_at
    return {"spool": {"end_at": _between(rig.spool.end_at, low, s)}}


def _stuck_on(rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    return {"spool": {"rest_at": _between(rig.spool.rest_at, rig.spool.end_at, s)}}


def _sticking(rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    spool = rig.spool
    return {
        "spool": {
            "friction_n": _between(spool.friction_n, 0.62 * spool.spring_rest_n, s),
            "friction_spread": _between(spool.friction_spread, 0.35, s),
        }
    }


def _weak_spring(rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    spool, share = rig.spool, 0.25**s
    return {
        "spool": {
            "spring_rest_n": share * spool.spring_rest_n,
            "spring_end_n": share * spool.spring_end_n,
        }
    }


def _screen(rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    return {"gallery": {"screen_area_mm2": 0.08**s * rig.gallery.screen_area_mm2}}


def _drain(rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    gallery = rig.gallery
    return {
        "gallery": {
            "drain_area_mm2": 0.03**s * gallery.drain_area_mm2,
            "rest_void_cm3": (1.0 - s) * gallery.rest_void_cm3,
        }
    }


def _seals(rig: SimulatedRig, setup: Setup, s: float) -> Changes:
    wider = 6.5 if setup.medium == "oil" else 2.5  # air is thinner and leaks more
    return {"gallery": {"seal_gap_mm": wider**s * rig.gallery.seal_gap_mm}}


# -- switch


def _stuck(state: str) -> How:
    return lambda _rig, _setup, s: {
        "switch": {"stuck": state} if s == 1.0 else {"stuck": state, "stuck_share": s}
    }


def _chatter(rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    switch = rig.switch
    return {
        "switch": {
            "dropout_rate_hz": _between(switch.dropout_rate_hz, 8.0, s),
            "bounces_max": round((1.0 + 2.0 * s) * switch.bounces_max),
            "bounce_time_s": (1.0 + 2.0 * s) * switch.bounce_time_s,
        }
    }


def _other_contact(rig: SimulatedRig, setup: Setup, _s: float) -> Changes:
    said = setup.switch.contact
    if said == "find":  # no state is named that could be wrong: the opposite of what it was
        said = rig.switch.contact or "normally open"
    other = "normally open" if said == "normally closed" else "normally closed"
    return {"switch": {"contact": other}}


def _acts_high(rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    sound = rig.switch.actuation_kpa
    full = max(1.06 * rig.supply.pressure_kpa, sound)
    return {"switch": {"actuation_kpa": _between(sound, full, s)}}


def _resets_low(rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    return {"switch": {"reset_kpa": 0.05**s * rig.switch.reset_kpa}}


# -- gauge


def _fails(how: str) -> How:
    return lambda _rig, _setup, s: {
        "gauge": {"fails": how} if s == 1.0 or how == "disconnected"
        else {"fails": how, "fails_share": s}
    }  # fmt: skip


def _wrong_unit(rig: SimulatedRig, setup: Setup, _s: float) -> Changes:
    """A fault that makes readings too small: too large ones would trip before anybody looks."""
    said = rig.gauge.unit if setup.gauge is None else setup.gauge.unit or rig.gauge.unit
    said_kpa = table_factor(said) or 1.0
    larger = ((unit, table_factor(unit) or 1.0) for unit in ("psi", "bar", "MPa"))
    return {"wiring": {"gauge_unit": next((u for u, f in larger if f > 1.5 * said_kpa), "kPa")}}


def _line_blocked(rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    lag_s = NEVER_S if s == 1.0 else rig.gauge.line_lag_s + 0.25 * _endless(s)
    return {"gauge": {"line_lag_s": lag_s}}


# -- locks


def _free(rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    locks = rig.locks
    return {"locks": {"stuck_free": _between(locks.stuck_free, 1.0 - locks.stuck_locked, s)}}


def _locked(rig: SimulatedRig, _setup: Setup, s: float) -> Changes:
    locks = rig.locks
    return {"locks": {"stuck_locked": _between(locks.stuck_locked, 1.0 - locks.stuck_free, s)}}


def _fixed(**parts: dict[str, object]) -> How:
    return lambda _rig, _setup, _s: parts


_FAULTS: dict[str, How] = {
    "none": _fixed(),
    "low oil level": _low_level,
    "oil too thick": _thick,
    "oil too thin": _thin,
    "dirty oil": _dirty,
    "low oil pressure": lambda rig, _, s: {
        "supply": {"pressure_kpa": 0.45**s * rig.supply.pressure_kpa}
    },
    "aerated oil": lambda rig, _, s: {"oil": {"free_air": min(6.0**s * rig.oil.free_air, 0.5)}},
    "cold oil": lambda rig, _, s: {
        "oil": {"temperature_degc": _between(rig.oil.temperature_degc, 5.0, s)}
    },
    "oil pressure surge": _surge,
    "low supply voltage": _low_voltage,
    "high-resistance joint": _joint,
    "connector off": _connector,
    "drive on the wrong side": _wrong_side,
    "open coil": _open_coil,
    "shorted turns": lambda rig, _, s: {
        "electric": {"shorted_turns": _between(rig.electric.shorted_turns, 0.45, s)}
    },
    "fuse open": _fuse,
    "contact welded": _weld,
    "relay dead": _no_relay,
    "relay slow": _slow_relay,
    "driven by the vehicle": _fixed(electric={"driven_by_vehicle": True}),
    "read-back inverted": _readback,
    "stuck plunger": _stuck_plunger,
    "spool stuck off": _stuck_off,
    "spool stuck on": _stuck_on,
    "sticking spool": _sticking,
    "weak return spring": _weak_spring,
    "clogged inlet screen": _screen,
    "blocked drain": _drain,
    "leaking lock seals": _seals,
    "switch stuck open": _stuck("open"),
    "switch stuck closed": _stuck("closed"),
    "switch chattering": _chatter,
    "switch sense inverted": _other_contact,
    "switch actuates too high": _acts_high,
    "switch resets too low": _resets_low,
    "switch wire open": _fixed(wiring={"switch_wire": "open"}),
    "switch wire shorted": _fixed(wiring={"switch_wire": "shorted"}),
    "switch wire intermittent": lambda rig, _, s: {
        "wiring": {"switch_wire_rate_hz": rig.wiring.switch_wire_rate_hz + 3.0 * s}
    },
    "gauge silent": _fails("silent"),
    "gauge garbage": _fails("garbage"),
    "gauge NaN": _fails("NaN"),
    "gauge frozen": _fails("frozen"),
    "gauge disconnected": _fails("disconnected"),
    "gauge in the wrong unit": _wrong_unit,
    "gauge offset": lambda rig, _, s: {"gauge": {"offset_kpa": rig.gauge.offset_kpa + 40.0 * s}},
    "gauge line blocked": _line_blocked,
    "gauge lagging": lambda rig, _, s: {"gauge": {"lag_s": 75.0**s * rig.gauge.lag_s}},
    "rocker lock stuck free": _free,
    "rocker lock stuck locked": _locked,
}


def known() -> tuple[str, ...]:
    """Every fault by name, "none" first."""
    return tuple(_FAULTS)


def changes(rig: SimulatedRig, setup: Setup, fault: Fault) -> Changes:
    """What a fault changes of this rig: part -> attribute -> value."""
    return _FAULTS[fault.name](rig, setup, fault.severity) if fault.severity > 0.0 else {}


def apply(rig: SimulatedRig, setup: Setup) -> SimulatedRig:
    """The rig's parameters with its faults applied, whatever order they were given in."""
    order = list(_FAULTS)
    for fault in sorted(rig.fault, key=lambda one: order.index(one.name)):
        parts = {
            part: getattr(rig, part).model_copy(update=values)
            for part, values in changes(rig, setup, fault).items()
        }
        rig = rig.model_copy(update=parts)
    return rig
