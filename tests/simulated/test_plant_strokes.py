# SPDX-License-Identifier: MIT
"""The chain from relay to switch, in order and within physical limits."""

from __future__ import annotations

import statistics
from itertools import pairwise

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from simulated_rigs import MS, NS, Seen, go, plant, run, strokes

CHAIN_ON = (
    "command on", "contact closed", "pilot on", "plunger in", "spool at its end",
    "switch actuated",
)  # fmt: skip
CHAIN_OFF = (
    "command off", "contact open", "pilot off", "plunger out", "spool at rest", "switch reset",
)  # fmt: skip


def test_one_event_after_the_other() -> None:
    source, _, done = run(5)
    for chain in (CHAIN_ON, CHAIN_OFF):
        times = [source.truth.times_ns(kind) for kind in chain]
        for row in zip(*times, strict=True):
            assert list(row) == sorted(row)
            assert row[-1] - row[0] < 100 * MS
    assert len(done) == 5


def test_edges_are_the_plants_own_instants() -> None:
    source, _, done = run(5)
    closings, openings = (
        source.truth.times_ns("contact closed"),
        source.truth.times_ns("contact open"),
    )
    for stroke, closed, opened in zip(done, closings, openings, strict=True):
        assert stroke.live_ns == closed
        assert stroke.dead_ns == opened
    snap_ns = round(0.8 * MS)
    for stroke, actuated in zip(done, source.truth.times_ns("switch actuated"), strict=True):
        assert stroke.up[0][0] - actuated == pytest.approx(snap_ns, abs=2)


def test_levels_alternate_and_time_only_moves_forward() -> None:
    source, seen, _ = run(20, simulated={"fault": "switch chattering"})
    for line, first in (("switch", 1), ("readback", 0)):
        edges = seen.of(line)
        assert [level for _, level in edges] == [(1 - first + k) % 2 for k in range(len(edges))]
        times = [t for t, _ in edges]
        assert all(a < b for a, b in pairwise(times))
        assert source.level(line) == edges[-1][1]


def test_read_back_bounces_with_the_relay() -> None:
    _, seen, done = run(20)
    closing = [len(seen.of("readback", s.on_ns, s.off_ns)) for s in done]
    assert set(closing) <= {1, 3, 5, 7}
    assert max(closing) > 1
    bounces = [s for s in done if len(seen.of("readback", s.on_ns, s.off_ns)) > 1]
    for stroke in bounces:
        edges = seen.of("readback", stroke.on_ns, stroke.off_ns)
        assert edges[-1][0] - edges[0][0] < 3 * MS


def test_switch_bounce_is_as_long_as_it_should_be() -> None:
    _, _, done = run(40)
    lengths = [(s.up[-1][0] - s.up[0][0]) / MS for s in done if len(s.up) > 1]
    assert lengths
    assert max(lengths) < 3.0
    assert statistics.mean(lengths) > 0.3


def test_first_stroke_after_rest_is_slower_and_why() -> None:
    """Oil has run out of the drain: the void is filled first. Air does nothing of the kind."""
    _, _, done = run(6)
    others = [s.response_ms for s in done[1:]]
    assert done[0].response_ms > max(others) + 5.0
    _, _, again = run(6, simulated={"gallery": {"rest_void": "0 cm^3"}})
    assert again[0].response_ms < max(s.response_ms for s in again[1:]) + 3.0
    _, _, air = run(6, medium="air")
    assert air[0].response_ms < max(s.response_ms for s in air[1:]) + 3.0


def test_a_longer_rest_makes_the_next_stroke_slower() -> None:
    source, seen = plant(), Seen()
    list(strokes(source, seen, 2 * NS, 2))
    (soon,) = strokes(source, seen, 4 * NS, 1)
    (later,) = strokes(source, seen, 65 * NS, 1)
    assert later.response_ms > soon.response_ms + 5.0


def test_strokes_scatter_a_little() -> None:
    source, _, done = run(40)
    rise = [
        actuated - closed
        for actuated, closed in zip(
            source.truth.times_ns("switch actuated")[1:],
            source.truth.times_ns("contact closed")[1:],
            strict=True,
        )
    ]
    spread_ms = statistics.stdev(rise) / MS
    assert 0.02 < spread_ms < 2.0
    assert len({s.up[0][0] - s.on_ns for s in done}) == len(done)


@pytest.mark.parametrize(
    ("contact", "pull", "rest", "on"),
    [
        ("normally open", "up", 1, 0),
        ("normally open", "down", 0, 1),
        ("normally closed", "up", 0, 1),
        ("normally closed", "down", 1, 0),
        ("find", "up", 1, 0),
    ],
)
def test_electrical_level_of_the_switch(contact: str, pull: str, rest: int, on: int) -> None:
    source = plant(switch={"contact": contact, "pull": pull})
    source.advance(NS)
    assert source.level("switch") == rest
    source.set_relay(True, NS)
    source.advance(2 * NS)
    assert source.level("switch") == on


@pytest.mark.parametrize("side", ["supply", "ground"])
@pytest.mark.parametrize("reads", ["high", "low"])
def test_electrical_level_of_the_read_back(side: str, reads: str) -> None:
    source = plant(coil={"feed_side": side}, readback={"voltage_reads": reads})
    voltage = 1 if reads == "high" else 0
    live = voltage if side == "supply" else 1 - voltage
    assert source.level("readback") == 1 - live
    source.set_relay(True, 0)
    source.advance(NS)
    assert source.level("readback") == live
    assert source.level("switch") == 0


