# SPDX-License-Identifier: MIT
"""A second plant with equations of its own, so that the study does not ask the plant that it was
tuned on. Nothing of rig.simulated is imported, and nobody fits a number of the knowledge to it.

    python3 tests/studies/second_plant.py --rigs 10

Where the other plant has a moving mass, this one has an overdamped spool; oil thins by an
exponential of its temperature, air is an isothermal spring, flow a regularised root, membrane and
gauge lag in first order, bounce is a geometric number of exponential gaps. All rigs are stepped
side by side. What a logger would have seen is written as a capture and read like any other.
"""

from __future__ import annotations

import argparse
import itertools
import tempfile
from pathlib import Path
from typing import NamedTuple

import numpy as np
from diagnosed_rigs import BEHIND, setup_text, sheet
from diagnosis import Told, curve, table

from rig.analysis.analyse import analyse
from rig.captures import read_capture
from rig.config.files.loading import setup_from_text
from rig.config.plant.fault_names import ALL_OR_NOTHING
from rig.config.setup.model import Setup
from rig.diagnosis.diagnose import diagnose
from rig.diagnosis.findings.model import RunSeen
from rig.diagnosis.knowledge.loading import load_knowledge
from rig.diagnosis.knowledge.model import SOUND

STEP_MS, BEGINS_MS, ON_MS, PERIOD_MS, STROKES = 0.5, 2000.0, 500.0, 1000.0, 20
END_MS = BEGINS_MS + STROKES * PERIOD_MS
LATER_MS = 4000.0
"""Faults of the gauge, of the pump's valve and of a contact that welds begin here."""
KNOWN_GOOD = "known good"
NOT_HERE = (
    "gauge garbage", "gauge NaN", "gauge disconnected", "driven by the vehicle",
    "drive on the wrong side", "read-back inverted",
)  # fmt: skip
"""A capture does not show these, or the rig does not arm with them."""


class Rig(NamedTuple):
    """One rig: its cause and severity, and its numbers by name."""

    cause: str
    severity: float
    value: dict[str, float]


def draw(cause: str, shop: np.random.Generator, own: np.random.Generator) -> Rig:
    """A rig: the workshop from `shop`, day and valve from `own`."""
    v = {
        "supply_kpa": 290 * shop.uniform(0.93, 1.07) * own.uniform(0.97, 1.03),
        "ripple_kpa": 5 * shop.uniform(0.7, 1.3), "ripple_hz": shop.uniform(25, 45),
        "oil_degc": 88 + shop.uniform(-4, 4) + own.uniform(-4, 4), "grade": 1.0, "air": 0.01,
        "volt": 12.6 * shop.uniform(0.97, 1.03), "ohm": 22 * own.uniform(0.97, 1.03),
        "series_ohm": 0.3, "tau_ms": 6 * own.uniform(0.95, 1.05), "pull_a": 0.22, "turns": 1.0,
        "relay_on_ms": 7 * shop.uniform(0.85, 1.15), "relay_off_ms": 4 * shop.uniform(0.85, 1.15),
        "relay_sd_ms": 0.12, "spring_n": 8 * own.uniform(0.94, 1.06),
        "friction_n": 0.7 * own.uniform(0.8, 1.2), "friction_sd": 0.04, "hang": 0.0,
        "shut": 0.0, "open": 1.0, "inlet": 0.011 * own.uniform(0.94, 1.06),
        "screen": 0.014 * own.uniform(0.93, 1.07), "drain": 0.0068 * own.uniform(0.95, 1.05),
        "leak": 4e-5 * own.uniform(0.8, 1.25), "stiff": 110 * own.uniform(0.97, 1.03),
        "act_kpa": 148 * own.uniform(0.95, 1.05), "band_kpa": 38 * own.uniform(0.9, 1.1),
        "drop_hz": 0.0, "bounce": 0.5, "wire_hz": 0.0, "surge": 0.0, "gulp_hz": 0.0, "gulp": 0.0,
        "gauge_lag_ms": 9.0, "gauge_offset": 0.0, "gauge_factor": 1.0, "plunger": 1.0,
    }  # fmt: skip
    s = 1.0 if cause in ALL_OR_NOTHING or cause in (SOUND, KNOWN_GOOD) else own.uniform(0.25, 1.0)
    for name, change in FAULTS.get(cause, {}).items():
        kind, amount = change
        v[name] = v[name] * amount**s if kind == "times" else v[name] + s * amount
    if cause == "switch actuates too high":
        v["act_kpa"] += s * max(1.03 * v["supply_kpa"] - v["act_kpa"], 0.0)
    if cause == "switch resets too low":
        v["band_kpa"] += s * 0.93 * (v["act_kpa"] - v["band_kpa"])
    return Rig(cause, s, v)


