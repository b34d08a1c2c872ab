# SPDX-License-Identifier: MIT
"""Heat and duty carried from run to run: many runs end as one long run of the same strokes."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from bench_rig import MS, make_bench, make_setup
from hypothesis import given
from hypothesis import strategies as st
from setups import make_sheet

from rig.bench.carried_heat import (
    Carried,
    carried,
    continuous_degc,
    ready_for_longest_s,
    ready_in_s,
    stays_below,
)
from rig.bench.coil_keeping import CoilKeeping
from rig.bench.interlock.trackers import CoilHeat, DutyWindow
from rig.bench.preflight_coil import coil_words
from rig.config.setup.model import Setup
from rig.config.sheet.loads import Load
from rig.config.sheet.model import StrokesSheet
from rig.core import coil_heat
from rig.core.coil_heat import (
    DAMAGED,
    FIRST_USE,
    GUARDED,
    MISSING,
    RESTARTED,
    UNCLEAN,
    UNWATCHED,
    Instant,
    Kept,
    Past,
)
from rig.core.preflight import COIL, GOOD, REFUSED
from rig.core.records import OFF_STATES, End

NS = 1_000_000_000
AT = Instant(0.0, 0, 0, "boot", True)
HEATING = {"thermal_resistance": "12 K/W", "time_constant": "4 min", "surroundings": "40 degC",
           "temperature_limit": "120 degC"}  # fmt: skip
LIMITS = {"pressure": "700 kPa", "gauge_stale": "500 ms", "on_time": "100 s", "duty": "100 %"}
DUTY = {"pressure": "700 kPa", "gauge_stale": "500 ms", "on_time": "20 s", "duty": "50 %",
        "duty_window": "60 s"}  # fmt: skip


def warm_setup() -> Setup:
    return make_setup(coil_heating=HEATING, limits=LIMITS)


def strokes(n: int, on: str, rest: str, settle: str = "0 s") -> StrokesSheet:
    return StrokesSheet.model_validate(
        {"kind": "strokes", "strokes": n, "on_time": on, "rest": rest, "settle_wait": settle}
    )


def kept(temperature: float | None, spans: list[tuple[int, int]], window_s: float = 60) -> Kept:
    return Kept(False, temperature, spans, round(window_s * NS), AT)


def peak_degc(setup: Setup, coil: Carried, rest_s: float, sheet: StrokesSheet) -> float:
    """The interlock's own tracker, ticked through a rest and the sheet."""
    heat = CoilHeat(setup, coil.temperature_degc, 0)
    now, top = 0, -math.inf
    plan = [(False, rest_s + sheet.settle_wait_s)]
    plan += [(True, sheet.on_time_s), (False, sheet.rest_s)] * sheet.strokes
    for on, seconds in plan:
        end = now + round(seconds * NS)
        while now < end:
            now = min(end, now + 20 * MS)
            heat.advance(now, energised=on)
            top = max(top, heat.temperature_degc) if on else top
    return top


def test_the_first_use_is_cold_and_says_that_it_is_assumed() -> None:
    coil = carried(warm_setup(), Past(None, 0.0, ""))
    assert coil.temperature_degc == 40.0 and not coil.spans
    bench, _ = make_bench(coil_heating=HEATING, limits=LIMITS)
    assert ready_in_s(bench.interlock.setup, strokes(1, "80 s", "1 s"), coil) == 0.0
    assert carried(warm_setup(), Past(None, 0.0, "")).assumed == FIRST_USE


