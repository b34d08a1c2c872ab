# SPDX-License-Identifier: MIT
"""The rig's own times: found from a run without a valve, and applied to others."""

from __future__ import annotations

import datetime
import math
import sys
from pathlib import Path

import numpy as np
import pytest
from stroke_trains import Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.analysis.coil.plunger_timing import _switch_late
from rig.analysis.compare.agreement_runs import agreement_of
from rig.analysis.compare.compare_runs import compare_runs
from rig.analysis.compare.own_times import own_times as own_times_between
from rig.analysis.measure.own_timing import FEWEST, Applied, NoLoopError, own_times
from rig.analysis.measure.pressure_at import reading_age_s
from rig.config.calibration_rules import timing_rules
from rig.config.setup.model import RelaySetup
from rig.config.setup.timing import TimingSetup
from rig.config.sheet.compare import Compare
from rig.core.records import Step
from rig.results.run_json import run_json
from rig.text.run_facts import facts

sys.path.insert(0, str(Path(__file__).parents[1] / "checks"))
from nist_univariate import SETS

LEW, MAVRO = SETS[0], SETS[1]
DAY = datetime.date(2026, 11, 2)
TIMING = {
    "date": "2026-11-02", "due": "2027-11-02", "by": "M. Example", "timed_from": "read-back",
    "source": "board", "run": 3,
    "response_n": 100, "response_mean": "0.3 ms", "response_sd": "0.02 ms",
    "release_n": 400, "release_mean": "-0.2 ms", "release_sd": "0.05 ms",
    "operate_delay": ["5 ms", "7 ms"], "release_delay": ["3 ms", "4 ms"],
}  # fmt: skip


RELAY = RelaySetup(line=17)  # 10 ms at most, both ways


def loop(on_ms: list[float], off_ms: list[float], *, readback: bool = True, **how: bool) -> Train:
    """The switch input is `on_ms`, `off_ms` later than the load side, 8 and 4 ms after command."""
    train = Train(readback=readback, **how)
    for n, (on, off) in enumerate(zip(on_ms, off_ms, strict=True)):
        at = 1000.0 * (n + 1)
        train.stroke(n + 1, at, at + 400, live=8 if readback else None, on_edges=[8 + on],
                     dead=4 if readback else None, off_edges=[4 + off])  # fmt: skip
    train.end(1000.0 * (len(on_ms) + 2))
    return train


