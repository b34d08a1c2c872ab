# SPDX-License-Identifier: MIT
"""A bench that is stopped between arming and the start: the record says how it ended."""

from __future__ import annotations

from bench_rig import READBACK, BeatingDesk, ScriptedRig, make_bench

from rig.bench.bench import Bench
from rig.core.records import OFF_STATES, Command, End, Trip, decode


class WaitingDesk(BeatingDesk):
    def told_trips(self) -> list[str]:
        records = [decode(line) for line in self.sent if line.startswith("[")]
        return [one.rule for one in records if isinstance(one, Trip)]


def waiting() -> tuple[Bench, ScriptedRig, WaitingDesk]:
    desk = WaitingDesk()
    bench, rig = make_bench(desk)
    for _ in range(3):
        bench.idle()
    return bench, rig, desk


def test_a_stop_is_an_end_with_the_coil_seen_dead() -> None:
    bench, rig, desk = waiting()
    bench.orders.stop_why = "a test"
    end = bench.leave(rig)
    assert end.reason == "aborted" and end.off == OFF_STATES[0]
    assert rig.records[-1] == end
    assert not [one for one in rig.records if isinstance(one, Command) and one.on]
    dead = [line for line in desk.sent if '"commanded_on": false' in line and "status" in line]
    assert len(dead) >= 2, "whoever asked for the stop waits for two dead looks"


def test_a_trip_of_the_wait_stands_in_the_record_with_its_rule() -> None:
    bench, rig, desk = waiting()
    rig.pressure = 900.0
    for _ in range(40):
        bench.idle()
    assert desk.told_trips() == ["over-pressure"]
    end = bench.leave(rig)
    assert end.reason == "tripped"
    assert [one.rule for one in rig.records if isinstance(one, Trip)] == ["over-pressure"]


def test_a_load_side_that_goes_live_on_leaving_is_a_trip_that_is_told() -> None:
    bench, rig, desk = waiting()
    rig.follow = False
    rig.drive(READBACK, rig.setup.coil_live_level)
    end = bench.leave(rig)
    assert isinstance(end, End) and (end.reason, end.off) == ("tripped", OFF_STATES[2])
    told = [one.rule for one in rig.records if isinstance(one, Trip)]
    assert len(told) == 1 and desk.told_trips() == told
