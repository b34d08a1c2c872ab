# SPDX-License-Identifier: MIT
"""Readings on a terminal as a table updated in place, elsewhere as lines."""

from __future__ import annotations

import json
import sys
import time
from collections import deque
from typing import TYPE_CHECKING

import click

from rig.config.gauge.marks import named
from rig.core.reader_units import units
from rig.core.records import CHANNEL_UNITS, GOOD, Condition, Sample

if TYPE_CHECKING:
    from rich.table import Table

    from rig.desk.gauge_source import Item, Source

REDRAW_S = 0.2
RAW_PAUSE_NS = 30_000_000
"""Bytes closer together than this are shown together."""
RATE_OVER = 20
"""Readings used to compute the rate."""


def show(source: Source, where: str, *, as_json: bool, raw: bool, seconds: float | None) -> None:
    """Show readings until Ctrl-C, or for this long."""
    until = None if seconds is None else time.monotonic() + seconds
    try:
        if as_json or raw or not sys.stdout.isatty():
            _lines(source, where, until, as_json=as_json)
        else:
            _table(source, where, until)
    except KeyboardInterrupt:  # the normal end
        click.echo("", err=True)


def _lines(source: Source, where: str, until: float | None, *, as_json: bool) -> None:
    begin_ns = time.monotonic_ns()
    seen = 0
    heard: list[tuple[int, bytes]] = []
    if not as_json:
        click.echo(f"Gauge: {where}. Time in s, then channel, value, quality.", err=True)
    while until is None or time.monotonic() < until:
        items = source.read(0.02)
        heard += source.raw()
        if heard and (items or time.monotonic_ns() - heard[-1][0] > RAW_PAUSE_NS):
            data = b"".join(piece for _, piece in heard)
            at = f"{(heard[0][0] - begin_ns) / 1e9:9.3f}"
            click.echo(f"{at}  raw  {data.hex(' ')}  {named(data)}")
            heard.clear()
        for item in items:
            seen += isinstance(item, Sample)
            click.echo(_json(item) if as_json else _line(item, begin_ns))
        if items:
            sys.stdout.flush()
    if not as_json:
        click.echo(_summary(source, seen), err=True)


def _json(item: Item) -> str:
    if isinstance(item, Condition):
        return json.dumps({"condition": item.kind, "t_ns": item.t_ns, "detail": item.detail})
    return json.dumps(
        {
            "channel": item.channel, "value": item.value, "unit": CHANNEL_UNITS[item.channel],
            "t_ns": item.t_ns, "quality": item.quality,
        },
        allow_nan=False,
    )  # fmt: skip


def _line(item: Item, begin_ns: int) -> str:
    at = f"{(item.t_ns - begin_ns) / 1e9:9.3f}"
    if isinstance(item, Condition):
        return f"{at}  {item.kind}: {item.detail}"
    value = "-" if item.value is None else _reading(item.channel, item.value)
    return f"{at}  {item.channel}  {value}  {item.quality}"


def _reading(channel: str, value: float) -> str:
    si = CHANNEL_UNITS[channel]
    return f"{units().value(value, si):.5g} {units().unit(si)}"


def _summary(source: Source, seen: int) -> str:
    counts = source.counts
    parts = [f"{seen} readings"]
    if counts.rejected is not None:
        parts.append(f"{counts.rejected} frames rejected")
    if counts.unanswered is not None:
        parts.append(f"{counts.unanswered} requests unanswered")
    if counts.latency_ms is not None:
        parts.append(f"reply after {counts.latency_ms:.0f} ms")
    if not seen:
        parts.append(
            "nothing that can be believed: look at supply, cable, baud rate and pattern "
            "(--raw shows the bytes, --find PORT looks for itself)"
        )
    return "; ".join(parts) + "."


class Channels:
    """The latest reading of each channel, with its rate."""

    def __init__(self) -> None:
        self.last: dict[str, Sample] = {}
        self.good: dict[str, Sample] = {}
        self._times: dict[str, deque[int]] = {}
        self.seen = 0
        self.remark = ""

    def put(self, item: Item) -> None:
        if isinstance(item, Condition):
            self.remark = f"{item.kind}: {item.detail}"
            return
        self.seen += 1
        self.last[item.channel] = item
        if item.quality == GOOD:
            self.good[item.channel] = item
        self._times.setdefault(item.channel, deque(maxlen=RATE_OVER)).append(item.t_ns)

    def rate_hz(self, channel: str) -> float | None:
        times = self._times[channel]
        span = times[-1] - times[0]
        return (len(times) - 1) / (span / 1e9) if span > 0 else None


def _table(source: Source, where: str, until: float | None) -> None:
    from rich.console import Console, Group
    from rich.live import Live
    from rich.text import Text

    channels = Channels()
    with Live(
        console=Console(highlight=False, markup=False), auto_refresh=False, transient=False
    ) as live:
        drawn = 0.0
        while until is None or time.monotonic() < until:
            for item in source.read(0.05):
                channels.put(item)
            if time.monotonic() - drawn >= REDRAW_S:
                drawn = time.monotonic()
                below = [Text(_summary(source, channels.seen))]
                if channels.remark:
                    below.append(Text(channels.remark, overflow="ellipsis", no_wrap=True))
                live.update(Group(Text(f"Gauge: {where}"), _rows(channels), *below), refresh=True)


def _rows(channels: Channels) -> Table:
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    for title, side in (("channel", "left"), ("value", "right"), ("quality", "left"),
                        ("age", "right"), ("a second", "right")):  # fmt: skip
        table.add_column(title, justify="right" if side == "right" else "left")
    now_ns = time.monotonic_ns()
    for name, sample in channels.last.items():
        value = "-" if sample.value is None else _reading(name, sample.value)
        rate = channels.rate_hz(name)
        age_ms = (now_ns - sample.t_ns) / 1e6
        table.add_row(
            name, value, sample.quality if sample.quality == GOOD else f"! {sample.quality}",
            f"{age_ms:.0f} ms" if age_ms < 2000 else f"{age_ms / 1000:.1f} s OLD",
            "-" if rate is None else f"{rate:.1f}",
        )  # fmt: skip
    return table
