# SPDX-License-Identifier: MIT
"""Every refusal of a setup shows its key, what is wrong, and what to do."""

from __future__ import annotations

import pytest
from config_texts import SETUP, put, without

from rig.config.files.loading import setup_from_text
from rig.core.errors import EXIT_USAGE, FileProblems, Problem

NAME = "a.setup.toml"


def problems_of(text: str) -> tuple[Problem, ...]:
    with pytest.raises(FileProblems) as caught:
        setup_from_text(text, NAME)
    assert caught.value.exit_code == EXIT_USAGE
    return caught.value.problems


# key, value in the file (None: taken out), what is said, what to do
ONE_KEY = [
    # unknown, missing
    ("coil.fuze", '"2 A"', "not known", 'Did you mean "fuse"?'),
    ("fuse", '"2 A"', "not known", "belongs below [coil]"),
    ("coil.title", '"x"', "not known", "at the top, before the first [table]"),
    ("coil.fuse_a", '"2 A"', "not known", 'Write "fuse": the unit stands in the value'),
    ("relay.active_low", "true", "not known", "line, operate_delay, release_delay"),
    ("coil.fuse", None, "missing", 'fuse = "5 A"'),
    ("relay.line", None, "missing", "line = 17"),
    ("backend", None, "missing", 'backend = "board"'),
    ("gauge.pattern", None, "missing", 'pattern = "{pressure} {unit}"'),
    ("gauge.measuring_range", None, "missing", '["0 psi", "45 psi"]'),
    # quantities
    ("coil.fuse", "2", "plain number without its unit", "between quotes with its unit"),
    ("coil.fuse", "2.5", "plain number without its unit", 'like "5 A"'),
    ("limits.duty", "0.6", "plain number without its unit", 'like "50 %"'),
    ("coil.fuse", "true", "true or false", 'like "5 A"'),
    ("coil.fuse", "nan", "not a finite number", 'like "5 A"'),
    ("coil.fuse", "-inf", "not a finite number", 'like "5 A"'),
    ("coil.fuse", '"nan A"', "not a number with a unit", 'like "5 A"'),
    ("coil.fuse", '"inf A"', "not a number with a unit", 'like "5 A"'),
    ("coil.fuse", '"1e999 A"', "not a finite number", 'like "5 A"'),
    ("coil.fuse", '"2"', "has no unit", 'like "5 A"'),
    ("coil.fuse", '"2 V"', "not a current", "units: A, mA"),
    ("coil.fuse", '"2 amperes of it"', "not a known unit", "units: A, mA"),
    ("coil.fuse", '"2,5 A"', "not a number with a unit", "decimal point, not a comma"),
    ("coil.fuse", '"2 a"', "not a current", 'write the unit as "A"'),
    ("coil.fuse", "[2, 3]", "not a quantity", 'like "5 A"'),
    ("coil.fuse", "1979-05-27", "not a quantity", 'like "5 A"'),
    ("limits.pressure", '"100 psia"', "not a known unit", "gauge pressure"),
    ("limits.on_time", '"10 psi"', "not a time", "units: ms, s, min, us"),
    ("coil.fuse", '"-2 A"', "above 0 A", "a value above 0 A"),
    ("coil.supply_voltage", '"240 V"', "at most 36 V", "36 V or less"),
    ("limits.duty", '"120 %"', "at most 1", "1 or less"),
    ("limits.guard_time", '"2 s"', "at most 0.5 s", "0.5 s or less"),
    ("limits.link_time", '"2 s"', "at most 0.3 s", "0.3 s or less"),
    ("gauge.accuracy", '"-1 psi"', "at least 0 kPa", "0 kPa or more"),
    # words, numbers, tables
    ("backend", '"bord"', "not one of the words", 'Did you mean "board"?'),
    ("coil.feed_side", '"plus"', "not one of the words", '"supply" or "ground"'),
    ("switch.contact", '"open"', "not one of the words", '"normally closed" or "find"'),
    ("medium", "3", "not one of the words", '"oil" or "air"'),
    ("title", "3", "text is needed", "between quotes"),
    ("chip", '""', "empty", "between quotes"),
    ("gauge.port", '""', "empty", "/dev/ttyUSB0"),
    ("relay.line", '"17"', "whole number is needed", "without quotes"),
    ("relay.line", "17.0", "whole number is needed", "like 17"),
    ("relay.line", "true", "whole number is needed", "like 17"),
    ("gauge.baud", "9", "at least 110", "110 or more"),
    ("gauge.stopbits", "3", "not one of the words", "1 or 2"),
    ("coil", "3", "table is needed", "Write [coil]"),
    # GPIO lines
    ("relay.line", "28", "not on the board's header", "12, 13, 16"),
    ("relay.line", "-1", "not on the board's header", "12, 13, 16"),
    ("relay.line", "4", "pulled up at boot", "12, 13, 16"),
    ("relay.line", "2", "pulled up at boot", "12, 13, 16"),
    ("relay.line", "8", "pulled up at boot", "12, 13, 16"),
    ("relay.line", "9", "reserved for SPI", "12, 13, 16"),
    ("relay.line", "14", "reserved for the serial port", "12, 13, 16"),
    ("switch.line", "0", "reserved for the ID EEPROM", "4, 5, 6, 12"),
    ("switch.line", "3", "reserved for I2C", "4, 5, 6, 12"),
    ("readback.line", "11", "reserved for SPI", "4, 5, 6, 12"),
    ("readback.line", "15", "reserved for the serial port", "4, 5, 6, 12"),
    ("switch.line", "17", "already the line of [relay]", "its own line"),
    ("readback.line", "17", "already the line of [relay]", "its own line"),
    ("readback.line", "22", "already the line of [switch]", "its own line"),
    # fuse
    ("coil.fuse", '"1.1 A"', "draws 0.87 A (12.6 V over 14.5 ohm), more than 75 %", "2 A"),
    # switch input
    ("switch.closed_reads", '"high"', "a closed contact reads low", 'pull = "external"'),
    # gauge and its limit
    ("gauge.pattern", '"{presure}"', "Unknown field {presure} (at character 1)", "{pressure}"),
    ("gauge.pattern", '"{unit}"', "No {pressure}", "where the number stands"),
    ("gauge.pattern", '"{pressure}"', "which unit the number has", "add {unit}"),
    ("gauge.unit", '"volt"', "not a unit of pressure", "psi, kPa, bar"),
    ("gauge.measuring_range", '"0 psi"', "two quantities in square brackets", '["0 psi"'),
    ("gauge.measuring_range", '["0 psi"]', "two quantities in square brackets", '["0 psi"'),
    ("gauge.measuring_range", "[0, 150]", "plain number without its unit", "between quotes"),
    ("gauge.measuring_range", '["150 psi", "0 psi"]', "reversed or empty", "the lower"),
    ("gauge.expected_range", '["80 psi", "80 psi"]', "reversed or empty", "the lower"),
    ("gauge.expected_range", '["-5 psi", "80 psi"]', "cannot show all of", "covers it"),
    ("limits.pressure", None, "a gauge and no pressure limit", "above the expected range"),
    ("limits.pressure", '"70 psi"', "not above the expected range", "raise the limit"),
    ("limits.pressure", '"80 psi"', "a healthy run would trip", "raise the limit"),
    ("limits.pressure", '"200 psi"', "would never trip", "gauge.measuring_range"),
    ("limits.pressure", '"150 psi"', "would never trip", "gauge.measuring_range"),
    ("limits.gauge_stale", '"90 ms"', "it would always trip", '"300 ms"'),
    ("limits.gauge_stale", '"100 ms"', "it would always trip", '"300 ms"'),
    ("limits.readback_delay", '"10 ms"', "every stroke would trip", "longer readback_delay"),
    # the simulated rig
    ("simulated.seeds", "3", "not known", 'Did you mean "seed"?'),
    ("simulated.seed", '"3"', "whole number is needed", "without quotes"),
]


