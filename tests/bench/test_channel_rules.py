# SPDX-License-Identifier: MIT
"""The channels beyond pressure: at the limit, just over it, NaN, a value that is not believed, and
silence. And blocks of fast readings."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from bench_rig import MS, NO_DUTY, EdgesOnly, ScriptedRig, make_bench, make_setup, run

from rig.bench.bench import Bench
from rig.bench.carried_heat import Carried
from rig.bench.interlock import gauge_rules, registry, sensor_rules
from rig.bench.interlock.channel_watch import Averager, ChannelWatch, as_sample
from rig.bench.interlock.interlock import Interlock
from rig.bench.interlock.rule import Finding
from rig.config.setup.model import Setup
from rig.config.setup.safeguards import Limits
from rig.core.records import CHANNEL_UNITS, GOOD, Block, Sample

CONVERTER = {"type": "MCP3208", "reference": "3 V"}
ANALOG = {
    "oil_temperature": {"kind": "linear", "temperature_range": ["-40 degC", "160 degC"],
                        "voltage_range": ["0 V", "2.5 V"]},
    "supply_voltage": {"kind": "voltage", "divider_upper": "47 kohm", "divider_lower": "10 kohm"},
    "coil_current": {"kind": "shunt", "shunt": "0.1 ohm", "gain": 20.0, "fast": True},
    "cylinder_pressure": {"kind": "current loop", "shunt": "120 ohm", "fast": True,
                          "pressure_range": ["0 kPa", "2000 kPa"]},
}  # fmt: skip
ALL = [{"channel": name, "input": n, **keys} for n, (name, keys) in enumerate(ANALOG.items())]
SPEED = {"line": 23, "pulses_per_revolution": 2.0}
LIMITS = NO_DUTY | {
    "oil_temperature": "130 degC", "supply_voltage_min": "11 V", "supply_voltage_max": "15 V",
    "coil_current": "1 A", "cylinder_pressure": "1500 kPa", "engine_speed_min": "500 rpm",
    "engine_speed_max": "1200 rpm",
}  # fmt: skip


def setup_of(**limits: object) -> Setup:
    return make_setup(converter=CONVERTER, analog=ALL, engine_speed=SPEED, limits=LIMITS | limits)


Rule = Callable[[float], Finding | None]
RULES: list[tuple[str, Rule, float, float, str]] = [
    ("oil_temperature", lambda v: gauge_rules.oil_temperature(v, 130), 130, 131, "over"),
    ("supply_voltage", lambda v: gauge_rules.supply_voltage(v, 11, 15), 11, 10.9, "outside"),
    ("supply_voltage", lambda v: gauge_rules.supply_voltage(v, 11, 15), 15, 15.1, "outside"),
    ("supply_voltage", lambda v: gauge_rules.supply_voltage(v, None, 15), 15, 15.1, "outside"),
    ("supply_voltage", lambda v: gauge_rules.supply_voltage(v, 11, None), 11, 10.9, "outside"),
    ("coil_current", lambda v: sensor_rules.coil_current(v, 1), 1, 1.001, "draws"),
    ("cylinder_pressure", lambda v: sensor_rules.cylinder_pressure(v, 1500), 1500, 1501, "over"),
    ("engine_speed", lambda v: sensor_rules.engine_speed(v, 500, 1200), 500, 499, "beyond"),
    ("engine_speed", lambda v: sensor_rules.engine_speed(v, 500, 1200), 1200, 1201, "beyond"),
    ("engine_speed", lambda v: sensor_rules.engine_speed(v, 500, None), 500, 499, "beyond"),
    ("engine_speed", lambda v: sensor_rules.engine_speed(v, None, 1200), 1200, 1201, "beyond"),
]


def test_a_channel_is_recorded_in_the_unit_of_its_limit() -> None:
    """The unit stands in the name of the limit's field: cylinder_pressure_kpa, coil_current_a."""
    names = {"kpa": "kPa", "degc": "degC", "v": "V", "a": "A", "rpm": "rpm"}
    fields = [name.rpartition("_") for name in Limits.model_fields]
    units = {
        what.removesuffix("_min").removesuffix("_max"): names[unit]
        for what, _, unit in fields
        if unit in names
    }
    watched = {channel: CHANNEL_UNITS[channel] for channel in CHANNEL_UNITS if channel in units}
    assert watched == {channel: units[channel] for channel in watched}
    assert len(watched) == 6


