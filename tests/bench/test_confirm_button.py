# SPDX-License-Identifier: MIT
"""From a page nothing is armed unless somebody at the rig pressed the confirm button before."""

from __future__ import annotations

import pytest
from bench_rig import LoopOnly, ScriptedRig, make_bench

from rig.bench.bench import Bench
from rig.bench.confirm import CONFIRM_NS
from rig.bench.states import State
from rig.core.errors import RefusedError


def ready() -> tuple[Bench, ScriptedRig, LoopOnly]:
    _, rig = make_bench(confirm_input={"line": 16})
    button = LoopOnly()
    button.closed = False
    rig.loops["confirm_input"] = button
    bench = Bench(rig.setup, rig)
    assert not bench.preflight().refused
    bench.idle()
    return bench, rig, button


def pressed() -> tuple[Bench, ScriptedRig, LoopOnly]:
    """Pressed once and let go, and armed from a page."""
    bench, rig, button = ready()
    for closed in (True, False):
        button.closed = closed
        bench.idle()
    bench.arm(from_page=True)
    return bench, rig, button


def test_unpressed_it_is_refused_from_a_page_and_not_from_a_terminal() -> None:
    bench, _, _ = ready()
    with pytest.raises(RefusedError, match="press the confirm button"):
        bench.arm(from_page=True)
    assert bench.states.state is State.READY
    bench.arm()
    assert bench.states.state is State.ARMED


def test_pressed_a_moment_ago_it_is_armed() -> None:
    bench, _, _ = pressed()
    assert bench.states.state is State.ARMED


def test_one_press_is_for_one_arming_and_a_stuck_button_for_none() -> None:
    bench, rig, button = pressed()
    button.closed = True
    for _ in range(3):  # it stays closed: jammed, or its wires touch
        bench.idle()
    until = rig.now_ns() + 600_000_000_000
    while bench.states.state is State.ARMED and rig.now_ns() < until:
        bench.idle()  # arming expires
    assert bench.states.state is State.READY
    with pytest.raises(RefusedError, match="closed all the time"):
        bench.arm(from_page=True)


def test_pressed_long_ago_it_is_refused() -> None:
    bench, rig, button = ready()
    button.closed = True
    bench.idle()
    button.closed = False
    until = rig.now_ns() + CONFIRM_NS + 1_000_000_000
    while rig.now_ns() < until:
        bench.idle()
    assert bench.states.state is State.READY
    with pytest.raises(RefusedError):
        bench.arm(from_page=True)


def test_a_press_that_is_held_confirms_nothing_until_let_go_and_only_from_its_begin() -> None:
    bench, rig, button = ready()
    button.closed = True
    bench.idle()
    with pytest.raises(RefusedError, match="let go"):
        bench.arm(from_page=True)
    button.closed = False
    bench.idle()
    button.closed = True
    bench.idle()
    until = rig.now_ns() + CONFIRM_NS + 1_000_000_000
    while rig.now_ns() < until:  # jammed for longer than a press counts
        bench.idle()
    button.closed = False
    bench.idle()
    with pytest.raises(RefusedError):
        bench.arm(from_page=True)


def test_where_none_is_wired_a_page_arms_as_before() -> None:
    bench, _ = make_bench()
    if bench.states.state is not State.READY:
        assert not bench.preflight().refused
    bench.arm(from_page=True)
    assert bench.states.state is State.ARMED