@pytest.mark.parametrize(
    ("key", "value", "what", "remedy"), ONE_KEY, ids=[f"{row[0]} {row[1]}" for row in ONE_KEY]
)
def test_one_wrong_key_gives_one_problem(
    key: str, value: str | None, what: str, remedy: str
) -> None:
    text = without(SETUP, "coil") if key == "coil" else SETUP
    (problem,) = problems_of(put(text, key, value))
    assert problem.key == key
    assert problem.file == NAME
    assert what.casefold() in problem.what.casefold()
    assert remedy.casefold() in problem.remedy.casefold()
    assert_plain(problem)


def assert_plain(problem: Problem) -> None:
    """In words for a person: no address, no class, no jargon of a library."""
    text = str(problem)
    for jargon in ("http", "pydantic", "Input should", "validation", "type=", "NoneType", "_kpa"):
        assert jargon not in text
    assert problem.what.endswith((".", "?"))
    assert problem.remedy.endswith((".", "?"))
    assert len(problem.remedy) > 10


# what is done to the good setup, the key of the problem, what is said, what to do
SEVERAL_KEYS = [
    (
        put(put(SETUP, "switch.pull", '"external"'), "switch.closed_reads", None),
        "switch.closed_reads",
        "cannot know which level a closed contact gives",
        'closed_reads = "low" or "high"',
    ),
    (
        put(put(SETUP, "switch.pull", '"down"'), "switch.closed_reads", '"low"'),
        "switch.closed_reads",
        "a closed contact reads high",
        "take closed_reads out",
    ),
    (
        put(without(SETUP, "gauge"), "limits.gauge_stale", None),
        "limits.pressure",
        "a pressure limit and no gauge",
        "[gauge] table",
    ),
    (
        put(without(SETUP, "gauge"), "limits.pressure", None),
        "limits.gauge_stale",
        "no gauge whose readings",
        "take this key out",
    ),
    (
        put(SETUP, "backend", '"board"'),
        "simulated",
        "drives real parts",
        "take the [simulated] table out",
    ),
    (without(SETUP, "coil"), "coil", "table is missing", "feed_side, supply_voltage, fuse and"),
    (SETUP + "[[gauges]]\n", "gauges", "not known", 'Did you mean "gauge"?'),
]