FAULTS: dict[str, dict[str, tuple[str, float]]] = {
    "low oil level": {"supply_kpa": ("times", 0.78), "air": ("times", 4.0),
                      "gulp_hz": ("plus", 1.2), "gulp": ("plus", 0.8),
                      "ripple_kpa": ("times", 3.0)},
    "low oil pressure": {"supply_kpa": ("times", 0.42)},
    "oil too thick": {"grade": ("times", 3.6)},
    "oil too thin": {"grade": ("times", 0.36), "supply_kpa": ("times", 0.76)},
    "aerated oil": {"air": ("times", 9.0)},
    "dirty oil": {"friction_sd": ("plus", 0.6), "friction_n": ("times", 2.5),
                  "hang": ("plus", 0.12), "screen": ("times", 0.5)},
    "cold oil": {"oil_degc": ("plus", -78.0)},
    "clogged inlet screen": {"screen": ("times", 0.09)},
    "blocked drain": {"drain": ("times", 0.035)},
    "oil pressure surge": {"surge": ("plus", 1.3)},
    "open coil": {"series_ohm": ("plus", 1e7)},
    "connector off": {"series_ohm": ("plus", 1e7)},
    "shorted turns": {"turns": ("times", 0.58)},
    "high-resistance joint": {"series_ohm": ("plus", 25.0)},
    "low supply voltage": {"volt": ("times", 0.5)},
    "stuck plunger": {"plunger": ("times", 1e3)},
    "spool stuck off": {"open": ("plus", -1.0)},
    "spool stuck on": {"shut": ("plus", 1.0)},
    "sticking spool": {"friction_n": ("times", 6.0), "friction_sd": ("plus", 0.3),
                       "hang": ("plus", 0.04)},
    "weak return spring": {"spring_n": ("times", 0.27)},
    "leaking lock seals": {"leak": ("times", 24.0)},
    "switch chattering": {"drop_hz": ("plus", 9.0), "bounce": ("plus", 0.42)},
    "switch wire intermittent": {"wire_hz": ("plus", 3.0)},
    "relay slow": {"relay_on_ms": ("times", 6.0), "relay_off_ms": ("times", 6.0),
                   "relay_sd_ms": ("times", 12.0)},
    "gauge in the wrong unit": {"gauge_factor": ("times", 0.145)},
    "gauge offset": {"gauge_offset": ("plus", 38.0)},
    "gauge line blocked": {"gauge_lag_ms": ("times", 90.0)},
    "gauge lagging": {"gauge_lag_ms": ("times", 60.0)},
}  # fmt: skip
"""What a fault changes, at severity 1; of a slight one in equal ratios or steps."""


