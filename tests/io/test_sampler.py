# SPDX-License-Identifier: MIT
"""The sampler against a converter in virtual time: true times, a steady grid, blocks, losses."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import gpiozero
import pytest

from rig.config.analog import signal
from rig.config.analog.model import AnalogChannel, ConverterSetup
from rig.core.clock import VirtualClock
from rig.core.errors import HardwareError
from rig.core.records import GOOD, Block, Condition, Sample
from rig.io.converter import Converter
from rig.io.sampler import CONVERTER_BACK, CONVERTER_LOST, Sampler
from rig.simulated.pins import SimulatedFactory

US, MS = 1000, 1_000_000
RESOLVED = {"resolved": True}
CHIP = ConverterSetup.model_validate({"type": "MCP3208", "reference_v": 3.0}, context=RESOLVED)
CURRENT = {"channel": "coil_current", "input": 0, "kind": "shunt", "shunt_ohm": 0.1, "gain": 20.0,
           "fast": True}  # fmt: skip
PRESSURE = {
    "channel": "pressure",
    "input": 1,
    "kind": "ratiometric",
    "fast": True,
    "pressure_range_kpa": [0.0, 1000.0],
    "expected_range_kpa": [0.0, 400.0],
    "supply_from": "sensor_supply",
    "divider_upper_ohm": 1e4,
    "divider_lower_ohm": 1e4,
}
SUPPLY = {"channel": "sensor_supply", "input": 2, "kind": "voltage", "divider_upper_ohm": 1e4,
          "divider_lower_ohm": 1e4}  # fmt: skip
OIL = {"channel": "oil_temperature", "input": 3, "kind": "thermistor", "oversampling": 16,
       "series_resistor_ohm": 1e3, "resistance_25_ohm": 1e4, "beta_k": 3950.0}  # fmt: skip


def channels(*items: dict[str, object]) -> tuple[AnalogChannel, ...]:
    return tuple(AnalogChannel.model_validate(item, context=RESOLVED) for item in items)


class Bus:
    """Each conversion takes 100 us of virtual time and gives what `answer` says."""

    def __init__(self, answer: Callable[[str, int], int]) -> None:
        self.clock, self.answer, self.broken = VirtualClock(10**9), answer, False

    def code(self, channel: str) -> int:
        if self.broken:
            raise HardwareError("no answer")
        self.clock.advance_to(self.clock.now_ns() + 50 * US)
        code = self.answer(channel, self.clock.now_ns())
        self.clock.advance_to(self.clock.now_ns() + 50 * US)
        return code

    def run(self, sampler: Sampler, ms: int) -> list[Block | Sample | Condition]:
        """Sample whenever something is due; drained every 5 ms."""
        out: list[Block | Sample | Condition] = []
        end_ns = self.clock.now_ns() + ms * MS
        drained_ns = self.clock.now_ns()
        while self.clock.now_ns() < end_ns:
            self.clock.advance_to(min(max(sampler.due_ns, self.clock.now_ns()), end_ns))
            if sampler.due_ns <= self.clock.now_ns():
                sampler.sample()
            if self.clock.now_ns() - drained_ns >= 5 * MS:
                out += sampler.drain()
                drained_ns = self.clock.now_ns()
        return out + list(sampler.drain())


def test_times_are_those_of_the_samples_and_the_grid_is_steady() -> None:
    bus = Bus(lambda _channel, t_ns: t_ns // (100 * US) % 4000)
    sampler = Sampler(CHIP, channels(CURRENT, OIL), bus.code, bus.clock.now_ns)
    # two conversions of 100 us, a quarter more, and room for the timer
    assert sampler.step_ns == 350 * US
    got = bus.run(sampler, 1000)
    blocks = [item for item in got if isinstance(item, Block)]
    times = [t for b in blocks for t in itertools.accumulate(b.steps_ns, initial=b.t_ns)]
    codes = [code for b in blocks for code in b.codes]
    assert len(times) == pytest.approx(1000 * MS / sampler.step_ns, abs=2)
    for t_ns, code in zip(times, codes, strict=True):
        assert t_ns // (100 * US) % 4000 == code  # the middle of the transfer, to the nanosecond
    assert {b - a for a, b in itertools.pairwise(times)} == {sampler.step_ns}
    assert {b.half_ns for b in blocks} == {50 * US}
    readings = [item for item in got if isinstance(item, Sample)]
    assert len(readings) == 10  # every 100 ms, though each is made of 16 conversions


def test_a_channel_with_oversampling_adds_codes_and_a_cap_slows_the_rounds() -> None:
    bus = Bus(lambda _channel, _t: 1000)
    capped = CHIP.model_copy(update={"rate_hz": 500.0})
    sampler = Sampler(capped, channels({**CURRENT, "oversampling": 4}), bus.code, bus.clock.now_ns)
    assert sampler.step_ns == 2 * MS
    block = next(item for item in bus.run(sampler, 50) if isinstance(item, Block))
    assert set(block.codes) == {4000}
    # 1000 codes of 3 V / 4096 through 2 ohm in all: the definition of the shunt's reading
    assert block.offset + block.scale * 4000 == pytest.approx(1000 * 3.0 / 4096 / 2.0)


def test_a_ratiometric_channel_waits_for_its_supply_and_follows_it() -> None:
    def answer(channel: str, t_ns: int) -> int:
        volts = 5.0 if t_ns < 10**9 + 300 * MS else 4.0
        return round((volts if channel == "sensor_supply" else volts / 2) / 2 / (3.0 / 4096))

    bus = Bus(answer)
    sampler = Sampler(CHIP, channels(PRESSURE, SUPPLY), bus.code, bus.clock.now_ns)
    got = bus.run(sampler, 800)
    blocks = [item for item in got if isinstance(item, Block)]
    assert blocks[0].runs[0] == [0, signal.NO_SUPPLY]
    # half the supply is half the range, whatever the supply is, once it has been measured anew
    settled = [b for b in blocks if b.t_ns > 10**9 + 450 * MS or b.t_ns < 10**9 + 290 * MS]
    good = [b for b in settled if b.runs == [[0, GOOD]]]
    assert len(good) > 100
    for block in good:
        for code in block.codes:
            assert block.offset + block.scale * code == pytest.approx(500, abs=1)


def test_runs_mark_every_change_of_quality() -> None:
    bus = Bus(lambda _channel, t_ns: 4095 if t_ns // MS % 2 else 100)
    block = next(
        item
        for item in bus.run(Sampler(CHIP, channels(CURRENT), bus.code, bus.clock.now_ns), 20)
        if isinstance(item, Block) and len(item.runs) > 2
    )
    marks = dict(map(tuple, block.runs))
    quality = ""
    for n, code in enumerate(block.codes):
        quality = marks.get(n, quality)
        assert quality == ("out of range" if code == 4095 else GOOD)


def test_a_converter_that_is_lost_is_told_once_and_comes_back() -> None:
    bus = Bus(lambda _channel, _t: 1000)
    sampler = Sampler(CHIP, channels(CURRENT, OIL), bus.code, bus.clock.now_ns)
    bus.run(sampler, 50)
    bus.broken = True
    lost = bus.run(sampler, 2000)
    assert [c.kind for c in lost if isinstance(c, Condition)] == [CONVERTER_LOST]
    assert not [item for item in lost if not isinstance(item, Condition)]
    bus.broken = False
    back = bus.run(sampler, 1000)
    assert [c.kind for c in back if isinstance(c, Condition)] == [CONVERTER_BACK]
    assert any(isinstance(item, Block) for item in back)
    assert any(isinstance(item, Sample) for item in back)


def test_no_port_and_no_answer_are_said_and_nothing_falls_back_to_toggled_lines() -> None:
    factory = SimulatedFactory()  # nothing is wired to its port
    converter = Converter(CHIP, channels(CURRENT), factory)
    with pytest.raises(HardwareError, match="MCP3208 did not answer"):
        converter.code("coil_current")
    converter.close()
    converter.close()

    def none(shared: bool, hardware: bool) -> type:
        raise OSError(2, "No such file or directory", "/dev/spidev0.0")

    factory._get_spi_class = none
    with pytest.raises(HardwareError, match="Is SPI switched on") as refused:
        Converter(CHIP, channels(CURRENT), factory)
    assert not isinstance(refused.value, gpiozero.SPISoftwareFallback)
    factory.close()