@pytest.mark.parametrize(("channel", "rule", "limit", "over", "word"), RULES)
def test_at_the_limit_just_over_it_and_nan(
    channel: str, rule: Rule, limit: float, over: float, word: str
) -> None:
    assert rule(limit) is None
    found = rule(over)
    assert found is not None and word in found.message and found.limit == limit
    assert rule(math.nan) is not None
    # and the same through what the interlock makes of a reading
    watched = ChannelWatch(setup_of())
    assert watched.see(Sample(channel, limit, 1, GOOD)) == []
    assert [f.rule for f in watched.see(Sample(channel, over, 2, GOOD))] == [found.rule]
    assert watched.see(Sample(channel, math.nan, 3, GOOD)) != []
    assert watched.see(Sample(channel, None, 4, "fault band")) == []


def test_a_limit_of_nothing_is_no_rule() -> None:
    assert sensor_rules.engine_speed(math.inf, None, None) is None
    watched = ChannelWatch(make_setup(limits=NO_DUTY))
    assert watched.see(Sample("coil_current", 99.0, 1, GOOD)) == []
    assert watched.tick(10**12) == []


def test_staleness_at_the_limit_over_it_and_nan() -> None:
    assert sensor_rules.channel_stale("coil_current", 0.5, 0.5) is None
    for age_s in (0.501, math.nan, math.inf):
        found = sensor_rules.channel_stale("coil_current", age_s, 0.5)
        assert found is not None and found.rule == sensor_rules.CHANNEL_STALE
        assert "current sensor" in found.message


def test_every_watched_channel_that_goes_quiet_is_found_and_no_other() -> None:
    watched = ChannelWatch(setup_of())
    watched.start(0)
    assert watched.tick(400 * MS) == []
    for channel in ("oil_temperature", "supply_voltage", "coil_current", "engine_speed"):
        watched.see(Sample(channel, 600.0 if channel == "engine_speed" else 1.0, 400 * MS, GOOD))
    found = watched.tick(510 * MS)  # the limits of these three are 0.5 s and 0.6 s
    assert [f.message.split(" for ")[0] for f in found] == ["No good reading of cylinder pressure"]
    # a reading out of its range is no sign of life, and neither is one in the fault band
    for quality in ("out of range", "fault band"):
        watched.see(Sample("cylinder_pressure", 5.0, 505 * MS, quality))
    assert len(watched.tick(511 * MS)) == 1


def test_the_watch_list_says_what_is_watched_and_how_slow_it_is() -> None:
    rules = {w.rule.name: w for w in registry.watched(setup_of())}
    expected = {
        gauge_rules.OIL_TEMPERATURE: 120, gauge_rules.SUPPLY_VOLTAGE: 120,
        sensor_rules.COIL_CURRENT: 30, sensor_rules.CYLINDER_PRESSURE: 30,
        sensor_rules.ENGINE_SPEED: 520, sensor_rules.CHANNEL_STALE: 520,
    }  # fmt: skip
    for rule, reaction_ms in expected.items():
        assert rules[rule].watched and rules[rule].reaction_ms == pytest.approx(reaction_ms)
    bare = {w.rule.name: w for w in registry.watched(make_setup(limits=LIMITS))}
    for rule in expected:
        assert not bare[rule].watched and bare[rule].why.startswith("no ")
    unlimited = make_setup(converter=CONVERTER, analog=ALL, limits=NO_DUTY)
    for w in registry.watched(unlimited):
        if w.rule.name in (sensor_rules.COIL_CURRENT, gauge_rules.SUPPLY_VOLTAGE):
            assert not w.watched and "no limit" in w.why