def test_without_a_read_back_there_is_none() -> None:
    source, seen = plant(readback=None), Seen()
    list(strokes(source, seen, NS, 2))
    assert {line for line, _, _ in seen.edges} == {"switch"}
    with pytest.raises(KeyError):
        source.level("readback")


class TestShortCommands:
    def test_shorter_than_the_relay(self) -> None:
        source, seen = plant(), Seen()
        source.set_relay(True, NS)
        source.set_relay(False, NS + MS)
        go(source, seen, 2 * NS)
        assert seen.edges == []
        assert source.truth.times_ns("contact closed") == []

    def test_off_comes_through_while_the_contact_bounces(self) -> None:
        # 3.2 ms after on the contact is about to close at 6 ms; off follows at 6.7 ms
        source, seen = plant(), Seen()
        source.set_relay(True, NS)
        source.set_relay(False, NS + 3_200_000)
        go(source, seen, 2 * NS)
        assert source.level("readback") == 0
        assert source.level("switch") == 1
        levels = [level for _, level in seen.of("readback")]
        assert levels == [(k + 1) % 2 for k in range(len(levels))]

    def test_too_short_for_the_oil(self) -> None:
        source, seen = plant(), Seen()
        source.set_relay(True, NS)
        source.set_relay(False, NS + 20 * MS)
        go(source, seen, 2 * NS)
        assert seen.of("readback")
        assert seen.of("switch") == []

    def test_the_same_command_twice_is_one(self) -> None:
        one, two = Seen(), Seen()
        a, b = plant(), plant()
        a.set_relay(True, NS)
        b.set_relay(True, NS)
        b.set_relay(True, NS + MS)
        go(a, one, 2 * NS)
        go(b, two, 2 * NS)
        assert one == two

    @settings(max_examples=60)
    @given(st.lists(st.integers(0, 80 * MS), min_size=1, max_size=14))
    def test_whatever_is_commanded_off_at_last_is_off(self, gaps: list[int]) -> None:
        source, seen = plant(), Seen()
        t, on = NS, False
        for gap in gaps:
            t += gap
            on = not on
            source.set_relay(on, t)
        source.set_relay(False, t)
        go(source, seen, t + 3 * NS)
        assert source.level("readback") == 0
        assert source.level("switch") == 1
        assert source.current_a(t + 3 * NS) == 0.0
        assert source.pressure_kpa(t + 3 * NS) < 1.0
        for line, first in (("switch", 0), ("readback", 1)):
            levels = [level for _, level in seen.of(line)]
            assert levels == [(first + k) % 2 for k in range(len(levels))]
        counts = [len(source.truth.times_ns(k)) for k in ("contact closed", "contact open")]
        assert counts[0] == counts[1]


@settings(max_examples=40)
@example(69, 352, 0.5, 5.5, "oil", "0.2 mm^2", 57)  # dipped to -3.3 kPa
@example(42, 352, 2.0, 6.0, "oil", "0.2 mm^2", 43)
@given(
    temperature=st.integers(-10, 140),
    pressure=st.integers(0, 900),
    air=st.floats(0.1, 40.0),
    volt=st.floats(5.0, 16.0),
    medium=st.sampled_from(["oil", "air"]),
    drain=st.sampled_from(["1.6 mm^2", "0.2 mm^2", "0 mm^2"]),
    seal=st.integers(0, 80),
)
def test_pressure_and_current_stay_within_their_sources(
    temperature: int, pressure: int, air: float, volt: float, medium: str, drain: str, seal: int
) -> None:
    source = plant(
        medium=medium,
        simulated={
            "oil": {"temperature": f"{temperature} degC", "free_air": f"{air} %"},
            "supply": {"pressure": f"{pressure} kPa"},
            "electric": {"supply_voltage": f"{volt} V"},
            "gallery": {"drain_area": drain, "seal_gap": f"{seal} um"},
        },
    )
    ripple = 6.0 if medium == "oil" else 0.0
    most_a = volt / (20.0 * (1.0 + 0.00393 * (temperature - 20.0)))
    t = NS
    for on in (True, False, True, False):
        source.set_relay(on, t)
        for _ in range(25):
            t += 20 * MS
            source.advance(t)
            assert -0.01 <= source.pressure_kpa(t) <= pressure + ripple + 0.5
            assert 0.0 <= source.current_a(t) <= most_a * 1.001


def test_oil_is_conserved() -> None:
    """What flowed in is what the gallery holds more, over every step of a plan."""
    source = plant()
    source.set_relay(True, NS)
    source.advance(NS + 12 * MS)  # the pilot has changed over; the plan lies ahead
    nodes = source._hydraulics.trajectory.nodes
    assert len(nodes) > 10
    for a, b in pairwise(nodes):
        held = b.content_m3 - a.content_m3
        flowed = 0.5 * (a.net_m3_s + b.net_m3_s) * (b.t_s - a.t_s)
        assert held == pytest.approx(flowed, abs=0.02 * 0.5e-6)


def test_the_coil_warms_up_and_its_current_falls() -> None:
    source = plant()
    t = NS
    source.set_relay(True, t)
    source.advance(t + NS)
    cold = source.current_a(t + NS)
    t += 600 * NS
    source.set_relay(False, t)
    source.advance(t + NS)
    source.set_relay(True, t + NS)
    source.advance(t + 2 * NS)
    warm = source.current_a(t + 2 * NS)
    # 25 K of its own: 0.39 %/K of a coil that is at 90 degC
    assert warm / cold == pytest.approx(1.0 / (1.0 + 0.00393 * 23.0 / 1.275), abs=0.01)
