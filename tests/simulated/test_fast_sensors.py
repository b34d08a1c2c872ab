# SPDX-License-Identifier: MIT
"""Whole runs of the simulated rig with a converter, in virtual time, held to the plant's truth."""

from __future__ import annotations

import functools
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rig.analysis.measure.sampling import channel_figures, engine_figures
from rig.bench.interlock import gauge_rules, sensor_rules
from rig.compose import FastRun
from rig.config.files.loading import setup_from_text, sheet_from_text
from rig.config.setup.model import Setup
from rig.core.recording import Recording, RecordingBuilder
from rig.core.records import End, Trip, decode

DEMO = (Path(__file__).parents[2] / "demo/engine.setup.toml").read_text()
SHEET = """
kind = "strokes"
strokes = 4
on_time = "300 ms"
rest = "300 ms"
settle_wait = "500 ms"
settle_window = "20 ms"
"""


class Ended:
    """A run, its records, and what the plant says was true at any instant."""

    def __init__(self, setup_text: str, seed: int = 3, looks: bool = False) -> None:
        self.setup: Setup = setup_from_text(setup_text, "engine").setup
        run = FastRun(self.setup, sheet_from_text(SHEET, "sheet").sheet, seed)
        plant: Any = run.hardware.plant  # type: ignore[attr-defined]
        self.true: dict[str, list[tuple[int, float]]] = {"coil_current": [], "pressure": []}
        if looks:
            self._look(plant)
        self.lines: list[str] = []
        try:
            self.found = run.preflight()
            begin = time.process_time()
            self.end: End | None = None
            self.trip: Trip | None = None
            if not self.found.refused:
                self.end, self.trip = run.run(self, lambda _line: None)  # type: ignore[arg-type]
            self.cpu_s = time.process_time() - begin
            self.virtual_s = run.hardware.world.now_ns() / 1e9
        finally:
            run.close()
        records = map(decode, self.lines)
        self.recording: Recording = RecordingBuilder("simulated").add_all(records).build()

    def _look(self, plant: Any) -> None:
        """Note the true values whenever the converter looks."""
        volts = plant._signals.volts

        def noted(place: int, t_s: float) -> float:
            t_ns = round(t_s * 1e9)
            if place == 2:
                self.true["coil_current"].append((t_ns, plant.coil_current_a(t_ns)))
            if place == 0:
                self.true["pressure"].append((t_ns, plant.pressure_kpa(t_ns)))
            return float(volts(place, t_s))

        plant._signals.volts = noted

    lag_s, overflowed, reader_gone = 0.0, False, False

    def put(self, line: str) -> None:
        self.lines.append(line)


@functools.cache
def plain() -> Ended:
    return Ended(DEMO, looks=True)


def test_a_run_with_every_channel_finishes_and_reads_the_truth() -> None:
    run = plain()
    assert run.end is not None and run.end.reason == "finished" and run.trip is None
    samples = run.recording.samples
    assert set(samples) == {
        "pressure", "coil_current", "cylinder_pressure", "sensor_supply", "supply_voltage",
        "oil_temperature", "engine_speed",
    }  # fmt: skip
    assert set(run.recording.fast) == {"pressure", "coil_current", "cylinder_pressure"}
    for channel, noise in (("coil_current", 0.002), ("pressure", 0.5)):
        series, true = samples[channel], dict(run.true[channel])
        exact = np.array([true.get(int(t), np.nan) for t in series.t_ns])
        # the sample's time is the middle of its transfer to the nanosecond, so nearly all are found
        near = np.array([
            np.nan if not np.isnan(e) else true.get(int(t) + 1, true.get(int(t) - 1, np.nan))
            for t, e in zip(series.t_ns, exact, strict=True)
        ])  # fmt: skip
        exact = np.where(np.isnan(exact), near, exact)
        assert np.isfinite(exact).mean() > 0.99
        error = (series.value - exact)[np.isfinite(exact)]
        figures = channel_figures(run.recording, run.setup)[channel]
        lsb = run.recording.samples[channel].value
        assert error.std() < 1.5 * noise + np.diff(np.unique(lsb)).min()
        # the converter is exact here but for its steps; what is left over lies in the budget
        assert abs(error.mean()) < 3 * (figures["uncertainty"] or 0.0)