@pytest.mark.parametrize(
    ("limits", "why"),
    [({"pressure_rate": "500 kPa/s"}, None), ({}, "no pressure_rate in the setup"),
     ({"gauge": None}, "no gauge in the setup")],
)  # fmt: skip
def test_a_rate_of_pressure_is_watched_where_a_limit_of_it_is_stated(
    limits: dict[str, str | None], why: str | None
) -> None:
    wired = {"gauge": None, "limits": {}} if "gauge" in limits else {"limits": {**LIMITS, **limits}}
    found = {w.rule.name: w for w in registry.watched(make_setup(**wired))}
    rate = found[gauge_rules.PRESSURE_RATE]
    assert rate.watched == (why is None) and (why is None or rate.why == why)


def analog(rig: ScriptedRig, every_ms: int, items: Callable[[int], list[object]]) -> None:
    """Readings that keep coming, from time to time."""

    def again() -> None:
        rig.waiting_items.extend(items(rig.now_ns()))  # type: ignore[arg-type]
        rig.after(every_ms, again)

    again()


def good(t_ns: int) -> list[object]:
    values = {"oil_temperature": 90.0, "supply_voltage": 12.6, "coil_current": 0.4,
              "cylinder_pressure": 900.0, "engine_speed": 750.0}  # fmt: skip
    return [Sample(channel, value, t_ns, GOOD) for channel, value in values.items()]


def bench_with_channels() -> tuple[object, ScriptedRig]:
    bench, rig = make_bench(converter=CONVERTER, analog=ALL, limits=LIMITS)
    analog(rig, 50, good)
    bench.preflight()
    if bench.states.state == "ready":
        bench.arm()
    return bench, rig


def test_preflight_refuses_what_is_silent_or_beyond_its_limit() -> None:
    bench, _ = make_bench(converter=CONVERTER, analog=ALL, limits=LIMITS)
    refused = {check.name: check.shown for check in bench.preflight().refused}
    assert set(refused) == {
        "Oil temperature",
        "Supply voltage",
        "Coil current",
        "Cylinder pressure",
    }
    assert refused["Coil current"] == "no good reading from the converter"
    bench, rig = make_bench(converter=CONVERTER, analog=ALL, limits=LIMITS)
    analog(rig, 50, lambda t: [s._replace(value=1.5) if s.channel == "coil_current" else s
                               for s in good(t)])  # type: ignore[attr-defined] # fmt: skip
    refused = {check.name: check.shown for check in bench.preflight().refused}
    assert refused == {"Coil current": "1.5 A, beyond its limit"}
    bench, rig = make_bench(converter=CONVERTER, analog=ALL, limits=NO_DUTY)
    found = bench.preflight()  # nothing is limited: it may run, and is told
    assert not found.refused
    assert "doubtful" in {c.result for c in found.checks if c.name == "Coil current"}


def test_a_channel_with_a_limit_that_never_sends_trips_by_its_age() -> None:
    """Its age counts from the start of the watching, not from a first reading that never comes."""
    setup = setup_of()
    rig = ScriptedRig(setup)
    interlock = Interlock(rig, setup, rig.records.append, rig.now_ns)
    begin = rig.now_ns()
    interlock.start(begin, {})
    interlock.tick(begin + 400 * MS, {})
    assert interlock.trip is None
    interlock.see_sample(Sample("pressure", 200.0, begin + 690 * MS, GOOD))
    interlock.tick(begin + 700 * MS, {})
    assert interlock.trip is not None and interlock.trip.rule == sensor_rules.CHANNEL_STALE


@pytest.mark.parametrize("channel", ["oil_temperature", "coil_current", "supply_voltage"])
def test_a_watched_channel_that_falls_silent_in_mid_run_trips(channel: str) -> None:
    bench, rig = bench_with_channels()
    begin = rig.now_ns()
    analog(rig, 50, lambda _t: [])

    def hush() -> None:
        rig.agenda = [(t, what) for t, what in rig.agenda if what.__name__ != "again"]
        analog(rig, 50, lambda t: [s for s in good(t) if s.channel != channel])  # type: ignore[attr-defined]

    rig.after(300, hush)
    _, trip = run(bench, rig)
    assert trip.rule == sensor_rules.CHANNEL_STALE
    assert channel.replace("_", " ") in trip.message
    assert 0.75e9 < trip.t_ns - begin < 1.05e9


