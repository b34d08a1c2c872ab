# SPDX-License-Identifier: MIT
"""What each interlock rule reports: its id, value and limit in the unit it names, a sentence that
holds both numbers; at the limit nothing, and NaN trips."""

from __future__ import annotations

import math
import re
from collections.abc import Callable

import pytest

from rig.bench.interlock import coil_and_program_rules as program
from rig.bench.interlock import gauge_rules as gauge
from rig.bench.interlock import sensor_rules as sensor
from rig.bench.interlock.rule import Finding

Rule = Callable[[float], Finding | None]
UPPER: list[tuple[str, Rule, float, float, float, str]] = [
    # id, rule of one value, its limit, a value beyond, what one unit of the value is, unit
    (program.ON_TIME, lambda v: program.on_time(v, 4.0), 4.0, 4.25, 1, "s"),
    (program.DUTY, lambda v: program.duty(60 * v, 60.0, 0.5), 0.5, 0.75, 100, "%"),
    (program.COIL_HEATING, lambda v: program.coil_heating(v, 120.0), 120.0, 131.0, 1, "degC"),
    (program.READBACK, lambda v: program.readback(True, v, 0.06, "supply"), 0.06, 0.075, 1e3, "ms"),
    (program.EDGE_SOURCE, lambda v: program.edge_source("switch", v, 0.05), 0.05, 0.07, 1e3, "ms"),
    (program.RECORDER, lambda v: program.recorder_behind(False, v, 3.0), 3.0, 4.5, 1, "s"),
    (program.LOOP, lambda v: program.loop_late(v, 0.1), 0.1, 0.25, 1e3, "ms"),
    (gauge.OVER_PRESSURE, lambda v: gauge.over_pressure(v, 700.0), 700.0, 801.0, 1, "kPa"),
    (gauge.PRESSURE_RATE, lambda v: gauge.pressure_rate(v, 90.0), 90.0, 125.0, 1, "kPa/s"),
    (gauge.GAUGE_STALE, lambda v: gauge.gauge_stale(v, 0.5), 0.5, 0.75, 1, "s"),
    (gauge.OIL_TEMPERATURE, lambda v: gauge.oil_temperature(v, 130.0), 130.0, 141.0, 1, "degC"),
    (gauge.SUPPLY_VOLTAGE, lambda v: gauge.supply_voltage(v, 11.0, 15.0), 15.0, 15.5, 1, "V"),
    (sensor.COIL_CURRENT, lambda v: sensor.coil_current(v, 1.0), 1.0, 1.25, 1, "A"),
    (sensor.CYLINDER_PRESSURE, lambda v: sensor.cylinder_pressure(v, 1500.0), 1500.0, 1601.0, 1,
     "kPa"),
    (sensor.ENGINE_SPEED, lambda v: sensor.engine_speed(v, 500.0, 1200.0), 1200.0, 1301.0, 1,
     "rpm"),
    (sensor.CHANNEL_STALE, lambda v: sensor.channel_stale("oil_temperature", v, 0.5), 0.5, 0.75, 1,
     "s"),
]  # fmt: skip
LOWER: list[tuple[str, Rule, float, float, float, str]] = [
    (program.DISK, lambda v: program.disk_nearly_full(v, 200.0), 200.0, 150.0, 1, "MB"),
    (gauge.SUPPLY_VOLTAGE, lambda v: gauge.supply_voltage(v, 11.0, 15.0), 11.0, 10.5, 1, "V"),
    (sensor.ENGINE_SPEED, lambda v: sensor.engine_speed(v, 500.0, 1200.0), 500.0, 401.0, 1, "rpm"),
]


def numbers(sentence: str) -> list[float]:
    return [float(text) for text in re.findall(r"-?\d+(?:\.\d+)?", sentence)]


@pytest.mark.parametrize(("rule", "of", "limit", "beyond", "scale", "unit"), [*UPPER, *LOWER])
def test_a_rule_reports_its_id_its_value_its_limit_and_their_unit(
    rule: str, of: Rule, limit: float, beyond: float, scale: float, unit: str
) -> None:
    assert of(limit) is None
    found = of(beyond)
    assert found is not None
    assert (found.rule, found.unit) == (rule, unit)
    assert found.value == pytest.approx(beyond * scale)
    assert found.limit == pytest.approx(limit * scale)
    said = numbers(found.message)
    for number in (beyond * scale, limit * scale):
        assert any(math.isclose(number, one, abs_tol=0.51, rel_tol=0.01) for one in said), said
    unknown = of(math.nan)
    assert unknown is not None and unknown.rule == rule