@pytest.mark.parametrize(
    ("text", "key", "what", "remedy"), SEVERAL_KEYS, ids=[row[1] for row in SEVERAL_KEYS]
)
def test_values_that_cannot_stand_together(text: str, key: str, what: str, remedy: str) -> None:
    (problem,) = problems_of(text)
    assert problem.key == key
    assert what in problem.what
    assert remedy.casefold() in problem.remedy.casefold()
    assert_plain(problem)


def test_the_good_setup_is_good() -> None:
    assert setup_from_text(SETUP, NAME).setup.coil.fuse_a == 2.0


def test_every_problem_of_a_file_at_once_in_the_order_of_the_file() -> None:
    text = SETUP
    for key, value in [
        ("medium", '"water"'),
        ("coil.fuse", '"0.5 A"'),
        ("relay.line", "2"),
        ("readback.line", "22"),
        ("gauge.period", "0.1"),
        ("limits.pressure", '"70 psi"'),
        ("limits.dutty", '"50 %"'),
    ]:
        text = put(text, key, value)
    problems = problems_of(text)
    assert [p.key for p in problems] == [
        "medium",
        "coil.fuse",
        "relay.line",
        "readback.line",
        "gauge.period",
        "limits.dutty",
        "limits.pressure",
    ]
    shown = str(FileProblems(problems))
    assert shown.startswith("7 problems found; nothing was energised.")
    for problem in problems:
        assert problem.key in shown
        assert problem.what in shown
        assert problem.remedy in shown


def test_an_expected_range_beyond_the_top_of_the_gauge() -> None:
    text = put(put(SETUP, "gauge.expected_range", '["0 psi", "160 psi"]'), "limits.pressure", None)
    by_key = {p.key: p for p in problems_of(text)}
    assert "cannot show all of 0 to 1103 kPa" in by_key["gauge.expected_range"].what


def test_a_cross_check_is_left_out_where_its_values_cannot_be_read() -> None:
    text = put(put(SETUP, "coil.resistance", "14.5"), "coil.fuse", '"0.1 A"')
    assert [p.key for p in problems_of(text)] == ["coil.resistance"]
    # but the others are made: the gauge is there, though its period is wrong
    text = put(put(SETUP, "gauge.period", '"x"'), "limits.pressure", '"70 psi"')
    assert [p.key for p in problems_of(text)] == ["gauge.period", "limits.pressure"]


def test_a_misspelt_key_is_not_also_missing() -> None:
    text = put(put(SETUP, "coil.fuse", None), "coil.fuze", '"2 A"')
    (problem,) = problems_of(text)
    assert problem.key == "coil.fuze"


def test_values_are_shown_as_written_and_cannot_reach_the_terminal() -> None:
    text = put(put(SETUP, "coil.fuse", '"\\u001b[31m2 V"'), "medium", '"' + "w" * 500 + '"')
    text = put(text, '"li\\u009bne"', "3")
    by_key = {p.key: p for p in problems_of(text)}
    assert len(by_key["medium"].value) <= 60
    assert by_key["coil.fuse"].value == '"\\u001b[31m2 V"'
    shown = str(FileProblems(by_key.values()))
    assert all(character.isprintable() or character == "\n" for character in shown)