@pytest.mark.parametrize("why", [MISSING, UNCLEAN, DAMAGED])
def test_a_coil_that_nobody_saw_released_may_never_have_been_off(why: str) -> None:
    """As hot as its supply can make it: 14.4 V on 14 ohm of copper (0.393 %/K from 20 degC) and
    10.2 K/W over 40 degC settle where the rise is what the warm winding still takes up, and on
    through the whole window of 60 s. A limit above that is the worst all the same."""
    hot = HEATING | {"temperature_limit": "90 degC", "thermal_resistance": "10.2 K/W"}
    setup = make_setup(
        coil_heating=hot, limits=DUTY,
        coil={"feed_side": "supply", "supply_voltage": "14.4 V", "fuse": "5 A",
              "resistance": "14 ohm"},
    )  # fmt: skip
    coil = carried(setup, Past(None, 0.0, why))
    rise_k = coil.temperature_degc - 40
    warm_ohm = 14 * (1 + 0.00393 * (coil.temperature_degc - 20))
    assert rise_k == pytest.approx(10.2 * 14.4**2 / warm_ohm, rel=0.01)
    assert coil.temperature_degc > 120
    assert coil.spans == [(60 * NS, 0)]
    cool = HEATING | {"thermal_resistance": "5 K/W"}
    cooler = carried(make_setup(coil_heating=cool, limits=DUTY), Past(None, 0.0, why))
    assert cooler.temperature_degc == 120.0, "the supply cannot make this one as hot as its limit"


@pytest.mark.parametrize("why", [GUARDED, RESTARTED])
def test_what_is_not_known_is_the_worst_that_the_limits_allow(why: str) -> None:
    setup = make_setup(coil_heating=HEATING, limits=DUTY)
    coil = carried(setup, Past(None, 0.0, why))
    assert coil == (120.0, [(30 * NS, 0)], why)
    before = kept(None, [])._replace(unknown=why)
    later = carried(setup, Past(before, 240.0, why))
    assert later.temperature_degc == pytest.approx(40 + 80 * math.exp(-1)) and not later.spans
    cold = carried(setup, Past(None, 3600.0, why))
    assert cold.assumed == "", "an assumption that no longer matters is not told"


def test_a_setup_before_without_heating_leaves_no_temperature_to_go_on_from() -> None:
    coil = carried(warm_setup(), Past(kept(None, []), 0.0, ""))
    assert coil.temperature_degc == continuous_degc(warm_setup()) > 120
    assert "no [coil_heating]" in coil.assumed


@pytest.mark.parametrize("why", ["", GUARDED, RESTARTED])
def test_without_a_limit_of_temperature_the_coil_may_be_as_hot_as_its_supply_makes_it(
    why: str,
) -> None:
    """A run on the same line whose setup had no [coil_heating], ended, lost or before a restart."""
    setup = make_setup(coil_heating=HEATING | {"thermal_resistance": "60 K/W"}, limits=LIMITS)
    before = kept(None, [])._replace(unknown=why if why == GUARDED else "", assumed=UNWATCHED)
    coil = carried(setup, Past(before, 0.0, why))
    assert coil.temperature_degc == continuous_degc(setup) > 150
    watched = before._replace(temperature_degc=60.0, assumed="")
    assert carried(setup, Past(watched, 0.0, why)).temperature_degc == (120.0 if why else 60.0)


def test_a_longer_window_than_was_kept_counts_as_energised_before_it() -> None:
    setup = make_setup(limits=DUTY | {"duty_window": "90 s"})
    coil = carried(setup, Past(kept(None, [(5 * NS, 4 * NS)], 60), 10.0, ""))
    assert coil.spans == [(100 * NS, 70 * NS), (15 * NS, 14 * NS)]


def test_a_sheet_that_trips_by_itself_waits_for_a_coil_as_good_as_cold() -> None:
    """Newton's law of cooling: 60 K above the surroundings are 5 % of 80 K after tau ln(60 / 4)."""
    warm = Carried(100.0, [], "")
    assert ready_in_s(warm_setup(), strokes(1, "1000 s", "1 s"), warm) == pytest.approx(
        240 * math.log(60 / 4)
    )
    assert ready_in_s(warm_setup(), strokes(1, "1000 s", "1 s"), Carried(43.9, [], "")) == 0.0


def test_a_sheet_over_the_duty_limit_by_itself_waits_until_earlier_on_time_is_out_of_it() -> None:
    """30 s of 60 are allowed: after 30 s of its own 40 s, nothing earlier may be in the window."""
    setup = make_setup(limits=DUTY)
    coil = Carried(math.nan, [(10 * NS, 0)], "")
    assert 30 <= ready_in_s(setup, strokes(1, "40 s", "1 s"), coil) <= 31.2
    assert ready_in_s(setup, strokes(1, "40 s", "1 s"), Carried(math.nan, [], "")) == 0.0


