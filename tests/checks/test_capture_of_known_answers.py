# SPDX-License-Identifier: MIT
"""A capture made here, with answers known in closed form, reads back within its own uncertainty.

First-order pressure: t10 = tau ln(10/9), t50 = tau ln 2, t90 = tau ln 10, rise tau ln 9, after a
dead time. Response and release are written to 0.1 ms.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from setups import board

from rig.analysis.analyse import analyse
from rig.captures import read_csv
from rig.results.run_json import run_json

SETUP = board(readback={"line": 27})


def capture(folder, *, dead: float, tau: float, step: float, responses: list[float]):
    """Strokes of 500 ms on and 1,000 ms off, pressure sampled every `step` ms."""
    rows: list[tuple[float, str]] = [(0.0, "0,0,0,")]
    for number, response in enumerate(responses, 1):
        on = 1500.0 * number
        rows += [
            (on, "1,,,"), (on + 8, ",1,,"), (on + 8 + response, ",,1,"),
            (on + 500, "0,,,"), (on + 504, ",0,,"), (on + 504 + 30, ",,0,"),
        ]  # fmt: skip
    end = 1500.0 * (len(responses) + 1)
    for ms in np.arange(0.05, end, step):
        number, x = divmod(ms, 1500.0)
        kpa = 20.0
        if 1 <= number <= len(responses):
            if x < 504 + dead:
                kpa += 300 * (1 - math.exp(-max(x - 8 - dead, 0) / tau))
            else:
                kpa += 300 * math.exp(-(x - 504 - dead) / tau)
        rows.append((float(ms), f",,,{kpa:.3f}"))
    rows.sort()
    path = folder / "made.csv"
    lines = [f"{ms:.4f},{cells}" for ms, cells in rows]
    path.write_text(
        "# resolution: 0.1 ms\ntime_ms,command,coil,switch,pressure_kpa\n" + "\n".join(lines) + "\n"
    )
    return path


@settings(max_examples=12)
@given(
    dead=st.floats(2, 30), tau=st.floats(8, 40), step=st.sampled_from([0.5, 1.0, 2.0]),
    mean=st.integers(40, 90), seed=st.integers(0, 99),
)  # fmt: skip
def test_reads_back(tmp_path_factory, dead, tau, step, mean, seed):
    rng = np.random.default_rng(seed)
    responses = [round(float(x), 1) for x in rng.normal(mean, 1.5, 6)]
    path = capture(
        tmp_path_factory.mktemp("made"), dead=dead, tau=tau, step=step, responses=responses
    )
    shape = run_json(analyse(read_csv(path, SETUP), SETUP, None))
    assert [stroke["response_ms"] for stroke in shape["strokes"]] == pytest.approx(responses)
    single = shape["budget"]["single_response_ms"]
    assert single["U"] < 0.3  # times written to 0.1 ms
    for stroke in shape["strokes"]:
        pressure = stroke["pressure"]
        wide = 2 * pressure["u_delay_ms"]
        assert wide < 1.6 * step + 0.2
        for name, exact in (
            ("delay_10_ms", dead + tau * math.log(10 / 9)),
            ("delay_50_ms", dead + tau * math.log(2)),
            ("delay_90_ms", dead + tau * math.log(10)),
        ):
            if pressure[name] is not None:
                assert pressure[name] == pytest.approx(exact, abs=wide), name
        assert pressure["rise_ms"] == pytest.approx(
            tau * math.log(9), abs=2 * pressure["u_rise_ms"]
        )
        assert pressure["high_kpa"] == pytest.approx(320, abs=0.05)
