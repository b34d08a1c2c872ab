# SPDX-License-Identifier: MIT
"""Further situations of the study of captures: strokes that follow one another, bounce of the
relay, a slow first stroke, pairs of runs with a mounting between them, and pressure that leaks
down. The generator is numpy and nothing of the program; what is analysed are its files."""

from __future__ import annotations

import tempfile
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from made_captures import BEGINS_MS, ON_MS, RELAY_MS, RELEASE_RELAY_MS, setup_toml, sheet_toml

from rig.analysis.analyse import analyse
from rig.analysis.compare.compare_runs import compare_runs
from rig.captures import read_capture
from rig.config.files.loading import load_setup, load_sheet
from rig.config.sheet.compare import Compare
from rig.results.run_json import run_json

PERIOD_MS = 800.0
Counts = dict[str, tuple[int, int]]


def follow(phi: float, n: int, rng: np.random.Generator) -> np.ndarray:
    """A stationary first-order autoregression of standard deviation 1, (n,)."""
    found = rng.normal(0, 1, n)
    for k in range(1, n):
        found[k] = phi * found[k - 1] + np.sqrt(1 - phi * phi) * found[k]
    return found


def write_edges(path: Path, response: np.ndarray, release: np.ndarray, bounce_ms: np.ndarray,
                extra_rest_ms: float = 0.0) -> None:  # fmt: skip
    """A list of changes, exact to 10 us. While the relay bounces the coil line goes up and down
    three times; the clock of `response` starts when it first goes up."""
    n = len(response)
    on = BEGINS_MS + extra_rest_ms + PERIOD_MS * np.arange(n)
    live, dead = on + RELAY_MS, on + ON_MS + RELEASE_RELAY_MS
    rows: list[tuple[float, int, int]] = []  # instant, signal, level
    for k in range(n):
        rows += [(on[k], 0, 1), (on[k] + ON_MS, 0, 0), (live[k], 1, 1), (dead[k], 1, 0),
                 (live[k] + response[k], 2, 1), (dead[k] + release[k], 2, 0)]  # fmt: skip
        if bounce_ms[k] > 0:
            at = live[k] + bounce_ms[k] * np.array([0.2, 0.45, 0.6, 1.0])
            rows += [(float(x), 1, level) for x, level in zip(at, (0, 1, 0, 1), strict=True)]
    lines, state = ["# resolution: 10 us", "time_ms,command,coil,switch", "0,0,0,0"], [0, 0, 0]
    for t, signal, level in sorted(rows):
        state[signal] = level
        lines.append(f"{t:.4f}," + ",".join(map(str, state)))
    lines.append(f"{on[-1] + PERIOD_MS:.4f}," + ",".join(map(str, state)))
    path.write_text("\n".join(lines) + "\n")


def shown(folder: Path, capture: Path, sheet: Path | None = None) -> dict[str, Any]:
    """What `rig analyse --json` gives."""
    setup = load_setup(setup_toml(folder)).setup
    ((_, recording),) = read_capture(capture, setup)
    return run_json(analyse(recording, setup, load_sheet(sheet).sheet if sheet else None))


def _covers(found: dict[str, Any], truth: float) -> bool:
    low, high = found["summary"]["response_ms"]["interval95"]
    return low <= truth <= high


