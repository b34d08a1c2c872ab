# SPDX-License-Identifier: MIT
"""The interlock: alone holds the raw relay, releases the coil when a rule no longer holds.

Order on every trip: command off first, latch second, report third. It never claims to be a safety
function; fuse, mushroom stop and relief valve stand beneath it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from rig.bench import rules
from rig.bench.watch import EDGE_LOST_S
from rig.config.setup import Setup
from rig.core.ports import Coil
from rig.core.records import GOOD, READBACK, SWITCH, Command, Edge, Record, Sample, Trip

NS = 1_000_000_000


class Interlock:
    """Watches every sample and its own tick; hands out energise and release.

    `emit` takes the records of commands and trips; `now_ns` is the clock of all records.
    """

    def __init__(
        self, coil: Coil, setup: Setup, emit: Callable[[Record], None], now_ns: Callable[[], int]
    ) -> None:
        self._coil, self._setup, self._emit, self._now_ns = coil, setup, emit, now_ns
        limits = setup.limits
        self._pressure_limit = limits.pressure_kpa if setup.gauge else None
        self._stale_s = setup.gauge_stale_s
        self._live_level = setup.coil_live_level
        self._on_since_ns: int | None = None
        self._spans: deque[tuple[int, int]] = deque()
        self._spans_ns = 0
        self._good_ns: int | None = None
        self._level: dict[str, int] = {}
        self._edge_level: dict[str, int] = {}
        self._edge_lost_since: dict[str, int | None] = {}
        self._disagree_since: int | None = None
        self.trip: Trip | None = None
        self.later: list[Trip] = []

    # -- the guarded relay

    @property
    def energised(self) -> bool:
        """What was commanded last."""
        return self._coil.commanded_on

    def energise(self, stroke: int) -> bool:
        """Command the relay on; False, and nothing done, once tripped."""
        if self.trip is not None:
            return False
        t_ns = self._now_ns()
        self._on_since_ns = self._disagree_since = t_ns
        self._coil.on()
        self._emit(Command(True, t_ns, self._now_ns(), stroke))
        return True

    def release(self, stroke: int = 0) -> None:
        """Command the relay off. Always works, any number of times."""
        was_on = self._on_since_ns
        t_ns = self._now_ns()
        self._coil.off()
        done_ns = self._now_ns()
        if was_on is None:
            return
        self._on_since_ns = None
        self._disagree_since = t_ns
        self._spans.append((was_on, t_ns))
        self._spans_ns += t_ns - was_on
        self._emit(Command(False, t_ns, done_ns, stroke))

    # -- what arrives

    def see_sample(self, sample: Sample) -> None:
        """Called with every reading before anything else sees it."""
        if sample.channel != "pressure":
            return
        if sample.value is not None and self._pressure_limit is not None:
            self._judge(rules.over_pressure(sample.value, self._pressure_limit), sample.t_ns)
        if sample.quality == GOOD:
            self._good_ns = sample.t_ns

    def see_edge(self, edge: Edge) -> None:
        self._edge_level[edge.line] = self._level[edge.line] = edge.level

    def start(self, now_ns: int, levels: dict[str, int]) -> None:
        """The run begins: levels are taken as they stand, staleness counts from here."""
        self._level.update(levels)
        self._edge_level.update(levels)
        if self._good_ns is None:
            self._good_ns = now_ns
        self._disagree_since = now_ns

    # -- what does not arrive

    def tick(self, now_ns: int, levels: dict[str, int]) -> None:
        """Judge every rule that needs no arrival. `levels` were polled just now."""
        limits = self._setup.limits
        if self._on_since_ns is not None:
            on_s = (now_ns - self._on_since_ns) / NS
            self._judge(rules.on_time(on_s, limits.on_time_s), now_ns)
        window_ns = int(limits.duty_window_s * NS)
        on_s = self._on_ns_since(now_ns - window_ns, now_ns) / NS
        self._judge(rules.duty(on_s, limits.duty_window_s, limits.duty), now_ns)
        if self._pressure_limit is not None and self._good_ns is not None:
            age_s = (now_ns - self._good_ns) / NS
            self._judge(rules.gauge_stale(age_s, self._stale_s), now_ns)
        for line, level in levels.items():
            self._level[line] = level
            self._judge_edges(line, level, now_ns)
        if READBACK in levels:
            self._judge_readback(now_ns)

    def recorder(self, now_ns: int, overflowed: bool, lag_s: float) -> None:
        """The queue towards the recorder."""
        self._judge(rules.recorder_behind(overflowed, lag_s), now_ns)

    def edge_source_failed(self, now_ns: int, detail: str) -> None:
        """The request for the timed lines is gone."""
        self._judge(
            rules.Finding(
                "edge source lost", None, None, "", f"The timed lines are lost: {detail}"
            ),
            now_ns,
        )

    def load_live(self) -> bool | None:
        """What the read-back shows; None where none is wired."""
        level = self._level.get(READBACK)
        return None if level is None else level == self._live_level

    def switch_closed(self) -> bool | None:
        level = self._level.get(SWITCH)
        return None if level is None else level == self._setup.switch_closed_level

    # -- inside

    def _judge_edges(self, line: str, level: int, now_ns: int) -> None:
        if level == self._edge_level.get(line, level):
            self._edge_lost_since[line] = None
            return
        since = self._edge_lost_since.get(line)
        if since is None:
            self._edge_lost_since[line] = since = now_ns
        self._judge(rules.edge_source(line, (now_ns - since) / NS, EDGE_LOST_S), now_ns)

    def _judge_readback(self, now_ns: int) -> None:
        if self.load_live() == self._coil.commanded_on:
            self._disagree_since = None
            return
        if self._disagree_since is None:
            self._disagree_since = now_ns
        waited_s = (now_ns - self._disagree_since) / NS
        allowed_s = self._setup.limits.readback_delay_s
        finding = rules.readback(
            self._coil.commanded_on, waited_s, allowed_s, self._setup.coil.feed_side
        )
        self._judge(finding, now_ns)

    def _on_ns_since(self, start_ns: int, now_ns: int) -> int:
        spans = self._spans
        while spans and spans[0][1] <= start_ns:
            on_ns, off_ns = spans.popleft()
            self._spans_ns -= off_ns - on_ns
        total = self._spans_ns
        if spans and spans[0][0] < start_ns:
            total -= start_ns - spans[0][0]
        if self._on_since_ns is not None:
            total += now_ns - max(self._on_since_ns, start_ns)
        return total

    def _judge(self, finding: rules.Finding | None, t_ns: int) -> None:
        if finding is None:
            return
        self.release()
        first = self.trip is None
        if not first and finding.rule in {
            self.trip.rule if self.trip else "",
            *self._later_rules(),
        }:
            return
        trip = Trip(*finding[:4], t_ns, finding.message)
        if first:
            self.trip = trip
        else:
            self.later.append(trip)
        self._emit(trip)

    def _later_rules(self) -> set[str]:
        return {trip.rule for trip in self.later}
