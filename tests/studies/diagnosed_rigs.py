# SPDX-License-Identifier: MIT
"""Simulated rigs with one hidden cause each, drawn at random, and what a run of them shows.

Each workshop is the demo's invented one with supply, oil, relay, feed and gauge drawn anew about
their values, each valve and switch likewise, and the fault of random severity. The known-good run
is of another valve in that workshop. Only recordings, setup and sheet go to the diagnosis.
"""

from __future__ import annotations

import hashlib
import lzma
import os
import pickle
import random
import zlib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, cast

import plant_runs

from rig.actions.exercise.draw import offered
from rig.analysis.analyse import analyse
from rig.config.files.loading import load_sheet, setup_from_text
from rig.config.plant.fault_names import ALL_OR_NOTHING
from rig.config.setup.model import Setup
from rig.config.sheet.model import Sheet
from rig.core.errors import RigError
from rig.diagnosis.findings.model import RunSeen
from rig.diagnosis.knowledge.model import SOUND

DEMO = Path(__file__).parents[2] / "demo"
READBACK = "[readback]\nline = 27\n"
GAUGE_FROM, GAUGE_TO = "[gauge]\n", "[limits]"
KNOWN_GOOD = "known good"
LEAST_SEVERITY = 0.25

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

"""
FAST_PRESSURE = """[[analog]]
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
SWITCH_ONLY, IN_FRONT, NO_READBACK = "switch only", "gauge in front", "gauge behind, no read-back"
BEHIND, WITH_CURRENT = "gauge behind", "gauge behind, current, voltage, temperature"
ALL_SENSORS = "all sensors"
WIRINGS = (SWITCH_ONLY, IN_FRONT, NO_READBACK, BEHIND, WITH_CURRENT, ALL_SENSORS)
"""All but the first and the third have a read-back. The gauge sends ten readings a second; the last
has a fast pressure sensor in its place."""


def setup_text(wiring: str, simulated: str) -> str:
    """The demo's setup, wired so, with this `[simulated]` table."""
    text = (DEMO / "workshop.setup.toml").read_text()
    head = text[: text.index("[simulated]")]
    begin, end = head.index(GAUGE_FROM), head.index(GAUGE_TO)
    gauge, limits = head[begin:end], head[end:]
    wired = {
        SWITCH_ONLY: "",
        WITH_CURRENT: gauge + SENSORS,
        ALL_SENSORS: SENSORS + FAST_PRESSURE,
    }.get(wiring, gauge)
    head = head[:begin]
    if wiring in (SWITCH_ONLY, NO_READBACK):
        head = head.replace(READBACK, "")
    if wiring == SWITCH_ONLY:
        limits = limits.replace('pressure = "80 psi"\n', "")
    return head + wired + limits + simulated


def causes_of(wiring: str) -> frozenset[str]:
    """The causes that a rig wired so can have: a gauge that is not there is at fault on no rig, and
    one with such a fault would be a sound rig, counted as a faulty one."""
    setup = setup_from_text(setup_text(wiring, "[simulated]\n"), "study").setup
    return frozenset(name for _, name in offered(setup))


