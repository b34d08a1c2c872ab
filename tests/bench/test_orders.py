# SPDX-License-Identifier: MIT
"""What a desk orders, and its silence: the coil goes off in the turn in which either is seen."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from bench_rig import SHEET, BeatingDesk, EdgesOnly, GaugeOnly, ScriptedRig, make_setup, run
from setups import make_sheet

from rig.bench.bench import Bench
from rig.core import messages
from rig.core.messages import Order
from rig.core.records import Command, Condition


class Ordering(BeatingDesk):
    """Says what the test puts there, and beats unless it is silent."""

    def __init__(self) -> None:
        super().__init__()
        self.silent = False
        self.waiting: list[Order] = []
        self.operator_gone = False  # type: ignore[misc]

    def poll(self) -> list[Order]:
        orders, self.waiting = self.waiting, []
        return orders if self.silent else [*orders, Order("beat")]


@pytest.fixture
def desk() -> Ordering:
    return Ordering()


@pytest.fixture
def rig() -> ScriptedRig:
    made = ScriptedRig(make_setup())
    made.edges, made.gauge = EdgesOnly(made), GaugeOnly(made)
    return made


@pytest.fixture
def bench(rig: ScriptedRig, desk: Ordering) -> Bench:
    made = Bench(rig.setup, rig, desk)
    assert not made.preflight().refused
    made.arm()
    return made


def stop(why: str) -> Callable[[Ordering], None]:
    return lambda desk: desk.waiting.append(Order("stop", why))


def leave(desk: Ordering) -> None:
    desk.operator_gone = True  # type: ignore[misc]


@pytest.mark.parametrize(
    ("do", "why"),
    [
        (stop("Ctrl-C"), "Ctrl-C"),
        (stop(""), "stopped by a person"),
        (lambda desk: desk.waiting.append(Order("quit", "not armed")), "not armed"),
        (leave, "the desk is gone"),
    ],
)
def test_an_order_to_stop_and_a_desk_that_is_gone_release_in_that_turn(
    bench: Bench, rig: ScriptedRig, desk: Ordering, do: Callable[[Ordering], None], why: str
) -> None:
    at_ns: list[int] = []

    def now() -> None:
        at_ns.append(rig.now_ns())
        do(desk)

    rig.after(350, now)  # the first stroke's coil is on
    end, trip = run(bench, rig)
    assert (end.reason, trip) == ("aborted", None)
    commands = [one for one in rig.records if isinstance(one, Command)]
    assert [one.on for one in commands] == [True, False]
    assert commands[1].t_ns - at_ns[0] <= 20e6, "by the next tick"
    (stopped,) = [one for one in rig.records if isinstance(one, Condition)]
    assert (stopped.kind, stopped.detail) == ("stopped", why)


def test_a_desk_silent_for_longer_than_the_link_time_ends_an_energised_run(
    bench: Bench, rig: ScriptedRig, desk: Ordering
) -> None:
    began_ns = rig.now_ns()

    def fall_silent() -> None:
        desk.silent = True

    rig.after(250, fall_silent)
    end, _ = run(bench, rig, on_time="1 s")
    off_ns = next(one.t_ns for one in rig.records if isinstance(one, Command) and not one.on)
    link_s = rig.setup.limits.link_time_s
    assert end.reason == "aborted"
    assert 0 < (off_ns - began_ns) / 1e9 - 0.25 - link_s <= 0.03
    (stopped,) = [one for one in rig.records if isinstance(one, Condition)]
    assert stopped.detail.startswith("desk silent for 0.3")


def test_nothing_is_energised_for_a_desk_that_is_silent_already(
    bench: Bench, rig: ScriptedRig, desk: Ordering
) -> None:
    """With the coil off a silence alone ends nothing; the next stroke does not begin."""
    desk.silent = True
    end, _ = run(bench, rig, settle_wait="1 s")
    assert end.reason == "aborted" and not any(one for one, _ in rig.log if one == "on")


def test_with_the_coil_off_a_silence_that_ends_in_time_ends_nothing(
    bench: Bench, rig: ScriptedRig, desk: Ordering
) -> None:
    def speak() -> None:
        desk.silent = False

    desk.silent = True
    rig.after(900, speak)
    end, _ = run(bench, rig, settle_wait="1 s")
    assert end.reason == "finished"


def test_a_beat_hands_the_recorders_report_to_the_interlock(
    bench: Bench, rig: ScriptedRig, desk: Ordering
) -> None:
    limits = rig.setup.limits
    rig.after(350, lambda: desk.waiting.append(Order("beat", lag_s=limits.recorder_lag_s + 1)))
    _, trip = run(bench, rig)
    assert trip is not None and trip.rule == "recorder behind"
    assert bench.orders.lag_s == 0.0, "the beats after it say that all is stored"


def test_what_the_bench_does_not_do_by_itself_waits_for_its_caller(
    bench: Bench, rig: ScriptedRig, desk: Ordering
) -> None:
    desk.waiting = [Order("arm", "page"), Order("start")]
    bench.orders.take(rig.now_ns())
    assert bench.orders.waiting == [Order("arm", "page"), Order("start")]
    assert bench.orders.stop_why is None and bench.orders.finish_why is None


@pytest.mark.parametrize(("why", "told"), [("decided", "decided"), ("", "the desk needs no more")])
def test_an_order_to_finish_says_why(
    bench: Bench, rig: ScriptedRig, desk: Ordering, why: str, told: str
) -> None:
    desk.waiting = [Order("finish", why)]
    bench.orders.take(rig.now_ns())
    assert bench.orders.finish_why is not None and bench.orders.finish_why.startswith(told)


def test_who_operates_hears_how_to_move_the_pressure(
    bench: Bench, rig: ScriptedRig, desk: Ordering
) -> None:
    bench.run(make_sheet(kind="ramp", ramps=1, low="50 kPa", high="150 kPa",
                         ramp_time_max="1 s", settle_wait="100 ms"), rig)  # fmt: skip
    told = [messages.read_telling(line.encode()) for line in desk.sent if line.startswith("{")]
    assert [one["instruction"] for one in told if one["tell"] == "guide"] == ["raise", "lower"]


def test_what_the_sink_holds_is_passed_on_every_turn_and_at_the_end(
    bench: Bench, rig: ScriptedRig
) -> None:
    kept: list[int] = []
    sheet = make_sheet(**SHEET | {"strokes": 1})
    end = bench.run(sheet, rig, lambda: kept.append(len(rig.records)))
    assert len(kept) > 10 and kept[-1] == len(rig.records) and rig.records[-1] == end


def test_a_trip_before_the_start_stands_in_the_record_and_nothing_is_energised(
    bench: Bench, rig: ScriptedRig
) -> None:
    bench.interlock.recorder_gone(rig.now_ns())
    end, trip = run(bench, rig)
    assert end.reason == "tripped" and trip in rig.records
    assert not any(one for one, _ in rig.log if one == "on")
