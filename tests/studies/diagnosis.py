# SPDX-License-Identifier: MIT
"""How often does the diagnosis name the cause of a simulated rig, and how well does it know?

    python3 tests/studies/diagnosis.py --rigs 30            the published table
    python3 tests/studies/diagnosis.py --rigs 4 --wiring "gauge behind"

One run of twenty strokes a rig, no checks by hand. Every row is weighted by how common the
knowledge takes each cause to be. Simulated truth, not field data.
"""

from __future__ import annotations

import argparse
import collections
import concurrent.futures
import json
import warnings
from pathlib import Path
from typing import NamedTuple

from diagnosed_rigs import WIRINGS, draw_rig, known_good

from rig.diagnosis.diagnose import diagnose
from rig.diagnosis.knowledge.loading import load_knowledge
from rig.diagnosis.knowledge.model import SOUND, Knowledge

HELD_OUT = 1_000_000
"""Seeds from here on were never looked at while numbers were chosen."""


class Told(NamedTuple):
    """What one rig came to. `states` are for looking at the knowledge."""

    wiring: str
    cause: str
    severity: float
    refused: bool
    ranked: list[tuple[str, float]]
    parts: dict[str, float]
    undecided: bool
    next_check: str
    valve: str
    verdict: str
    odd: bool
    states: dict[str, str]


def told_of(wiring: str, cause: str, seed: int) -> Told:
    """Draw a rig, run it, diagnose it."""
    knowledge = load_knowledge()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        rig = draw_rig(wiring, cause, seed)
        good = known_good(wiring)
    if rig.run is None:
        return Told(wiring, cause, rig.severity, True, [], {}, True, "", "", "", True, {})
    found = diagnose(knowledge, [rig.run], None, good)
    odd = any(f.state != knowledge.shown(f.finding).states[0] for f in found.findings)
    return Told(
        wiring, cause, rig.severity, False, [(c.cause, c.probability) for c in found.causes],
        found.part, found.undecided is not None,
        found.next[0].begin_with if found.next else "", found.valve.result,
        rig.run.result.verdict.result, odd, {f.finding: f.state for f in found.findings},
    )  # fmt: skip


def _job(args: tuple[str, str, int]) -> Told:
    return told_of(*args)


def weights_of(knowledge: Knowledge) -> dict[str, float]:
    """How common each cause is taken to be, "none" included."""
    found = {cause.name: cause.weight for cause in knowledge.causes}
    found[SOUND] = knowledge.reasoning.sound_weight
    return found


def table(rows: list[Told], knowledge: Knowledge) -> dict[str, float]:
    """Weighted shares of one wiring, percent."""
    weights = weights_of(knowledge)
    ran = [row for row in rows if not row.refused]
    count = collections.Counter(row.cause for row in ran)
    of = {id(row): weights[row.cause] / count[row.cause] for row in ran}
    total = sum(of.values())

    def share(which: list[Told], whole: float = total) -> float:
        return 100.0 * sum(of[id(row)] for row in which) / whole if whole else 0.0

    sound = [r for r in ran if knowledge.part(r.cause) != "valve"]
    sound_total = sum(of[id(row)] for row in sound)
    faulty = [r for r in ran if r.cause != SOUND]
    faulty_total = sum(of[id(row)] for row in faulty)
    sure = [r for r in ran if not r.undecided]
    return {
        "rigs": len(ran), "refused": len(rows) - len(ran),
        "top1": share([r for r in ran if r.ranked[0][0] == r.cause]),
        "top3": share([r for r in ran if r.cause in [n for n, _ in r.ranked[:3]]]),
        "part": share([r for r in ran if max(r.parts, key=lambda p: r.parts[p])
                       == knowledge.part(r.cause)]),
        "cannot_tell": share([r for r in ran if r.undecided]),
        "right_when_told": share([r for r in sure if r.ranked[0][0] == r.cause],
                                 sum(of[id(r)] for r in sure)),
        "calibration_error": 100.0 * calibration(ran, of),
        "sound_called_faulty": share([r for r in sound if r.valve == "does_not_conform"],
                                     sound_total),
        "faulty_conforms_nothing_odd": share(
            [r for r in faulty if r.verdict == "conforms" and not r.odd], faulty_total
        ),
    }  # fmt: skip


def calibration(rows: list[Told], of: dict[int, float], bins: int = 10) -> float:
    """Expected calibration error over the stated probabilities of all causes named: the mean
    distance of stated from true share over ten bins, by weight."""
    stated = [0.0] * bins
    true = [0.0] * bins
    mass = [0.0] * bins
    for row in rows:
        name, p = row.ranked[0]
        k = min(int(p * bins), bins - 1)
        w = of[id(row)]
        mass[k] += w
        stated[k] += w * p
        true[k] += w * (name == row.cause)
    return sum(abs(s - t) for s, t in zip(stated, true, strict=True)) / sum(mass)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rigs", type=int, default=30)
    parser.add_argument("--seed", type=int, default=HELD_OUT)
    parser.add_argument("--wiring", action="append", choices=WIRINGS)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--cause", action="append")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--causes", action="store_true", help="print a line a cause as well")
    options = parser.parse_args()
    knowledge = load_knowledge()
    names = options.cause or [SOUND, *(cause.name for cause in knowledge.causes)]
    kept: list[Told] = []
    with concurrent.futures.ProcessPoolExecutor(options.workers) as pool:
        for wiring in options.wiring or WIRINGS:
            jobs = [(wiring, name, options.seed + n) for name in names for n in range(options.rigs)]
            rows = list(pool.map(_job, jobs, chunksize=4))
            kept += rows
            shown = {k: round(v, 1) for k, v in table(rows, knowledge).items()}
            print(wiring, json.dumps(shown), flush=True)
            if options.causes:
                for name in names:
                    _line(name, [row for row in rows if row.cause == name])
    if options.out:
        options.out.write_text(json.dumps([row._asdict() for row in kept]))


def _line(name: str, rows: list[Told]) -> None:
    ran = [row for row in rows if not row.refused]
    first = sum(row.ranked[0][0] == name for row in ran)
    three = sum(name in [n for n, _ in row.ranked[:3]] for row in ran)
    said = collections.Counter(row.ranked[0][0] for row in ran).most_common(3)
    checks = collections.Counter(row.next_check for row in ran).most_common(2)
    print(f"  {name:26s} {first:3d} {three:3d} of {len(ran):3d}  {said}  next {checks}", flush=True)


if __name__ == "__main__":
    main()