def test_a_fault_band_is_not_believed_and_trips_by_its_age() -> None:
    bench, rig = bench_with_channels()

    def fault() -> None:
        rig.agenda = [(t, what) for t, what in rig.agenda if what.__name__ != "again"]
        bad = Sample("cylinder_pressure", None, 0, "fault band")
        analog(rig, 50, lambda t: [s if s.channel != bad.channel else bad._replace(t_ns=t)
                                   for s in good(t)])  # type: ignore[attr-defined] # fmt: skip

    rig.after(300, fault)
    _, trip = run(bench, rig)
    assert trip.rule == sensor_rules.CHANNEL_STALE and "cylinder" in trip.message


def block(channel: str, codes: list[int], runs: list[list[object]] | None = None) -> Block:
    steps = [250_000] * (len(codes) - 1)
    return Block(channel, 1000, steps, codes, 0.5, 10.0, 48_000, runs or [[0, GOOD]])


def test_a_block_as_one_reading() -> None:
    assert as_sample(block("coil_current", [0, 4])) == Sample("coil_current", 11.0, 251_000, GOOD)
    # of a cylinder the highest, and a peak beyond the range is one
    runs: list[list[object]] = [[0, GOOD], [2, "out of range"], [3, GOOD]]
    assert as_sample(block("cylinder_pressure", [0, 8, 99, 4], runs)).value == 59.5
    mostly: list[list[object]] = [[0, GOOD], [1, "out of range"]]  # does not keep it fresh
    assert as_sample(block("coil_current", [2, 8, 8], mostly)) == Sample(
        "coil_current", 13.0, 501_000, "out of range"
    )
    faulty: list[list[object]] = [[0, GOOD], [1, "fault band"]]
    mainly = as_sample(block("coil_current", [2, 8, 8], faulty))
    assert (mainly.value, mainly.quality) == (11.0, "fault band")
    bad = as_sample(block("pressure", [2, 4], [[0, "out of range"]]))
    assert (bad.value, bad.quality) == (11.5, "out of range")
    fault = as_sample(block("pressure", [2, 4], [[0, "fault band"]]))
    assert (fault.value, fault.quality) == (None, "fault band")


class AnalogOnly:
    """A converter that says what the script puts there."""

    due_ns, step_ns = 1 << 62, 0

    def __init__(self, rig: ScriptedRig) -> None:
        self._rig = rig

    def sample(self) -> None:
        raise AssertionError("nothing is due")

    def drain(self) -> list[object]:
        got, self._rig.waiting_items = self._rig.waiting_items, []
        return list(got)


def rig_with_converter(**changes: object) -> ScriptedRig:
    rig = ScriptedRig(make_setup(**changes))
    rig.edges, rig.gauge, rig.analog = EdgesOnly(rig), None, AnalogOnly(rig)
    rig.pressure = None  # the script's own gauge
    return rig


def test_fast_pressure_trips_at_once_and_its_ripple_is_no_rise() -> None:
    """Blocks of 5 ms whose means go up and down by 12 kPa: 2400 kPa/s from one to the next, and no
    rise over 0.1 s; then one block over the limit."""
    limits = NO_DUTY | {"pressure_rate": "500 kPa/s"}
    rig = rig_with_converter(
        gauge=None, limits=limits | {"pressure": "700 kPa"}, converter=CONVERTER, analog=[PRESSURE]
    )
    flip = [0]

    def blocks(t_ns: int) -> list[object]:
        flip[0] += 1
        code = 620 if flip[0] % 2 else 596  # 320 and 308 kPa
        if t_ns - begin > 1500 * MS:
            code = 1382  # 701 kPa
        return [block("pressure", [code] * 4)._replace(t_ns=t_ns - 750_000)]

    begin = rig.now_ns()
    analog(rig, 5, blocks)
    bench = Bench(rig.setup, rig)
    bench.preflight()
    bench.arm()
    _, trip = run(bench, rig)
    assert trip.rule == gauge_rules.OVER_PRESSURE and trip.value == 701
    assert trip.t_ns - begin < 1512 * MS


PRESSURE = {
    "channel": "pressure", "input": 0, "kind": "ratiometric", "supply": "5 V", "fast": True,
    "pressure_range": ["0 kPa", "1000 kPa"], "expected_range": ["0 kPa", "500 kPa"],
    "divider_upper": "10 kohm", "divider_lower": "10 kohm",
}  # fmt: skip


