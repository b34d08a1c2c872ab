# SPDX-License-Identifier: MIT
"""The simulated gauge: what it sends, when its bytes are there, and how it lags."""

from __future__ import annotations

import itertools
import math
import random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from simulated_rigs import MS, NS, Seen, go, plant, setup, strokes

from rig.config.plant.model import SimulatedRig
from rig.config.quantity_types import RESOLVED
from rig.core.records import GOOD, Sample
from rig.io.gauges.pattern import compile_pattern
from rig.simulated.gauge.peer import GaugePeer, Line
from rig.simulated.gauge.sensor import LaggedPressure
from rig.simulated.hydraulics.trajectory import Node, Quiet, Trajectory


def peer(gauge: dict[str, Any], wiring: dict[str, Any] | None = None, **part: Any) -> GaugePeer:
    made = setup(gauge=gauge).gauge
    assert made is not None
    rig = SimulatedRig.model_validate({"gauge": part, "wiring": wiring or {}}, context=RESOLVED)
    return GaugePeer(made, rig, random.Random(1), chance=random.Random(2))


@pytest.mark.parametrize(
    ("pattern", "unit", "expected"),
    [
        ("P={pressure} {unit}", "kPa", b"P=123.5 kPa\r\n"),
        ("{pressure}", "kPa", b"123.5\r\n"),
        ("{{{pressure}}}", "kPa", b"{123.5}\r\n"),
        ("{*} {pressure} {unit}", "kPa", b"1 123.5 kPa\r\n"),
        ("100% {pressure}", "kPa", b"100% 123.5\r\n"),
        ("ST,{pressure},{unit}", "bar", b"ST,1.235,bar\r\n"),
        ("{STX}{pressure} {unit}{ETX}", "kPa", b"\x02123.5 kPa\x03"),
        ("{STX}{pressure}", "kPa", b"\x02123.5\r\n"),
        ("{STX}{pressure}{ETX}{bcc}", "kPa", b"\x02123.5\x03" + bytes([0x03 ^ 0x30 ^ 0x2E ^ 0x35])),
        ("{STX}{pressure}{ETX}{sum}", "kPa", b"\x02123.5\x03FC"),
    ],
)
def test_line_by_pattern(pattern: str, unit: str, expected: bytes) -> None:
    assert peer({"pattern": pattern, "unit": unit}).message(0.0, 123.5) == expected


@pytest.mark.parametrize("unit", ["kPa", "psi", "bar", "mbar", "MPa", "inHg", "kgf/cm2"])
@pytest.mark.parametrize(
    "pattern",
    [
        "P={pressure} {unit}",
        "{*}:{pressure} {unit}",
        "{pressure}",
        "{STX}{pressure} {unit}{ETX}",
        "{STX}P={pressure}",
        "{STX}{pressure} {unit};{ETX}{bcc}",
        "{SOH}1{STX}{pressure}{ETX}{sum}",
    ],
)
@given(steps=st.integers(0, 1600))
def test_the_rigs_own_decoder_reads_it_back(pattern: str, unit: str, steps: int) -> None:
    sent_kpa = steps * 0.5
    line = peer({"pattern": pattern, "unit": unit}).message(0.0, sent_kpa)
    read = compile_pattern(pattern, unit, (0.0, 1000.0)).decode(7, line.removesuffix(b"\r\n"))
    assert isinstance(read, Sample)
    assert read.quality == GOOD
    assert read.value == pytest.approx(sent_kpa, abs=0.05)  # a tenth of the resolution


@pytest.mark.parametrize("fails", ["NaN", None])
def test_no_number_is_no_reading(fails: str | None) -> None:
    made = peer({"pattern": "P={pressure} {unit}", "unit": "kPa"}, fails=fails)
    line = made.message(5.0, None if fails is None else 10.0)
    read = compile_pattern("P={pressure} {unit}", "kPa", (0.0, 1000.0)).decode(
        1, line.rstrip(b"\r\n")
    )
    assert isinstance(read, Sample)
    assert read.value is None


@pytest.mark.parametrize(
    ("gauge", "bits"),
    [({}, 10), ({"parity": "even"}, 11), ({"bytesize": 7}, 9), ({"stopbits": 2}, 11)],
)
def test_byte_time(gauge: dict[str, Any], bits: int) -> None:
    # 8N1 has ten bits a byte: 9,600 baud are 1.041667 ms (start bit, data, parity, stop bits)
    made = peer({"baud": 9600, **gauge})
    assert made.byte_ns == pytest.approx(bits / 9600 * 1e9)


