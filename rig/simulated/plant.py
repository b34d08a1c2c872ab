# SPDX-License-Identifier: MIT
"""The simulated rig's plant: relay, coil, plunger, spool, oil or air, switch and gauge.

Event-driven: each part plans what it will do until something else changes, so time without events
costs nothing. The outcome depends only on the seed and on the instants of commands, never on how
the caller slices `advance`.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from rig.config.plant.model import SimulatedRig
from rig.config.setup.model import Setup
from rig.core.records import ENGINE_SPEED, READBACK, SWITCH
from rig.simulated import faults
from rig.simulated.coil_path.coil_current import CoilCurrent
from rig.simulated.coil_path.electrics import CoilCircuit, current_at
from rig.simulated.coil_path.heartbeat import HeartbeatPump
from rig.simulated.coil_path.inputs import InputLags, TimingLoop, with_resistor
from rig.simulated.coil_path.plunger import Passing, Plunger
from rig.simulated.coil_path.relay import Change, Relay
from rig.simulated.coil_path.switch_wire import SwitchWire
from rig.simulated.coil_path.wiring import SWITCH_WIRE, Wiring
from rig.simulated.converter.signals import Signals, needs_engine, true_values
from rig.simulated.engine import Engine, PulseWheel
from rig.simulated.gauge.gauge import Gauge
from rig.simulated.gauge.peer import Line
from rig.simulated.gauge.sensor import LaggedPressure, line_to
from rig.simulated.hydraulics.air_valve import AirValve
from rig.simulated.hydraulics.locks import RockerLocks
from rig.simulated.hydraulics.oil_valve import OilValve, oil_viscosity_pa_s
from rig.simulated.hydraulics.pressure_sources import PressureSources
from rig.simulated.hydraulics.switch import PressureSwitch
from rig.simulated.hydraulics.trajectory import Trajectory
from rig.simulated.hydraulics.valve import Hydraulics, Valve
from rig.simulated.outbox import NEVER, Outbox
from rig.simulated.scatter import stream
from rig.simulated.truth import Truth

GAUGE_OTHERS = {"coil_current": 0.0, "engine_speed": 800.0, "cylinder_pressure": 0.0}
"""Values a simulated serial gauge sends for channels without a sensor; oil temperature and supply
voltage are those of the rig."""


class Plant:
    """One simulated rig that has been at rest for long when it begins at `start_ns`.

    Times in and out are ns on the caller's clock. `truth` is for tests only.
    """

    def __init__(
        self, parameters: SimulatedRig, setup: Setup, seed: int | None = None, start_ns: int = 0
    ) -> None:
        rig = with_resistor(faults.apply(parameters, setup))
        seed = rig.seed if seed is None else seed
        self._start_ns = self._now_ns = start_ns
        self._wiring = Wiring(setup, rig)
        self._lags = InputLags(rig.wiring, stream(seed, "input lags"))
        self._has_readback = setup.readback is not None
        self.truth = Truth()

        oil = setup.medium == "oil"
        chance = stream(seed, "closings")
        self._relay = Relay(rig.relay, rig.fault_after_s, stream(seed, "relay"), chance)
        self._pump = None if setup.heartbeat is None else HeartbeatPump(rig.wiring)
        self._driven = False
        coil = setup.coil
        self._coil = CoilCircuit(
            rig.electric, coil.supply_voltage_v, coil.resistance_ohm, rig.oil.temperature_degc
        )
        viscosity = oil_viscosity_pa_s(rig) if oil else 0.0
        self._plunger = Plunger(rig.plunger, viscosity, stream(seed, "plunger"))
        self._lead: CoilCurrent | None = None  # only if something measures it: it costs time
        if setup.analog_of("coil_current") is not None:
            self._lead = CoilCurrent(self._coil, self._plunger, rig.electric.inductance_growth)
        self._sources = PressureSources(rig, oil, stream(seed, "supply"), stream(seed, "gulps"))
        valve: Valve = OilValve(rig) if oil else AirValve(rig)
        self._hydraulics = Hydraulics(
            rig, valve, self._sources.inlet, self._sources.hand, stream(seed, "spool")
        )
        self._locks = RockerLocks(
            rig.locks, lambda t_s: self._hydraulics.trajectory.pressure_pa(t_s) * 1e-3
        )
        contact = rig.switch.contact or setup.switch.contact
        self._switch = PressureSwitch(
            rig.switch, contact == "normally closed", stream(seed, "switch"), stream(seed, "stuck")
        )
        self._loop: TimingLoop | None = None
        if rig.wiring.timing_loop:
            self._loop = TimingLoop(self._wiring.coil_live, contact == "normally closed")
        self._switch_wire = SwitchWire(rig.wiring, stream(seed, "switch wire"))
        self._gauge_at_supply = rig.gauge.at == "supply"
        self._gauge: Gauge | None = None
        if setup.gauge is not None:
            others = {**GAUGE_OTHERS, "oil_temperature": rig.oil.temperature_degc}
            others["supply_voltage"] = coil.supply_voltage_v
            self._gauge = Gauge(setup.gauge, rig, seed, start_ns, self._gauge_path, others)
        at_rest = self._switch.closed if self._loop is None else self._loop.closed(False)
        levels = {SWITCH: self._wiring.switch_level(at_rest)}
        if not self._wiring.plain:
            levels[SWITCH_WIRE] = self._switch_wire.state
        if self._has_readback:
            levels[READBACK] = self._wiring.readback_level(False)
        self._wheel: PulseWheel | None = None
        engine = Engine(rig.engine, stream(seed, "engine")) if needs_engine(setup) else None
        if setup.engine_speed is not None and engine is not None:
            self._wheel = PulseWheel(engine, setup.engine_speed.pulses_per_revolution)
            levels[ENGINE_SPEED] = self._wheel.level
        self._signals: Signals | None = None
        self._line: LaggedPressure | None = None
        """The line to a transducer on the converter, if it is not a plain hole."""
        if setup.converter is not None:
            gain = self._locks.intake_gain_kpa if rig.locks.intake_gain_kpa else None
            if rig.gauge.line_lag_s:
                self._line = line_to(rig.gauge, self._gauge_path().pressure_pa(0.0))
            true = true_values(rig, self._coil, self._lead, self._transducer_kpa, engine, gain)
            self._signals = Signals(setup, rig, true, stream(seed, "sensors"))
        self._outbox = Outbox(levels, None if self._wiring.plain else self._wiring.seen)

        self._commanded = False
        self._contacts: list[Change] = []
        self._passings: list[Passing] = []
        self._contact_ns = self._pilot_ns = self._flow_ns = self._cross_ns = NEVER
        self._cross_s = math.inf
        self._pulse_ns = self._ns(self._wheel.next_s) if self._wheel is not None else NEVER
        self._supply_ns = self._ns(self._sources.next_s)
        self._drop_ns = self._ns(self._switch.next_dropout_s(0.0))
        self._upset_ns = self._ns(self._switch_wire.next_upset_s(0.0))
        if rig.electric.driven_by_vehicle:
            self._contacts, self._contact_ns = [(0.0, False)], start_ns
        self._next_ns, self._still_ns = NEVER, 0
        self._look_ahead(0.0)
        self._choose()

    # -- inputs

    def set_relay(self, on: bool, t_ns: int) -> None:
        """Set the relay's line high or low at `t_ns`. Works at any time, any number of times."""
        self.advance(t_ns)
        if on == self._commanded:
            return
        self._commanded = on
        self.truth.note("command on" if on else "command off", self._now_ns)
        self._drive()

    def heartbeat_changed(self, t_ns: int) -> None:
        """Change the heartbeat line's level at `t_ns`."""
        self.advance(t_ns)
        if self._pump is not None and self._pump.changed(self._now_ns):
            self._drive()
            self._choose()

    def _drive(self) -> None:
        """The relay's coil follows its line while the driver is fed."""
        on = self._commanded and (self._pump is None or self._pump.feeds)
        if on == self._driven:
            return
        self._driven = on
        moves = self._relay.command(self._s(self._now_ns), on)
        if moves is None:
            return
        cut_ns = self._ns(moves.cut_s)
        self.truth.note_contact(on, cut_ns)
        if self._has_readback:
            live, level = self._wiring.coil_live, self._wiring.readback_level
            self._outbox.forget(READBACK, self._ns(moves.cut_s + self._lags.least_s(READBACK)))
            self._plan_edges(READBACK, self._lags.readback(moves.changes, live), level)
        if self._loop is not None:
            self._outbox.forget(SWITCH, self._ns(moves.cut_s + self._lags.least_s(SWITCH)))
            self._plan_switch([(t_s, self._loop.closed(c)) for t_s, c in moves.changes])
        self._contacts = [c for c in self._contacts if c[0] < moves.cut_s] + moves.changes
        self._contact_ns = self._ns(self._contacts[0][0])
        self._choose()

    def ask_gauge(self, data: bytes, t_ns: int) -> None:
        """Send bytes to the gauge at `t_ns`."""
        self.advance(t_ns)
        if self._gauge is not None and not self.gauge_unplugged:
            self._gauge.ask(data, self._now_ns, self._s(self._now_ns))
            self._choose()

    def hand(self, instruction: str) -> None:
        """Set what the person at the supply is told now: "raise", "lower" or "hold"."""
        self._sources.tell(self._s(self._now_ns), instruction)
        self._supply_ns = self._ns(self._sources.next_s)
        self._choose()

    # -- time

    def advance(self, t_ns: int) -> None:
        """Advance to `t_ns`; an earlier time is ignored."""
        while self._next_ns <= t_ns:
            self._do_next()
        if t_ns > self._now_ns:
            self._now_ns = t_ns
        if self._outbox.next_ns <= self._now_ns:
            self._outbox.let_happen(self._now_ns)

    def still_until(self, until_ns: int) -> bool:
        """Advance to `until_ns` if it is already known that nothing visible happens before; returns
        whether it did. If not, no time has passed."""
        if until_ns >= self._still_ns:
            return False
        self._now_ns = max(self._now_ns, until_ns)
        return True

    def run_until(self, until_ns: int) -> int:
        """Advance to `until_ns` or to the next visible event, whichever is first.

        Returns the time reached. Visible are edges, whole lines of the gauge and its unplugging.
        """
        if self.still_until(until_ns):
            return self._now_ns
        while not self._outbox.waiting:
            seen_ns = min(until_ns, self._seen_ns())
            if self._next_ns > seen_ns:
                self.advance(seen_ns)
                break
            self._do_next()
        else:
            return self._now_ns
        self._still_ns = self.next_event_ns()
        return self._now_ns

    def next_event_ns(self) -> int:
        """Nothing becomes visible before this time, unless a command comes."""
        return min(self._next_ns, self._seen_ns())

    def _seen_ns(self) -> int:
        edge_ns = self._outbox.next_ns
        return edge_ns if self._gauge is None else min(edge_ns, self._gauge.seen_ns(self._now_ns))

    # -- outputs

    def take_edges(self) -> list[tuple[str, int, int]]:
        """Edges up to now, oldest first: (line, electrical level, t_ns)."""
        return self._outbox.take()

    def take_bytes(self) -> list[tuple[int, bytes]]:
        """The gauge's whole lines up to now: (instant of the last byte, bytes)."""
        return [] if self._gauge is None else self._gauge.take_whole(self._now_ns)

    def take_lines(self) -> list[Line]:
        """The gauge's lines that have begun by now, for a wire that is fed byte by byte."""
        return [] if self._gauge is None else self._gauge.take_begun(self._now_ns)

    @property
    def gauge_unplugged(self) -> bool:
        """Whether the gauge's cable is off."""
        return self._gauge is not None and self._now_ns >= self._gauge.unplugs_ns

    def level(self, line: str) -> int:
        """Electrical level of an input now."""
        return self._outbox.levels[line]

    def input_volts(self, place: int, t_ns: int) -> float:
        """Voltage at an input of the converter at `t_ns`, from now on."""
        self.advance(t_ns)
        return 0.0 if self._signals is None else self._signals.volts(place, self._s(t_ns))

    def coil_current_a(self, t_ns: int) -> float:
        """Current in the coil's lead, from the last change of the contact on. Computed only if the
        setup measures it; raises ValueError otherwise."""
        if self._lead is None:
            raise ValueError("nothing measures the coil's current in this setup")
        return self._lead.at(self._s(t_ns))

    # -- for tests, and for a lesson that shows the plant as a model

    def pressure_kpa(self, t_ns: int) -> float:
        """True pressure at the switch, from the last change of pilot or supply on."""
        return self._hydraulics.trajectory.pressure_pa(self._s(t_ns)) * 1e-3

    def current_a(self, t_ns: int) -> float:
        """True magnetising current, from the last change of the contact on."""
        return current_at(self._coil.pieces, self._s(t_ns))

    def plunger_at(self, t_ns: int) -> float:
        """Plunger position, as a fraction of its travel, from the last change of the contact on."""
        return self._plunger.at(self._s(t_ns)).x_m / self._plunger.travel_m

    def spool_at(self, t_ns: int) -> float:
        """Spool position, as a fraction of its travel, from the last change of pilot or supply
        on."""
        return self._hydraulics.trajectory.spool_m(self._s(t_ns)) / self._hydraulics.travel_m

    # -- events

    def _do_next(self) -> None:
        at_ns = self._next_ns
        self._now_ns = max(self._now_ns, at_ns)
        t_s = self._s(at_ns)
        if at_ns == self._pilot_ns:
            self._pilot_changes(t_s)
        elif at_ns == self._contact_ns:
            self._contact_moves()
        elif self._pump is not None and at_ns == self._pump.next_ns:
            if self._pump.look():
                self._drive()
        elif at_ns == self._supply_ns:
            self._supply_changes(t_s)
        elif at_ns == self._flow_ns:
            self._replan(t_s, self._hydraulics.go_on)
        elif at_ns == self._cross_ns:
            self._switch_moves()
        elif at_ns == self._drop_ns:
            self._contact_of_switch(self._switch.drop_out(t_s))
            self._drop_ns = self._ns(self._switch.next_dropout_s(t_s))
            self._look_ahead(t_s)
        elif at_ns == self._upset_ns:
            upset = self._switch_wire.upset(t_s)
            self._outbox.plan(SWITCH_WIRE, [(self._ns(when_s), state) for when_s, state in upset])
            self._upset_ns = self._ns(self._switch_wire.next_upset_s(t_s))
        elif at_ns == self._pulse_ns and self._wheel is not None:
            self._outbox.plan(ENGINE_SPEED, [(at_ns, self._wheel.turn())])
            self._pulse_ns = self._ns(self._wheel.next_s)
        elif self._gauge is not None:
            self._gauge.read(t_s)
        self._choose()

    def _choose(self) -> None:
        self._still_ns = 0  # run_until must check again
        gauge_ns = self._gauge.next_ns if self._gauge is not None else NEVER
        of_oil_ns = min(self._supply_ns, self._pilot_ns, self._flow_ns)
        of_line_ns = min(self._cross_ns, self._drop_ns, self._upset_ns, self._pulse_ns)
        pump_ns = NEVER if self._pump is None else self._pump.next_ns
        self._next_ns = min(self._contact_ns, of_oil_ns, of_line_ns, gauge_ns, pump_ns)

    def _contact_moves(self) -> None:
        row = self._wiring.live_changes(self._contacts)
        self._contacts, self._contact_ns = [], NEVER
        self._passings = self._plunger.follow(self._coil.switch(row))
        if self._lead is not None:
            self._lead.follow(row)
        self._next_passing()
        for kind in ("plunger in", "plunger out"):
            self.truth.forget_after(kind, self._ns(row[0][0]))
        for t_s, pulled_in in self._plunger.landed:
            self.truth.note("plunger in" if pulled_in else "plunger out", self._ns(t_s))

    def _next_passing(self) -> None:
        self._pilot_ns = self._ns(self._passings[0].t_s) if self._passings else NEVER

    def _pilot_changes(self, t_s: float) -> None:
        on = self._passings.pop(0).pulled_in
        self._next_passing()
        if on == self._hydraulics.pilot_on:
            return
        self.truth.note("pilot on" if on else "pilot off", self._now_ns)
        self._replan(t_s, lambda at_s: self._hydraulics.pilot(at_s, on))

    def _supply_changes(self, t_s: float) -> None:
        def change(at_s: float) -> None:
            self._sources.happen(at_s, self._hydraulics.trajectory.pressure_pa(at_s))
            self._hydraulics.by_hand = self._sources.by_hand
            self._hydraulics.go_on(at_s)

        self._replan(t_s, change)
        self._supply_ns = self._ns(self._sources.next_s)

    def _replan(self, t_s: float, change: Callable[[float], None]) -> None:
        """Handle a change in the course of the pressure at `t_s`."""
        if self._gauge is not None:
            self._gauge.follow(t_s)
            self._gauge.enter()
        if self._line is not None:
            self._line.follow(self._gauge_path(), t_s)
            self._line.enter()
        change(t_s)
        for kind in ("spool at its end", "spool at rest"):
            self.truth.forget_after(kind, self._ns(t_s))
        stopped = self._hydraulics.trajectory.spool_stopped
        if stopped is not None:
            kind = "spool at its end" if stopped[1] else "spool at rest"
            self.truth.note(kind, self._ns(stopped[0]))
        self._look_ahead(t_s)

    def _look_ahead(self, t_s: float) -> None:
        """When the pressure next moves the switch, and when its plan must be continued."""
        path = self._hydraulics.trajectory
        self._flow_ns = self._ns(path.ends_s)
        crossing = self._switch.next_change_s(path, t_s)
        self._cross_s = math.inf if crossing is None else crossing
        self._cross_ns = self._ns(crossing)

    def _switch_moves(self) -> None:
        t_s = self._cross_s
        self._contact_of_switch(self._switch.change(t_s))
        kind = "switch actuated" if self._switch.pressurised else "switch reset"
        self.truth.note(kind, self._cross_ns)
        self._look_ahead(t_s)

    def _contact_of_switch(self, changes: list[Change]) -> None:
        """The pressure switch's contact moves, whether or not it is wired to the input."""
        if self._loop is None:
            self._plan_switch(changes)

    def _plan_switch(self, changes: list[Change]) -> None:
        self._plan_edges(SWITCH, self._lags.switch(changes), self._wiring.switch_level)

    def _plan_edges(self, line: str, changes: list[Change], level: Callable[[bool], int]) -> None:
        self._outbox.plan(line, [(self._ns(t_s), level(closed)) for t_s, closed in changes])

    def _gauge_path(self) -> Trajectory:
        return self._sources.path if self._gauge_at_supply else self._hydraulics.trajectory

    def _transducer_kpa(self, t_s: float) -> float:
        path, line = self._gauge_path(), self._line
        return (path.pressure_pa(t_s) if line is None else line.follow(path, t_s)) * 1e-3

    # -- times

    def _ns(self, t_s: float | None) -> int:
        if t_s is None or t_s == math.inf:
            return NEVER
        return self._start_ns + math.ceil(t_s * 1e9)

    def _s(self, t_ns: int) -> float:
        return (t_ns - self._start_ns) * 1e-9
