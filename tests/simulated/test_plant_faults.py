# SPDX-License-Identifier: MIT
"""Each hidden fault changes what it should, through the physics, and leaves the rest alone."""

from __future__ import annotations

import re
import statistics
from typing import get_args

import pytest
from simulated_rigs import MS, NS, Seen, Stroke, plant, run, setup

from rig.config.plant.fault_names import FAULT_KINDS, Fault, FaultName
from rig.config.plant.model import SimulatedRig
from rig.simulated import faults
from rig.simulated.plant import Plant

Result = tuple[Plant, Seen, list[Stroke]]
COUNT = 8


@pytest.fixture(scope="module")
def healthy() -> Result:
    return run(COUNT)


def with_fault(fault: str, count: int = COUNT) -> Result:
    return run(count, simulated={"fault": fault})


def mean(done: list[Stroke], figure: str) -> float:
    return statistics.mean(getattr(stroke, figure) for stroke in done[1:])


def same_edges(one: Result, other: Result, line: str) -> bool:
    return one[1].of(line) == other[1].of(line)


def test_every_fault_that_can_be_chosen_is_known_and_no_other() -> None:
    assert faults.known() == get_args(FaultName) == tuple(FAULT_KINDS)


@pytest.mark.parametrize("name", faults.known())
def test_a_fault_is_a_change_of_known_parameters(name: str) -> None:
    chosen = setup(simulated={"fault": name})
    assert chosen.simulated is not None
    made = faults.apply(chosen.simulated, chosen)
    plain = chosen.simulated
    assert plain.fault == (() if name == "none" else (Fault(name),))
    changed = faults.changes(plain, chosen, Fault(name))
    assert (name == "none") == (not changed)
    assert not faults.changes(plain, chosen, Fault(name, 0.0))
    for part, values in changed.items():
        for attribute, value in values.items():
            assert attribute in type(getattr(plain, part)).model_fields
            assert getattr(getattr(made, part), attribute) == value
            assert getattr(getattr(plain, part), attribute) != value
    for part in SimulatedRig.model_fields:
        if part not in changed:
            assert getattr(made, part) == getattr(plain, part)


class TestOil:
    def test_low_pressure_never_reaches_the_switch(self, healthy: Result) -> None:
        found = with_fault("low oil pressure")
        assert all(not stroke.up for stroke in found[2])
        assert all(50.0 < stroke.pressure_kpa < 150.0 for stroke in found[2])
        assert same_edges(found, healthy, "readback")

    def test_aerated_oil_is_slow_both_ways(self, healthy: Result) -> None:
        found = with_fault("aerated oil")
        assert mean(found[2], "response_ms") > 2.0 * mean(healthy[2], "response_ms")
        assert mean(found[2], "release_ms") > 2.0 * mean(healthy[2], "release_ms")
        assert same_edges(found, healthy, "readback")

    def test_cold_oil_is_slow_everywhere(self, healthy: Result) -> None:
        found = with_fault("cold oil")
        assert mean(found[2], "response_ms") > 2.0 * mean(healthy[2], "response_ms")
        assert mean(found[2], "release_ms") > 3.0 * mean(healthy[2], "release_ms")
        assert same_edges(found, healthy, "readback")

    def test_surge_shows_at_the_gauge_after_its_time(self) -> None:
        _, seen, done = with_fault("oil pressure surge")
        assert done[0].pressure_kpa < 310.0
        assert done[-1].pressure_kpa > 650.0  # 1.3 times the setup's limit of 500 kPa
        readings = [(t, float(data[2:-6])) for t, data in seen.lines]
        assert all(value < 310.0 for t, value in readings if t < 3 * NS)
        assert max(value for _, value in readings) > 640.0


