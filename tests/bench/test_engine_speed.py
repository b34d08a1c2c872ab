# SPDX-License-Identifier: MIT
"""Engine speed from pulses: right to the edge, never invented."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.bench.engine_speed import NOISY, EngineSpeed
from rig.config.analog.model import EngineSpeedSetup
from rig.core.records import ENGINE_SPEED, GOOD, Edge, Sample

MS = 1_000_000


def speed_of(pulses: float, edge: str = "rising") -> EngineSpeed:
    data = {"line": 23, "pulses_per_revolution": pulses, "edge": edge}
    return EngineSpeed(EngineSpeedSetup.model_validate(data))


def run(speed: EngineSpeed, pulses_ns: list[int], until_ns: int, level: int = 1) -> list[Sample]:
    """Readings while pulses come, looked for every 5 ms."""
    found, waiting, n = [], list(pulses_ns), 0
    for now_ns in range(0, until_ns, 5 * MS):
        while waiting and waiting[0] <= now_ns:
            n += 1
            t_ns = waiting.pop(0)
            speed.see(Edge(ENGINE_SPEED, level, t_ns, n, "plant"))
            speed.see(Edge(ENGINE_SPEED, 1 - level, t_ns + MS, n, "plant"))
        reading = speed.reading(now_ns)
        if reading is not None:
            found.append(reading)
    return found


@given(st.floats(100, 6000), st.sampled_from([0.5, 1.0, 2.0, 4.0]))
def test_a_steady_engine_reads_its_speed(rpm: float, per_rev: float) -> None:
    """speed = 60 / (time of a revolution): the definition."""
    period_ns = 60e9 / rpm / per_rev
    pulses = [round(k * period_ns) for k in range(int(3e9 / period_ns))]
    found = run(speed_of(per_rev), pulses, 3000 * MS)
    steady = [s for s in found if s.value]
    assert len(steady) >= (1 if period_ns > 150 * MS else 10)
    for reading in steady:
        assert reading.quality == GOOD
        assert reading.value == pytest.approx(rpm, rel=1e-6)


def test_uneven_teeth_do_not_show_over_whole_revolutions() -> None:
    """Two pulses a revolution, 40 % and 60 % of it apart: 80 ms a revolution is 750 rpm."""
    pulses = [t for k in range(40) for t in (k * 80 * MS, k * 80 * MS + 32 * MS)]
    found = run(speed_of(2), pulses, 3000 * MS)
    assert {round(s.value or 0, 6) for s in found} == {750.0}


def test_an_engine_that_stands_reads_nothing_after_its_slowest_turn() -> None:
    found = run(speed_of(1), [k * 80 * MS for k in range(10)], 4000 * MS)
    last_pulse = 9 * 80 * MS
    stood = [s for s in found if s.value == 0.0]
    assert stood[0].t_ns - last_pulse >= 1000 * MS  # 60 rpm is one turn a second
    assert all(s.t_ns <= last_pulse for s in found if s.value)
    assert [s.value for s in run(speed_of(1), [], 1500 * MS)] == [0.0] * 2


def test_pulses_that_come_too_close_are_noise_and_give_no_number() -> None:
    pulses = [k * 80 * MS for k in range(40)]
    noise = sorted([*pulses, 1000 * MS, 1000 * MS + 20_000])
    found = run(speed_of(1), noise, 3000 * MS)
    bad = [s for s in found if s.quality == NOISY]
    assert len(bad) == 1 and bad[0].value is None and 0.9e9 < bad[0].t_ns <= 1.2e9
    assert all(s.value == pytest.approx(750) for s in found if s.quality == GOOD and s.t_ns > 2e9)


def test_the_other_edge_can_mark_the_pulse() -> None:
    pulses = [k * 80 * MS for k in range(30)]
    for edge, level in (("rising", 1), ("falling", 0)):
        found = run(speed_of(1, edge), pulses, 2000 * MS, level)
        assert {round(s.value or 0, 6) for s in found} == {750.0}