class TestFound:
    @pytest.mark.parametrize("closed_on", [True, False])
    def test_certified_mean_and_standard_deviation(self, closed_on: bool) -> None:
        """NIST StRD, Lew (on, in microseconds: some edges come before the read-back's) and Mavro
        (off, in ms): see tests/checks/nist_univariate.py."""
        n = len(MAVRO.values)
        whole = [value * 1e-3 for value in LEW.values]
        found = own_times(loop(whole, [0.0] * len(whole), closed_on=closed_on).build(), RELAY)
        assert (found.timed_from, found.response.n, found.left_out) == ("read-back", 200, 0)
        assert found.response.mean_ms == pytest.approx(LEW.mean * 1e-3, abs=1e-9)
        assert found.response.sd_ms == pytest.approx(LEW.sd * 1e-3, rel=1e-9)
        found = own_times(loop([0.0] * n, MAVRO.values).build(), RELAY)
        assert found.release.mean_ms == pytest.approx(MAVRO.mean, abs=1e-9)
        assert found.release.sd_ms == pytest.approx(MAVRO.sd, rel=1e-6)
        assert (found.response.mean_ms, found.response.sd_ms) == (0.0, 0.0)
        assert (found.response.least_ms, found.release.most_ms) == (8.0, 4.0)

    def test_without_a_read_back_the_relay_is_in_it(self) -> None:
        late = [0.1 * (n % 5) for n in range(50)]
        found = own_times(loop(late, late, readback=False).build(), RELAY)
        assert found.timed_from == "command"
        assert found.response.mean_ms == pytest.approx(8.2)
        assert (found.response.least_ms, found.response.most_ms) == pytest.approx((8.0, 8.4))
        assert (found.release.least_ms, found.release.most_ms) == pytest.approx((4.0, 4.4))

    @pytest.mark.parametrize(("on", "off", "key"), [(29, 1, "operate"), (1, 29, "release")])
    def test_without_a_read_back_a_valve_is_no_relay(self, on: float, off: float, key: str) -> None:
        """Beyond what the setup states of the relay it may be a valve that answers."""
        train = loop([on] * 40, [off] * 40, readback=False)
        with pytest.raises(NoLoopError, match=rf"\[relay\] {key}_delay of 10 ms at most: a valve"):
            own_times(train.build(), RELAY)
        slow = RelaySetup.model_validate(
            {"line": 17, "operate_delay": "40 ms", "release_delay": "40 ms"}
        )
        assert own_times(train.build(), slow).response.mean_ms == pytest.approx(8 + on)

    def test_a_table_of_a_valve_is_refused_in_a_setup(self) -> None:
        """The same of a table that is there already; a read-back tells the loop by itself."""
        valve = {"operate_delay": ["35.1 ms", "50.4 ms"]}
        rig = setup(readback=False, timing={**TIMING, "timed_from": "command", **valve})
        (found,) = timing_rules(rig)
        assert found.where == ("timing", "operate_delay", 1)
        assert "50.4 ms is more than the 10 ms that [relay] operate_delay states" in found.what
        assert not list(timing_rules(setup(readback=True, timing={**TIMING, **valve})))

    def test_a_bounce_that_one_input_alone_shows_is_left_out(self) -> None:
        train = Train()
        for n in range(100):
            at = 1000.0 * (n + 1)
            torn = n % 4 == 0  # the switch input is blind to the first touch, 0.3 ms before
            train.stroke(n + 1, at, at + 400, live=7.7 if torn else 8, dead=4, on_edges=[8.1],
                         off_edges=[4.1])  # fmt: skip
            if torn:
                train.edge("readback", False, at + 7.9)
                train.edge("readback", True, at + 8)
        found = own_times(train.build(), RELAY)
        assert (found.response.n, found.release.n) == (75, 100)
        assert found.response.mean_ms == pytest.approx(0.1)
        assert found.response.sd_ms == pytest.approx(0.0, abs=1e-9)
        assert (found.response.least_ms, found.response.most_ms) == (7.7, 8.0), (
            "the relay's delay is that of every stroke"
        )

    def test_one_stroke_without_its_edges_is_let_pass_however_few_there_are(self) -> None:
        train = loop([0.1] * 40, [0.1] * 40)
        train.stroke(900, 41_000, 41_400, live=8, dead=4)
        found = own_times(train.build(), RELAY)
        assert (found.response.n, found.left_out) == (40, 1)

    @pytest.mark.parametrize(
        ("on", "missing", "words"),
        [([42.0] * 40, 0, "42.0 ms late: a valve answers"), ([0.1] * (FEWEST - 1), 0, "too few"),
         ([0.1] * 40, 3, "in 3 of 43 strokes"), ([], 0, "no strokes")],
    )  # fmt: skip
    def test_what_is_no_loop_is_refused(self, on: list[float], missing: int, words: str) -> None:
        train = loop(on, [0.1] * len(on))
        for n in range(missing):
            at = 1000.0 * (n + 1 + len(on))
            train.stroke(900 + n, at, at + 400, live=8, dead=4)
        with pytest.raises(NoLoopError, match=words):
            own_times(train.build(), RELAY)


def result(on: datetime.date | None = DAY, *, readback: bool = True, **keys: object):
    wired = setup(readback=readback).wired_for_timing
    made = {**TIMING, "wired": wired, **keys} if keys.get("date", 1) else None
    rig = setup(readback=readback, timing=made)
    train = loop([50.3 + 0.1 * (n % 4) for n in range(12)], [30.0] * 12, readback=readback)
    page = sheet(strokes=12, accept=[{"figure": "response", "max": "80 ms"}])
    return run_json(analyse(train.build(), rig, page, done_on=on))