def test_a_sheet_that_leaves_the_coil_off_waits_for_nothing() -> None:
    ramp = make_sheet(kind="ramp", coil="released", low="50 kPa", high="400 kPa", ramps=1)
    assert ready_in_s(warm_setup(), ramp, Carried(119.0, [(60 * NS, 0)], "")) == 0.0


def test_without_a_heating_table_there_is_no_temperature_to_judge() -> None:
    setup = make_setup(limits=DUTY)
    assert math.isnan(continuous_degc(setup))
    assert stays_below(setup, Load(1000.0, 1.0, 5), 0.0, math.nan)


def test_what_is_known_of_the_coil_in_words() -> None:
    setup, spans = make_setup(limits=DUTY), [(90 * NS, 40 * NS), (10 * NS, 5 * NS)]
    assert coil_words(setup, Carried(math.nan, spans, "")) == "coil on for 25.0 s of the last 60 s"
    assert coil_words(setup, Carried(71.4, [], "no end seen")) == (
        "coil estimated at 71 degC (assumed: no end seen)"
    )


@pytest.mark.parametrize("off", OFF_STATES)
def test_a_coil_that_stayed_live_is_not_kept_as_released(tmp_path: Path, off: str) -> None:
    """It heats on: the file stays open, and the next start assumes the worst."""
    state = tmp_path / "simulated-line17.json"
    bench, _ = make_bench(coil_heating=HEATING, limits=LIMITS)
    keeping = CoilKeeping(state, bench.interlock.setup)
    keeping.begin()
    keeping.watch(bench.interlock)
    keeping.ended(End("tripped", off, 1))
    keeping.keep()
    assert coil_heat.past(state).unknown == (UNCLEAN if off == OFF_STATES[2] else "")


def test_a_carried_interlock_is_the_one_that_went_on() -> None:
    """Two runs, the second begun from what the first left, against one that went on."""
    setup = make_setup(coil_heating=HEATING, limits=DUTY)
    one, window = CoilHeat(setup, 40.0, 0), DutyWindow(60 * NS)
    one.advance(10 * NS, energised=False)
    one.advance(25 * NS, energised=True)
    window.add(10 * NS, 25 * NS)
    left = Kept(False, one.temperature_degc, window.before(30 * NS), 60 * NS, AT)
    one.advance(30 * NS, energised=False)
    left = left._replace(temperature_degc=one.temperature_degc)
    coil = carried(setup, Past(left, 12.0, ""))
    one.advance(42 * NS, energised=False)
    assert coil.temperature_degc == pytest.approx(one.temperature_degc)
    assert coil.spans == [(32 * NS, 17 * NS)]
    next_window = DutyWindow(60 * NS)
    for on_ns, off_ns in coil.spans:  # its clock begins at 0
        next_window.add(-on_ns, -off_ns)
    for later_s in (0, 20, 30, 35, 50):
        assert next_window.on_ns(later_s * NS, None) == window.on_ns((42 + later_s) * NS, None)


@given(
    start=st.floats(30, 120), on_s=st.floats(0.05, 90), rest_s=st.floats(0.05, 200),
    n=st.integers(1, 6), settle_s=st.floats(0, 20),
)  # fmt: skip
def test_after_the_rest_that_is_told_the_sheet_stays_within_its_limit(
    start: float, on_s: float, rest_s: float, n: int, settle_s: float
) -> None:
    setup = warm_setup()
    sheet = strokes(n, f"{on_s} s", f"{rest_s} s", f"{settle_s} s")
    coil = Carried(start, [], "")
    if peak_degc(setup, Carried(44.0, [], ""), 0.0, sheet) > 119.5:
        return  # it comes to its limit from a cold coil as well
    wait_s = ready_in_s(setup, sheet, coil)
    assert peak_degc(setup, coil, wait_s, sheet) <= 120.0
    if wait_s > 20:  # and it is no more than is needed, by half a kelvin
        assert peak_degc(setup, coil, wait_s - 20, sheet) > 119.0