class TestElectrical:
    def test_low_voltage_pulls_in_late(self, healthy: Result) -> None:
        found = with_fault("low supply voltage")
        later = mean(found[2], "response_ms") - mean(healthy[2], "response_ms")
        assert 2.0 < later < 30.0
        assert mean(found[2], "release_ms") == pytest.approx(mean(healthy[2], "release_ms"), abs=2)
        assert same_edges(found, healthy, "readback")

    def test_a_bad_joint_takes_current(self, healthy: Result) -> None:
        found = with_fault("high-resistance joint")
        at = 2 * NS + 400 * MS
        currents = []
        for fault in ("none", "high-resistance joint"):
            source = plant(simulated={"fault": fault})
            source.set_relay(True, 2 * NS)
            source.advance(at)
            currents.append(source.current_a(at))
        assert currents[1] < 0.6 * currents[0]
        assert mean(found[2], "response_ms") > mean(healthy[2], "response_ms") + 0.5
        assert same_edges(found, healthy, "readback")

    def test_an_open_coil_is_live_for_the_read_back_and_does_nothing(self, healthy: Result) -> None:
        found = with_fault("open coil")
        assert same_edges(found, healthy, "readback")
        assert found[1].of("switch") == []
        assert found[0].truth.times_ns("plunger in") == []

    def test_shorted_turns_let_go_late(self, healthy: Result) -> None:
        found = with_fault("shorted turns")
        later = mean(found[2], "release_ms") - mean(healthy[2], "release_ms")
        assert 0.5 < later < 10.0
        # as the model says, they pull in much as before
        assert mean(found[2], "response_ms") == pytest.approx(
            mean(healthy[2], "response_ms"), abs=2.0
        )
        assert same_edges(found, healthy, "readback")

    @pytest.mark.parametrize(("side", "reads"), [("supply", 0), ("ground", 0)])
    def test_an_open_fuse(self, side: str, reads: int) -> None:
        source, seen, _ = run(3, coil={"feed_side": side}, simulated={"fault": "fuse open"})
        assert seen.edges == []
        assert source.level("readback") == reads  # no voltage; the ground side reads that as live

    def test_a_welded_contact_stays_live(self) -> None:
        source, seen, done = with_fault("contact welded")
        welded_ns = next(t for t in source.truth.times_ns("contact closed") if t >= 3 * NS)
        after = [level for t, level in seen.of("readback") if t > welded_ns + 5 * MS]
        assert after == []
        assert source.level("readback") == 1
        assert len(source.truth.times_ns("contact open")) < len(done)

    def test_a_dead_relay_does_nothing(self) -> None:
        source, seen, _ = with_fault("relay dead")
        assert seen.edges == []
        assert source.truth.times_ns("contact closed") == []

    def test_driven_by_the_vehicle_is_live_before_any_command(self) -> None:
        source = plant(simulated={"fault": "driven by the vehicle"})
        assert source.level("readback") == 1
        source.advance(NS)
        assert source.level("switch") == 0
        assert source.pressure_kpa(NS) > 250.0


class TestValve:
    def test_a_stuck_plunger_never_moves(self, healthy: Result) -> None:
        found = with_fault("stuck plunger")
        assert found[0].truth.times_ns("plunger in") == []
        assert found[1].of("switch") == []
        assert [t for t, _ in found[1].of("readback")] == [t for t, _ in healthy[1].of("readback")]

    def test_a_sticking_spool_scatters(self, healthy: Result) -> None:
        found = with_fault("sticking spool", 30)
        back = [stroke.release_ms for stroke in found[2] if stroke.down]
        usual = [stroke.release_ms for stroke in healthy[2]]
        assert statistics.stdev(back) > 3.0 * statistics.stdev(usual)
        assert [t for t, _ in found[1].of("readback")][:6] == [
            t for t, _ in healthy[1].of("readback")
        ][:6]

    def test_a_weak_spring_is_slow_to_return_and_quick_to_go(self, healthy: Result) -> None:
        found = with_fault("weak return spring")
        assert mean(found[2], "release_ms") > 1.4 * mean(healthy[2], "release_ms")
        assert mean(found[2], "response_ms") < mean(healthy[2], "response_ms") + 0.5

    def test_a_clogged_screen_is_slow_to_go_and_returns_as_usual(self, healthy: Result) -> None:
        found = with_fault("clogged inlet screen")
        assert mean(found[2], "response_ms") > 1.7 * mean(healthy[2], "response_ms")
        assert mean(found[2], "release_ms") == pytest.approx(mean(healthy[2], "release_ms"), abs=1)

    def test_leaking_seals_hold_less_pressure(self, healthy: Result) -> None:
        found = with_fault("leaking lock seals")
        assert found[2][-1].pressure_kpa < 0.8 * healthy[2][-1].pressure_kpa
        assert mean(found[2], "response_ms") > mean(healthy[2], "response_ms")
        assert mean(found[2], "release_ms") < mean(healthy[2], "release_ms")

    def test_leaking_seals_empty_a_gallery_without_a_drain(self) -> None:
        pressures = []
        for fault in ("none", "leaking lock seals"):
            source = plant(simulated={"fault": fault, "gallery": {"drain_area": "0 mm^2"}})
            source.set_relay(True, NS)
            source.set_relay(False, 2 * NS)
            source.advance(4 * NS)
            pressures.append(source.pressure_kpa(4 * NS))
        assert pressures[0] > 50.0
        assert pressures[1] < 0.3 * pressures[0]


