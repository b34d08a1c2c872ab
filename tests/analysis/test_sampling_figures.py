# SPDX-License-Identifier: MIT
"""Rate, jitter and speed as they stand with a run, against hand-made recordings."""

from __future__ import annotations

import json
import math

import pytest

from rig.analysis.measure.sampling import (
    channel_figures,
    channels_json,
    engine_figures,
    engine_json,
)
from rig.config.setup.model import Setup
from rig.core.recording import Recording, RecordingBuilder
from rig.core.records import ENGINE_SPEED, GOOD, Block, Edge, Sample

MS = 1_000_000
BASE = {
    "backend": "simulated", "medium": "oil",
    "coil": {"feed_side": "supply", "supply_voltage": "12 V", "fuse": "3 A",
             "resistance": "20 ohm"},
    "relay": {"line": 17}, "switch": {"line": 22, "contact": "normally open"},
    "converter": {"type": "MCP3208", "reference": "3 V", "reference_tolerance": "1 %"},
    "analog": ({"channel": "coil_current", "input": 0, "kind": "shunt", "shunt": "0.1 ohm",
                "gain": 20.0, "fast": True, "resistor_tolerance": "0 %"},),
    "engine_speed": {"line": 23, "pulses_per_revolution": 2.0},
}  # fmt: skip
SETUP = Setup.model_validate(BASE)


def recording(*records: Block | Sample | Edge) -> Recording:
    return RecordingBuilder("simulated").add_all(records).build()


def test_rate_jitter_and_longest_gap_of_known_steps() -> None:
    block = Block("coil_current", 0, [1 * MS, 1 * MS, 3 * MS, 1 * MS], [100, 200, 300, 400, 4095],
                  0.001, 0.0, 48_000, [[0, GOOD], [4, "out of range"]])  # fmt: skip
    found = channel_figures(recording(block), SETUP)["coil_current"]
    assert (found["readings"], found["good"], found["fast"]) == (5, 4, True)
    assert found["rate_hz"] == pytest.approx(4 / 6e-3)
    assert found["step_us"] == 1000
    # 1, 1, 3, 1 ms: mean 1.5, deviations 0.5, 0.5, 1.5, 0.5: sqrt(3/4) ms
    assert found["jitter_us"] == pytest.approx(1e3 * math.sqrt(0.75))
    assert (found["longest_ms"], found["half_us"]) == (3.0, 48.0)
    assert found["mean"] == pytest.approx(0.25)  # what is out of range does not count
    assert (found["lowest"], found["highest"]) == (pytest.approx(0.1), pytest.approx(0.4))
    assert found["sd"] == pytest.approx(0.1 * math.sqrt(5 / 3))
    # the reference alone, 1 % rectangular of 0.25 A, and steps and nonlinearity of one code
    code_a = 3.0 / 4096 / 2.0
    expected = math.hypot(0.25 * 0.01 / math.sqrt(3), code_a / math.sqrt(12), code_a / math.sqrt(3))
    assert found["uncertainty"] == pytest.approx(expected, rel=1e-6)


def test_single_readings_and_channels_without_a_setup_have_no_invented_numbers() -> None:
    found = channel_figures(recording(Sample("oil_temperature", None, 5, "open or shorted")), None)
    figures = found["oil_temperature"]
    assert (figures["readings"], figures["good"], figures["fast"]) == (1, 0, False)
    unknown = ("rate_hz", "mean", "sd", "uncertainty", "half_us")
    assert {figures[name] for name in unknown} == {None}
    text = json.dumps(channels_json(found), allow_nan=False)
    assert json.loads(text)["oil_temperature"]["unit"] == "degC"


def pulses(times_ns: list[int]) -> list[Edge]:
    edges = []
    for t_ns in times_ns:
        edges += [
            Edge(ENGINE_SPEED, 1, t_ns, 1, "plant"),
            Edge(ENGINE_SPEED, 0, t_ns + MS, 1, "plant"),
        ]
    return edges


def test_speed_and_jitter_over_whole_revolutions() -> None:
    """Two uneven pulses a revolution; revolutions of 79 and 81 ms in turn: 750 rpm on average, and
    a standard deviation of 1 ms in 80 (n - 1 of 20)."""
    times, t = [], 0
    for n in range(21):
        times += [t, t + 30 * MS]
        t += (79 if n % 2 else 81) * MS
    found = engine_figures(recording(*pulses(times)), SETUP)
    assert found is not None
    assert found["revolutions"] == 20
    assert found["mean_rpm"] == pytest.approx(750)
    assert found["jitter"] == pytest.approx(math.sqrt(20 / 19) / 80)
    assert found["slowest_rpm"] == pytest.approx(60 / 0.081)
    assert found["fastest_rpm"] == pytest.approx(60 / 0.079)
    assert json.dumps(engine_json(found), allow_nan=False)


def test_too_few_pulses_and_a_standstill_give_no_speed() -> None:
    assert engine_figures(recording(*pulses([0, 40 * MS])), SETUP) is None
    assert engine_figures(recording(Sample("pressure", 1.0, 5, GOOD)), SETUP) is None
    # three revolutions, ten minutes at rest, three more: the rest is no slow revolution
    times = [n * 40 * MS for n in range(7)]
    stood = engine_figures(recording(*pulses(times + [600_000 * MS + t for t in times])), SETUP)
    assert stood is not None and stood["slowest_rpm"] == pytest.approx(750)
    assert engine_json(None) is None
