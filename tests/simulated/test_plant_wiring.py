# SPDX-License-Identifier: MIT
"""A rig that is wired or set otherwise than its setup says: what the inputs and the gauge's line
then show, and that the rest of the plant does not care."""

from __future__ import annotations

import itertools
import math
from pathlib import Path
from typing import Any, ClassVar

import pytest
from simulated_rigs import MS, NS, Seen, go, plant, run, setup

from rig.config.files.loading import setup_from_text
from rig.config.files.simulated_table import with_faults
from rig.config.plant.fault_names import FAULT_KINDS, fault_of
from rig.core.errors import FileProblems
from rig.io.gauges.pattern import compile_pattern
from rig.physics import feed
from rig.simulated.coil_path.switch_wire import OPEN, SOUND, TOUCHING, SwitchWire
from rig.simulated.plant import Plant
from rig.simulated.scatter import stream


def edges(seen: Seen, line: str) -> list[tuple[int, int]]:
    return seen.of(line)


def inverted(row: list[tuple[int, int]]) -> list[tuple[int, int]]:
    return [(t, 1 - level) for t, level in row]


@pytest.fixture(scope="module")
def sound() -> tuple[Any, Seen]:
    source, seen, _ = run(4)
    return source, seen


class TestDriveSide:
    @pytest.mark.parametrize("said", ["supply", "ground"])
    def test_the_read_back_reads_by_the_table_of_the_other_side(self, said: str) -> None:
        really = "ground" if said == "supply" else "supply"
        source = plant(coil={"feed_side": said}, simulated={"fault": "drive on the wrong side"})
        for commanded in (False, True):
            if commanded:
                source.set_relay(True, NS)
                source.advance(NS + 400 * MS)
            state = feed.feed_state(really, commanded)  # rig/physics/feed.py has the truth table
            assert source.level("readback") == int(state.voltage_present)
            assert (source.current_a(source._now_ns) > 0.4) == state.coil_live

    def test_the_coil_moves_as_ever(self, sound: tuple[Any, Seen]) -> None:
        _, seen, _ = run(4, simulated={"wiring": {"feed_side": "ground"}})
        assert edges(seen, "switch") == edges(sound[1], "switch")
        assert edges(seen, "readback") == inverted(edges(sound[1], "readback"))


class TestInputs:
    def test_an_inverted_read_back(self, sound: tuple[Any, Seen]) -> None:
        _source, seen, _ = run(4, simulated={"fault": "read-back inverted"})
        assert edges(seen, "readback") == inverted(edges(sound[1], "readback"))
        assert edges(seen, "switch") == edges(sound[1], "switch")
        assert plant(simulated={"fault": "read-back inverted"}).level("readback") == 1

    @pytest.mark.parametrize("said", ["normally open", "normally closed"])
    def test_the_other_contact(self, said: str) -> None:
        _, before, _ = run(4, switch={"contact": said})
        _, seen, _ = run(4, switch={"contact": said}, simulated={"fault": "switch sense inverted"})
        assert edges(seen, "switch") == inverted(edges(before, "switch"))
        assert edges(seen, "readback") == edges(before, "readback")

    def test_the_other_level(self, sound: tuple[Any, Seen]) -> None:
        _, seen, _ = run(4, simulated={"wiring": {"switch_closed_reads": "high"}})
        assert edges(seen, "switch") == inverted(edges(sound[1], "switch"))

    def test_swapped_wires(self, sound: tuple[Any, Seen]) -> None:
        swapped = {"swapped": ["switch", "readback"]}
        _source, seen, _ = run(4, simulated={"wiring": swapped})
        assert edges(seen, "switch") == edges(sound[1], "readback")
        assert edges(seen, "readback") == edges(sound[1], "switch")
        fresh = plant(simulated={"wiring": swapped})
        assert (fresh.level("switch"), fresh.level("readback")) == (0, 1)

    def test_swapped_with_what_is_not_wired_is_refused(self) -> None:
        text = """
backend = "simulated"
medium = "oil"
[coil]
feed_side = "supply"
supply_voltage = "12 V"
fuse = "2 A"
resistance = "20 ohm"
[relay]
line = 17
[switch]
line = 22
contact = "normally open"
[simulated.wiring]
swapped = ["switch", "readback"]
"""
        with pytest.raises(FileProblems, match="wires no readback"):
            setup_from_text(text, "x.setup.toml")


