# SPDX-License-Identifier: MIT
"""Two rigs (or one rig before and after a change) on the same valves: do they agree?"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rig.analysis.compare.own_times import best_of_mean, measured
from rig.analysis.compare.run_values import run_number, values_of
from rig.analysis.stats.agreement import Agreement, limits_of_agreement
from rig.core.errors import UsageError
from rig.core.figures import short_names
from rig.core.json_values import plain
from rig.core.recording import Float
from rig.core.results.comparison import Agreement as AgreementJson
from rig.core.results.run import Result
from rig.core.rounding import ends, fixed, places, signed

FEWEST = 3


def pairs_of(first: Sequence[Result], second: Sequence[Result]) -> list[tuple[Result, Result]]:
    """Pair the runs of the same valve on both sides. Raises UsageError for a run without a valve, a
    valve that is not on both sides once, and fewer than FEWEST pairs."""
    sides: list[dict[str, Result]] = []
    for runs in (first, second):
        by_valve: dict[str, Result] = {}
        for one in runs:
            valve = one["valve"]
            if one["kind"] != "strokes" or valve is None:
                raise UsageError(f"Run {one['run']} is no run of strokes that names its valve.")
            if one.get("status") == "running":
                raise UsageError(f"Run {one['run']} still runs.")
            if valve in by_valve:
                raise UsageError(f"Runs {by_valve[valve]['run']} and {one['run']} are both of "
                                 f"{valve}; name each valve once on a side.")  # fmt: skip
            by_valve[valve] = one
        sides.append(by_valve)
    both = {run_number(one) for one in sides[0].values()} & {
        run_number(one) for one in sides[1].values()
    }
    if both:
        raise UsageError(f"Run {min(both)} is on both sides; it agrees with itself.")
    alone = sorted(set(sides[0]) ^ set(sides[1]))
    if alone:
        raise UsageError(f"{alone[0]} is on one side only; every valve needs a run on both.")
    if len(sides[0]) < FEWEST:
        raise UsageError(f"Agreement takes {FEWEST} valves or more, better ten; here it is "
                         f"{len(sides[0])}.")  # fmt: skip
    return [(sides[0][valve], sides[1][valve]) for valve in sides[0]]


def agreement_of(first: Sequence[Result], second: Sequence[Result]) -> AgreementJson:
    """Limits of agreement of the mean response and release as JSON. Raises UsageError, see
    pairs_of."""
    pairs = pairs_of(first, second)
    names = short_names()
    means = {name: [_means([pair[n] for pair in pairs], name) for n in (0, 1)] for name in names}
    found = {name: limits_of_agreement(*sides) for name, sides in means.items()}
    return {
        "pairs": [(one["run"], two["run"], one["valve"]) for one, two in pairs],
        "sources": sorted({one["source"] for pair in pairs for one in pair}),
        "means": {name: plain(np.transpose(sides).tolist()) for name, sides in means.items()},
        "figures": {name: one and plain(one) for name, one in found.items()},
        "words": [agreement_words(names[name], one) for name, one in found.items()]
        + [_subtracted(pairs)],
    }


def _means(results: Sequence[Result], name: str) -> Float:
    """The means of a side, (n,), as each rig gives them: less its own time where that was measured,
    as in its verdicts. What a rig does not know about itself stays in the difference, since two
    rigs used in place of each other would differ by it."""
    columns = (values_of(one, name) for one in results)
    means = [v.mean() if len(v := c[np.isfinite(c)]) else np.nan for c in columns]
    if all(map(measured, results)):
        both = zip(results, means, strict=True)
        means = [best_of_mean(name, one, float(mean)) for one, mean in both]
    return np.array(means)


def _subtracted(pairs: Sequence[tuple[Result, Result]]) -> str:
    """Which side has the rig's own times subtracted, in a sentence."""
    sides = [all(measured(pair[n]) for pair in pairs) for n in (0, 1)]
    if all(sides):
        return "The rigs' own times, as each was measured, are subtracted."
    if not any(sides):
        return "Times are as read: neither rig has measured its own times in all of these runs."
    which = "first" if sides[0] else "second"
    return (
        f"The own times of the {which} rig are subtracted, the other has not measured its own: "
        "they may be the difference."
    )


def agreement_words(name: str, found: Agreement | None) -> str:
    """What the limits say, in a sentence."""
    if found is None:
        return f"The {name} cannot be held together: fewer than {FEWEST} valves have it twice."
    low, high = found.bias_ci95
    half = 0.0 if low is None or high is None else (high - low) / 2
    between = ends(found.low, found.high)
    outer = [found.low_ci95.low, found.high_ci95.high]
    wide = "" if None in outer else " (with what {} pairs leave open: {} to {} ms)".format(
        found.n, *ends(outer[0] or 0.0, outer[1] or 0.0)
    )  # fmt: skip
    return (
        f"The second rig reads the {name} {signed(found.bias, places(half))} ms against the first "
        f"(plus or minus {fixed(half, places(half))} ms, 95 %). Of single valves 95 in 100 differ "
        f"by {between[0]} to {between[1]} ms{wide}: both may stand for one another where that does "
        "not matter."
    )
