# SPDX-License-Identifier: MIT
"""How often does the diagnosis name the cause of a simulated rig, and how well does it know?

    python3 tests/studies/diagnosis.py --rigs 10            every wiring
    python3 tests/studies/diagnosis.py --rigs 4 --wiring "gauge behind" --walks 2 --picture

One run a rig. Every row is weighted by how common the knowledge takes each cause to be. Drawn runs
are kept in a folder, so that a study that was cut short goes on where it was. Simulated truth, not
field data.
"""

from __future__ import annotations

import argparse
import collections
import concurrent.futures
import json
import warnings
from pathlib import Path
from typing import NamedTuple

from answered_checks import Walked, at_random, in_fixed_order, states, walked_by_hand
from confusion_picture import confusion_svg
from diagnosed_rigs import KNOWN_GOOD, WIRINGS, causes_of, kept_rig

from rig.diagnosis.check_walk import by_information
from rig.diagnosis.diagnose import diagnose, wired_of
from rig.diagnosis.findings.collect import findings_of, together
from rig.diagnosis.knowledge.loading import load_knowledge
from rig.diagnosis.knowledge.model import SOUND, Knowledge

HELD_OUT = 1_000_003
"""Seeds from here on were never looked at while numbers were chosen."""
KEPT = Path(__file__).parent / "artefacts" / "rigs"
ORDERS = ("by information", "fixed order", "at random")


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
    walks: dict[str, Walked]


def told_of(wiring: str, cause: str, seed: int, walks: bool, folder: Path) -> Told:
    """Draw a rig, run it, diagnose it; then walk on with checks by hand, in each of the orders."""
    knowledge = load_knowledge()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        rig = kept_rig(wiring, cause, seed, folder)
        good = kept_rig(wiring, KNOWN_GOOD, seed, folder).run
    if rig.run is None:
        return Told(wiring, cause, rig.severity, True, [], {}, True, "", "", "", True, {}, {})
    found = diagnose(knowledge, [rig.run], None, good)
    odd = any(f.state != knowledge.shown(f.finding).states[0] for f in found.findings)
    ways = {}
    if walks:
        seen, can = together(findings_of(rig.run, good)).observed, states(rig.setup, seed)
        orders = (by_information(knowledge), in_fixed_order(knowledge), at_random(knowledge, seed))
        ways = {
            name: walked_by_hand(knowledge, seen, wired_of([rig.run]), can, order, cause)
            for name, order in zip(ORDERS, orders, strict=True)
        }
    return Told(
        wiring, cause, rig.severity, False, [(c.cause, c.probability) for c in found.causes],
        found.part, found.undecided is not None,
        found.next[0].begin_with if found.next else "", found.valve.result,
        rig.run.result.verdict.result, odd, {f.finding: f.state for f in found.findings}, ways,
    )  # fmt: skip


def _job(args: tuple[str, str, int, bool, Path]) -> Told:
    return told_of(*args)


def weights_of(knowledge: Knowledge) -> dict[str, float]:
    """How common each cause is taken to be, "none" included."""
    found = {cause.name: cause.weight for cause in knowledge.causes}
    found[SOUND] = knowledge.reasoning.sound_weight
    return found


def table(rows: list[Told], knowledge: Knowledge) -> dict[str, float]:
    """Weighted shares of one wiring, percent."""
    ran = [row for row in rows if not row.refused]
    of = _weights(ran, knowledge)

    def share(which: list[Told], among: list[Told] = ran) -> float:
        whole = sum(of[id(row)] for row in among)
        return 100.0 * sum(of[id(row)] for row in which) / whole if whole else 0.0

    def first(among: list[Told]) -> float:
        return share([r for r in among if r.ranked[0][0] == r.cause], among)

    def in_three(among: list[Told]) -> float:
        return share([r for r in among if r.cause in [n for n, _ in r.ranked[:3]]], among)

    sound = [r for r in ran if knowledge.part(r.cause) != "valve"]
    faulty = [r for r in ran if r.cause != SOUND]
    shows = [r for r in ran if r.cause == SOUND or r.odd]
    sure = [r for r in ran if not r.undecided]
    right = [r for r in ran if max(r.parts, key=lambda p: r.parts[p]) == knowledge.part(r.cause)]
    return {
        "rigs": len(ran), "refused": len(rows) - len(ran),
        "top1": first(ran), "top3": in_three(ran), "part": share(right),
        "shows_nothing": share([r for r in faulty if not r.odd], faulty),
        "top1_of_those_that_show": first(shows), "top3_of_those_that_show": in_three(shows),
        "cannot_tell": share([r for r in ran if r.undecided]),
        "right_when_told": first(sure),
        "calibration_error": 100.0 * sum(b.weight * abs(b.stated - b.true)
                                         for b in curve(ran, knowledge)),
        "sound_called_faulty": share([r for r in sound if r.valve == "does_not_conform"], sound),
        "faulty_conforms_nothing_odd": share(
            [r for r in faulty if r.verdict == "conforms" and not r.odd], faulty
        ),
    }  # fmt: skip