def drawn(wiring: str, cause: str, seed: int) -> tuple[str, float]:
    """The `[simulated]` table of one rig with `cause`, and its severity.

    Of one seed all causes have the workshop in common (supply, oil, relay, coil's feed, gauge), but
    for what changes from day to day; each has a valve and a switch of its own.
    """
    shop = random.Random(f"{wiring} {seed}")
    own = random.Random(f"{wiring} {seed} {cause}")

    def of_shop(value: float, share: float, daily: float = 0.0) -> float:
        return value * (1.0 + shop.uniform(-share, share)) * (1.0 + own.uniform(-daily, daily))

    def of_valve(value: float, share: float) -> float:
        return value * (1.0 + own.uniform(-share, share))

    severity = 1.0 - (1.0 - LEAST_SEVERITY) * own.random()
    severity = 1.0 if cause in ALL_OR_NOTHING else severity
    actuation = of_valve(150.0, 0.05)
    place = '\nat = "supply"' if wiring == IN_FRONT else ""
    fault = "" if cause in (SOUND, KNOWN_GOOD) else f'fault = "{cause}:{severity:.3f}"\n'
    return f"""[simulated]
{fault}fault_after = "4 s"
[simulated.supply]
pressure = "{of_shop(300, 0.08, 0.03):.1f} kPa"
ripple = "{of_shop(6, 0.3, 0.1):.2f} kPa"
[simulated.oil]
temperature = "{of_shop(90, 0.05, 0.05):.1f} degC"
[simulated.relay]
operate_time = "{of_shop(6, 0.15, 0.02):.3f} ms"
release_time = "{of_shop(3.5, 0.15, 0.02):.3f} ms"
[simulated.electric]
coil_resistance = "{of_valve(22, 0.03):.3f} ohm"
supply_voltage = "{of_shop(12.6, 0.03, 0.01):.3f} V"
[simulated.spool]
spring_rest = "{of_valve(7, 0.06):.3f} N"
friction = "{of_valve(0.6, 0.2):.3f} N"
[simulated.gallery]
volume = "{of_valve(30, 0.03):.2f} cm^3"
screen_area = "{of_valve(6, 0.08):.3f} mm^2"
seal_gap = "{of_valve(0.012, 0.08):.5f} mm"
[simulated.switch]
actuation = "{actuation:.1f} kPa"
reset = "{actuation - of_valve(40, 0.1):.1f} kPa"
[simulated.gauge]
noise = "{of_shop(0.4, 0.3):.2f} kPa"{place}
""", severity  # fmt: skip


@lru_cache
def sheet(strokes: int) -> Sheet:
    return load_sheet(DEMO / "workshop.sheet.toml").sheet.model_copy(update={"strokes": strokes})


def run_of(
    setup: Setup, seed: int, name: str = "this run", conditions: dict[str, Any] | None = None
) -> RunSeen:
    """One run of the demo's sheet in fast simulation. Raises RigError where the rig refuses."""
    page = sheet(STROKES if setup.converter is None else FAST_STROKES)
    recording = plant_runs.recorded(setup, page, seed)
    told = conditions or {}
    return RunSeen(name, recording, analyse(recording, setup, page, told), setup, page, told)


@dataclass(frozen=True)
class Rig:
    """One drawn rig; `run` is None where the rig refused, `refused` then says why."""

    cause: str
    severity: float
    setup: Setup
    run: RunSeen | None
    refused: str


def kept_rig(wiring: str, cause: str, seed: int, folder: Path) -> Rig:
    """As `draw_rig`, from `folder` where it was drawn before by the same program."""
    path = folder / _program() / wiring / cause / f"{seed}.pickle.xz"
    if path.exists():
        return cast(Rig, pickle.loads(lzma.decompress(path.read_bytes())))
    rig = draw_rig(wiring, cause, seed)
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(f".{os.getpid()}")
    part.write_bytes(lzma.compress(pickle.dumps(rig), preset=0))
    part.replace(path)
    return rig


@lru_cache
def _program() -> str:
    """A hash of all that a kept run depends on: the program but the diagnosis and what is above."""
    root = Path(__file__).parents[2] / "rig"
    rooms = ("simulated", "bench", "config", "analysis", "physics", "core", "results")
    files = [path for room in rooms for path in sorted((root / room).rglob("*.py"))]
    files += [Path(__file__), Path(plant_runs.__file__), *sorted(DEMO.glob("workshop.*"))]
    return hashlib.sha256(b"".join(path.read_bytes() for path in files)).hexdigest()[:12]


def draw_rig(wiring: str, cause: str, seed: int) -> Rig:
    """A rig and its run, the same for the same seed. With the cause KNOWN_GOOD the run of another,
    sound valve in the same workshop on another day."""
    simulated, severity = drawn(wiring, cause, seed)
    loaded = setup_from_text(setup_text(wiring, simulated), "drawn")
    name = "the known-good run" if cause == KNOWN_GOOD else "this run"
    try:
        run = run_of(loaded.setup, zlib.crc32(f"{wiring} {cause} {seed}".encode()), name)
        return Rig(cause, severity, loaded.setup, run, "")
    except RigError as error:
        return Rig(cause, severity, loaded.setup, None, str(error))
