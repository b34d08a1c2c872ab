# SPDX-License-Identifier: MIT
from __future__ import annotations

import json
import math

import pytest
from bench_rig import (
    MS,
    NO_DUTY,
    SETUP,
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

from rig.bench.bench import TAIL_NS, Bench
from rig.bench.interlock import gauge_rules
from rig.bench.interlock.interlock import Interlock
from rig.bench.interlock.registry import TICK_S, watched
from rig.bench.interlock.trackers import DutyWindow
from rig.bench.status_message import StatusTeller
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


@pytest.mark.parametrize(
    ("looks", "off"), [([1, 1, 0, 1, 0, 0], "confirmed off"), ([1, 0, 1, 0] * 200, "still live")]
)
def test_one_dead_look_in_a_chatter_confirms_nothing(looks: list[int], off: str) -> None:
    bench, rig = make_bench()
    live, looked = rig.setup.coil_live_level, iter(looks)
    levels = rig.edges.level

    def level(line: str) -> int:
        if line != "readback":
            return levels(line)
        shown = live if next(looked, looks[-1]) else 1 - live
        bench.interlock.see_edge(rec.Edge("readback", shown, rig.clock.now_ns(), 1, "plant"))
        return shown

    for _ in range(2):  # it agreed before
        bench.interlock.tick(rig.clock.now_ns(), {"readback": 1 - live})
    rig.edges.level = level  # type: ignore[method-assign]
    assert bench._off_state() == off


def test_the_ground_side_confirms_off_only_as_far_as_its_read_back_reaches() -> None:
    bench, rig = make_bench(coil={**SETUP["coil"], "feed_side": "ground"})
    dead = 1 - rig.setup.coil_live_level
    rig.edges.level = lambda line: dead  # type: ignore[method-assign]
    assert bench._off_state() == rec.CONFIRMED_OFF_GROUND


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
    reaction = next(w.reaction_ms for w in watched(rig.setup) if w.rule == "gauge stale")
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


def test_load_dead_although_commanded_on() -> None:
    bench, rig = make_bench()
    rig.follow = False
    end, trip = run(bench, rig)
    assert trip is not None and trip.rule == "read-back disagreeing"
    assert "stays dead" in trip.message
    assert end.off == "commanded off, not confirmed"  # a read-back found wrong confirms nothing


def test_welded_contact_is_still_live() -> None:
    bench, rig = make_bench()

    def weld() -> None:
        rig.follow = False

    rig.after(350, weld)  # the first release no longer opens the contact
    end, trip = run(bench, rig)
    assert trip is not None and trip.rule == "read-back disagreeing"
    assert "contact welded" in trip.message
    assert end.off == "still live"


def test_after_a_trip_the_watchdog_goes_unfed_for_the_tail_and_the_read_backs_delay() -> None:
    """What the unit's WatchdogSec is reckoned from: a contact welded, and the longest delay that a
    setup may have (rig.config.ranges)."""
    bench, rig = make_bench(limits={**SETUP["limits"], "readback_delay": "1 s"})
    fed: list[int] = []
    bench._feed = fed.append

    def weld() -> None:
        rig.follow = False

    rig.after(350, weld)
    rig.after(400, lambda: rig.sample(900.0))  # over the limit, the coil still on
    end, trip = run(bench, rig)
    assert trip is not None and (trip.rule, end.off) == ("over-pressure", "still live")
    unfed_ns = end.t_ns - fed[-1]
    assert TAIL_NS + 1000 * MS <= unfed_ns <= TAIL_NS + 1050 * MS


def test_ground_side_says_what_it_cannot_tell() -> None:
    coil = {"feed_side": "ground", "supply_voltage": "12 V", "fuse": "3 A", "resistance": "14 ohm"}
    bench, rig = make_bench(coil=coil)
    rig.after(220, lambda: setattr(rig, "follow", False))
    _, trip = run(bench, rig)
    assert trip is not None and "cannot be told" in trip.message


def test_silent_edge_source_is_caught_on_the_first_stroke() -> None:
    bench, rig = make_bench(readback=None)
    rig.silent_edges = True
    end, trip = run(bench, rig)
    assert trip is not None and trip.rule == "edge source lost"
    assert end.off == "commanded off, not confirmed"
    assert sum(what == "on" for what, _ in rig.log) == 1


def test_edge_source_that_raises_trips_and_the_run_is_kept() -> None:
    bench, rig = make_bench()
    rig.after(350, lambda: setattr(rig, "closed", True))
    end, trip = run(bench, rig)
    assert trip is not None and trip.rule == "edge source lost"
    assert end.off == "commanded off, not confirmed"


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


def test_lost_edges_show_as_a_sequence_gap() -> None:
    bench, rig = make_bench()

    def lose() -> None:
        rig.sequence["switch"] += 3

    rig.after(400, lose)
    run(bench, rig)
    gap = next(r for r in rig.records if isinstance(r, rec.Condition) and r.kind == "sequence gap")
    assert gap.detail == "switch: 3 edges lost"


def test_edges_lost_before_the_first_one_seen_show_too() -> None:
    bench, rig = make_bench()
    rig.sequence["switch"] = 2
    run(bench, rig)
    gap = next(r for r in rig.records if isinstance(r, rec.Condition) and r.kind == "sequence gap")
    assert gap.detail == "switch: 2 edges lost"


def test_races_between_poll_and_edge_do_not_add_up_to_a_dead_source() -> None:
    setup = make_setup()
    rig = ScriptedRig(setup)
    interlock = Interlock(rig, setup, rig.records.append, rig.now_ns)
    interlock.start(0, {"switch": 0})
    for n in range(1, 20):  # each look sees the level a moment before its edge is read
        level = n % 2
        interlock.tick(n * 20 * MS, {"switch": level})
        interlock.see_edge(rec.Edge("switch", level, n * 20 * MS, n, "plant"))
    assert interlock.trip is None


def test_a_chattering_read_back_is_no_agreement() -> None:
    """Live in every second look while commanded on: one look that agrees does not start the
    allowed delay anew."""
    rig = ScriptedRig(make_setup())
    rig.follow = False
    interlock = Interlock(rig, rig.setup, rig.records.append, rig.now_ns)
    live, begin = rig.setup.coil_live_level, rig.now_ns()
    interlock.start(begin, {"readback": 1 - live})
    interlock.energise(1)
    for look in range(1, 26):
        level = live if look % 2 else 1 - live
        interlock.tick(begin + round(look * TICK_S * 1e9), {"readback": level})
    assert interlock.trip is not None and interlock.trip.rule == "read-back disagreeing"
    assert not rig.is_on


def test_a_read_back_that_agrees_twice_starts_the_allowed_delay_anew() -> None:
    rig = ScriptedRig(make_setup())
    rig.follow = False
    interlock = Interlock(rig, rig.setup, rig.records.append, rig.now_ns)
    live, begin = rig.setup.coil_live_level, rig.now_ns()
    interlock.start(begin, {"readback": 1 - live})
    interlock.energise(1)
    for look in range(1, 14):
        level = 1 - live if look % 3 == 0 else live
        interlock.tick(begin + round(look * TICK_S * 1e9), {"readback": level})
    assert interlock.trip is None


def test_a_trip_in_the_last_look_ends_the_run_as_tripped() -> None:
    """The sheet is done and the coil commanded off; the look that confirms off meets a reading
    over the limit."""
    bench, rig = make_bench()
    guide = rig.guide

    def last_look(instruction: str) -> None:
        guide(instruction)
        if instruction == "hold":
            rig.sample(750.0)

    rig.guide = last_look  # type: ignore[method-assign]
    end, trip = run(bench, rig)
    assert trip is not None and trip.rule == "over-pressure"
    assert end.reason == "tripped" and end.off == "confirmed off"
    assert [r.rule for r in rig.records if isinstance(r, rec.Trip)] == ["over-pressure"]


def test_a_read_back_found_wrong_after_another_trip_is_told_to_confirm_nothing() -> None:
    setup = make_setup()
    rig = ScriptedRig(setup)
    interlock = Interlock(rig, setup, lambda _: None, lambda: 0)
    dead = 1 - setup.coil_live_level
    interlock.start(0, {rec.SWITCH: 0, rec.READBACK: dead})

    def told(now_ns: int, level: int) -> dict[str, object]:
        interlock.tick(now_ns, {rec.READBACK: level})
        step = rec.Step("", 0, 0)
        line = StatusTeller().line(now_ns, "tripped", step, interlock, {}, 0.0, at_once=True)
        return json.loads(line or "")

    interlock.see_sample(rec.Sample("pressure", 750.0, 0, rec.GOOD))
    assert told(MS, dead)["confirmed_off"] == "confirmed off"
    told(2 * MS, 1 - dead)
    said = told(2000 * MS, 1 - dead)
    assert said["tripped"] == "over-pressure" and interlock.later
    assert told(2001 * MS, dead)["confirmed_off"] == "commanded off, not confirmed"