class TestSwitchWire:
    @pytest.mark.parametrize(
        ("wire", "contact", "level"),
        [("open", "normally open", 1), ("open", "normally closed", 1),
         ("shorted", "normally open", 0), ("shorted", "normally closed", 0)],
    )  # fmt: skip
    def test_for_good(self, wire: str, contact: str, level: int, sound: tuple[Any, Seen]) -> None:
        """With a pull-up an open circuit reads high and a short to ground low."""
        source, seen, _ = run(
            4, switch={"contact": contact}, simulated={"fault": f"switch wire {wire}"}
        )
        assert edges(seen, "switch") == []
        assert source.level("switch") == level
        assert edges(seen, "readback") == edges(sound[1], "readback")
        assert source.truth.times_ns("switch actuated") == sound[0].truth.times_ns(
            "switch actuated"
        )

    def test_a_chafed_wire_shows_edges_with_the_coil_off(self) -> None:
        """It touches its return while the contact is open: no stroke, and yet edges."""
        source, seen = plant(simulated={"fault": "switch wire intermittent"}), Seen()
        go(source, seen, 30 * NS)
        at_rest = edges(seen, "switch")
        assert at_rest
        assert source.truth.times_ns("switch actuated") == []
        assert source.level("switch") == 1

    def test_it_always_comes_back_to_the_contact(self) -> None:
        source, seen, _ = run(10, simulated={"fault": "switch wire intermittent"})
        row = edges(seen, "switch")
        assert all(a[1] != b[1] for a, b in itertools.pairwise(row))
        assert all(a[0] < b[0] for a, b in itertools.pairwise(row))
        go(source, seen, 30 * NS)
        assert source.level("switch") == 1

    @pytest.mark.parametrize("seed", range(20))
    def test_an_upset_ends_sound(self, seed: int) -> None:
        part = setup(simulated={"wiring": {"switch_wire_rate": "3 Hz"}}).simulated
        assert part is not None
        wire = SwitchWire(part.wiring, stream(seed, "switch wire"))
        row = wire.upset(1.0)
        assert row[0][1] in (OPEN, TOUCHING)
        assert row[-1][1] == SOUND
        assert [t for t, _ in row] == sorted(t for t, _ in row)
        assert 0.004 <= row[-1][0] - 1.0 <= 0.012
        following = wire.next_upset_s(1.0)
        assert following is not None and following > row[-1][0]


class TestGauge:
    @pytest.mark.parametrize(
        ("said", "shown_kpa"),
        # NIST SP 811, Appendix B.8: 1 psi = 6.894757 kPa; 1 bar = 100 kPa
        [("kPa", 297.8 / 6.894757), ("psi", 2.978 * 6.894757), ("bar", 0.2978 * 100.0)],
    )
    def test_a_wrong_unit_is_one_factor(self, said: str, shown_kpa: float) -> None:
        gauge = {
            "unit": said,
            "pattern": "{pressure} {unit}",
            "expected_range": ["0 kPa", "400 kPa"],
        }
        _, seen, _ = run(2, gauge=gauge, simulated={"fault": "gauge in the wrong unit"})
        read = compile_pattern("{pressure} {unit}", said, (0.0, 1000.0)).decode
        kpa = [read(t, data.rstrip()).value for t, data in seen.lines]
        assert max(kpa) == pytest.approx(shown_kpa, rel=0.02)
        assert min(kpa) == pytest.approx(0.0, abs=1.0)  # zero stays zero

    def test_a_comma_where_the_setup_says_point(self) -> None:
        _, seen, _ = run(1, simulated={"wiring": {"gauge_decimal": "comma"}})
        assert all(b"," in data and b"." not in data for _, data in seen.lines)

    def test_a_unit_that_is_no_pressure_is_refused(self) -> None:
        with pytest.raises(ValueError, match="furlong"):
            setup(simulated={"wiring": {"gauge_unit": "furlong"}})

    def test_a_blocked_line_shows_what_was_there_before_the_engine_ran(self) -> None:
        _, seen, _ = run(3, simulated={"fault": "gauge line blocked", "gauge": {"at": "supply"}})
        assert max(float(data[2:-6]) for _, data in seen.lines) < 3.0


