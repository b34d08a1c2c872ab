# SPDX-License-Identifier: MIT
from __future__ import annotations

import pytest
from bench_rig import MS, ScriptedRig, make_bench
from hypothesis import given
from hypothesis import strategies as st
from setups import make_sheet

from rig.bench.sequencer import Sequencer, plan
from rig.core.records import Command, End, Step

STROKES = {"kind": "strokes", "strokes": 3, "on_time": "200 ms", "rest": "300 ms",
           "settle_wait": "500 ms"}  # fmt: skip


def test_strokes_are_commanded_at_their_times() -> None:
    bench, rig = make_bench()
    t0 = rig.now_ns()
    end = bench.run(make_sheet(**STROKES), rig)
    commands = [r for r in rig.records if isinstance(r, Command)]
    expected = []
    for n in range(3):
        expected += [(True, n + 1, 500 + n * 500), (False, n + 1, 700 + n * 500)]
    assert [(c.on, c.stroke, (c.t_ns - t0) // MS) for c in commands] == expected
    assert end == End("finished", "confirmed off", end.t_ns)
    assert rig.records[-1] == end
    assert end.t_ns - t0 >= make_sheet(**STROKES).longest_s * 1e9


def test_hold_energised_watches_then_releases() -> None:
    bench, rig = make_bench()
    t0 = rig.now_ns()
    bench.run(make_sheet(kind="hold", state="energised", watch="1 s", settle_wait="100 ms"), rig)
    commands = [((r.t_ns - t0) // MS, r.on) for r in rig.records if isinstance(r, Command)]
    assert commands == [(100, True), (1100, False)]


def test_hold_released_energises_first() -> None:
    bench, rig = make_bench()
    t0 = rig.now_ns()
    sheet = make_sheet(
        kind="hold", state="released", energise_first="1 s", watch="3 s", settle_wait="100 ms"
    )
    bench.run(sheet, rig)
    commands = [((r.t_ns - t0) // MS, r.on) for r in rig.records if isinstance(r, Command)]
    assert commands == [(100, True), (1100, False)]
    assert rig.now_ns() - t0 >= 4100 * MS


RAMP = {"kind": "ramp", "ramps": 2, "low": "50 kPa", "high": "400 kPa", "settle_wait": "100 ms",
        "ramp_time_max": "5 s"}  # fmt: skip


def turned_as_guided(rig: ScriptedRig) -> None:
    """A hand that moves the pressure by 5 kPa every 10 ms, as it is told."""
    rig.pressure = 0.0

    def hand() -> None:
        way = rig.guided[-1] if rig.guided else "hold"
        rig.pressure = (rig.pressure or 0.0) + {"raise": 5, "lower": -5, "hold": 0}[way]
        rig.after(10, hand)

    hand()


def test_ramp_guides_the_hand_and_turns_at_the_pressures() -> None:
    bench, rig = make_bench()
    turned_as_guided(rig)
    end = bench.run(make_sheet(**RAMP), rig)
    assert end.reason == "finished"
    steps = [(r.name, r.number) for r in rig.records if isinstance(r, Step)]
    assert steps == [("settle", 0), ("raise", 1), ("lower", 1), ("raise", 2), ("lower", 2)]
    assert rig.guided[-1] == "hold"
    assert not any(isinstance(r, Command) for r in rig.records)


def test_ramp_that_never_arrives_is_aborted_with_a_reason() -> None:
    bench, rig = make_bench()
    end = bench.run(make_sheet(**RAMP, coil="released"), rig)
    assert end.reason == "aborted"
    assert "did not reach 400 kPa" in str(bench.orders.stop_why)


@given(
    strokes=st.integers(1, 6),
    on_ms=st.integers(40, 400),
    rest_ms=st.integers(150, 500),
)
def test_every_energise_has_its_release(strokes: int, on_ms: int, rest_ms: int) -> None:
    bench, rig = make_bench(limits={"pressure": "700 kPa", "duty": "100 %"})
    sheet = make_sheet(kind="strokes", strokes=strokes, on_time=f"{on_ms} ms",
                       rest=f"{rest_ms} ms", settle_wait="0 s")  # fmt: skip
    assert bench.run(sheet, rig).reason == "finished"
    commands = [r for r in rig.records if isinstance(r, Command)]
    assert [c.on for c in commands] == [True, False] * strokes
    for on, off in zip(commands[::2], commands[1::2], strict=True):
        assert off.t_ns - on.t_ns == on_ms * MS


def test_duration_of_each_kind() -> None:
    assert make_sheet(**STROKES).longest_s == pytest.approx(0.5 + 3 * 0.5)
    hold = make_sheet(kind="hold", state="released", energise_first="1 s", watch="3 s")
    assert hold.longest_s == pytest.approx(2 + 1 + 3)
    ramp = make_sheet(**RAMP)
    assert ramp.longest_s == pytest.approx(0.1 + 2 * (5 + 5)), "two ramps, each up and down"


def test_a_ramp_with_the_coil_energised_is_on_from_the_first_way_to_the_last() -> None:
    """One energise before the first way up, one release after the last way down."""
    bench, rig = make_bench(limits={"pressure": "700 kPa", "duty": "100 %"})
    turned_as_guided(rig)
    assert bench.run(make_sheet(**RAMP, coil="energised"), rig).reason == "finished"
    ways = [r for r in rig.records if isinstance(r, Step) and r.name != "settle"]
    commands = [r for r in rig.records if isinstance(r, Command)]
    assert [c.on for c in commands] == [True, False]
    assert commands[0].t_ns <= ways[0].t_ns
    assert commands[1].t_ns > ways[-1].t_ns


def test_nothing_follows_a_ramp_that_did_not_reach_its_pressure() -> None:
    steps = Sequencer(plan(make_sheet(**RAMP | {"settle_wait": "0 s"})))
    action, t_ns, seen = steps.due(0, None), 0, []
    while action is None or action.what != "fail":
        if action is not None:
            seen.append((action.what, action.text))
            action = steps.done(t_ns)
        else:
            t_ns += 1000 * MS
            action = steps.due(t_ns, 10.0)
    assert seen == [("step", "settle"), ("step", "raise"), ("guide", "raise")]
    assert steps.done(t_ns) is None and steps.next_ns is None
