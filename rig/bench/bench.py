# SPDX-License-Identifier: MIT
"""The bench: one loop, one thread, the only owner of the hardware.

Each turn handles arrivals (gauge first, so that the interlock sees a sample before anything else
does), then the interlock's own tick, then the sheet. It waits in `World.wait`, so the same loop
runs in real and in virtual time. It uses no disk after the start.
"""

from __future__ import annotations

from collections.abc import Callable

from rig.bench import pacing, preflight, sequencer
from rig.bench.carried_heat import Carried
from rig.bench.confirm import ConfirmButton
from rig.bench.intake import Intake
from rig.bench.interlock.coil_and_program_rules import COVER_INPUT, STOP_INPUT
from rig.bench.interlock.interlock import Interlock
from rig.bench.interlock.rule import TICK_S
from rig.bench.operator_link import Desk
from rig.bench.orders import DeskOrders
from rig.bench.preflight_coil import with_coil
from rig.bench.sequencer import Do, Sequencer
from rig.bench.states import State, StateMachine
from rig.bench.status_message import StatusTeller
from rig.config.analog.channels import sources, stale_s
from rig.config.setup.model import Setup
from rig.config.sheet.model import Sheet
from rig.core import messages
from rig.core.errors import HardwareError
from rig.core.ports import Hardware, RecordSink
from rig.core.preflight import INTERLOCK, REFUSED, Check, Preflight
from rig.core.records import (
    DEAD_LOOKS,
    OFF_STATES,
    READBACK,
    STOPPED_EARLY,
    Condition,
    End,
    Level,
    Record,
    Step,
    encode,
)
from rig.physics.feed import confirmed_off

NS = 1_000_000_000
TICK_NS = int(TICK_S * NS)
TAIL_NS = NS // 2
"""Recording time after a trip or stop, so that the release is in the record."""
GAUGE_TIMEOUT_S = 1.5
"""Wait for the first reading of a quick gauge; a slow one has until its reading would be stale."""
LOOP_RULES = {"stop_input": STOP_INPUT, "cover_input": COVER_INPUT}


