# SPDX-License-Identifier: MIT
from __future__ import annotations

import math

import pytest
from bench_rig import (
    MS,
    NO_DUTY,
    SHEET,
    ScriptedRig,
    last_off_before_trip_record,
    make_bench,
    make_setup,
    run,
)
from hypothesis import given
from hypothesis import strategies as st
from setups import make_sheet

from rig.bench.bench import Bench
from rig.bench.interlock import gauge_rules
from rig.bench.interlock.registry import watched
from rig.bench.interlock.rule import TICK_S
from rig.bench.interlock.trackers import DutyWindow
from rig.core import records as rec
from rig.core.errors import RefusedError


@pytest.mark.parametrize("value", [700.1, 1e6, math.inf, math.nan])
def test_over_pressure_trips_and_nan_trips(value: float) -> None:
    assert gauge_rules.over_pressure(value, 700.0) is not None


def test_over_pressure_while_energised() -> None:
    bench, rig = make_bench()
    rig.after(350, lambda: rig.sample(750.0))
    end, trip = run(bench, rig)
    assert end.reason == "tripped" and end.off == "confirmed off"
    assert trip is not None and trip.rule == "over-pressure"
    assert (trip.value, trip.limit, trip.unit) == (750.0, 700.0, "kPa")
    assert "does not lower the supply pressure" in trip.message
    assert last_off_before_trip_record(rig)
    off_ns = next(t for what, t in rig.log if what == "off")
    assert off_ns == trip.t_ns, "released in the turn in which the sample arrived"


@pytest.mark.parametrize("arrival", ["see_sample", "see_block"])
@pytest.mark.parametrize("value", [750.0, math.nan])
def test_the_line_is_low_before_the_trip_is_worded(
    monkeypatch: pytest.MonkeyPatch, arrival: str, value: float
) -> None:
    bench, rig = make_bench()
    bench.interlock.energise(1)
    assert rig.is_on
    on_then = []

    def wording(*_: object) -> None:
        on_then.append(rig.is_on)

    monkeypatch.setattr(gauge_rules, "over_pressure", wording)
    getattr(bench.interlock, arrival)(rec.Sample("pressure", value, rig.now_ns(), rec.GOOD))
    assert on_then and not any(on_then)


def test_nan_that_came_through_as_a_good_reading_trips_and_is_recorded() -> None:
    """A decoder never lets one through; if it did, the record must not fail on it either."""
    bench, rig = make_bench()
    rig.after(350, lambda: rig.sample(math.nan))
    end, trip = run(bench, rig)
    assert end.reason == "tripped" and end.off == "confirmed off"
    assert trip is not None and trip.rule == "over-pressure" and trip.value is None
    assert last_off_before_trip_record(rig)


def test_out_of_range_reading_above_the_limit_trips() -> None:
    bench, rig = make_bench()
    rig.after(350, lambda: rig.sample(5000.0, "out of range"))
    assert run(bench, rig)[1].rule == "over-pressure"


def test_gauge_stale_trips_within_its_stated_reaction() -> None:
    bench, rig = make_bench()

    def unplug() -> None:
        rig.pressure = None

    rig.after(450, unplug)
    start = rig.now_ns()
    end, trip = run(bench, rig)
    assert trip is not None and trip.rule == "gauge stale"
    reaction = next(w.reaction_ms for w in watched(rig.setup) if w.rule.name == "gauge stale")
    last_good = start + 400 * MS
    assert (trip.t_ns - last_good) / MS <= (reaction or 0) + 1e-6
    assert end.reason == "tripped"


def test_bad_readings_do_not_keep_the_gauge_alive() -> None:
    bench, rig = make_bench()

    def babble() -> None:
        rig.pressure = None
        rig.sample(math.nan, "not a number")
        rig.waiting_items.append(rec.Condition("frame rejected", rig.now_ns(), "garbage"))
        rig.after(50, babble)

    rig.after(300, babble)
    assert run(bench, rig)[1].rule == "gauge stale"


def test_on_time() -> None:
    bench, rig = make_bench(limits=NO_DUTY | {"on_time": "250 ms"})
    _, trip = run(bench, rig)
    assert trip is not None and trip.rule == "on time"
    on, off = (t for _, t in rig.log[:2])
    assert 250 * MS < off - on <= (250 + 1e3 * TICK_S) * MS