def test_a_current_sensor_wired_the_wrong_way_round_is_held_to_the_same_limit() -> None:
    assert sensor_rules.coil_current(-1.0, 1.0) is None
    found = sensor_rules.coil_current(-1.001, 1.0)
    assert found is not None and found.value == -1.001 and found.limit == 1.0


def interlock_of(**changes: object) -> Interlock:
    setup = make_setup(**changes)
    return Interlock(ScriptedRig(setup), setup, lambda _: None, lambda: 10**12)


def test_a_fast_current_is_judged_by_its_blocks() -> None:
    watching = interlock_of(converter=CONVERTER, analog=ALL, engine_speed=SPEED, limits=LIMITS)
    watching.see_block(Sample("coil_current", 1.0, 1, GOOD))
    assert watching.trip is None
    watching.see_block(Sample("coil_current", 1.01, 2, GOOD))
    assert watching.trip is not None and watching.trip.rule == sensor_rules.COIL_CURRENT


def test_a_fast_pressure_that_is_not_good_is_no_part_of_a_mean_and_counts_as_it_comes() -> None:
    """Three in a row outside the measuring range trip, as from a slow gauge."""
    watching = interlock_of(gauge=None, limits=NO_DUTY, converter=CONVERTER, analog=[PRESSURE])
    watching.see_block(Sample("pressure", 300.0, 1, GOOD))
    watching.see_block(Sample("pressure", None, 2, "fault band"))
    for n in range(2):
        watching.see_block(Sample("pressure", -40.0, 3 + n, "out of range"))
        assert watching.trip is None
    watching.see_block(Sample("pressure", -40.0, 5, "out of range"))
    assert watching.trip is not None and watching.trip.rule == gauge_rules.GAUGE_IMPLAUSIBLE


def test_a_mean_begins_anew_after_a_reading_that_is_not_good() -> None:
    means = Averager()
    assert means.add(Sample("pressure", 900.0, 0, GOOD)) is None
    bad = Sample("pressure", None, 50 * MS, "fault band")
    assert means.add(bad) is bad
    assert means.add(Sample("pressure", 100.0, 60 * MS, GOOD)) is None
    found = means.add(Sample("pressure", 200.0, 160 * MS, GOOD))
    assert found is not None and found.value == 150.0


def test_without_a_gauge_neither_its_limit_nor_its_silence_is_judged() -> None:
    watching = interlock_of(gauge=None, limits={"on_time": "2 s"})
    watching.start(0, {})
    watching.tick(10**12, {})
    watching.see_block(Sample("pressure", 9e9, 1, GOOD))
    assert watching.trip is None


def test_a_channel_is_missed_only_once_it_was_begun_to_be_watched() -> None:
    watched = ChannelWatch(setup_of())
    assert watched.tick(10**15) == []
    watched.start(0)
    assert len(watched.tick(10**15)) == 5


def test_on_time_of_earlier_runs_counts_in_the_window() -> None:
    setup = make_setup(limits=NO_DUTY | {"duty": "50 %", "duty_window": "60 s"})

    def after(on_s: float) -> Interlock:
        earlier = Carried(math.nan, [(round(on_s * 1e9), 0)], "")
        made = Interlock(ScriptedRig(setup), setup, lambda _: None, lambda: 10**12, carried=earlier)
        made.tick(10**12, {})
        return made

    assert after(30.0).trip is None
    trip = after(30.1).trip
    assert trip is not None and trip.rule == "duty"


def test_every_rule_says_what_to_look_at_and_whether_the_coil_must_cool() -> None:
    hot = [rule.name for rule in registry.RULES if registry.of_heat(rule.name)]
    assert hot == ["duty", "coil heating"] and not registry.of_heat("a rule of another version")
    for rule in registry.RULES:
        advice = registry.after_trip(rule.name)
        assert advice.words.startswith(rule.first) and advice.words.endswith("; then `rig clear`")
    unknown = registry.after_trip("a rule of another version")
    assert unknown.words == "read what the trip says and put it right; then `rig clear`"
    assert unknown.id == "advice.a-rule-of-another-version"
