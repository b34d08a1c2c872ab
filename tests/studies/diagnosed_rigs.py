# SPDX-License-Identifier: MIT
"""Simulated rigs with one hidden cause each, drawn at random, and what the diagnosis says of them.

Each rig is the demo's invented workshop with supply, oil, relay, coil, spool, gallery and switch
drawn anew about their values, and its fault of random severity. The known-good run is of the rig as
it stands in the demo. Nothing but the recording, setup and sheet is handed to the diagnosis.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from rig.analysis.analyse import analyse
from rig.compose import FastRun
from rig.config.files.loading import load_sheet, setup_from_text
from rig.config.setup.model import Setup
from rig.config.sheet.model import Sheet
from rig.core.errors import RigError
from rig.core.recording import RecordingBuilder
from rig.diagnosis.findings.model import RunSeen

DEMO = Path(__file__).parents[2] / "demo"
READBACK = "[readback]\nline = 27\n"
GAUGE_FROM, GAUGE_TO = "[gauge]\n", "[limits]"
LEAST_SEVERITY = 0.25
WHOLE = frozenset({
    "open coil", "connector off", "fuse open", "relay dead", "contact welded", "stuck plunger",
    "switch stuck open", "switch stuck closed", "gauge silent", "gauge garbage", "gauge NaN",
    "gauge frozen", "gauge disconnected",
})  # fmt: skip
"""What a technician calls so is there or not. In part, a fuse that is open is a bad joint."""

SENSORS = """
[converter]
type = "MCP3208"
reference = "3 V"
rate = "1 kHz"

[[analog]]
channel = "coil_current"
input = 0
kind = "shunt"
shunt = "0.1 ohm"
gain = 20
fast = true

[[analog]]
channel = "supply_voltage"
input = 1
kind = "voltage"
divider_upper = "47 kohm"
divider_lower = "10 kohm"

[[analog]]
channel = "oil_temperature"
input = 2
kind = "thermistor"
series_resistor = "1 kohm"
resistance_25 = "10 kohm"
beta = 3950

[[analog]]
channel = "pressure"
input = 3
kind = "linear"
voltage_range = ["0 V", "2.9 V"]
pressure_range = ["0 psi", "100 psi"]
expected_range = ["0 psi", "60 psi"]
accuracy_of_range = "1 %"
fast = true

"""

STROKES, FAST_STROKES = 20, 8
"""Of a run; with fast sensors fewer, because each second of them takes long to simulate."""
WIRINGS = ("gauge behind", "gauge in front", "switch only", "all sensors")


def setup_text(wiring: str, simulated: str) -> str:
    """The demo's setup, wired so, with this `[simulated]` table."""
    text = (DEMO / "workshop.setup.toml").read_text()
    head = text[: text.index("[simulated]")]
    if wiring == "switch only":
        head = head.replace(READBACK, "")
    if wiring in ("switch only", "all sensors"):
        begin, end = head.index(GAUGE_FROM), head.index(GAUGE_TO)
        extra = SENSORS if wiring == "all sensors" else ""
        head = head[:begin] + extra + head[end:]
    if wiring == "switch only":
        head = head.replace('pressure = "80 psi"\n', "")
    return head + simulated


def drawn(wiring: str, cause: str, rng: random.Random) -> tuple[str, float]:
    """The `[simulated]` table of one rig with `cause`, and its severity."""

    def about(value: float, share: float) -> float:
        return value * (1.0 + rng.uniform(-share, share))

    severity = 1.0 - (1.0 - LEAST_SEVERITY) * rng.random()
    severity = 1.0 if cause in WHOLE else severity
    actuation = about(150.0, 0.08)
    place = '\nat = "supply"' if wiring == "gauge in front" else ""
    fault = "" if cause == "none" else f'fault = "{cause}:{severity:.3f}"\n'
    return f"""[simulated]
{fault}fault_after = "4 s"
[simulated.supply]
pressure = "{about(300, 0.08):.1f} kPa"
ripple = "{about(6, 0.3):.2f} kPa"
[simulated.oil]
temperature = "{about(90, 0.08):.1f} degC"
[simulated.relay]
operate_time = "{about(6, 0.15):.3f} ms"
release_time = "{about(3.5, 0.15):.3f} ms"
[simulated.electric]
coil_resistance = "{about(22, 0.03):.3f} ohm"
supply_voltage = "{about(12.6, 0.03):.3f} V"
[simulated.spool]
spring_rest = "{about(7, 0.06):.3f} N"
friction = "{about(0.6, 0.2):.3f} N"
[simulated.gallery]
volume = "{about(30, 0.06):.2f} cm^3"
screen_area = "{about(6, 0.08):.3f} mm^2"
seal_gap = "{about(0.012, 0.08):.5f} mm"
[simulated.switch]
actuation = "{actuation:.1f} kPa"
reset = "{actuation - about(40, 0.1):.1f} kPa"
[simulated.gauge]
noise = "{about(0.4, 0.3):.2f} kPa"{place}
""", severity  # fmt: skip


class _Keep:
    lag_s, overflowed = 0.0, False

    def __init__(self, builder: RecordingBuilder) -> None:
        self._builder = builder

    def put(self, line: str) -> None:
        self._builder.add_lines(line.encode())


@lru_cache
def sheet(strokes: int) -> Sheet:
    return load_sheet(DEMO / "workshop.sheet.toml").sheet.model_copy(update={"strokes": strokes})


def run_of(
    setup: Setup, seed: int, name: str = "this run", conditions: dict[str, Any] | None = None
) -> RunSeen:
    """One run of the demo's sheet in fast simulation. Raises RigError where the rig refuses."""
    builder = RecordingBuilder("simulated", setup.switch_closed_level, setup.coil_live_level)
    page = sheet(STROKES if setup.converter is None else FAST_STROKES)
    run = FastRun(setup, page, seed)
    try:
        run.preflight()
        run.run(_Keep(builder), lambda line: None)  # type: ignore[arg-type]
    finally:
        run.close()
    recording = builder.build()
    told = conditions or {}
    return RunSeen(name, recording, analyse(recording, setup, page, told), setup, page, told)


@lru_cache
def known_good(wiring: str) -> RunSeen:
    """The run of the demo's own rig, wired so."""
    place = '[simulated.gauge]\nat = "supply"\n' if wiring == "gauge in front" else ""
    loaded = setup_from_text(setup_text(wiring, f"[simulated]\n{place}"), "good")
    return run_of(loaded.setup, 1, "the known-good run")


@dataclass(frozen=True)
class Rig:
    """One drawn rig; `run` is None where the rig refused, `refused` then says why."""

    cause: str
    severity: float
    run: RunSeen | None
    refused: str


def draw_rig(wiring: str, cause: str, seed: int) -> Rig:
    """A rig and its run, the same for the same seed."""
    rng = random.Random(f"{wiring} {cause} {seed}")
    simulated, severity = drawn(wiring, cause, rng)
    loaded = setup_from_text(setup_text(wiring, simulated), "drawn")
    try:
        return Rig(cause, severity, run_of(loaded.setup, rng.randrange(2**31)), "")
    except RigError as error:
        return Rig(cause, severity, None, str(error))