def lines(shape, name: str) -> dict[str, dict]:
    return {line["name"]: line for line in shape["budget"][name]["lines"]}


class TestApplied:
    def test_measured_lines_stand_in_place_of_the_constants(self) -> None:
        """u of a mean is s over root n with n - 1 degrees of freedom (JCGM 100:2008, 4.2.3)."""
        shape = result()
        single, mean = (shape["budget"][f"{one}response_ms"] for one in ("single_", ""))
        assert list(lines(shape, "single_response_ms")) == [
            "rig's own time", "rig's own scatter", "bounce definition",
        ]  # fmt: skip
        assert list(lines(shape, "response_ms")) == [
            "repeatability", "rig's own time", "bounce definition",
        ]  # fmt: skip
        own = lines(shape, "response_ms")["rig's own time"]
        assert (own["u"], own["dof"]) == (pytest.approx(0.02 / 10), 99)
        assert lines(shape, "release_ms")["rig's own time"]["u"] == pytest.approx(0.05 / 20)
        assert (single["correction"], mean["correction"]) == (-0.3, -0.3)
        assert shape["budget"]["release_ms"]["correction"] == 0.2
        bounce = 0.02 / math.sqrt(3)
        assert single["u"] == pytest.approx(math.hypot(0.002, 0.02, bounce), abs=1e-6)
        low, high = single["interval95"]
        assert (low + high) / 2 == pytest.approx(single["value"] - 0.3, abs=1e-5)
        assert shape["timing"]["state"] == "in date"
        assert "subtracted" in dict(facts(shape))["rig's own times"]

    def test_without_it_every_constant_says_that_it_is_assumed(self) -> None:
        for readback in (True, False):
            shape = result(date=None, readback=readback)
            for name in ("single_response_ms", "release_ms"):
                for line, shown in lines(shape, name).items():
                    told = "assumed, not measured" in shown["note"]
                    assert told == (line != "repeatability"), line
            assert dict(facts(shape))["rig's own times"] == "assumed, not measured"

    def test_out_of_date_the_constants_count_again_and_it_is_said(self) -> None:
        shape = result(datetime.date(2027, 11, 3))
        assert {"read-back delay", "time stamp of the switch's edge", "rig's own time"} <= set(
            lines(shape, "single_response_ms")
        )
        assert shape["budget"]["single_response_ms"]["correction"] == -0.3
        assert "timing is OUT OF DATE" in shape["verdict"]["why"]
        assert "OUT OF DATE" in dict(facts(shape))["RIG'S TIMES"]
        assert "OUT OF DATE" not in result()["verdict"]["why"]
        unknown = result(None)
        assert "in date is not known" in unknown["verdict"]["why"]
        assert "read-back delay" in lines(unknown, "single_response_ms")

    @pytest.mark.parametrize(
        ("keys", "words"),
        [({"source": "emulated board"}, "measured on emulated board, and this is board"),
         ({"wired": "relay 4"}, "the wiring has changed; it was relay 4, and is chip"),
         ({"wired": ""}, "does not say what was measured"), ({"run": None}, "does not say"),
         ({"source": None}, "does not say")],
    )  # fmt: skip
    def test_of_another_rig_it_is_out_of_date(self, keys: dict[str, str], words: str) -> None:
        shape = result(**keys)
        assert shape["timing"]["state"] == "out of date"
        assert words in shape["verdict"]["why"]
        assert "read-back delay" in lines(shape, "single_response_ms")

    def test_of_another_backend_it_is_refused(self) -> None:
        (found,) = timing_rules(setup(timing={**TIMING, "source": "simulated"}))
        assert found.where == ("timing", "source")
        assert '"simulated" was measured, and backend is "board"' in found.what

    def test_what_is_wired_is_named(self) -> None:
        rig = setup()
        said = rig.wired_for_timing
        for table, change in (
            ("relay", {"line": 4}), ("relay", {"operate_delay_s": 0.02}), ("switch", {"line": 4}),
            ("switch", {"pull": "down"}), ("readback", {"line": 4}), ("readback", {"pull": "up"}),
        ):  # fmt: skip
            part = getattr(rig, table).model_copy(update=change)
            assert rig.model_copy(update={table: part}).wired_for_timing != said, (table, change)
        assert rig.model_copy(update={"readback": None}).wired_for_timing != said

    def test_a_relay_delay_is_a_range(self) -> None:
        """From the command: the measured mean off, least to most as a rectangle; assumed, the
        middle of the stated range; out of date, both ranges together."""
        told = {"timed_from": "command", "response_mean": "5.8 ms", "release_mean": "3.4 ms"}
        shape = result(readback=False, **told)
        assert shape["budget"]["response_ms"]["correction"] == -5.8
        relay = lines(shape, "response_ms")["relay delay"]
        assert (relay["value"], relay["distribution"]) == (pytest.approx(1.2), "rectangular")
        assert shape["reference"]["response_least_ms"] == 5.0
        overdue = lines(result(datetime.date(2028, 1, 1), readback=False, **told), "response_ms")
        assert overdue["relay delay"]["value"] == pytest.approx(5.8 - 1.0)  # 10 ms / 10 to 10 ms
        assumed = result(date=None, readback=False)
        assert assumed["budget"]["response_ms"]["correction"] == pytest.approx(-5.5)
        assert lines(assumed, "response_ms")["relay delay"]["value"] == pytest.approx(4.5)

    def test_a_capture_has_its_own_clock(self) -> None:
        train = Train("capture")
        for n in range(8):
            train.stroke(n + 1, 1000 * (n + 1), 1000 * (n + 1) + 400, live=8, dead=4,
                         on_edges=[50.125 + n], off_edges=[30])  # fmt: skip
        shape = run_json(analyse(train.build(), setup(timing=TIMING), None, done_on=DAY))
        assert shape["timing"] is None
        assert shape["budget"]["response_ms"]["correction"] == 0.0