def test_duty_in_a_sliding_window() -> None:
    bench, rig = make_bench(limits=NO_DUTY | {"duty": "30 %", "duty_window": "2 s"})
    _, trip = run(bench, rig, on_time="400 ms", rest="300 ms")
    assert trip is not None and trip.rule == "duty"
    assert trip.value == pytest.approx(30, abs=2)


@given(st.lists(st.tuples(st.integers(1, 3000), st.integers(1, 3000)), max_size=30),
       st.integers(1, 5000))  # fmt: skip
def test_duty_sum_equals_the_overlap_of_spans_with_the_window(
    pairs: list[tuple[int, int]], window_ms: int
) -> None:
    window = DutyWindow(window_ms * MS)
    spans, t = [], 10**12
    for on_ms, off_ms in pairs:
        spans.append((t, t + on_ms * MS))
        window.add(*spans[-1])
        t += (on_ms + off_ms) * MS
        start = t - window_ms * MS
        direct = sum(max(0, min(b, t) - max(a, start)) for a, b in spans)
        assert window.on_ns(t, None) == direct


def test_full_queue_towards_the_recorder_trips() -> None:
    bench, rig = make_bench()
    rig.after(350, lambda: setattr(rig, "overflowed", True))
    assert run(bench, rig)[1].rule == "recorder behind"


def test_a_recorder_that_ended_trips_and_is_named() -> None:
    bench, rig = make_bench()
    rig.after(350, lambda: setattr(rig, "reader_gone", True))
    trip = run(bench, rig)[1]
    assert trip.rule == "recorder behind" and "recorder process ended" in trip.message


def test_a_trip_while_waiting_cannot_be_armed_over() -> None:
    bench, rig = make_bench(stop_input={"line": 5})
    rig.loops["stop_input"].closed = False
    bench.idle()
    assert bench.states.state == "tripped"
    with pytest.raises(RefusedError):
        bench.arm()


def test_first_trip_is_kept_and_later_ones_listed() -> None:
    bench, rig = make_bench()
    rig.follow = False
    rig.after(250, lambda: rig.sample(800.0))
    rig.after(300, lambda: rig.sample(900.0))
    _, trip = run(bench, rig)
    assert trip is not None and trip.rule == "over-pressure" and trip.value == 800.0
    rules_seen = [r.rule for r in rig.records if isinstance(r, rec.Trip)]
    assert len(rules_seen) == len(set(rules_seen)), "each rule is reported once"


def test_nothing_energises_after_a_trip() -> None:
    bench, rig = make_bench()
    rig.after(350, lambda: rig.sample(800.0))
    run(bench, rig)
    assert bench.interlock.energise(9) is False
    assert not rig.is_on
    with pytest.raises(RefusedError):
        bench.arm()


def test_stop_releases_and_records_half_a_second_more() -> None:
    bench, rig = make_bench()
    rig.after(350, lambda: setattr(bench.orders, "stop_why", "stopped by Ctrl-C"))
    end, trip = run(bench, rig)
    assert end.reason == "aborted" and trip is None
    stopped = next(r for r in rig.records if isinstance(r, rec.Condition) and r.kind == "stopped")
    assert stopped.detail == "stopped by Ctrl-C"
    assert end.t_ns - stopped.t_ns >= 500 * MS


@pytest.mark.parametrize("where", ["gauge", "edges", "wait", "put"])
def test_an_exception_anywhere_leaves_the_coil_off(where: str) -> None:
    bench, rig = make_bench()

    class Broken(Exception):
        pass

    def broken(*_: object) -> None:
        raise Broken

    def break_it() -> None:
        if where == "gauge":
            rig.gauge.read = broken
        elif where == "edges":
            rig.edges.read = broken
        elif where == "put":
            rig.put = broken
        else:
            rig.wait = broken

    rig.after(350, break_it)
    with pytest.raises(Broken):
        bench.run(make_sheet(**SHEET), rig)
    assert not rig.is_on


def test_nothing_runs_that_was_not_armed() -> None:
    rig = ScriptedRig(make_setup())
    bench = Bench(rig.setup, rig)
    with pytest.raises(RefusedError, match="cannot become running"):
        bench.run(make_sheet(**SHEET), rig)
    assert ("on", rig.now_ns()) not in rig.log


def test_arming_expires() -> None:
    bench, rig = make_bench()
    rig.clock.advance_to(rig.now_ns() + 121_000 * MS)
    bench.idle()
    with pytest.raises(RefusedError):
        bench.run(make_sheet(**SHEET), rig)
