# SPDX-License-Identifier: MIT
"""Stroke timing on captures whose edges are known in closed form.

Sources of the closed forms stand beside each; the captures are written here as text, from the
formulas alone, and go the whole way a person's file goes: CSV, analysis, JSON.
"""

from __future__ import annotations

import math
import statistics
from pathlib import Path

import pytest
from setups import board

from rig.analysis.analyse import analyse
from rig.captures import read_csv
from rig.config.sheet.model import StrokesSheet
from rig.results.run_json import run_json

RIG = board(
    coil={"supply_voltage": "12 V", "resistance": "20 ohm"},
    switch={"contact": "find"},
    readback={"line": 23},
)


def sheet(strokes: int) -> StrokesSheet:
    return StrokesSheet.model_validate(
        {"kind": "strokes", "strokes": strokes, "on_time": "500 ms", "rest": "500 ms"}
    )


def result_of(tmp_path: Path, lines: list[str], strokes: int = 1):
    path = tmp_path / "capture.csv"
    path.write_text("\n".join(lines) + "\n")
    return run_json(analyse(read_csv(path, RIG), RIG, sheet(strokes)))


def test_coil_current_reaching_pull_in(tmp_path):
    """RL step: i(t) = V/R (1 - exp(-t R/L)); with 20 ohm, 50 mH, 12 V it reaches 0.3 A after
    1.732868 ms (closed form; confirmed with scipy's ODE solver). Release through a diode of 0.7 V
    from 0.6 A to 0.1 A: tau ln((I0 + Vd/R)/(Id + Vd/R)) = 3.870876 ms."""
    tau_ms, current_a, diode_a = 50e-3 / 20 * 1e3, 12 / 20, 0.7 / 20
    pull_in_ms = -tau_ms * math.log(1 - 0.3 / current_a)
    drop_ms = tau_ms * math.log((current_a + diode_a) / (0.1 + diode_a))
    assert pull_in_ms == pytest.approx(1.732868, abs=5e-7)
    assert drop_ms == pytest.approx(3.870876, abs=5e-7)
    shape = result_of(
        tmp_path,
        [
            "time_ms,command,coil,switch", "0,0,0,0", "1000,1,,", "1000,,1,",
            f"{1000 + pull_in_ms:.6f},,,1", "1500,0,,", "1500,,0,",
            f"{1500 + drop_ms:.6f},,,0", "2000,,,",
        ],
    )  # fmt: skip
    stroke = shape["strokes"][0]
    assert stroke["response_ms"] == pytest.approx(1.732868, abs=1e-6)
    assert stroke["release_ms"] == pytest.approx(3.870876, abs=1e-6)
    assert stroke["marks"] == []


@pytest.mark.parametrize(("share", "expected_ms"), [(0.10, 17.107), (0.50, 28.863), (0.90, 61.052)])
def test_dead_time_and_first_order_rise(tmp_path, share, expected_ms):
    """Dead time 15 ms, then a first-order rise with 20 ms: t = 15 + 20 ln(1/(1 - share)). The
    10, 50 and 90 % points are the shifting times by three practices (ISO 12238, CETOP
    RP111P and NFPA T3.21.8; which takes which is from memory). Readings every 0.5 ms."""
    change_ms = 15 + 20 * math.log(1 / (1 - share))
    assert change_ms == pytest.approx(expected_ms, abs=5e-4)
    back_ms = 15 + 20 * math.log(1 / share)

    def kpa(ms: float) -> float:
        up = 1 - math.exp(-max(0.0, ms - 1015) / 20)
        down = 1 - math.exp(-max(0.0, ms - 1515) / 20)
        return 100 + 400 * up - 400 * down

    events = {1000.0: ("1", "1", ""), 1500.0: ("0", "0", "")}
    events[round(1000 + change_ms, 6)] = ("", "", "1")
    events[round(1500 + back_ms, 6)] = ("", "", "0")
    lines = ["time_ms,command,coil,switch,pressure_kpa", "0,0,0,0,100"]
    times = sorted({*events, *(0.25 + 0.5 * n for n in range(1900, 4000))})
    for at in times:
        command, coil, switch = events.get(at, ("", "", ""))
        pressure = "" if at in events else f"{kpa(at):.6f}"
        lines.append(f"{at:.6f},{command},{coil},{switch},{pressure}")
    stroke = result_of(tmp_path, lines)["strokes"][0]
    assert stroke["response_ms"] == pytest.approx(expected_ms, abs=5e-4)
    assert stroke["release_ms"] == pytest.approx(back_ms, abs=1e-6)
    # the pressure there is known from the formula: a straight line over 0.5 ms of it errs by less
    # than (0.5 ms)^2 / 8 * 400 / 20^2 kPa
    bound = 0.5**2 / 8 * 400 / 20**2 + 1e-4
    assert stroke["at_switch_on_kpa"] == pytest.approx(100 + 400 * share, abs=bound)
    assert stroke["at_switch_off_kpa"] == pytest.approx(100 + 400 * share, abs=bound)