RATE = 0.01
"""kPa/ms, both ways."""


def ramps(late_ms: float, age_ms: float, *, period: float = 100.0, timing: object = None):
    """Three ramps at RATE; the switch truly goes on at 150 kPa and off at 110. Its edges are
    stamped `late_ms` late, readings arrive `age_ms` after the pressure they show."""
    train, at = Train(), 1000.0
    for number in (1, 2, 3):
        for name, up in (("raise", True), ("lower", False)):
            train.add(Step(name, number, round(at * 1e6)))
            reached = (150 if up else 200 - 110) / RATE
            train.edge("switch", up, at + reached + late_ms)
            for ms in np.arange(period / 2 + 1.3 * up, 200 / RATE, period):
                kpa = RATE * ms if up else 200 - RATE * ms
                train.sample(at + ms + age_ms, kpa)
            at += 200 / RATE
    train.end(at + 500)
    gauge = {"accuracy": "0.01 kPa", "period": f"{period} ms", "baud": 115200}
    rig = setup(gauge=gauge, timing=timing)
    page = sheet("ramp", ramps=3, low="10 kPa", high="190 kPa")
    return run_json(analyse(train.build(), rig, page, done_on=DAY))


FRAME_MS = 1e3 * reading_age_s(setup(gauge={"baud": 115200}).gauge)