@pytest.mark.parametrize(
    ("fault", "off_kpa", "on_kpa"),
    [("none", 0.1, 298.5), ("gauge offset", 40.1, 338.5), ("gauge line blocked", 0.0, 0.0),
     # a first-order lag of 0.25 s after 0.36 s of pressure: 1 - exp(-0.36 / 0.25) of it
     ("gauge line blocked:0.5", 0.1, 298.5 * (1.0 - math.exp(-0.36 / 0.25)))],
)  # fmt: skip
def test_a_transducer_on_the_converter(fault: str, off_kpa: float, on_kpa: float) -> None:
    text = (Path(__file__).parents[2] / "demo/engine.setup.toml").read_text()
    made = with_faults(text, [fault_of(fault)] if fault != "none" else [])
    assert made is not None
    chosen = setup_from_text(made, "engine").setup
    assert chosen.simulated is not None
    source = Plant(chosen.simulated, chosen, 7)
    source.advance(NS)
    assert source._transducer_kpa(1.0) + offset(source) == pytest.approx(off_kpa, abs=1.0)
    source.set_relay(True, NS)
    source.advance(NS + 400 * MS)
    assert source._transducer_kpa(1.4) + offset(source) == pytest.approx(on_kpa, abs=12.0)


def offset(source: Plant) -> float:
    """As the converter's input has it."""
    assert source._signals is not None
    t_s = (source._now_ns - source._start_ns) * 1e-9
    return source._signals._true["pressure"](t_s) - source._transducer_kpa(t_s)


def test_what_is_there_or_not_is_tried_here() -> None:
    words = Path(__file__).read_text()
    elsewhere = {"driven by the vehicle", "gauge disconnected", "none"}  # test_plant_faults.py
    for name, kind in FAULT_KINDS.items():
        if not kind.graded and name not in elsewhere and not name.startswith("switch wire"):
            assert f'"{name}"' in words, name


class TestTimingLoop:
    """`timing_loop`: the load side in the switch's place, and the lags of the inputs."""

    @pytest.mark.parametrize("feed_side", ["supply", "ground"])
    @pytest.mark.parametrize("contact", ["normally open", "normally closed"])
    def test_the_switch_input_follows_the_coil(self, contact: str, feed_side: str) -> None:
        wiring = {"timing_loop": True}
        source, seen, _ = run(
            3, coil={"feed_side": feed_side}, switch={"contact": contact},
            simulated={"wiring": wiring},
        )  # fmt: skip
        switch, readback = edges(seen, "switch"), edges(seen, "readback")
        assert len(switch) >= 6
        # pulled up: a closed contact reads low; a normally open one closes while the coil is live
        same = (contact == "normally open") == (feed_side == "ground")
        assert switch == (readback if same else inverted(readback))
        assert source.truth.times_ns("plunger in") == []  # nothing but a resistor is there

    def test_each_way_of_an_input_has_its_own_lag(self) -> None:
        calm = {"relay": {"bounces_max": 0}}
        lags = {"readback_lag_live": "1 ms", "readback_lag_dead": "2 ms",
                "switch_lag_close": "4 ms", "switch_lag_open": "8 ms"}  # fmt: skip
        source, seen, _ = run(2, simulated={**calm, "wiring": {"timing_loop": True, **lags}})
        closed, opened = (source.truth.times_ns(f"contact {k}") for k in ("closed", "open"))
        ways = sorted([(t, True) for t in closed] + [(t, False) for t in opened])
        assert edges(seen, "readback") == [(t + (1 if on else 2) * MS, int(on)) for t, on in ways]
        assert edges(seen, "switch") == [(t + (4 if on else 8) * MS, 1 - int(on)) for t, on in ways]

    def test_a_switch_on_its_own_wire_is_late_too_and_nothing_else_changes(
        self, sound: tuple[Any, Seen]
    ) -> None:
        late = {"switch_lag_close": "3 ms", "switch_lag_open": "3 ms"}
        _, seen, _ = run(4, simulated={"wiring": late})
        assert edges(seen, "switch") == [(t + 3 * MS, v) for t, v in edges(sound[1], "switch")]
        assert edges(seen, "readback") == edges(sound[1], "readback")

    def test_a_touch_that_is_over_before_it_comes_through_is_not_seen(self) -> None:
        part = plant(simulated={"wiring": {"switch_lag_close": "1 ms"}})._lags
        assert part.switch([(0.0, True), (0.0005, False), (0.002, True)]) == [(0.003, True)]
        assert part.switch([(0.0, True), (0.004, False)]) == [(0.001, True), (0.004, False)]


