# SPDX-License-Identifier: MIT
"""Do the intervals hold on captures of any logger and on noisy pressure?

    python3 tests/studies/capture_coverage.py --runs 20                      in short, to look at
    python3 tests/studies/capture_coverage.py --runs 2000 --keep study.jsonl in chunks, kept as they
                                     are done; the same command goes on where it was stopped
    python3 tests/studies/capture_coverage.py --runs 0 --keep study.jsonl    what is kept so far

Each run is a file written by an independent generator (tests/studies/made_captures.py), read and
analysed as `rig analyse` does. Prints the rows of tests/studies/README.md.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parent))

import more_captures
import numpy as np
from in_chunks import fill, kept
from made_captures import (
    BEGINS_MS,
    Logger,
    Wave,
    events_ms,
    setup_toml,
    sheet_toml,
    write_pressure,
    write_switching,
)

from rig.analysis.analyse import analyse
from rig.captures import read_capture
from rig.config.files.loading import load_setup, load_sheet
from rig.results.run_json import run_json

RUNS, PRESSURE_RUNS, STROKES, PERIOD_MS = 200, 40, 8, 800.0
LOGGERS = (
    Logger("1 ms", 1.0),
    Logger("2 ms", 2.0),
    Logger("2.5 ms (400 Hz)", 2.5, 0.1),
    Logger("4 ms", 4.0),
    Logger("5 ms", 5.0),
    Logger("60 Hz, stamps to 1 us", 1000 / 60),
    Logger("60 Hz, stamps to 1 ms", 1000 / 60, 1.0),
    Logger("60 Hz, strokes in step", 1000 / 60, locked=True),
    Logger("1,024 Hz", 1000 / 1024),
    Logger("uneven, 10 ms, stamps to 1 us", 10.0, uneven=0.5),
    Logger("uneven, 3 ms, stamps to 1 ms", 3.0, 1.0, uneven=0.4),
    Logger("changes only, 60 Hz, stamps to 1 us", 1000 / 60, rows=False),
    Logger("changes only, 60 Hz, stamps to 1 ms", 1000 / 60, 1.0, rows=False),
    Logger("changes only, 2.5 ms", 2.5, 0.1, rows=False),
    Logger("changes only, 1,024 Hz", 1000 / 1024, rows=False),
    Logger("changes only, uneven 10 ms, stated", 10.0, uneven=0.5, rows=False,
           says="resolution: 15 ms"),
    Logger("changes only, uneven 10 ms, unstated", 10.0, uneven=0.5, rows=False),
    Logger("changes only, uneven 3 ms, unstated", 3.0, uneven=0.4, rows=False),
)  # fmt: skip


class Row(NamedTuple):
    """`hits` of `n`, held against `asked` (percent); `kind` "at least" or "at most"."""

    name: str
    kind: str
    asked: float
    hits: int
    n: int
    note: str = ""

    @property
    def share(self) -> float:
        return self.hits / self.n if self.n else float("nan")

    @property
    def holds(self) -> bool:
        """Within 3 standard deviations of the count."""
        if not self.n:
            return True
        p = self.asked / 100
        spare = 3 * (p * (1 - p) / max(self.n, 1)) ** 0.5
        return self.share >= p - spare if self.kind == "at least" else self.share <= p + spare

    def __str__(self) -> str:
        mark = "" if self.holds else " (DOES NOT HOLD)"
        found = f"{100 * self.share:.1f}{mark}" if self.n else "none given"
        return f"| {self.name} | {self.kind} {self.asked:g} | {found} | {self.n} | {self.note} |"


def analysed(folder: Path, capture: Path, sheet: Path | None = None) -> dict[str, Any]:
    """What `rig analyse --json` gives."""
    setup = load_setup(setup_toml(folder)).setup
    page = load_sheet(sheet).sheet if sheet else None
    ((_, recording),) = read_capture(capture, setup)
    return run_json(analyse(recording, setup, page))


def switching(
    logger: Logger, runs: int, folder: Path, seed: int, *, coil: bool = True
) -> Iterator[Row]:
    """The mean's interval about the truth, and acceptance 1 ms beyond a limit."""
    rng = np.random.default_rng(seed)
    inside = singles = wrong = 0
    widths = []
    path = folder / "capture.csv"
    for _ in range(runs):
        mean, sd = rng.uniform(40, 90), 10 ** rng.uniform(-1, 0.5)
        response = rng.normal(mean, sd, STROKES)
        release = rng.normal(35, sd, STROKES)
        changes = events_ms(response, release, PERIOD_MS, logger, rng, bounce=logger.step_ms < 0.5)
        if not coil:
            changes.pop("coil")
        write_switching(path, logger, changes, BEGINS_MS + PERIOD_MS * STROKES, rng)
        sheet = sheet_toml(
            folder, STROKES, {"figure": "response", "of": "mean", "max": f"{mean - 1} ms"}
        )
        found = analysed(folder, path, sheet)
        low, high = found["summary"]["response_ms"]["interval95"]
        inside += low <= mean <= high
        widths.append((high - low) / 2)
        one, got = found["budget"]["single_response_ms"], found["strokes"][0]["response_ms"]
        singles += abs(got + one["correction"] - response[0]) <= one["U"]
        wrong += found["verdict"]["result"] == "conforms"
    note = f"U {np.median(widths):.2g} ms"
    yield Row(f"mean response, {logger.name}", "at least", 95, inside, runs, note)
    yield Row(f"one response, {logger.name}", "at least", 95, singles, runs)
    yield Row(f"mean 1 ms beyond the limit conforms, {logger.name}", "at most", 5, wrong, runs)