def test_slow_channels_read_what_the_rig_was_given() -> None:
    figures = channel_figures(plain().recording, plain().setup)
    assert figures["oil_temperature"]["mean"] == pytest.approx(90.0, abs=0.1)
    assert figures["sensor_supply"]["mean"] == pytest.approx(4.93, abs=0.002)
    rest, load = figures["supply_voltage"]["highest"], figures["supply_voltage"]["lowest"]
    assert rest is not None and load is not None
    assert rest == pytest.approx(12.6, abs=0.02) and 0.005 < rest - load < 0.05  # 0.45 A x 40 mohm
    engine = engine_figures(plain().recording, plain().setup)
    assert engine is not None and engine["mean_rpm"] == pytest.approx(750, rel=0.02)
    # two half revolutions of 0.6 % each: 0.42 % of their sum, and the wander beside it
    assert 0.003 < engine["jitter"] < 0.009
    speed = figures["engine_speed"]
    assert speed["mean"] == pytest.approx(engine["mean_rpm"], rel=0.005)
    # p V^n = const from the intake's 40 kPa and the 3.7 kPa of locked rockers: the model itself
    top = 43.7 * 9.5**1.3 - 101.325
    assert figures["cylinder_pressure"]["highest"] == pytest.approx(top, rel=0.03)


def test_the_current_dips_while_the_plunger_moves() -> None:
    run = plain()
    current = run.recording.samples["coil_current"]
    on = run.recording.commands.t_ns[run.recording.commands.on][0]
    window = (current.t_ns > on) & (current.t_ns < on + 40_000_000)
    value = np.convolve(current.value[window], np.ones(3) / 3, "valid")
    rises = np.diff(value)
    assert (rises[5:] < -0.001).any()  # a coil without a moving core only rises


def test_the_same_seed_gives_the_same_bytes_and_another_does_not() -> None:
    assert Ended(DEMO).lines == plain().lines
    assert Ended(DEMO, seed=4).lines != plain().lines


def test_rate_and_jitter_are_those_of_the_grid() -> None:
    figures = channel_figures(plain().recording, plain().setup)["pressure"]
    assert figures["rate_hz"] is not None and figures["step_us"] is not None
    assert 1000 < figures["rate_hz"] < 2500
    assert figures["rate_hz"] == pytest.approx(1e6 / figures["step_us"], rel=0.02)
    assert figures["jitter_us"] is not None and figures["jitter_us"] < 0.05 * figures["step_us"]
    assert figures["longest_ms"] is not None and figures["longest_ms"] < 2.0
    assert figures["half_us"] is not None and 40 < figures["half_us"] < 200


def without(text: str, table: str) -> str:
    head, _, rest = text.partition(table)
    return head + rest[rest.index("\n[") :]


@pytest.mark.parametrize(
    ("channel", "rule"),
    [
        ("coil_current", None),  # a shunt without its wire reads nothing, like a coil at rest
        ("oil_temperature", sensor_rules.CHANNEL_STALE),
        ("cylinder_pressure", sensor_rules.CHANNEL_STALE),
        ("pressure", gauge_rules.GAUGE_IMPLAUSIBLE),
        ("supply_voltage", gauge_rules.SUPPLY_VOLTAGE),
        ("sensor_supply", gauge_rules.GAUGE_STALE),
    ],
)
def test_a_wire_that_comes_off_in_the_run_trips(channel: str, rule: str | None) -> None:
    text = DEMO + f'fault_after = "2.5 s"\n[simulated.converter]\nwire_off = "{channel}"\n'
    run = Ended(text)
    assert not run.found.refused
    if rule is None:
        assert run.trip is None
    else:
        assert run.trip is not None and run.trip.rule == rule
        assert 0 < run.trip.t_ns - 2.5e9 < 1.2e9
        assert not run.lines[-1].startswith("[1")


def test_a_surge_is_seen_by_the_transducer_in_place_of_a_gauge() -> None:
    run = Ended(DEMO + 'fault = "oil pressure surge"\nfault_after = "2 s"\n')
    assert run.trip is not None and run.trip.rule == gauge_rules.OVER_PRESSURE
    limit = run.setup.limits.pressure_kpa
    assert run.trip.limit == limit and limit is not None and run.trip.value is not None
    samples = run.recording.samples["pressure"]
    over = samples.t_ns[samples.value > limit]
    # tripped within a slice of the first reading over the limit, noise and ripple included
    assert 0 <= run.trip.t_ns - int(over[0]) < 25_000_000


def test_preflight_refuses_a_rig_whose_watched_wire_is_off() -> None:
    text = DEMO + 'fault_after = "0 s"\n[simulated.converter]\nwire_off = "oil_temperature"\n'
    run = Ended(text)
    assert [check.name for check in run.found.refused] == ["Oil temperature"]


def test_the_speed_of_virtual_time_with_a_converter(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """5,000 conversions a second through gpiozero's classes cost what they cost: some 8 to 10 times
    real time on one core of a desktop. Below 2 something is wrong."""
    ratio = plain().virtual_s / plain().cpu_s
    with capsys.disabled():
        print(f"\nvirtual time with a converter: {ratio:.1f} x real time (CPU)")
    assert ratio > 2