def one_after_another(phi: float, n: int, runs: int, seed: int) -> Counts:
    """A run of `n` strokes: interval of the mean, percentile and tolerance, false alarms."""
    rng = np.random.default_rng(seed)
    hits = dict.fromkeys(("mean", "p95", "tol", "trend", "jump", "chart", "accept"), 0)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        path = folder / "capture.csv"
        for _ in range(runs):
            mean, sd = rng.uniform(40, 90), 10 ** rng.uniform(-0.3, 0.5)
            response = mean + sd * follow(phi, n, rng)
            write_edges(path, response, 35 + sd * follow(phi, n, rng), np.zeros(n))
            page = sheet_toml(folder, n, {"figure": "response", "of": "mean", "max": f"{mean} ms"})
            found = shown(folder, path, page)
            one, top = found["summary"]["response_ms"], mean + 1.6448536 * sd
            hits["mean"] += _covers(found, mean)
            low, high = one["percentiles"]["p95"]["ci95"]
            hits["p95"] += (low is None or low <= top) and (high is None or top <= high)
            hits["tol"] += one["tolerance_95_95_upper"] >= top
            hits["trend"] += found["trend"]["response_ms"]["direction"] != "none"
            hits["jump"] += bool(found["change_points"]["response_ms"])
            charts = [found["charts"][name] for name in ("response_ms", "release_ms")]
            hits["chart"] += any(chart["signals"] for chart in charts)
            hits["accept"] += found["verdict"]["result"] == "conforms"
    where = f"{n} strokes, AR(1) of {phi:g}"
    asked = {
        "mean": "at least 95 | mean response", "p95": "at least 95 | 95 % quantile",
        "tol": "at least 95 | tolerance bound 95/95", "trend": "at most 5 | false trend",
        "jump": "at most 5 | false jump", "chart": "at most 5 | steady run breaks a control limit",
        "accept": "at most 5 | mean on its limit conforms",
    }  # fmt: skip
    return {f"{asked[name]}, {where}": (count, runs) for name, count in hits.items()}


def relay_bounces(runs: int, seed: int) -> Counts:
    """The coil works from the relay's first touch (plain diode), from its last (clamp), or from
    anywhere between, the same for one rig."""
    rng, held = np.random.default_rng(seed), 0
    with tempfile.TemporaryDirectory() as made:
        path = Path(made) / "capture.csv"
        for _ in range(runs):
            mean, sd = rng.uniform(40, 90), 10 ** rng.uniform(-0.5, 0.3)
            bounce = rng.uniform(1, 6) * rng.uniform(0.8, 1.2, 12)
            share = rng.choice([0.0, 1.0, rng.uniform()])
            response = rng.normal(mean, sd, 12) + share * bounce
            write_edges(path, response, rng.normal(35, sd, 12), bounce)
            held += _covers(shown(path.parent, path), mean)
    return {"at least 95 | mean response, relay bounces for 1 to 6 ms": (held, runs)}


def slow_first(runs: int, seed: int) -> Counts:
    """The first stroke is longer by 5 to 40 ms: it is none of the steady run's mean."""
    rng, held = np.random.default_rng(seed), 0
    with tempfile.TemporaryDirectory() as made:
        path = Path(made) / "capture.csv"
        for _ in range(runs):
            mean, sd = rng.uniform(40, 90), 10 ** rng.uniform(-0.5, 0.3)
            response = rng.normal(mean, sd, 12)
            response[0] += rng.uniform(5, 40)
            write_edges(path, response, rng.normal(35, sd, 12), np.zeros(12), 5_000)
            held += _covers(shown(path.parent, path), mean)
    return {"at least 95 | mean of the steady strokes, first one slow": (held, runs)}


def unchanged_pairs(phi: float, runs: int, seed: int) -> Counts:
    """The same valve twice, mounted anew (1 ms from mounting to mounting, typed)."""
    rng, real = np.random.default_rng(seed), 0
    settings = Compare.model_validate({"response_mounting_sd": "1 ms"})
    with tempfile.TemporaryDirectory() as made:
        path = Path(made) / "capture.csv"
        for _ in range(runs):
            mean, sd, both = rng.uniform(40, 90), 10 ** rng.uniform(-0.7, 0.3), []
            for mount in (1, 2):
                response = mean + rng.normal(0, 1) + sd * follow(phi, 20, rng)
                write_edges(path, response, 35 + sd * follow(phi, 20, rng), np.zeros(20))
                both.append(shown(path.parent, path) | {"run": mount, "mount": f"m{mount}"})
            found = compare_runs(both, settings, [None, None])["figures"]["response_ms"]
            real += found["real"] is True
    return {f"at most 5 | unchanged valve called really different, mounted anew, AR(1) of {phi:g}":
            (real, runs)}  # fmt: skip


