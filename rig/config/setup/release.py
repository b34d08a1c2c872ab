# SPDX-License-Identifier: MIT
"""What switching a coil off needs of a setup, read without the setup's model.

`rig safe` runs at every boot, and on a small board the models take seconds to load.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Literal, NamedTuple, cast

from rig.core.json_values import JsonObject
from rig.core.quantities import QuantityError, parse
from rig.physics.feed import FeedSide

Pull = Literal["up", "down", "external"]
CHIP = "pinctrl-rp1"
PULL: Pull = "external"
VOLTAGE_READS: Literal["low", "high"] = "high"
READBACK_DELAY_S = 0.060


class Readback(NamedTuple):
    """The read-back input, and the level (0 or 1) it has while coil current can flow."""

    line: int
    pull: Pull
    live_level: int
    delay_s: float
    feed_side: FeedSide


def coil_live_level(voltage_reads: str, feed_side: FeedSide) -> int:
    """Feed side supply: the load terminal carries voltage while the coil is live. Feed side ground:
    it is the coil's lower end, which the relay pulls to ground."""
    level = int(voltage_reads == "high")
    return level if feed_side == "supply" else 1 - level


def readback_of(plan: JsonObject) -> Readback | None:
    """The read-back of a resolved setup; None without one, or where the plan is damaged."""
    try:
        wired, side = plan["readback"], plan["coil"]["feed_side"]
        line, pull, reads = wired["line"], wired["pull"], wired["voltage_reads"]
        delay_s = plan["limits"]["readback_delay_s"]
        whole = type(line) is int and line >= 0 and 0 < delay_s < math.inf
    except (KeyError, TypeError):
        return None
    if not whole or side not in ("supply", "ground") or reads not in ("low", "high"):
        return None
    if pull not in ("up", "down", "external"):
        return None
    return Readback(line, pull, coil_live_level(reads, side), float(delay_s), side)


class RelayLine(NamedTuple):
    """The relay line that a setup names, and of its resolved values those of `readback_of`."""

    backend: str
    chip: str
    line: int
    plan: JsonObject


def relay_line(data: JsonObject) -> RelayLine | None:
    """The relay line of a setup as written in its file; None where that takes the model to say.

    A line that another table names too is not given: it may not be the relay's.
    """
    try:
        backend, line = data["backend"], data["relay"]["line"]
        chip = data.get("chip", CHIP)
        others = [number for name, table in data.items() if name != "relay"
                  for number in _lines(table)]  # fmt: skip
        readback = dict(data["readback"]) if "readback" in data else None
        delay = data.get("limits", {}).get("readback_delay")
        delay_s = READBACK_DELAY_S if delay is None else parse(delay, "time")
        coil = {"feed_side": data["coil"]["feed_side"]}
    except (KeyError, TypeError, AttributeError, ValueError, QuantityError):
        return None
    if backend not in ("board", "simulated") or not (isinstance(chip, str) and chip):
        return None
    if type(line) is not int or line < 0 or line in others:
        return None
    wired = None if readback is None else {"pull": PULL, "voltage_reads": VOLTAGE_READS, **readback}
    plan = {"coil": coil, "readback": wired, "limits": {"readback_delay_s": delay_s}}
    if wired is not None and readback_of(plan) is None:
        return None
    return RelayLine(backend, chip, line, plan)


def _lines(table: Any) -> Iterator[object]:
    """Every GPIO line that a table names, at any depth."""
    if isinstance(table, dict):
        for key, value in cast("dict[str, Any]", table).items():
            if key == "line" or key.endswith("_line"):
                yield value
            yield from _lines(value)
    elif isinstance(table, list):
        for item in table:
            yield from _lines(item)
