# SPDX-License-Identifier: MIT
"""Captures with known truth, as files, by numpy alone: nothing of the program is imported here.

A stroke is commanded, the relay follows, the coil goes live, the switch answers; each with its own
scatter. A logger then writes what it saw: a row for every sample, evenly or not, or only the
changes, its stamps rounded to some last digit. The pressure follows a closed form, with noise and
ripple.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

RELAY_MS, RELEASE_RELAY_MS = 8.0, 4.0
ON_MS, BEGINS_MS = 300.0, 400.0


class Logger(NamedTuple):
    """`step_ms` from sample to sample, each off by up to the share `uneven` of it; `digit_ms` the
    last digit of a stamp; `rows` a row for every sample, else one for each change; `locked`: the
    strokes are commanded in step with the samples; `says` a comment."""

    name: str
    step_ms: float
    digit_ms: float = 0.001
    uneven: float = 0.0
    rows: bool = True
    locked: bool = False
    says: str = ""


def samples_ms(logger: Logger, end_ms: float, rng: np.random.Generator) -> np.ndarray:
    """When the logger samples, (m,)."""
    n = int(end_ms / logger.step_ms * 1.2) + 3
    steps = logger.step_ms * (1 + logger.uneven * rng.uniform(-1, 1, n))
    t = rng.uniform(0, logger.step_ms) + np.cumsum(steps)
    return t[t < end_ms]


def events_ms(
    response_ms: np.ndarray, release_ms: np.ndarray, period_ms: float, logger: Logger,
    rng: np.random.Generator, *, bounce: bool,
) -> dict[str, np.ndarray]:  # fmt: skip
    """The true instants of every change, by signal: up, down, up, down ..."""
    n = len(response_ms)
    wander = 0.0 if logger.locked else rng.uniform(0, 20, n)
    on = BEGINS_MS + period_ms * np.arange(n) + wander
    off = on + ON_MS
    live = on + RELAY_MS + rng.normal(0, 0.2, n)
    dead = off + RELEASE_RELAY_MS + rng.normal(0, 0.2, n)
    up, down = live + response_ms, dead + release_ms
    both = {"command": (on, off), "coil": (live, dead), "switch": (up, down)}
    found = {name: np.stack(pair, axis=1).ravel() for name, pair in both.items()}
    if bounce:  # a closed contact opens once for half a millisecond just before it stays closed
        extra = np.stack((up - 1.2, up - 0.6, up, down), axis=1)
        found["switch"] = extra.ravel()
    return found


def write_switching(
    path: Path, logger: Logger, changes: dict[str, np.ndarray], end_ms: float,
    rng: np.random.Generator,
) -> None:  # fmt: skip
    """A capture of the changes as this logger sees them."""
    t = samples_ms(logger, end_ms, rng)
    levels = {name: np.searchsorted(at, t, "right") % 2 for name, at in changes.items()}
    stamp = np.round(t / logger.digit_ms) * logger.digit_ms
    names = list(changes)
    lines = [f"# {logger.says}"] if logger.says else []
    lines.append(",".join(["time_ms", *names]))
    table = np.stack([levels[name] for name in names], axis=1)
    if logger.rows:
        keep = np.ones(len(t), bool)
    else:
        keep = np.concatenate(([True], (np.diff(table, axis=0) != 0).any(axis=1)))
        keep[-1] = True
    for at, row in zip(stamp[keep].tolist(), table[keep].tolist(), strict=True):
        lines.append(f"{at:.6f}," + ",".join(map(str, row)))
    path.write_text("\n".join(lines) + "\n")


class Wave(NamedTuple):
    """Pressure from `low_kpa` to `high_kpa`: after `dead_ms` an answer of first order (`tau_ms`),
    or of second order where `zeta` is below 1 (then `tau_ms` is 1 / natural angular frequency).
    Noise (standard deviation) and ripple (amplitude) are shares of the change."""

    tau_ms: float
    dead_ms: float = 10.0
    zeta: float = 1.0
    low_kpa: float = 60.0
    high_kpa: float = 360.0
    noise: float = 0.0
    ripple: float = 0.0
    ripple_hz: float = 120.0
    resolution_kpa: float = 0.0

    def rise(self, ms: np.ndarray) -> np.ndarray:
        """Share of the change `ms` after the coil went live."""
        x = np.maximum(ms - self.dead_ms, 0.0) / self.tau_ms
        if self.zeta >= 1:
            return 1 - np.exp(-x)
        damped = math.sqrt(1 - self.zeta**2)
        return 1 - np.exp(-self.zeta * x) * (
            np.cos(damped * x) + self.zeta / damped * np.sin(damped * x)
        )

    def truth(self) -> dict[str, float]:
        """10-90 % duration, 50 % delay, overshoot and 2 % settling from the 50 % instant, found on
        a fine grid."""
        t = np.arange(0, self.dead_ms + 60 * self.tau_ms, self.tau_ms / 2000)
        share = self.rise(t)
        t10, t50, t90 = (float(t[np.argmax(share >= level)]) for level in (0.1, 0.5, 0.9))
        settled = float(t[np.flatnonzero(np.abs(share - 1) > 0.02)[-1] + 1])
        return {
            "rise_ms": t90 - t10, "delay_50_ms": t50, "settling_ms": settled - t50,
            "overshoot_pct": 100 * max(float(share.max()) - 1, 0.0),
        }  # fmt: skip


def write_pressure(
    path: Path, wave: Wave, step_ms: float, strokes: int, rng: np.random.Generator, *,
    on_ms: float = 500.0, engine_rpm: float | None = None,
) -> None:  # fmt: skip
    """Strokes of `on_ms` with the pressure read every `step_ms`; edges exact, rows of their own.

    With `engine_rpm` the speed is a column, and the ripple has two periods a revolution.
    """
    period = on_ms + 500.0
    end = 300.0 + strokes * period
    t = rng.uniform(0, step_ms) + np.arange(0, end, step_ms)
    live = 300.0 + period * np.arange(strokes)
    share = np.zeros(len(t))
    for at in live.tolist():
        on = (t >= at) & (t < at + on_ms)
        share[on] = wave.rise(t[on] - at)
        off = (t >= at + on_ms) & (t < at + period)
        share[off] = 1 - wave.rise(t[off] - at - on_ms)
    hz = wave.ripple_hz if engine_rpm is None else engine_rpm / 60 * 2
    ripple = wave.ripple * np.sin(2 * np.pi * (hz * t / 1e3 + rng.uniform(0, 1)))
    change = share + rng.normal(0, 1, len(t)) * wave.noise + ripple * np.clip(share, 0, 1)
    kpa = wave.low_kpa + (wave.high_kpa - wave.low_kpa) * change
    if wave.resolution_kpa:
        kpa = np.round(kpa / wave.resolution_kpa) * wave.resolution_kpa
    extra = "" if engine_rpm is None else ",engine_speed_rpm"
    rows: list[tuple[float, str]] = [(0.0, "0,0,0," + "," * bool(extra))]
    for number, at in enumerate(live.tolist()):
        cells = [(at, "1,1,,"), (at + wave.dead_ms + 1, ",,1,"), (at + on_ms, "0,0,,"),
                 (at + on_ms + wave.dead_ms + 1 + 0.01 * number, ",,0,")]  # fmt: skip
        rows += [(x, cell + "," * bool(extra)) for x, cell in cells]
    speed = "" if engine_rpm is None else f",{engine_rpm:.1f}"
    rows += [(x, f",,,{y:.4f}{speed}") for x, y in zip(t.tolist(), kpa.tolist(), strict=True)]
    rows.sort(key=lambda row: row[0])
    head = f"# resolution: 10 us\ntime_ms,command,coil,switch,pressure_kpa{extra}\n"
    path.write_text(head + "".join(f"{x:.6f},{cells}\n" for x, cells in rows))


def setup_toml(folder: Path) -> Path:
    """A rig with read-back and no gauge of its own."""
    path = folder / "made.setup.toml"
    path.write_text(
        'backend = "board"\nmedium = "oil"\n[coil]\nfeed_side = "supply"\n'
        'supply_voltage = "12.6 V"\nfuse = "5 A"\nresistance = "14.5 ohm"\n'
        '[relay]\nline = 17\n[switch]\nline = 22\ncontact = "normally open"\n'
        "[readback]\nline = 27\n"
    )
    return path


def sheet_toml(folder: Path, strokes: int, accept: dict[str, Any]) -> Path:
    """What to accept."""
    path = folder / "made.sheet.toml"
    keys = "\n".join(f'{name} = "{value}"' for name, value in accept.items())
    path.write_text(
        f'kind = "strokes"\nstrokes = {strokes}\non_time = "300 ms"\nrest = "500 ms"\n'
        f"[[accept]]\n{keys}\n"
    )
    return path