class Leak(NamedTuple):
    """Pressure that falls from 300 kPa by `rate_kpa_s`, read every `step_ms` with noise of `sd_kpa`
    and of the correlation `phi`, with a ripple of `ripple_kpa` at 7.3 Hz; `bent`: exponentially."""

    name: str
    rate_kpa_s: float = 2.0
    step_ms: float = 100.0
    sd_kpa: float = 0.5
    phi: float = 0.0
    ripple_kpa: float = 0.0
    bent: bool = False


LEAKS = (
    Leak("white noise"),
    Leak("noise AR(1) of 0.5", phi=0.5),
    Leak("noise AR(1) of 0.8", phi=0.8),
    Leak("ripple of 2 kPa", ripple_kpa=2.0, step_ms=20.0),
    Leak("slow leak", rate_kpa_s=0.02),
    Leak("not straight", rate_kpa_s=40.0, bent=True),
)


def leaks(leak: Leak, runs: int, seed: int) -> Counts:
    """The decay rate's interval; where none is given, that is counted too. Of a bent fall the rate
    is the mean from the first to the last reading of the watch, until a tenth is left."""
    rng, held, given = np.random.default_rng(seed), 0, 0
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        path, page = folder / "capture.csv", folder / "hold.sheet.toml"
        page.write_text('kind = "hold"\nstate = "energised"\nwatch = "30 s"\n')
        for _ in range(runs):
            t = np.arange(0, 30_500, leak.step_ms) + rng.uniform(0, leak.step_ms)
            s = np.maximum(t - 500, 0) / 1e3
            rate = leak.rate_kpa_s * rng.uniform(0.5, 2)
            fall = 300 * (1 - np.exp(-rate * s / 300)) if leak.bent else rate * s
            kpa = 300 - fall + leak.sd_kpa * follow(leak.phi, len(t), rng)
            kpa += leak.ripple_kpa * np.sin(2 * np.pi * (7.3 * t / 1e3 + rng.uniform()))
            rows = [(0.0, "0,0,0,"), (500.0, "1,1,,"), (540.0, ",,1,"), (30_500.0, "0,0,,"),
                    (30_540.0, ",,0,")]  # fmt: skip
            rows += [(x, f",,,{y:.4f}") for x, y in zip(t.tolist(), kpa.tolist(), strict=True)]
            lines = [f"{x:.4f},{cells}" for x, cells in sorted(rows, key=lambda row: row[0])]
            head = "# resolution: 10 us\ntime_ms,command,coil,switch,pressure_kpa\n"
            path.write_text(head + "\n".join(lines) + "\n")
            found = shown(folder, path, page)["hold"]
            ends = found["interval95"]
            if leak.bent:
                first_s, last_s = ((found[f"rate_{way}_ms"] - 500) / 1e3 for way in ("from", "to"))
                left = [300 * np.exp(-rate * at / 300) for at in (first_s, last_s)]
                rate = float(left[0] - left[1]) / (last_s - first_s)
            if ends is not None and ends[0] is not None:
                given += 1
                held += ends[0] <= rate <= ends[1]
    return {f"at least 95 | decay rate, {leak.name}": (held, given),
            f"at least 0 | decay rate given, {leak.name}": (given, runs)}  # fmt: skip


def rows() -> dict[str, Any]:
    """Every situation by its name, chunks as tests/studies/in_chunks.py takes them."""
    found: dict[str, Any] = {
        f"{n} strokes, AR(1) of {phi:g}": partial(one_after_another, phi, n)
        for phi, n in ((0.0, 20), (0.0, 50), (0.3, 50), (0.5, 50))
    }
    found |= {"relay bounce": relay_bounces, "slow first stroke": slow_first}
    found |= {f"mounted anew, AR(1) of {phi:g}": partial(unchanged_pairs, phi) for phi in (0, 0.5)}
    return found | {f"decay, {leak.name}": partial(leaks, leak) for leak in LEAKS}