def test_when_bytes_are_there() -> None:
    line = Line(1000, 100.0, b"abcde")
    assert line.end_ns == 1500
    assert [line.arrived(t) for t in (0, 1000, 1099, 1100, 1450, 1500, 9999)] == [
        0, 0, 0, 1, 4, 5, 5,
    ]  # fmt: skip


def test_lines_come_at_its_own_period_and_end_with_the_last_byte() -> None:
    source, seen = plant(gauge={"latency": "15 ms"}), Seen()
    go(source, seen, 3 * NS)
    ends = [t for t, _ in seen.lines]
    gaps = {round((b - a) / MS, 3) for a, b in itertools.pairwise(ends)}
    lengths = {len(data) for _, data in seen.lines}
    assert lengths == {11}  # P=0.0 kPa: nothing moves
    assert gaps == {100.0}
    reading_ns = ends[0] - 15 * MS - round(11 * 1e10 / 9600)
    assert 0 <= reading_ns < 100 * MS


def test_a_clock_of_its_own() -> None:
    source, seen = plant(simulated={"gauge": {"clock_error": "2 %"}}), Seen()
    go(source, seen, 20 * NS)
    ends = [t for t, _ in seen.lines]
    assert (ends[-1] - ends[0]) / (len(ends) - 1) == pytest.approx(102 * MS, rel=1e-4)


def test_a_wire_too_slow_for_its_gauge_drops_readings_but_never_runs_behind() -> None:
    source, seen = plant(gauge={"baud": 1200, "period": "20 ms"}), Seen()
    go(source, seen, 5 * NS)
    ends = [t for t, _ in seen.lines]
    frame_ns = 11 * 1e10 / 1200
    for a, b in itertools.pairwise(ends):
        assert b - a >= frame_ns - 1
    assert 5 * NS - ends[-1] < 2 * frame_ns


def test_over_and_under_its_range() -> None:
    source, seen = (
        plant(
            gauge={"measuring_range": ["0 kPa", "250 kPa"], "expected_range": ["0 kPa", "200 kPa"]}
        ),
        Seen(),
    )
    list(strokes(source, seen, NS, 2))
    texts = [data for _, data in seen.lines]
    assert b"P=OL kPa\r\n" in texts
    assert not any(b"-" in data for data in texts)  # noise below zero is shown as zero


def test_noise_resolution_and_place() -> None:
    source, seen = (
        plant(simulated={"gauge": {"at": "supply", "noise": "2 kPa", "resolution": "1 kPa"}}),
        Seen(),
    )
    go(source, seen, 30 * NS)
    values = [float(data[2:-6]) for _, data in seen.lines]
    assert all(value == int(value) for value in values)
    assert sum(values) / len(values) == pytest.approx(300.0, abs=1.0)
    spread = math.sqrt(sum((v - 300.0) ** 2 for v in values) / len(values))
    assert 1.5 < spread < 3.0


def test_lag_against_an_integrator() -> None:
    """g' = (p - g)/lag over nodes and formula, against scipy with the same pressure."""
    path = Trajectory()
    path.nodes = [
        Node(t, p, 0.0, 0.0, 0.0, 0.0, 0.0)
        for t, p in ((0.0, 0.0), (0.010, 0.0), (0.020, 90e3), (0.022, 150e3), (0.060, 280e3))
    ]
    path.quiet = Quiet(0.060, 290e3, 4e3, 6e3, 600.0, 0.3, -14e3, 150.0)

    def pressure(t: float) -> float:
        if t >= 0.060 and path.quiet is not None:
            return path.quiet.at(t)
        for a, b in zip(path.nodes, path.nodes[1:], strict=False):
            if a.t_s <= t < b.t_s:
                return a.p_pa + (b.p_pa - a.p_pa) * (t - a.t_s) / (b.t_s - a.t_s)
        return path.nodes[-1].p_pa

    lag = 0.020
    at = [0.010, 0.020, 0.022, 0.060, 0.07, 0.1, 0.2]  # nodes, then the formula
    solved = solve_ivp(
        lambda t, g: [(pressure(t) - g[0]) / lag], (0.0, 0.2), [0.0], t_eval=at, rtol=1e-8,
        atol=1e-3, max_step=1e-4,
    )  # fmt: skip
    lagged = LaggedPressure(lag, 0.0)
    ours = [lagged.follow(path, t) for t in at]
    assert ours == pytest.approx(list(solved.y[0]), abs=20.0)  # Pa
    assert lagged.follow(path, 0.1) == ours[-1]  # it never goes back