class TestSwitch:
    @pytest.mark.parametrize(
        ("fault", "level"), [("switch stuck open", 1), ("switch stuck closed", 0)]
    )
    def test_stuck(self, fault: str, level: int, healthy: Result) -> None:
        source, seen, _ = found = with_fault(fault)
        assert seen.of("switch") == []
        assert source.level("switch") == level
        assert same_edges(found, healthy, "readback")
        assert seen.lines == healthy[1].lines  # the pressure does what it always did
        assert source.truth.times_ns("switch actuated") == healthy[0].truth.times_ns(
            "switch actuated"
        )

    def test_chattering(self, healthy: Result) -> None:
        found = with_fault("switch chattering", 8)
        per_stroke = [len(stroke.up) for stroke in found[2]]
        assert statistics.mean(per_stroke) > 2.0 * statistics.mean(
            len(stroke.up) for stroke in healthy[2]
        )
        late = [t for stroke in found[2] for t, _ in stroke.up if t - stroke.on_ns > 150 * MS]
        assert late  # it opens by itself while pressure stands
        assert found[1].lines == healthy[1].lines
        assert same_edges(found, healthy, "readback")


class TestGauge:
    @pytest.mark.parametrize(
        "fault",
        ["gauge silent", "gauge garbage", "gauge NaN", "gauge frozen", "gauge disconnected"],
    )
    def test_edges_and_earlier_lines_stay(self, fault: str, healthy: Result) -> None:
        _, seen, _ = with_fault(fault)
        assert seen.edges == healthy[1].edges
        begun = 3 * NS
        assert [x for x in seen.lines if x[0] < begun] == [
            x for x in healthy[1].lines if x[0] < begun
        ]

    def test_silent(self) -> None:
        _, seen, _ = with_fault("gauge silent")
        assert max(t for t, _ in seen.lines) < 3 * NS + 200 * MS

    def test_garbage(self) -> None:
        _, seen, _ = with_fault("gauge garbage")
        late = [data for t, data in seen.lines if t > 3 * NS + 200 * MS]
        assert late
        assert not any(re.fullmatch(rb"P=[\d.]+ kPa\r\n", data) for data in late)

    def test_nan(self) -> None:
        _, seen, _ = with_fault("gauge NaN")
        assert {data for t, data in seen.lines if t > 3 * NS + 200 * MS} == {b"P=nan kPa\r\n"}

    def test_frozen(self) -> None:
        _, seen, _ = with_fault("gauge frozen")
        assert len({data for t, data in seen.lines if t > 3 * NS + 200 * MS}) == 1

    def test_disconnected(self) -> None:
        source, _, _ = with_fault("gauge disconnected")
        assert source.gauge_unplugged
        early = plant(simulated={"fault": "gauge disconnected"})
        assert early.run_until(10 * NS) < 3 * NS
        early.advance(3 * NS - 1)
        assert not early.gauge_unplugged
        while early.run_until(4 * NS) < 3 * NS:
            early.take_bytes()
        assert early.gauge_unplugged


def test_faults_in_air_too(healthy: Result) -> None:
    _, _, usual = run(4, medium="air")
    _, _, clogged = run(4, medium="air", simulated={"fault": "clogged inlet screen"})
    assert mean(clogged, "response_ms") > 1.5 * mean(usual, "response_ms")
    _, _, leaking = run(4, medium="air", simulated={"fault": "leaking lock seals"})
    assert leaking[-1].pressure_kpa < usual[-1].pressure_kpa - 5.0
