# SPDX-License-Identifier: MIT
"""The hand on the supply: slow ramps that find actuation and reset pressure."""

from __future__ import annotations

import pytest
from simulated_rigs import NS, Seen, go, plant, strokes


@pytest.mark.parametrize("energised", [False, True])
@pytest.mark.parametrize("medium", ["oil", "air"])
def test_a_slow_ramp_finds_actuation_and_reset(energised: bool, medium: str) -> None:
    source, seen = plant(medium=medium), Seen()
    t = NS
    if energised:
        source.set_relay(True, t)
        t += NS
        go(source, seen, t)
        source.hand("lower")
        t += 14 * NS
        go(source, seen, t)
        seen.edges.clear()
    go(source, seen, t)
    begin_kpa = source.pressure_kpa(t)
    source.hand("raise")
    t += 9 * NS
    go(source, seen, t)
    (actuated_ns, _) = seen.of("switch")[0]
    # 0.3 s of reaction, then 25 kPa/s
    at_kpa = begin_kpa + 25.0 * ((actuated_ns - (t - 9 * NS)) / NS - 0.3)
    assert at_kpa == pytest.approx(150.0, abs=4.0)
    top_kpa = source.pressure_kpa(t)
    seen.edges.clear()
    source.hand("lower")
    go(source, seen, t + 9 * NS)
    (reset_ns, _) = seen.of("switch")[0]
    at_kpa = top_kpa + 25.0 * 0.3 - 25.0 * ((reset_ns - t) / NS - 0.3)
    assert at_kpa == pytest.approx(110.0, abs=4.0)
    t += 9 * NS
    source.hand("hold")
    go(source, seen, t + NS)
    held = source.pressure_kpa(t + NS)
    go(source, seen, t + 20 * NS)
    assert source.pressure_kpa(t + 20 * NS) == pytest.approx(held, abs=0.1)


def test_a_hand_at_the_inlet_is_seen_only_through_an_open_valve() -> None:
    source = plant(simulated={"supply": {"hand_port": "inlet", "hand_rate": "50 kPa/s"}})
    source.hand("lower")
    source.advance(5 * NS)  # 0.3 s of reaction: 300 - 50 * 4.7 = 65 kPa
    assert source.pressure_kpa(5 * NS) < 1.0
    source.set_relay(True, 5 * NS)
    source.advance(5 * NS + NS // 4)
    assert source.pressure_kpa(5 * NS + NS // 4) < 1.0  # too little to move the spool
    source.hand("raise")
    source.advance(9 * NS)
    # down to 300 - 50 * 5.25 = 37.5, from 5.55 s on up again
    assert source.pressure_kpa(9 * NS) == pytest.approx(37.5 + 50.0 * 3.45, abs=8.0)


def test_hold_alone_connects_nothing() -> None:
    one, two = Seen(), Seen()
    a, b = plant(), plant()
    a.hand("hold")
    list(strokes(a, one, 2 * NS, 2))
    list(strokes(b, two, 2 * NS, 2))
    assert one == two


def test_unknown_instruction() -> None:
    with pytest.raises(ValueError, match="not raise, lower or hold"):
        plant().hand("shake")