WAVES = (
    ("no noise, 1 kHz", Wave(20), 1.0),
    ("readings of 5 kPa, 1 kHz", Wave(20, resolution_kpa=5.0), 1.0),
    ("noise 0.3 %, 1 kHz", Wave(20, noise=0.003), 1.0),
    ("noise 1 %, 1 kHz", Wave(20, noise=0.01), 1.0),
    ("noise 2 %, 5 kHz", Wave(20, noise=0.02), 0.2),
    ("noise 5 %, 5 kHz", Wave(20, noise=0.05), 0.2),
    ("noise 1 %, 1 kHz, slow", Wave(45, noise=0.01), 1.0),
    ("noise 2 %, 5 kHz, overshoot 16 %", Wave(12, zeta=0.5, noise=0.02), 0.2),
    ("ripple 4 % of 120 Hz, 2 kHz", Wave(7, ripple=0.04), 0.5),
    ("ripple 4 % and noise 1 %, 2 kHz", Wave(20, noise=0.01, ripple=0.04), 0.5),
)


def pressures(
    name: str, wave: Wave, step_ms: float, runs: int, folder: Path, seed: int, *,
    engine_rpm: float | None = None,
) -> Iterator[Row]:  # fmt: skip
    """Rise, delay, settling and overshoot against the closed form."""
    rng = np.random.default_rng(seed)
    truth, path = wave.truth(), folder / "pressure.csv"
    hits: dict[str, int] = dict.fromkeys(("rise_ms", "delay_50_ms", "settling_ms"), 0)
    given = dict.fromkeys(hits, 0)
    errors: dict[str, list[float]] = {figure: [] for figure in hits}
    strokes = over = 0
    uncertainty = {"rise_ms": "u_rise_ms", "delay_50_ms": "u_delay_ms",
                   "settling_ms": "u_settling_ms"}  # fmt: skip
    for _ in range(runs):
        write_pressure(path, wave, step_ms, 4, rng, engine_rpm=engine_rpm)
        for stroke in analysed(folder, path)["strokes"]:
            pressure, strokes = stroke["pressure"], strokes + 1
            for figure, u in uncertainty.items():
                if pressure[figure] is not None and pressure.get(u) is not None:
                    given[figure] += 1
                    away = pressure[figure] - truth[figure]
                    errors[figure].append(away)
                    hits[figure] += abs(away) <= 1.96 * pressure[u]
            shown = pressure["overshoot_pct"] or 0.0
            over += shown > truth["overshoot_pct"] + 2.0
    for figure in hits:
        spread = (
            f"rms {np.sqrt(np.mean(np.square(errors[figure]))):.2g} ms" if given[figure] else ""
        )
        note = f"{spread} of {truth[figure]:.3g}; given in {100 * given[figure] / strokes:.0f} %"
        yield Row(f"{figure[:-3]}, {name}", "at least", 95, hits[figure], given[figure], note)
    yield Row(f"overshoot shown 2 % too large, {name}", "at most", 5, over, strokes)


def chunk(make: Callable[..., Iterator[Row]], runs: int, seed: int) -> dict[str, tuple[int, int]]:
    """One chunk of a row, in a folder of its own."""
    with tempfile.TemporaryDirectory() as made:
        found = make(runs, Path(made), seed)
        return {
            f"{row.kind} {row.asked:g} | {row.name}": (int(row.hits), int(row.n)) for row in found
        }


def rows() -> dict[str, Any]:
    """Every situation by its name: (runs, seed) -> counts."""
    found: dict[str, Any] = {
        logger.name: partial(chunk, partial(switching, logger)) for logger in LOGGERS
    }
    for name, wave, step in WAVES:
        found[name] = partial(chunk, partial(pressures, name, wave, step))
    name, wave = "ripple 4 %, engine speed measured, 2 kHz", Wave(7, ripple=0.04)
    found[name] = partial(chunk, partial(pressures, name, wave, 0.5, engine_rpm=780.0))
    return more_captures.rows() | found


def table(path: Path) -> int:
    """Print what is kept; how many rows do not hold."""
    counts, _ = kept(path)
    print("| what should hold (percent) | asked | found | of | |\n|---|---|---|---|---|")
    broken = 0
    for asked, (held, of) in counts.items():
        limit, _, name = asked.partition(" | ")
        kind, _, share = limit.rpartition(" ")
        row = Row(name, kind, float(share), held, of)
        broken += not row.holds
        print(row)
    return broken


def main() -> int:
    """Fill the table and print it."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--runs", type=int, default=RUNS, help="of each row")
    asked.add_argument("--chunk", type=int, default=20, help="runs of a chunk")
    asked.add_argument("--keep", type=Path, help="file that chunks are appended to")
    asked.add_argument("--only", action="append", help="rows with this in their name; repeatable")
    asked.add_argument("--processes", type=int, default=0, help="0: one a processor")
    given = asked.parse_args()
    chosen = {name: row for name, row in rows().items()
              if any(text in name for text in given.only or [""])}  # fmt: skip
    with tempfile.TemporaryDirectory() as made:
        path = given.keep or Path(made) / "study.jsonl"
        fill(chosen, path, given.runs, given.chunk, given.processes)
        return 1 if table(path) else 0


if __name__ == "__main__":
    sys.exit(main())
