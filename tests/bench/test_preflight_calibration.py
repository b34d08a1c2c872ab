# SPDX-License-Identifier: MIT
"""Before each run: is the gauge in date, and is its zero where the calibration left it?"""

from __future__ import annotations

import pytest
from setups import GAUGE, board

from rig.bench.preflight import _calibration
from rig.config.gauge.calibration import CalibrationSetup
from rig.core.preflight import DOUBTFUL, GOOD

SETUP = board(
    backend="simulated", coil={"supply_voltage": "12 V", "fuse": "3 A", "resistance": "20 ohm"},
    gauge=GAUGE | {"pattern": "{pressure}", "unit": "kPa"}, limits={"pressure": "600 kPa"},
)  # fmt: skip
POINTS = [{"reference": f"{t} kPa", "reading": f"{t + 1} kPa"} for t in range(0, 500, 100)]


def wired(**more):
    made = CalibrationSetup.model_validate(
        {
            "date": "2026-01-01", "due": "2999-01-01", "reference": "invented",
            "reference_uncertainty": "1 kPa", "points": POINTS, "zero_check": True,
            "zero_reading": "1 kPa", "zero_tolerance": "2 kPa",
        }
        | more
    )  # fmt: skip
    return SETUP.model_copy(update={"calibration": made})


def results(setup, kpa):
    return {check.name: check for check in _calibration(setup, kpa)}


def test_in_date_with_its_zero_is_good():
    found = results(wired(), 1.5)
    assert [check.result for check in found.values()] == [GOOD, GOOD]
    assert "due 2999-01-01" in found["Gauge calibration"].shown


def test_out_of_date_is_doubtful_and_says_what_to_do():
    check = results(wired(due="2026-01-02"), 1.0)["Gauge calibration"]
    assert check.result == DOUBTFUL
    assert "OUT OF DATE" in check.shown
    assert "rig calibrate" in check.remedy


@pytest.mark.parametrize(("kpa", "result"), [(3.0, GOOD), (3.1, DOUBTFUL), (-1.1, DOUBTFUL)])
def test_the_zero_at_its_tolerance(kpa, result):
    assert results(wired(), kpa)["Gauge's zero"].result == result


def test_a_reading_that_is_no_number_is_doubtful():
    assert results(wired(), float("nan"))["Gauge's zero"].result == DOUBTFUL


def test_without_a_calibration_or_zero_check_there_is_no_such_line():
    assert results(SETUP, 1.0) == {}
    assert "Gauge's zero" not in results(wired(zero_check=False), 50.0)