class TestHeartbeat:
    """The relay falls the circuit's hold time after the line's last change, plus its own release
    time (3.5 ms within 5 standard deviations of 0.15 ms), and works not at all without one."""

    HOLD_NS = 200 * MS
    WIRED: ClassVar[dict[str, Any]] = {
        "heartbeat": {"line": 24},
        "simulated": {"wiring": {"heartbeat_hold": "200 ms"}},
    }

    def contact(self, source: Plant, beats_ns: list[int]) -> list[tuple[int, int]]:
        seen = Seen()
        source.set_relay(True, NS)
        for t_ns in beats_ns:
            go(source, seen, t_ns)
            source.heartbeat_changed(t_ns)
        go(source, seen, 4 * NS)
        return seen.of("readback")

    def test_a_line_that_stands_still_drives_no_relay(self) -> None:
        assert self.contact(plant(**self.WIRED), []) == []

    def test_the_relay_falls_the_hold_time_after_the_last_change(self) -> None:
        last_ns = NS + 900 * MS
        row = self.contact(plant(**self.WIRED), list(range(NS, last_ns + 1, 20 * MS)))
        live_ns, dead_ns = row[0][0], [t_ns for t_ns, level in row if not level][-1]
        assert NS < live_ns < NS + 10 * MS
        opened = next(t_ns for t_ns, level in row if not level and t_ns > NS + 100 * MS)
        assert abs(opened - last_ns - self.HOLD_NS - 3.5 * MS) < 0.75 * MS
        assert dead_ns - opened < 5 * MS  # its bounce

    def test_a_beat_that_comes_too_late_lets_it_fall_and_pull_in_again(self) -> None:
        row = self.contact(plant(**self.WIRED), [NS, NS + 400 * MS])
        settled = [level for (t_ns, level), after in itertools.pairwise([*row, (9 * NS, 0)])
                   if after[0] - t_ns > 50 * MS]  # fmt: skip
        assert settled == [1, 0, 1, 0]

    @pytest.mark.parametrize("wired", [{}, {"heartbeat": {"line": 24}}])
    def test_a_circuit_left_out_holds_for_good(self, wired: dict[str, Any]) -> None:
        really = {"simulated": {"wiring": {"heartbeat_bypassed": True}}}
        row = self.contact(plant(**wired, **really), [])
        assert row[-1][1] == 1

    def test_how_time_is_sliced_changes_nothing(self) -> None:
        beats = list(range(NS, 2 * NS, 20 * MS))
        coarse = self.contact(plant(**self.WIRED), beats)
        source, fine = plant(**self.WIRED), Seen()
        source.set_relay(True, NS)
        for t_ns in range(NS, 4 * NS + 1, MS):
            go(source, fine, t_ns)
            if t_ns in beats:
                source.heartbeat_changed(t_ns)
        assert fine.of("readback") == coarse
