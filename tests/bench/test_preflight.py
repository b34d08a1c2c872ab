# SPDX-License-Identifier: MIT
from __future__ import annotations

import re
from pathlib import Path

import pytest
from bench_rig import SETUP, LoopOnly, ScriptedRig, make_bench, make_setup

from rig.bench.bench import Bench
from rig.compose import FastRun
from rig.config.files.loading import load_pair
from rig.core.preflight import DOUBTFUL, GOOD, NOT_WATCHED, REFUSED

DEMO = Path(__file__).parents[2] / "demo"


def result(bench: Bench, name: str) -> tuple[str, str]:
    check = next(c for c in bench.preflight().checks if c.name == name)
    return check.result, check.shown


def fresh(**changes: object) -> tuple[Bench, ScriptedRig]:
    _, rig = make_bench(**changes)
    return Bench(rig.setup, rig), rig


def test_all_well() -> None:
    loops = {"stop_input": {"line": 5}, "cover_input": {"line": 6}}
    bench, _ = fresh(**loops)
    found = bench.preflight(100.0)
    assert {c.result for c in found.checks} == {GOOD}
    assert not found.coil_live and not found.refused


@pytest.mark.parametrize(
    ("side", "said"), [("supply", "something else feeds"), ("ground", "fuse open, coil unplugged")]
)
def test_live_before_any_command_is_refused(side: str, said: str) -> None:
    """What a load side that reads live may come from differs by the feed side."""
    bench, rig = fresh(coil=SETUP["coil"] | {"feed_side": side})  # type: ignore[operator]
    rig.lines_now["readback"] = rig.setup.coil_live_level
    found = bench.preflight()
    (refused,) = found.refused
    assert found.coil_live and refused.name == "Load side of the relay"
    assert said in refused.remedy.lower() and refused.trip == "trip.read-back-disagreeing"
    assert bench.states.state == "off"


def test_silent_gauge_is_refused_with_what_was_heard() -> None:
    bench, rig = fresh()
    rig.pressure = None
    kind, shown = result(bench, "Pressure gauge")
    assert kind == REFUSED and "nothing received" in shown


def test_pressure_over_the_limit_is_refused() -> None:
    bench, rig = fresh()
    rig.pressure = 900.0
    assert result(bench, "Pressure gauge")[0] == REFUSED


def test_switch_not_at_rest_is_doubtful_not_refused() -> None:
    bench, rig = fresh()
    rig.lines_now["switch"] = rig.setup.switch_closed_level
    assert result(bench, "Pressure switch")[0] == DOUBTFUL


def test_a_pressure_that_was_over_the_limit_during_the_look_is_refused() -> None:
    """In range again at its end: nobody may arm a rig whose interlock has spoken."""
    bench, rig = fresh()
    rig.pressure = None
    rig.after(100, lambda: rig.sample(900.0, "out of range"))
    rig.after(300, lambda: rig.sample(200.0))
    found = bench.preflight()
    (refused,) = found.refused
    assert (refused.name, refused.shown) == ("Interlock", "over-pressure")
    assert "900 kPa" in refused.remedy and bench.states.state == "off"


def test_a_confirm_button_that_nobody_presses_and_is_closed_is_doubtful() -> None:
    _, rig = fresh()
    button = rig.loops["confirm_input"] = LoopOnly()
    assert result(Bench(rig.setup, rig), "Confirm button") == (DOUBTFUL, "closed")
    button.closed = False
    assert result(Bench(rig.setup, rig), "Confirm button")[0] == GOOD


def test_find_takes_the_rest_state_as_it_is() -> None:
    bench, rig = fresh(switch={"line": 22, "contact": "find", "pull": "up"})
    rig.lines_now["switch"] = 0
    kind, shown = result(bench, "Pressure switch")
    assert kind == GOOD and "closed at rest" in shown


def test_what_is_not_wired_is_never_shown_as_fine() -> None:
    bench, _ = fresh(readback=None, gauge=None, limits={})
    found = bench.preflight()
    by_name = {c.name: c.result for c in found.checks}
    assert by_name["Load side of the relay"] == NOT_WATCHED
    assert by_name["Pressure gauge"] == NOT_WATCHED
    rules = {item["rule"] for item in found.not_watched}
    assert rules == {
        "over-pressure", "gauge stale", "gauge implausible", "gauge stuck", "pressure rising",
        "read-back disagreeing", "coil heating", "oil temperature", "supply voltage",
        "coil current", "cylinder pressure", "engine speed", "reading stale",
        "stop input open", "guard cover open", "desk and bench both dead",
    }  # fmt: skip


@pytest.mark.parametrize("name", ["stop_input", "cover_input"])
def test_an_open_loop_refuses(name: str) -> None:
    bench, rig = fresh(**{name: {"line": 5}})
    rig.loops[name].closed = False
    assert [c.shown for c in bench.preflight().refused] == ["loop open"]


@pytest.mark.parametrize(("pressure_kpa", "enough"), [(40.0, False), (100.0, True)])
def test_low_base_pressure_is_told_before_anything_is_blamed(
    pressure_kpa: float, enough: bool
) -> None:
    bench, rig = fresh()
    rig.pressure = pressure_kpa
    check = next(c for c in bench.preflight(100.0).checks if c.name == "Base pressure")
    assert check.result == (GOOD if enough else DOUBTFUL) and enough == (not check.remedy)
    assert "oil" in check.remedy or enough


def test_setup_without_gauge_needs_no_wait() -> None:
    rig = ScriptedRig(make_setup(gauge=None, limits={}))
    t0 = rig.now_ns()
    Bench(rig.setup, rig).preflight()
    assert rig.now_ns() == t0


@pytest.mark.parametrize("period", ["1 s", "2 s", "5 s"])
def test_a_slow_gauge_is_waited_for(tmp_path: Path, period: str) -> None:
    """As long as its reading would not be stale; a simulated rig sends what the setup says."""
    text = (DEMO / "workshop.setup.toml").read_text()
    slow = tmp_path / "slow.setup.toml"
    slow.write_text(re.sub(r'period = "[^"]+"', f'period = "{period}"', text))
    setup, sheet = load_pair(slow, DEMO / "workshop.sheet.toml")
    assert setup.setup.gauge is not None and sheet is not None
    assert setup.setup.gauge.period_s == float(period.removesuffix(" s"))
    fast = FastRun(setup.setup, sheet.sheet, seed=1)
    try:
        found = fast.preflight()
    finally:
        fast.close()
    assert not found.refused
