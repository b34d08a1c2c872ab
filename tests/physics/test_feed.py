# SPDX-License-Identifier: MIT
"""The truth tables of both feed sides, against a little resistor network and their own print."""

from __future__ import annotations

import re

import numpy as np
import pytest

from rig.physics import feed

SIDES: tuple[feed.FeedSide, ...] = ("supply", "ground")

OPEN = 1e-12
SHUT = 1e3


def network(side: feed.FeedSide, on: bool, fault: str) -> tuple[float, float]:
    """Voltage at the load terminal and coil current, from Kirchhoff's current law.

    12 V, fuse and contacts 1 mohm, coil 20 ohm, read-back input 10 kohm to ground. Nodes: 0 after
    the fuse, 1 coil's upper end, 2 coil's lower end.
    """
    closed = on or fault == "contact welded"
    fuse = OPEN if fault == "fuse open" else SHUT
    coil = OPEN if fault == "coil unplugged" else 1.0 / 20.0
    vehicle = SHUT if fault == "driven by the vehicle" else OPEN
    contact = SHUT if closed else OPEN
    g = np.zeros((3, 3))
    feed_in = np.zeros(3)

    def join(a: int, b: int, conductance: float) -> None:
        g[a, a] += conductance
        g[b, b] += conductance
        g[a, b] -= conductance
        g[b, a] -= conductance

    def to(a: int, volt: float, conductance: float) -> None:
        g[a, a] += conductance
        feed_in[a] += conductance * volt

    to(0, 12.0, fuse)
    join(1, 2, coil)
    if side == "supply":
        join(0, 1, contact)
        to(1, 12.0, vehicle)
        to(2, 0.0, SHUT)
        load = 1
    else:
        join(0, 1, SHUT)
        to(2, 0.0, contact)
        to(2, 0.0, vehicle)
        load = 2
    to(load, 0.0, 1e-4)
    v = np.linalg.solve(g, feed_in)
    return float(v[load]), float((v[1] - v[2]) * coil)


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("on", [False, True])
@pytest.mark.parametrize("fault", feed.FAULTS)
def test_against_kirchhoff(side: feed.FeedSide, on: bool, fault: str) -> None:
    state = feed.feed_state(side, on, fault)
    volt, amp = network(side, on, fault)
    assert state.voltage_present == (volt > 6.0)
    assert state.coil_live == (amp > 0.1)
    assert state.reads_live == (state.voltage_present == (side == "supply"))


@pytest.mark.parametrize("side", SIDES)
def test_the_printed_table_is_the_computed_one(side: feed.FeedSide) -> None:
    text = (feed.__doc__ or "").split(f"Feed side {side}: live")[1]
    printed = [
        tuple(cell.strip() for cell in row.strip("|").split("|"))
        for row in re.findall(r"^\| [^-s].*\|$", text.split("Feed side")[0], re.M)
    ]
    computed = [
        (
            state.fault.replace("the ", "").replace("none", "")
            + (", " if state.fault != "none" else "")
            + ("on" if state.commanded_on else "off"),
            "yes" if state.voltage_present else "no",
            "yes" if state.coil_live else "no",
            ("live" if state.reads_live else "dead")
            + (" (wrong)" if state.reads_live != state.coil_live else ""),
        )
        for state in feed.truth_table(side)
    ]
    assert printed == computed


@pytest.mark.parametrize("side", SIDES)
def test_a_live_coil_is_never_read_as_dead(side: feed.FeedSide) -> None:
    for state in feed.truth_table(side):
        assert state.reads_live or not state.coil_live


def test_unknown_fault() -> None:
    with pytest.raises(ValueError, match="known are none, fuse open"):
        feed.feed_state("supply", True, "gremlins")