@pytest.mark.parametrize(
    ("rule", "least"),
    [
        (lambda n: gauge.gauge_implausible(n, 3, 912.0), (gauge.GAUGE_IMPLAUSIBLE, "readings")),
        (lambda n: gauge.gauge_stuck(n, 3), (gauge.GAUGE_STUCK, "strokes")),
    ],
)
def test_a_rule_that_counts_trips_at_its_count(
    rule: Callable[[int], Finding | None], least: tuple[str, str]
) -> None:
    assert rule(2) is None
    for n in (3, 4):
        found = rule(n)
        assert found is not None
        assert (found.rule, found.value, found.limit, found.unit) == (
            least[0], float(n), 3.0, least[1],
        )  # fmt: skip
        assert n in numbers(found.message)


def test_the_wild_value_is_named_where_there_is_one() -> None:
    known, unknown = (gauge.gauge_implausible(3, 3, value) for value in (912.0, None))
    assert known is not None and unknown is not None
    assert 912.0 in numbers(known.message)
    assert numbers(unknown.message) == [3.0]


def test_the_gauge_s_unit_and_lost_lines_have_no_number() -> None:
    lost = program.edge_source_failed("line 22 is busy.")
    gone, changed = program.recorder_gone(), gauge.unit_changed()
    assert [one.rule for one in (lost, gone, changed)] == [
        program.EDGE_SOURCE, program.RECORDER, gauge.GAUGE_IMPLAUSIBLE,
    ]  # fmt: skip
    for one in (lost, gone, changed):
        assert (one.value, one.limit, one.unit) == (None, None, "")
    assert "line 22 is busy." in lost.message
    assert "rig recover" in gone.message


@pytest.mark.parametrize("rule", [program.STOP_INPUT, program.COVER_INPUT])
def test_an_open_loop_is_said_for_its_own_input(rule: str) -> None:
    assert program.loop_open(rule, True) is None
    found = program.loop_open(rule, False)
    assert found is not None
    assert (found.rule, found.value, found.limit, found.unit) == (rule, None, None, "")
    word = {"stop input open": "stop", "guard cover open": "cover"}[rule]
    assert word in found.message


def test_a_read_back_that_disagrees_says_what_the_feed_side_can_tell() -> None:
    """On the ground side an open fuse and a welded contact look alike, and the coil is taken to be
    energised; on the supply side a dead load names the fuse (truth tables in rig.physics.feed)."""

    def said(commanded_on: bool, side: program.FeedSide) -> str:
        found = program.readback(commanded_on, 0.1, 0.05, side)
        assert found is not None and found.limit == pytest.approx(50)
        return found.message

    assert "fuse" in said(True, "supply")
    assert "contact" in said(True, "ground") and "fuse" not in said(True, "ground")
    assert "welded" in said(False, "supply")
    assert "energised" in said(False, "ground")
    assert len({said(on, side) for on in (True, False) for side in ("supply", "ground")}) == 4


def test_a_full_queue_is_behind_however_short_the_lag() -> None:
    found = program.recorder_behind(True, 0.5, 3.0)
    assert found is not None and (found.value, found.limit, found.unit) == (0.5, 3.0, "s")
    behind = program.recorder_behind(False, 4.0, 3.0)
    assert behind is not None
    assert "queue" in found.message and "queue" not in behind.message


def test_free_space_that_is_not_known_has_no_value() -> None:
    found = program.disk_nearly_full(math.nan, 200.0)
    assert found is not None
    assert (found.rule, found.value, found.limit, found.unit) == (program.DISK, None, 200.0, "MB")


def test_a_silent_channel_names_its_sensor() -> None:
    """Each watched channel its own, an unknown one in general words."""
    for channel, part in sensor.CHECKS.items():
        found = sensor.channel_stale(channel, 1.0, 0.5)
        assert found is not None and part in found.message
        assert channel.replace("_", " ") in found.message
    other = sensor.channel_stale("another", 1.0, 0.5)
    assert other is not None and "its sensor" in other.message
