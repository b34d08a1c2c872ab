# SPDX-License-Identifier: MIT
"""The rules beyond pressure, on-time and read-back, each tripped in a run on the scripted rig."""

from __future__ import annotations

import math

import pytest
from bench_rig import MS, NO_DUTY, ScriptedRig, make_bench, make_setup, run

from rig.bench.interlock import coil_and_program_rules as rules
from rig.bench.interlock import gauge_rules
from rig.bench.interlock.rule import TICK_S, Finding
from rig.bench.interlock.trackers import CoilHeat
from rig.core.records import Sample
from rig.physics import feed
from rig.physics.coil import copper_resistance_ohm


@pytest.mark.parametrize(
    "finding",
    [
        rules.on_time(math.nan, 1), rules.duty(math.nan, 60, 0.5), rules.coil_heating(math.nan, 1),
        rules.readback(True, math.nan, 1, "supply"), rules.edge_source("switch", math.nan, 1),
        rules.recorder_behind(False, math.nan, 1), rules.disk_nearly_full(math.nan, 1),
        rules.loop_late(math.nan, 1), gauge_rules.over_pressure(math.nan, 1),
        gauge_rules.pressure_rate(math.nan, 1), gauge_rules.gauge_stale(math.nan, 1),
        gauge_rules.oil_temperature(math.nan, 1), gauge_rules.supply_voltage(math.nan, 1, 2),
    ],
)  # fmt: skip
def test_nan_trips_every_rule(finding: Finding | None) -> None:
    assert finding is not None and finding.message


@pytest.mark.parametrize("side", ["supply", "ground"])
@pytest.mark.parametrize("fault", [f for f in feed.FAULTS if f != "none"])
def test_the_message_names_every_fault_that_the_truth_table_allows(side: str, fault: str) -> None:
    for commanded_on in (False, True):
        state = feed.feed_state(side, commanded_on, fault)
        if state.reads_live == commanded_on:
            continue
        finding = rules.readback(commanded_on, 1.0, 0.06, side)
        assert finding is not None and fault in finding.message


def test_a_rise_that_no_stroke_explains() -> None:
    limits = NO_DUTY | {"pressure_rate": "1000 kPa/s", "answer_time": "150 ms"}
    bench, rig = make_bench(limits=limits)
    rig.after(150, lambda: setattr(rig, "pressure", 400.0))  # 200 kPa in 100 ms, before any stroke
    _, trip = run(bench, rig)
    assert trip is not None and trip.rule == gauge_rules.PRESSURE_RATE
    assert trip.value == pytest.approx(2000)


def test_the_answer_to_a_stroke_may_be_as_fast_as_it_likes() -> None:
    limits = NO_DUTY | {"pressure_rate": "1000 kPa/s", "answer_time": "250 ms"}
    bench, rig = make_bench(limits=limits)

    def answer() -> None:
        rig.pressure = 450.0 if rig.is_on else 200.0
        rig.after(30, answer)

    answer()
    end, trip = run(bench, rig)
    assert trip is None and end.reason == "finished"


def test_one_wild_reading_is_noise_and_three_are_a_fault() -> None:
    bench, rig = make_bench()
    rig.after(250, lambda: rig.sample(-50.0, "out of range"))
    assert run(bench, rig)[1] is None
    bench, rig = make_bench()
    for n in range(3):
        rig.after(301 + n, lambda: rig.sample(-50.0, "out of range"))
    assert run(bench, rig)[1].rule == gauge_rules.GAUGE_IMPLAUSIBLE


def test_three_wild_readings_that_are_not_in_a_row_are_noise() -> None:
    """Between any two of them the gauge sent a good one (every 100 ms)."""
    bench, rig = make_bench()
    for n in range(4):
        rig.after(250 + 100 * n, lambda: rig.sample(-50.0, "out of range"))
    end, trip = run(bench, rig)
    assert trip is None and end.reason == "finished"


def test_a_changed_unit_trips_at_once() -> None:
    bench, rig = make_bench()
    rig.after(250, lambda: rig.sample(math.nan, "unit changed"))
    _, trip = run(bench, rig)
    assert trip.rule == gauge_rules.GAUGE_IMPLAUSIBLE and "another unit" in trip.message


def test_a_gauge_that_never_moves_while_the_switch_answers() -> None:
    bench, rig = make_bench(limits=NO_DUTY | {"gauge_stuck_strokes": 4})
    _, trip = run(bench, rig, strokes=8)
    assert trip.rule == gauge_rules.GAUGE_STUCK and trip.value == 4


def test_a_gauge_that_flickers_is_not_stuck_and_neither_is_one_without_answers() -> None:
    bench, rig = make_bench(limits=NO_DUTY | {"gauge_stuck_strokes": 4})

    def flicker() -> None:
        rig.pressure = 401.0 - (rig.pressure or 0.0)
        rig.after(350, flicker)

    flicker()
    assert run(bench, rig, strokes=8)[1] is None
    bench, rig = make_bench(limits=NO_DUTY | {"gauge_stuck_strokes": 4})
    rig.answer_ms = None
    assert run(bench, rig, strokes=8)[1] is None