def simulate(rigs: list[Rig], rng: np.random.Generator) -> list[dict[str, np.ndarray]]:
    """Relay, coil, spool, oil and gauge of all rigs, (steps, rigs): the pressure at the membrane
    and at the gauge; with the instants at which the coil goes live and dead, (strokes,)."""
    v = {key: np.array([rig.value[key] for rig in rigs]) for key in rigs[0].value}
    cause = np.array([rig.cause for rig in rigs])
    n, steps = len(rigs), int(END_MS / STEP_MS)
    on = BEGINS_MS + PERIOD_MS * np.arange(STROKES)
    jitter = rng.normal(0, 1, (2, STROKES, n)) * v["relay_sd_ms"]
    live = on[:, None] + np.maximum(v["relay_on_ms"] + jitter[0], 0.3)
    dead = on[:, None] + ON_MS + np.maximum(v["relay_off_ms"] + jitter[1], 0.3)
    none = np.isin(cause, ("fuse open", "relay dead"))
    live[:, none] = dead[:, none] = np.inf
    welded = cause == "contact welded"
    dead[3:, welded] = live[4:, welded] = np.inf
    nu = v["grade"] * np.exp(-0.033 * (v["oil_degc"] - 90.0))
    hangs = rng.random((2 * STROKES, n)) < v["hang"]
    rub = np.maximum(1 + v["friction_sd"] * rng.normal(0, 1, (2 * STROKES, n)), 0.1)
    rub *= np.where(hangs, rng.uniform(2, 4, (2 * STROKES, n)), 1.0)
    current, plunger, spool = np.zeros(n), np.zeros(n), v["shut"].copy()
    volume = np.zeros(n)
    felt, shown = np.zeros(n), np.zeros(n)
    membrane = np.zeros((steps, n), np.float32)
    gauge = np.zeros((steps, n), np.float32)
    gulp_until, phase = np.zeros(n), rng.uniform(0, 6.28, n)
    for k in range(steps):
        t = k * STEP_MS
        stroke = int(np.clip((t - BEGINS_MS) // PERIOD_MS, 0, STROKES - 1))
        powered = (t >= live[stroke]) & (t < dead[stroke])
        powered |= welded & (t >= BEGINS_MS + 3 * PERIOD_MS)
        goal = np.where(powered, v["volt"] / (v["ohm"] * v["turns"] + v["series_ohm"]), 0.0)
        current += STEP_MS / v["tau_ms"] * (goal - current)
        drawn = current * v["turns"] > v["pull_a"] * v["plunger"] * (1 - 0.45 * (plunger > 0.5))
        plunger += STEP_MS / 3.0 * (drawn - plunger)
        surge = 1 + v["surge"] * min(max(t - LATER_MS, 0.0) / 3000.0, 1.0)
        gulp_until = np.where(rng.random(n) < v["gulp_hz"] * STEP_MS / 1e3, t + 120, gulp_until)
        source = v["supply_kpa"] * surge * (1 - v["gulp"] * 0.6 * (t < gulp_until))
        source = source + v["ripple_kpa"] * np.sin(6.283e-3 * v["ripple_hz"] * t + phase)
        friction = v["friction_n"] * rub[2 * stroke + int(t >= on[stroke] + ON_MS)]
        force = 0.055 * source * plunger - v["spring_n"] * (1 + 0.15 * spool)
        force = np.sign(force) * np.maximum(np.abs(force) - friction, 0.0)
        spool = np.clip(
            spool + STEP_MS * force / (42.0 * nu**0.5), v["shut"], np.maximum(v["open"], v["shut"])
        )
        soft = 1 + 90.0 * v["air"] * 100.0 / (100.0 + np.maximum(volume - 1.2, 0.0) * 60.0)
        kpa = np.maximum(volume - 1.2, 0.0) * v["stiff"] / soft
        area = 1 / np.sqrt(1 / np.maximum(v["inlet"] * spool, 1e-9) ** 2 + 1 / v["screen"] ** 2)
        drag = 1 + 0.04 * (nu - 1)
        drop = source - kpa
        flow = area / drag * drop / np.sqrt(np.abs(drop) + 5.0)
        away = v["drain"] * np.clip(1 - 1.2 * spool, 0, 1) / (1 + 0.12 * (nu - 1))
        flow -= away * (kpa / np.sqrt(kpa + 5.0) + 0.12 * volume) + v["leak"] * kpa / nu
        volume = np.maximum(volume + STEP_MS * flow, 0.0)
        felt += STEP_MS / 1.5 * (kpa - felt)
        shown += STEP_MS / v["gauge_lag_ms"] * (kpa - shown)
        membrane[k], gauge[k] = felt, shown
    return [
        {"live": live[:, i], "dead": dead[:, i], "membrane": membrane[:, i], "gauge": gauge[:, i]}
        for i in range(n)
    ]


def switch_edges(rig: Rig, kpa: np.ndarray, rng: np.random.Generator) -> list[tuple[float, int]]:
    """Changes of the input, ms and closed or not: hysteresis, bounce, and what the fault adds."""
    act, reset = rig.value["act_kpa"], rig.value["act_kpa"] - rig.value["band_kpa"]
    stuck = {"switch stuck open": 0, "switch wire open": 0,
             "switch stuck closed": 1, "switch wire shorted": 1}  # fmt: skip
    if rig.cause in stuck:
        return [(0.0, stuck[rig.cause])]
    marks = np.where(kpa >= act, 1, np.where(kpa <= reset, 0, -1))
    known = np.flatnonzero(marks >= 0)
    turns = known[1:][np.diff(marks[known]) != 0]
    spans = [
        (0.0, 0),
        *((float(k) * STEP_MS + rng.uniform(0, STEP_MS), int(marks[k])) for k in turns),
    ]
    edges: list[tuple[float, int]] = []
    for (t, closed), after in zip(spans, [*(x for x, _ in spans[1:]), END_MS], strict=True):
        edges.append((t, closed))
        at = t
        for _ in range(rng.geometric(1 - rig.value["bounce"]) - 1 if t else 0):
            at += rng.exponential(0.5)
            edges += [(at, 1 - closed), (at + 0.2, closed)]
            at += 0.2
        for rate, length, to in (
            (rig.value["drop_hz"] * closed, 4.0, 0),
            (rig.value["wire_hz"], 30.0, int(rng.random() < 0.5)),
        ):
            for start in rng.uniform(t, after, rng.poisson(rate * (after - t) / 1e3)):
                end = start + length * rng.uniform(0.4, 1.6)
                if end < after and start > at and to != closed:
                    edges += [(float(start), to), (float(end), closed)]
    edges.sort()
    if rig.cause == "switch sense inverted":
        edges = [(t, 1 - closed) for t, closed in edges]
    return edges[:1] + [b for a, b in itertools.pairwise(edges) if a[1] != b[1]]


def write_capture(
    path: Path, rig: Rig, seen: dict[str, np.ndarray], rng: np.random.Generator
) -> None:
    """What a logger saw: changes of command, coil and switch, and ten readings a second."""
    rows: list[tuple[float, str]] = []
    for number in range(STROKES):
        begin = BEGINS_MS + number * PERIOD_MS
        rows += [(begin, "1,,,"), (begin + ON_MS, "0,,,")]
        for t, cells in ((seen["live"][number], ",1,,"), (seen["dead"][number], ",0,,")):
            if np.isfinite(t):
                rows.append((float(t), cells))
    first, *later = switch_edges(rig, seen["membrane"], rng)
    rows += [(t, f",,{closed},") for t, closed in later]
    at = np.arange(rng.uniform(1, 99), END_MS - 1, 100.0) + rng.uniform(-4, 4)
    kpa = seen["gauge"][np.minimum((at / STEP_MS).astype(int), len(seen["gauge"]) - 1)]
    kpa = kpa * rig.value["gauge_factor"] + rig.value["gauge_offset"] + rng.normal(0, 0.4, len(at))
    kpa = np.maximum(np.round(kpa / 0.5) * 0.5, 0.0)
    if rig.cause == "gauge silent":
        at, kpa = at[at < LATER_MS], kpa[at < LATER_MS]
    if rig.cause == "gauge frozen":
        kpa = np.where(at < LATER_MS, kpa, kpa[np.searchsorted(at, LATER_MS)])
    rows += [(t, f",,,{y:.1f}") for t, y in zip(at.tolist(), kpa.tolist(), strict=True) if t > 0]
    rows.sort(key=lambda row: row[0])
    head = "# resolution: 10 us\ntime_ms,command,coil,switch,pressure_kpa\n"
    head += f"0.000000,0,0,{first[1]},\n"
    path.write_text(head + "".join(f"{t:.4f},{cells}\n" for t, cells in rows))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rigs", type=int, default=10, help="of each cause")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--causes", action="store_true", help="print a line a cause as well")
    options = parser.parse_args()
    knowledge = load_knowledge()
    setup = setup_from_text(setup_text(BEHIND, "[simulated]\n"), "second plant").setup
    names = [SOUND, *(c.name for c in knowledge.causes if c.name not in NOT_HERE)]
    of = 1 + len(names)
    rigs = [
        draw(name, _rng(options.seed, n), _rng(options.seed, n, k))
        for n in range(options.rigs)
        for k, name in enumerate((KNOWN_GOOD, *names))
    ]
    rng = _rng(options.seed, 1_000_000)
    seen = simulate(rigs, rng)
    told: list[Told] = []
    for n in range(options.rigs):
        some = range(n * of, (n + 1) * of)
        good, *runs = (_run(rigs[k], seen[k], setup, rng) for k in some)
        for rig, run in zip(rigs[n * of + 1 : (n + 1) * of], runs, strict=True):
            found = diagnose(knowledge, [run], None, good)
            states = {f.finding: f.state for f in found.findings}
            odd = any(s != knowledge.shown(f).states[0] for f, s in states.items())
            told.append(Told(
                "second plant", rig.cause, rig.severity, False,
                [(c.cause, c.probability) for c in found.causes], found.part,
                found.undecided is not None, "", found.valve.result, run.result.verdict.result,
                odd, states, {},
            ))  # fmt: skip
    print({key: round(value, 1) for key, value in table(told, knowledge).items()})
    for one in curve(told, knowledge):
        print(f"  stated {one.stated:.2f} true {one.true:.2f} of {one.rigs} rigs")
    if options.causes:
        for name in names:
            firsts = [row.ranked[0][0] for row in told if row.cause == name]
            print(f"  {name:26s} {firsts.count(name)} of {len(firsts)}: {sorted(set(firsts))}")


def _rng(*seed: int) -> np.random.Generator:
    return np.random.default_rng(list(seed))


def _run(rig: Rig, seen: dict[str, np.ndarray], setup: Setup, rng: np.random.Generator) -> RunSeen:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "made.csv"
        write_capture(path, rig, seen, rng)
        ((_, recording),) = read_capture(path, setup)
    name = "the known-good run" if rig.cause == KNOWN_GOOD else "this run"
    page = sheet(STROKES)
    return RunSeen(name, recording, analyse(recording, setup, page, {}), setup, page, {})


if __name__ == "__main__":
    main()