class Bench:
    """Run one sheet on opened hardware. `feed` is called each time the loop's checks have passed
    (rig.bench.notify). `carried` is the coil's heat from earlier runs."""

    def __init__(
        self,
        setup: Setup,
        hardware: Hardware,
        desk: Desk | None = None,
        feed: Callable[[int], None] = lambda _: None,
        carried: Carried | None = None,
    ) -> None:
        self._setup, self._hardware, self._desk = setup, hardware, desk
        self._world = hardware.world
        heartbeat = hardware.heartbeat
        self.interlock = Interlock(
            hardware.coil,
            setup,
            self.emit,
            self._world.now_ns,
            heartbeat.beat if heartbeat else None,
            carried,
        )
        self._carried = carried
        self.states = StateMachine()
        self._sink: RecordSink | None = None
        self._flush: Callable[[], None] = lambda: None
        self._intake = Intake(hardware, self.interlock, self.emit)
        self._step = Step("idle", 0, 0)
        self._next_tick = 0
        self._teller = StatusTeller()
        self._feed = feed
        self.orders = DeskOrders(
            desk, self.interlock, setup.limits.link_time_s, self._world.now_ns()
        )
        button = hardware.loops.get("confirm_input")
        self._confirm = ConfirmButton(button) if button is not None else None

    # -- before the run

    def preflight(
        self, base_pressure_min_kpa: float | None = None, sheet: Sheet | None = None
    ) -> Preflight:
        """Check every input at rest, waiting briefly for the gauge's first reading. Given a sheet
        and the coil's heat from earlier runs, also check whether the sheet may begin."""
        now_ns = self._world.now_ns()
        until_ns = now_ns + int(self._timeout_s() * NS)
        levels = self._intake.levels()
        self.interlock.start(now_ns, levels)
        while self._awaited() and now_ns < until_ns and self.orders.stop_why is None:
            self._wait(min(until_ns, now_ns + TICK_NS))
            now_ns = self._world.now_ns()
            self._collect(now_ns)
        found = preflight.judge(
            self._setup,
            self._hardware,
            load_live=self.interlock.load_live(),
            switch_closed=bool(self.interlock.switch_closed()),
            pressure_kpa=self._intake.pressure.value if self._intake.pressure else None,
            gauge_words=self._intake.gauge_words,
            base_pressure_min_kpa=base_pressure_min_kpa,
            loops=self._loops(),
            readings=self._intake.readings,
        )
        if sheet is not None and self._carried is not None:
            coil = self.interlock.coil_now()._replace(assumed=self._carried.assumed)
            found = with_coil(found, self._setup, sheet, coil)
        trip = self.interlock.trip
        if trip is not None and not found.refused:  # gone again by the end of the check
            found.checks.append(Check(INTERLOCK, REFUSED, trip.rule, trip.message, trip.id))
        if not found.refused:
            self.states.move(State.READY)
        return found

    def _awaited(self) -> list[str]:
        """The channels of the setup not read yet."""
        return [name for name in sources(self._setup) if name not in self._intake.readings]

    def _timeout_s(self) -> float:
        """How long to wait for the first readings."""
        slowest = [stale_s(self._setup, channel) or 0.0 for channel in self._awaited()]
        return max(GAUGE_TIMEOUT_S, *slowest) if slowest else 0.0

    def idle(self) -> None:
        """One turn while waiting for orders: keeps inputs fresh and lets arming expire."""
        now_ns = self._world.now_ns()
        self._collect(now_ns)
        self.states.expire(now_ns)
        if self._confirm is not None:
            self._confirm.look(now_ns)
        self._tick(now_ns)
        trip = self.interlock.trip
        if trip is not None and self.states.state in (State.READY, State.ARMED):
            self.states.move(State.TRIPPED)
            if self._desk is not None:
                self._desk.send(encode(trip))  # the desk latches it: nothing is being recorded yet
        self._wait(now_ns + TICK_NS)

    def arm(self, *, from_page: bool = False) -> None:
        """Arm on a person's order. From a page, somebody at the rig must also confirm if a confirm
        button is wired. Raises RefusedError."""
        now_ns = self._world.now_ns()
        if from_page and self._confirm is not None:
            self._confirm.take(now_ns)
        self.states.arm(now_ns)

    # -- the run

    def run(self, sheet: Sheet, sink: RecordSink, flush: Callable[[], None] | None = None) -> End:
        """Run the sheet. Whatever happens in here, the coil is commanded off.

        `flush` passes on what the sink holds, once a turn.
        """
        self.states.move(State.RUNNING)
        self._sink = sink
        if flush is not None:
            self._flush = flush
        try:
            reason = self._run(sheet)
        except BaseException:
            try:
                self.interlock.release()
            finally:
                self.states.move(State.FAULT)
            raise
        self.interlock.release()
        self._world.guide("hold")
        now_ns = self._world.now_ns()
        if reason != "finished":
            self._keep_recording(now_ns + TAIL_NS)
        off = self._off_state()
        if self.interlock.trip is not None:  # a rule may have tripped only at the very end
            reason = "tripped"
        for line, level in (self._intake.levels_if_any() or {}).items():
            self.emit(Level(line, level, self._world.now_ns()))
        end = End(reason, off, self._world.now_ns())
        self.emit(end)
        self._flush()
        self.states.move(State.TRIPPED if reason == "tripped" else State.OFF)
        return end

    def leave(self, sink: RecordSink) -> End:
        """End without a run, when stopped between arming and the start. If a record was begun, it
        says so and includes any trip of the wait; whoever ordered the stop is told the state of the
        coil."""
        self.interlock.release()
        if self.interlock.trip is not None:
            sink.put(encode(self.interlock.trip))
        self._sink = sink
        self._keep_recording(self._world.now_ns() + (DEAD_LOOKS + 1) * TICK_NS)
        off = self._off_state()
        reason = "tripped" if self.interlock.trip is not None else "aborted"
        end = End(reason, off, self._world.now_ns())
        sink.put(encode(end))
        return end

    def _run(self, sheet: Sheet) -> str:
        now_ns = self._world.now_ns()
        levels = self._intake.levels()
        for line, level in levels.items():
            self.emit(Level(line, level, now_ns))
        self._intake.pressure = None
        if self.interlock.trip is not None:  # it tripped while waiting to start
            self.emit(self.interlock.trip)
        self.interlock.start(now_ns, levels)
        self._next_tick = now_ns
        steps = Sequencer(sequencer.plan(sheet))
        while True:
            now_ns = self._world.now_ns()
            self._collect(now_ns)
            if now_ns >= self._next_tick:
                self._tick(now_ns)
            if self.interlock.trip is not None:
                return "tripped"
            if self.orders.stop_why is not None:
                self.interlock.release()
                self.emit(Condition("stopped", now_ns, self.orders.stop_why))
                return "aborted"
            pressure = self._intake.pressure.value if self._intake.pressure else None
            action = steps.due(now_ns, pressure)
            while action is not None:
                if self._may_finish(action):
                    self.emit(Condition(STOPPED_EARLY, now_ns, self.orders.finish_why or ""))
                    return "finished"
                if action.what == "fail":
                    self.orders.stop_why = action.text
                    break
                action = steps.done(self._do(action))
            if steps.next_ns is None:
                return "finished"
            self._flush()
            self._wait(min(steps.next_ns, self._next_tick))

    def _may_finish(self, action: Do) -> bool:
        """Whether to end here: a further stroke is about to begin, the coil is off, and the desk
        needs no more."""
        next_stroke = action.what == "step" and action.text == "stroke" and action.number > 1
        return self.orders.finish_why is not None and next_stroke and not self.interlock.energised

    def _do(self, action: Do) -> int:
        now_ns = self._world.now_ns()
        match action.what:
            case "energise":  # not even for a moment while the desk is silent
                self.orders.stop_why = self.orders.stop_why or self.orders.silent(now_ns) or None
                if self.orders.stop_why is None:
                    self.interlock.energise(action.number)
            case "release":
                self.interlock.release(action.number)
            case "step":
                self._step = Step(action.text, action.number, now_ns)
                self.emit(self._step)
            case "guide":  # pragma: no branch - "fail", the only other one, never comes here
                self._world.guide(action.text)
                if self._desk is not None:
                    self._desk.send(messages.tell("guide", instruction=action.text))
        return now_ns

    # -- every turn

    def _collect(self, now_ns: int) -> None:
        self._intake.collect(now_ns)
        self.orders.take(now_ns)

    def _tick(self, now_ns: int) -> None:
        if self._next_tick and self._sink is not None:
            self.interlock.program(now_ns, late_s=(now_ns - self._next_tick) / NS)
        self._next_tick = now_ns + TICK_NS
        try:
            levels = self._intake.levels()
        except HardwareError as error:
            self.interlock.edge_source_failed(now_ns, str(error))
            return
        self.interlock.tick(now_ns, levels, self._loops())
        sink = self._sink
        if sink is not None and (sink.overflowed or sink.lag_s):
            self.interlock.program(now_ns, overflowed=sink.overflowed, lag_s=sink.lag_s)
        if sink is not None and sink.reader_gone:
            self.interlock.recorder_gone(now_ns)
        if self.interlock.trip is None:
            self._feed(now_ns)  # feed only here: a hung loop must starve the watchdog
        self._tell_status(now_ns)

    def _keep_recording(self, until_ns: int) -> None:
        while (now_ns := self._world.now_ns()) < until_ns:
            self._collect(now_ns)
            if now_ns >= self._next_tick:
                self._tick(now_ns)
            self._flush()
            self._wait(min(until_ns, now_ns + TICK_NS))

    def _off_state(self) -> str:
        """Wait, up to the allowed relay delay, for the read-back to show the load side dead.

        A read-back that this run found to be wrong confirms nothing.
        """
        until_ns = self._world.now_ns() + int(self._setup.limits.readback_delay_s * NS)
        dead = 0
        while True:
            now_ns = self._world.now_ns()
            self._collect(now_ns)
            levels = self._intake.levels_if_any()
            if levels is None or READBACK not in levels:
                return OFF_STATES[1]
            self.interlock.tick(now_ns, levels, self._loops())
            dead = 0 if self.interlock.load_live() else dead + 1
            if dead >= DEAD_LOOKS:
                if self.interlock.readback_doubted:
                    return OFF_STATES[1]
                return confirmed_off(self._setup.coil.feed_side)
            if now_ns >= until_ns and not dead:
                return OFF_STATES[2]
            self._wait(now_ns + TICK_NS // 4)

    def _loops(self) -> dict[str, bool]:
        loops = self._hardware.loops.items()
        return {LOOP_RULES[name]: loop.closed for name, loop in loops if name in LOOP_RULES}

    def _wait(self, until_ns: int) -> None:
        pacing.wait(self._world, self._hardware.analog, until_ns, self._descriptors())

    def _descriptors(self) -> list[int]:
        desk = self._desk.filenos() if self._desk is not None else []
        return self._intake.descriptors() + desk

    def emit(self, record: Record) -> None:
        """Send one record to the recorder and the desks, once the run has begun."""
        if self._sink is None:
            return
        line = encode(record)
        self._sink.put(line)
        if self._desk is not None:
            self._desk.send(line)

    def _tell_status(self, now_ns: int) -> None:
        if self._desk is None:
            return
        state = str(self.states.state)
        line = self._teller.line(
            now_ns, state, self._step, self.interlock, self._intake.readings, self.orders.lag_s,
            at_once=self.orders.stop_why is not None,  # a person is waiting for two dead samples
        )  # fmt: skip
        if line is not None:
            self._desk.send(line)
            self._desk.flush()
