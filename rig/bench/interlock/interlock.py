# SPDX-License-Identifier: MIT
"""The interlock: sole holder of the raw relay, releases the coil when a rule no longer holds.

Order on every trip: command off first, latch second, report third. It never claims to be a safety
function; fuse, mushroom stop and relief valve stand beneath it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from rig.bench.carried_heat import Carried
from rig.bench.interlock import coil_and_program_rules, gauge_rules
from rig.bench.interlock.channel_watch import Averager, ChannelWatch
from rig.bench.interlock.coil_and_program_rules import EDGE_LOST_S
from rig.bench.interlock.rule import Finding
from rig.bench.interlock.trackers import CoilHeat, DutyWindow, GaugeWatch
from rig.config.setup.model import Setup
from rig.core.ports import Coil
from rig.core.records import READBACK, SWITCH, Command, Edge, Record, Sample, Trip, readback_doubted

NS = 1_000_000_000
AGREE_TICKS = 2
"""Consecutive agreeing samples before the read-back counts as agreeing again: chatter is not
agreement."""


class Interlock:
    """Watches every sample and its own tick; provides energise and release.

    `emit` takes the records of commands and trips; `now_ns` is the clock of all records; `beat`
    toggles the heartbeat line and is called only here, only while nothing has tripped. `carried` is
    the coil's heat from earlier runs; without it the coil is assumed cold.
    """

    def __init__(
        self,
        coil: Coil,
        setup: Setup,
        emit: Callable[[Record], None],
        now_ns: Callable[[], int],
        beat: Callable[[], None] | None = None,
        carried: Carried | None = None,
    ) -> None:
        self._coil, self._emit, self._now_ns = coil, emit, now_ns
        self.setup = self._setup = setup
        self._beat = beat
        self._stale_s = setup.gauge_stale_s
        self._live_level = setup.coil_live_level
        self._on_since_ns: int | None = None
        self._live_since_ns: int | None = None
        """Since when the coil may carry current: see _follow."""
        self._off_by_ns = 0
        self._followed = True
        """Whether the read-back, if any, has shown the load side live since the last command."""
        self._duty = DutyWindow(int(setup.limits.duty_window_s * NS))
        self._heat = CoilHeat(setup)
        if carried is not None:
            begin_ns = now_ns()
            self._heat = CoilHeat(setup, carried.temperature_degc, begin_ns)
            for on_ns, off_ns in carried.spans:
                self._duty.add(begin_ns - on_ns, begin_ns - off_ns)
        self._gauge = GaugeWatch(setup)
        self._channels = ChannelWatch(setup)
        self._means = Averager()
        self._level: dict[str, int] = {}
        self._edge_level: dict[str, int] = {}
        self._edge_lost_since: dict[str, int | None] = {}
        self._disagree_since: int | None = None
        self._agreed = 0
        self.trip: Trip | None = None
        self.later: list[Trip] = []

    # -- the guarded relay

    @property
    def energised(self) -> bool:
        """The last command."""
        return self._coil.commanded_on

    def energise(self, stroke: int) -> bool:
        """Command the relay on. Once tripped, does nothing and returns False."""
        if self.trip is not None:
            return False
        t_ns = self._now_ns()
        self._on_since_ns = self._disagree_since = t_ns
        self._followed = READBACK not in self._level
        self._follow(t_ns)
        self._coil.on()
        self._emit(Command(True, t_ns, self._now_ns(), stroke))
        self._gauge.command(t_ns, on=True)
        return True

    def release(self, stroke: int = 0) -> None:
        """Command the relay off. Works from any state, any number of times.

        Raises CoilLiveError if the line could not be written at all.
        """
        was_on = self._on_since_ns
        t_ns = self._now_ns()
        self._coil.off()
        done_ns = self._now_ns()
        if was_on is None:
            return
        self._on_since_ns = None
        self._disagree_since = t_ns
        relay = self._setup.relay
        self._off_by_ns = t_ns + round(relay.release_delay_s * NS)
        if t_ns - was_on < round(relay.operate_delay_s * NS):  # the contact had no time to close
            self._followed = True
        self._follow(t_ns)
        self._emit(Command(False, t_ns, done_ns, stroke))
        self._gauge.command(t_ns, on=False)

    # -- what arrives

    def see_sample(self, sample: Sample) -> None:
        """Called with every reading before anything else sees it. Above the pressure limit, the
        line goes low first: checking the other rules and wording the trip took as long again."""
        pressure = sample.channel == "pressure"
        try:
            if pressure and self._over_limit(sample.value):
                self.release()
        finally:
            watch_of = self._gauge if pressure else self._channels
            for finding in watch_of.see(sample):
                self._judge(finding, sample.t_ns)

    def see_block(self, reading: Sample) -> None:
        """The same for a block of a fast channel, as one reading (channel_watch.as_sample)."""
        if reading.channel != "pressure":
            self.see_sample(reading)
            return
        limit_kpa = self._gauge.limit_kpa
        if reading.value is not None and limit_kpa is not None:
            try:
                if self._over_limit(reading.value):
                    self.release()
            finally:
                self._judge(gauge_rules.over_pressure(reading.value, limit_kpa), reading.t_ns)
        mean = self._means.add(reading)
        if mean is not None:
            self.see_sample(mean)

    def see_edge(self, edge: Edge) -> None:
        """Called with every edge, in order."""
        self._edge_level[edge.line] = self._level[edge.line] = edge.level
        self._edge_lost_since[edge.line] = None  # a source that reports edges is alive
        if edge.line == READBACK:
            self._follow(edge.t_ns)
        if edge.line == SWITCH:
            self._gauge.switch_edge()

    def start(self, now_ns: int, levels: Mapping[str, int]) -> None:
        """Start watching: take levels as they are; staleness counts from here."""
        self._level.update(levels)
        self._edge_level.update(levels)
        if self._gauge.good_ns is None:
            self._gauge.good_ns = now_ns
        self._disagree_since = now_ns
        self._channels.start(now_ns)

    # -- what does not arrive

    def tick(
        self, now_ns: int, levels: Mapping[str, int], loops: Mapping[str, bool] | None = None
    ) -> None:
        """Judge every rule that needs no arrival. `levels` were polled just now; `loops` are the
        stop and cover inputs by rule name, True while closed."""
        for rule, closed in (loops or {}).items():
            self._judge(coil_and_program_rules.loop_open(rule, closed), now_ns)
        self._level.update(levels)
        self._follow(now_ns)
        limits = self._setup.limits
        on_since = self._live_since_ns
        if on_since is not None and self._on_since_ns is not None:
            self._judge(
                coil_and_program_rules.on_time((now_ns - on_since) / NS, limits.on_time_s), now_ns
            )
        on_s = self._duty.on_ns(now_ns, self._live_since_ns) / NS
        self._judge(coil_and_program_rules.duty(on_s, limits.duty_window_s, limits.duty), now_ns)
        if self._setup.coil_heating is not None:
            self._heat.advance(now_ns, energised=self._live_since_ns is not None)
            limit_degc = self._setup.coil_heating.temperature_limit_degc
            self._judge(
                coil_and_program_rules.coil_heating(self._heat.temperature_degc, limit_degc), now_ns
            )
        if self._gauge.limit_kpa is not None and self._gauge.good_ns is not None:
            age_s = (now_ns - self._gauge.good_ns) / NS
            self._judge(gauge_rules.gauge_stale(age_s, self._stale_s), now_ns)
        for finding in self._channels.tick(now_ns):
            self._judge(finding, now_ns)
        for line, level in levels.items():
            self._judge_edges(line, level, now_ns)
        if READBACK in levels:
            self._judge_readback(now_ns)
        if self.trip is None and self._beat is not None:
            self._beat()

    def program(
        self,
        now_ns: int,
        *,
        late_s: float = 0.0,
        overflowed: bool = False,
        lag_s: float = 0.0,
        free_mb: float | None = None,
    ) -> None:
        """Judge the loop itself and the recorder's reports."""
        limits = self._setup.limits
        self._judge(coil_and_program_rules.loop_late(late_s, limits.loop_late_s), now_ns)
        self._judge(
            coil_and_program_rules.recorder_behind(overflowed, lag_s, limits.recorder_lag_s), now_ns
        )
        if free_mb is not None:
            self._judge(
                coil_and_program_rules.disk_nearly_full(free_mb, limits.disk_free_mb), now_ns
            )

    def recorder_gone(self, now_ns: int) -> None:
        """The recorder has exited."""
        self._judge(coil_and_program_rules.recorder_gone(), now_ns)

    def edge_source_failed(self, now_ns: int, detail: str) -> None:
        """The request for the timed lines is lost."""
        self._judge(coil_and_program_rules.edge_source_failed(detail), now_ns)

    def coil_now(self) -> Carried:
        """The coil's heat now, commanded off."""
        now_ns, since_ns = self._now_ns(), self._live_since_ns
        self._heat.advance(now_ns, energised=since_ns is not None)
        spans = self._duty.before(now_ns)
        if since_ns is not None:
            spans.append((now_ns - since_ns, 0))
        return Carried(self._heat.temperature_degc, spans, "")

    def load_live(self) -> bool | None:
        """What the read-back shows; None if none is wired."""
        level = self._level.get(READBACK)
        return None if level is None else level == self._live_level

    @property
    def readback_doubted(self) -> bool:
        """Whether the read-back cannot be believed: a trip of this run says so, or it did not show
        the load side live after the last command on, which a broken wire looks like."""
        tripped = any(readback_doubted(trip) for trip in (self.trip, *self.later))
        return tripped or not self._followed

    def switch_closed(self) -> bool | None:
        """What the switch line shows; None before it was first read."""
        level = self._level.get(SWITCH)
        return None if level is None else level == self._setup.switch_closed_level

    # -- inside

    def _follow(self, t_ns: int) -> None:
        """Count the coil as energised while it is commanded on, and after that until the read-back
        shows the load side dead; without one, or with one that is doubted, for the relay's longest
        release delay. A contact that opens late heats the coil as well."""
        live, end_ns, since_ns = self.load_live(), t_ns, self._live_since_ns
        self._followed = self._followed or live is True
        may_be_live = self._on_since_ns is not None or live is True
        if may_be_live == (since_ns is not None):
            return
        if not may_be_live and (live is None or self.readback_doubted):
            if t_ns < self._off_by_ns:
                return
            end_ns = self._off_by_ns
        self._heat.advance(end_ns, energised=since_ns is not None)
        self._live_since_ns = t_ns if since_ns is None else None
        if since_ns is not None:
            self._duty.add(since_ns, max(since_ns, end_ns))

    def _over_limit(self, pressure_kpa: float | None) -> bool:
        limit_kpa = self._gauge.limit_kpa
        if pressure_kpa is None or limit_kpa is None:
            return False
        return gauge_rules.is_over(pressure_kpa, limit_kpa)

    def _judge_edges(self, line: str, level: int, now_ns: int) -> None:
        if level == self._edge_level.get(line, level):
            self._edge_lost_since[line] = None
            return
        since = self._edge_lost_since.get(line)
        if since is None:
            self._edge_lost_since[line] = since = now_ns
        self._judge(
            coil_and_program_rules.edge_source(line, (now_ns - since) / NS, EDGE_LOST_S),
            now_ns,
        )

    def _judge_readback(self, now_ns: int) -> None:
        commanded_on = self._coil.commanded_on
        if self.load_live() == commanded_on:
            self._agreed += 1
            if self._agreed >= AGREE_TICKS:
                self._disagree_since = None
            return
        self._agreed = 0
        if self._disagree_since is None:
            self._disagree_since = now_ns
        waited_s = (now_ns - self._disagree_since) / NS
        allowed_s = self._setup.limits.readback_delay_s
        side = self._setup.coil.feed_side
        self._judge(
            coil_and_program_rules.readback(commanded_on, waited_s, allowed_s, side), now_ns
        )

    def _judge(self, finding: Finding | None, t_ns: int) -> None:
        """Off, then latch, then report; the latch stands even if off could not be written."""
        if finding is None:
            return
        try:
            self.release()
        finally:
            self._latch(finding, t_ns)

    def _latch(self, finding: Finding, t_ns: int) -> None:
        trip = Trip(*finding[:4], t_ns, finding.message)
        if trip.value is not None and not math.isfinite(trip.value):
            trip = trip._replace(value=None)  # no form in a record; the trip must be reported
        if self.trip is None:
            self.trip = trip
        elif finding.rule in {self.trip.rule, *(later.rule for later in self.later)}:
            return
        else:
            self.later.append(trip)
        self._emit(trip)