def _weights(ran: list[Told], knowledge: Knowledge) -> dict[int, float]:
    weights, count = weights_of(knowledge), collections.Counter(row.cause for row in ran)
    return {id(row): weights[row.cause] / count[row.cause] for row in ran}


class Bin(NamedTuple):
    """Rigs whose first cause is stated about alike: mean stated, true share, share of all rigs."""

    stated: float
    true: float
    weight: float
    rigs: int


def curve(ran: list[Told], knowledge: Knowledge, bins: int = 10) -> list[Bin]:
    """The calibration curve of the first cause, by weight (reliability diagram)."""
    of = _weights(ran, knowledge)
    total = sum(of.values())
    found = []
    for k in range(bins):
        inside = [r for r in ran if min(int(r.ranked[0][1] * bins), bins - 1) == k]
        mass = sum(of[id(r)] for r in inside)
        if inside:
            stated = sum(of[id(r)] * r.ranked[0][1] for r in inside) / mass
            true = sum(of[id(r)] for r in inside if r.ranked[0][0] == r.cause) / mass
            found.append(Bin(stated, true, mass / total, len(inside)))
    return found


def walked(rows: list[Told], knowledge: Knowledge) -> dict[str, dict[str, float]]:
    """By order of the checks: checks and minutes on average, and where it ended, percent."""
    ran = [row for row in rows if row.walks]
    of = _weights(ran, knowledge)
    total = sum(of.values())
    return {
        order: {
            "rigs": len(ran),
            "checks": sum(of[id(r)] * r.walks[order].checks for r in ran) / total,
            "minutes": sum(of[id(r)] * r.walks[order].minutes for r in ran) / total,
            "clear": 100.0 * sum(of[id(r)] for r in ran if r.walks[order].clear) / total,
            "right repair": 100.0 * sum(of[id(r)] for r in ran if r.walks[order].right) / total,
            "top1": 100.0 * sum(of[id(r)] for r in ran
                                if r.walks[order].ranked[0] == r.cause) / total,
            "top3": 100.0 * sum(of[id(r)] for r in ran
                                if r.cause in r.walks[order].ranked) / total,
        }
        for order in ORDERS
    } if ran else {}  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rigs", type=int, default=10, help="of each cause")
    parser.add_argument("--seed", type=int, default=HELD_OUT)
    parser.add_argument("--wiring", action="append", choices=WIRINGS)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--cause", action="append")
    parser.add_argument("--walks", type=int, default=0, help="rigs of each cause walked by hand")
    parser.add_argument("--kept", type=Path, default=KEPT, help="folder of drawn runs")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--causes", action="store_true", help="print a line a cause as well")
    parser.add_argument("--picture", action="store_true", help="draw the confusion matrix")
    options = parser.parse_args()
    knowledge = load_knowledge()
    names = options.cause or [SOUND, *(cause.name for cause in knowledge.causes)]
    kept: list[Told] = []
    with concurrent.futures.ProcessPoolExecutor(options.workers) as pool:
        for wiring in options.wiring or WIRINGS:
            can = causes_of(wiring)
            jobs = [
                (wiring, name, options.seed + n, n < options.walks, options.kept)
                for n in range(options.rigs)
                for name in names
                if name in can
            ]
            rows = list(pool.map(_job, jobs, chunksize=4))
            kept += rows
            _print(wiring, rows, knowledge)
            if options.causes:
                for name in names:
                    _line(name, [row for row in rows if row.cause == name])
            if options.picture:
                ran = [row for row in rows if not row.refused]
                svg = confusion_svg(names, [(r.cause, r.ranked[0][0]) for r in ran], wiring)
                name = f"confusion-{wiring.replace(', ', '-').replace(' ', '-')}.svg"
                (Path(__file__).parent / name).write_text(svg)
    if options.out:
        options.out.write_text(json.dumps([row._asdict() for row in kept]))


def _print(wiring: str, rows: list[Told], knowledge: Knowledge) -> None:
    shown = {key: round(value, 1) for key, value in table(rows, knowledge).items()}
    print(wiring, json.dumps(shown), flush=True)
    for one in curve([row for row in rows if not row.refused], knowledge):
        print(f"  stated {one.stated:.2f} true {one.true:.2f} of {one.rigs} rigs", flush=True)
    for order, figures in walked(rows, knowledge).items():
        print(f"  {order}", json.dumps({k: round(v, 1) for k, v in figures.items()}), flush=True)


def _line(name: str, rows: list[Told]) -> None:
    ran = [row for row in rows if not row.refused]
    first = sum(row.ranked[0][0] == name for row in ran)
    three = sum(name in [n for n, _ in row.ranked[:3]] for row in ran)
    said = collections.Counter(row.ranked[0][0] for row in ran).most_common(3)
    checks = collections.Counter(row.next_check for row in ran).most_common(2)
    print(f"  {name:26s} {first:3d} {three:3d} of {len(ran):3d}  {said}  next {checks}", flush=True)


if __name__ == "__main__":
    main()
