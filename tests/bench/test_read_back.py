# SPDX-License-Identifier: MIT
"""The interlock and the read-back: edges lost, a source that is dead or chatters, and what may
still be confirmed."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest
from bench_rig import MS, SETUP, ScriptedRig, make_bench, make_setup, run

from rig.bench.bench import TAIL_NS
from rig.bench.interlock.interlock import Interlock
from rig.bench.interlock.rule import TICK_S
from rig.bench.status_message import StatusTeller
from rig.core import records as rec


@pytest.mark.parametrize(
    ("looks", "off"), [([1, 1, 0, 1, 0, 0], "confirmed off"), ([1, 0, 1, 0] * 200, "still live")]
)
def test_one_dead_look_in_a_chatter_confirms_nothing(looks: list[int], off: str) -> None:
    bench, rig = make_bench()
    live, looked = rig.setup.coil_live_level, iter(looks)
    levels = rig.edges.level

    def level(line: str) -> int:
        if line != "readback":
            return levels(line)
        shown = live if next(looked, looks[-1]) else 1 - live
        bench.interlock.see_edge(rec.Edge("readback", shown, rig.clock.now_ns(), 1, "plant"))
        return shown

    for _ in range(2):  # it agreed before
        bench.interlock.tick(rig.clock.now_ns(), {"readback": 1 - live})
    rig.edges.level = level  # type: ignore[method-assign]
    assert bench._off_state() == off


@pytest.mark.parametrize(("stays", "off"), [(True, "confirmed off"), (False, "still live")])
def test_a_relay_that_lets_go_just_at_its_delay_gets_its_second_look(stays: bool, off: str) -> None:
    """The first dead look comes with the last of the allowed delay."""
    bench, rig = make_bench()
    live, levels = rig.setup.coil_live_level, rig.edges.level
    for _ in range(2):  # it agreed before
        bench.interlock.tick(rig.clock.now_ns(), {"readback": 1 - live})
    until_ns = rig.clock.now_ns() + round(rig.setup.limits.readback_delay_s * 1e9)

    def level(line: str) -> int:
        if line != "readback":
            return levels(line)
        now_ns = rig.clock.now_ns()
        dead = now_ns >= until_ns if stays else now_ns == until_ns
        shown = 1 - live if dead else live
        bench.interlock.see_edge(rec.Edge("readback", shown, now_ns, 1, "plant"))
        return shown

    rig.edges.level = level  # type: ignore[method-assign]
    assert bench._off_state() == off


def test_the_ground_side_confirms_off_only_as_far_as_its_read_back_reaches() -> None:
    bench, rig = make_bench(coil={**SETUP["coil"], "feed_side": "ground"})
    dead = 1 - rig.setup.coil_live_level
    rig.edges.level = lambda line: dead  # type: ignore[method-assign]
    assert bench._off_state() == rec.CONFIRMED_OFF_GROUND


def test_load_dead_although_commanded_on() -> None:
    bench, rig = make_bench()
    rig.follow = False
    end, trip = run(bench, rig)
    assert trip is not None and trip.rule == "read-back disagreeing"
    assert "stays dead" in trip.message
    assert end.off == "commanded off, not confirmed"  # a read-back found wrong confirms nothing


def test_welded_contact_is_still_live() -> None:
    bench, rig = make_bench()

    def weld() -> None:
        rig.follow = False

    rig.after(350, weld)  # the first release no longer opens the contact
    end, trip = run(bench, rig)
    assert trip is not None and trip.rule == "read-back disagreeing"
    assert "contact welded" in trip.message
    assert end.off == "still live"


def test_after_a_trip_the_watchdog_goes_unfed_for_the_tail_and_the_read_backs_delay() -> None:
    """What the unit's WatchdogSec is reckoned from: a contact welded, and the longest delay that a
    setup may have (rig.config.ranges)."""
    bench, rig = make_bench(limits={**SETUP["limits"], "readback_delay": "1 s"})
    fed: list[int] = []
    bench._feed = fed.append

    def weld() -> None:
        rig.follow = False

    rig.after(350, weld)
    rig.after(400, lambda: rig.sample(900.0))  # over the limit, the coil still on
    end, trip = run(bench, rig)
    assert trip is not None and (trip.rule, end.off) == ("over-pressure", "still live")
    unfed_ns = end.t_ns - fed[-1]
    assert TAIL_NS + 1000 * MS <= unfed_ns <= TAIL_NS + 1050 * MS


def test_ground_side_says_what_it_cannot_tell() -> None:
    coil = {"feed_side": "ground", "supply_voltage": "12 V", "fuse": "3 A", "resistance": "14 ohm"}
    bench, rig = make_bench(coil=coil)
    rig.after(220, lambda: setattr(rig, "follow", False))
    _, trip = run(bench, rig)
    assert trip is not None and "cannot be told" in trip.message


def test_silent_edge_source_is_caught_on_the_first_stroke() -> None:
    bench, rig = make_bench(readback=None)
    rig.silent_edges = True
    end, trip = run(bench, rig)
    assert trip is not None and trip.rule == "edge source lost"
    assert end.off == "commanded off, not confirmed"
    assert sum(what == "on" for what, _ in rig.log) == 1


def test_edge_source_that_raises_trips_and_the_run_is_kept() -> None:
    bench, rig = make_bench()
    rig.after(350, lambda: setattr(rig, "closed", True))
    end, trip = run(bench, rig)
    assert trip is not None and trip.rule == "edge source lost"
    assert end.off == "commanded off, not confirmed"


def test_lost_edges_show_as_a_sequence_gap() -> None:
    bench, rig = make_bench()

    def lose() -> None:
        rig.sequence["switch"] += 3

    rig.after(400, lose)
    run(bench, rig)
    gap = next(r for r in rig.records if isinstance(r, rec.Condition) and r.kind == "sequence gap")
    assert gap.detail == "switch: 3 edges lost"


def test_edges_lost_before_the_first_one_seen_show_too() -> None:
    bench, rig = make_bench()
    rig.sequence["switch"] = 2
    run(bench, rig)
    gap = next(r for r in rig.records if isinstance(r, rec.Condition) and r.kind == "sequence gap")
    assert gap.detail == "switch: 2 edges lost"


def test_races_between_poll_and_edge_do_not_add_up_to_a_dead_source() -> None:
    setup = make_setup()
    rig = ScriptedRig(setup)
    interlock = Interlock(rig, setup, rig.records.append, rig.now_ns)
    interlock.start(0, {"switch": 0})
    for n in range(1, 20):  # each look sees the level a moment before its edge is read
        level = n % 2
        interlock.tick(n * 20 * MS, {"switch": level})
        interlock.see_edge(rec.Edge("switch", level, n * 20 * MS, n, "plant"))
    assert interlock.trip is None


def interlock_that_saw(live: Callable[[int], bool], looks: int) -> tuple[Interlock, ScriptedRig]:
    """Commanded on, with a read-back that is live in those of so many looks."""
    rig = ScriptedRig(make_setup())
    rig.follow = False
    interlock = Interlock(rig, rig.setup, rig.records.append, rig.now_ns)
    live_level, begin = rig.setup.coil_live_level, rig.now_ns()
    interlock.start(begin, {"readback": 1 - live_level})
    interlock.energise(1)
    for look in range(1, looks + 1):
        level = live_level if live(look) else 1 - live_level
        interlock.tick(begin + round(look * TICK_S * 1e9), {"readback": level})
    return interlock, rig


def test_a_chattering_read_back_is_no_agreement() -> None:
    """Live in every second look while commanded on: one look that agrees does not start the
    allowed delay anew."""
    interlock, rig = interlock_that_saw(lambda look: look % 2 == 1, 25)
    assert interlock.trip is not None and interlock.trip.rule == "read-back disagreeing"
    assert not rig.is_on


def test_a_read_back_that_agrees_twice_starts_the_allowed_delay_anew() -> None:
    interlock, _ = interlock_that_saw(lambda look: look % 3 != 0, 13)
    assert interlock.trip is None


def test_a_trip_in_the_last_look_ends_the_run_as_tripped() -> None:
    """The sheet is done and the coil commanded off; the look that confirms off meets a reading
    over the limit."""
    bench, rig = make_bench()
    guide = rig.guide

    def last_look(instruction: str) -> None:
        guide(instruction)
        if instruction == "hold":
            rig.sample(750.0)

    rig.guide = last_look  # type: ignore[method-assign]
    end, trip = run(bench, rig)
    assert trip is not None and trip.rule == "over-pressure"
    assert end.reason == "tripped" and end.off == "confirmed off"
    assert [r.rule for r in rig.records if isinstance(r, rec.Trip)] == ["over-pressure"]


def test_a_read_back_found_wrong_after_another_trip_is_told_to_confirm_nothing() -> None:
    setup = make_setup()
    rig = ScriptedRig(setup)
    interlock = Interlock(rig, setup, lambda _: None, lambda: 0)
    dead = 1 - setup.coil_live_level
    interlock.start(0, {rec.SWITCH: 0, rec.READBACK: dead})

    def told(now_ns: int, level: int) -> dict[str, object]:
        interlock.tick(now_ns, {rec.READBACK: level})
        step = rec.Step("", 0, 0)
        line = StatusTeller().line(now_ns, "tripped", step, interlock, {}, 0.0, at_once=True)
        return json.loads(line or "")

    interlock.see_sample(rec.Sample("pressure", 750.0, 0, rec.GOOD))
    assert told(MS, dead)["confirmed_off"] == "confirmed off"
    told(2 * MS, 1 - dead)
    said = told(2000 * MS, 1 - dead)
    assert said["tripped"] == "over-pressure" and interlock.later
    assert told(2001 * MS, dead)["confirmed_off"] == "commanded off, not confirmed"


WARM = {"thermal_resistance": "15 K/W", "time_constant": "5 s", "surroundings": "25 degC",
        "temperature_limit": "120 degC"}  # fmt: skip
LATE = {"pressure": "700 kPa", "on_time": "2 s", "readback_delay": "600 ms", "duty": "60 %"}


def worn(rig: ScriptedRig, opens_after_ms: float) -> None:
    """The contact closes after 5 ms and opens that long after the command off."""
    live = rig.setup.coil_live_level

    def react(on: bool) -> None:
        rig.after(5 if on else opens_after_ms, lambda: rig.drive("readback", live if on else 0))

    rig._react = react  # type: ignore[method-assign]


def test_a_contact_that_opens_late_counts_as_on_until_it_has_opened() -> None:
    """Commanded on for 100 ms of each 550 ms, the coil is live for 480: within the delay that the
    read-back is allowed, so no other rule sees it."""
    bench, rig = make_bench(limits=LATE | {"duty_window": "5 s"}, coil_heating=WARM)
    worn(rig, 380)
    _, trip = run(bench, rig, strokes=60, on_time="100 ms", rest="450 ms")
    assert trip is not None and trip.rule == "duty"
    assert trip.value == pytest.approx(60, abs=2)


@pytest.mark.parametrize(("readback", "on_ms"), [(SETUP["readback"], 480), (None, 140)])
def test_the_heat_that_is_kept_is_that_of_the_contact(readback: object, on_ms: float) -> None:
    """Without a read-back the relay's longest release delay counts."""
    relay = {**SETUP["relay"], "release_delay": "40 ms"}
    bench, rig = make_bench(
        limits=LATE | {"duty": "100 %"}, coil_heating=WARM, readback=readback, relay=relay
    )
    if readback:
        worn(rig, 380)
    end, trip = run(bench, rig, strokes=1, on_time="100 ms", rest="600 ms")
    assert (end.reason, trip) == ("finished", None)
    (span,) = bench.interlock.coil_now().spans
    assert (span[0] - span[1]) / MS == pytest.approx(on_ms, abs=1)


def test_a_read_back_with_a_broken_wire_makes_the_coil_no_cooler() -> None:
    """It reads dead all the time: the relay's longest release delay counts, as without one."""
    relay = {**SETUP["relay"], "release_delay": "40 ms"}
    bench, rig = make_bench(limits=LATE | {"duty": "100 %"}, coil_heating=WARM, relay=relay)
    rig.follow = False
    end, trip = run(bench, rig, strokes=1, on_time="100 ms", rest="600 ms")
    assert (end.reason, trip) == ("finished", None)
    (span,) = bench.interlock.coil_now().spans
    assert (span[0] - span[1]) / MS == pytest.approx(140, abs=1)


@pytest.mark.parametrize("wired", [True, False])
def test_a_read_back_that_never_went_live_confirms_nothing(wired: bool) -> None:
    """Strokes shorter than the delay that it is allowed: its broken wire trips nothing."""
    bench, rig = make_bench(limits=LATE)
    rig.follow = wired
    end, trip = run(bench, rig, on_time="55 ms", rest="300 ms")
    assert (end.reason, trip) == ("finished", None)
    assert end.off == ("confirmed off" if wired else "commanded off, not confirmed")