class TestElsewhere:
    """Where else the switch's edge counts: pressures on a ramp, and the current's split."""

    def test_a_ramps_pressure_is_that_of_the_edges_instant(self) -> None:
        """The input tells its edges 20 ms late, 0.2 kPa at this rate; the readings are as old as
        the middle of what is assumed."""
        late, P = {"response_mean": "20 ms", "release_mean": "20 ms"}, 20.0
        wired = setup(gauge={}).wired_for_timing
        made = {**TIMING, **late, "wired": wired}
        plain, measured = (
            ramps(20.0, FRAME_MS + P / 2, period=P, timing=timing) for timing in (None, made)
        )
        for key, truth in (("actuation_kpa", 150), ("reset_kpa", 110), ("differential_kpa", 40)):
            off = {"actuation_kpa": 0.2, "reset_kpa": -0.2, "differential_kpa": 0.4}[key]
            found = measured["ramp"]["summary"][key]
            assert found["best"] == pytest.approx(truth, abs=0.002), key
            assert plain["ramp"]["summary"][key]["best"] == pytest.approx(truth + off, abs=0.002)
            names = lines(measured, key)
            assert any(name.startswith("rig's own time") for name in names)
            assert "time stamp of the switch's edge" not in names
            assert "read-back delay" in names
        assert "time stamp of the switch's edge" in lines(plain, "actuation_kpa")
        single = lines(measured, "single_differential_kpa")
        assert single["rig's own scatter, edge to on"]["value"] == 0.02

    @pytest.mark.parametrize("share", [0.0, 0.3, 1.0])
    def test_a_latency_that_nobody_stated_only_makes_readings_late(self, share: float) -> None:
        """JCGM 100, 4.3.8: bounds that do not lie evenly about what is read. Whatever the age is
        from 0 to a period, the interval of one ramp holds the truth; numpy's draws of p = shown +
        rate a, a from 0 to a period, have the same ends."""
        period = 100.0
        found = ramps(0.0, FRAME_MS + share * period, period=period)
        for key, truth, way in (("actuation_kpa", 150, 1), ("reset_kpa", 110, -1)):
            one = found["budget"][f"single_{key}"]
            low, high = one["interval95"]
            assert low <= truth <= high
            (age,) = [line for line in one["lines"] if line["name"] == "reading's age"]
            assert (age["value"], age["distribution"]) == (period / 2, "rectangular")
            assert one["correction"] == pytest.approx(way * RATE * period / 2, rel=1e-3)
            chance = np.random.default_rng(7)
            drawn = one["value"] + way * RATE * chance.uniform(0, period, 400_000)
            for line in one["lines"]:
                if line["name"] != "reading's age":
                    half = line["value"] * line["sensitivity"]
                    wide = line["distribution"] == "rectangular"
                    drawn += half * (
                        chance.uniform(-1, 1, 400_000) if wide else chance.normal(size=400_000)
                    )
            assert [low, high] == pytest.approx(np.quantile(drawn, [0.025, 0.975]), abs=0.01)
            # a range about what was read, as wide on the early side, would have twice that
            assert age["part"] == pytest.approx(RATE * period / math.sqrt(12), rel=1e-3)

    def test_the_hydraulic_part_ends_at_the_switch_and_is_shorter_by_its_lateness(self) -> None:
        applied = Applied(TimingSetup.model_validate(TIMING), "in date")
        late, u = _switch_late(applied, 0.03)
        assert late == pytest.approx(0.3)
        assert u == pytest.approx(math.hypot(0.002, 0.02, 0.1 / math.sqrt(3), 0.03))
        assert _switch_late(None, 0.03) == (0.0, 0.03)
        command = TimingSetup.model_validate({**TIMING, "timed_from": "command"})
        assert _switch_late(Applied(command, "in date"), 0.03) == (0.0, 0.03)


