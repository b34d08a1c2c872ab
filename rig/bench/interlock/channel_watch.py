# SPDX-License-Identifier: MIT
"""The interlock's view of every channel except pressure, and of blocks of fast readings."""

from __future__ import annotations

import functools
import itertools
from collections import Counter
from collections.abc import Callable

from rig.bench.interlock import sensor_rules
from rig.bench.interlock.registry import RULES
from rig.bench.interlock.rule import Finding
from rig.config.analog.channels import sources, stale_s
from rig.config.analog.signal import OUT_OF_RANGE
from rig.config.setup.model import Setup
from rig.core.records import GOOD, Block, Sample

NS = 1_000_000_000
PEAKS = ("cylinder_pressure",)
"""Channels judged by their highest reading; the others by the mean of a block, so that one wild
reading from a spark trips nothing."""
MEAN_NS = NS // 10
"""Readings of a fast pressure transducer are averaged over this time for the rules on its course
(rate, stuck, implausible): its ripple is not a rise. The limit applies to the mean of every block.
"""


def as_sample(block: Block) -> Sample:
    """One reading for a whole block, at its last instant.

    Readings at the end of the range count with the good ones: a peak that the converter could not
    follow is still a peak. The quality is "good" if at least half of the block is, else the most
    frequent of the others: a transducer in its fault band for most of a block is reported as that.
    """
    ends = [run[0] for run in block.runs[1:]] + [len(block.codes)]
    spans = [(a, b, q) for (a, q), b in zip(block.runs, ends, strict=True)]
    t_ns = block.t_ns + sum(block.steps_ns)
    codes = list(
        itertools.chain.from_iterable(
            block.codes[a:b] for a, b, q in spans if q in (GOOD, OUT_OF_RANGE)
        )
    )
    if not codes:
        return Sample(block.channel, None, t_ns, spans[-1][2])
    many: Counter[str] = Counter()
    for begin, end, said in spans:
        many[said] += end - begin
    good = many.pop(GOOD, 0)
    # the scale may be negative, so look for a peak among the readings
    values = [block.offset + block.scale * code for code in codes]
    value = max(values) if block.channel in PEAKS else sum(values) / len(values)
    quality = GOOD if 2 * good >= len(block.codes) else many.most_common(1)[0][0]
    return Sample(block.channel, value, t_ns, quality)


class Averager:
    """Means of a fast channel over MEAN_NS, as a slow gauge would send them."""

    def __init__(self) -> None:
        self._values: list[float] = []
        self._since_ns: int | None = None

    def add(self, sample: Sample) -> Sample | None:
        """Add a block's reading; returns the mean once complete. A reading that is not good passes
        through."""
        if sample.quality != GOOD or sample.value is None:
            self._values, self._since_ns = [], None
            return sample
        if self._since_ns is None:
            self._since_ns = sample.t_ns
        self._values.append(sample.value)
        if sample.t_ns - self._since_ns < MEAN_NS:
            return None
        mean = sum(self._values) / len(self._values)
        self._values, self._since_ns = [], None
        return sample._replace(value=mean)


class ChannelWatch:
    """Limits on the channels other than pressure, and the age of those that are watched."""

    def __init__(self, setup: Setup) -> None:
        self._rules = _limits(setup)
        given = sources(setup)
        self._stale_s = {
            channel: age_s
            for channel in self._rules
            if channel in given and (age_s := stale_s(setup, channel)) is not None
        }
        self._good_ns: dict[str, int] = {}

    def has_limit(self, channel: str) -> bool:
        """Whether the setup sets a limit on the channel."""
        return channel in self._rules

    def start(self, now_ns: int) -> None:
        """Start: a channel with no reading yet ages from here."""
        for channel in self._stale_s:
            self._good_ns.setdefault(channel, now_ns)

    def see(self, sample: Sample) -> list[Finding]:
        """Judge a reading against its limits. One without a value is not believed and does not make
        the channel fresh."""
        if sample.quality == GOOD:
            self._good_ns[sample.channel] = sample.t_ns
        rules = self._rules.get(sample.channel)
        if rules is None or sample.value is None:
            return []
        return [found for rule in rules if (found := rule(sample.value)) is not None]

    def tick(self, now_ns: int) -> list[Finding]:
        """Watched channels that have gone silent."""
        found = []
        for channel, limit_s in self._stale_s.items():
            good_ns = self._good_ns.get(channel)
            if good_ns is not None:
                age_s = (now_ns - good_ns) / NS
                found.append(sensor_rules.channel_stale(channel, age_s, limit_s))
        return [finding for finding in found if finding is not None]


def _limits(setup: Setup) -> dict[str, list[Callable[[float], Finding | None]]]:
    """The rules of each channel with a limit."""
    rules: dict[str, list[Callable[[float], Finding | None]]] = {}
    for rule in RULES:
        limits, judge = rule.set_limits(setup), rule.judge
        if judge is not None and any(limit is not None for limit in limits):
            rules.setdefault(rule.channel, []).append(functools.partial(_judge, judge, limits))
    return rules


def _judge(
    judge: Callable[..., Finding | None], limits: list[float | None], value: float
) -> Finding | None:
    return judge(value, *limits)
