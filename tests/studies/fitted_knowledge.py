# SPDX-License-Identifier: MIT
"""What training rigs show of each cause, and what causes.toml would have to say of it.

    python3 tests/studies/fitted_knowledge.py --seeds 1 15             what it would change
    python3 tests/studies/fitted_knowledge.py --seeds 1 15 --write     change it

Kept runs only (see diagnosis.py), and never a held-out seed. What the file says now counts as much
as some rigs of each cause. A reason is never written by this: a finding that a cause shows and the
file leaves out is named, for a person to add with a reason.
"""

from __future__ import annotations

import argparse
import collections
import re
from pathlib import Path

import numpy as np
from diagnosed_rigs import KNOWN_GOOD, WIRINGS, _program, causes_of, kept_rig
from diagnosis import HELD_OUT, KEPT

from rig.diagnosis.findings.collect import findings_of, together
from rig.diagnosis.knowledge.loading import load_knowledge
from rig.diagnosis.knowledge.model import Knowledge
from rig.diagnosis.posterior import table_of

FILE = Path(__file__).parents[2] / "rig/diagnosis/knowledge/causes.toml"
NOW_COUNTS = 10.0
"""Rigs of each cause that the file's numbers stand for."""
LEFT_OUT_BITS = 0.25
"""A finding left out is named where the training rigs differ so much from a sound one, per rig."""

Counts = dict[tuple[str, str], np.ndarray]


def counted(knowledge: Knowledge, seeds: range, kept: Path) -> Counts:
    """Rigs by (cause, finding) and state. A finding between two states counts for both, as its
    chances and the present numbers have it (one step of expectation and maximisation)."""
    table = table_of(knowledge)
    counts: Counts = {}
    for wiring in WIRINGS:
        there = kept / _program() / wiring
        for seed in seeds:
            if not (there / KNOWN_GOOD / f"{seed}.pickle.xz").exists():
                continue
            good = kept_rig(wiring, KNOWN_GOOD, seed, kept).run
            for cause in sorted(causes_of(wiring)):
                if not (there / cause / f"{seed}.pickle.xz").exists():
                    continue
                run = kept_rig(wiring, cause, seed, kept).run
                if run is None:
                    continue
                for name, several in together(findings_of(run, good)).observed.items():
                    states = knowledge.shown(name).states
                    chances = np.array([several[0].chances.get(state, 0.0) for state in states])
                    now = table.states[name][table.names.index(cause)]
                    share = chances * now / max(float(chances @ now), 1e-12)
                    counts[cause, name] = counts.get((cause, name), np.zeros(len(states))) + share
    return counts


def percents(chances: np.ndarray) -> list[int]:
    """Whole percent that add up to 100 (largest remainders)."""
    exact = 100.0 * chances / chances.sum()
    whole = np.floor(exact).astype(int)
    for place in np.argsort(whole - exact)[: 100 - int(whole.sum())]:
        whole[place] += 1
    return [int(one) for one in whole]


def proposed(knowledge: Knowledge, counts: Counts) -> dict[tuple[str, str], str]:
    """The states of each entry of the file, as it writes them."""
    found = {}
    for cause in knowledge.causes:
        for name, effect in cause.shows.items():
            seen = counts.get((cause.name, name))
            if seen is None:
                continue
            states = knowledge.shown(name).states
            now = np.array([effect.chances.get(state, 0.0) for state in states])
            rows = zip(states, percents(NOW_COUNTS * now + seen), strict=True)
            found[cause.name, name] = ", ".join(f"{state} = {p}" for state, p in rows if p)
    return found


def left_out(knowledge: Knowledge, counts: Counts) -> list[str]:
    """Findings that a cause changes and its table does not have."""
    lines = []
    for (name, finding), seen in counts.items():
        cause = knowledge.cause(name)
        if cause is None or finding in cause.shows or seen.sum() < 3:
            continue
        states = knowledge.shown(finding).states
        sound = np.array([knowledge.shown(finding).sound[state] for state in states])
        share = (seen + sound) / (seen.sum() + 1.0)
        bits = float(share @ np.log2(share / sound))
        if bits > LEFT_OUT_BITS:
            rows = zip(states, percents(seen + 3 * sound), strict=True)
            now = ", ".join(f"{state} = {p}" for state, p in rows if p)
            lines.append(f"{bits:.2f} bits  {name}: shows.{finding} = {{ {now}, because = ... }}")
    return sorted(lines, reverse=True)


def rewritten(text: str, rows: dict[tuple[str, str], str]) -> str:
    """The file with these states; reasons and everything else stay."""
    blocks = re.split(r"(?m)^(?=\[\[cause\]\])", text)
    for n, block in enumerate(blocks):
        named = re.search(r'(?m)^name = "(.*)"', block)
        for (cause, finding), states in rows.items():
            if named and named[1] == cause:
                line = rf"(?m)^(shows\.{finding} = \{{ ).*?(, because)"
                blocks[n] = re.sub(line, rf"\g<1>{states}\g<2>", blocks[n])
    return "".join(blocks)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs=2, required=True)
    parser.add_argument("--kept", type=Path, default=KEPT)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    if options.seeds[1] > min(HELD_OUT, 1_000_000):
        parser.error("seeds from 1000000 on are held out")
    knowledge = load_knowledge()
    counts = counted(knowledge, range(*options.seeds), options.kept)
    rows = proposed(knowledge, counts)
    of = collections.Counter(
        {name: int(n.sum()) for (name, f), n in counts.items() if f == "switch"}
    )
    print("rigs:", dict(of))
    for (name, finding), seen in counts.items():
        if name == "none":
            states = knowledge.shown(finding).states
            print(f"sound {finding}:", dict(zip(states, seen.round(1).tolist(), strict=True)))
    print("\n".join(left_out(knowledge, counts)))
    text = FILE.read_text()
    if options.write:
        FILE.write_text(rewritten(text, rows))
    else:
        for (name, finding), states in rows.items():
            print(f"{name}: shows.{finding} = {{ {states} }}")


if __name__ == "__main__":
    main()