@pytest.mark.parametrize(
    ("name", "rule"), [("stop_input", rules.STOP_INPUT), ("cover_input", rules.COVER_INPUT)]
)
def test_an_opened_loop_trips_within_a_tick(name: str, rule: str) -> None:
    bench, rig = make_bench(**{name: {"line": 5}})
    opened = rig.now_ns() + 350 * MS
    rig.after(350, lambda: setattr(rig.loops[name], "closed", False))
    _, trip = run(bench, rig)
    assert trip.rule == rule
    assert trip.t_ns - opened <= TICK_S * 1e9


def test_measured_oil_temperature_and_supply_voltage() -> None:
    limits = NO_DUTY | {"oil_temperature": "130 degC", "supply_voltage_min": "11 V"}
    for channel, value, rule in [
        ("oil_temperature", 131.0, gauge_rules.OIL_TEMPERATURE),
        ("supply_voltage", 10.5, gauge_rules.SUPPLY_VOLTAGE),
    ]:
        bench, rig = make_bench(limits=limits)

        def measured(channel: str = channel, value: float = value, rig: ScriptedRig = rig) -> None:
            rig.waiting_items.append(Sample(channel, value, rig.now_ns(), "good"))

        rig.after(350, measured)
        assert run(bench, rig)[1].rule == rule


HEATING = {"thermal_resistance": "20 K/W", "time_constant": "1 s", "surroundings": "95 degC",
           "temperature_limit": "155 degC"}  # fmt: skip


def test_coil_heating_trips() -> None:
    bench, rig = make_bench(coil_heating=HEATING, limits=NO_DUTY)
    _, trip = run(bench, rig, on_time="900 ms", rest="100 ms")
    assert trip.rule == rules.COIL_HEATING and trip.value > 155


def test_coil_heat_settles_where_power_and_resistance_agree() -> None:
    """Energy balance: (T - surroundings) = Rth V^2 / R(T), solved by bisection here."""
    setup = make_setup(coil_heating=HEATING, limits=NO_DUTY)
    heat = CoilHeat(setup)
    for n in range(3000):
        heat.advance(10**9 + n * 10 * MS, energised=True)
    low, high = 95.0, 1000.0
    for _ in range(60):
        middle = (low + high) / 2
        heat_w = 12.6**2 / copper_resistance_ohm(14.0, middle)
        low, high = (middle, high) if 95 + 20 * heat_w > middle else (low, middle)
    assert heat.temperature_degc == pytest.approx(low, rel=1e-3)


def test_the_loop_coming_late_and_the_recorder_and_the_disk() -> None:
    bench, rig = make_bench()
    for words, rule in [
        ({"late_s": 0.3}, rules.LOOP), ({"lag_s": 6.0}, rules.RECORDER),
        ({"free_mb": 10.0}, rules.DISK),
        ({"free_mb": float("nan")}, rules.DISK),
    ]:  # fmt: skip
        bench, rig = make_bench()
        rig.after(350, lambda words=words, b=bench, r=rig: b.interlock.program(r.now_ns(), **words))
        assert run(bench, rig)[1].rule == rule
    bench, rig = make_bench()
    bench.interlock.program(rig.now_ns(), late_s=0.2, lag_s=4.0, free_mb=100.0)
    assert bench.interlock.trip is None


def test_a_stalled_loop_is_told_when_it_goes_on() -> None:
    bench, rig = make_bench()
    rig.after(350, lambda: rig.clock.advance_to(rig.now_ns() + 400 * MS))
    trips = {run(bench, rig)[1].rule, *(later.rule for later in bench.interlock.later)}
    assert rules.LOOP in trips


def test_the_heartbeat_beats_only_with_the_loop_and_stops_with_a_trip() -> None:
    bench, rig = make_bench(heartbeat={"line": 24})
    rig.after(350, lambda: rig.sample(800.0))
    run(bench, rig)
    at_trip = rig.beats
    assert at_trip > 5
    bench.interlock.tick(rig.now_ns(), {}, {})
    assert rig.beats == at_trip


def test_off_that_cannot_be_written_is_latched_all_the_same() -> None:
    bench, rig = make_bench()

    class Broken(Exception):
        pass

    def off() -> None:
        raise Broken

    def break_it() -> None:
        rig.off = off
        rig.sample(800.0)

    rig.after(350, break_it)
    with pytest.raises(Broken):
        run(bench, rig)
    trip = bench.interlock.trip
    assert trip is not None and trip.rule == gauge_rules.OVER_PRESSURE
    assert bench.states.state == "internal fault"


def test_the_table_of_states_is_the_same_in_code_and_help() -> None:
    from pathlib import Path

    from rig.bench import states

    table = [line for line in (states.__doc__ or "").splitlines() if line.startswith("|")]
    assert len(table) == 2 + len(states.State)
    assert "\n".join(table) in Path("webui/help/interlock.md").read_text()