@given(
    spans=st.lists(st.floats(0.05, 8), max_size=12), gap_s=st.floats(0.05, 8),
    on_s=st.floats(0.04, 12), rest_s=st.floats(0.04, 30), n=st.integers(1, 60),
)  # fmt: skip
def test_after_the_rest_that_is_told_no_window_is_over_by_what_was_before(
    spans: list[float], gap_s: float, on_s: float, rest_s: float, n: int
) -> None:
    setup = make_setup(limits=DUTY)
    sheet = strokes(n, f"{on_s} s", f"{rest_s} s")
    before, at = [], 0.0
    for long_s in spans:
        before.append((round((at + long_s) * NS), round(at * NS)))
        at += long_s + gap_s
    coil = Carried(math.nan, before[::-1], "")
    wait_s = ready_in_s(setup, sheet, coil)
    assert 0 <= wait_s <= 61.1
    window, alone = DutyWindow(60 * NS), DutyWindow(60 * NS)
    for on_ns, off_ns in coil.spans:
        window.add(-on_ns, -off_ns)
    now, late_s = round(wait_s * NS), min(setup.relay.release_delay_s, rest_s)
    for _ in range(n):
        on_ns, off_ns = now, now + round((on_s + late_s) * NS)
        window.add(on_ns, off_ns)
        alone.add(on_ns, off_ns)
        if alone.on_ns(off_ns, None) > 30 * NS:
            return  # over by itself
        assert window.on_ns(off_ns, None) <= 30 * NS + 1000
        now = off_ns + round((rest_s - late_s) * NS)


def test_a_sheet_that_was_fine_back_to_back_is_ready_at_once() -> None:
    """A run of half the duty, again and again, as in a loop over simulated runs."""
    setup = make_setup(limits=DUTY | {"duty": "60 %"})
    sheet = strokes(20, "150 ms", "150 ms", "100 ms")
    spans: list[tuple[int, int]] = []
    for _ in range(40):
        assert ready_in_s(setup, sheet, Carried(math.nan, spans, "")) == 0.0
        long_ns = 20 * 300 * MS + 100 * MS
        new = [((20 - k) * 300 * MS, (20 - k) * 300 * MS - 150 * MS) for k in range(20)]
        spans = [(on + long_ns, off + long_ns) for on, off in spans if off < 60 * NS] + new


def test_a_hundred_thousand_short_strokes_are_forecast_in_no_time() -> None:
    setup = make_setup(coil_heating=HEATING | {"time_constant": "1 h"}, limits=LIMITS)
    sheet = strokes(100_000, "30 ms", "10 ms")
    assert 0 < ready_in_s(setup, sheet, Carried(119.9, [(60 * NS, 0)], "")) < 4 * 3600


def test_the_longest_stroke_that_limits_allow() -> None:
    setup = make_setup(coil_heating=HEATING, limits=DUTY)
    assert ready_for_longest_s(setup, Carried(40.0, [], "")) == 0.0
    assert ready_for_longest_s(setup, Carried(40.0, [(25 * NS, 5 * NS)], "")) == pytest.approx(
        60 - 20 - 15 + 1, abs=0.2
    )
    assert ready_for_longest_s(setup, Carried(120.0, [], "")) > 4


def test_preflight_shows_the_estimate_and_refuses_until_the_coil_has_rested() -> None:
    from rig.bench.bench import Bench

    _, rig = make_bench(coil_heating=HEATING, limits=LIMITS)
    sheet = strokes(1, "80 s", "10 s")
    for start, result in ((50.0, GOOD), (118.0, REFUSED)):
        bench = Bench(rig.setup, rig, carried=Carried(start, [], "a reason"))
        found = bench.preflight(None, sheet)
        check = next(check for check in found.checks if check.name == COIL)
        assert check.result == result
        assert check.shown.startswith(f"coil estimated at {start:.0f} degC (assumed: a reason), ")
        assert found.only_warm == (result == REFUSED)
        assert found.hardware["coil before the run"] == check.shown
    assert found.ready_in_s is not None and "ready in " in check.shown
    assert "do not touch" in check.remedy