def rig_run(run: int, add_ms: float, timing: dict | None, *, setup_hash: str, valve: str = "V",
            line: int = 17, mean: float = 50.0):  # fmt: skip
    """A run whose rig adds `add_ms`, of a valve that truly takes `mean`."""
    wired = setup(line=line).wired_for_timing
    rig = setup(line=line, timing=timing and {**timing, "wired": wired})
    scatter = [0.1 * ((7 * n) % 5 - 2) for n in range(20)]
    train = loop([mean + add_ms + one for one in scatter], [30.0] * 20)
    found = run_json(analyse(train.build(), rig, sheet(strokes=20), done_on=DAY))
    return found | {"run": run, "setup_hash": setup_hash, "sheet_hash": "s", "valve": valve,
                    "mount": 1, "job": "J", "conditions": {}}  # fmt: skip


class TestCompared:
    MADE = ({**TIMING, "response_mean": "0.2 ms"}, {**TIMING, "run": 9, "response_mean": "2.2 ms"})

    def test_one_rig_adds_the_same_to_both(self) -> None:
        """It cancels: under one setup, under one measurement, and where it was measured between."""
        one = self.MADE[0]
        for first, second, hashes in ((one, one, "ab"), (None, one, "ab"), (None, None, "ab"),
                                      (*self.MADE, "aa")):  # fmt: skip
            runs = [
                rig_run(n + 1, 0.2, made, setup_hash=name)
                for n, (made, name) in enumerate(zip((first, second), hashes, strict=True))
            ]
            assert own_times_between("response_ms", *runs) is None

    def test_two_rigs_are_each_corrected_by_their_own(self) -> None:
        """The same valve on two rigs whose inputs differ by 2 ms: a difference as read, and none of
        the valve. The uncertainty of both means is in it (JCGM 100, 5.1.2)."""
        runs = [
            rig_run(n + 1, add, made, setup_hash=f"{n}")
            for n, (add, made) in enumerate(zip((0.2, 2.2), self.MADE, strict=True))
        ]
        own = own_times_between("response_ms", *runs)
        assert own is not None
        assert own.shift == pytest.approx(2.0)
        bounce = 0.02 / math.sqrt(3)
        assert own.u == pytest.approx(math.sqrt(2) * math.hypot(0.002, bounce), rel=1e-3)
        compared = compare_runs(runs, Compare(), [None, None])
        found = compared["figures"]["response_ms"]
        assert "The rig's own times are not the same in run 1 and in run 2" in compared["notes"][1]
        assert found["difference_ms"] == pytest.approx(2.0)
        assert found["allowed_for"]["difference_ms"] == pytest.approx(0.0, abs=1e-6)
        assert found["allowed_for"]["own_times_ms"] == pytest.approx(2.0)
        assert found["real"] is not True

    def test_a_rig_that_was_never_measured_leaves_its_bounds_open(self) -> None:
        runs = [rig_run(1, 0.2, self.MADE[0], setup_hash="a"),
                rig_run(2, 0.0, None, setup_hash="b", line=5)]  # fmt: skip
        own = own_times_between("response_ms", *runs)
        assert own is not None
        assert own.shift == pytest.approx(-0.2)
        assert own.u > 0.1 / math.sqrt(3)  # the read-back delay that is assumed

    def test_rigs_agree_by_the_values_that_they_stand_for(self) -> None:
        sides = [
            [rig_run(10 * n + k, add, made, setup_hash=f"{n}", valve=f"V{k}", mean=50.0 + k)
             for k in range(4)]
            for n, (add, made) in enumerate(zip((0.2, 2.2), self.MADE, strict=True))
        ]  # fmt: skip
        found = agreement_of(*sides)
        assert found["figures"]["response_ms"]["bias"] == pytest.approx(0.0, abs=1e-6)
        assert "as each was measured, are subtracted" in found["words"][-1]
        plain = [[rig_run(10 * n + k, add, None, setup_hash=f"{n}", valve=f"V{k}", mean=50.0 + k)
                  for k in range(4)] for n, add in enumerate((0.2, 2.2))]  # fmt: skip
        found = agreement_of(*plain)
        assert found["figures"]["response_ms"]["bias"] == pytest.approx(2.0)
        assert found["words"][-1].startswith("Times are as read")
