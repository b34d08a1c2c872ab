# SPDX-License-Identifier: MIT
"""A run that the desk needs no more of ends before its next stroke, coil off, as finished."""

from __future__ import annotations

from bench_rig import BeatingDesk, EdgesOnly, GaugeOnly, ScriptedRig, make_setup

from rig.bench.bench import Bench
from rig.config.sheet.model import StrokesSheet
from rig.core import messages
from rig.core.records import STOPPED_EARLY, Command, Condition, End

SHEET = StrokesSheet.model_validate(
    {"kind": "strokes", "strokes": 10, "on_time": "100 ms", "rest": "300 ms",
     "settle_wait": "200 ms"}
)  # fmt: skip


class FinishingDesk(BeatingDesk):
    """Asks for the end once `after_ms` are over."""

    def __init__(self, rig: ScriptedRig, after_ms: float) -> None:
        super().__init__()
        self._rig, self._at_ns = rig, rig.now_ns() + round(after_ms * 1e6)

    def poll(self) -> list[messages.Order]:
        orders = super().poll()
        if self._rig.now_ns() >= self._at_ns:
            orders.append(messages.read_order(messages.order("finish", "decided")))
        return orders


def run_with_finish(after_ms: float) -> tuple[ScriptedRig, End]:
    setup = make_setup()
    rig = ScriptedRig(setup)
    rig.edges, rig.gauge = EdgesOnly(rig), GaugeOnly(rig)
    bench = Bench(setup, rig, FinishingDesk(rig, after_ms))
    assert not bench.preflight().refused
    bench.arm()
    return rig, bench.run(SHEET, rig)


def test_it_ends_between_two_strokes() -> None:
    rig, end = run_with_finish(after_ms=1150)  # in the third stroke's time
    strokes = {record.stroke for record in rig.records if isinstance(record, Command) and record.on}
    assert end.reason == "finished"
    assert end.off == "confirmed off"
    assert 1 <= len(strokes) < 10
    (condition,) = [r for r in rig.records if isinstance(r, Condition)]
    assert (condition.kind, condition.detail) == (STOPPED_EARLY, "decided")
    offs = [r.t_ns for r in rig.records if isinstance(r, Command) and not r.on]
    # the last stroke had its whole rest: nothing of it is missing
    assert condition.t_ns - offs[len(strokes) - 1] >= 300e6
    assert not rig.is_on


def test_a_first_stroke_is_always_done() -> None:
    rig, end = run_with_finish(after_ms=0)
    strokes = {record.stroke for record in rig.records if isinstance(record, Command) and record.on}
    assert (end.reason, strokes) == ("finished", {1})