def test_a_contact_that_bounces_like_a_ball(tmp_path):
    """Free flights shorten by the coefficient of restitution e each time (classical mechanics):
    8 ms, 8 e, 8 e^2 ... and the contact is closed only for an instant between them, here 0.1 ms.
    After n flights the contact rests at the sum of the series."""
    e, first_ms, touch_ms, flights = 0.6, 8.0, 0.1, 6
    lines = ["time_ms,command,coil,switch", "0,0,0,0", "1000,1,1,"]
    at = 1050.0
    for flight in range(flights):
        lines += [f"{at:.6f},,,1", f"{at + touch_ms:.6f},,,0"]
        at += touch_ms + first_ms * e**flight
    lines += [f"{at:.6f},,,1", "1500,0,0,", "1530,,,0", "2000,,,"]
    stroke = result_of(tmp_path, lines)["strokes"][0]
    series_ms = first_ms * (1 - e**flights) / (1 - e) + flights * touch_ms
    assert stroke["first_edge_on_ms"] == 50
    assert stroke["response_ms"] == pytest.approx(50 + series_ms, abs=2e-6)
    assert stroke["bounce_on"] == 2 * flights


def test_a_hundred_strokes_against_the_standard_library(tmp_path):
    """A drift and a beat written down as formulas; figures from the module statistics."""
    responses = [round(52 + 0.03 * n + 1.5 * math.sin(2 * math.pi * n / 7), 6) for n in range(100)]
    releases = [round(38 + 2 * math.cos(2 * math.pi * n / 11), 6) for n in range(100)]
    missed = {17, 64}
    lines = ["time_s,command,coil,switch", "0,0,0,1"]  # rests closed: contact found to be NC
    for n in range(100):
        on_ns = (n + 1) * 10**9
        events = [(on_ns, "1,,"), (on_ns + 8_000_000, ",1,")]
        off_ns = on_ns + 500_000_000
        events += [(off_ns, "0,,"), (off_ns + 4_000_000, ",0,")]
        if n not in missed:
            events.append((on_ns + 8_000_000 + round(responses[n] * 1e6), ",,0"))
            events.append((off_ns + 4_000_000 + round(releases[n] * 1e6), ",,1"))
        lines += [f"{t // 10**9}.{t % 10**9:09d},{cells}" for t, cells in sorted(events)]
    lines.append("102,,,")
    shape = result_of(tmp_path, lines, 100)
    for name, truth in (("response_ms", responses), ("release_ms", releases)):
        known = [value for n, value in enumerate(truth) if n not in missed]
        steady, summary = known[1:], shape["summary"][name]  # the first one comes after a rest
        assert summary["n"] == 97
        assert summary["mean"] == pytest.approx(statistics.fmean(steady), abs=1e-6)
        assert summary["sd"] == pytest.approx(statistics.stdev(steady), abs=1e-6)
        assert summary["median"] == pytest.approx(statistics.median(steady), abs=1e-6)
        assert (summary["min"], summary["max"]) == (min(steady), max(steady))
        found = [s[name] for s in shape["strokes"]]
        assert [n for n, value in enumerate(found) if value is None] == sorted(missed)
        assert [v for v in found if v is not None] == known
    assert shape["contact"] == {"sense": "normally closed", "how": "found from the rest state"}
    assert shape["counts"]["missed"] == 2
    assert [s["number"] for s in shape["strokes"]] == list(range(1, 101))
