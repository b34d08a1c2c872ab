# SPDX-License-Identifier: MIT
"""The converter's input voltages: the plant's true values as its sensors output them."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping

from rig.config.analog import signal
from rig.config.analog.model import AnalogChannel
from rig.config.plant.model import SimulatedRig
from rig.config.setup.model import Setup
from rig.simulated.coil_path.coil_current import CoilCurrent
from rig.simulated.coil_path.electrics import CoilCircuit, current_at
from rig.simulated.engine import Engine

WIRE_OFF_V = 0.0
"""A pull-down resistor at each input, as the wiring page asks for."""


def needs_engine(setup: Setup) -> bool:
    """Whether anything measures the engine."""
    return setup.engine_speed is not None or setup.analog_of("cylinder_pressure") is not None


def true_values(
    rig: SimulatedRig,
    coil: CoilCircuit,
    lead: CoilCurrent | None,
    pressure_kpa: Callable[[float], float],
    engine: Engine | None,
    lift_gain_kpa: Callable[[float], float] | None = None,
) -> dict[str, Callable[[float], float]]:
    """The true value of every channel at a time in s, in the channel's unit. `pressure_kpa` is the
    pressure at the transducer; `lift_gain_kpa` what locked rockers add in the intake."""

    def current_a(t_s: float) -> float:
        return lead.at(t_s) if lead is not None else current_at(coil.pieces, t_s)

    return {
        "pressure": lambda t_s: pressure_kpa(t_s) + rig.gauge.offset_kpa,
        "oil_temperature": lambda t_s: (
            rig.oil.temperature_degc + rig.oil.warming_k_min / 60.0 * t_s
        ),
        "coil_current": current_a,
        "supply_voltage": lambda t_s: (
            coil.supply_v - rig.electric.source_resistance_ohm * current_a(t_s)
        ),
        "cylinder_pressure": lambda t_s: engine.cylinder_kpa(t_s, lift_gain_kpa) if engine else 0.0,
        "sensor_supply": lambda _: rig.converter.sensor_supply_v,
    }


class Signals:
    """`true` gives the true value of each channel at a time in s, `noise` its sensor's noise as a
    standard deviation, both in the channel's unit."""

    def __init__(
        self,
        setup: Setup,
        rig: SimulatedRig,
        true: Mapping[str, Callable[[float], float]],
        rng: random.Random,
    ) -> None:
        self._setup, self._part = setup, rig.converter
        self._off_from_s = rig.fault_after_s
        self._true, self._rng = true, rng
        self._by_input = {item.input: item for item in setup.analog}
        self._noise = {
            "pressure": rig.converter.noise_kpa,
            "cylinder_pressure": rig.converter.noise_kpa,
            "coil_current": rig.converter.noise_a,
        }

    def volts(self, place: int, t_s: float) -> float:
        """Voltage at an input; 0 if nothing is wired, or if the wire came off."""
        item = self._by_input.get(place)
        if item is None:
            return 0.0
        if item.channel == self._part.wire_off and t_s >= self._off_from_s:
            return self._loose(item)
        value = self._true[item.channel](t_s)
        noise = self._noise.get(item.channel, 0.0)
        if noise:
            value += noise * self._rng.gauss(0.0, 1.0)
        return self._volts(item, value)

    def _loose(self, item: AnalogChannel) -> float:
        """An open resistance sensor leaves the input at its feed voltage."""
        converter = self._setup.converter
        if signal.is_linear(item) or converter is None:
            return WIRE_OFF_V
        return item.supply_v or converter.reference_v

    def _volts(self, item: AnalogChannel, value: float) -> float:
        converter = self._setup.converter
        if converter is None:
            return 0.0
        if item.kind == "ratiometric":  # it divides its real supply, whatever the setup states
            item = item.model_copy(update={"supply_from": "sensor_supply"})
        volts = signal.input_volts(value, item, converter, self._part.sensor_supply_v)
        return max(volts, 0.0)
